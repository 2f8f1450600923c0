"""What a trial found: every variant against the control, on every attribute.

A difference is always variant minus control, in points of the attribute's scale.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from blindspoon.batches.differences import WhatDiffers
from blindspoon.batches.summary import Made
from blindspoon.errors import Note
from blindspoon.files.text_table import FolderTables
from blindspoon.findings.choices import ChoiceFound
from blindspoon.findings.course import CourseFound
from blindspoon.findings.naming import Naming, naming
from blindspoon.findings.rule import By, Kind, direction_of, kind_of
from blindspoon.scores.score_table import ScoreTable
from blindspoon.scores.standing import Standing
from blindspoon.stats.assumptions import ONE_SITTING, Flag, HeldSittings
from blindspoon.stats.results import (
    Contrast,
    Friedman,
    Interval,
    MixedContrast,
    MixedFit,
    NoResult,
    RankContrast,
    Unanimous,
)
from blindspoon.trial import Attribute, Trial, Variant

Blinding = Literal["blind", "under codes", "not shown"]
Unit = Literal["taster", "round"]  # what is compared within: tasters, or the rounds of the only one


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """One variant against the control on one attribute, by both procedures, and its verdict.

    - `tasters` scored this variant and the control, the only one in so many `rounds`; 0 where
      several tasted
    - `servings`: scored cups of this variant; means are plain ones of the scores
    - `by`: the procedure that decides: the declared one, but ranks where one person tasted alone
    - `unanimous`: what decides where nothing scatters
    - `verdict`, `verdict_by_other`: by the procedure that decides, and by the other, None where it
      gives no result; nothing is settled before `judge` has applied the rule
    """

    attribute: Attribute
    variant: Variant
    tasters: int
    rounds: int = 0
    servings: int
    mean_control: float
    mean_variant: float
    mixed: MixedContrast | NoResult
    ranks: RankContrast | NoResult
    by: By
    unanimous: Unanimous | None = None
    verdict: Kind = "open"
    verdict_by_other: Kind | None = None
    because: str = ""

    @property
    def contrasts(self) -> tuple[Contrast | NoResult, Contrast | NoResult]:
        """What the procedure that decides gives, and what the other one gives."""
        if self.unanimous is not None:
            return self.unanimous, self.unanimous
        return (self.mixed, self.ranks) if self.by == "mixed" else (self.ranks, self.mixed)

    @property
    def found(self) -> Contrast | None:
        """What the procedure that decides found; None where it gave no result."""
        decides, _ = self.contrasts
        return None if isinstance(decides, NoResult) else decides

    @property
    def interval(self) -> Interval | None:
        """The interval that decides: of a variant that is alike, that of equivalence."""
        if self.found is None:
            return None
        equivalent = self.found.equivalence_interval if self.verdict == "alike" else None
        return equivalent or self.found.interval

    @property
    def differs(self) -> bool:
        return self.verdict in ("different", "slight")

    @property
    def direction(self) -> int:
        return direction_of(self.verdict, self.found)

    @property
    def disputed(self) -> bool:
        """Whether the second procedure reaches another verdict."""
        return self.verdict_by_other not in (None, self.verdict)


@dataclass(frozen=True, slots=True, kw_only=True)
class NotCompared:
    """A variant that could not be compared on an attribute, and why."""

    attribute: Attribute
    variant: Variant
    reason: str
    verdict: None = None
    direction: int = 0
    found: None = None
    interval: None = None

    @property
    def because(self) -> str:
        return f"“{self.variant.label}” was not compared: {self.reason.rstrip('.')}."


Other = Comparison | NotCompared  # one of the variants but the control


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeResult:
    """All variants against the control on one attribute, in the order of the trial.

    `alpha` is the share at which it is decided and its intervals are drawn. Variants that were
    older from sitting to sitting are `aged`, by their position: a mean over the days does not make
    them alike. Flags are of variants, the control among them, whose scores spread wide or stand at
    an end.
    """

    attribute: Attribute
    primary: bool
    alpha: float
    friedman: Friedman | NoResult
    mixed: MixedFit | NoResult
    others: tuple[Other, ...]
    by: By
    unit: Unit = "taster"
    sittings: HeldSittings | NoResult = ONE_SITTING
    aged: frozenset[int] = frozenset()
    flags: tuple[Flag, ...] = ()

    def kind_of(self, found: Contrast, *, p_adjusted: float | None = None) -> Kind:
        """Apply the rule to what a procedure found of a variant, as `kind_of` says."""
        margin, sittings = self.attribute.margin, self.sittings
        steady = found.variant not in self.aged and (
            isinstance(sittings, NoResult)
            or (margin is not None and sittings.steady(found.variant, margin))
        )
        return kind_of(
            found, margin=margin if steady else None, alpha=self.alpha, p_adjusted=p_adjusted
        )

    @property
    def moved(self) -> HeldSittings | None:
        """The sittings, where differences were shown to move from one to another."""
        sittings = self.sittings
        return None if isinstance(sittings, NoResult) or not sittings.moved else sittings

    @property
    def comparisons(self) -> tuple[Comparison, ...]:
        return tuple(other for other in self.others if isinstance(other, Comparison))

    @property
    def not_compared(self) -> tuple[NotCompared, ...]:
        return tuple(other for other in self.others if isinstance(other, NotCompared))


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """One trial, read, compared and judged.

    - `folder`, `fingerprint`: its name, and SHA-256 of the files that the answer depends on, in
      hexadecimal
    - `results`: in the order of ``trial.attributes``
    - `made`: None where nothing was written down of the batches
    - `notes`: what is worth knowing about the files
    - `standing`: when it was sealed and lifted, and what was changed since
    - `tables`: what was read, tasters under pseudonyms
    - `photos`: the host's pictures as they lie in the folder; never published as they are
    - `choices`: whether anybody could tell, a variant each; empty where that was not asked
    - `course`: how each series changed over the days, the judged attribute first; empty likewise
    """

    folder: str
    fingerprint: str
    trial: Trial
    table: ScoreTable
    results: tuple[AttributeResult, ...]
    made: Made | None
    notes: tuple[Note, ...]
    standing: Standing
    tables: FolderTables
    photos: Mapping[str, bytes] = field(default_factory=dict, repr=False)
    choices: tuple[ChoiceFound, ...] = ()
    course: tuple[CourseFound, ...] = ()

    @property
    def comparisons(self) -> tuple[Comparison, ...]:
        return tuple(found for result in self.results for found in result.comparisons)

    @property
    def ordered(self) -> list[AttributeResult]:
        """The attributes, those declared as primary first, in the order of the declaration."""
        declared = self.trial.decision.primary
        place = {name: at for at, name in enumerate(declared)}
        return sorted(self.results, key=lambda it: place.get(it.attribute.name, len(place)))

    @property
    def names(self) -> Naming:
        return naming(self.trial, self.table, self.made)

    @property
    def differs(self) -> tuple[WhatDiffers, ...]:
        """What set the batches of a variant apart from the control's, where it was written down."""
        return self.made.differs if self.made else ()

    @property
    def different(self) -> set[str]:
        """Names of the variants of which any difference was shown."""
        return {found.variant.name for found in self.comparisons if found.differs}

    @property
    def coded(self) -> bool:
        """Whether cups that were scored or chosen from carried codes."""
        choices = self.table.choices
        return self.table.coded or (choices is not None and choices.coded)

    @property
    def blinding(self) -> Blinding:
        """How far codes, a seal that was kept, and who poured show that it was tasted blind."""
        standing, lift = self.standing, self.standing.lift
        if not self.coded or not standing.key_kept:
            return "not shown"
        unsure = (
            lift is None or lift.poured == "unknown" or standing.texts("a taster may have known")
        )
        return "under codes" if unsure else "blind"

    @property
    def about_days(self) -> bool:
        """Whether the days alone answer the question, so that each age by itself is no answer."""
        return bool(self.course) and not self.trial.primary_attributes

    @property
    def about_sets(self) -> bool:
        """Whether sets of cups answer the question, and no score that was to answer it."""
        primary = any(found.primary for found in self.choices)
        return primary and not any(result.primary for result in self.results)
