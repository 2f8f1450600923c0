"""What a folder is held against: its seal, and the corrections that were listed."""

from __future__ import annotations

import datetime
from dataclasses import replace

import pytest

from blindspoon.files.seal import Lift, Seal, key_fingerprint, key_rows, rule_text, scores_by_cup
from blindspoon.files.seal import scores_fingerprint as fingerprint
from blindspoon.files.text_table import FolderTables, read_table
from blindspoon.files.trial_folder import FolderText
from blindspoon.files.trial_toml import parse_trial
from blindspoon.scores.standing import LATE, standing

DAY = datetime.date(2026, 9, 4)
UNCHANGED = "The rule and the key are those that were sealed on 2026-09-04."
HEAD = b"session,taster,code,attribute,was,new,reason\n"
MISREAD = HEAD + b"1,T01,037,texture,7,1,a 1 read as 7\n"


def tables_of(files):
    named = {name: read_table(data, name) for name, data in files.items() if name[-3:] == "csv"}
    scores = tuple(table for name, table in named.items() if name == "scores.csv" or "/" in name)
    others = ("servings", "key", "corrections")
    return FolderTables(scores=scores, **{name: named.get(f"{name}.csv") for name in others})


def sealed(files, *, lifted=True):
    """The seal of the files as they are, lifted or not."""
    trial, tables = parse_trial(files["trial.toml"].decode()), tables_of(files)
    seal = Seal(date=DAY, key=key_fingerprint(key_rows(tables.key)), rule=rule_text(trial))
    scores = scores_by_cup(trial, tables.scores, seal.attributes)
    lift = Lift(date=DAY, tasters=3, scored=len(scores), cups=9, scores=fingerprint(scores))
    return replace(seal, lifted=(lift,)) if lifted else seal


def folder_of(files, seal):
    named = {name: data for name, data in files.items() if name.endswith("csv")}
    own = {} if seal is None else {"seal.toml": seal.encode()}
    return FolderText(toml=files["trial.toml"].decode(), files=named | own)


def told(files, seal):
    return standing(folder_of(files, seal and seal.to_toml()))


def test_nothing_changed_is_said_with_both_dates(coded):
    found = told(coded, sealed(coded))
    lifted = "The blind was lifted on 2026-09-04, with 9 of 9 cups scored by 3 tasters."
    assert (found.bent, found.record, found.waiting) == ((), (UNCHANGED, lifted), False)


def test_a_key_that_lost_its_tasters_is_bent_and_breaks_nothing(coded):
    coded["key.csv"] = b"session,code,variant\n1,037,plain\n"
    text = folder_of(coded, sealed(coded).to_toml())
    found = standing(text, replace(text.tables, scores=()))
    assert found.published == found.seal


def test_a_folder_without_a_seal_waits_for_nothing_and_says_so(coded):
    found = told(coded, None)
    assert not found.waiting
    assert "Nothing was sealed" in found.record[0]
    damaged = standing(folder_of(coded, "date = 1"))
    assert "damaged" in damaged.record[0]
    assert not damaged.waiting


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (b'control = "plain"', b'control = "oak-leaf"', "control from plain to oak-leaf"),
        (b"margin = 1.0", b"margin = 2.5", "margin of texture, saltiness from 1 to 2.5"),
        (b"high = 10", b"high = 9", "scale of texture, saltiness from 0 to 10 in steps of 0.5 to"),
        (b'primary = ["texture"]', b"", "primary attributes from texture to none"),
        (b'name = "saltiness"', b'name = "salt"', "scale of saltiness from 0 to 10"),
        (b"declared = 2026-09-04", b"declared = 2026-09-04\nalpha = 0.1", "alpha from 0.05 to 0.1"),
        (b"declared = 2026-09-04", b"declared = 2026-09-01", "declared date from 2026-09-04 to"),
        (b"margin = 1.0", b'margin = 1.0\nby = "ranks"', "comparison from mixed to ranks"),
    ],
)
def test_a_changed_rule_is_said_with_the_old_and_the_new_value(coded, before, after, said):
    seal = sealed(coded)
    coded["trial.toml"] = coded["trial.toml"].replace(before, after)
    found = told(coded, seal)
    (sentence,) = found.bent
    assert said in sentence
    assert found.key_kept  # so that it was tasted blind all the same


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (b"T01,512,oak-leaf,jar 2", b"T01,512,oak-leaf,jar 9"),
        (b"T01,512,oak-leaf", b"T01,512,plain"),
        (b"T01,512", b"T01,513"),
        (b"1,T01,037,plain,jar 1\n", b""),
    ],
)
def test_a_changed_key_is_said(coded, before, after):
    seal = sealed(coded)
    coded["key.csv"] = coded["key.csv"].replace(before, after)
    assert told(coded, seal).bent == ("The key is not the one that was sealed on 2026-09-04.",)
    del coded["key.csv"]
    found = told(coded, seal)
    assert found.bent == ("The key that was sealed on 2026-09-04 is missing.",)
    assert not found.key_kept


@pytest.mark.parametrize("batch", [b"jar 2", b"jar 9"])
def test_a_changed_key_is_not_sealed_anew_under_pseudonyms(coded, batch):
    seal = sealed(coded)
    coded["key.csv"] = coded["key.csv"].replace(b"jar 2", batch)
    hidden = tables_of({name: data.replace(b"T01", b"P01") for name, data in coded.items()})
    published = standing(folder_of(coded, seal.to_toml()), hidden).published
    kept = published.key == key_fingerprint(key_rows(hidden.key))
    assert kept == (batch == b"jar 2")


def test_what_decides_nothing_may_change(coded):
    seal = sealed(coded)
    coded["trial.toml"] = coded["trial.toml"].replace(b"cucumbers crisp", b"cucumbers snappy")
    coded["scores.csv"] = coded["scores.csv"].replace(b"snaps", b"it snaps")
    assert told(coded, seal).bent == ()


def test_a_correction_is_told_with_its_reason_and_bends_nothing(coded):
    seal = sealed(coded)
    coded["scores.csv"] = coded["scores.csv"].replace(b"037,7,", b"037,1,")
    assert "corrections.csv does not say why" in told(coded, seal).bent[0]
    torn = coded | {"scores.csv": b"sep=;\n" + coded["scores.csv"]}
    assert told(torn, seal).bent == ()  # what cannot be read is a problem, and no change
    coded["corrections.csv"] = MISREAD
    found = told(coded, seal)
    assert found.bent == ()
    said = "Corrected after the blind was lifted: texture of cup 037 in session 1, from {}."
    assert found.record[-1] == said.format("7 to 1 (a 1 read as 7)")
    coded["scores.csv"] = coded["scores.csv"].replace(b"037,1,", b"037,2,")
    coded["corrections.csv"] += b"1,T01,037,texture,1,2,or a 2\n"
    in_order = said.format("7 to 1 (a 1 read as 7)"), said.format("1 to 2 (or a 2)")
    assert told(coded, seal).record[-2:] == in_order


def test_a_correction_from_before_the_lifting_is_not_told_again(coded):
    coded["corrections.csv"] = HEAD + b"1,T01,512,texture,6,8.5,found before\n"
    seal = sealed(coded)
    assert len(told(coded, seal).record) == 2
    coded["corrections.csv"] += MISREAD.splitlines(keepends=True)[1]
    coded["scores.csv"] = coded["scores.csv"].replace(b"037,7,", b"037,1,")
    assert len(told(coded, seal).record) == 3
    assert told(coded, seal).bent == ()


UNFIT = "it says that texture of cup 037 in session 1 became {}, and the scores have {} there"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"1,T01,037,texture,7,2,not what stands there\n", UNFIT.format(2, 1)),
        (b'1,T01,037,texture,7,"1,5",a comma between commas\n', UNFIT.format("1,5", 1)),
        (b"1,t01,037,texture,7,1,another taster\n", UNFIT.format(1, "nothing")),
        (b"1,T01,037,texture,6,1,not what was lifted\n", ""),
        (b"1,T01,037,texture,7,1,\n", ""),
        (b"1,T01,512,texture,7,1,another cup\n", "texture of cup 512 in session 1 became 1, and"),
        (b"", ""),
    ],
)
def test_a_correction_that_does_not_explain_the_change_is_none(coded, line, said):
    seal = sealed(coded)
    coded["scores.csv"] = coded["scores.csv"].replace(b"037,7,", b"037,1,")
    coded["corrections.csv"] = HEAD + line
    found = told(coded, seal)
    assert "does not say why" in found.bent[0]
    unfit = [note for note in found.notes if note.file == "corrections.csv"]
    assert [note.line for note in unfit] == [2] * bool(said)
    assert said in "".join(note.text for note in unfit)


def test_a_ballot_that_was_found_later_is_explained_or_bends_it(coded):
    ballot = coded.pop("ballots/1-T03.csv")
    seal = sealed(coded)
    coded["ballots/1-T03.csv"] = ballot
    assert told(coded, seal).bent
    coded["corrections.csv"] = HEAD + b"".join(
        b"1,T03,%b,%b,,%b,found\n" % (code, name, score)
        for _, _, code, *given, _ in (line.split(b",") for line in ballot.splitlines()[1:])
        for name, score in zip((b"texture", b"saltiness"), given, strict=True)
    )
    assert told(coded, seal).bent == ()


def test_who_came_before_the_lifting_is_told_and_who_came_after_it_bends_it(coded):
    key = key_fingerprint(key_rows(tables_of(coded).key))
    early = sealed(coded, lifted=False).with_added("taster", "Gus", DAY, key)
    lifted = replace(early, lifted=sealed(coded).lifted)
    found = told(coded, lifted)
    assert found.bent == ()
    assert "One taster was added on 2026-09-04, under the blind." in found.record
    late = told(coded, lifted.with_added("taster", "Zoe", DAY, key))
    assert late.bent == ("After the blind was lifted one taster was added.",)
    assert not any(name in " ".join(late.texts()) for name in ("Gus", "Zoe"))


@pytest.mark.parametrize("other", [3, 5])
def test_a_sitting_that_never_took_place_makes_nothing_late(coded, other):
    listed = b'\n[[session]]\nname = "%d"\ndate = 2026-09-0%d\n'
    coded["trial.toml"] += listed % (1, 4) + listed % (2, other)
    assert told(coded, sealed(coded)).texts(*LATE) == ()
    assert told(coded, sealed(coded, lifted=False)).texts(*LATE) == ()


def test_a_blind_that_was_lifted_for_good_before_the_last_sitting_is_in_doubt(coded):
    coded["trial.toml"] += b'\n[[session]]\nname = "1"\ndate = 2026-09-06\n'
    seal = sealed(coded)
    look = replace(seal, lifted=(replace(seal.lift, last=False),))
    assert "lifted on 2026-09-04, before the last session" in told(coded, seal).texts(*LATE)[0]
    assert told(coded, look).texts(*LATE) == ()
