"""The blind has a moment; and no taster's name stands in anything that is sent out after it."""

from __future__ import annotations

import datetime
import io
import json
import re
import shutil
import zipfile

import pytest
from click.testing import CliRunner
from PIL import Image

import blindspoon as bs
from blindspoon.analysis import analyse
from blindspoon.cli import commands
from blindspoon.collect import opening
from blindspoon.drawing import add_late, add_more, draw_again, draw_blind
from blindspoon.files.seal import parse_seal
from blindspoon.lifting import lift_blind
from blindspoon.stage import stage
from blindspoon.writeup.front import weaknesses
from tests.conftest import rows, spoil

TOML = """\
[trial]
title = "Crisp cucumbers"
control = "plain"
seed = 7
[decision]
declared = 2026-09-04
primary = ["texture"]
margin = 1.0
[scale]
low = 0
high = 10
step = 1
[[attribute]]
name = "texture"
[[attribute]]
name = "saltiness"
[[variant]]
name = "plain"
[[variant]]
name = "oak-leaf"
[tasting]
tasters = ["Ada", "Ben", "Cleo", "Dev", "Eve", "Finn"]
"""


def taste(folder, who=None, name="scores.csv"):
    """Score the cups of some tasters, or of all; oak leaf is two points crisper."""
    inside = {(row["taster"], row["code"]): row["variant"] for row in rows(folder / "key.csv")}
    lines = ["session,taster,code,texture,saltiness"]
    for place, row in enumerate(rows(folder / "servings.csv")):
        taster, code = row["taster"], row["code"]
        if who is None or taster in who:
            texture = 4 + 2 * (inside[taster, code] == "oak-leaf") + place % 3 // 2
            lines.append(f"{row['session']},{taster},{code},{texture},{place % 5}")
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def words(page):
    """The text of a page, without its tags."""
    return " ".join(re.sub(r"<[^>]*>", "", page.read_text(encoding="utf-8")).split())


@pytest.fixture(scope="module")
def made(blindspoon, tmp_path_factory):
    """A trial that is drawn, one that is lifted too, and a drawn one of two looks, to be copied."""
    made = {name: tmp_path_factory.mktemp(name) / "leaf" for name in ("drawn", "lifted", "looks")}
    planned = 'primary = ["texture"]\nlooks = [6, 8]'
    for name, folder in made.items():
        folder.mkdir()
        toml = TOML.replace('primary = ["texture"]', planned) if name == "looks" else TOML
        (folder / "trial.toml").write_text(toml, encoding="utf-8")
        done = blindspoon("blind", folder)
        assert done.returncode == 0, done.stderr
    taste(made["lifted"])
    assert blindspoon("lift", made["lifted"], "--yes").returncode == 0
    return made


@pytest.fixture
def folder(made, tmp_path):
    return shutil.copytree(made["drawn"], tmp_path / "leaf")


@pytest.fixture
def lifted(made, tmp_path):
    return shutil.copytree(made["lifted"], tmp_path / "leaf")


def test_nothing_is_closed_or_lifted_while_scores_may_come_in(blindspoon, folder):
    taste(folder)
    before = (folder / "seal.toml").read_bytes()
    with opening.opened(folder):
        for verb in (("close", folder), ("lift", folder, "--yes")):
            said = blindspoon(*verb).stderr
            assert 'another "collect" has this folder open' in " ".join(said.split())
    assert (folder / "seal.toml").read_bytes() == before
    assert blindspoon("close", folder).returncode == 0


@pytest.mark.parametrize("verb", ["compare", "report", "publish"])
def test_nobody_looks_before_the_blind_is_lifted(blindspoon, folder, tmp_path, verb):
    taste(folder, who=("Ada", "Ben"))
    to = [] if verb == "compare" else ["--to", tmp_path / "out"]
    done = blindspoon(verb, folder, *to)
    assert (done.returncode, done.stdout) == (1, "")
    assert "the blind is not lifted yet" in done.stderr
    assert "blindspoon lift FOLDER" in done.stderr
    with pytest.raises(bs.TrialError, match="not lifted"):
        bs.read(folder)
    assert blindspoon("check", folder).returncode == 0


def test_every_verb_ends_with_what_comes_next(blindspoon, folder, tmp_path):
    def follows(verb, *more):
        *_, last = blindspoon(verb, folder, *more).stderr.splitlines()
        assert last.startswith("Next: ")
        return re.findall(f'"blindspoon (\\w+) {folder}"', last)

    assert follows("check") == follows("blind", "--sheets") == ["collect"]
    taste(folder)
    assert follows("check") == ["collect", "check", "lift"]
    assert follows("close") == ["check", "lift"]
    assert follows("lift", "--yes") == ["compare", "report", "publish"]
    assert follows("compare") == ["report", "publish"]
    assert not blindspoon("compare", folder, "--json").stderr
    assert follows("publish", "--to", tmp_path / "out") == []
    spoil(folder / "scores.csv", "Ada", "Adda")
    assert blindspoon("check", folder).stderr.startswith("Next: mend the problems")


def test_two_who_may_both_taste_are_not_sent_to_the_pouring_sheet(blindspoon, tmp_path):
    names = '"Cleo", "Dev", "Eve", "Finn"'
    for told, tasters in ((True, '"Ada", "Ben"'), (False, f'"Ada", "Ben", {names}')):
        folder = tmp_path / f"{told}"
        folder.mkdir()
        toml = re.sub(r"tasters = .*", f"tasters = [{tasters}]", TOML)
        (folder / "trial.toml").write_text(toml, encoding="utf-8")
        said = blindspoon("blind", folder).stderr
        assert ("checklist.html and both-taste in its place" in said) is told


def test_what_is_missing_is_listed_and_no_is_taken_for_an_answer(blindspoon, folder):
    taste(folder, who=("Ada", "Ben"))
    before = (folder / "seal.toml").read_bytes()
    done = blindspoon("lift", folder)  # nobody answers
    assert done.returncode == 130
    assert "missing: servings.csv line" in done.stdout
    assert "Eve scored nothing in session 1" in done.stdout
    assert "4 of 12 cups are scored, by 2 tasters." in done.stdout
    assert (folder / "seal.toml").read_bytes() == before
    assert not bs.lift(folder).recorded
    assert (folder / "seal.toml").read_bytes() == before


def test_nothing_is_lifted_but_what_was_agreed_to(folder):
    taste(folder)

    def agreed(_):
        taste(folder, who=("Ada", "Ben"))  # somebody saves a table meanwhile
        return "helper"

    with pytest.raises(bs.TrialError, match="changed while you were asked"):
        lift_blind(folder, datetime.date(2026, 9, 4), agreed)
    assert parse_seal((folder / "seal.toml").read_text("utf-8")).lifted == ()


def test_what_is_worth_knowing_is_not_called_missing(blindspoon, folder):
    add_late(folder, "Gus", datetime.date(2026, 9, 5))
    taste(folder)
    (folder / "ballots").mkdir()
    (folder / "ballots" / "late.csv").write_text("taster,session,code,texture\n")
    said = blindspoon("lift", folder).stdout.splitlines()
    assert [line for line in said if line.startswith("note:")] == [
        "note: ballots/late.csv: the file has a header but no rows"
    ]
    assert not [line for line in said if line.startswith("missing:")]


def test_the_lifting_is_recorded_once_and_then_all_goes_on(blindspoon, lifted, tmp_path):
    text = (lifted / "seal.toml").read_text(encoding="utf-8")
    assert re.search(r"\[\[lifted\]\]\ndate = \d{4}-\d\d-\d\d\ntasters = 6\nscored = 12\n", text)
    again = blindspoon("lift", lifted, "--yes")
    assert again.returncode == 1
    assert "it was lifted on" in again.stderr
    assert (lifted / "seal.toml").read_text(encoding="utf-8") == text
    found = json.loads(blindspoon("compare", lifted, "--json").stdout)
    assert found["seal"]["changed"] == []
    assert found["seal"]["sealed"] == found["seal"]["lifted"]
    page = words(bs.report(lifted, tmp_path / "out"))
    assert "Tasted under codes; rule and key" in page  # nobody said who poured
    assert "what the person who poured knew, is not recorded" in page
    assert "with 12 of 12 cups scored by 6 tasters" in page


@pytest.mark.parametrize(
    ("who", "tasters", "trust", "weak"),
    [
        ("helper", 6, "Tasted blind, under codes; rule", ""),
        ("each-other", 2, "Tasted blind, under codes, by two who poured", "Nobody else poured."),
        ("taster", 1, "Tasted blind, under codes, by who poured and", "Nobody else poured."),
        (
            "taster",
            6,
            "Tasted under codes, poured by one of the tasters",
            "A taster may have known.",
        ),
    ],
)
def test_the_page_is_as_sure_of_the_blind_as_who_poured_lets_it_be(
    blindspoon, folder, tmp_path, who, tasters, trust, weak
):
    taste(folder, who=("Ada", "Ben", "Cleo", "Dev", "Eve", "Finn")[:tasters])
    assert blindspoon("lift", folder, "--yes", "--poured", who).returncode == 0
    assert f'poured = "{who}"' in (folder / "seal.toml").read_text(encoding="utf-8")
    analysis = analyse(folder)
    heads = [head for head, _ in weaknesses(analysis, None)]
    told = {"Nobody else poured.", "A taster may have known."}.intersection(heads)
    assert told == {weak} - {""}
    page = words(bs.report(folder, tmp_path / "out"))
    assert trust in page
    assert "person who poured knew" not in page
    said = {"helper": "whoever poured did not taste.", "each-other": "Two poured for each other"}
    assert said.get(who, "shuffled the cups:" if tasters == 1 else "tasters had poured, so") in page
    assert " ".join(analysis.standing.record) in " ".join(
        blindspoon("compare", folder).stdout.split()
    )
    assert not bs.read(folder).compare().analysis.standing.bent


def test_who_poured_is_asked_before_the_last_word(folder):
    taste(folder)
    runner = CliRunner()
    six = runner.invoke(commands, ["lift", str(folder), "--yes", "--poured", "each-other"])
    assert six.exit_code == 1
    assert "only two tasters pour for each other" in str(six.exception)
    with pytest.raises(bs.TrialError, match="only two tasters"):
        bs.lift(folder, yes=True, poured="each-other")
    assert not stage(folder).seal.lifted
    taste(folder, who=("Ada", "Ben"))
    done = runner.invoke(commands, ["lift", str(folder)], input="nobody\neach-other\nn\n")
    assert "two for each other" in done.output
    assert not stage(folder).seal.lifted
    runner.invoke(commands, ["lift", str(folder)], input="each-other\ny\n")
    assert stage(folder).seal.lift.poured == "each-other"
    seal = (folder / "seal.toml").read_text(encoding="utf-8")
    spoil(folder / "seal.toml", 'poured = "each-other"\n', "")  # as it was written before
    assert stage(folder).seal == parse_seal(seal.replace("each-other", "unknown"))


def test_who_poured_is_put_right_after_the_lifting_and_the_findings_say_when(
    blindspoon, folder, tmp_path
):
    taste(folder)
    assert blindspoon("lift", folder, "--yes", "--poured", "taster").returncode == 0
    before = (folder / "seal.toml").read_text("utf-8")
    wrong = blindspoon("lift", folder, "--poured", "each-other")
    assert (wrong.returncode, (folder / "seal.toml").read_text("utf-8")) == (1, before)
    assert blindspoon("lift", folder, "--poured", "taster").returncode == 0  # as it was: no news
    assert (folder / "seal.toml").read_text("utf-8") == before
    assert "Who poured is noted" in blindspoon("lift", folder, "--poured", "helper").stdout
    analysis = analyse(folder)
    assert (analysis.blinding, analysis.standing.bent) == ("blind", ())
    page = words(bs.report(folder, tmp_path / "out"))
    day = stage(folder).seal.lift.date
    late = f"Who poured was put right on {day}, after the blind was lifted; before: One of the"
    assert late in analysis.standing.record[-1]
    assert "whoever poured did not taste. Who poured was put right on" in page
    assert "poured by one of the tasters" not in page
    with pytest.raises(bs.TrialError, match="it was lifted on"):
        bs.lift(folder, poured="unknown")  # nobody said yes
    assert bs.lift(folder, yes=True, poured="unknown").lift.poured_before == "taster"
    assert analyse(folder).blinding == "under codes"
    assert late in analyse(folder).standing.record[-1]  # to say no more hides nothing
    assert "it was lifted on" in blindspoon("lift", folder, "--yes").stderr
    spoil(folder / "seal.toml", "last = true", 'last = true\npoured = "help"')  # by hand
    assert analyse(folder).blinding == "not shown"


def test_a_late_friend_is_added_before_the_lifting_at_no_price(blindspoon, folder):
    taste(folder)
    assert blindspoon("blind", folder, "--add", "Gus").returncode == 0
    taste(folder)
    assert bs.lift(folder, yes=True).lift.tasters == 7
    printed = " ".join(blindspoon("compare", folder).stdout.split())
    assert "One taster was added on" in printed
    assert "primary" in printed
    assert "Gus" not in printed


def test_a_late_friend_after_the_lifting_makes_it_exploratory(blindspoon, lifted, tmp_path):
    done = blindspoon("blind", lifted, "--add", "Gus")
    assert done.returncode == 0
    assert "exploratory" in done.stdout + done.stderr
    taste(lifted, who=("Gus",), name="ballots/gus.csv")
    found = bs.compare(lifted).to_record()
    assert found["seal"]["changed"][0] == "After the blind was lifted one taster was added."
    assert not any(each["primary"] for each in found["attributes"])
    page = words(bs.report(lifted, tmp_path / "out"))
    assert "After the blind was lifted one taster was added. So all of this is" in page
    assert "Gus" not in page


def add(folder, kind):
    """Do what a host does who adds a friend or another evening."""
    if kind == "taster":
        bs_add = add_late(folder, "Gus", datetime.date(2026, 9, 5))
        assert "Gus" in bs_add.request.tasters
    else:
        listed = '\n[[session]]\nname = "1"\n' if "[[session]]" not in toml_of(folder) else ""
        name = toml_of(folder).count("[[session]]") + 2 - bool(not listed)
        extra = f'{listed}[[session]]\nname = "{name}"\n[tasting]'
        spoil(folder / "trial.toml", "[tasting]", extra)
        add_more(folder, datetime.date(2026, 9, 6))


def toml_of(folder):
    return (folder / "trial.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "kinds", [(), ("taster",), ("session",), ("session", "taster", "session")], ids=len
)
def test_a_lost_key_comes_back_as_it_was_whatever_was_added(blindspoon, folder, kinds):
    for kind in kinds:
        add(folder, kind)
    taste(folder)
    kept = {name: (folder / name).read_bytes() for name in ("key.csv", "servings.csv", "seal.toml")}
    assert "nothing was lost" in blindspoon("blind", folder, "--again").stdout
    for name in ("key.csv", "servings.csv"):
        (folder / name).unlink()
        assert blindspoon("compare", folder).returncode == 1
        done = blindspoon("blind", folder, "--again")
        assert f"as it was sealed: {name}." in done.stdout, done.stderr
    assert kept == {name: (folder / name).read_bytes() for name in kept}


def test_a_key_that_is_another_is_not_written_and_not_overwritten(blindspoon, folder):
    key = (folder / "key.csv").read_text(encoding="utf-8")
    (folder / "key.csv").unlink()
    spoil(folder / "trial.toml", "seed = 7", "seed = 8")
    done = blindspoon("blind", folder, "--again")
    assert done.returncode == 1
    assert "is not the key that was sealed on" in done.stderr
    assert not (folder / "key.csv").exists()
    spoil(folder / "trial.toml", "seed = 8", "seed = 7")
    (folder / "key.csv").write_text(key.replace("oak-leaf", "plain"), encoding="utf-8")
    assert "there is another key already" in blindspoon("blind", folder, "--again").stderr
    assert "oak-leaf" not in (folder / "key.csv").read_text(encoding="utf-8")


def test_a_second_evening_disturbs_nobody_and_costs_nothing(blindspoon, folder):
    before = rows(folder / "servings.csv")
    assert "every session that is listed is drawn" in blindspoon("blind", folder, "--more").stderr
    add(folder, "session")
    after = rows(folder / "servings.csv")
    assert after[: len(before)] == before
    assert {row["session"] for row in after[len(before) :]} == {"2"}
    taste(folder)
    assert bs.lift(folder, yes=True).bent == ()
    assert "One session was added on 2026-09-06, under the blind." in " ".join(
        blindspoon("compare", folder).stdout.split()
    )


def test_a_name_in_other_capitals_is_asked_about(blindspoon, folder):
    done = blindspoon("blind", folder, "--add", "ada")
    assert done.returncode == 130
    assert "There is Ada already." in done.stdout
    assert "ada" not in (folder / "servings.csv").read_text(encoding="utf-8")


def test_a_changed_margin_is_the_first_sentence_of_the_answer(blindspoon, lifted, tmp_path):
    spoil(lifted / "trial.toml", "margin = 1.0", "margin = 2.5")
    said = "margin of texture, saltiness from 1 to 2.5"
    assert said in blindspoon("check", lifted).stdout
    assert said in " ".join(blindspoon("compare", lifted).stdout.split())
    page = bs.report(lifted, tmp_path / "out").read_text(encoding="utf-8")
    answer = re.search(r'class="answer"[^>]*>(.*?)</p>', page, re.DOTALL)
    assert answer is not None, page[:2000]
    assert answer[1].strip().startswith("The rule was changed after it was sealed: margin of")


def test_swapped_codes_are_the_first_sentence_too(blindspoon, folder):
    lines = (folder / "key.csv").read_text("utf-8").splitlines()
    first, second = lines[1].rsplit(",", 1), lines[2].rsplit(",", 1)
    swapped = [f"{first[0]},{second[1]}", f"{second[0]},{first[1]}"]
    (folder / "key.csv").write_text("\n".join([lines[0], *swapped, *lines[3:]]), "utf-8")
    said = "The key is not the one that was sealed"
    assert said in blindspoon("check", folder).stdout
    taste(folder)
    done = blindspoon("lift", folder, "--yes")
    assert said in done.stdout
    assert said in bs.compare(folder).to_record()["seal"]["changed"][0]


def test_a_typing_error_found_later_is_listed_with_its_reason(blindspoon, lifted, tmp_path):
    session, taster, code, texture, salt = (lifted / "scores.csv").read_text().split()[3].split(",")
    line = f"{session},{taster},{code},{texture},{salt}"
    spoil(lifted / "scores.csv", line, line.replace(f"{code},{texture}", f"{code},9"))
    assert "does not say why" in blindspoon("check", lifted).stdout
    head = "session,taster,code,attribute,was,new,reason\n"
    row = f"{session},{taster},{code},texture,{texture},9,misread\n"
    (lifted / "corrections.csv").write_text(head + row)
    assert "does not say why" not in blindspoon("check", lifted).stdout
    page = words(bs.report(lifted, tmp_path / "out"))
    assert f"texture of cup {code} in session 1, from {texture} to 9 (misread)" in page
    assert bs.compare(lifted).to_record()["seal"]["changed"] == []


def test_nothing_is_lifted_that_was_not_sealed_or_is_not_right(blindspoon, folder):
    done = blindspoon("lift", folder, "--yes")
    assert done.returncode == 1
    assert "there is neither scores.csv nor a ballot" in done.stderr
    taste(folder)
    spoil(folder / "scores.csv", ",4,", ",44,")
    assert "off the scale" in blindspoon("lift", folder, "--yes").stderr
    (folder / "key.csv").rename(folder / "kept.csv")
    spoil(folder / "scores.csv", ",44,", ",4,")
    done = blindspoon("lift", folder, "--yes")
    assert "key.csv: there is no such file" in done.stderr
    (folder / "seal.toml").unlink()
    assert 'Draw it with "blindspoon blind' in blindspoon("lift", folder, "--yes").stderr


@pytest.fixture
def undrawn(monkeypatch):
    """Publishing without the pictures for posts, which are tested where they are made."""
    monkeypatch.setattr("blindspoon.charts.posts.figure_files", lambda *_, **__: ())


@pytest.fixture
def unpainted(monkeypatch):
    """Publishing with every picture, those of pixels left empty."""
    monkeypatch.setattr("blindspoon.charts.png.png", lambda *_, **__: b"")


@pytest.mark.usefixtures("undrawn")
def test_a_reader_of_the_published_data_is_told_the_same(blindspoon, lifted, tmp_path):
    session, taster, code, texture, salt = (lifted / "scores.csv").read_text().split()[3].split(",")
    line = f"{session},{taster},{code},{texture},{salt}"
    spoil(lifted / "scores.csv", line, line.replace(f"{code},{texture}", f"{code},9"))
    row = f"{session},{taster},{code},texture,{texture},9,misread\n"
    (lifted / "corrections.csv").write_text("session,taster,code,attribute,was,new,reason\n" + row)
    first = blindspoon("compare", lifted).stdout
    assert "Corrected after the blind was lifted" in first
    data = bs.publish(lifted, tmp_path / "out").folder / "data"
    assert blindspoon("compare", data).stdout == first
    assert taster not in (data / "corrections.csv").read_text(encoding="utf-8")
    spoil(lifted / "trial.toml", "margin = 1.0", "margin = 2.5")
    data = bs.publish(lifted, tmp_path / "out").folder / "data"
    assert "margin of texture, saltiness from 1 to 2.5" in " ".join(
        blindspoon("compare", data).stdout.split()
    )


NAMES = ["Adalbert", "Benedikta", "Grandma Wilhelmina", "Zoë", "Jean-Luc", "Finnegan"]
LATE = "Gustavson"
NAMED = re.compile(rb"(?i)adalbert|benedikta|grandma|wilhelmina|jean|finnegan|gustavson|Zo\xc3\xab")
BATCHES = """\
batch,variant,vessel,Finnegan,started,note
Adalbert's jar,plain,clip jar,yes,2026-09-04,from Benedikta's garden
jar 2,oak-leaf,clip jar,no,2026-09-04,as grandma makes them
"""
TEXTS = {
    'title = "Crisp cucumbers"': 'title = "Crisp cucumbers for Wilhelmina"',
    'name = "oak-leaf"': 'name = "oak-leaf"\nlabel = "Oak leaf by Jean-Luc"\nmethod = "Finnegan’s"',
    "[tasting]": '[tasting]\nallergens = "mustard, says Zoë"',
}


@pytest.fixture
def named(tmp_path):
    """A folder in which names stand wherever they can, sealed, added to and lifted."""
    folder = tmp_path / "leaf"
    folder.mkdir()
    listed = ", ".join(f'"{name}"' for name in NAMES)
    toml = re.sub(r"tasters = .*", f"tasters = [{listed}]", TOML)
    (folder / "trial.toml").write_text(toml, encoding="utf-8")
    for before, after in TEXTS.items():
        spoil(folder / "trial.toml", before, after)
    (folder / "batches.csv").write_text(BATCHES, encoding="utf-8")
    bs.blind(folder)
    add_late(folder, LATE, datetime.date(2026, 9, 5))
    taste(folder)
    lines = (folder / "scores.csv").read_text(encoding="utf-8").splitlines()
    said = f"benedikta and Grandma say so; {LATE}’s words"
    lines = [f"{lines[0]},comment", *(f"{line},{said}" for line in lines[1:])]
    (folder / "scores.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    bs.lift(folder, yes=True)
    return folder


def bytes_of(folder, zipped):
    """Every file of a folder, and of a zip file, and their names."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    yield from ((path.name, path.read_bytes()) for path in files)
    with zipfile.ZipFile(io.BytesIO(zipped.read_bytes())) as archive:
        yield from ((f"zip {name}", archive.read(name)) for name in archive.namelist())


@pytest.mark.usefixtures("unpainted")
def test_no_name_of_a_taster_stands_in_a_published_byte(named, tmp_path):
    _, cup, *_ = (named / "scores.csv").read_text(encoding="utf-8").splitlines()
    session, taster, code, texture, *_ = cup.split(",")
    spoil(named / "scores.csv", f"{code},{texture},", f"{code},9,")
    (named / "corrections.csv").write_text(
        "session,taster,code,attribute,was,new,reason\n"
        f"{session},{taster},{code},texture,{texture},9,Zoë misread what finnegan wrote\n",
        encoding="utf-8",
    )
    (named / "photos").mkdir()
    Image.new("RGB", (300, 200), "green").save(named / "photos" / "grandma-and-Zoë.jpg")
    with (named / "trial.toml").open("a", encoding="utf-8") as file:
        file.write('[[photo]]\nfile = "grandma-and-Zoë.jpg"\nalt = "What grandma made"\n')
        file.write('[[photo]]\nfile = "Benedikta.jpg"\nalt = "Lost by Benedikta"\n')
    (named / "Benedikta.csv").write_text("her own list\n", encoding="utf-8")
    written = bs.publish(named, tmp_path / "out")
    found = [
        (name, NAMED.findall(data))
        for name, data in bytes_of(written.folder, written.zipped)
        if NAMED.search(data) or NAMED.search(name.encode())
    ]
    assert found == []
    page = (written.folder / "index.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    assert "One taster was added on 5 September 2026, under the blind." in page
    assert "What P0" in page
    assert bs.compare(written.folder / "data").comparisons[0].verdict


def test_check_lists_where_a_name_stands(blindspoon, named):
    said = blindspoon("check", named).stdout
    assert "note: trial.toml: a text names a taster" in said
    assert "note: batches.csv: a taster is named in line 2, 3;" in said
    assert "note: scores.csv: a taster is named in line 2, 3, 4" in said


@pytest.mark.usefixtures("undrawn")
def test_a_host_who_tastes_signs_with_their_name_and_is_told(blindspoon, named, tmp_path):
    spoil(named / "trial.toml", "[decision]", 'host = "Adalbert"\n[decision]')
    assert "the host tastes too; the host’s name is published" in blindspoon("check", named).stdout
    data = bs.publish(named, tmp_path / "out").folder / "data" / "datapackage.json"
    assert data.read_text(encoding="utf-8").count("Adalbert") == 1


def test_words_that_call_nobody_stay(named):
    spoil(named / "trial.toml", "Crisp", "The crisp")
    assert "The crisp cucumbers" in bs.compare(named).analysis.trial.title


@pytest.fixture
def looked(made, tmp_path):
    """A trial of two declared looks, six tasters drawn."""
    looked = shutil.copytree(made["looks"], tmp_path / "looks")
    taste(looked)
    return looked


def level(folder):
    (texture,) = (r for r in bs.compare(folder).analysis.results if r.attribute.name == "texture")
    return round(texture.alpha, 6), texture.primary


def test_looks_share_alpha_and_tasters_come_between_them(blindspoon, looked):
    blindspoon("close", looked)  # open again after the look
    done = blindspoon("lift", looked, "--yes")
    assert "This is a declared look: tasters may be added after it." in done.stdout
    assert level(looked) == (0.005, True)
    said = " ".join(blindspoon("compare", looked).stdout.split())
    assert "Looked at after 6 of 8 tasters, as declared, at a tenth of alpha." in said
    for name in ("Gus", "Hal"):
        add_late(looked, name, datetime.date(2026, 9, 20))
    taste(looked)
    done = blindspoon("compare", looked)
    assert "the blind is not lifted for the scores that were added yet" in done.stderr
    assert blindspoon("lift", looked, "--yes").returncode == 0
    assert level(looked) == (0.045, True)
    assert "at 9 tenths of alpha" in " ".join(blindspoon("compare", looked).stdout.split())
    assert blindspoon("lift", looked, "--yes").returncode == 1
    add_late(looked, "Ivo", datetime.date(2026, 9, 21))
    assert level(looked) == (0.045, False)


@pytest.mark.parametrize("before", [0, 1, 2])
def test_the_last_look_is_the_last_declared_or_that_of_so_many_tasters(looked, before):
    late = ["Gus", "Hal"]
    for name in late[:before]:
        add_late(looked, name, datetime.date(2026, 9, 20))
    taste(looked)
    assert bs.lift(looked, yes=True).lift.last == (before == 2)
    assert bool(opening.after_lifting(looked)) == (before == 2)  # what a score would cost
    with pytest.raises(bs.TrialError, match="lifted on"):
        bs.lift(looked, yes=True)  # nothing came in since
    if before == 0:
        add_late(looked, "Gus", datetime.date(2026, 9, 20))
        taste(looked)
        assert bs.lift(looked, yes=True).lift.last  # of 7, and no look is left


def test_a_slip_that_is_corrected_between_two_looks_takes_nothing_back(looked):
    bs.lift(looked, yes=True)
    first = (looked / "scores.csv").read_text(encoding="utf-8").splitlines()[1].split(",")
    spoil(looked / "scores.csv", ",".join(first), ",".join([*first[:3], "1", first[4]]))
    assert stage(looked).state == "tasting"
    row = f"{first[1]},{first[2]},texture,{first[3]},1,misread\n"
    head = "taster,code,attribute,was,new,reason\n"
    (looked / "corrections.csv").write_text(head + row, encoding="utf-8")
    assert stage(looked).state == "lifted"
    assert level(looked) == (0.005, True)


def test_size_promises_what_the_last_look_can_show(made):
    sized = bs.size(made["looks"], tasters=8, sessions=1, trials=100)
    assert round(sized.alpha, 6) == 0.045


@pytest.mark.usefixtures("undrawn")
def test_a_panel_that_stays_small_ends_with_what_is_left(looked, tmp_path):
    assert bs.lift(looked, yes=True, last=True).lift.last
    assert level(looked) == (0.045, True)
    data = bs.publish(looked, tmp_path / "out").folder / "data"
    assert level(data) == (0.045, True)
    add_late(looked, "Gus", datetime.date(2026, 9, 20))
    assert level(looked)[1] is False
    taste(looked)
    found = stage(looked)
    assert (found.lifted, found.tasters[5:]) == (True, ("Finn", "Gus"))


def test_looks_without_a_seal_go_by_the_tasters(looked):
    (looked / "seal.toml").unlink()
    assert level(looked) == (0.005, True)


def test_more_looks_after_sealing_are_a_changed_rule(looked):
    spoil(looked / "trial.toml", "looks = [6, 8]", "looks = [6, 8, 10]")
    bs.lift(looked, yes=True)
    assert "looks from 6, 8 to 6, 8, 10" in bs.compare(looked).to_record()["seal"]["changed"][0]


@pytest.mark.parametrize("looks", ["[12]", "[12, 12]", "[20, 12]", "12", '["a", "b"]', "[0, 3]"])
def test_looks_that_are_none_are_a_message(blindspoon, looked, looks):
    spoil(looked / "trial.toml", "[6, 8]", looks)
    done = blindspoon("check", looked)
    assert done.returncode == 1
    assert "key decision.looks" in done.stdout


def test_codes_that_all_share_are_a_look_and_check_says_so(blindspoon, looked):
    spoil(looked / "trial.toml", "[tasting]", '[tasting]\ncodes = "per session"')
    assert "With codes per session their means are a look" in blindspoon("check", looked).stdout


def test_a_score_that_comes_after_the_lifting_is_kept_and_its_price_is_said(blindspoon, lifted):
    before = bs.compare(lifted).analysis.table.taster.size
    add_late(lifted, "Gus", datetime.date(2026, 9, 20))
    code = next(row["code"] for row in rows(lifted / "servings.csv") if row["taster"] == "Gus")
    export = lifted.parent / "export.csv"
    export.write_text(f"taster,code,texture,saltiness\nGus,{code},5,5\n", encoding="utf-8")
    done = blindspoon("collect", lifted, "--from", export)
    assert done.returncode == 0, done.stderr
    assert "a score added now makes it all exploratory" in done.stdout
    assert bs.compare(lifted).analysis.table.taster.size == before + 1


def test_a_kitchen_that_changed_its_rule_has_no_primary_attribute_in_a_pool(lifted, tmp_path):
    other = shutil.copytree(lifted, tmp_path / "mill")
    spoil(other / "trial.toml", "Crisp cucumbers", "The mill's crisp cucumbers")
    scores = (other / "scores.csv").read_text(encoding="utf-8")
    (other / "scores.csv").write_text(scores.replace(",6,", ",7,"), encoding="utf-8")
    assert not any(each.primary for each in bs.pool(other, lifted).pool.attributes)
    assert any(each.primary for each in bs.pool(lifted, other).pool.attributes)
    assert "nothing" in " ".join(bs.pool(lifted, other).pool.remarks)


def test_a_closed_tasting_takes_neither_scores_nor_tasters_until_it_is_open_again(
    blindspoon, folder
):
    taste(folder)
    assert blindspoon("close", folder).returncode == 0
    (folder / "more.csv").write_text("taster,code,texture,saltiness\n", encoding="utf-8")
    for words in (
        ["collect", folder, "--from", folder / "more.csv"],
        ["blind", folder, "--add", "Gus"],
        ["close", folder],
    ):
        done = blindspoon(*words)
        assert done.returncode == 1
        assert "the tasting was closed on" in done.stderr
    assert "is open again" in blindspoon("close", folder, "--reopen").stdout
    assert "closed" not in (folder / "seal.toml").read_text("utf-8")
    assert blindspoon("blind", folder, "--add", "Gus").returncode == 0


def test_closing_is_kept_when_the_blind_is_lifted_and_shuts_nothing_then(blindspoon, folder):
    taste(folder)
    assert blindspoon("close", folder).returncode == 0
    assert blindspoon("lift", folder, "--yes").returncode == 0
    assert re.search(r"^closed = \d{4}", (folder / "seal.toml").read_text("utf-8"), re.MULTILINE)
    for words in (["close", folder], ["close", folder, "--reopen"]):
        assert "it was lifted on" in blindspoon(*words).stderr
    assert blindspoon("blind", folder, "--add", "Gus").returncode == 0  # told in the report


def test_a_drawing_taken_back_lies_aside_and_the_next_has_other_codes(blindspoon, folder):
    before = {row["code"] for row in rows(folder / "key.csv")}
    key, plan = ((folder / name).read_bytes() for name in ("key.csv", "trial.toml"))
    assert blindspoon("blind", folder, "--take-back").returncode == 0
    assert not [name for name in ("key.csv", "seal.toml", "sheets") if (folder / name).exists()]
    (aside,) = (folder / ".blindspoon" / "drawn").iterdir()
    assert (aside / "key.csv").read_bytes() == key
    assert (aside / "sheets" / "helper.html").exists()
    assert blindspoon("blind", folder).returncode == 0
    assert {row["code"] for row in rows(folder / "key.csv")} != before
    changed = set(plan.splitlines()) ^ set((folder / "trial.toml").read_bytes().splitlines())
    assert [line[:6] for line in changed] == [b"seed ="] * 2


def test_no_drawing_is_taken_back_under_a_score(blindspoon, folder):
    taste(folder, who=("Ada",))
    done = blindspoon("blind", folder, "--take-back")
    assert done.returncode == 1
    assert "cups were scored already" in done.stderr
    assert (folder / "key.csv").exists()


@pytest.mark.parametrize("stopped", [("seal.toml",), ("seal.toml", "servings.csv")])
def test_a_drawing_that_was_stopped_is_completed_as_it_was_begun(blindspoon, folder, stopped):
    whole = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    for name in stopped:
        (folder / name).unlink()
    assert blindspoon("blind", folder).returncode == 0
    assert {name: (folder / name).read_bytes() for name in whole} == whole


def test_adding_somebody_that_was_stopped_is_completed(folder):
    before = {name: (folder / name).read_bytes() for name in ("key.csv", "servings.csv")}
    add_late(folder, "Gus", datetime.date(2026, 9, 20))
    after = {name: (folder / name).read_bytes() for name in before}
    for stopped in (before, {"servings.csv": before["servings.csv"]}):
        for name, data in stopped.items():
            (folder / name).write_bytes(data)
        assert draw_again(folder) == tuple(stopped)
        assert {name: (folder / name).read_bytes() for name in before} == after


def test_lifting_before_a_session_that_is_planned_is_told_before_and_after(folder):
    taste(folder)
    day, listed = datetime.date(2026, 9, 18), '[[session]]\nname = "1"\ndate = 2026-09-19\n'
    spoil(folder / "trial.toml", "[tasting]", f"{listed}[tasting]")
    assert not lift_blind(folder, datetime.date(2026, 9, 19), lambda _: None).missing
    told = lift_blind(folder, day, lambda _: "unknown").lines()
    early = "has answers before its day: is the date right?"
    assert told[0] == f"note: trial.toml: the session of 2026-09-19 {early}"
    said = "The blind was lifted on 2026-09-18, before the last session on 2026-09-19."
    analysis = analyse(folder)
    assert said in analysis.standing.texts()
    assert "Dates in doubt." in dict(weaknesses(analysis, None))


def test_a_session_with_answers_is_not_still_to_come(folder):
    taste(folder, ("Ada",))
    listed = "".join(f'[[session]]\nname = "{n}"\ndate = 2026-09-{n}9\n' for n in (1, 2))
    spoil(folder / "trial.toml", "[tasting]", f"{listed}[tasting]")
    told = lift_blind(folder, datetime.date(2026, 9, 18), lambda _: None).lines()
    assert "missing: trial.toml: the session of 2026-09-29 is still to come" in told
    assert any("2026-09-19 has answers before its day" in line for line in told)


@pytest.mark.parametrize(("drawn", "late"), [(19, False), (20, True)])
def test_a_blind_that_was_sealed_after_the_first_session_is_told_so(tmp_path, drawn, late):
    listed = '[[session]]\nname = "1"\ndate = 2026-09-19\n[tasting]'
    (tmp_path / "trial.toml").write_text(TOML.replace("[tasting]", listed), "utf-8")
    draw_blind(tmp_path, datetime.date(2026, 9, drawn))
    taste(tmp_path)
    lift_blind(tmp_path, datetime.date(2026, 9, 20), lambda _: "unknown")
    analysis = analyse(tmp_path)
    said = "Rule and key were sealed on 2026-09-20, after the first session on 2026-09-19."
    assert (said in analysis.standing.texts()) == late
    assert ("Sealed late." in dict(weaknesses(analysis, None))) == late
