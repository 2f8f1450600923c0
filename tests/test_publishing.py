"""All that a host sends out: complete, alike every time, and readable without us."""

from __future__ import annotations

import io
import re
import runpy
import sys
import time
import zipfile
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from blindspoon import verify
from blindspoon.analysis import analyse, compose_report
from blindspoon.api import publish
from blindspoon.charts.posts import FORMATS
from blindspoon.errors import TrialFileError
from blindspoon.files import shipped
from blindspoon.packing import pack as packing
from blindspoon.packing.pack import pack, zip_of
from blindspoon.verify import in_words, recompute

WINE = "Does warmth or skin contact make a white wine bitter?"
TRIALS = sorted(path.parent for path in Path(__file__).parents[1].glob("trials/*/scores.csv"))


@pytest.fixture(scope="module", params=TRIALS, ids=lambda folder: folder.name)
def packed(request, analysis_of, packed_of):
    """What is sent out of a trial, pictures laid out only."""
    return analysis_of(request.param.name), packed_of(request.param.name)[0]


@pytest.fixture(scope="module")
def content(packed, further_of):
    return compose_report(packed[0], further_of(packed[0].folder))


def test_every_step_is_told(packed_of):
    steps = packed_of(TRIALS[0].name)[1]
    assert steps == [(done, len(steps)) for done in range(1, len(steps) + 1)]
    assert len(steps) > 10


def test_every_form_is_there(packed):
    _, files = packed
    forms = {"index.html", "print.html", "data/datapackage.json", "data/scores.csv"}
    forms |= {"data/trial.toml", "kit/do-it-yourself.html", "kit/trial.toml", "kit/batches.csv"}
    forms |= {"START.html", "blog.md", "say.md", "preview.png", "kit/drawn/key.csv"}
    assert forms <= set(files)
    assert len(files["index.html"]) < 400_000


def test_the_guide_leads_to_every_folder_and_to_every_file_at_the_head(packed):
    _, files = packed
    guide = files["START.html"].decode()
    for name in {path.rpartition("/")[0] or path for path in files} - {"START.html"}:
        whole = {"data": "data/README.md", "kit": "kit/do-it-yourself.html"}.get(name, name)
        assert whole in guide or name.startswith("kit/drawn"), name
    opened = {path for path in files if path.startswith(("figures/", "tables/", "photos/"))}
    assert opened <= set(re.findall('href="([^"]*)"', guide))
    assert "could not be drawn" not in guide


def test_the_post_is_short_and_has_the_answer_and_the_first_picture(packed, content):
    _, files = packed
    text = files["blog.md"].decode()
    assert f"figures/{content.picture.name}.png" in text
    first = content.answer.split(".")[0].replace("\N{NO-BREAK SPACE}", " ")
    assert first in text.replace("\\", "")
    told = re.sub(r"!?\[.*?\]\(.*?\)|[^\w\s]", " ", text)
    assert 120 < len(told.split()) < 360


def test_a_picture_that_leaves_the_page_says_whether_it_was_blind(packed, monkeypatch):
    said = "Tasted blind." if packed[0].trial.title != WINE else "Not shown to be blind."
    feet = list[str]()
    monkeypatch.setattr("blindspoon.charts.posts.fit", lambda *given: feet.append(given[-1].source))
    monkeypatch.setattr("blindspoon.charts.png.png", lambda *_, **__: b"")
    pack(packed[0], jar_g=1000)
    assert feet
    assert all(said in foot for foot in feet)


def test_what_is_said_of_pictures_names_every_chart(packed, content):
    text = packed[1]["say.md"].decode()
    for chart in content.figures:
        assert f"- `{chart.name}`: " in text


def test_what_is_not_to_be_said_stands_beside_what_is(packed_of):
    text = packed_of("allotment-cucumbers")[0]["say.md"].decode()
    warned = text.partition("## Not to be said, for it was not shown")[2].partition("\n## ")[0]
    assert "**That what is not settled is alike.**" in warned
    assert "Each variant was compared with the control alone." in warned
    assert "The next jar may come out otherwise." in text


def test_what_is_said_on_camera_tells_what_came_close_too(packed_of):
    spoken = packed_of("allotment-cucumbers")[0]["say.md"].decode().split("## ")[1]
    assert "were crisper than plain brine; the vine-leaf jar came within 1 point of it" in spoken
    assert (
        "of it. One catch: the calcium jar was also 3 °C cooler. Twelve people"
        in spoken.replace("\N{NO-BREAK SPACE}", " ")
    )


def test_what_was_changed_after_it_was_sealed_is_said_on_camera_as_a_lead(analysis_of):
    demo = analysis_of("allotment-cucumbers")
    bent = replace(
        demo.standing, facts=(("not as sealed", "The key is not the one that was sealed."),)
    )
    results = tuple(replace(found, primary=False) for found in demo.results)
    text = packing.say(compose_report(replace(demo, standing=bent, results=results), None), ())
    camera = text.split("## ")[1]
    assert "As a lead, for something was changed after it was sealed: The calcium and" in camera
    assert "it is not shown to be blind" in camera


def test_what_cannot_be_drawn_is_said_in_the_guide_and_on_the_terminal(
    uncoded, tmp_path, blindspoon, unpainted, monkeypatch
):
    monkeypatch.delitem(FORMATS, "video")
    monkeypatch.delitem(FORMATS, "tall")
    folder = tmp_path / "long"
    folder.mkdir()
    long = "as it was made in our allotment kitchen that summer " * 6
    plan = re.sub(
        'variant]]\nname = "(.*)"', rf'\g<0>\nlabel = "\1 {long}"', uncoded["trial.toml"].decode()
    )
    (folder / "trial.toml").write_text(plan)
    (folder / "scores.csv").write_bytes(uncoded["scores.csv"])
    done = blindspoon("publish", folder, "--to", tmp_path / "out")
    said = "Not drawn in figures/square: "
    assert said in done.stdout
    assert said in (tmp_path / "out" / "long" / "START.html").read_text()
    assert "Publishing" in done.stderr


@pytest.mark.parametrize(
    "packed",
    [*(pytest.param(trial, marks=pytest.mark.slow) for trial in TRIALS[:2]), TRIALS[2]],
    ids=lambda folder: folder.name,
    indirect=True,
)
def test_a_reader_checks_the_numbers_without_blindspoon(
    packed, record_of, tmp_path, monkeypatch, capsys
):
    """The script runs in this process, where it cannot import Blindspoon; .ci/wheel has none."""
    analysis, files = packed
    unpacked(files, tmp_path)
    with monkeypatch.context() as alone:
        alone.setitem(sys.modules, "blindspoon", None)
        alone.setattr(sys, "argv", ["verify.py"])
        with pytest.raises(SystemExit, match=r"^0$"):
            runpy.run_path(str(tmp_path / "verify.py"), run_name="__main__")
    ours = recompute(analysis.table.to_frame(analysis.trial), record_of(analysis.folder))
    told, _, *lines, last = capsys.readouterr().out.splitlines()
    assert told.startswith("Numbers of tables/comparisons.json")
    assert len(lines) == len(in_words(ours).splitlines())
    assert last == verify.UNCHANGED
    assert verify.NOT_AGAIN in lines  # what decides is not among the numbers


def unpacked(files, to):
    """Write what verify.py reads."""
    for name, content in files.items():
        if name.startswith(("verify.py", "tables/", "data/")):
            (to / name).parent.mkdir(exist_ok=True, parents=True)
            (to / name).write_bytes(content)


@pytest.mark.parametrize("table", ["data/scores.csv", "tables/scores.csv"])
def test_an_altered_score_is_told_and_ends_with_1(packed_of, table, tmp_path, capsys):
    folder = tmp_path / "with blanks"
    folder.mkdir()
    unpacked(packed_of(TRIALS[2].name)[0], folder)
    assert verify.main(folder) == 0
    spoilt = (folder / table).read_text(encoding="utf-8")
    (folder / table).write_text(spoilt.replace(",36", ",63", 1), encoding="utf-8")
    assert verify.main(folder) == 1
    told = capsys.readouterr().out.split(verify.UNCHANGED)[1]
    assert "1 of 72 cups of tables/scores.csv are not in data/ so" in told
    assert ("another SHA-256" in told) == table.startswith("data")
    assert ("NOT EQUAL: bitterness" in told) == table.startswith("tables")
    (folder / "data" / "scores.csv").unlink()
    assert verify.main(folder) == 1
    assert "NOT EQUAL: data/scores.csv is not there" in capsys.readouterr().out


def test_a_variant_called_null_is_no_missing_one(tmp_path):
    (tmp_path / "trial.toml").write_text(
        'trial = { title = "Crisp", control = "plain" }\nscale = { low = 0, high = 10 }\n'
        'attribute = [{ name = "texture" }]\nvariant = [{ name = "plain" }, { name = "null" }]\n'
    )
    rows = "".join(f"T{t},plain,{t}\nT{t},null,{t + t % 3}\n" for t in range(6))
    (tmp_path / "scores.csv").write_text(f"taster,variant,texture\n{rows}")
    unpacked(pack(analyse(tmp_path), jar_g=1000).files, tmp_path / "made")
    assert verify.main(tmp_path / "made") == 0


def test_a_score_is_the_same_with_zeros_behind_its_point_or_more_digits_than_tables_have(
    packed_of, tmp_path
):
    unpacked(packed_of(TRIALS[2].name)[0], tmp_path)
    data = tmp_path / "data" / "scores.csv"
    data.write_text(
        re.sub(r"(\d)$", r"\1.00000000001", data.read_text("utf-8"), flags=re.M), "utf-8"
    )
    (told,) = verify.faults_of_data(tmp_path, pd.read_csv(tmp_path / "tables" / "scores.csv"))
    assert "another SHA-256" in told


def test_another_key_than_the_sealed_one_is_told_though_its_description_was_rewritten(
    packed_of, tmp_path
):
    unpacked(packed_of("allotment-cucumbers")[0], tmp_path)
    assert [*verify.faults_of_seal(tmp_path)] == []
    key = tmp_path / "data" / "key.csv"
    key.write_text(key.read_text("utf-8").replace("calcium", "old-brine", 1), "utf-8")
    assert ["was sealed" in fault for fault in verify.faults_of_seal(tmp_path)] == [True]


def test_links_lead_to_files_of_the_pack_and_nothing_is_fetched(packed):
    _, files = packed
    for name, content in files.items():
        if not name.endswith((".html", ".md", ".svg")):
            continue
        text = content.decode()
        # Namespaces of SVG, and the licence, are names and not fetched.
        loaded = re.findall(r'(?:src|href)="([^"#]+)"|!\[[^\]]*\]\(([^)]+)\)', text)
        for link in (first or second for first, second in loaded):
            assert (Path(name).parent / link).as_posix() in files, f"{name} links {link}"
        own = shipped.text("writeup/templates/unfold.js").strip()
        scripts = re.findall(r"<script.*?>(.*?)</script>", text, re.DOTALL)
        assert [script.strip() for script in scripts] == [own] * (name == "index.html"), name
        assert "@import" not in text, name
        assert not re.search(r"url\((?!data:)", text), name


@pytest.mark.parametrize(
    "folder",
    [TRIALS[0].parent / "two-salts", *(pytest.param(it, marks=pytest.mark.slow) for it in TRIALS)],
    ids=lambda folder: folder.name,
)
def test_the_same_trial_gives_the_same_zip(folder, analysis_of, packed_of):
    analysis, (files, _) = analysis_of(folder.name), packed_of(folder.name, painted=True)
    again = pack(analysis, jar_g=1000).files
    assert {name for name in files if files[name] != again[name]} == set()
    whole = zip_of(analysis.folder, files)
    archive = zipfile.ZipFile(io.BytesIO(whole))
    assert archive.testzip() is None
    assert {name.partition("/")[2] for name in archive.namelist()} == set(files)


@pytest.mark.parametrize("packed", TRIALS[:2], ids=lambda folder: folder.name, indirect=True)
def test_all_but_the_pictures_of_the_same_trial_is_the_same(packed, monkeypatch):
    """Drawing the pictures of these once more is slow; see above."""
    analysis, files = packed
    drawn = {name: data for name, data in files.items() if re.search(r"\.png$|^figures/.+/", name)}
    monkeypatch.setattr(packing, "draw", lambda *_: (drawn, ()))
    again = pack(analysis, jar_g=1000).files
    assert {name for name in files if files[name] != again[name]} == set()
    assert {"index.html", "data/scores.csv", "kit/drawn/key.csv"} <= set(files) - set(drawn)


def test_publishing_twice_replaces_and_a_trial_is_never_written_over(tmp_path, monkeypatch):
    made = packing.Pack(files={"index.html": b"page", "kit/drawn/key.csv": b"key"}, lacking=())
    monkeypatch.setattr(packing, "pack", lambda *_, **__: made)
    first = publish(TRIALS[1], tmp_path)
    before = first.zipped.read_bytes()
    (first.folder / "index.html").write_text("an older page")
    publish(TRIALS[1], tmp_path)
    assert first.zipped.read_bytes() == before
    assert (first.folder / "index.html").read_bytes() == b"page"
    (first.folder / "trial.toml").write_text("mine")
    with pytest.raises(TrialFileError):
        publish(TRIALS[1], tmp_path)
    assert (first.folder / "trial.toml").read_text() == "mine"


@pytest.mark.bench
def test_the_demo_is_packed_within_eight_seconds(tmp_path, capsys):
    started = time.perf_counter()
    publish(TRIALS[0], tmp_path)
    taken = time.perf_counter() - started
    size = sum(path.stat().st_size for path in tmp_path.rglob("*") if path.is_file())
    with capsys.disabled():
        print(f"\nthe demo, published: {taken:.1f} s, {size / 1e6:.1f} MB with its zip")  # noqa: T201
    assert taken < 8
