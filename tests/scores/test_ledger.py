"""Everything that `check` must be able to say of the tables, all at once."""

from __future__ import annotations

import re
import time

import pytest

from blindspoon.errors import LISTED, ScoreError

ROUNDS = b'[[session]]\nname = "1"\n[[session]]\nname = "2"\n'


def edited(files, edits):
    """Change files: (name, old, new), `old` standing once; a blank `old` replaces the file."""
    for name, old, new in edits:
        if old:
            assert files[name].count(old) >= 1, (name, old)
        files[name] = files[name].replace(old, new, 1) if old else new
    return files


CODED = {
    "missing-column texture": (
        [("scores.csv", b"texture", b"Texture")],
        r'scores.csv, column texture: there is no column texture \(did you mean "Texture"\?\);'
        r' the header has "session", "taster", "code", "Texture"',
    ),
    "missing-column code": (
        [("servings.csv", b"code", b"cup")],
        "servings.csv, column code: there is no column code; the header has",
    ),
    "missing-column taster": (
        [("key.csv", b"taster", b"person")],
        "key.csv, column taster: there is no column taster",
    ),
    "off-scale": (
        [("scores.csv", b"037,7,4.5", b"037,11,4.5")],
        "scores.csv line 2, column texture: score 11 is off the scale; trial.toml allows 0 to 10.",
    ),
    "off-scale below": (
        [("scores.csv", b"037,7,4.5", b"037,7,-0.5")],
        "scores.csv line 2, column saltiness: score -0.5 is off the scale",
    ),
    "off-step": (
        [("ballots/1-T03.csv", b"5.5,6", b"5.7,6")],
        "ballots/1-T03.csv line 2, column texture: score 5.7 is between steps; trial.toml allows"
        " 0 to 10 in steps of 0.5",
    ),
    "not-a-number": (
        [("scores.csv", b"037,7,4.5", b"037,soft,4.5")],
        'scores.csv line 2, column texture: score "soft" is not a number; a score is a number',
    ),
    "not-a-number comma": (
        [("scores.csv", b"037,7,4.5", b'037,7,"4,5"')],
        r'score "4,5" is not a number; .* Write the number with a decimal point',
    ),
    "not-a-number nan": (
        [("scores.csv", b"037,7,4.5", b"037,nan,4.5")],
        'score "nan" is not a number',
    ),
    "not-a-number underscore": (
        [("scores.csv", b"037,7,4.5", b"037,1_0,4.5")],
        'score "1_0" is not a number',
    ),
    "unknown-code": (
        [("scores.csv", b"T01,512", b"T01,513")],
        "scores.csv line 3, column code: code 513 of T01 in session 1 is not in servings.csv;"
        " there T01 has 037, 512, 846 in session 1",
    ),
    "unknown-code zero": (
        [("scores.csv", b"T01,037", b"T01,37")],
        "code 37 of T01 in session 1 is not in servings.csv; .* Write 037, with its zero",
    ),
    "unknown-code taster": (
        [("scores.csv", b"T01,512", b"T1,512")],
        "code 512 of T1 in session 1 is not in servings.csv; there T1 has no cup in session 1."
        " Correct code, taster or session",
    ),
    "unknown-code of another": (
        [("scores.csv", b"T01,512", b"T01,664")],
        "code 664 of T01 in session 1 is not in servings.csv; there T03 has 664 in session 1",
    ),
    "unknown-code session": (
        [
            ("servings.csv", b"1,T01,2,512", b"2,T01,1,777\n1,T01,2,512"),
            ("key.csv", b"1,T01,512", b"2,T01,777,plain,jar 1\n1,T01,512"),
            ("scores.csv", b"T01,512", b"T01,777"),
        ],
        "code 777 of T01 in session 1 is not in servings.csv; there T01 has 777 in session 2",
    ),
    "scored-twice": (
        [("ballots/1-T03.csv", b"1,T03,664", b"1,T01,037")],
        "ballots/1-T03.csv line 4: code 037 of T01 in session 1 stands a second time, after"
        " scores.csv line 2; a taster scores a cup once",
    ),
    "code-twice in servings.csv": (
        [("servings.csv", b"T01,2,512", b"T01,2,037")],
        "servings.csv line 3: code 037 of T01 in session 1 stands a second time, after servings.csv"
        " line 2; a code names one cup",
    ),
    "code-twice in key.csv": (
        [("key.csv", b"T01,512", b"T01,037")],
        "key.csv line 3: code 037 of T01 in session 1 stands a second time",
    ),
    "no-key-entry": (
        [("key.csv", b"1,T01,846,cool-cellar,jar 3\n", b"")],
        "servings.csv line 4: code 846 of T01 in session 1 is not in key.csv; key.csv has",
    ),
    "key-not-served": (
        [("key.csv", b"1,T01,846", b"1,T01,847,plain,jar 1\n1,T01,846")],
        "key.csv line 4: code 847 of T01 in session 1 is not in servings.csv",
    ),
    "unknown-variant in key.csv": (
        [("key.csv", b"T01,846,cool-cellar", b"T01,846,cool-celar")],
        r'key.csv line 4, column variant: variant "cool-celar" is not known \(did you mean'
        r' "cool-cellar"\?\); trial.toml lists plain, oak-leaf, cool-cellar',
    ),
    "batch-of-two-variants": (
        [("key.csv", b"oak-leaf,jar 2", b"oak-leaf,jar 1")],
        'key.csv line 3, column batch: batch "jar 1" stands for "oak-leaf" here',
    ),
    "lifts-the-blind in servings.csv": (
        [("servings.csv", b"code", b"code,variant"), ("servings.csv", b"1,037", b"1,037,plain")],
        "servings.csv, column variant: a column variant stands beside the codes; only key.csv",
    ),
    "lifts-the-blind in scores.csv": (
        [("scores.csv", b"comment", b"variant")],
        "scores.csv, column variant: a column variant stands beside the codes",
    ),
    "position zero": (
        [("servings.csv", b"T01,2,512", b"T01,0,512")],
        'servings.csv line 3, column position: position "0" is not a place in the order; a position'
        " is a whole number from 1",
    ),
    "position half": ([("servings.csv", b"T01,2,512", b"T01,1.5,512")], 'position "1.5" is not a'),
    "position blank": (
        [("servings.csv", b"T01,2,512", b"T01,,512")],
        "servings.csv line 3, column position: a blank cell; a position is a whole number",
    ),
    "position-twice": (
        [("servings.csv", b"T01,2,512", b"T01,1,512")],
        "servings.csv line 3, column position: position 1 of T01 in session 1 is that of"
        " servings.csv line 2; a taster has one cup at a time",
    ),
    "blank-cell taster": (
        [("scores.csv", b"1,T01,512", b"1,,512")],
        "scores.csv line 3, column taster: a blank cell; every row has a taster",
    ),
    "blank-cell code": (
        [("key.csv", b"1,T01,512", b"1,T01,")],
        "key.csv line 3, column code: a blank cell; every row has a code",
    ),
    "blank-cell session": (
        [("scores.csv", b"1,T01,512", b",T01,512")],
        "scores.csv line 3, column session: a blank cell; every row has a session. Write the"
        " session, or take the row out",
    ),
    "bad-label": (
        [("scores.csv", b"1,T01,512", b"1," + b"x" * 81 + b",512")],
        "scores.csv line 3, column taster: taster .* cannot be used; a taster has 1 to 80 char",
    ),
    "bad-label control": (
        [("scores.csv", b"1,T01,512", b"1,T\x0701,512")],
        r'taster "T\\x0701" cannot be used; .*none of them a control character',
    ),
    "bad-name": (
        [("scores.csv", b"1,T01,512", b"Day 1,T01,512")],
        'scores.csv line 3, column session: session "Day 1" is not a name',
    ),
    "unknown-session": (
        [("trial.toml", b"[[attribute]]", ROUNDS + b"[[attribute]]"),
         ("scores.csv", b"1,T01,512", b"3,T01,512")],
        'scores.csv line 3, column session: session "3" is not known; trial.toml lists 1, 2',
    ),
    "missing-column session": (
        [("trial.toml", b"[[attribute]]", ROUNDS + b"[[attribute]]"),
         ("ballots/1-T03.csv", b"session", b"round")],
        "ballots/1-T03.csv, column session: there is no column session",
    ),
    "no-scores": (
        [("scores.csv", b"", b"taster,code,texture,saltiness\n"),
         ("ballots/1-T03.csv", b"", b"taster,code,texture,saltiness\n")],
        "scores.csv: no row has a score; a trial has one score or more",
    ),
    "no-scores blank": (
        [("scores.csv", b"", b"taster,code,texture,saltiness\nT01,037,,\n"),
         ("ballots/1-T03.csv", b"", b"taster,code,texture,saltiness\nT03,705,,\n")],
        "scores.csv: no row has a score",
    ),
    "no-rows": (
        [("key.csv", b"", b"session,taster,code,variant\n")],
        "key.csv: the file has a header but no rows; it has a row for each cup",
    ),
    "ragged-row": (
        [("key.csv", b"1,T01,512,oak-leaf,jar 2", b"1,T01,512,oak-leaf")],
        "key.csv line 3: the row has 4 cells; the header names 5 columns",
    ),
    "separator": (
        [("key.csv", b"", b"session|taster|code|variant\n1|T01|037|plain\n")],
        r'key.csv line 1: the header is one cell, "session\|taster\|code\|variant"; columns are',
    ),
    "encoding": ([("key.csv", b"jar 1", b"jar \x81")], "line 2: byte 0x81 is neither UTF-8"),
    "empty-file": ([("servings.csv", b"", b"")], "servings.csv: the file is empty"),
}  # fmt: skip

UNCODED = {
    "unknown-variant": (
        [("scores.csv", b"Ann,oak-leaf", b"Ann,oakleaf")],
        r'scores.csv line 3, column variant: variant "oakleaf" is not known \(did you mean',
    ),
    "scored-twice": (
        [("scores.csv", b"Ann,oak-leaf,2", b"Ann,plain,1")],
        "scores.csv line 3: variant plain of Ann in session 1 stands a second time, after",
    ),
    "position-twice": (
        [("scores.csv", b"Ann,oak-leaf,2", b"Ann,oak-leaf,1")],
        "scores.csv line 3, column position: position 1 of Ann in session 1 is that of scores.csv",
    ),
    "missing-column": (
        [("scores.csv", b"variant", b"recipe")],
        "scores.csv, column variant: there is no column variant",
    ),
    "lifts-the-blind": (
        [("scores.csv", b"variant", b"code,variant")],
        "scores.csv, column variant: a column variant stands beside the codes",
    ),
    "batch-of-two-variants": (
        [("scores.csv", b"variant,position", b"variant,batch")],
        'scores.csv line 5, column batch: batch "1" stands for "oak-leaf" here and for another',
    ),
    "no-scores": (
        [("scores.csv", b"", b"taster,variant,texture,saltiness\n")],
        "scores.csv: no row has a score",
    ),
}  # fmt: skip


def assert_said(problems, slug, message):
    found = [problem for problem in problems if re.search(message, str(problem))]
    assert found, [str(problem) for problem in problems]
    assert found[0].slug == slug.split()[0]


@pytest.mark.parametrize("slug", CODED)
def test_what_is_wrong_with_coded_tables_is_said(coded, check, read, slug):
    edits, message = CODED[slug]
    files = edited(coded, edits)
    assert_said(check(files)[0], slug, message)
    with pytest.raises(ScoreError, match=message):
        read(files)


@pytest.mark.parametrize("slug", UNCODED)
def test_what_is_wrong_with_uncoded_tables_is_said(uncoded, check, slug):
    edits, message = UNCODED[slug]
    assert_said(check(edited(uncoded, edits))[0], slug, message)


def test_one_slip_gives_one_problem(coded, check):
    slugs = ("off-scale", "unknown-code", "no-key-entry", "ragged-row", "separator", "no-rows")
    for slug in (*slugs, "code-twice in servings.csv", "code-twice in key.csv"):
        problems, _ = check(edited(dict(coded), CODED[slug][0]))
        assert len(problems) == 1, (slug, problems)


def test_problems_of_all_files_are_said_at_once_in_order(coded, check):
    files = edited(
        coded,
        [
            ("key.csv", b"T01,846,cool-cellar", b"T01,846,cellar"),
            ("servings.csv", b"T01,2,512", b"T01,two,512"),
            ("scores.csv", b"037,9,4,", b"037,99,4,"),
            ("scores.csv", b"037,7,4.5", b"037,7,x"),
            ("ballots/1-T03.csv", b"5.5,6", b"5.7,6"),
        ],
    )
    places = [(problem.file, problem.line) for problem in check(files)[0]]
    assert places == [
        ("scores.csv", 2), ("scores.csv", 8), ("ballots/1-T03.csv", 2),
        ("servings.csv", 3), ("key.csv", 4),
    ]  # fmt: skip


@pytest.mark.parametrize(("name", "noted"), [(b"ann", True), (b"Ann ", False), (b"Anna", False)])
def test_one_taster_in_two_spellings_is_asked_about(uncoded, check, name, noted):
    problems, notes = check(edited(uncoded, [("scores.csv", b"Ann,oak-leaf", name + b",oak-leaf")]))
    said = [note.text for note in notes if "spell" in note.text]
    assert problems == ()
    assert said == ["Ann, ann are taken for two: where they are one, spell both alike"] * noted


def test_coded_and_uncoded_files_do_not_mix(coded, check):
    coded["ballots/x.csv"] = b"taster,variant,texture,saltiness\nT01,plain,5,5\n"
    problems, _ = check(coded)
    assert {problem.column for problem in problems} == {"code", "variant"}


def test_no_score_file_at_all(coded, check):
    del coded["scores.csv"], coded["ballots/1-T03.csv"]
    (problem,) = check(coded)[0]
    assert str(problem).startswith("scores.csv: there is neither scores.csv nor a ballot")


def test_tables_that_name_sessions_need_them_in_every_file(coded, check):
    coded["servings.csv"] += b"2,T01,1,111\n"
    coded["scores.csv"] = coded["scores.csv"].replace(b"session,", b"x,", 1)
    assert any(problem.column == "session" for problem in check(coded)[0])


@pytest.mark.parametrize(
    "row", [b"T,plain,99\n", b"T,plain,x\n", b"T,nowhere,5\n", b",plain,5\n", b"T\n"]
)
def test_a_hundred_thousand_bad_rows_take_seconds(uncoded, check, row):
    uncoded["trial.toml"] = uncoded["trial.toml"].replace(
        b'[[attribute]]\nname = "saltiness"\n', b""
    )
    uncoded["scores.csv"] = b"taster,variant,texture\n" + row * 100_000
    began = time.process_time()
    problems, _ = check(uncoded)
    assert time.process_time() - began < 4
    assert LISTED < len(problems) <= 3 * LISTED
    assert any("rows more like it" in problem.found for problem in problems)


def test_a_blank_row_of_a_cup_that_a_ballot_scores_is_none(coded, check):
    coded["scores.csv"] += b"1,T03,705,,,\n1,T03,118,,,spilt\n"
    (twice,) = check(coded)[0]
    assert twice.found.startswith("code 118 of T03 in session 1 stands a second time")


def test_a_coded_cup_is_one_cup_at_whatever_position_it_is_scored(coded, check):
    head, *rows = SCORED_AT.splitlines()
    coded["scores.csv"] = "\n".join([head, *rows, "1,T01,037,4,7,4.5"]).encode()
    (twice,) = [problem for problem in check(coded)[0] if problem.slug == "scored-twice"]
    assert "code 037 of T01 in session 1 stands a second time, after scores.csv line 2" in str(
        twice
    )


def test_a_cup_that_was_not_scored_does_not_keep_a_place_that_another_was_tasted_at(coded, check):
    head, first, *_ = SCORED_AT.splitlines()
    coded["scores.csv"] = f"{head}\n{first.replace('037,1', '037,2')}".encode()
    assert not [str(problem) for problem in check(coded)[0]]


SCORED_AT = """\
session,taster,code,position,texture,saltiness
1,T01,037,1,7,4.5
1,T01,512,2,8.5,4
1,T01,846,3,5,5
"""


@pytest.mark.parametrize(("score", "wrong"), [("1", 0), ("3", 0), ("9", 0), ("2", 1), ("4", 1)])
def test_steps_are_counted_from_the_low_end(uncoded, check, score, wrong):
    scale = b"low = 1\nhigh = 9\nstep = 2"
    uncoded["trial.toml"] = uncoded["trial.toml"].replace(b"low = 0\nhigh = 10\nstep = 0.5", scale)
    uncoded["scores.csv"] = f"taster,variant,texture,saltiness\nAnn,plain,{score},5\n".encode()
    slugs = [problem.slug for problem in check(uncoded)[0]]
    assert slugs == ["off-step"] * wrong
