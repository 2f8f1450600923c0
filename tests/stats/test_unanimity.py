"""All tasters agree exactly: what a binomial and the rounding of scores leave."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from blindspoon.files.text_table import FolderTables, read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.compare import compare_trial
from blindspoon.scores.score_table import build_table
from blindspoon.stats.mixed import (
    enough_to_be_alike,
    enough_to_differ,
    rounded_to,
    unanimous,
)

TOML = """
[trial]
title = "Crisp cucumbers"
control = "plain"
[decision]
margin = {margin}
by = "{by}"
[scale]
low = 0
high = 10
step = 1
[[attribute]]
name = "texture"
more = "crisper"
[[variant]]
name = "plain"
[[variant]]
name = "leaf"
"""


def judged(tasters, shift, margin=1.0, by="mixed"):
    shifts = shift if isinstance(shift, list) else [shift] * tasters
    lines = ["taster,variant,texture"]
    for number, own in enumerate(shifts):
        level = 2 + number % 4
        lines += [f"T{number},plain,{level}", f"T{number},leaf,{level + own}"]
    trial = parse_trial(TOML.format(margin=margin, by=by))
    table, _ = build_table(
        trial, FolderTables(scores=(read_table("\n".join(lines).encode(), "scores.csv"),))
    )
    (comparison,) = compare_trial(trial, table)[0].comparisons
    return comparison


@pytest.mark.parametrize("n", [2, 3, 5, 8, 12])
def test_the_chance_is_the_sign_test_and_the_interval_that_of_rounded_scores(n):
    found = unanimous(np.full(n, 2.0), 1, step=0.5, alpha=0.05)
    assert found.p_value == pytest.approx(stats.binomtest(n, n).pvalue)  # both sides
    rounding = stats.uniform(scale=0.5).std()  # of one score
    error = rounding * np.sqrt(2 / n)
    assert found.interval.high - 2 == pytest.approx(stats.t(n - 1).ppf(0.975) * error)
    assert (found.equivalence_interval is None) == (n < 4)


@pytest.mark.parametrize(("alpha", "enough"), [(0.05, 6), (0.025, 7), (0.5, 2), (0.03125, 6)])
def test_so_many_have_to_agree(alpha, enough):
    assert enough_to_differ(alpha) == enough
    assert 2 / 2**enough <= alpha < 2 / 2 ** (enough - 1)


@pytest.mark.parametrize("family", [1, 4, 9])
def test_so_many_are_told_as_would_be_called_alike(family):
    def agreed(n):
        return unanimous(np.zeros(n), 1, step=1.0, alpha=0.05, family=family)

    enough = enough_to_be_alike(agreed(3), 1.0)
    assert agreed(enough).equivalence_interval.within(1.0)
    fewer = agreed(enough - 1).equivalence_interval
    assert fewer is None or not fewer.within(1.0)


@pytest.mark.parametrize("by", ["mixed", "ranks"])
@pytest.mark.parametrize(
    ("tasters", "shift", "margin", "verdict"),
    [
        (5, 2, 1.0, "open"),
        (6, 2, 1.0, "different"),
        (8, -2, 1.0, "different"),
        (3, 0, 2.0, "open"),
        (4, 0, 1.0, "alike"),
        (6, 0, 0.4, "open"),
        (8, 1, 2.0, "slight"),
        (5, 1, 2.0, "alike"),
    ],
)
def test_verdicts_of_a_panel_that_agrees(by, tasters, shift, margin, verdict):
    assert judged(tasters, shift, margin, by).verdict == verdict


def test_its_sentences():
    assert judged(8, 2).because == (
        "All eight put the leaf batch exactly 2\xa0points crisper than the plain batch "
        "(1 in 128 by chance); "
        "in whole points that means 1.7 to 2.3 more."
    )
    assert judged(5, 2).because == (
        "All five put the leaf batch exactly 2\xa0points crisper than the plain batch "
        "(1 in 16 by chance); "
        "five cannot settle it. Six who agree would."
    )
    assert judged(8, -2).because.startswith(
        "All eight put the leaf batch exactly 2\xa0points lower on texture than"
    )
    assert judged(3, 0).because.endswith("1.0 more. Four who agree would show it alike.")


def test_by_ranks_five_who_agree_in_direction_are_told_what_would_settle_it():
    said = judged(5, [1, 2, 3, 2, 1], by="ranks").because
    told = "All five put it higher; five cannot settle it (1 in 16 by chance). Six who agree would."
    assert told in said
    for shifts in ([4, 2, 3, -1, 5], [4, 2, 3, 0, 5]):
        assert "cannot settle" not in judged(5, shifts, by="ranks").because


@pytest.mark.parametrize(
    ("scores", "step"), [([1, 4, 7], 1.0), ([1.5, 4], 0.5), ([1.2, 4], 0.1), ([1.23, 4], None)]
)
def test_where_any_number_was_allowed_the_step_is_read_from_the_scores(scores, step):
    assert rounded_to(np.array([*scores, np.nan])) == step
