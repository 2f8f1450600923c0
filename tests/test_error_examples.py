"""Every kind of problem, brought about by one change to a folder that was right.

The examples in errors.md are what is said then; ``--renew`` writes them there.
"""

from __future__ import annotations

import contextlib
import csv
import datetime
import json
import re
import shutil
import socket
from pathlib import Path

import pytest
from click.testing import CliRunner

from blindspoon.cli import commands
from blindspoon.collect.opening import opened
from blindspoon.drawing import draw_blind
from blindspoon.errors import Problem, TrialError
from blindspoon.examine import explanations
from blindspoon.lifting import close_tasting, lift_blind

PAGE = Path(__file__).parents[1] / "src" / "blindspoon" / "errors.md"
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
EXPORT = b"taster,code,texture,saltiness,comment\nT02,290,4,3.5,\n"


def put(name, old, new, times=1, folder=FOLDER):
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
    write(
        "scores.csv", b"taster,variant,texture,saltiness\nT01,plain,5,5\nT01,oak-leaf,6,5\n", OTHER
    )


def planned(tasting):
    drop(SERVINGS, KEY, SCORES, BALLOT)
    put(TRIAL, "tasters = 3", tasting)


def drawn():
    drop(SERVINGS, KEY, SCORES, BALLOT)
    draw_blind(FOLDER, datetime.date(2026, 9, 4))


def sealed():
    """Draw the blind and score it, as if nobody could tell anything apart."""
    drawn()
    with (FOLDER / SERVINGS).open(encoding="utf-8") as file:
        cups = [f"{row['taster']},{row['code']},5,5" for row in csv.DictReader(file)]
    write(SCORES, "\n".join(["taster,code,texture,saltiness", *cups]).encode())


def aged(old, new):
    """Ask about the days, with a jar that is in two cups."""
    put(TRIAL, "[tasting]", '[[session]]\nname = "2"\ndate = 2026-10-10\n\n[course]\n[tasting]')
    put(JARS, old, new)
    if "jar 4" in new:
        put(KEY, "oak-leaf,jar 2", "oak-leaf,jar 4")


def reseeded():
    sealed()
    put(TRIAL, "seed = 7", "seed = 8")


def lifted():
    sealed()
    lift_blind(FOLDER, datetime.date(2026, 9, 20), lambda _: "unknown")


def closed():
    sealed()
    close_tasting(FOLDER, datetime.date(2026, 9, 20))


def meanwhile():
    """What a host is told who answers after another score came in."""
    sealed()
    with pytest.raises(TrialError) as error:
        lift_blind(FOLDER, datetime.date(2026, 9, 20), lambda _: not put(SCORES, ",5,5", ",6,5"))
    return error.value.problems


CHOICE = '[choice]\nmethod = "triangle"\nsets = 2\n\n[[variant]]\nname = "oak-leaf"\n'


def only_choices():
    """Ask by sets alone, of two variants."""
    drop(SERVINGS, KEY, SCORES, BALLOT, JARS, READ)
    text = (FOLDER / TRIAL).read_text("utf-8").replace("[decision]", "[left]").partition("[left]")
    head, _, rest = text
    tasting = rest[rest.index("[tasting]") :].partition("\n\n")[0]
    plain = '[[variant]]\nname = "plain"\n'
    write(TRIAL, f"{head}{tasting}\n\n{CHOICE}\n{plain}".encode())


def choosing(old, new):
    """Draw sets, answer all with their first cup, and change one answer."""
    only_choices()
    draw_blind(FOLDER, datetime.date(2026, 9, 4))
    with (FOLDER / SERVINGS).open(encoding="utf-8") as file:
        cups = list(csv.DictReader(file))
    codes = [cup["code"] for cup in cups]
    rows = [f"{cup['taster']},{cup['set']},{cup['code']}" for cup in cups[::3]]
    write("choices.csv", "\n".join(["taster,set,answer", *rows, ""]).encode())
    put("choices.csv", old.format(*codes), new.format(*codes))


def choosing_badly():
    choosing("T01,1,", "T01,1,")
    with (FOLDER / KEY).open(encoding="utf-8") as file:
        first = next(csv.DictReader(file))
    other = {"plain": "oak-leaf", "oak-leaf": "plain"}[first["variant"]]
    put(KEY, f"{first['code']},{first['variant']}", f"{first['code']},{other}")
    for line in (FOLDER / KEY).read_text("utf-8").splitlines()[1:]:
        session, taster, code, variant = line.split(",")
        if taster == "T01" and variant != other:
            put(KEY, line, f"{session},{taster},{code},{other}")


def counted(row):
    only_choices()
    write("choices.csv", f"variant,tests,right\n{row}\n".encode())


def strayed():
    put(SCORES, "1,T02,290,4,3.5,\n", "")
    put(BALLOT, "1,T03,664", "1,T02,290")


def otherwise():
    put("export.csv", "290,4", "290,5", folder=Path())


def copied():
    shutil.rmtree(OTHER)
    shutil.copytree(FOLDER, OTHER)


def renamed(name, *words):
    for word in words:
        for file in ("trial.toml", "key.csv", "scores.csv", "ballots/1-T03.csv", "batches.csv"):
            path = OTHER / file
            path.write_bytes(path.read_bytes().replace(word.encode(), f"{name}{word}".encode()))


MISLEADING = '[story]\ntext = """\n[decision]\n"""\n\n'
DECISION = '[decision]\ndeclared = 2026-09-04\nprimary = ["texture"]\nmargin = 1.0\n'
TRIAL, SCORES, SERVINGS, KEY = "trial.toml", "scores.csv", "servings.csv", "key.csv"
JARS, READ, BALLOT = "batches.csv", "readings.csv", "ballots/1-T03.csv"
OAK = "oak-leaf,600,560,26,"
CHECK, COMPARE, TWO = "check pickles", "compare pickles", "compare pickles mill"
ADD = "collect pickles --from export.csv"

CASES = {
    "missing-file": ("check nowhere",),
    "unreadable-file": (CHECK, a_folder, SCORES),
    "cannot-write": ("report pickles --to reports", write, "../reports/pickles/plan.txt"),
    "empty-file": (CHECK, write, SERVINGS),
    "no-rows": (COMPARE, write, KEY, b"session,taster,code,variant\n"),
    "encoding": (COMPARE, put, KEY, "jar 1", "j\x81r 1"),
    "nul-byte": (CHECK, put, SCORES, "snaps", "sna\0ps"),
    "line-too-long": (CHECK, put, SCORES, "snaps", "x" * 100_001),
    "separator": (COMPARE, put, KEY, ",", "|", -1),
    "quotes": (CHECK, put, SCORES, "snaps", '"snaps'),
    "ragged-row": (CHECK, put, SCORES, "snaps", "snaps, and loud"),
    "repeated-column": (CHECK, put, SCORES, "saltiness", "texture"),
    "toml": (CHECK, put, TRIAL, "[trial]", "[trial"),
    "unknown-key": (CHECK, put, TRIAL, "seed", "sead"),
    "missing-key": (CHECK, put, TRIAL, "title", "# title"),
    "missing-section": (CHECK, put, TRIAL, OTHERS, ""),
    "wrong-type": (CHECK, put, TRIAL, "2026-09-04", '"2026-09-04"'),
    "not-allowed": (CHECK, put, TRIAL, "margin = 1.0", "margin = 0"),
    "scale": (CHECK, put, TRIAL, "step = 0.5", "step = 0.3"),
    "bad-name": (CHECK, put, TRIAL, '"oak-leaf"', '"Oak leaf"'),
    "repeated-name": (CHECK, put, TRIAL, '"oak-leaf"', '"plain"'),
    "unknown-name": (CHECK, put, TRIAL, 'control = "plain"', 'control = "plane"'),
    "missing-column": (CHECK, put, SCORES, "texture", "Texture"),
    "lifts-the-blind": (CHECK, put, SCORES, "comment", "variant"),
    "blank-cell": (CHECK, put, SCORES, "1,T01,512", "1,,512"),
    "bad-label": (CHECK, put, SCORES, "1,T01,512", "1,T\x0701,512"),
    "unknown-variant": (COMPARE, put, KEY, "cool-cellar", "cool-celar"),
    "unknown-session": (CHECK, put, SCORES, "1,T01,512", "3,T01,512"),
    "not-a-number": (CHECK, put, SCORES, "037,7,", "037,soft,"),
    "off-scale": (CHECK, put, SCORES, "037,7,", "037,11,"),
    "off-step": (CHECK, put, BALLOT, "705,5.5", "705,5.7"),
    "position": (CHECK, put, SERVINGS, "T01,2", "T01,1.5"),
    "unknown-code": (CHECK, put, SCORES, "T01,037", "T01,37"),
    "scored-twice": (CHECK, put, BALLOT, "1,T03,664", "1,T03,118"),
    "code-twice": (CHECK, put, SERVINGS, "T01,2,512", "T01,2,037"),
    "position-twice": (CHECK, put, SERVINGS, "T01,2,512", "T01,1,512"),
    "no-key-entry": (COMPARE, put, KEY, "1,T01,846,cool-cellar,jar 3\n", ""),
    "key-not-served": (COMPARE, put, SERVINGS, "1,T01,3,846\n", ""),
    "batch-of-two-variants": (COMPARE, put, KEY, "oak-leaf,jar 2", "oak-leaf,jar 1"),
    "no-scores": (COMPARE, drop, SCORES, BALLOT),
    "bad-answer": (CHECK, choosing, "{0}", "middle"),
    "bad-count": (CHECK, counted, "oak-leaf,many,13"),
    "unknown-set": (CHECK, choosing, "T02,1,", "T02,9,"),
    "answered-twice": (CHECK, choosing, "T01,2,", "T01,1,"),
    "not-in-set": (CHECK, choosing, "{0}", "{3}"),
    "bad-set": (CHECK, choosing_badly),
    "more-right": (CHECK, counted, "oak-leaf,12,13"),
    "nothing-made": ("batches pickles", drop, JARS, READ),
    "batch-twice": (CHECK, put, JARS, "jar 2", "jar 1"),
    "never-made": (COMPARE, put, KEY, "jar 3", "jar 7"),
    "unknown-batch": (CHECK, put, READ, "jar 1", "jar 7"),
    "two-units": (CHECK, put, JARS, ",20,\n", ",20,68\n"),
    "absurd-mass": (CHECK, put, JARS, ",26,", ",-26,"),
    "absurd-temperature": (CHECK, put, JARS, ",20,", ",120,"),
    "absurd-ph": (CHECK, put, READ, "3.6", "36"),
    "too-much-salt": (CHECK, put, JARS, ",26,", ",2600,"),
    "bad-date": (CHECK, put, READ, "2026-09-07", "7.9.26"),
    "finished-before-started": (CHECK, put, JARS, "2026-09-19", "2026-09-01"),
    "no-age": (CHECK, aged, f"{OAK}2026-09-05", OAK),
    "negative-age": (CHECK, aged, f"{OAK}2026-09-05,2026-09-19", f"{OAK}2026-09-30,"),
    "two-ages": (CHECK, aged, f"jar 2,{OAK}", f"jar 4,{OAK}2026-09-09,,20,\njar 2,{OAK}"),
    "after-tasting": (CHECK, put, JARS, "2026-09-19", "2026-09-30"),
    "reading-before-start": (CHECK, put, READ, "2026-09-07", "2026-09-01"),
    "no-tasters": ("blind pickles", planned, ""),
    "too-many-servings": ("blind pickles", planned, "tasters = 3\nservings = 6"),
    "too-few-servings": ("blind pickles", planned, "tasters = 3\nservings = 1"),
    "duplicate-taster": ("blind pickles --add T01",),
    "no-margin": ("size pickles", put, TRIAL, "margin = 1.0", ""),
    "wide-margin": ("size pickles", put, TRIAL, "margin = 1.0", "margin = 6"),
    "no-spread": ("size pickles --like mill", one_taster),
    "not-like": ("size pickles --like mill", renamed, "old_", "texture"),
    "not-sizable": ("size pickles --tasters 2",),
    "already-there": ("new pickles",),
    "already-drawn": ("blind pickles", drawn),
    "still-template": ("blind pickles", put, TRIAL, '"oak-leaf"', '"oak-leaf"\nlabel = "Change A"'),
    "laid-out": ("blind pickles --declare", put, TRIAL, DECISION, MISLEADING),
    "no-new-session": ("blind pickles --more",),
    "not-that-round": ("blind pickles --tasted 512,999",),
    "not-proved": ("blind pickles --again",),
    "another-drawing": ("blind pickles --again", reseeded),
    "already-tasted": ("blind pickles", drop, SERVINGS, KEY),
    "not-drawn": ("blind pickles --sheets", drop, SERVINGS, KEY),
    "not-lifted": (COMPARE, sealed),
    "not-sealed": ("lift pickles --yes",),
    "tasting-closed": ("close pickles", closed),
    "already-lifted": ("lift pickles --yes", lifted),
    "two-pour": ("lift pickles --poured each-other", lifted),
    "changed-meanwhile": (meanwhile,),
    "cannot-serve": (f"collect pickles --port {PORT}",),
    "collect-runs": (ADD,),
    "damaged-links": (ADD, write, ".blindspoon/collect.json", b"{"),
    "foreign-row": (ADD, strayed),
    "scored-already": (ADD, otherwise),
    "same-trial": (TWO, copied),
    "course-not-pooled": (TWO, put, TRIAL, "[tasting]", "[course]\n[tasting]", 1, OTHER),
    "other-control": (TWO, put, TRIAL, 'control = "plain"', 'control = "oak-leaf"', 1, OTHER),
    "other-scale": (TWO, put, TRIAL, "low = 0", "low = -2", 1, OTHER),
    "no-common-variant": (TWO, renamed, "old-", "oak-leaf", "cool-cellar"),
    "no-common-attribute": (TWO, renamed, "old_", "texture", "saltiness"),
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
            with contextlib.suppress(OSError):  # somebody else has it: as good
                taken.bind(("127.0.0.1", PORT))
                taken.listen()
        if slug == "collect-runs":
            stack.enter_context(opened(FOLDER))
        yield


def said_by(command):
    """Run a command and give what it says was found, and where, by the kind of problem."""
    problems = command() if callable(command) else problems_of(command.split())
    said = {each.slug: str(each).partition(f"; {each.allowed}")[0] for each in reversed(problems)}
    return {slug: text.replace(f"{Path.cwd()}/", "") for slug, text in said.items()}


def problems_of(words):
    done = CliRunner().invoke(commands, [*words, *(["--json"] if words[0] == "check" else [])])
    if isinstance(done.exception, TrialError):
        return done.exception.problems
    return [Problem(**each) for each in json.loads(done.output)["problems"]]


def example_of(slug, page):
    return re.search(rf"^### {slug}\n(?:(?!###).*\n)*?    (.*)$", page, re.MULTILINE)


def test_every_explanation_has_a_case():
    assert list(CASES) == list(explanations())


@pytest.mark.parametrize("slug", CASES)
def test_the_example_of_a_problem_is_what_is_said_of_it(slug, request):
    command, *change = CASES[slug]
    if change:
        change[0](*change[1:])
    with in_the_way(slug):
        said = said_by(command)[slug]
    page = PAGE.read_text(encoding="utf-8")
    if request.config.getoption("--renew"):
        start, end = example_of(slug, page).span(1)
        PAGE.write_text(page[:start] + said + page[end:], encoding="utf-8")
    else:
        assert example_of(slug, page)[1] == said
