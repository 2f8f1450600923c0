"""Whether anybody can tell: files drawn by the tool, answered, lifted and judged."""

from __future__ import annotations

import csv
import datetime
import importlib.util
import io
import re
import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom, binomtest, norm
from statsmodels.stats.proportion import proportion_confint

from blindspoon.analysis import analyse, compose_report, to_record
from blindspoon.charts.picks import lines_chart, picks_chart, picks_title
from blindspoon.charts.scene import Marks
from blindspoon.cli.printed import balance_lines, comparison_table
from blindspoon.drawing import add_late, draw_again, draw_blind, write_sheets
from blindspoon.errors import TrialError
from blindspoon.examine import examine
from blindspoon.files.seal import Lift, Seal
from blindspoon.files.trial_toml import parse_trial, trial_text
from blindspoon.findings.choices import compare_choices
from blindspoon.findings.naming import name_all
from blindspoon.lifting import lift_blind
from blindspoon.packing.pack import pack, say
from blindspoon.scores.sets import ChoiceTable
from blindspoon.scores.standing import Standing
from blindspoon.simulate.exact_size import size_choice
from blindspoon.trial import METHODS, Variant
from blindspoon.verify import in_words, main, recompute
from blindspoon.writeup.asked_sections import choice_methods, choices_section
from blindspoon.writeup.front import trust, weaknesses
from blindspoon.writeup.methods import planned
from blindspoon.writeup.page import page
from tests.conftest import rows as rows_of

DAY = datetime.date(2026, 9, 4)
TRIAL = """\
[trial]
title = "Two salts"
control = "sea"
seed = 7

[decision]
declared = 2026-09-04

[choice]
method = "{method}"
{more}

[[variant]]
name = "sea"

[[variant]]
name = "rock"

[tasting]
tasters = {tasters}
"""
DIRECTED = {"paired": "more", "three-afc": "more"}


def text_of(method, tasters=12, more=""):
    if method in DIRECTED and "expect" not in more:
        more += '\nattribute = "sourness"\nexpect = "more"'
    return TRIAL.format(method=method, tasters=tasters, more=more)


def sets_in(folder):
    """Every set as it was drawn: its taster, its number, and what is in its cups, by code."""
    inside = {(row["taster"], row["code"]): row["variant"] for row in rows_of(folder / "key.csv")}
    sets = {}
    for row in rows_of(folder / "servings.csv"):
        cups = sets.setdefault((row["taster"], row["set"]), {})
        cups[row["code"]] = inside[row["taster"], row["code"]]
    return sets


def answer_to(method, cups, *, right):
    """What somebody answers who is right, or wrong, of cups in the order served."""
    how, codes = METHODS[method], list(cups)
    counts = Counter(cups.values())
    if how.words:
        second = len(counts) > 1 if method == "same-different" else "rock" in counts
        return how.words[second == right]
    odd = min(counts, key=counts.get)
    of_kind = {kind: [code for code in codes if cups[code] == kind] for kind in counts}
    if method == "duo-trio":
        good = [code for code in codes[1:] if cups[code] == cups[codes[0]]]
        return good[0] if right else next(code for code in codes[1:] if code not in good)
    if how.codes == 2:
        return "+".join(of_kind[odd][:2] if right else (of_kind["sea"][0], of_kind["rock"][0]))
    kind = "rock" if method in DIRECTED else odd
    return next(code for code in codes if (cups[code] == kind) == right)


def answered(folder, method, right):
    """Answer the sets of a folder; the first `right` of them rightly."""
    sets = list(sets_in(folder).items())
    rows = [
        [taster, number, answer_to(method, cups, right=place < right), ""]
        for place, ((taster, number), cups) in enumerate(sets)
    ]
    text = io.StringIO(newline="")
    csv.writer(text).writerows([["taster", "set", "answer", "comment"], *rows])
    (folder / "choices.csv").write_text(text.getvalue(), encoding="utf-8")
    return len(sets)


@pytest.mark.parametrize("method", METHODS)
def test_a_trial_is_drawn_answered_lifted_and_judged(method, tmp_path):
    (tmp_path / "trial.toml").write_text(text_of(method, more="sets = 2"), encoding="utf-8")
    draw_blind(tmp_path, DAY)
    assert answered(tmp_path, method, 17) == 24
    assert examine(tmp_path).problems == ()
    with pytest.raises(TrialError, match="not lifted"):
        analyse(tmp_path)
    lift = lift_blind(tmp_path, DAY, lambda _: "unknown").lift
    assert (lift.scored, lift.cups) == (24, 24)  # sets, whatever stands in each
    (found,) = analyse(tmp_path).choices
    assert (found.tests, found.right, found.tasters) == (24, 17, 12)
    assert found.primary
    assert found.verdict == "different"
    assert found.because.startswith(
        "These tasters could tell the rock batch from the sea batch: 17 of 24"
    )


def test_one_who_answered_no_set_is_missed_once(tmp_path):
    (tmp_path / "trial.toml").write_text(text_of("triangle", 3, "sets = 4"), encoding="utf-8")
    draw_blind(tmp_path, DAY)
    answered(tmp_path, "triangle", 12)
    rows = (tmp_path / "choices.csv").read_text("utf-8").splitlines()
    (tmp_path / "choices.csv").write_text("\n".join(rows[:8]), encoding="utf-8")
    assert [note.text for note in examine(tmp_path).notes] == [
        "set 4 of T02 in session 1 was never answered",
        "T03 answered nothing in session 1",
    ]


@pytest.mark.parametrize(
    ("method", "at", "told"),
    [
        ("triangle", 8, ["places were not chosen alike: place 1: 4, place 2: 16, place 3: 4"]),
        ("duo-trio", 8, []),  # 16 of 24 at one of two places comes by luck
        ("tetrad", 0, []),  # either group may be named
    ],
)
def test_a_favoured_place_is_told_where_luck_does_not_explain_it(tmp_path, method, at, told):
    (tmp_path / "trial.toml").write_text(text_of(method, 12, "sets = 2"), encoding="utf-8")
    draw_blind(tmp_path, DAY)
    rows = ["taster,set,answer"]
    for place, ((taster, number), cups) in enumerate(sets_in(tmp_path).items()):
        codes, other = list(cups), 0 if method == "triangle" and place % 2 else -1
        own = codes[:2] if method == "tetrad" else [codes[1 if place >= at else other]]
        rows.append(f"{taster},{number},{'+'.join(own)}")
    (tmp_path / "choices.csv").write_text("\n".join(rows), encoding="utf-8")
    assert [note.text for note in examine(tmp_path).notes] == told


@pytest.mark.parametrize(
    ("method", "answer", "told"),
    [
        ("triangle", "none", "a choice is forced"),
        ("triangle", "2", "the code on the cup, not its place"),
        ("triangle", "{0}+{1}", "it is one code"),
        ("tetrad", "{0}", "two codes joined by +"),
        ("tetrad", "{0}+{0}", "two codes joined by +"),
        ("duo-trio", "{0}", "is the reference itself"),
        ("a-not-a", "maybe", "it is a or not-a"),
    ],
)
def test_what_cannot_be_an_answer_is_told(tmp_path, method, answer, told):
    (tmp_path / "trial.toml").write_text(text_of(method, 2), encoding="utf-8")
    draw_blind(tmp_path, DAY)
    (taster, number), cups = next(iter(sets_in(tmp_path).items()))
    rows = f"taster,set,answer\n{taster},{number},{answer.format(*cups)}\n"
    (tmp_path / "choices.csv").write_text(rows, encoding="utf-8")
    (problem,) = examine(tmp_path).problems
    assert (problem.slug, problem.column) == ("bad-answer", "answer")
    assert told in str(problem)


@pytest.mark.parametrize(
    ("more", "row", "told"),
    [
        ("", "sea,18,12", "the control itself"),
        ("", "rock,12,18", "18 right of 12"),
        ("rule = 'sequential'\ntests = 40", "rock,18,12", "numbers alone"),
    ],
)
def test_numbers_that_cannot_be_judged_are_told(tmp_path, more, row, told):
    (tmp_path / "trial.toml").write_text(text_of("triangle", 12, more), encoding="utf-8")
    (tmp_path / "choices.csv").write_text(f"variant,tests,right\n{row}\n", encoding="utf-8")
    (problem,) = examine(tmp_path).problems
    assert told in problem.found


def test_blank_answers_and_a_number_that_falls_short_are_told(tmp_path):
    (tmp_path / "trial.toml").write_text(text_of("triangle", 6, "tests = 6"), encoding="utf-8")
    draw_blind(tmp_path, DAY)
    answered(tmp_path, "triangle", 6)
    rows = (tmp_path / "choices.csv").read_text("utf-8").splitlines()
    rows[2] = "T02,1,,"
    (tmp_path / "choices.csv").write_text("\n".join(rows), encoding="utf-8")
    notes = [note.text for note in examine(tmp_path).notes]
    assert "set 1 of T02 in session 1 has no answer" in notes
    lift_blind(tmp_path, DAY, lambda _: "unknown")
    (found,) = analyse(tmp_path).choices
    assert (found.tests, found.tasters) == (5, 5)
    assert found.because.endswith("6 tests were declared.")
    (tmp_path / "key.csv").unlink()
    with pytest.raises(TrialError, match="there is no key"):
        analyse(tmp_path)


def test_words_of_unequal_numbers_of_sets_are_judged_by_both_kinds(tmp_path):
    # Own reckoning: exact limits of both shares, each at half of alpha (C. E. Bonferroni)
    (tmp_path / "trial.toml").write_text(text_of("same-different"), encoding="utf-8")
    said = [("same", "yes", 9), ("same", "no", 1), ("different", "yes", 15), ("different", "no", 5)]
    rows = [f"rock,{served},{right}" for served, right, n in said for _ in range(n)]
    lines = ["taster,set,variant,served,right", *(f"T{n},1,{it}" for n, it in enumerate(rows))]
    (tmp_path / "choices.csv").write_text("\n".join(lines), encoding="utf-8")
    (found,) = analyse(tmp_path).choices
    same = proportion_confint(9, 10, alpha=0.05, method="beta")
    other = proportion_confint(5, 20, alpha=0.05, method="beta")
    ends = (max(same[0] - other[1], 0), same[1] - other[0])
    assert (found.interval.low, found.interval.high) == pytest.approx(ends)


@pytest.mark.parametrize("method", METHODS)
def test_every_balanced_order_is_served_equally_often(method, tmp_path):
    # Orders: tests/data/choice_orders.csv, all that ISO 4120, 5495, 8588 and 10399 ask for
    how = METHODS[method]
    tasters = 6 * len(how.orders)
    (tmp_path / "trial.toml").write_text(text_of(method, tasters), encoding="utf-8")
    assert " 1 orders" not in " ".join(balance_lines(draw_blind(tmp_path, DAY)))
    served = Counter(
        "".join("A" if kind == "sea" else "B" for kind in cups.values())
        for cups in sets_in(tmp_path).values()
    )
    assert served == dict.fromkeys(how.orders, 6)


def test_the_orders_are_all_there_are():
    rows = rows_of(Path(__file__).parents[1] / "data" / "choice_orders.csv")
    names = {
        "duo-trio, balanced reference": "duo-trio",
        "paired comparison": "paired",
        "3-AFC (variant is the odd one, direction known)": "three-afc",
        "A-not-A (A shown first, then one cup)": "a-not-a",
    }
    listed = {}
    for row in rows:
        name = names.get(row["method"], row["method"])
        listed.setdefault(name, set()).add(row["order"].replace(":", ""))
    for name, how in METHODS.items():
        assert set(how.orders) == listed[name], name


def test_control_and_variant_are_the_odd_one_equally_often(tmp_path):
    for tasters in (7, 8, 15):
        folder = tmp_path / str(tasters)
        folder.mkdir()
        (folder / "trial.toml").write_text(text_of("triangle", tasters), encoding="utf-8")
        draw_blind(folder, DAY)
        odd = Counter(list(cups.values()).count("sea") for cups in sets_in(folder).values())
        assert abs(odd[1] - odd[2]) <= 1


def test_codes_are_new_for_every_set_and_a_late_taster_keeps_the_balance(tmp_path):
    (tmp_path / "trial.toml").write_text(text_of("triangle", 5, "sets = 2"), encoding="utf-8")
    draw_blind(tmp_path, DAY)
    before = rows_of(tmp_path / "servings.csv")
    add_late(tmp_path, "Ada", DAY)
    after = rows_of(tmp_path / "servings.csv")
    assert after[: len(before)] == before
    codes = [row["code"] for row in after]
    assert len(set(codes)) == len(codes) == 36
    served = Counter("".join(c[0] for c in cups.values()) for cups in sets_in(tmp_path).values())
    assert set(served.values()) == {2}
    (tmp_path / "key.csv").unlink()
    assert draw_again(tmp_path) == ("key.csv",)


def test_sets_stand_beside_scored_cups(tmp_path):
    text = text_of("triangle", 6).replace("[choice]", SCORED + "[choice]")
    text = text.replace("declared = 2026-09-04", DECLARED)
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    draw_blind(tmp_path, DAY)
    rows = rows_of(tmp_path / "servings.csv")
    assert [row["set"] for row in rows[:5]] == ["", "", "1", "1", "1"]
    scores = [[row["taster"], row["code"], "5"] for row in rows if not row["set"]]
    with (tmp_path / "scores.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([["taster", "code", "texture"], *scores])
    sets = {key: cups for key, cups in sets_in(tmp_path).items() if key[1]}
    answers = [[t, n, answer_to("triangle", cups, right=True)] for (t, n), cups in sets.items()]
    with (tmp_path / "choices.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([["taster", "set", "answer"], *answers])
    lift_blind(tmp_path, DAY, lambda _: "unknown")
    found = analyse(tmp_path)
    assert found.choices[0].alpha == found.results[0].alpha == 0.025
    assert found.choices[0].right == 6
    assert to_record(found)["choices"][0]["verdict"] == "different"


SCORED = '[scale]\nlow = 0\nhigh = 10\n\n[[attribute]]\nname = "texture"\n\n'
DECLARED = 'declared = 2026-09-04\nprimary = ["texture", "choice"]\nmargin = 1'


def test_the_text_of_a_trial_comes_back():
    for method in METHODS:
        trial = parse_trial(text_of(method, more='ask = "alike"\ntests = 18\ncan_tell = 0.4'))
        assert parse_trial(trial_text(trial)) == trial


# Verdicts ---------------------------------------------------------------------------------------


def judged(
    method, right, tests, more="", *, tasters=0, order=(), alpha=0.05, orders=(), standing=None
):
    """Judge numbers alone; the answers of so many tasters in turn."""
    text = text_of(method, more=more).replace("declared =", f"alpha = {alpha}\ndeclared =")
    trial = parse_trial(text)
    said = np.arange(tests) < right
    table = ChoiceTable(
        tasters=tuple(f"T{n}" for n in range(tasters)),
        taster=np.arange(tests) % tasters if tasters else np.full(tests, -1),
        variant=np.ones(tests, np.int64),
        right=said if not len(order) else np.asarray(order),
        other=np.arange(tests) % 2 == 1 if METHODS[method].words else np.zeros(tests, bool),
        orders={1: orders} if orders else {},
    )
    names = name_all(trial.variants, trial.control)
    return compare_choices(trial, table, standing or Standing(), names)[0]


def lifted(*, last=True, bent=False):
    lift = Lift(date=DAY, tasters=1, scored=1, cups=1, scores="", last=last)
    facts = (("new rule", "The rule was changed."),) if bent else ()
    return Standing(seal=Seal(date=DAY, key="", rule={}, lifted=(lift,)), facts=facts)


SENTENCES = {
    "different": (
        (12, 18),
        "These tasters could tell rock from sea: 12 of 18 picked the odd cup; guessing gives 6, "
        "and 10 were needed.",
    ),
    "alike": (
        (12, 36),
        "Rock and sea are alike enough: 12 of 36 picked the odd cup; at most 23 % of these "
        "tasters can tell (95 % limit), and 30 % was allowed.",
    ),
    "open": (
        (8, 18),
        "Whether rock can be told from sea is not settled: 8 of 18 picked the odd cup; anything "
        "from none to 49 % of them may be able to tell. So few tests cannot show them alike; 24 "
        "could.",
    ),
    "slight": (
        (95, 240),
        "These tasters could tell rock from sea, but only some of them: 95 of 240 picked the odd "
        "cup; guessing gives 80, and 93 were needed. At most 18 % of these tasters can tell (95 % "
        "limit), and 30 % was allowed.",
    ),
}


SEA = Variant(name="sea", label="Sea")


def test_several_variants_are_told_of_by_name():
    rock, pink, sea = (Variant(name=it, label=it) for it in ("rock", "pink", "sea"))
    kinds = (rock, judged("triangle", 12, 18)), (pink, judged("triangle", 8, 18))
    title = picks_title(
        [replace(found, variant=it) for it, found in kinds], name_all([rock, pink, sea], "sea")
    )
    assert title == "Rock could be told from sea; whether pink can be told from it is not settled"


def test_a_page_of_sets_alone_says_how_it_was_tasted(analysis_of):
    content = compose_report(analysis_of("two-salts"))
    told = " ".join(next(part for part in content.sections if part.name == "tasted").paragraphs)
    assert told.replace("\N{NO-BREAK SPACE}", " ").startswith(
        "Twelve tasters answered 24 sets of 3 cups, in 1 session (17 October 2026). The cups bore "
    )
    assert "the answers were recorded by code" in told
    assert "Between cups the plan has water and a cracker." in told
    assert "scor" not in told
    assert "what the person who poured knew" not in told  # which the trust says


def test_sets_and_scores_call_a_variant_alike(tmp_path):
    cups = "variant,tests,right\nrock,24,17\n"
    text = text_of("triangle").replace('name = "rock"', 'name = "rock"\nlabel = "Rock jar"')
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    (tmp_path / "choices.csv").write_text(cups, encoding="utf-8")
    jars = "batch,variant,vessel\njar 1,sea,1 l jar\njar 2,rock,1 l jar\n"
    (tmp_path / "batches.csv").write_text(jars, encoding="utf-8")
    content = compose_report(analyse(tmp_path))
    assert content.answer.startswith("These tasters could tell the rock jar from the sea jar: 17 ")
    assert content.picture.title.startswith("The rock jar could be told from the sea jar: 17 of 24")
    (tmp_path / "batches.csv").write_text(f"{jars}jar 3,rock,1 l jar\n", encoding="utf-8")
    assert "tell rock jar from sea: 17" in compose_report(analyse(tmp_path)).answer  # of two jars


def test_of_several_variants_what_is_not_settled_may_be_none(tmp_path):
    # 6 of 8 alone has p 0.020, so its own limits leave out 0; 96 % is scipy's beta quantile
    text = text_of("triangle") + "".join(f'[[variant]]\nname = "{it}"\n' for it in ("pink", "red"))
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    counts = "variant,tests,right\nrock,8,3\npink,8,6\nred,8,1\n"
    (tmp_path / "choices.csv").write_text(counts, encoding="utf-8")
    analysis = analyse(tmp_path)
    rock, pink, red = analysis.choices
    assert (rock.verdict, pink.verdict, red.verdict) == ("open", "open", "open")
    assert pink.interval.low > 0
    # by Holm all are at .05 / 3 as the first fails: 6 of 8 has p .0197, 7 of 8 has p .0026
    assert (rock.needed, pink.needed, red.needed) == (7, 7, 7)
    assert "anything from none to 96\N{NO-BREAK SPACE}% of them" in pink.because
    assert "90 % intervals, each for itself" in comparison_table(analysis)
    assert "0.059" in comparison_table(analysis)
    assert comparison_table(analysis).count("So few tests") == 1
    assert choices_section(analysis).paragraphs[-1].startswith("So few tests")


def test_of_tasters_with_several_sets_the_share_is_one_of_sets():
    two = {right: judged("triangle", right, 36, tasters=2) for right in (12, 17)}
    many = judged("triangle", 95, 240, tasters=2)
    assert [it.verdict for it in (*two.values(), many)] == ["alike", "open", "slight"]
    sets = "of these tasters’ sets"
    assert f"at most 23\xa0% {sets} can be told (95\xa0% limit)" in two[12].because
    assert two[17].because.endswith(f"from none to 43\xa0% {sets} may be told.")
    assert "could tell rock from sea, but not often: 95 of 240 answers" in many.because
    assert f"At most 18\xa0% {sets} can be told" in many.because
    titles = [picks_title([it], name_all([it.variant, SEA], "sea")) for it in (two[12], many)]
    assert titles[0].endswith(f"were right, so at most 23\xa0% {sets} can be told")
    assert titles[1].endswith("more than luck explains, but not often")


def test_one_taster_and_one_right_answer_are_told_of_as_one():
    alone = judged("triangle", 8, 18, tasters=1)
    assert "is not settled: 8 of 18 answers picked the odd cup; anything" in alone.because
    assert "anything from none to 49\xa0% of this taster’s sets may be told." in alone.because
    few = "is not settled: 1 of 18 picked the odd cup; guessing gives 6. So few"
    assert few in judged("triangle", 1, 18).because
    single = judged("two-out-of-five", 1, 1, alpha=0.2)
    assert "guessing gives 0.1, and 1 was needed." in single.because


def test_sets_of_one_taster_alone_are_in_one_table(tmp_path, blindspoon):
    text = text_of("triangle", tasters=1, more="sets = 6")
    text += '[[session]]\nname = "1"\ndate = 2026-09-05\n'
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    plan = draw_blind(tmp_path, DAY)
    assert [*balance_lines(plan)] == ["6 sets with rock: 6 orders, each 1 time."]
    assert answered(tmp_path, "triangle", 5) == 6
    lift_blind(tmp_path, DAY, lambda _: "unknown")
    analysis = analyse(tmp_path)
    assert "the dates of the sessions are not recorded" not in " ".join(planned(analysis))
    section = choices_section(analysis)
    assert section.tables == ()
    weak = dict(weaknesses(analysis, None))
    assert weak["This taster only."] == "One taster had all the sets."
    assert "Sets are missing." not in weak
    seal = analysis.standing.seal
    early = replace(seal, lifted=(replace(seal.lifted[-1], scored=4),))
    weak = dict(
        weaknesses(replace(analysis, standing=replace(analysis.standing, seal=early)), None)
    )
    assert weak["Sets are missing."] == "4 of the 6 to be served have an answer."
    assert "own sets" not in blindspoon("compare", tmp_path).stdout  # the one count says it


@pytest.mark.parametrize(("verdict", "case"), SENTENCES.items())
def test_each_verdict_has_its_sentence(verdict, case):
    (right, tests), sentence = case
    found = judged("triangle", right, tests)
    assert found.verdict == verdict
    assert found.because.replace("\N{NO-BREAK SPACE}", " ") == sentence


def test_alike_needs_a_number_that_is_not_below_luck():
    # ISO 4120, 8.2: with 18 triangles 5 right would do, below the 6 of luck
    assert judged("triangle", 3, 18).verdict == "open"
    assert judged("triangle", 3, 18).because.endswith("cannot show them alike; 24 could.")
    assert judged("triangle", 8, 24).verdict == "alike"


def test_no_verdict_before_the_declared_number():
    found = judged("triangle", 11, 11, "tests = 18")
    assert found.verdict == "open"
    assert found.because == "11 of 18 tests are in. No verdict before the last."
    assert judged("triangle", 12, 19, "tests = 18").because.endswith(
        "18 tests were declared, and 19 are in: take it as a lead."
    )


@pytest.mark.parametrize(
    ("standing", "kind"),
    [
        (lifted(), "different"),
        (lifted(last=False), "open"),  # a declared look: more may come
        (lifted(bent=True), "open"),
    ],
)
def test_what_was_lifted_for_good_is_judged_short_of_the_declared_number(standing, kind):
    found = judged("triangle", 11, 11, "tests = 18", standing=standing)
    assert found.verdict == kind
    assert found.primary != bool(standing.bent)


def test_between_the_sequential_lines_tasting_goes_on_and_at_the_end_it_is_not_settled():
    more, order = 'rule = "sequential"\ntests = {}\ncan_tell = 0.4', np.arange(6) % 2 == 0
    going_on = judged("triangle", 3, 6, more.format(40), order=order)
    assert going_on.because == "Nothing is decided after 6 of at most 40 sets: go on."
    ended = judged("triangle", 3, 6, more.format(6), order=order)
    assert ended.because == "Not settled: nothing is decided after 6 sets, 3 of them right."
    assert (going_on.verdict, ended.verdict) == ("open", "open")
    late = np.r_[order, np.ones(20, bool)]  # no answer after the declared number counts
    assert judged("triangle", 0, 26, more.format(6), order=late).because == ended.because
    bent = judged("triangle", 3, 6, more.format(40), order=order, standing=lifted(bent=True))
    assert bent.because == ended.because  # nobody is to go on


def test_far_fewer_right_than_luck_asks_for_the_key():
    few = judged("triangle", 1, 24)
    assert (few.verdict, "the key the right way round" in few.because) == ("open", True)
    title = picks_title([few], name_all([few.variant, SEA], "sea"))
    assert title.endswith("is not settled: 1 of 24 was right, fewer than luck explains")


def test_the_title_of_the_picture_names_what_was_told_from_what():
    for right, tests, title in (
        (12, 18, "Rock could be told from sea: 12 of 18 were right, more than luck explains"),
        (12, 36, "Rock came close enough to sea: 12 of 36 were right, so at most 23 % can tell"),
        (8, 18, "Whether rock can be told from sea is not settled: 8 of 18 were right"),
    ):
        found = judged("triangle", right, tests)
        assert (
            picks_title([found], name_all([found.variant, SEA], "sea")).replace("\xa0", " ")
            == title
        )


def test_of_one_taster_the_title_says_whose_answers_they_are():
    alone = judged("triangle", 12, 18, tasters=1)
    title = picks_title([alone], name_all([alone.variant, SEA], "sea"))
    assert title.startswith("For this taster, rock could be told from sea: 12 of 18")


def test_either_way_it_is_said_which_was_picked():
    more = 'attribute = "sourness"\nexpect = "either"'
    for right, which in ((16, "rock"), (2, "sea")):
        either, told = judged("paired", right, 18, more), f"16 of 18 picked {which} as"
        assert f"{told} the one with more sourness" in either.because
        names = name_all([either.variant, SEA], "sea")
        assert f"{told} having more sourness" in picks_title([either], names)
    assert "right way round" not in judged("triangle", 5, 24).because


@pytest.mark.parametrize("method", ["triangle", "duo-trio", "paired"])
def test_alike_is_found_as_often_as_sizing_says_if_nobody_can_tell(method):
    more = "can_tell = 0.5\n"  # and in pairs either may be the one with more
    more += 'attribute = "sourness"\nexpect = "either"' if method == "paired" else ""
    kinds = [judged(method, right, 36, more).verdict for right in range(37)]
    trial = parse_trial(text_of(method, more=more))
    (row,) = (row for row in size_choice(trial).rows if row.tests == 36)
    chances = binom.pmf(np.arange(37), 36, METHODS[method].guess)
    often = chances @ [kind in ("alike", "slight") for kind in kinds]
    assert row.chance_alike == pytest.approx(often, abs=0.01)  # far too few are no "alike"


def test_d_prime_is_for_one_set_a_taster():
    # ASTM E2262, its scope; 2-AFC: sqrt(2) times the normal deviate of .75
    found = judged("paired", 18, 24, tasters=24)
    assert found.d_prime.estimate == pytest.approx(0.9539, abs=1e-4)
    assert "ASTM E2262" in judged("paired", 18, 24, tasters=12).d_prime.reason
    assert "two-out-of-five" in judged("two-out-of-five", 9, 24, tasters=24).d_prime.reason


def test_d_prime_of_words_takes_both_kinds_of_set():
    # V. Gourevitch & E. Galanter 1967: two normal deviates, their variances p(1 - p)/(n density²)
    right = np.zeros(40, bool)
    right[0:30:2] = right[1:25:2] = (
        True  # "A" of 15 of 20 that were A, and of 8 of 20 that were not
    )
    found = judged("a-not-a", 0, 40, tasters=40, order=right).d_prime
    p, sign = np.array([0.75, 0.4]), np.array([1, -1])
    estimate, error = norm.ppf(p) @ sign, np.sqrt(p * (1 - p) / 20 @ norm.pdf(norm.ppf(p)) ** -2)
    assert (found.estimate, found.se) == pytest.approx((estimate, error))
    assert found.interval.low == pytest.approx(estimate - norm.ppf(0.95) * error)
    assert found.interval.high == pytest.approx(estimate + norm.ppf(0.95) * error)
    luck = judged("same-different", 0, 40, tasters=40, order=np.arange(40) % 4 < 2).d_prime
    assert (luck.estimate, luck.se, luck.interval) == (0, None, None)
    never = judged("a-not-a", 0, 40, tasters=40, order=np.arange(40) % 2 == 0).d_prime
    assert "always or never" in never.reason


def test_it_is_told_who_can_tell_by_their_own_sets():
    order = np.arange(48) % 4 == 0
    found = judged("triangle", 12, 48, tasters=4, order=order)
    assert [row.can_tell for row in found.by_taster] == [True, False, False, False]
    assert found.by_taster[0].right == 12
    eight = np.arange(48) // 4 % 3 > 0  # p .019 of each, and .075 by Holm over the four
    found = judged("triangle", 32, 48, tasters=4, order=eight)
    assert [(row.right, row.can_tell) for row in found.by_taster] == [(8, False)] * 4


def test_either_way_is_two_sided():
    both = 'attribute = "sourness"\nexpect = "either"'
    for right in (6, 18):  # the variant, or the control, was the one with more
        found = judged("paired", right, 24, both)
        assert (found.right, found.needed) == (18, 18)  # 17 of 24 has p .064
        assert found.p_value == pytest.approx(binomtest(18, 24).pvalue, abs=1e-12)
    assert judged("paired", 12, 40, both).p_value == pytest.approx(binomtest(12, 40).pvalue)
    assert judged("paired", 18, 24).p_value == pytest.approx(0.011328, abs=1e-6)


@pytest.mark.parametrize("method", ["a-not-a", "same-different"])
def test_a_favourite_word_is_no_sign_of_telling(method):
    # Everybody always says the first word: half are right, and nobody can tell.
    found = judged(method, 0, 24, order=np.arange(24) % 2 == 0)
    assert found.p_value == 1
    assert found.verdict == "open"


@pytest.mark.parametrize("method", ["a-not-a", "same-different"])
def test_a_sentence_about_words_leaves_its_p_value_to_the_numbers(method):
    order = np.r_[np.ones(20, bool), np.zeros(4, bool)]
    said = judged(method, 0, 24, order=order).because
    assert said.startswith("These tasters could tell rock from sea: 20 of 24 ")
    assert re.search(r"; guessing gives [0-9.]+\.$", said)


def test_one_fixed_order_is_refused(tmp_path):
    (tmp_path / "trial.toml").write_text(text_of("triangle"), encoding="utf-8")
    servings, key, choices = ["taster,set,position,code"], ["taster,code,variant"], []
    for n in range(12):
        codes = [str(100 + 3 * n + k) for k in range(3)]
        servings += [f"T{n},1,{k + 1},{code}" for k, code in enumerate(codes)]
        key += [f"T{n},{code},{v}" for code, v in zip(codes, ("sea", "rock", "sea"), strict=True)]
        choices.append(f"T{n},1,{codes[1]}")
    for name, rows in (("servings", servings), ("key", key), ("choices", choices)):
        head = ["taster,set,answer"] if name == "choices" else []
        (tmp_path / f"{name}.csv").write_text("\n".join([*head, *rows]), encoding="utf-8")
    (found,) = analyse(tmp_path).choices
    assert found.verdict == "open"
    assert found.because.startswith("Every set stood in one and the same order")


@pytest.mark.parametrize(
    ("method", "tests", "orders", "refused"),
    [
        ("triangle", 24, (24, 0, 0, 0, 0, 0), True),
        ("triangle", 24, (23, 1, 0, 0, 0, 0), False),
        ("triangle", 2, (2, 0, 0, 0, 0, 0), False),  # two may be in one order by luck
        ("paired", 24, (0, 24), True),
        ("a-not-a", 24, (24, 0), False),  # a single cup has no place
    ],
)
def test_whoever_favours_a_place_in_one_order_is_no_sign_of_telling(method, tests, orders, refused):
    right = np.ones(tests, bool)
    found = judged(method, 0, tests, order=right, orders=orders, alpha=0.2)
    assert (found.verdict == "open") == refused
    assert ("one and the same order" in found.because) == refused


def test_the_sequential_rule_stops_and_no_other_look_counts():
    # ISO 16820, table A.1: stored 5 days, different after 12 sets
    more = 'rule = "sequential"\ntests = 40\ncan_tell = 0.4\nbeta = 0.1'
    letters = np.array([c == "P" for c in "PPPPNPPPNPPPNNNN"])
    trial = text_of("duo-trio", more=more).replace("declared =", "alpha = 0.1\ndeclared =")
    table = ChoiceTable(
        taster=np.full(16, -1), variant=np.ones(16, np.int64), right=letters,
        other=np.zeros(16, bool), orders={},
    )  # fmt: skip
    parsed = parse_trial(trial)
    names = name_all(parsed.variants, parsed.control)
    (found,) = compare_choices(parsed, table, Standing(), names)
    assert (found.verdict, found.tests, found.needed) == ("different", 12, None)
    assert found.because.endswith(
        "decided after 12 sets, 10 of them right; later answers do not count."
    )


def test_a_number_that_was_not_fixed_has_no_p_value_and_no_limits(tmp_path):
    more = 'rule = "sequential"\ntests = 40\ncan_tell = 0.4'
    (tmp_path / "trial.toml").write_text(text_of("triangle", more=more), encoding="utf-8")
    rows = ["taster,set,variant,right", *(f"T01,{n},rock,yes" for n in range(1, 7))]
    (tmp_path / "choices.csv").write_text("\n".join(rows), encoding="utf-8")
    analysis = analyse(tmp_path)
    (found,) = to_record(analysis)["choices"]
    assert (found["verdict"], found["can_tell"]["estimate"]) == ("different", 1)
    shares = {name: found["can_tell"][name] for name in ("interval", "limit")}
    assert {found["p_value"], found["p_adjusted"], found["d_prime"], *shares.values()} == {None}
    assert "not fixed" in found["p_value_reason"]
    assert found["by_taster"] == []
    assert "%" not in comparison_table(analysis).replace("100 %", "", 1)
    again = recompute(analysis.table.to_frame(analysis.trial), to_record(analysis))
    assert "not fixed" in in_words(again)


@pytest.mark.parametrize("sets", [1, 3])
@pytest.mark.parametrize("tasters", [5, 7, 12, 36])
def test_false_alarms_stay_below_alpha_and_alike_too(tasters, sets):
    # Own simulation: nobody can tell; and exactly as many can as are allowed, each taster able
    # or not at all, judged about these very tasters (W. Hoeffding 1956).
    rng = np.random.default_rng([tasters, sets])
    n = tasters * sets
    luck = [judged("triangle", int((rng.random(n) < 1 / 3).sum()), n) for _ in range(60)]
    assert sum(found.verdict in ("different", "slight") for found in luck) <= 8
    able = np.repeat(np.arange(tasters) < round(0.3 * tasters + 0.5), sets)
    wrong = 0
    for _ in range(60):
        found = judged("triangle", int((able | (rng.random(n) < 1 / 3)).sum()), n)
        wrong += found.verdict in ("alike", "slight")
    assert wrong <= 8


# What is published ------------------------------------------------------------------------------

SALTS = Path(__file__).parents[2] / "trials" / "two-salts"


@pytest.fixture(scope="module")
def packed(analysis_of):
    with pytest.MonkeyPatch.context() as patch:  # PNG files, at which nobody looks here
        patch.setattr("blindspoon.packing.pack.draw", lambda *_: ({}, ()))
        return pack(analysis_of("two-salts"), jar_g=1000).files


def test_the_demonstration_is_what_its_script_makes(tmp_path):
    for name in ("trial.toml", "batches.csv", "readings.csv"):
        shutil.copy(SALTS / name, tmp_path)
    path = Path(__file__).parents[1] / "reference" / "two_salts.py"
    spec = importlib.util.spec_from_file_location("two_salts", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.tasted_blind(tmp_path)
    for name in ("servings.csv", "key.csv", "choices.csv", "seal.toml"):
        assert (tmp_path / name).read_bytes() == (SALTS / name).read_bytes()


def test_the_page_answers_and_draws_a_mark_for_every_answer(packed):
    page = packed["index.html"].decode()
    assert "alike enough: 8 of 24 answers picked the odd cup; at most 28" in page  # of 12 people
    assert "Not that it matters." not in page  # nobody could tell
    front, record = page.split('id="record"')
    assert 'id="choices-table"' not in front  # the answer and the picture have its numbers
    assert 'id="choices-table"' in record
    assert "Can anybody tell them apart?" not in front  # which says nothing more
    assert "Some had several sets" in front
    assert set(re.findall(r'href="#([^"]+)"', page)) <= set(re.findall(r'id="([^"]+)"', page))
    assert 'id="board"' not in page
    figure = packed["figures/choices.svg"].decode()
    assert figure.count("<circle") == 24
    assert "luck: 8" in figure
    assert "needed: 13" in figure


def test_no_table_of_scores_is_sent_out_where_nothing_was_scored(packed, tmp_path):
    tables = {"choices.csv", "comparisons.json", "left_out.csv", "README.md", "datapackage.json"}
    assert {name.partition("/")[2] for name in packed if name.startswith("tables/")} == tables
    assert "mixed" not in packed["tables/README.md"].decode()
    for name in (name for name in packed if name.startswith(("tables/", "data/"))):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(packed[name])
    assert main(tmp_path) == 0  # which computes the choices again


def test_the_kit_says_how_many_cups_and_sets_there_are(packed):
    page = packed["kit/do-it-yourself.html"].decode()
    assert "each gets 6 cups a sitting, in 2 sets of 3." in page
    keyed = packed["kit/drawn/choices.csv"].decode().splitlines()
    assert len(keyed) == 1 + 2 * len({line.split(",")[1] for line in keyed[1:]})  # a line a set
    assert "kit/drawn/scores.csv" not in packed  # no cup is scored


def test_what_is_said_names_what_was_tasted_and_the_kit_takes_answers_on_a_phone(packed):
    said = packed["say.md"].decode().split("## ")
    assert (
        said[1]
        .split("\n\n")[1]
        .startswith("The rock-salt jar came close enough to sea salt: 8 of 24")
    )
    assert "Compared: sea salt and rock salt." in said[2]
    assert "blindspoon collect kit --lan" in packed["kit/do-it-yourself.html"].decode()


def test_sets_that_were_to_answer_stand_at_the_head_before_scores_that_were_not(tmp_path):
    scale = "[scale]\nlow = 0\nhigh = 10\n\n[[attribute]]\nname = 'bite'\n\n[[variant]]"
    text = text_of("triangle").replace("[[variant]]", scale, 1)
    text = text.replace("declared =", "primary = ['choice']\nmargin = 1.0\ndeclared =")
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    (tmp_path / "choices.csv").write_text("variant,tests,right\nrock,24,17\n", encoding="utf-8")
    rows = [f"T{n},{what},{5 + n % 3}" for n in range(9) for what in ("sea", "rock")]
    (tmp_path / "scores.csv").write_text("\n".join(["taster,variant,bite", *rows]), "utf-8")
    content = compose_report(analyse(tmp_path))
    assert content.picture.name == "choices"
    assert len(content.boards) == 1  # which no picture at the head repeats
    camera = say(content, []).split("## ")[1]
    assert "The rock batch could be told from the sea batch: 17 of 24 were right" in camera
    assert "17 of 24 picked" not in page(content).split("<nav")[1]  # the answer says it


def test_what_is_said_on_camera_of_an_open_question_is_two_sentences(tmp_path):
    (tmp_path / "trial.toml").write_text(text_of("triangle"), encoding="utf-8")
    (tmp_path / "choices.csv").write_text("variant,tests,right\nrock,18,8\n", encoding="utf-8")
    camera = say(compose_report(analyse(tmp_path)), []).split("## ")[1]
    assert len(re.findall(r"\.(?=\s)", camera)) == 2


def test_what_is_published_can_be_compared_again(packed, record_of, tmp_path):
    for name, data in packed.items():
        if name.startswith("data/"):
            (tmp_path / name).parent.mkdir(exist_ok=True)
            (tmp_path / name).write_bytes(data)
    assert to_record(analyse(tmp_path / "data"))["choices"] == record_of("two-salts")["choices"]
    assert "taster,set,answer" in packed["kit/drawn/choices.csv"].decode()


def test_scipy_and_statsmodels_find_the_same(analysis_of, record_of):
    analysis = analysis_of("two-salts")
    table = recompute(analysis.table.to_frame(analysis.trial), record_of("two-salts"))
    assert list(table["number"]) == ["p_value", "can_tell_low", "can_tell_high"]
    assert table["difference"].abs().max() < 1e-12


def test_the_sheets_ask_as_the_standard_does(tmp_path):
    shutil.copytree(SALTS, tmp_path / "salts")
    write_sheets(tmp_path / "salts", "a4", None)
    ballots = (tmp_path / "salts" / "sheets" / "ballots.html").read_text("utf-8")
    assert "Two of the three cups are the same, one is different." in ballots
    assert "You must choose" in ballots
    table = (tmp_path / "salts" / "sheets" / "table.html").read_text("utf-8")
    assert "no right answer" not in ballots + table  # one cup is the different one
    assert "Rock salt" not in ballots
    assert ballots.count('class="place">Set 2<') == 12


def test_the_sequential_chart_has_both_lines():
    found = judged("triangle", 8, 9, 'rule = "sequential"\ntests = 40', order=[True] * 8 + [False])
    names = name_all([found.variant], "rock")
    chart = lines_chart(found, names, "")
    assert found.verdict == "different"
    assert "alike" in chart.wide
    assert chart.title.startswith("After 7 sets, ")
    assert chart.title.endswith(" could be told from rock")
    assert "right answers so far" in chart.wide
    (answers,) = (it for it in chart.figure.shapes if isinstance(it, Marks) and len(it.points) > 1)
    assert len(answers.points) == 8  # none at the ends of the rule's own lines
    assert {"0", "20"} <= {text.text for text in chart.figure.texts}  # of 40 that may be tasted
    assert not {text.text for text in chart.figure.texts} & {"22", "40"}
    assert lines_chart(judged("triangle", 6, 9), names, "") is None


def words_of(found) -> set[str]:
    return {
        text.text
        for text in picks_chart(
            [found], name_all([found.variant], found.variant.name), ""
        ).figure.texts
    }


def test_answers_are_counted_in_whole_numbers():
    assert {"0", "1"} <= words_of(judged("triangle", 1, 1))
    assert not {text for text in words_of(judged("triangle", 1, 1)) if text.startswith("0.")}


def test_too_many_answers_for_a_mark_each_are_a_bar():
    names = name_all([judged("triangle", 1, 1).variant], "rock")
    few, many = (
        picks_chart([judged("triangle", right, 3 * right)], names, "") for right in (8, 800)
    )
    marked = [any(isinstance(it, Marks) for it in chart.figure.shapes) for chart in (few, many)]
    assert marked == [True, False]
    assert len(many.figure.shapes) < 30
    kinds = ("Row of marks", "Row of bars")
    assert all(f". {kind} of " in chart.alt for chart, kind in zip((few, many), kinds, strict=True))
    words = [" ".join(text.text for text in chart.figure.texts) for chart in (few, many)]
    assert ["Each mark" in said for said in words] == [True, False]


def test_every_row_has_its_count_and_what_luck_brings_stands_once_where_rows_share_it():
    rows = [judged("triangle", 8, 24), judged("triangle", 13, 24)]
    names = name_all([found.variant for found in rows], "rock")
    texts = [text.text for text in picks_chart(rows, names, "").figure.texts]
    assert {"8 of 24", "13 of 24"} <= {*texts}
    assert texts.count("luck: 8") == texts.count("needed: 13") == 1
    rows[0] = judged("triangle", 8, 30)
    words = [text.text for text in picks_chart(rows, names, "").figure.texts]
    assert {"luck: 10", "luck: 8"} <= {*words}


def test_no_number_is_said_to_be_enough_where_the_rule_looks_after_each_test():
    assert "needed: 10" in words_of(judged("triangle", 12, 18))
    going_on = judged("triangle", 12, 18, 'rule = "sequential"\ntests = 40')
    assert not {text for text in words_of(going_on) if "needed" in text or "Solid" in text}


def test_all_who_answered_are_counted_though_none_had_every_variant(tmp_path):
    text = text_of("triangle", tasters=3) + '\n[[variant]]\nname = "flake"\n'
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    rows = ["taster,set,variant,right"]
    rows += [f"T{n},1,{variant},yes" for n, variant in enumerate(["rock", "rock", "flake"])]
    (tmp_path / "choices.csv").write_text("\n".join(rows), encoding="utf-8")
    analysis = analyse(tmp_path)
    assert trust(analysis).startswith("Three people chose from 3 sets of three cups.")
    assert to_record(analysis)["trial"]["tasters"] == 3
    single = replace(analysis.trial.choice, method="a-not-a")
    shown = replace(analysis, trial=replace(analysis.trial, choice=single))
    assert trust(shown).startswith("Three people judged 3 cups, one at a time.")
    assert "Nobody answered two sets of one variant" in " ".join(choice_methods(analysis))


def test_how_many_can_tell_is_said_where_a_few_sets_show_that_some_do(tmp_path):
    (tmp_path / "trial.toml").write_text(text_of("triangle"), encoding="utf-8")
    (tmp_path / "choices.csv").write_text("variant,tests,right\nrock,5,4\n", encoding="utf-8")
    said = dict(choices_section(analyse(tmp_path)).points)["Not how many."].replace("\xa0", " ")
    low, high = 1.5 * (np.array(proportion_confint(4, 5, alpha=0.1, method="beta")) - 1 / 3)
    ends = f"{100 * low:.0f} % to {100 * high:.0f} %"
    assert said == f"Anything from {ends} of these tasters may be able to tell."
    (tmp_path / "choices.csv").write_text("variant,tests,right\nrock,23,12\n", encoding="utf-8")
    said = dict(choices_section(analyse(tmp_path)).points)["Not how many."].replace("\xa0", " ")
    assert said.startswith("Anything from 0.3 % to 56 %")  # shown to tell, so nobody is ruled out
    two = text_of("triangle") + '\n[[variant]]\nname = "flake"\n'
    (tmp_path / "trial.toml").write_text(two, encoding="utf-8")
    both = "variant,tests,right\nrock,5,5\nflake,5,1\n"
    (tmp_path / "choices.csv").write_text(both, encoding="utf-8")
    of_two = dict(choices_section(analyse(tmp_path)).points)["Not how many."]
    assert of_two.startswith("Rock: anything from ")  # one of them is told, which has to be named


def test_of_few_tasters_with_many_sets_the_share_is_one_of_sets(tmp_path):
    (tmp_path / "trial.toml").write_text(text_of("triangle", tasters=2), encoding="utf-8")
    rows = [f"{taster},{n},rock,yes" for taster in ("T01", "T02") for n in range(1, 6)]
    text = "\n".join(["taster,set,variant,right", *rows])
    (tmp_path / "choices.csv").write_text(text, encoding="utf-8")
    said = dict(choices_section(analyse(tmp_path)).points)["Not how many."]
    assert said.endswith("of these tasters’ sets may be told.")


def test_of_one_variant_a_row_names_the_taster_alone(tmp_path):
    (tmp_path / "trial.toml").write_text(text_of("triangle", tasters=2), encoding="utf-8")
    rows = [f"{taster},{n},rock,yes" for taster in ("T01", "T02") for n in range(1, 6)]
    text = "\n".join(["taster,set,variant,right", *rows])
    (tmp_path / "choices.csv").write_text(text, encoding="utf-8")
    (own,) = choices_section(analyse(tmp_path)).tables
    assert sorted(name for name, _ in own.rows) == ["T01", "T02"]


def test_quotation_marks_of_a_label_stand_within_others():
    ones = replace(SEA, name="ones", label="“Cool” ones")
    names = name_all([SEA, ones], "sea")
    assert names.short(ones) == "“\N{LEFT SINGLE QUOTATION MARK}Cool’ ones”"
