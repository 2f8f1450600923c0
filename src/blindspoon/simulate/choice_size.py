"""How many sets a question of "can anybody tell?" needs: exact, without simulation."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass

import numpy as np

from blindspoon import wording
from blindspoon.arrays import FloatArray, IntArray
from blindspoon.findings.choices import percent
from blindspoon.scores.sets import chosen_by
from blindspoon.simulate.panels import WANTED
from blindspoon.stats import forced_choice as fc
from blindspoon.trial import Choice, Trial

ABLE = (0.3, 0.5, 0.7)
"""Shares who can tell, for which the chance to show it is told."""
FAR = 1.5
"""A difference in standard deviations of a cup that most people notice; common practice."""
USUAL = (12, 18, 24, 36, 48, 72)
MOST = 1000
NEAR = 4
"""How many fewer sets are tried for a number that wastes nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceSize:
    """What one number of sets can show.

    Parameters
    ----------
    tests : int
        Sets a variant.
    needed : int or None
        Right answers that show a difference; None where not even all would.
    true_alpha : float
        Chance that guessing brings so many.
    chances : tuple of float
        To show a difference if so many of `ABLE` can tell.
    most : int or None
        Right answers up to which they are alike; None where so few sets cannot show it.
    chance_alike : float
        To show that if nobody can tell.
    """

    tests: int
    needed: int | None
    true_alpha: float
    chances: tuple[float, ...]
    most: int | None
    chance_alike: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceSizing:
    """What numbers of sets can show.

    Parameters
    ----------
    choice : Choice
    alpha : float
        A variant's, if several share it.
    planned : int
        Sets a variant that are planned; 0 where trial.toml does not tell.
    rows : tuple of ChoiceSize
    sentences : tuple of str
    """

    choice: Choice
    alpha: float
    planned: int
    rows: tuple[ChoiceSize, ...]
    sentences: tuple[str, ...]

    def to_record(self) -> dict[str, object]:
        """Give everything as plain values, for JSON."""
        return {
            "method": self.choice.method,
            "alpha": self.alpha,
            "planned": self.planned or None,
            "can_tell": list(ABLE),
            "allowed": self.choice.can_tell,
            "tests": [asdict(row) | {"chances": list(row.chances)} for row in self.rows],
            "sentences": [text.replace(wording.NO_BREAK, " ") for text in self.sentences],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Every:
    """The same for every number of sets from 1 to `MOST`, as arrays."""

    needed: IntArray
    true_alpha: FloatArray
    chances: FloatArray
    most: IntArray
    chance_alike: FloatArray
    possible: FloatArray

    def row(self, tests: int) -> ChoiceSize:
        """Say what one number of sets can show."""
        at = tests - 1
        needed, possible = int(self.needed[at]), bool(self.possible[at])
        return ChoiceSize(
            tests=tests, needed=needed if needed <= tests else None,
            true_alpha=float(self.true_alpha[at]), chances=tuple(self.chances[:, at].tolist()),
            most=int(self.most[at]) if possible else None,
            chance_alike=float(self.chance_alike[at]) if possible else 0.0,
        )  # fmt: skip


def size_choice(trial: Trial, tasters: Sequence[int] = ()) -> ChoiceSizing:
    """Say what numbers of sets can show.

    Parameters
    ----------
    trial : Trial
        Has a choice.
    tasters : sequence of int
        Numbers to try; the planned one and the usual ones where empty.
    """
    choice = chosen_by(trial)
    several = len(trial.variants) - 1
    a_taster = choice.sets * max(len(trial.sessions), 1)
    alpha = trial.share_of_alpha("choice") / several
    planned = choice.tests or len(trial.tasting.tasters) * a_taster // several
    planned = min(planned, MOST)
    every = _every(choice, alpha)
    wanted = [n * a_taster // several for n in tasters] or [planned, *USUAL]
    shown = {n for n in wanted if 0 < n <= MOST}
    leaner = _leaner(every, planned) if planned else 0
    rows = tuple(map(every.row, sorted(shown | ({leaner} if leaner else set()))))
    return ChoiceSizing(
        choice=choice, alpha=alpha, planned=planned, rows=rows,
        sentences=tuple(_sentences(choice, every, planned, leaner, alpha)),
    )  # fmt: skip


def _every(choice: Choice, alpha: float) -> _Every:
    tests, guess = np.arange(1, MOST + 1), choice.how.guess
    needed = fc.needed(tests, guess, alpha / 2 if choice.two_sided else alpha)
    most = fc.most_alike(tests, guess, choice.can_tell, alpha)
    able = np.array([guess + share * (1 - guess) for share in ABLE])[:, None]
    return _Every(
        needed=needed, true_alpha=fc.upper_tail(needed, tests, guess) * (1 + choice.two_sided),
        chances=fc.upper_tail(needed, tests, able), most=most,
        chance_alike=1 - fc.upper_tail(most + 1, tests, guess),
        possible=np.asarray(most >= guess * tests, float),
    )  # fmt: skip


def _leaner(every: _Every, planned: int) -> int:
    """Find a number of sets somewhat below the planned one that shows no less; 0 where none is."""
    half = every.chances[ABLE.index(0.5)]
    lower = range(max(planned - NEAR, 1), planned)
    return next((n for n in lower if half[n - 1] >= half[planned - 1] and half[n - 1] > 0), 0)


def _first(chances: FloatArray) -> int:
    """Find the first number of sets with a chance as high as wanted; 0 where there is none."""
    enough = np.flatnonzero(chances >= WANTED)
    return int(enough[0]) + 1 if enough.size else 0


def _sentences(
    choice: Choice, every: _Every, planned: int, leaner: int, alpha: float
) -> Iterator[str]:
    difference = tuple(_of_difference(every, planned, leaner))
    alike = tuple(_of_alike(choice, every))
    yield from (*alike, *difference) if choice.ask == "alike" else (*difference, *alike)
    yield from _of_scores(choice, every, alpha)


def _of_difference(every: _Every, planned: int, leaner: int) -> Iterator[str]:
    if planned:
        row = every.row(planned)
        sets = wording.count(planned, "set")
        if row.needed is None:
            yield f"{sets} cannot show a difference, even if all are right."
        else:
            yield (
                f"{sets}: {row.needed} right are needed to show a difference; luck alone brings "
                f"them in {wording.percent(row.true_alpha)} of such trials."
            )
    if leaner:
        few, more = every.row(leaner), every.row(planned)
        at = ABLE.index(0.5)
        yield (
            f"{leaner} sets do no worse than {planned}: if half can tell, the chance to show it is "
            f"{wording.number(few.chances[at], 2)} and {wording.number(more.chances[at], 2)}."
        )
    enough = _first(every.chances[ABLE.index(0.5)])
    if enough:
        yield f"If half can tell, {enough} sets show it 8 times in 10 or more."


def _of_alike(choice: Choice, every: _Every) -> Iterator[str]:
    possible, allowed = np.flatnonzero(every.possible), percent(choice.can_tell)
    if not possible.size:
        yield f"No number of sets up to {MOST:,} can show that fewer than {allowed} can tell."
        return
    yield (
        f"That fewer than {allowed} can tell cannot be shown with fewer than {possible[0] + 1} sets"
        f"; {_first(every.chance_alike * every.possible)} show it 8 times in 10 if nobody can."
    )


def _of_scores(choice: Choice, every: _Every, alpha: float) -> Iterator[str]:
    """Say what scores would need of the same difference, where that is a fraction."""
    if choice.method not in ("triangle", "tetrad", "duo-trio"):
        return
    p = float(fc.PSYCHOMETRIC[choice.method](np.array(FAR)))
    sets = _first(fc.upper_tail(every.needed, np.arange(1, MOST + 1), p))
    reach = fc.deviate(alpha) + fc.deviate(1 - WANTED)
    pairs = math.ceil((reach / (FAR / math.sqrt(2))) ** 2) + 2
    if sets * choice.how.cups > 2 * 2 * pairs:
        yield (
            f"If you can name what differs, score it: a difference of {FAR:g} standard deviations "
            f"of a cup takes about {sets} sets ({sets * choice.how.cups} cups) here, and about "
            f"{pairs} scored pairs ({2 * pairs} cups)."
        )
