"""Simulated tastings are what their situation says, and tables are those of such a folder."""

from __future__ import annotations

import numpy as np
import pytest

from blindspoon.files.text_table import FolderTables, read_table
from blindspoon.scores.score_table import build_table
from tests.calibration.situations import SITUATIONS, TRUTHS, truths, who_differs

NAMES = [each.name for each in SITUATIONS]


def as_csv(trial, table):
    rows = ["session,taster,variant,batch,position,texture"]
    cups = zip(table.session, table.taster, table.variant, table.batch, table.position,
               table.scores[:, 0], strict=True)  # fmt: skip
    for session, taster, variant, batch, position, score in cups:
        names = [table.sessions[session], table.tasters[taster], trial.variants[variant].name]
        names.append(table.batches[batch] if batch >= 0 else "")
        rows.append(",".join([*names, str(position), repr(float(score))]))
    return "\n".join(rows).encode()


@pytest.mark.parametrize("variants", [4, 5])
@pytest.mark.parametrize("name", NAMES)
def test_tables_are_those_that_the_same_scores_in_a_folder_give(simulated, name, variants):
    for trial, table in simulated(name, truth="one", variants=variants, tasters=7, trials=2):
        read, _ = build_table(
            trial, FolderTables(scores=(read_table(as_csv(trial, table), "scores.csv"),))
        )
        assert (table.tasters, table.sessions) == (read.tasters, read.sessions)
        for field in ("taster", "session", "variant", "position", "scores"):
            assert np.array_equal(getattr(table, field), getattr(read, field)), field
        jars = [np.array([*each.batches, ""])[each.batch] for each in (table, read)]
        assert np.array_equal(*jars)
        assert len(set(jars[0])) == (3 * variants if "jars" in name else 1)
        if name != "missing":  # the plan was balanced; scores alone cannot tell
            assert table.balanced is read.balanced is (name != "incomplete")


def test_a_missing_cup_leaves_the_plan_balanced(simulated):
    assert all(table.balanced for _, table in simulated("missing"))


@pytest.mark.parametrize("name", NAMES)
def test_shares_of_missing_scores(simulated, name):
    found = simulated(name, trials=100 if name == "missing" else 20)
    sessions = next(each.sessions for each in SITUATIONS if each.name == name)
    cups = 8 * (3 if name == "incomplete" else 4) * sessions
    missing = 1 - np.mean([len(table.scores) for _, table in found]) / cups
    assert missing == pytest.approx(0.15 if name == "missing" else 0.0, abs=0.025)


def test_every_trial_has_a_seed_of_its_own(simulated):
    assert len({trial.seed for trial, _ in simulated("normal")}) == 20


def test_incomplete_sets_lack_one_variant_and_never_the_control(simulated):
    for _, table in simulated("incomplete", tasters=9, trials=3):
        served = np.zeros((9, 4), dtype=int)
        served[table.taster, table.variant] += 1
        assert (served[:, 0] == 1).all()
        assert (served[:, 1:].sum(axis=1) == 2).all()
        assert (served[:, 1:].sum(axis=0) == 6).all()


@pytest.mark.parametrize("name", NAMES)
def test_scores_are_steps_of_the_scale(grid, situation, name):
    scores, scale = grid(name), situation(name).scale
    scores = scores[np.isfinite(scores)]
    steps = (scores - scale.low) / scale.step
    assert np.abs(steps - np.round(steps)).max() < 1e-7
    assert scale.low <= scores.min() < scores.max() <= scale.high


@pytest.mark.parametrize(
    ("name", "sds"),
    [
        ("normal", (1.2, 1.2, 1.2, 1.2)),
        ("wide-control", (2.4, 1.2, 1.2, 1.2)),
        ("wide-variant", (1.2, 1.2, 1.2, 2.4)),
    ],
)
def test_spreads(grid, name, sds):
    # tasters' 1.2 points and rounding to whole points (1/12) come on top; the ends take a little
    variances = grid(name)[..., 0].var(axis=(0, 1))
    expected = np.array(sds) ** 2 + 1.2**2 + 1 / 12
    assert variances == pytest.approx(expected, rel=0.15)


def correlation(first, second):
    return np.corrcoef(first.ravel(), second.ravel())[0, 1]


@pytest.mark.parametrize(
    ("name", "opinion"), [("normal", 0.0), ("disagreement", 1.44), ("disagreement-twice", 1.44)]
)
def test_scores_of_a_taster_correlate(grid, name, opinion):
    scores = grid(name)
    total = 1.44 + opinion + 1.44 + 1 / 12
    across = correlation(scores[:, :, 0], scores[:, :, 1])
    assert across == pytest.approx(1.44 / total, abs=0.03)
    if name == "disagreement-twice":
        again = correlation(scores[..., 0], scores[..., 1])
        assert again == pytest.approx((1.44 + opinion) / total, abs=0.03)


def ties(scores):
    return np.mean(scores[:, :, 1] == scores[:, :, 0])


def test_five_points_tie_and_tenths_do_not(grid):
    assert ties(grid("five-points")) > 0.35
    assert ties(grid("heavy-tails")) < 0.05


def test_tails(grid):
    def kurtosis(name):
        difference = grid(name)[:, :, 1] - grid(name)[:, :, 0]
        return (difference**4).mean() / (difference**2).mean() ** 2

    assert kurtosis("normal") == pytest.approx(3.0, abs=0.15)
    assert kurtosis("heavy-tails") > 4.2


@pytest.mark.parametrize(("name", "more"), [("position", 1.0), ("normal", 0.0)])
def test_the_first_cup_gets_more_only_where_it_should(simulated, name, more):
    tables = [table for _, table in simulated(name, trials=400)]
    scores = np.concatenate([table.scores[:, 0] for table in tables])
    first = np.concatenate([table.position for table in tables]) == 1
    assert scores[first].mean() - scores[~first].mean() == pytest.approx(more, abs=0.1)


@pytest.mark.parametrize("truth", TRUTHS)
@pytest.mark.parametrize("name", NAMES)
def test_mean_differences_are_the_true_ones(grid, situation, name, truth):
    true = truths(situation(name), truth, 4)
    scores = grid(name, truth=truth)
    differences = (scores[:, :, 1:] - scores[:, :, :1]).reshape(-1, 3, scores.shape[3])
    wanted = np.array(who_differs(truth, 4)) * situation(name).margin
    assert true.means == pytest.approx(wanted, abs=1e-9)
    means = np.nanmean(differences, axis=(0, 2))
    assert means == pytest.approx(wanted, abs=0.07)
