"""How many sets a question of "can anybody tell?" needs: exact, without simulation."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass

import numpy as np

from blindspoon import wording
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
    half = ABLE.index(0.5)
    lower = every[max(planned - NEAR, 1) - 1 : max(planned - 1, 0)]
    no_less = (few for few in lower if few.chances[half] >= every[planned - 1].chances[half] > 0)
    leaner = next(no_less, None)
    wanted = [n * a_taster // several for n in tasters] or [planned, *USUAL]
    shown = {n for n in (*wanted, leaner.tests if leaner else 0) if 0 < n <= MOST}
    difference = tuple(_of_difference(every, planned, leaner))
    alike = (_of_alike(choice, every),)
    told = (*alike, *difference) if choice.ask == "alike" else (*difference, *alike)
    return ChoiceSizing(
        choice=choice, alpha=alpha, planned=planned,
        rows=tuple(every[n - 1] for n in sorted(shown)),
        sentences=(*told, *_of_scores(choice, every, alpha)),
    )  # fmt: skip


def _every(choice: Choice, alpha: float) -> list[ChoiceSize]:
    """Say what each number of sets from 1 to `MOST` can show."""
    tests, guess = np.arange(1, MOST + 1), choice.how.guess
    needed = fc.needed(tests, guess, alpha / 2 if choice.two_sided else alpha)
    most = fc.most_alike(tests, guess, choice.can_tell, alpha)
    able = np.array([guess + share * (1 - guess) for share in ABLE])[:, None]
    columns = (
        tests, needed, fc.upper_tail(needed, tests, guess) * (1 + choice.two_sided),
        fc.upper_tail(needed, tests, able).T, most, 1 - fc.upper_tail(most + 1, tests, guess),
        most >= guess * tests,
    )  # fmt: skip
    return [
        ChoiceSize(
            tests=n, needed=right if right <= n else None, true_alpha=luck, chances=tuple(chances),
            most=few if possible else None, chance_alike=alike if possible else 0.0,
        )
        for n, right, luck, chances, few, alike, possible in zip(
            *(column.tolist() for column in columns), strict=True
        )
    ]  # fmt: skip


def _first(every: Sequence[ChoiceSize], chance: Callable[[ChoiceSize], float]) -> int:
    """Find the first number of sets with a chance as high as wanted; 0 where there is none."""
    return next((row.tests for row in every if chance(row) >= WANTED), 0)


def _of_difference(
    every: Sequence[ChoiceSize], planned: int, leaner: ChoiceSize | None
) -> Iterator[str]:
    half = ABLE.index(0.5)
    if planned:
        row, sets = every[planned - 1], wording.count(planned, "set")
        if row.needed is None:
            yield f"{sets} cannot show a difference, even if all are right."
        else:
            yield (
                f"{sets}: {row.needed} right are needed to show a difference; luck alone brings "
                f"them in {wording.percent(row.true_alpha)} of such trials."
            )
        if leaner:
            few, more = (wording.number(size.chances[half], 2) for size in (leaner, row))
            yield (
                f"{leaner.tests} sets do no worse than {planned}: if half can tell, the chance to "
                f"show it is {few} and {more}."
            )
    enough = _first(every, lambda row: row.chances[half])
    if enough:
        yield f"If half can tell, {enough} sets show it 8 times in 10 or more."


def _of_alike(choice: Choice, every: Sequence[ChoiceSize]) -> str:
    least = next((row.tests for row in every if row.most is not None), None)
    allowed = percent(choice.can_tell)
    if least is None:
        return f"No number of sets up to {MOST:,} can show that fewer than {allowed} can tell."
    return (
        f"That fewer than {allowed} can tell cannot be shown with fewer than {least} sets"
        f"; {_first(every, lambda row: row.chance_alike)} show it 8 times in 10 if nobody can."
    )


def _of_scores(choice: Choice, every: Sequence[ChoiceSize], alpha: float) -> Iterator[str]:
    """Say what scores would need of the same difference, where that is a fraction."""
    if choice.method not in ("triangle", "tetrad", "duo-trio"):
        return
    p = float(fc.PSYCHOMETRIC[choice.method](np.array(FAR)))
    needed = np.array([row.needed or row.tests + 1 for row in every])
    enough = np.flatnonzero(fc.upper_tail(needed, np.arange(1, MOST + 1), p) >= WANTED)
    sets = int(enough[0]) + 1 if enough.size else 0
    reach = fc.deviate(alpha) + fc.deviate(1 - WANTED)
    pairs = math.ceil((reach / (FAR / math.sqrt(2))) ** 2) + 2
    if sets * choice.how.cups > 2 * 2 * pairs:
        yield (
            f"If you can name what differs, score it: a difference of {FAR:g} standard deviations "
            f"of a cup takes about {sets} sets ({sets * choice.how.cups} cups) here, and about "
            f"{pairs} scored pairs ({2 * pairs} cups)."
        )
