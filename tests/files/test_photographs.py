"""The host's pictures go out upright and small, and hold nothing but what is seen.

Tags of Exif 2.32 (CIPA DC-008): 0x0112 orientation, 0x8825 the place, 0x010F the maker.
"""

from __future__ import annotations

import base64
import io
import re
import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from blindspoon.analysis import analyse, compose_report
from blindspoon.examine import examine
from blindspoon.files.edits import take_out
from blindspoon.packing.pack import pack
from blindspoon.writeup.page import render

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "trials" / "allotment-cucumbers"
TOLD = """
[story]
text = \"\"\"
We had too many cucumbers.

So we made five jars of them.\"\"\"

[[photo]]
file = "jars.jpg"
alt = "Five jars on a sill"

[[photo]]
file = "leaf.png"
alt = "A vine leaf in a jar"
variant = "vine-leaf"
"""


@cache
def camera(width=1800, height=1200):
    """A picture as a camera leaves it: on its side, with the place in it, red at its top."""
    noise = np.random.default_rng(3).integers(0, 90, (height, width, 3), dtype=np.uint8)
    noise[:, : width // 4, 0] = 250  # turned by 90 degrees, the left is the top
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, "SECRET CAMERA"
    exif.get_ifd(0x8825)[2] = (52.0, 31.0, 12.0)
    out = io.BytesIO()
    Image.fromarray(noise).save(out, "JPEG", exif=exif, comment=b"SECRET PLACE")
    return out.getvalue()


def told(place):
    shutil.copytree(DEMO, home := place / "trial")
    (home / "seal.toml").unlink()
    plan = (home / "trial.toml").read_text()
    for number in (3, 2, 1):  # one attribute is enough here, and a quarter of the work
        plan = take_out(plan, "attribute", number)
    address = 'address = "https://example.org/pickles"'
    (home / "trial.toml").write_text(f"{plan}{TOLD}\n[publish]\n{address}\n")
    (home / "photos").mkdir()
    (home / "photos" / "jars.jpg").write_bytes(camera())
    Image.new("RGBA", (400, 300), (0, 90, 0, 40)).save(home / "photos" / "leaf.png")
    (home / "photos" / "private.jpg").write_bytes(b"SECRET")
    return home


@pytest.fixture
def folder(tmp_path):
    return told(tmp_path)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        drawn = {"figures/video/texture-differences.png": b"drawn"}
        patch.setattr("blindspoon.packing.pack.draw", lambda *_: (drawn, ()))
        return pack(analyse(told(tmp_path_factory.mktemp("told"))), jar_g=1000).files


def test_what_goes_out_is_upright_and_holds_no_place_and_no_camera(files):
    assert not [name for name, data in files.items() if b"SECRET" in data]
    assert {name for name in files if "photos/" in name} == {
        "photos/1-jars.jpg",
        "photos/2-leaf.jpg",
    }
    with Image.open(io.BytesIO(files["photos/1-jars.jpg"])) as shown:
        assert shown.height > shown.width
        assert not shown.getexif()
        top, bottom = (shown.getpixel((shown.width // 2, y)) for y in (20, shown.height - 20))
    assert top[0] > 200
    assert bottom[0] < 100


def test_the_page_holds_story_and_pictures_and_stays_small(files):
    page = files["index.html"].decode()
    pictures = re.findall(r'src="data:image/jpeg[^"]*', page)
    whole = (ROOT / "reports" / DEMO.name / "index.html").read_text("utf-8")  # of all attributes
    assert len(pictures) == 2
    assert len(whole) + len("".join(pictures)) < 400_000
    assert "<p>We had too many cucumbers.</p>" in page
    assert 'alt="Five jars on a sill"' in page
    assert page.index('id="make"') < page.index('id="story"') < page.index('id="record"')
    first = page.split('src="data:image/jpeg;base64,')[1].split('"')[0]
    assert Image.open(io.BytesIO(base64.b64decode(first))).format == "JPEG"


def test_links_are_shown_with_a_picture_where_the_address_is_known(files):
    page = files["index.html"].decode()
    assert 'property="og:url" content="https://example.org/pickles/"' in page
    assert 'property="og:image" content="https://example.org/pickles/preview.png"' in page
    assert files["preview.png"] == b"drawn"


def test_a_page_without_preview_names_none(folder):
    page = render(compose_report(analyse(folder)))["index.html"].decode()
    assert 'property="og:url"' in page
    assert "og:image" not in page


def test_the_kit_of_another_kitchen_tells_nothing_of_ours(files):
    plans = [data.decode() for name, data in files.items() if name.startswith("kit/")]
    assert not [text for text in plans if "too many cucumbers" in text or "example.org" in text]


@pytest.mark.parametrize("broken", [None, b"no picture", camera()[:2000]])
def test_a_picture_that_cannot_be_shown_is_named(folder, broken):
    path = folder / "photos" / "jars.jpg"
    path.unlink()
    if broken is not None:
        path.write_bytes(broken)
    said = [note.text for note in examine(folder).notes if note.file == "photos"]
    assert len(said) == 1
    assert said[0].startswith("The picture jars.jpg is left out: ")
    assert "object at 0x" not in said[0]


def test_a_report_tells_which_picture_it_leaves_out(folder, tmp_path, blindspoon, monkeypatch):
    monkeypatch.setattr("blindspoon.findings.further.study_further", lambda _: None)
    (folder / "photos" / "jars.jpg").write_bytes(b"no picture")
    assert (
        "note: The picture jars.jpg is left out: "
        in blindspoon("report", folder, "--to", tmp_path / "out").stdout
    )


def test_a_path_out_of_the_folder_is_refused(folder):
    plan = folder / "trial.toml"
    plan.write_text(plan.read_text().replace("jars.jpg", "../private.jpg"))
    (problem,) = examine(folder).problems
    assert problem.slug == "not-allowed"
