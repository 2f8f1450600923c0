"""What several kitchens found together, one frozen value a question.

A difference is always variant minus control, in points of the attribute's scale.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from blindspoon.compare.results import AttributeResult, FitNote, MixedContrast, NoResult
from blindspoon.scores import ScoreTable
from blindspoon.trial import Attribute, Trial, Variant
from blindspoon.verdict import Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Kitchen:
    """One repeat of the trial.

    Parameters
    ----------
    name : str
        Of its folder; no other kitchen has it.
    fingerprint : str
        Of its files.
    trial : Trial
    table : ScoreTable
    results : tuple of AttributeResult
        Its own comparisons.
    """

    name: str
    fingerprint: str
    trial: Trial
    table: ScoreTable
    results: tuple[AttributeResult, ...]

    def own(self, attribute: str, variant: str) -> MixedContrast | NoResult:
        """Look up this kitchen's own comparison by the mixed model, or why there is none."""
        result = next(each for each in self.results if each.attribute == attribute)
        for comparison in result.comparisons:
            if comparison.variant == variant:
                return comparison.mixed
        for missing in result.not_compared:
            if missing.variant == variant:
                return NoResult(missing.reason)
        return NoResult("Nobody scored this variant.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """The test that every variant differs from the control alike in all kitchens.

    Parameters
    ----------
    f, df_num, df_den, p_value : float
        Kenward-Roger F test of kitchen by variant as fixed effects.
    """

    f: float
    df_num: float
    df_den: float
    p_value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledFit:
    """The model of one attribute over all kitchens.

    ``score ~ variant + kitchen [+ position] + (1 | taster) [+ (1 | taster:variant)] +
    (1 | kitchen:variant)``, tasters within kitchens.

    Parameters
    ----------
    reml_criterion : float
        Minus twice the restricted log-likelihood, constants included.
    residual_sd, taster_sd : float
        Standard deviations in points.
    taster_variant_sd : float or None
        None where no taster scored any variant twice.
    kitchen_variant_sd : float
        How much what a kitchen makes of a variant scatters around what variant and kitchen
        have in general.
    contrasts : tuple of MixedContrast
        About kitchens like these; one a variant but the control, in order.
    note : FitNote
    these : tuple of MixedContrast, or NoResult
        About these kitchens only, with equal weights: kitchen by variant as fixed effects.
    disagreement : Disagreement or NoResult
    """

    reml_criterion: float
    residual_sd: float
    taster_sd: float
    taster_variant_sd: float | None
    kitchen_variant_sd: float
    contrasts: tuple[MixedContrast, ...]
    note: FitNote
    these: tuple[MixedContrast, ...] | NoResult
    disagreement: Disagreement | NoResult

    @property
    def kitchen_difference_sd(self) -> float:
        """SD of a difference from the control between kitchens, in points.

        A difference has two terms of kitchen by variant, its own and the control's.
        """
        return math.sqrt(2) * self.kitchen_variant_sd


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """What one kitchen found by itself."""

    kitchen: str
    alpha: float
    mixed: MixedContrast | NoResult


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledComparison:
    """One variant against the control on one attribute, over all kitchens.

    Parameters
    ----------
    attribute, variant : str
        Names.
    own : tuple of Own
        One a kitchen, in order.
    pooled : MixedContrast or NoResult
        About kitchens like these; the verdict stands on it.
    these : MixedContrast or NoResult
        About these kitchens only.
    verdict : {"different", "slight", "alike", "open"}
    because : str
        One plain sentence.
    """

    attribute: str
    variant: str
    own: tuple[Own, ...]
    pooled: MixedContrast | NoResult
    these: MixedContrast | NoResult
    verdict: Kind
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledAttribute:
    """All pooled comparisons of one attribute.

    Parameters
    ----------
    attribute : Attribute
        As the first kitchen declares it, its margin included.
    primary : bool
        Whether the first kitchen's trial was declared to answer it.
    alpha : float
        The share of alpha at which it is decided and its pooled intervals are drawn.
    fit : PooledFit or NoResult
    comparisons : tuple of PooledComparison
    """

    attribute: Attribute
    primary: bool
    alpha: float
    fit: PooledFit | NoResult
    comparisons: tuple[PooledComparison, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotPooled:
    """An attribute, a variant, or a variant on one attribute, that takes no part, and why."""

    attribute: str | None
    variant: str | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """What several kitchens found together.

    Parameters
    ----------
    kitchens : tuple of Kitchen
        Two or more; the rule of the first decides.
    variants : tuple of Variant
        Those that all kitchens made, the control among them, as the first kitchen has them.
    attributes : tuple of PooledAttribute
        Those that all kitchens scored, in the order of the first.
    not_pooled : tuple of NotPooled
    remarks : tuple of str
        Sentences: what the pooled claims are about, and where the kitchens' rules differ.
    """

    kitchens: tuple[Kitchen, ...]
    variants: tuple[Variant, ...]
    attributes: tuple[PooledAttribute, ...]
    not_pooled: tuple[NotPooled, ...]
    remarks: tuple[str, ...]

    @property
    def first(self) -> Trial:
        """The trial whose rule decides."""
        return self.kitchens[0].trial

    def variant(self, name: str) -> Variant:
        """Find the variant of that name."""
        return next(variant for variant in self.variants if variant.name == name)
