"""What a trial found: every variant against the control, on every attribute.

A difference is always variant minus control, in points of the attribute's scale.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from blindspoon import wording
from blindspoon.batches.differences import WhatDiffers
from blindspoon.batches.summary import Made
from blindspoon.errors import Note
from blindspoon.files.text_table import FolderTables
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

if TYPE_CHECKING:
    from blindspoon.findings.choices import ChoiceFound
    from blindspoon.findings.course import CourseFound

Kind = Literal["different", "slight", "alike", "open"]
KINDS: tuple[Kind, ...] = ("open", "alike", "different", "slight")
"""By whether it is shown to be alike, plus twice whether it is shown to differ."""
By = Literal["mixed", "ranks"]
Blinding = Literal["blind", "under codes", "not shown"]
Unit = Literal["taster", "round"]  # what is compared within: tasters, or the rounds of the only one

NAMES: dict[Kind, str] = {
    "different": "different",
    "slight": "slightly different",
    "alike": "alike within the margin",
    "open": "not settled",
}
PROCEDURES: dict[By, str] = {"mixed": "the mixed model", "ranks": "the rank comparison"}


def kind_of(
    found: Contrast, *, margin: float | None, alpha: float, p_adjusted: float | None = None
) -> Kind:
    """Apply the rule to one procedure's finding.

    Without a margin, in points, nothing can be slight or alike. A `p_adjusted` over more than the
    variants of one attribute decides in place of the finding's own.

    Different by the adjusted p value; by ranks where the interval leaves zero out, which is the
    same test inverted, but for an estimate of zero: that is never different. Alike and slight by
    two one-sided tests at alpha: the simultaneous interval at level 1 - 2 alpha lies inside the
    margin. D. J. Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657.
    """
    equivalence = found.equivalence_interval
    alike = margin is not None and equivalence is not None and equivalence.within(margin)
    differs = (found.p_adjusted if p_adjusted is None else p_adjusted) <= alpha
    if p_adjusted is None and isinstance(found, RankContrast) and found.interval is not None:
        differs = found.interval.excludes_zero()
    return KINDS[alike + 2 * differs]


def direction_of(kind: Kind | None, found: Contrast | None) -> int:
    """Give 1 or -1 for a difference that was shown towards more or less, otherwise 0."""
    if found is None or kind not in ("different", "slight"):
        return 0
    return -1 if found.difference < 0 else 1


PLAIN = re.compile(r"[^\W\d_]+(?:[ -][^\W\d_]+){0,2}")
"""A label of one to three words, which a sentence can use without quotation marks."""
NO_NOUN = re.compile(r"(as|at|for|from|half|in|like|my|no|on|our|than|the|with|without)\b", re.I)
"""What begins like this is no name for a food in the middle of a sentence: “As always”."""
INNER = str.maketrans("“”", "\N{LEFT SINGLE QUOTATION MARK}’")  # quotation marks within others
LONGEST = 24
VESSELS = {name: f"{name}s" for name in ("jar", "bottle", "crock", "pot", "tub", "barrel")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """What the variants of one trial are called; `plain` if no label needs quotation marks.

    The noun is what each was made in: "jar", or "batch" where that is not written down; empty where
    a variant was tasted from several. So many named `batches` were tasted of the variant that has
    most; 1 where none is named. `these` is "in these jars" where ranks speak of several each and
    cannot speak of the method.
    """

    plain: bool
    noun: str
    control: Variant
    batches: int = 1
    these: str = ""

    @property
    def nouns(self) -> str:
        return VESSELS.get(self.noun, "batches" if self.noun else "")

    @property
    def of_methods(self) -> bool:
        """Whether what decides is held against how far batches of one variant differ."""
        return self.batches > 1 and not self.these

    def short(self, variant: Variant) -> str:
        """Call a variant by its label, as it stands in the middle of a sentence.

        >>> leaf = Variant(name="leaf", label="Vine leaf")
        >>> Naming(plain=True, noun="jar", control=leaf).short(leaf)
        'vine leaf'
        """
        if not self.plain:
            return f"“{variant.label.translate(INNER)}”"
        kept = variant.name[:1].isupper() or variant.label[1:2].isupper() or not variant.label[1:]
        return variant.label if kept else variant.label[:1].lower() + variant.label[1:]

    def subject(self, variants: Sequence[Variant], others: int = 0) -> str:
        """Name one variant or several, and how many others.

        >>> cool, leaf = (Variant(name=it, label=it) for it in ("cool cellar", "leaf jar"))
        >>> names = Naming(plain=True, noun="jar", control=cool)
        >>> names.subject([cool, leaf]), names.subject([leaf], 3)
        ('the cool-cellar and leaf jars', 'the leaf jar and three other jars')
        """
        named = [self.short(variant) for variant in variants]
        if not self.noun:
            more = [f"{wording.spelled(others)} other{'s' if others > 1 else ''}"] * bool(others)
            return wording.listing([*named, *more])
        if self.plain:  # a “Leaf jar” is a jar already
            named = [self._ending.sub("", name).replace(" ", "-") for name in named]
        noun = self.noun if len(named) == 1 else self.nouns
        text = f"the {wording.listing(named)} {noun}"
        other = f" and {wording.spelled(others)} other {self.nouns if others > 1 else self.noun}"
        return text + (other if others else "")

    @property
    def like(self) -> str:
        """Name the control, to compare with it; one whose name is long is only the control."""
        if len(self.control.label) > LONGEST:
            return "the control"
        several = " " in self._ending.sub("", self.control.label)
        bare = not self.noun or not self.plain or several
        return self.short(self.control) if bare else self.subject([self.control])

    @property
    def _ending(self) -> re.Pattern[str]:
        return re.compile(rf" {self.noun}$", re.IGNORECASE)


def naming(trial: Trial, table: ScoreTable, made: Made | None) -> Naming:
    of_control = made.log.of_variant(trial.control) if made else ()
    vessels = " ".join(batch.vessel for batch in of_control)
    noun = next((name for name in VESSELS if re.search(rf"\b{name}\b", vessels)), "batch")
    batches = int(table.batches_tasted(len(trial.variants)).max())
    if batches < 2:
        return name_all(trial.variants, trial.control, noun)
    by_ranks = trial.decision.by == "ranks" or len(table.tasters) == 1
    these = f"in these {VESSELS.get(noun, 'batches')}" if by_ranks else ""
    return replace(name_all(trial.variants, trial.control), batches=batches, these=these)


def name_all(variants: Sequence[Variant], control: str, noun: str = "") -> Naming:
    """Settle what variants are called that were made in `noun`, or in several of them each.

    >>> usual, oak = (Variant(name=it, label=it) for it in ("As always", "Oak"))
    >>> name_all([usual, oak], "As always").like, name_all([oak, usual], "Oak").like
    ('“As always”', '“Oak”')
    """
    labels = [variant.label for variant in variants]
    return Naming(
        plain=all(
            PLAIN.fullmatch(label) and not NO_NOUN.match(label) and len(label) <= LONGEST
            for label in labels
        ),
        noun=noun,
        control=next(variant for variant in variants if variant.name == control),
    )


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
