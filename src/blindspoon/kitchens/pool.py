"""Kitchens that fit together -> what they found together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blindspoon.compare.mixed import linked
from blindspoon.compare.results import MixedContrast, NoResult
from blindspoon.kitchens.matching import (
    common_attributes,
    common_variants,
    not_common,
    rule_differences,
)
from blindspoon.kitchens.model import pool_scores
from blindspoon.kitchens.results import (
    Kitchen,
    NotPooled,
    Own,
    Pool,
    PooledAttribute,
    PooledComparison,
    PooledFit,
)
from blindspoon.kitchens.sentences import because, claims
from blindspoon.scores import FloatArray, IntArray
from blindspoon.trial import Attribute, Variant
from blindspoon.verdict import Kind, finding, kind_of


def pool(kitchens: Sequence[Kitchen]) -> Pool:
    """Compare every variant with the control over several kitchens.

    Parameters
    ----------
    kitchens : sequence of Kitchen
        Two or more, without `matching_problems`. The rule of the first decides.

    Returns
    -------
    Pool
        What takes no part stands in ``not_pooled`` with its reason.
    """
    first, names = kitchens[0].trial, common_variants(kitchens)
    variants = tuple(first.variant(name) for name in names)
    pooled = [
        _pool_attribute(kitchens, variants, first.attribute(name))
        for name in common_attributes(kitchens)
    ]
    return Pool(
        kitchens=tuple(kitchens),
        variants=variants,
        attributes=tuple(attribute for attribute, _ in pooled),
        not_pooled=(*not_common(kitchens), *(each for _, lost in pooled for each in lost)),
        remarks=(*claims(kitchens), *rule_differences(kitchens)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scored:
    """The scores of one attribute in one kitchen; variants are positions among the common."""

    taster: IntArray
    variant: IntArray
    position: IntArray
    score: FloatArray

    def only(self, variants: IntArray, control: int) -> _Scored:
        """Keep variants that common tasters link with the control; their codes stay."""
        kept = self._rows(np.isin(self.variant, variants))
        if not (kept.variant == control).any():
            return kept._rows(np.zeros(kept.score.size, dtype=bool))
        whole = np.ones(kept.score.size, dtype=bool)
        return kept._rows(linked(kept.taster, kept.variant, control, whole))

    def _rows(self, kept: np.ndarray) -> _Scored:
        return _Scored(
            taster=self.taster[kept],
            variant=self.variant[kept],
            position=self.position[kept],
            score=self.score[kept],
        )


def _scored(kitchen: Kitchen, variants: Sequence[Variant], attribute: str) -> _Scored:
    trial, table = kitchen.trial, kitchen.table
    names = [variant.name for variant in variants]
    codes = np.array([names.index(v.name) if v.name in names else -1 for v in trial.variants])
    score = table.scores[:, [each.name for each in trial.attributes].index(attribute)]
    every = _Scored(
        taster=table.taster, variant=codes[table.variant], position=table.position, score=score
    )
    return every._rows(np.isfinite(score))


def _pool_attribute(
    kitchens: Sequence[Kitchen], variants: Sequence[Variant], attribute: Attribute
) -> tuple[PooledAttribute, tuple[NotPooled, ...]]:
    first, name = kitchens[0].trial, attribute.name
    control = [variant.name for variant in variants].index(first.control)
    scored = [_scored(kitchen, variants, name) for kitchen in kitchens]
    parts, kept, lost = _linked_everywhere(kitchens, scored, variants, control, name)
    alpha = first.share_of_alpha(name)
    fit = _fit(kitchens, parts, kept, control, alpha)
    others = [variants[place] for place in kept if place != control]
    pooled = PooledAttribute(
        attribute=attribute,
        primary=name in first.decision.primary,
        alpha=alpha,
        fit=fit,
        comparisons=tuple(
            _comparison(kitchens, variant, place, attribute, fit, alpha)
            for place, variant in enumerate(others)
        ),
    )
    return pooled, lost


def _linked_everywhere(
    kitchens: Sequence[Kitchen],
    scored: Sequence[_Scored],
    variants: Sequence[Variant],
    control: int,
    attribute: str,
) -> tuple[list[_Scored], IntArray, tuple[NotPooled, ...]]:
    """Keep the variants that tasters link with the control in every kitchen."""
    kept, lost = np.arange(len(variants)), list[NotPooled]()
    while True:
        parts = [part.only(kept, control) for part in scored]
        there = np.array([np.isin(kept, part.variant) for part in parts])
        missing = ~there.all(axis=0) & (kept != control)
        if not missing.any():
            return parts, kept, tuple(lost)
        for place, who in zip(kept[missing], there[:, missing].T, strict=True):
            lacking = [k.name for k, has in zip(kitchens, who, strict=True) if not has]
            reason = f"No taster of {' or '.join(lacking)} links it with the control."
            lost.append(NotPooled(attribute=attribute, variant=variants[place].name, reason=reason))
        kept = kept[~missing]


def _fit(
    kitchens: Sequence[Kitchen],
    parts: Sequence[_Scored],
    kept: IntArray,
    control: int,
    alpha: float,
) -> PooledFit | NoResult:
    """Put the kitchens' rows under one another and fit them."""
    if kept.size < 2:
        return NoResult("No variant but the control was scored in all kitchens.")
    starts = np.cumsum([0, *(len(kitchen.table.tasters) for kitchen in kitchens)])
    placed = all(k.table.balanced and len(k.trial.variants) == kept.size for k in kitchens)
    return pool_scores(
        np.concatenate([part.score for part in parts]),
        np.concatenate([part.taster + start for part, start in zip(parts, starts, strict=False)]),
        np.repeat(np.arange(len(parts)), [part.score.size for part in parts]),
        np.searchsorted(kept, np.concatenate([part.variant for part in parts])),
        control=int(np.searchsorted(kept, control)),
        alpha=alpha,
        position=np.concatenate([part.position for part in parts]) if placed else None,
    )


def _comparison(
    kitchens: Sequence[Kitchen],
    variant: Variant,
    place: int,
    attribute: Attribute,
    fit: PooledFit | NoResult,
    alpha: float,
) -> PooledComparison:
    pooled = fit if isinstance(fit, NoResult) else fit.contrasts[place]
    kind = _kind(pooled, attribute, alpha)
    return PooledComparison(
        attribute=attribute.name,
        variant=variant.name,
        own=tuple(_own(kitchen, attribute.name, variant.name) for kitchen in kitchens),
        pooled=pooled,
        these=_these(fit, place),
        verdict=kind,
        because=because(kind, variant.label, attribute, pooled, alpha),
    )


def _kind(pooled: MixedContrast | NoResult, attribute: Attribute, alpha: float) -> Kind:
    found = finding(pooled)
    return "open" if found is None else kind_of(found, margin=attribute.margin, alpha=alpha)


def _own(kitchen: Kitchen, attribute: str, variant: str) -> Own:
    return Own(
        kitchen=kitchen.name,
        alpha=kitchen.trial.share_of_alpha(attribute),
        mixed=kitchen.own(attribute, variant),
    )


def _these(fit: PooledFit | NoResult, place: int) -> MixedContrast | NoResult:
    if isinstance(fit, NoResult):
        return fit
    return fit.these if isinstance(fit.these, NoResult) else fit.these[place]
