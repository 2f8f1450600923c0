"""The sweep gives the same for any number of workers, and sees a procedure that is broken."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from types import SimpleNamespace

import pytest

from blindspoon.findings.compare import compare_trial, judge
from blindspoon.stats.results import Interval
from tests.calibration import calibrate
from tests.calibration.calibrate import held_to_limits, is_beyond, rate
from tests.calibration.course_rates import Cell
from tests.calibration.situations import SITUATIONS

NORMAL, FIVE = SITUATIONS[:2]


@pytest.mark.slow
def test_workers_change_nothing():
    def run(jobs):
        asked = {"trials": 120, "seed": 3, "tasters": [12], "variants": [4], "situations": [FIVE]}
        return calibrate.calibrate(**asked, n_jobs=jobs)

    assert run(1) == run(2)


@pytest.fixture
def unjudged(monkeypatch):
    """Note the simulated trials that would be judged, each with its seed; compare nothing."""
    noted = []

    def note(trial, table):
        noted.append((trial.seed, len(table.tasters), table.scores.tobytes()))
        return (SimpleNamespace(comparisons=()),)

    monkeypatch.setattr(calibrate, "compare_trial", note)
    return noted


def test_a_cell_is_the_same_whatever_else_is_asked(unjudged):
    """Its simulated trials are, to the last score; the verdicts follow from these alone."""
    calibrate.calibrate(trials=4, seed=3, tasters=[6], variants=[4], situations=[NORMAL])
    alone = [*unjudged]
    unjudged.clear()
    calibrate.calibrate(
        trials=4, seed=3, tasters=[4, 6], variants=[3, 4], situations=[FIVE, NORMAL]
    )
    assert len(alone) == len({*alone}) == 4 + 2 + 2
    assert {*alone} < {*unjudged}
    assert len(unjudged) == 8 * len(alone)


def test_trials_of_a_cell_and_progress(unjudged):
    seen = []
    found = calibrate.calibrate(
        trials=8, seed=3, tasters=[4, 20], variants=[4], situations=[NORMAL],
        progress=lambda done, of: seen.append((done, of)),
    )  # fmt: skip
    assert Counter(tasters for _, tasters, _ in unjudged) == {4: 8 + 4 + 4, 20: 4 + 2 + 2}
    cells = found.to_record()["cells"]
    trials = {(cell["tasters"], cell["truth"]): cell["trials"] for cell in cells}
    assert [trials[4, truth] for truth in ("none", "one", "all")] == [8, 4, 4]
    assert [trials[20, truth] for truth in ("none", "one", "all")] == [4, 2, 2]
    assert seen == [(done, 6) for done in range(7)]


@pytest.fixture
def compared(monkeypatch):
    """Draw and compare each trial once, however often the same trials are judged."""
    found, tables, draw = {}, {}, calibrate.simulate

    def drawn(*asked):
        if asked[:-1] not in tables:  # the last is the generator, in the same state each time
            tables[asked[:-1]] = [*draw(*asked)]
        return tables[asked[:-1]]

    def compare(trial, table):
        key = table.scores.tobytes()
        if key not in found:
            found[key] = compare_trial(trial, table)
        return found[key]

    monkeypatch.setattr(calibrate, "compare_trial", compare)
    monkeypatch.setattr(calibrate, "simulate", drawn)
    return compare


def breaking(monkeypatch, compared, **changes):
    """Put a fault into every comparison by the mixed model."""

    def broken(comparison):
        mixed = comparison.mixed
        return replace(
            comparison, mixed=replace(mixed, **{name: how(mixed) for name, how in changes.items()})
        )

    def compare(trial, table):
        (result,) = compared(trial, table)
        return (judge(trial, table, replace(result, others=tuple(map(broken, result.others)))),)

    monkeypatch.setattr(calibrate, "compare_trial", compare)


def count(truth="none", trials=40):
    panel = Cell(situation=NORMAL, variants=5, tasters=6, truth=truth)
    counts = calibrate.count_chunk(3, panel, 0, trials)
    mixed, ranks = (
        {question: rate(*pair) for (own, question), pair in counts.items() if own == by and pair[1]}
        for by in ("mixed", "ranks")
    )
    return mixed, ranks


def unadjusted(contrast):
    half = 0.8 * (contrast.interval.high - contrast.difference)
    return Interval(contrast.difference - half, contrast.difference + half)


def test_p_values_left_unadjusted_are_seen(monkeypatch, compared):
    """With 40 trials a rate has to be above .127 to be beyond its limit; with more, above less."""
    sound, ranks = count()
    assert not is_beyond("false_alarm", sound["false_alarm"])
    assert not is_beyond("coverage", sound["coverage"])
    breaking(monkeypatch, compared, p_adjusted=lambda each: each.p_value, interval=unadjusted)
    broken, same = count()
    assert broken["false_alarm"].value > 0.1
    assert is_beyond("false_alarm", broken["false_alarm"])
    assert is_beyond("coverage", broken["coverage"])
    assert same == ranks


def test_not_shown_so_alike_is_seen(monkeypatch, compared):
    sound, _ = count("all", 20)
    assert not is_beyond("false_alike", sound["false_alike"])
    breaking(monkeypatch, compared, equivalence_interval=lambda _: Interval(0.0, 0.0))
    broken, _ = count("all", 20)
    assert is_beyond("false_alike", broken["false_alike"])


@pytest.mark.slow
@pytest.mark.parametrize("name", [each.name for each in SITUATIONS])
def test_a_short_calibration_holds_its_limits(situation, name):
    found = calibrate.calibrate(
        trials=400, seed=20260906, tasters=[6, 12], situations=[situation(name)], n_jobs=-1
    )
    assumed = [each for each in held_to_limits(found.rates) if each.assumed]
    assert assumed
    assert [each for each in assumed if each.beyond] == []
