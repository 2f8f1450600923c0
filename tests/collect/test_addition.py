"""A spreadsheet's export: what it would add, and adding it."""

import errno

import pytest

from blindspoon.collect import opening
from blindspoon.collect.ballots import CupAnswer, Given
from blindspoon.errors import TrialError
from blindspoon.files.durable import DurableFolder
from blindspoon.files.text_table import read_table

HEAD = "taster;code;texture;saltiness;comment\n"


@pytest.fixture
def export(tmp_path):
    def write(text, head=HEAD):
        path = tmp_path / "export.csv"
        path.write_text(head + text, encoding="utf-8-sig")
        return path

    return write


@pytest.fixture
def plan(folder):
    """Plan a file, and add it where asked to."""

    def run(path, *, add=False):
        with opening.opened(folder) as sitting:
            addition = opening.plan_addition(folder, sitting, table(path))
            if add:
                addition.add(sitting)
            return addition

    return run


def table(path):
    return read_table(path.read_bytes(), path.name)


def problems_of(plan, path):
    with pytest.raises(TrialError) as caught:
        plan(path)
    return [str(problem) for problem in caught.value.problems]


def codes_of(addition):
    return {tray: tuple(given) for tray, given in addition.answers.items()}


def test_planning_adds_nothing(plan, export, folder):
    addition = plan(export("T01;037;7,5;4;\nT01;512;;;\nT02;512;1;;soft\n"))
    assert codes_of(addition) == {("1", "T01"): ("037",), ("1", "T02"): ("512",)}
    assert addition.lines() == ["session 1, T01: 037", "session 1, T02: 512"]
    assert (addition.cups, addition.present) == (2, 0)
    assert not (folder / "ballots").exists()


def test_adding_writes_ballots(plan, export, rows):
    plan(export('T01;037;7,5;4;"two\nlines"\n'), add=True)
    assert rows() == [
        {"session": "1", "taster": "T01", "code": "037", "texture": "7.5", "saltiness": "4",
         "comment": "two\nlines"}
    ]  # fmt: skip


def test_headings_are_taken_in_any_capitals_and_by_their_label(plan, export, folder):
    toml, name = folder / "trial.toml", 'name = "texture"\n'
    text = toml.read_text("utf-8").replace(name, f'{name}label = "How crisp"\n')
    toml.write_text(text, "utf-8")
    addition = plan(export("T01;037;7,5;4;\n", "Taster;CODE;How crisp;Saltiness;Comment\n"))
    assert addition.answers["1", "T01"]["037"].answer.scores == ("7.5", "4")


def test_scores_are_added_though_no_set_is_answered_yet(plan, export, folder):
    toml = folder / "trial.toml"
    toml.write_text(f'{toml.read_text("utf-8")}\n[choice]\nmethod = "triangle"\n', "utf-8")
    assert plan(export("T01;037;7,5;4;\n")).cups == 1


def test_adding_twice_is_the_same_as_once(plan, export, rows):
    path = export("T01;037;7,5;4;\n")
    plan(path, add=True)
    again = plan(path, add=True)
    assert (len(again.answers), again.present) == (0, 1)
    assert len(rows()) == 1


def test_gaps_are_filled(plan, export, rows):
    plan(export("T01;037;7;;\n"), add=True)
    plan(export("T01;037;7;4;x\nT01;512;1;1;\n"), add=True)
    assert [(row["saltiness"], row["comment"]) for row in rows()] == [("4", "x"), ("1", "")]


def test_what_is_scored_otherwise_is_never_replaced(plan, export, rows):
    plan(export("T01;037;7;4;\n"), add=True)
    found = problems_of(plan, export("T01;512;1;1;\nT01;037;8;4;\n"))
    assert found == [
        "export.csv line 3: 037 of T01 in session 1 is scored in ballots/1-T01.csv; a file adds"
        " what is not scored yet, and replaces nothing. Take the row out, or correct"
        " ballots/1-T01.csv."
    ]
    assert len(rows()) == 1


def test_cups_of_scores_csv_are_never_scored_twice(plan, export, folder):
    (folder / "scores.csv").write_text("taster,code,texture,saltiness\nT01,037,7,4\n")
    assert "is scored in scores.csv" in problems_of(plan, export("T01;037;7;4;\n"))[0]


def test_the_messages_are_those_of_check(plan, export, check, coded):
    text = "T01;37;7;4;\nT01;512;11;;\nT09;1;;;\n"
    ours = problems_of(plan, export(text))
    files = {name: coded[name] for name in ("trial.toml", "servings.csv")}
    theirs, _ = check(files | {"scores.csv": (HEAD + text).encode()})
    assert ours == [str(each).replace("scores.csv", "export.csv", 1) for each in theirs]
    assert len(ours) == 3


@pytest.mark.parametrize("data", [b"PK\x03\x04", b"\xff\xfea\x00", b"", b"one\ntwo\n"])
def test_a_file_that_is_no_table_is_said(plan, tmp_path, data):
    path = tmp_path / "export.csv"
    path.write_bytes(data)
    assert problems_of(plan, path)[0].startswith("export.csv")


def test_a_file_that_is_not_there_is_said(blindspoon, folder, tmp_path):
    done = blindspoon("collect", folder, "--from", tmp_path / "gone.csv")
    assert (done.returncode, "gone.csv': No such file" in done.stderr) == (2, True)


def test_an_answer_that_comes_in_between_seeing_and_adding_is_kept(folder, sitting, export):
    addition = opening.plan_addition(folder, sitting, table(export("T01;037;7;4;\n")))
    ballot = sitting.ballots["1", "T01"]
    ballot.save({"037": Given(CupAnswer(scores=("2", "3")), ballot.answer("037").mark, "phone")})
    addition.add(sitting)
    kept = (folder / "ballots" / "conflicts" / "1-T01.csv").read_text("utf-8")
    assert "1,T01,037,2,3," in kept


def test_rows_of_a_friend_who_was_added_from_elsewhere_are_taken(folder, sitting, export):
    served = folder / "servings.csv"
    served.write_text(served.read_text("utf-8") + "1,T77,1,901\n1,T77,2,902\n", "utf-8")
    addition = opening.plan_addition(folder, sitting, table(export("T77;901;7;4;\n")))
    assert codes_of(addition) == {("1", "T77"): ("901",)}


def test_a_friend_who_could_not_be_read_at_first_is_let_in_at_the_next_look(
    folder, sitting, monkeypatch
):
    served = folder / "servings.csv"
    served.write_text(served.read_text("utf-8") + "1,T77,1,901\n1,T77,2,902\n", "utf-8")

    def locked(_, name):
        raise OSError(errno.EACCES, "Permission denied", name)

    with monkeypatch.context() as broken:
        broken.setattr(DurableFolder, "read", locked)
        sitting.look_for_late()
    assert "T77" not in sitting.plan.tasters
    sitting.look_for_late()
    assert "T77" in sitting.plan.tasters
