"""Every verdict judged again without one taster or session, and by other methods."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import chain
from typing import Literal

import numpy as np

from blindspoon.findings.compare import Scored, contrast_of, only
from blindspoon.findings.comparison import AttributeResult, Comparison
from blindspoon.findings.rule import Kind, direction_of
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import Contrast, NoResult, Record, as_record
from blindspoon.trial import Attribute, Trial, Variant

MOST_TASTERS = 60
"""Tasters up to whom each is left out in turn; one of so many carries little of the answer."""

MOST_SCORES = 4_000_000
"""Scores that one kind of alternative may refit in all; a million take about half a second."""

ONE_TASTER = "one taster"

Name = Literal["taster", "session", "procedure", "ordinal"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One variant on one attribute, judged another way.

    The verdict is None where the alternative gives nothing to be judged, for the `reason`;
    "not_shown" is what ordered categories say where they show no difference. The direction is -1 or
    1 of a difference that is shown; `changed` tells whether it or the verdict is another than
    declared.
    """

    attribute: Attribute
    variant: Variant
    verdict: Kind | Literal["not_shown"] | None
    direction: int
    difference: float | None
    p_adjusted: float | None
    changed: bool
    reason: str

    @property
    def key(self) -> tuple[str, str]:
        return self.attribute.name, self.variant.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """The trial analysed another way, with an outcome for each verdict that this speaks of."""

    name: Name
    left_out: str
    outcomes: tuple[Outcome, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotDone:
    """An alternative that was not taken, and why, as a sentence with its full stop."""

    name: Name = field(metadata={"name": "alternative"})
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """What the verdicts, as they are declared, hang on.

    Alternatives are without tasters first, in the order of ``ScoreTable.tasters``, then without
    sessions, then methods.
    """

    declared: tuple[Outcome, ...]
    alternatives: tuple[Alternative, ...]
    not_done: tuple[NotDone, ...]

    def of(self, name: Name) -> tuple[Alternative, ...]:
        return tuple(way for way in self.alternatives if way.name == name)

    def moved(self, name: Name) -> dict[tuple[str, str], tuple[tuple[str, Outcome], ...]]:
        """Give who was left out, and the outcome, of each attribute and variant that moves."""
        found: dict[tuple[str, str], tuple[tuple[str, Outcome], ...]] = {}
        for way in self.of(name):
            for outcome in way.outcomes:
                if outcome.changed:
                    found[outcome.key] = (*found.get(outcome.key, ()), (way.left_out, outcome))
        return found

    @property
    def fragile(self) -> frozenset[tuple[str, str]]:
        """What leaving out any one of more than half the tasters changes: attribute, variant."""
        tasters = len(self.of("taster"))
        return frozenset(it for it, ways in self.moved("taster").items() if 2 * len(ways) > tasters)

    def to_rows(self, *, shown: bool) -> list[Record]:
        """Write one flat row an outcome; unless tasters are `shown`, their order names none."""
        rows = [
            {"alternative": way.name, "left_out": way.left_out or None}
            | {part.name: getattr(outcome, part.name) for part in fields(outcome)}
            | {"attribute": outcome.attribute.name, "variant": outcome.variant.name}
            for way in self.alternatives
            for outcome in way.outcomes
        ]
        if shown:
            return rows
        tasters = [row | {"left_out": ONE_TASTER} for row in rows if row["alternative"] == "taster"]
        tasters.sort(key=lambda row: [str(cell) for cell in row.values()])
        return [*tasters, *(row for row in rows if row["alternative"] != "taster")]

    def to_record(self, *, shown: bool) -> Record:
        rows = self.to_rows(shown=shown)
        for row in rows:  # the reason stands beside what it explains, where there is one
            reason = row.pop("reason")
            row.update({"verdict_reason": reason} if reason else {})
        return {"outcomes": rows, "not_done": [as_record(way) for way in self.not_done]}


def judged(
    result: AttributeResult,
    comparison: Comparison,
    contrast: Contrast | NoResult,
    lost: Kind | None = "open",
) -> Outcome:
    """Judge a contrast by the rule; without a result nothing is settled, or it is `lost`."""
    found = None if isinstance(contrast, NoResult) else contrast
    kind = lost if found is None else result.kind_of(found)
    direction = direction_of(kind, found)
    return Outcome(
        attribute=comparison.attribute,
        variant=comparison.variant,
        verdict=kind,
        direction=direction,
        difference=None if found is None else found.difference,
        p_adjusted=None if found is None else found.p_adjusted,
        changed=bool(kind) and (kind, direction) != (comparison.verdict, comparison.direction),
        reason=contrast.reason if isinstance(contrast, NoResult) else "",
    )


def judge_again(trial: Trial, table: ScoreTable, result: AttributeResult) -> list[Outcome]:
    """Judge an attribute of this table by the procedure that decides."""
    scored = Scored(trial, table, trial.attributes.index(result.attribute))
    held = replace(result, sittings=scored.sittings())
    if result.by == "mixed" or any(found.unanimous for found in result.comparisons):
        fit = scored.mixed()
        contrasts: dict[str, Contrast | NoResult] = {
            variant.name: contrast_of(fit, place) for place, variant in enumerate(trial.variants)
        }
        contrasts |= scored.agreed(fit)
    else:
        others = (other.variant.name for other in result.others)
        contrasts = dict(zip(others, scored.ranks(), strict=True))
    return [judged(held, it, contrasts[it.variant.name]) for it in result.comparisons]


def study_influence(
    trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]
) -> Influence:
    """Judge every comparison again without one taster, without one session, and by other methods.

    Leaving out one case at a time to see what an answer hangs on: R. D. Cook (1977),
    Technometrics 19:15-18.
    """
    compared = [result for result in results if result.comparisons]
    every = [(result, it) for result in compared for it in result.comparisons]
    taken = (
        *_in_turn(trial, table, compared, "taster"),
        *_in_turn(trial, table, compared, "session"),
        Alternative(
            name="procedure",
            left_out="",
            outcomes=tuple(judged(result, it, it.contrasts[1], None) for result, it in every),
        ),
        _as_categories(trial, table, compared),
    )
    return Influence(
        declared=tuple(judged(result, it, it.contrasts[0]) for result, it in every),
        alternatives=tuple(way for way in taken if isinstance(way, Alternative)),
        not_done=tuple(way for way in taken if isinstance(way, NotDone)),
    )


def _in_turn(
    trial: Trial,
    table: ScoreTable,
    compared: Sequence[AttributeResult],
    name: Literal["taster", "session"],
) -> Iterator[Alternative | NotDone]:
    """Leave out one taster, or one session, after the other, unless there is a reason not to."""
    of_tasters = name == "taster"
    codes, labels = (table.taster, table.tasters) if of_tasters else (table.session, table.sessions)
    several, cups, reason = np.unique(codes).tolist(), table.taster.size, ""
    refits = len(several) * len(compared)
    if len(several) < 2:
        alone = "There is one taster only, on whom everything hangs."
        reason = alone if of_tasters else "There was one session only."
    elif of_tasters and len(several) > MOST_TASTERS:
        reason = (
            f"With {len(several):,} tasters one of them can hardly move an answer; each is left "
            f"out in turn up to {MOST_TASTERS} tasters."
        )
    elif any(result.unit == "round" for result in compared):
        reason = "Comparing the rounds of one taster again without each in turn takes too long."
    elif refits * cups > MOST_SCORES:
        reason = (
            f"It would take {refits:,} refits of {cups:,} cups; up to {MOST_SCORES:,} it is done."
        )
    if reason:
        yield NotDone(name=name, reason=reason)
        return
    for code in several:
        kept = only(table, codes != code)
        again = chain(*(judge_again(trial, kept, result) for result in compared))
        yield Alternative(name=name, left_out=labels[code], outcomes=tuple(again))


def _as_categories(
    trial: Trial, table: ScoreTable, compared: Sequence[AttributeResult]
) -> Alternative | NotDone:
    """Say whether ordered categories show a difference; they cannot show that there is none."""
    from blindspoon.stats.ordinal import compare_ordinal  # noqa: PLC0415 - start-up time

    columns = (table.scores[:, trial.attributes.index(result.attribute)] for result in compared)
    fits = [
        compare_ordinal(scores, table.taster, table.variant, control=trial.control_index)
        for scores in columns
    ]
    reasons = [fit.reason for fit in fits if isinstance(fit, NoResult)]
    if len(reasons) == len(fits):
        return NotDone(name="ordinal", reason=(*reasons, "Nothing was compared.")[0])
    outcomes = []
    for result, fit in zip(compared, fits, strict=True):
        reason = fit.reason if isinstance(fit, NoResult) else "Nobody scored this variant."
        found = {} if isinstance(fit, NoResult) else {one.variant: one for one in fit}
        for comparison in result.comparisons:
            outcome = judged(result, comparison, NoResult(reason), None)
            if contrast := found.get(trial.variants.index(comparison.variant)):
                differs = contrast.p_adjusted <= result.alpha
                direction = int(np.sign(contrast.log_odds)) if differs else 0
                outcome = replace(
                    outcome,
                    verdict="different" if differs else "not_shown",
                    direction=direction,
                    p_adjusted=contrast.p_adjusted,
                    changed=direction != comparison.direction,
                    reason="",
                )
            outcomes.append(outcome)
    return Alternative(name="ordinal", left_out="", outcomes=tuple(outcomes))
