"""When it is ready: whole panels simulated into the files of a folder, read and judged."""

from __future__ import annotations

import datetime
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from blindspoon.analysis import analyse, compose_report, to_record
from blindspoon.api import Compared
from blindspoon.batches.strengths import age_cups
from blindspoon.batches.summary import differences_in_words, make_up
from blindspoon.cli.printed import comparison_table
from blindspoon.drawing import draw_blind
from blindspoon.errors import TrialError
from blindspoon.examine import examine
from blindspoon.files.text_table import FolderTables, read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.compare import compare_trial
from blindspoon.findings.course import compare_course
from blindspoon.findings.days_in_words import day_word, headline, say_course, which_first
from blindspoon.findings.naming import name_all
from blindspoon.lifting import lift_blind
from blindspoon.packing.pack import blog
from blindspoon.scores.score_table import build_table
from blindspoon.stats.results import NoResult
from blindspoon.stats.several_tests import Bracket
from blindspoon.trial import Variant
from blindspoon.verify import recompute
from blindspoon.writeup.records import trial_record
from tests.conftest import rows as rows_of

START = datetime.date(2026, 8, 1)
RISING = {3: -4.0, 7: -2.0, 10: 0.0, 14: 0.0, 21: 0.0}
STEADY = {day: day / 2 - 6 for day in RISING}
JSON_PAGE = Path(__file__).parents[2] / "docs/reference/json.md"


def after(days):
    return START + datetime.timedelta(days=days)


def files(
    truth, *, evenings=False, tasters=12, seed=3, ask="", sd=0.5, drift=0.4, jars=(), accept=None,
    series=("half-sour",), kept="2026-07-30", names="T{:02}",
):  # fmt: skip
    """Simulate a panel: jars of several ages in one sitting, or one jar on several evenings."""
    rng, days = np.random.default_rng(seed), sorted(truth)
    name = {(s, d): s if evenings else f"{s}-d{d}" for s in series for d in days}
    dates = {f"s{d}": after(d) for d in days} if evenings else {"1": after(max(days) + 3)}
    trial = (
        f'trial = {{ title = "Half-sours", control = "cold", seed = 7 }}\n'
        'decision = { declared = 2026-07-01, margin = 1, primary = ["course"] }\n'
        'scale = { low = 0, high = 20, step = 1 }\nattribute = [{ name = "sourness" }]\n'
        f"course = {{ {ask} }}\n"
        + '[[variant]]\nname = "cold"\n'
        + "".join(
            f'[[variant]]\nname = "{variant}"\n' + ("" if evenings else f'series = "{s}"\n')
            for variant, s in {variant: s for (s, _), variant in name.items()}.items()
        )
        + "".join(f'[[session]]\nname = "{s}"\ndate = {date}\n' for s, date in dates.items())
    )
    batches = [f"c0,cold,2026-06-30,{kept}", *jars]
    if not jars:
        start = START if evenings else None
        batches += [
            f"{v} jar,{v},{start or after(max(days) - d)},{'' if evenings else after(max(days))}"
            for v, d in {v: d for (_, d), v in name.items()}.items()
        ]
    rows, own = [], rng.normal(0, 1, tasters)
    for session in dates:
        mood = rng.normal(0, drift)
        here = [int(session[1:])] if evenings else days
        cups = [("cold", 0.0, None)]
        cups += [(name[s, d], truth[d] + 0 * len(s), d) for s in series for d in here]
        for taster in range(tasters):
            for variant, shift, day in cups:
                score = np.clip(round(10 + own[taster] + mood + shift + rng.normal(0, sd)), 0, 20)
                would = "yes" if accept and (day is None or rng.random() < accept[day]) else "no"
                row = (session, names.format(taster + 1), variant, str(int(score)))
                rows.append(",".join([*row, *([would] if accept else [])]))
    head = "session,taster,variant,sourness" + ",would_eat" * bool(accept)
    return {
        "trial.toml": trial,
        "batches.csv": "\n".join(["batch,variant,started,finished", *batches]),
        "scores.csv": "\n".join([head, *rows]),
    }


def read(made):
    trial = parse_trial(made["trial.toml"])
    tables = [read_table(made[name].encode(), name) for name in ("scores.csv", "batches.csv")]
    table, _ = build_table(trial, FolderTables(scores=(tables[0],)))
    jars, _ = make_up(trial, tables[1], None, tables[:1])
    return trial, table, jars, age_cups(trial, jars.log, tables[:1])


def followed(truth, **changes):
    trial, table, _, ages = read(files(truth, **changes))
    return compare_course(trial, table, ages)


def told(truth, **changes):
    trial, table, _, ages = read(files(truth, **changes))
    found = compare_course(trial, table, ages)
    names = name_all(trial.variants, trial.control, "jar")
    return [replace(it, said=say_course(it, names, several=len(found) > 1)) for it in found]


def said(truth, **changes):
    return [text for found in told(truth, **changes) for text in found.because]


def put(folder, made):
    folder.mkdir()
    for name, text in made.items():
        (folder / name).write_text(text + "\n", encoding="utf-8")
    return folder


@pytest.mark.parametrize("evenings", [False, True], ids=["one sitting", "evenings"])
def test_days_and_slopes_are_those_that_pandas_and_scipy_compute(evenings):
    made = files(RISING, evenings=evenings)
    trial, table, _, ages = read(made)
    (found,) = compare_course(trial, table, ages)
    cups = table.to_frame(trial)
    cells = cups.pivot_table("sourness", "taster", ["session", "variant"])
    own = pd.DataFrame({
        day: cells[(f"s{day}", "half-sour") if evenings else ("1", f"half-sour-d{day}")]
        - cells[f"s{day}" if evenings else "1", "cold"]
        for day in RISING
    })  # fmt: skip
    slopes = [stats.linregress([*RISING], row).slope for row in own.to_numpy()]
    assert found.trend.slope == pytest.approx(np.mean(slopes))
    assert found.trend.p_value == pytest.approx(stats.ttest_1samp(slopes, 0).pvalue)
    p = [day.found.p_different for day in found.days]
    assert p == pytest.approx([stats.ttest_1samp(own[day], 0).pvalue for day in RISING], rel=1e-7)


def test_a_bracket_is_what_one_sided_t_tests_give_in_their_order():
    (found,) = followed(RISING)
    inside, outside = [], []
    for values in found.values.T:
        low = stats.ttest_1samp(values, -1, alternative="greater").pvalue
        high = stats.ttest_1samp(values, 1, alternative="less").pvalue
        inside.append(max(low, high) <= 0.025)
        outside.append(stats.ttest_1samp(values, -1, alternative="less").pvalue <= 0.025)
    assert (inside, outside) == ([0, 0, 1, 1, 1], [1, 1, 0, 0, 0])
    assert found.reached == Bracket(after=7.0, by=10.0)
    assert [day.verdict for day in found.days] == ["different"] * 2 + ["alike"] * 3


def test_what_is_said_names_both_days_and_these_jars():
    told = said(RISING)
    assert told[0] == (
        "Within 1\N{NO-BREAK SPACE}point of “Cold” from day 10 on, not yet up to day 7; "
        "between them not settled."
    )
    assert "points a day" not in " ".join(told)  # the course bends, so no one slope tells of it
    (bent,) = followed(RISING)
    names = name_all([Variant(name=it, label=it) for it in ("Cold", "Oak")], "Cold", "jar")
    (trend,) = say_course(replace(bent, judged=False), names, several=False).answers
    assert "points a day" in trend  # of what no day is judged on there is nothing else to say
    straight = said({3: -3.0, 7: -2.0, 10: -1.25, 14: -0.25})
    assert straight[1].startswith("Sourness caught up with “Cold” by 0.2")
    assert told[-1] == "One jar an age was tasted, so this speaks of these jars."


def test_two_jars_an_age_are_averaged_and_still_these_jars():
    jars = [
        f"{half} {day},half-sour-d{day},{after(21 - day)},{after(21)}"
        for half in "ab"
        for day in RISING
    ]
    assert said(RISING, jars=jars)[-1].endswith("is not in the intervals, so this speaks of these.")


def test_what_came_and_went_is_not_said_to_have_never_come():
    came = {3: -4.0, 7: 0.0, 14: 0.0, 21: -4.0, 28: -6.0}
    assert "not shown to stay there by day 28" in said(came, tasters=20)[0]
    assert "never shown there by day 14" in said({3: -6.0, 7: -4.0, 14: -1.0})[0]
    both = 'reach = "control", keep = true'
    began, ended = said({3: -4.0, 7: -1.0, 14: 1.0, 28: 6.0}, ask=both)[:2]
    assert began.endswith("on day 3; from when on is not settled.")
    assert ended.startswith("No longer within")
    (never,) = told({3: -6.0, 7: -6.0, 14: -6.0}, ask=both)
    assert never.said.answers == (
        "Not within 1\N{NO-BREAK SPACE}point of “Cold” on any day up to day 14, the last.",
    )
    (open_ends,) = told({3: -1.0, 7: 0.9, 14: -1.0}, ask=both)
    assert headline(open_ends).startswith(
        "Sourness (0 to 20): from when on, and until when, it was within"
    )
    (began,) = told({3: -6.0, 7: 0.9, 14: -1.0}, ask=both)
    (answer,) = began.said.answers
    assert answer.endswith("on day 3; from when on, and until when, is not settled.")


def test_what_was_kept_is_told_from_both_ends():
    truth = {1: 0.0, 7: 0.0, 21: 0.0, 42: -4.0}
    (found,) = followed(truth, ask="keep = true", tasters=16)
    assert (found.reached, found.kept) == (None, Bracket(after=21.0, by=42.0))
    assert [day.verdict for day in found.days] == ["alike"] * 3 + ["different"]
    assert [day_word(found, day) for day in found.days] == ["still there"] * 3 + ["no longer"]
    assert "no longer from day 42 on" in said(truth, ask="keep = true", tasters=16)[0]


def test_what_arrives_and_leaves_has_two_brackets():
    truth = {1: -4.0, 7: 0.0, 14: 0.0, 42: 4.0}
    (found,) = followed(truth, ask='reach = "control", keep = true', tasters=20)
    assert found.reached == Bracket(after=1.0, by=7.0)
    assert found.kept == Bracket(after=14.0, by=42.0)
    assert [day_word(found, day) for day in found.days] == [
        "not yet",
        "there",
        "there",
        "no longer",
    ]


@pytest.mark.parametrize(("side", "by"), [("at least", 10.0), ("at most", None)])
def test_a_level_is_reached_on_its_side_whatever_moved_the_evenings(side, by):
    ask = f'reach = 8, side = "{side}"'
    (found,) = followed(RISING, ask=ask, evenings=True, drift=1.5, tasters=16)
    assert (found.against, found.reached.by) == ("level", by)
    names = name_all([Variant(name=it, label=it) for it in ("Cold", "Oak")], "Cold", "jar")
    there = f"t 8\N{NO-BREAK SPACE}points or {'more' if side == 'at least' else 'less'}"
    assert there in say_course(found, names, several=False).answers[0]
    means = [day.found.mean for day in found.days]
    assert np.abs(np.diff(means[2:])).max() < 0.8  # evenings differ by 1.5


def test_without_a_cup_that_stayed_there_is_a_trend_only():
    changes = {"evenings": True, "kept": ""}
    half_sour, cold = followed(RISING, **changes)
    assert (half_sour.against, cold.series) == ("nothing", "cold")
    assert half_sour.alpha == 0.05  # the control’s own course answers nothing, and shares none
    assert isinstance(half_sour.reached, NoResult)
    assert [day.verdict for day in half_sour.days] == [None] * 5
    told = " ".join(said(RISING, **changes))
    assert "so the days may have changed and not the food" in told
    declared = followed(RISING, ask="same_control = true", **changes)
    assert [found.against for found in declared] == ["control"]


def test_that_the_days_may_have_changed_stands_once_on_the_page_and_in_every_alt(tmp_path):
    content = compose_report(analyse(put(tmp_path / "t", files(RISING, evenings=True, kept=""))))
    warning = "No cup stayed the same, so the days may have changed and not the food"
    assert content.answer.count(warning) == 1
    (days,) = (part for part in content.sections if part.name == "days")
    assert warning not in " ".join((*days.paragraphs, *(chart.title for chart in days.charts)))
    assert content.picture.title.startswith("Half sour: whether sourness")
    assert all(chart.alt.count(warning) == 1 for chart in days.charts)
    post = blog(content)
    assert "Everything was held against" not in post
    assert "- **Cold**" in post.partition("This was tasted:")[2]


def test_a_level_is_held_against_in_one_sitting_or_with_a_control_that_stayed():
    ask = "reach = 8"
    against = [followed(RISING, ask=ask, kept="", evenings=it)[0].against for it in (False, True)]
    assert against == ["level", "nothing"]


@pytest.mark.parametrize("seed", [3, 4, 8])
@pytest.mark.parametrize("level", [None, 8.0])
def test_what_comes_and_goes_is_shown_by_holm_and_by_sequences_from_both_ends(seed, level):
    target = level or '"control"'
    ask, truth = f"reach = {target}, keep = {target}", {1: -5.0, 7: -1, 14: 0, 42: -1.5, 50: -4.0}
    (found,) = followed(truth, ask=ask, tasters=9, seed=seed, sd=1.3)
    values = found.values
    lower, upper = (stats.ttest_1samp(values, end, alternative=way).pvalue
                    for end, way in ((level or -1, "greater"), (1, "less")))  # fmt: skip
    inside = np.maximum(lower, 0 if level else upper)
    there = multipletests(inside, method="holm")[1] <= 0.05 / 3
    two_sided = stats.ttest_1samp(values, 0).pvalue
    below = stats.ttest_1samp(values, level or -1, alternative="less").pvalue
    gone = (below if level else two_sided) <= 0.05 / 3
    ends = np.logical_and.accumulate(gone) | np.logical_and.accumulate(gone[::-1])[::-1]
    kinds = np.array(["open", "alike", "different", "slight"])[there + 2 * ends]
    assert [day.verdict for day in found.days] == kinds.tolist()
    first, last = np.array([*truth])[there][[0, -1]] if there.any() else (None, None)
    assert (found.reached.by, found.kept.after) == (first, last)


def test_a_line_crosses_the_end_of_the_margin_that_is_left_behind():
    truth = {1: 0.5, 7: -1.0, 14: -2.75, 21: -4.5}
    (found,) = followed(truth, ask="keep = true")
    slope, intercept = np.polyfit([*truth], found.values.mean(axis=0), 1)
    assert found.line.day == pytest.approx((-1 - intercept) / slope)


def test_other_attributes_are_shown_beside_a_level_and_not_held_against_it():
    made = files(RISING, ask='reach = 8, attribute = "sourness"')
    head, *rows = made["scores.csv"].split("\n")
    made["scores.csv"] = "\n".join([f"{head},salt", *(f"{r},{r.split(',')[3]}" for r in rows)])
    made["trial.toml"] = made["trial.toml"].replace(
        '[{ name = "sourness" }]', '[{ name = "sourness" }, { name = "salt" }]'
    )
    trial, table, _, ages = read(made)
    sour, salt = compare_course(trial, table, ages)
    assert (sour.against, salt.against, sour.primary, salt.primary) == (
        "level", "control", True, False
    )  # fmt: skip
    assert sour.reached.by == 10
    assert (salt.reached, {day.verdict for day in salt.days}) == (None, {None})
    assert not any(it.primary for it in compare_course(trial, table, ages, exploratory=True))


def test_a_series_is_held_against_the_control_of_each_evening_in_any_order():
    made = files(RISING, evenings=True, drift=3.0)
    (jar,) = compare_course(*read(made)[:2], read(made)[3])
    name, several = "half-sour", [f"d{day}" for day in sorted(RISING, reverse=True)]
    variants = "".join(f'[[variant]]\nname = "{it}"\nseries = "{name}"\n' for it in several)
    made = {
        "trial.toml": made["trial.toml"].replace(f'[[variant]]\nname = "{name}"\n', variants),
        "batches.csv": made["batches.csv"].rpartition("\n")[0]
        + "".join(f"\n{it} jar,{it},{START}," for it in several),
        "scores.csv": re.sub(rf"s(\d+),(T..),{name}", r"s\1,\2,d\1", made["scores.csv"]),
    }
    trial, table, _, ages = read(made)
    (series,) = compare_course(trial, table, ages)
    assert series.values.tolist() == jar.values.tolist()


def test_the_trend_answers_where_neither_end_can_be_told():
    ask = 'reach = "control", keep = true'
    both = told(STEADY, evenings=True, drift=0.0, kept="", ask=ask)[0]
    assert headline(both).startswith("Half sour, sourness (0 to 20) rose by ")
    assert both.because[0].startswith("“Half sour”: When it was within 1\xa0point of ")


def test_a_label_that_begins_as_an_answer_does_is_none():
    trial, table, _, ages = read(files(STEADY, evenings=True, drift=0.0, kept=""))
    named = replace(trial, attributes=(replace(trial.attributes[0], label="Stillness"),))
    found = compare_course(named, table, ages)[0]
    names = name_all(trial.variants, trial.control, "jar")
    said = say_course(found, names, several=False)
    head = headline(replace(found, said=said))
    assert head.startswith("Stillness (0 to 20) rose by ")


def test_a_mean_over_its_days_makes_nothing_alike():
    trial, table, jars, ages = read(files(dict.fromkeys(RISING, 0.0), evenings=True, tasters=30))
    (without,), (with_days,) = (compare_trial(trial, table, jars, known) for known in (None, ages))
    assert without.comparisons[0].verdict == "alike"
    assert with_days.comparisons[0].verdict == "open"
    assert "look at its days one by one" in with_days.comparisons[0].because


def test_series_share_alpha_and_one_is_first_only_where_the_brackets_say_so():
    made = files(RISING, series=("oak", "plain"), tasters=16)
    rows = [line.split(",") for line in made["scores.csv"].split("\n")]
    for row in rows[1:]:  # plain is there from the first day on
        shift = RISING[int(row[2].removeprefix("plain-d"))] if "plain" in row[2] else 0
        row[3] = str(int(row[3]) - int(shift)) if shift else row[3]
    trial, table, _, ages = read({**made, "scores.csv": "\n".join(map(",".join, rows))})
    oak, plain = compare_course(trial, table, ages)
    assert (oak.alpha, plain.alpha) == (0.025, 0.025)
    assert plain.reached.by <= oak.reached.after
    assert which_first([oak, plain]) == "“plain” was there before “oak”."
    assert which_first([oak, oak]) == ""
    assert which_first(followed(RISING, series=("a", "b"))) == "Which was first is not settled."


def test_acceptance_is_counted_day_by_day_and_by_exact_binomials():
    accept = {3: 0.0, 7: 0.3, 10: 1.0, 14: 1.0, 21: 1.0}
    (found,) = followed(RISING, ask='reach = "control", accept = "would_eat"', accept=accept)
    days = found.acceptance.shares.days
    assert [day.asked for day in days] == [12] * 5
    tails = [stats.binomtest(day.yes, 12, alternative="greater").pvalue for day in days]
    assert [day.p_more for day in days] == pytest.approx(tails)
    assert found.acceptance.shares.passed.by == 10.0


@pytest.mark.parametrize(
    ("ask", "half", "shares"),
    [
        ('keep = true, accept = "would_eat"', 0.25, 0.25),  # who refuse
        ('reach = "control", accept = "would_eat"', 0.25, 0.75),  # who would have it
    ],
)
def test_the_share_in_question_is_of_those_who_refuse(ask, half, shares):
    accept = {3: 0.0, 7: 0.3, 10: 1.0, 14: 1.0, 21: 1.0}
    (found,) = followed(RISING, ask=f"{ask}, half = {half}", accept=accept)
    assert found.acceptance.share == shares


@pytest.mark.parametrize("ask", ['reach = "control"', 'reach = "control", keep = true'])
@pytest.mark.parametrize("first", [0, 3])
def test_a_day_of_turning_is_fitted_from_day_nought_on_where_nobody_is_to_turn_back(ask, first):
    accept = {first: 0.0, 7: 0.3, 10: 0.8, 14: 1.0, 21: 0.9 if "keep" in ask else 1.0}
    truth = dict.fromkeys(accept, 0.0)
    (found,) = followed(truth, ask=f'{ask}, accept = "would_eat"', accept=accept, tasters=16)
    assert isinstance(found.acceptance.fit, NoResult) == ("keep" in ask)
    assert found.acceptance.to_and_fro == ()


@pytest.mark.parametrize(
    ("keep", "share", "told"),
    [
        (True, 1.0, "Fewer than half refused it on any day up to day 21 (0 of 12), the last."),
        (True, 0.0, "More than half refused it from day 3 on (12 of 12), the first."),
        (False, 0.0, "Fewer than half would have it on any day up to day 21 (0 of 12), the last."),
        (False, 1.0, "More than half would have it from day 3 on (12 of 12), the first."),
    ],
)
def test_all_of_one_mind_on_every_day_is_said_once(keep, share, told):
    ask = 'keep = true, accept = "would_eat"' if keep else 'accept = "would_eat"'
    assert told in said(RISING, ask=ask, accept=dict.fromkeys(RISING, share))


NEVER, HALF = "Fewer than half would have it", "more than half"


@pytest.mark.parametrize(
    ("shares", "tasters", "said_of_both"),
    [
        (
            (1, 1, 1, 1, 0),
            12,
            f"More than half would have it on day 3 (12 of 12), the first. Still {HALF} on day 14 "
            "(12 of 12); fewer again from day 21 on (0 of 12).",
        ),
        (
            (0, 0, 1, 0, 0),
            12,
            f"{NEVER} up to day 7 (0 of 12); {HALF} on day 10 (12 of 12). Fewer again from day 14 "
            "on (0 of 12).",
        ),
        (
            (0, 1, 1, 1, 1),
            12,
            f"{NEVER} up to day 3 (0 of 12); {HALF} on day 7 (12 of 12). Still {HALF} on day 21 "
            "(12 of 12), the last.",
        ),
        ((0, 0, 0, 0, 0), 12, f"{NEVER} on any day up to day 21 (0 of 12), the last."),
        (
            (0, 0.5, 0.5, 0.5, 0),
            12,
            f"{NEVER} up to day 3 (0 of 12); more was never shown, not even on "
            "day 10 (6 of 12). Fewer than half from day 21 on (0 of 12).",
        ),
        (
            (1, 1, 1, 1, 0),
            4,
            f"When and until when {HALF} would have it is not settled: 4 of 4 on day 3 and 0 of 4 "
            "on day 21.",
        ),
        (
            (0, 1, 1, 1, 0),
            4,
            f"When and until when {HALF} would have it is not settled: 0 of 4 on day 3, 4 of 4 on "
            "day 7 and 0 of 4 on day 21.",
        ),
    ],
)
def test_where_acceptance_rises_and_falls_both_ends_are_told(shares, tasters, said_of_both):
    accept = dict(zip(RISING, shares, strict=True))
    ask = 'reach = "control", keep = true, accept = "would_eat"'
    told = " ".join(said(RISING, ask=ask, accept=accept, tasters=tasters))
    assert f" {said_of_both} " in told


def test_a_table_without_the_column_of_acceptance_has_none_where_another_has_it():
    accept = dict.fromkeys(RISING, 1.0)
    ask = 'reach = "control", accept = "would_eat"'
    made = files(RISING, ask=ask, accept=accept, tasters=4)
    head, *rows = made["scores.csv"].splitlines()
    parts = [line.rpartition(",")[0] for line in (head, *rows[:6])], [head, *rows[6:]]
    names = ("scores.csv", "ballots/1-T04.csv")
    read_in = [
        read_table("\n".join(it).encode(), name) for it, name in zip(parts, names, strict=True)
    ]
    table, _ = build_table(parse_trial(made["trial.toml"]), FolderTables(scores=tuple(read_in)))
    assert np.isnan(table.accepted).tolist() == [True] * 6 + [False] * 18


def test_answers_to_and_fro_are_listed_and_still_count():
    made = files(RISING, ask='keep = true, accept = "would_eat"', accept=dict.fromkeys(RISING, 1))
    rows = made["scores.csv"].replace("T03,half-sour-d7,", "T03,half-sour-d7,;").split("\n")
    rows = [re.sub(r";(\d+),yes", r"\1,no", row) for row in rows]
    trial, table, _, ages = read({**made, "scores.csv": "\n".join(rows)})
    (found,) = compare_course(trial, table, ages)
    assert found.acceptance.to_and_fro == ("T03",)
    assert [day.yes for day in found.acceptance.shares.days] == [0, 1, 0, 0, 0]


def test_a_taster_of_one_day_is_left_out_of_the_trend_and_listed():
    made = files(RISING)
    rows = [r for r in made["scores.csv"].split("\n") if not re.search(r"T05,half-sour-d[^3]", r)]
    trial, table, _, ages = read({**made, "scores.csv": "\n".join(rows)})
    (found,) = compare_course(trial, table, ages)
    assert found.left_out == ("T05 tasted on one day only, and is not in the trend.",)
    assert "T05" not in found.tasters
    assert [day.found.tasters for day in found.days] == [12, 11, 11, 11, 11]


def test_one_day_is_too_few_and_two_make_no_trend():
    (one,) = followed({7: -2.0})
    assert one.left_out == ()
    assert one.reached.reason == "All cups were of one age; two are needed."
    (two,) = followed({3: -4.0, 7: 0.0}, tasters=20)
    assert two.reached == Bracket(after=3.0, by=7.0)
    assert "three" in two.trend.reason
    told = said({7: -2.0}, ask='reach = "control", keep = true')
    assert len(told) == len(set(told)) == 2


def test_days_between_sittings_are_the_question_and_no_caution():
    trial, _, jars, _ = read(files(RISING, evenings=True))
    assert "went on fermenting" in " ".join(differences_in_words(replace(trial, course=None), jars))
    assert "went on fermenting" not in " ".join(differences_in_words(trial, jars))


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("date = 2026-08-07", "", 'session "s6" has no date'),
        ("half-sour jar,half-sour,2026-08-01,", "half-sour jar,half-sour,,", "has no started"),
        ("half-sour jar,", "jar 2,half-sour,,\nhalf-sour jar,", 'batch "jar 2" has no started'),
        ("half-sour,2026-08-01,", "half-sour,2026-08-09,", "half-sour in session s6: .* -2 days"),
        ("half-sour jar,", "jar 2,half-sour,2026-07-09,\nhalf-sour jar,", "of 29 days, .* of 6"),
    ],
)
def test_a_cup_without_an_age_or_of_two_is_told_before_the_blind_is_lifted(
    tmp_path, old, new, found
):
    made = files({6: -2.0, 12: 0.0}, evenings=True)
    made = {name: text.replace(old, new) for name, text in made.items()}
    folder = put(tmp_path / "trial", made)
    problem, *more = examine(folder).problems
    assert re.search(found, problem.found)
    assert {it.slug for it in more} <= {problem.slug}
    with pytest.raises(TrialError, match=found):
        analyse(folder)


def test_check_counts_the_days_and_sees_a_control_that_moved(tmp_path):
    folder = put(tmp_path / "trial", files({3: -4.0, 7: 0.0}, evenings=True, kept=""))
    told = " ".join(note.text for note in examine(folder).notes)
    assert "half-sour: cups of 3 and 7 days: a trend needs three." in told
    assert "write same_control = true" in told


def test_cups_of_an_evening_without_the_control_are_left_out_and_told():
    made = files(RISING, evenings=True)
    kept = [row for row in made["scores.csv"].split("\n") if not row.startswith(("s7,", "s7;"))]
    alone = [row for row in made["scores.csv"].split("\n") if re.match("s7,.*half-sour", row)]
    trial, table, _, ages = read({**made, "scores.csv": "\n".join(kept + alone)})
    (found,) = compare_course(trial, table, ages)
    assert "No control was tasted in session s7, so its cups are left out." in found.left_out
    assert isinstance(found.days[1].found, NoResult)
    assert found.days[1].verdict is None
    moved = {**made, "batches.csv": made["batches.csv"].replace(",2026-07-30", ",")}
    trial_, table_, _, ages_ = read({**moved, "scores.csv": "\n".join(kept + alone)})
    assert compare_course(trial_, table_, ages_)[0].left_out == ()  # nothing is held against it
    labelled = [replace(it, label=it.name.replace("s", "day ")) for it in trial.sessions]
    (found,) = compare_course(replace(trial, sessions=tuple(labelled)), table, ages)
    assert "No control was tasted in day 7, so its cups are left out." in found.left_out


def test_a_column_of_answers_that_is_nowhere_is_missed(tmp_path):
    folder = put(tmp_path / "trial", files(RISING, ask='accept = "would_eat"'))
    assert [each.column for each in examine(folder).problems] == ["would_eat"]


def test_it_is_the_same_through_codes_a_seal_and_pseudonyms(tmp_path):
    names = "Aunt Nr{}"
    folder = put(tmp_path / "trial", files(RISING, names=names, evenings=True))
    scores = {row["taster"] + row["variant"]: row for row in rows_of(folder / "scores.csv")}
    assert len(scores) == 24  # the last evening's
    plain = analyse(folder).course[0]
    uncoded = [*rows_of(folder / "scores.csv")]
    (folder / "scores.csv").unlink()
    listed = ", ".join(f'"{names.format(n)}"' for n in range(1, 13))
    trial = folder / "trial.toml"
    trial.write_text(f"{trial.read_text()}[tasting]\ntasters = [{listed}]\n")
    draw_blind(folder, datetime.date(2026, 8, 1))
    given = {(r["session"], r["taster"], r["variant"]): r["sourness"] for r in uncoded}
    rows = [
        f"{r['session']},{r['taster']},{r['code']},{given[r['session'], r['taster'], r['variant']]}"
        for r in rows_of(folder / "key.csv")
    ]
    (folder / "scores.csv").write_text("\n".join(["session,taster,code,sourness", *rows]))
    lift_blind(folder, datetime.date(2026, 8, 30), lambda _: "unknown")
    found = analyse(folder).course[0]
    assert (found.reached, found.trend.slope) == (plain.reached, plain.trend.slope)
    assert all(re.fullmatch(r"P\d\d", taster) for taster in found.tasters)


@pytest.fixture(scope="module")
def analysed(tmp_path_factory):
    """One sitting with answers, in a folder."""
    accept = {3: 0.0, 7: 0.3, 10: 1.0, 14: 1.0, 21: 1.0}
    ask = 'reach = "control", accept = "would_eat"'
    folder = tmp_path_factory.mktemp("course") / "half-sours"
    return analyse(put(folder, files(RISING, ask=ask, accept=accept, tasters=16)))


def test_a_terminal_has_a_row_a_day_in_80_columns(analysed):
    lines = comparison_table(analysed).split("\n")
    at = next(n for n, line in enumerate(lines) if line.startswith("  Day"))
    assert [line.split()[0] for line in lines[at + 1 : at + 6]] == ["3", "7", "10", "14", "21"]
    assert max(map(len, lines)) <= 80


def test_a_frame_has_a_row_a_day(analysed):
    frame = Compared(analysis=analysed).days_frame()
    assert frame["day"].tolist() == [*RISING]
    assert frame["found_interval_low"].lt(frame["found_mean"]).all()
    assert frame["variants"].tolist() == [f"half-sour-d{day}" for day in RISING]


@pytest.fixture(scope="module")
def record(analysed):
    return to_record(analysed)


def test_everything_is_in_json_and_its_reference(record):
    record = json.loads(json.dumps(record, allow_nan=False))
    (course,) = record["course"]
    page = JSON_PAGE.read_text(encoding="utf-8")
    item = r"^- \*\*`course\[\](\S*)`\*\*(?:: ((?:`\w+`(?:, )?)+))?.*\n((?:  - .*\n)+)"
    rows = {
        at: {*re.findall(r"\w+", names), *re.findall(r"^  - `(\w+)`", lines, re.MULTILINE)}
        for at, names, lines in re.findall(item, page, re.MULTILINE)
    }
    parts = {
        "": course, ".by_day[]": course["by_day"][0], ".trend": course["trend"],
        ".by_day[].found": course["by_day"][0]["found"], ".page": course["page"],
        ".reached": course["reached"], ".acceptance": course["acceptance"],
        ".acceptance.days[]": course["acceptance"]["days"][0],
    }  # fmt: skip
    for at, part in parts.items():
        named = {name.removesuffix("_reason") for name in part}
        assert rows[at] - {"kept", "lost"} == named  # until when was not asked


def test_who_answered_to_and_fro_is_named_in_json_only_where_tasters_are_shown(analysed):
    (found,) = analysed.course
    own = replace(found, acceptance=replace(found.acceptance, to_and_fro=("T03",)))
    for shown, named in ((True, ["T03"]), (False, [])):
        trial = replace(analysed.trial, tasters_shown=shown)
        (made,) = trial_record(replace(analysed, trial=trial, course=(own,)))["course"]
        assert list(made["acceptance"]["to_and_fro"]) == named


def test_four_who_agree_on_every_day_have_no_interval_in_a_sentence():
    # R. A. Fisher 1935: all four in one direction in 2 of 2^4 flips of signs
    text = " ".join(said({3: -4.0, 7: -2.0, 10: 0.0}, tasters=4, sd=0, drift=0))
    assert (
        "Whether sourness changed over the days is not settled (all four found the same change, "
        "1 in 8 by chance)."
    ) in text
    assert "caught up" not in text


def test_a_panel_that_never_scatters_is_still_json(tmp_path):
    made = files({3: -4.0, 7: 0.0}, evenings=True, tasters=4, sd=0, drift=0)
    record = to_record(analyse(put(tmp_path / "trial", made)))
    assert json.dumps(record, allow_nan=False)
    assert record["attributes"][0]["session_interaction"]["f"] is None


def test_scipy_finds_the_same(analysed, record):
    table = recompute(analysed.table.to_frame(analysed.trial), record | {"attributes": []})
    ours = table[table["number"].str.contains("slope|day")]
    assert len(ours) == 5 * 3 + 2
    assert ours["difference"].abs().max() < 1e-8


def test_a_rule_of_days_that_was_changed_after_the_seal_is_told(tmp_path):
    folder = put(tmp_path / "trial", files(RISING))
    (folder / "scores.csv").unlink()
    trial = folder / "trial.toml"
    trial.write_text(trial.read_text() + "[tasting]\ntasters = 6\n")
    draw_blind(folder, datetime.date(2026, 8, 1))
    trial.write_text(trial.read_text().replace("course = {  }", "course = { keep = true }"))
    assert "course from" in " ".join(note.text for note in examine(folder).notes)


def test_false_claims_are_as_rare_as_they_are_said_to_be():
    """Own simulation: 200 panels of 8, evenings that differ; three standard errors are allowed.

    The food stands at the margin throughout, so that neither a trend nor an arrival is true.
    """
    trial, table, _, ages = read(files({3: 0.0, 7: 0.0, 14: 0.0}, evenings=True, tasters=8))
    rng, trends, there = np.random.default_rng(5), 0, 0
    for _ in range(200):
        mood = rng.normal(0, 0.5, 3)[table.session]
        noise = np.rint(10 + mood + rng.normal(0, 1.3, table.session.size))
        scores = noise - (table.variant == 1)
        (found,) = compare_course(trial, replace(table, scores=scores[:, None]), ages)
        trends += found.trend.p_value <= 0.05
        there += found.reached.by is not None
    assert trends / 200 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 200)
    assert there / 200 <= 0.025 + 3 * np.sqrt(0.025 * 0.975 / 200)
