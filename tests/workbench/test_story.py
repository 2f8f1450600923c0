"""The host's own words and photographs, chosen on a page and sent out.

Tags of Exif 2.32 (CIPA DC-008): 0x0112 orientation, 0x8825 the place.
"""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from PIL import Image

from blindspoon.analysis import analyse, compose_report
from blindspoon.files.trial_folder import fingerprint, published_at, read_folder
from blindspoon.files.trial_toml import parse_trial
from blindspoon.writeup.page import render
from tests.workbench.conftest import words

STORY = "/t/crisp/publish/story"


def camera():
    """A picture as a phone leaves it: on its side, red at its top, with the place in it."""
    pixels = np.zeros((300, 400, 3), dtype=np.uint8)
    pixels[:, :100, 0] = 250  # turned by 90 degrees, the left is the top
    exif, out = Image.Exif(), io.BytesIO()
    exif[0x0112] = 6
    exif.get_ifd(0x8825)[2] = (52.0, 31.0, 12.0)
    Image.fromarray(pixels).save(out, "JPEG", exif=exif)
    return out.getvalue()


def send(host, *chosen, **typed):
    """Send the form as it stands, with other texts and files."""
    page = host.read(STORY)
    form = {"seen": re.search(r'name="seen" value="([^"]*)"', page)[1]}
    form["file"] = re.findall(r'name="file" value="([^"]*)"', page)
    files = [(io.BytesIO(data), name) for name, data in chosen]
    return host.post(STORY, **form | typed, photos=files)


def trial_of(folder):
    return parse_trial((folder / "trial.toml").read_text("utf-8"))


def test_photographs_go_out_upright_once_they_are_described_and_no_rule_changes(at):
    host, folder = at("lifted")
    page = published_at(folder) / "index.html"
    page.parent.mkdir(parents=True)
    page.write_text(fingerprint(read_folder(folder).files))
    names = ("Gläser im Keller.JPG", "IMG 1.jpg", "b/IMG 1.jpg", "../../...jpg")
    done = send(host, *((name, camera()) for name in names), **{"story.text": "Too many.\n\nSo."})
    assert done.location == STORY
    kept = ["glaser-im-keller.jpg", "img-1-2.jpg", "img-1.jpg", "photo.jpg"]
    assert sorted(path.name for path in (folder / "photos").iterdir()) == kept
    assert "4 photographs without a description" in words(host.read("/t/crisp/publish"))
    with Image.open(folder / "photos" / "img-1.jpg") as upright:
        assert (upright.size, dict(upright.getexif())) == ((300, 400), {})
        assert upright.getpixel((150, 20))[0] > 200
    assert host.get(f"{STORY}/img-1.jpg").data == (folder / "photos" / "img-1.jpg").read_bytes()
    assert send(host, **{"photo[2].alt": "A “jar”", "photo[1].alt": "Jars"}).status_code == 303
    analysis = analyse(folder)
    told = [(photo.file, photo.alt) for photo in analysis.trial.photos]
    assert told == [("glaser-im-keller.jpg", "Jars"), ("img-1-2.jpg", "A “jar”")]
    assert not analysis.standing.bent
    report = render(compose_report(analysis))["index.html"].decode()
    assert report.count('<figure class="photo">') == 2
    assert "<p>Too many.</p>" in report
    assert "The trial has changed since." in words(host.read("/t/crisp/publish"))
    assert send(host, **{"photo[2].alt": "A “jar”", "out": "glaser-im-keller.jpg"}).location
    assert [photo.alt for photo in trial_of(folder).photos] == ["A “jar”"]
    host.post("/t/crisp/lately", number="3")
    assert trial_of(folder).photos == analysis.trial.photos


def test_a_picture_of_too_many_pixels_is_refused_in_plain_words(at):
    host, _ = at("planned")
    big = io.BytesIO()
    Image.new("1", (10_000, 10_000)).save(big, "PNG")
    told = "“big.png”: it has more than 80 million pixels."
    assert told in send(host, ("big.png", big.getvalue())).text


@pytest.mark.parametrize("data", [b"a text", b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", camera()[:900]])
def test_what_is_no_picture_is_named_and_nothing_is_written(at, data):
    host, folder = at("planned")
    before = (folder / "trial.toml").read_bytes()
    done = send(host, ("good.jpg", camera()), ("bad.jpg", data), **{"story.text": "We asked."})
    assert done.status_code == 422
    assert re.search(r'id="photos-fault">“bad.jpg”: it (is no JPEG|cannot be read)', done.text)
    assert ">\nWe asked.</textarea>" in done.text
    done = send(host, ("good.jpg", camera()), **{"publish.address": "example.org"})
    assert "Choose them once more" in done.text
    assert not (folder / "photos").exists()
    assert (folder / "trial.toml").read_bytes() == before


def test_a_photograph_is_described_by_hand_or_here_and_taken_out_when_its_file_is_gone(at):
    host, folder = at("sealed")
    (folder / "photos").mkdir()
    (folder / "photos" / "my jar ä.webp").write_bytes(b"no picture")
    done = send(host, **{"photo[1].alt": "A jar"})
    assert (done.status_code, "It is no JPEG, PNG or WebP." in done.text) == (422, True)
    (folder / "photos" / "my jar ä.webp").write_bytes(camera())
    assert send(host, **{"photo[1].alt": "A jar"}).status_code == 303
    assert "Say what it shows" in send(host, **{"photo[1].alt": ""}).text
    (folder / "photos" / "my jar ä.webp").unlink()
    assert "is gone from the folder photos" in host.read(STORY)
    assert host.get(f"{STORY}/my%20jar%20%C3%A4.webp").status_code == 404
    assert send(host, **{"photo[1].alt": "A jar", "out": "my jar ä.webp"}).status_code == 303
    assert trial_of(folder).photos == ()


def test_two_windows_lose_no_word_and_a_photograph_that_was_taken_out_stays_out(at):
    host, folder = at("lifted")
    send(host, ("a.jpg", camera()), ("b.jpg", camera()))
    send(host, **{"photo[1].alt": "A", "photo[2].alt": "B", "story.text": "Ours."})
    old = {"seen": re.search(r'name="seen" value="([^"]*)"', host.read(STORY))[1]}
    old |= {"file": ["a.jpg", "b.jpg"], "photo[1].alt": "A", "photo[2].alt": "B, a jar"}
    send(host, **{"photo[2].alt": "B", "out": "a.jpg", "story.text": "Theirs."})
    asked = host.post(STORY, **old | {"story.text": "Mine."})
    assert (asked.status_code, "“Theirs.” stands there now" in asked.text) == (409, True)
    assert host.post(STORY, **old | {"story.text": "Ours."}).status_code == 303
    trial = trial_of(folder)
    assert (trial.story, [photo.alt for photo in trial.photos]) == ("Theirs.", ["B, a jar"])


def test_a_form_sent_twice_adds_its_photograph_once_and_another_one_beside_it(at):
    host, folder = at("lifted")
    for name in ("a.jpg", "a.jpg", "b.jpg"):
        assert send(host, (name, camera()), once="x", seen="", file=[]).location == STORY
    assert sorted(path.name for path in (folder / "photos").iterdir()) == ["a.jpg", "b.jpg"]


def test_files_are_taken_by_this_form_alone_and_not_without_end(at):
    host, _ = at("lifted")
    assert host.post("/t/crisp/question", x=(io.BytesIO(b"x"), "x")).status_code == 415
    assert host.post("/t/crisp/question", **{"trial.title": "x" * 2_200_000}).status_code == 413
    assert host.post(STORY, **{"story.text": "x" * 2_200_000}).status_code == 413
    whole = {"CONTENT_TYPE": "multipart/form-data; boundary=x", "CONTENT_LENGTH": f"{31 * 2**20}"}
    done = host.client.post(STORY, environ_overrides=whole)
    assert (done.status_code, "30 MB of photographs" in done.text) == (413, True)
