"""Pages and terminal do the same: a trial by each, and by both in turn, ends in the same bytes."""

from __future__ import annotations

import re
import shutil
import time

import pytest

STEPS = ("draw", "score", "late", "close", "lift")


@pytest.fixture
def by_page(visit, scores):
    """Do one step on the pages of a workbench that is opened for it alone."""

    def by_page(folder, step):
        host, base = visit(folder.parent), "/t/crisp"
        if step == "score":
            rows = scores(folder)
            page = host.post(f"{base}/tasting/rows", rows=rows).text
            shown = re.search('name="shown" value="([^"]*)"', page)[1]
            done = host.post(f"{base}/tasting/rows", rows=rows, shown=shown)
        elif step == "lift":
            page = host.read(f"{base}/lift")
            told = re.search('name="told" value="([^"]*)"', page)[1]
            done = host.post(f"{base}/lift", finished="yes", told=told)
        else:
            path, fields = {
                "draw": ("codes", {"mine": "yes"}),
                "late": ("tasting/late", {"late": "Gus"}),
                "close": ("tasting/close", {}),
            }[step]
            done = host.post(f"{base}/{path}", **fields)
            if step == "late":  # the next page says that the sheets are to be printed again
                assert host.post(f"{base}/sheets", paper="a4").status_code == 303
        host.bench.sittings.leave_all()
        assert done.status_code == 303, done.text

    return by_page


@pytest.fixture
def by_hand(blindspoon, scores, tmp_path):
    """Do one step in a terminal."""

    def by_hand(folder, step):
        rows = tmp_path / "export.csv"
        if step == "score":
            rows.write_text(scores(folder), "utf-8")
        verb = {
            "draw": ("blind", folder, "--declare"),
            "score": ("collect", folder, "--from", rows),
            "late": ("blind", folder, "--add", "Gus"),
            "close": ("close", folder),
            "lift": ("lift", folder, "--yes"),
        }[step]
        done = blindspoon(*verb)
        assert done.returncode == 0, done.stderr

    return by_hand


def contents(folder):
    files = (path for path in folder.rglob("*") if path.is_file())
    kept = (path for path in files if ".blindspoon" not in path.parts)
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in kept}


def test_a_trial_begun_by_one_goes_on_by_the_other_and_ends_the_same(
    visit, stood, tmp_path, by_page, by_hand, blindspoon
):
    ended = []
    for ways in ("ppppp", "ttttt", "ptptp", "tptpt"):
        folder = tmp_path / ways / "crisp"
        shutil.copytree(stood["planned"], folder)
        for way, step in zip(ways, STEPS, strict=True):
            (by_page if way == "p" else by_hand)(folder, step)
        ended.append(contents(folder))
    assert {"key.csv", "seal.toml", "sheets/table.html"} <= ended[0].keys()
    for other in ended[1:]:
        names = ended[0].keys() | other.keys()
        assert {name for name in names if other.get(name) != ended[0].get(name)} == set()
    assert blindspoon("check", folder).returncode == 0
    host = visit(folder.parent)
    while (page := host.get("/t/crisp/findings/report/")).status_code != 200:
        time.sleep(0.05)
    blindspoon("report", folder, "--to", tmp_path / "out")
    assert "font-src data:" in page.headers["Content-Security-Policy"]  # its face is in it
    assert page.data == (tmp_path / "out" / "crisp" / "index.html").read_bytes()
