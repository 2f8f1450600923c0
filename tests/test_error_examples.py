"""Every kind of problem, brought about by one change to a folder that was right.

The examples in the reference of errors are what is said then (``--renew`` writes them there).
"""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import socket
from pathlib import Path

import pytest
from click.testing import CliRunner

from blindspoon import collect
from blindspoon.cli import commands
from blindspoon.errors import TrialError

PAGE = Path(__file__).parents[1] / "docs" / "reference" / "errors.md"
FOLDER, OTHER, PORT = Path("pickles"), Path("mill"), 8000

BATCHES = b"""\
batch,variant,produce_g,water_g,salt_g,started,finished,temperature_c,temperature_f
jar 1,plain,600,560,26,2026-09-05,2026-09-19,20,
jar 2,oak-leaf,600,560,26,2026-09-05,2026-09-19,20,
jar 3,cool-cellar,600,560,26,2026-09-05,2026-09-19,20,
"""
READINGS = b"""\
batch,date,ph
jar 1,2026-09-07,5.2
jar 1,2026-09-19,3.6
"""
SESSION = b'[[session]]\nname = "1"\ndate = 2026-09-19\n\n[tasting]\ntasters = 3\n'
OTHERS = '[[variant]]\nname = "oak-leaf"\n\n[[variant]]\nname = "cool-cellar"\n'
EXPORT = b"taster,code,texture,saltiness\nT01,037,7,4.5\n"


def put(name, old, new, *, times=1, folder=FOLDER):
    """Change a part of a file."""
    path = folder / name
    data = path.read_bytes()
    assert old.encode() in data, (name, old)
    path.write_bytes(data.replace(old.encode(), new.encode("latin-1"), times))


def write(name, data=b"", folder=FOLDER):
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)


def drop(*names, folder=FOLDER):
    for name in names:
        (folder / name).unlink()


def a_folder(name):
    (FOLDER / name).unlink()
    (FOLDER / name).mkdir()


def one_taster():
    drop("servings.csv", "key.csv", "ballots/1-T03.csv", folder=OTHER)
    write("scores.csv", b"taster,variant,texture,saltiness\nT01,plain,5,5\nT01,oak-leaf,6,5\n", OTHER)


def planned(tasting):
    drop(SERVINGS, KEY, SCORES, BALLOT)
    put(TRIAL, "tasters = 3", tasting)


def strayed():
    put(SCORES, "1,T02,290,4,3.5,\n", "")
    put(BALLOT, "1,T03,664", "1,T02,290")


def otherwise():
    put("export.csv", "037,7", "037,6", folder=Path())


def control_not_scored():
    for name, cup in ((SCORES, "037,6,4.5"), (SCORES, "512,6,3"), (BALLOT, "664,6.5,6")):
        put(name, cup, f"{cup[:3]},,", folder=OTHER)


def copied():
    shutil.rmtree(OTHER)
    shutil.copytree(FOLDER, OTHER)


def renamed(name, *words):
    for word in words:
        for file in ("trial.toml", "key.csv", "scores.csv", "ballots/1-T03.csv", "batches.csv"):
            path = OTHER / file
            path.write_bytes(path.read_bytes().replace(word.encode(), f"{name}{word}".encode()))


TRIAL, SCORES, SERVINGS, KEY = "trial.toml", "scores.csv", "servings.csv", "key.csv"
JARS, READ, BALLOT = "batches.csv", "readings.csv", "ballots/1-T03.csv"
TWO = "compare pickles mill"

CASES = {
    "missing-file": ("check nowhere", lambda: None),
    "unreadable-file": ("check pickles", lambda: a_folder(SCORES)),
    "cannot-write": ("report pickles --to reports", lambda: write("reports/pickles/plan.txt", folder=Path())),
    "empty-file": ("check pickles", lambda: write(SERVINGS)),
    "no-rows": ("compare pickles", lambda: write(KEY, b"session,taster,code,variant\n")),
    "encoding": ("compare pickles", lambda: put(KEY, "jar 1", "j\xe4r 1")),
    "nul-byte": ("check pickles", lambda: put(SCORES, "snaps", "sna\0ps")),
    "line-too-long": ("check pickles", lambda: put(SCORES, "snaps", "x" * 100_001)),
    "separator": ("compare pickles", lambda: put(KEY, ",", "|", times=-1)),
    "quotes": ("check pickles", lambda: put(SCORES, "snaps", '"snaps')),
    "ragged-row": ("check pickles", lambda: put(SCORES, "snaps", "snaps, and loud")),
    "repeated-column": ("check pickles", lambda: put(SCORES, "saltiness", "texture")),
    "toml": ("check pickles", lambda: put(TRIAL, "[trial]", "[trial")),
    "unknown-key": ("check pickles", lambda: put(TRIAL, "seed", "sead")),
    "missing-key": ("check pickles", lambda: put(TRIAL, "title", "# title")),
    "missing-section": ("check pickles", lambda: put(TRIAL, OTHERS, "")),
    "wrong-type": ("check pickles", lambda: put(TRIAL, "2026-09-04", '"2026-09-04"')),
    "not-allowed": ("check pickles", lambda: put(TRIAL, "margin = 1.0", "margin = 0")),
    "scale": ("check pickles", lambda: put(TRIAL, "step = 0.5", "step = 0.3")),
    "bad-name": ("check pickles", lambda: put(TRIAL, '"oak-leaf"', '"Oak leaf"')),
    "repeated-name": ("check pickles", lambda: put(TRIAL, '"oak-leaf"', '"plain"')),
    "unknown-name": ("check pickles", lambda: put(TRIAL, 'control = "plain"', 'control = "plane"')),
    "missing-column": ("check pickles", lambda: put(SCORES, "texture", "Texture")),
    "lifts-the-blind": ("check pickles", lambda: put(SCORES, "comment", "variant")),
    "blank-cell": ("check pickles", lambda: put(SCORES, "1,T01,512", "1,,512")),
    "bad-label": ("check pickles", lambda: put(SCORES, "1,T01,512", "1,T\x0701,512")),
    "unknown-variant": ("compare pickles", lambda: put(KEY, "cool-cellar", "cool-celar")),
    "unknown-session": ("check pickles", lambda: put(SCORES, "1,T01,512", "3,T01,512")),
    "not-a-number": ("check pickles", lambda: put(SCORES, "037,7,", "037,soft,")),
    "off-scale": ("check pickles", lambda: put(SCORES, "037,7,", "037,11,")),
    "off-step": ("check pickles", lambda: put(BALLOT, "705,5.5", "705,5.7")),
    "position": ("check pickles", lambda: put(SERVINGS, "T01,2", "T01,1.5")),
    "unknown-code": ("check pickles", lambda: put(SCORES, "T01,037", "T01,37")),
    "scored-twice": ("check pickles", lambda: put(BALLOT, "1,T03,664", "1,T03,118")),
    "code-twice": ("check pickles", lambda: put(SERVINGS, "T01,2,512", "T01,2,037")),
    "position-twice": ("check pickles", lambda: put(SERVINGS, "T01,2,512", "T01,1,512")),
    "no-key-entry": ("compare pickles", lambda: put(KEY, "1,T01,846,cool-cellar,jar 3\n", "")),
    "key-not-served": ("compare pickles", lambda: put(SERVINGS, "1,T01,3,846\n", "")),
    "batch-of-two-variants": ("compare pickles", lambda: put(KEY, "oak-leaf,jar 2", "oak-leaf,jar 1")),
    "no-scores": ("compare pickles", lambda: drop(SCORES, BALLOT)),
    "nothing-made": ("batches pickles", lambda: drop(JARS, READ)),
    "batch-twice": ("check pickles", lambda: put(JARS, "jar 2", "jar 1")),
    "never-made": ("compare pickles", lambda: put(KEY, "jar 3", "jar 7")),
    "unknown-batch": ("check pickles", lambda: put(READ, "jar 1", "jar 7")),
    "two-units": ("check pickles", lambda: put(JARS, ",20,\n", ",20,68\n")),
    "absurd-mass": ("check pickles", lambda: put(JARS, ",26,", ",-26,")),
    "absurd-temperature": ("check pickles", lambda: put(JARS, ",20,", ",120,")),
    "absurd-ph": ("check pickles", lambda: put(READ, "3.6", "36")),
    "too-much-salt": ("check pickles", lambda: put(JARS, ",26,", ",2600,")),
    "bad-date": ("check pickles", lambda: put(READ, "2026-09-07", "7.9.2026")),
    "finished-before-started": ("check pickles", lambda: put(JARS, "2026-09-19", "2026-09-01")),
    "after-tasting": ("check pickles", lambda: put(JARS, "2026-09-19", "2026-09-30")),
    "reading-before-start": ("check pickles", lambda: put(READ, "2026-09-07", "2026-09-01")),
    "no-tasters": ("blind pickles", lambda: planned("")),
    "too-many-servings": ("blind pickles", lambda: planned("tasters = 3\nservings = 6")),
    "too-few-servings": ("blind pickles", lambda: planned("tasters = 3\nservings = 1")),
    "duplicate-taster": ("blind pickles --add T01", lambda: None),
    "no-margin": ("size pickles", lambda: put(TRIAL, "margin = 1.0", "")),
    "wide-margin": ("size pickles", lambda: put(TRIAL, "margin = 1.0", "margin = 6")),
    "no-spread": ("size pickles --like mill", one_taster),
    "not-like": ("size pickles --like mill", lambda: renamed("old_", "texture")),
    "not-sizable": ("size pickles --cup-sd 0 --taster-sd 0 --opinion-sd 0", lambda: None),
    "already-there": ("new pickles", lambda: None),
    "already-tasted": ("blind pickles", lambda: drop(SERVINGS, KEY)),
    "not-drawn": ("blind pickles --sheets", lambda: drop(SERVINGS, KEY)),
    "cannot-serve": (f"collect pickles --port {PORT}", lambda: None),
    "collect-runs": ("collect pickles --from export.csv", lambda: None),
    "damaged-links": ("collect pickles --from export.csv", lambda: write(".blindspoon/collect.json", b"{")),
    "foreign-row": ("collect pickles --from export.csv", strayed),
    "long-comment": ("collect pickles --from export.csv", lambda: put(BALLOT, "664,6.5,6,", f"664,6.5,6,{'x' * 3000}")),
    "scored-already": ("collect pickles --from export.csv", otherwise),
    "same-trial": (TWO, copied),
    "other-control": (TWO, lambda: put(TRIAL, 'control = "plain"', 'control = "oak-leaf"', folder=OTHER)),
    "other-scale": (TWO, lambda: put(TRIAL, "low = 0", "low = -2", folder=OTHER)),
    "no-common-variant": (TWO, lambda: renamed("old-", "oak-leaf", "cool-cellar")),
    "no-common-attribute": (TWO, lambda: renamed("old_", "texture", "saltiness")),
    "nothing-pooled": (f"{TWO} --chart kitchens.svg", control_not_scored),
}  # fmt: skip


@pytest.fixture(autouse=True)
def folders(coded, tmp_path, monkeypatch):
    """Two trials that are right, with other scores, and a spreadsheet beside them."""
    monkeypatch.chdir(tmp_path)
    for folder, texture in ((FOLDER, b",7,4.5"), (OTHER, b",6,4.5")):
        files = {**coded, JARS: BATCHES, READ: READINGS}
        for name, data in files.items():
            write(name, data.replace(b",7,4.5", texture), folder)
        put(TRIAL, "[[variant]]", f"{SESSION.decode()}\n[[variant]]", folder=folder)
        if folder == OTHER:
            put(TRIAL, "What keeps", "In the mill: what keeps", folder=folder)
    write("export.csv", EXPORT, Path())


@contextlib.contextmanager
def in_the_way(slug):
    """Take the port, or open the folder, where that is what goes wrong."""
    with contextlib.ExitStack() as stack:
        if slug == "cannot-serve":
            taken = stack.enter_context(socket.socket())
            taken.bind(("127.0.0.1", PORT))
            taken.listen()
        if slug == "collect-runs":
            stack.enter_context(collect.opened(FOLDER))
        yield


def problems_of(command):
    """Run a command and give its problems, as (slug, place, found)."""
    words = command.split()
    done = CliRunner().invoke(commands, [*words, *(["--json"] if words[0] == "check" else [])])
    if isinstance(done.exception, TrialError):
        return [(each.slug, str(each).split(each.found)[0] + each.found) for each in done.exception.problems]
    assert words[0] == "check", done.output
    said = json.loads(done.output)["problems"]
    return [(each["slug"], each) for each in said]


@pytest.mark.parametrize("slug", CASES)
def test_a_problem_is_named_and_its_example_is_what_is_said(slug, request):
    command, spoil = CASES[slug]
    spoil()
    with in_the_way(slug):
        found = dict(reversed(problems_of(command)))
    assert slug in found
    print(slug, found[slug])
