"""Kitchens that fit together -> each variant against the control by one model of all scores."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import stdtr, stdtrit

from blindspoon import wording
from blindspoon.arrays import FloatArray, IntArray
from blindspoon.findings.naming import Naming, name_all
from blindspoon.findings.pool_checks import (
    Kitchen,
    NotPooled,
    Pool,
    PooledAttribute,
    PooledComparison,
    PooledFit,
    caveats,
    common,
    not_common,
    rule_differences,
)
from blindspoon.findings.rule import PROCEDURES, kind_of
from blindspoon.findings.verdict_in_words import verdict_sentence
from blindspoon.stats.mixed import adjusted, fit_contrasts, linked, position_columns, scatter_sds
from blindspoon.stats.reml import ContrastTest, against, kenward_roger, over_places
from blindspoon.stats.results import FitNote, Interval, MixedContrast, NoResult
from blindspoon.stats.strata import Grid, Layout, make_grid
from blindspoon.trial import Attribute, Variant

ALL_EXACT = (
    "In each kitchen all agreed exactly, so pooling has nothing to weigh differences against; each "
    "kitchen’s own report says what it found."
)


def pool_scores(
    score: FloatArray,
    taster: IntArray,
    kitchen: IntArray,
    variant: IntArray,
    *,
    control: int,
    alpha: float,
    position: IntArray | None = None,
) -> PooledFit | NoResult:
    """Compare every variant with the control over several kitchens, as `PooledFit` says.

    By REML, with Kenward-Roger standard errors and degrees of freedom and Dunnett's adjustment over
    the variants. From two variants beside the control on each is pooled from what the kitchens
    found of it, by its own spread over them, with t on K - 1 degrees of freedom and Bonferroni's
    adjustment: one spread for all would be false where it is not the same, as with a control that
    kitchens make less alike.

    All arrays have shape (n,), a serving each: finite scores, and codes from 0; nobody tasted in
    two kitchens, and every kitchen scored every variant. `alpha`, below 0.5, is the chance of a
    false difference over all variants. The `position` of the serving in its session is a
    categorical fixed effect.

    M. G. Kenward and J. H. Roger (1997), Biometrics 53, 983-997. With two variants in balanced
    trials the difference has the standard error ``s / sqrt(K)`` and ``K - 1`` degrees of freedom,
    where s is the SD of the K kitchens' own differences and their scatter is not estimated as zero:
    J. Hartung and G. Knapp (2001), Statistics in Medicine 20, 3875-3889.

    Two kitchens, two tasters each, whose differences are 1, 2 and 3, 4:

    >>> fit = pool_scores(np.array([4.0, 5, 6, 8, 3, 6, 2, 6]), np.repeat([0, 1, 2, 3], 2),
    ...                   np.repeat([0, 1], 4), np.array([0, 1] * 4), control=0, alpha=0.05)
    >>> pooled, these = fit.contrasts[0], fit.these[0]
    >>> round(pooled.difference, 4), round(pooled.se, 4), round(pooled.df, 4)
    (2.5, 1.0, 1.0)
    >>> round(these.difference, 4), round(these.se, 4), round(these.df, 4)
    (2.5, 0.3536, 2.0)
    """
    if score.min() == score.max():
        return NoResult("All scores are the same, so there is no scatter.")
    kitchens, variants = int(kitchen.max()) + 1, int(variant.max()) + 1
    place = position_columns(position, np.ones(score.size, dtype=bool))
    # columns that sum to zero over kitchens, so that effects are means of kitchens
    apart = np.vstack([np.eye(kitchens - 1), -np.ones(kitchens - 1)])[kitchen]
    own = variant[:, None] == np.arange(variants)
    crossed = (own[:, :, None] * apart[:, None, :]).reshape(score.size, -1)
    like, only = (  # kitchen:variant by random, or by fixed effects
        make_grid(
            Layout(
                taster=taster,
                variant=variant,
                fixed=np.hstack([fixed, place]),
                random=random,
                score=score,
            )
        )
        for fixed, random in (
            (apart, np.eye(kitchens * variants)[kitchen * variants + variant]),
            (crossed, np.empty((score.size, 0))),
        )
    )
    shifts = against(control, variants, like.n_fixed)
    found = fit_contrasts(like, shifts, "tasters or kitchens", ALL_EXACT)
    if isinstance(found, NoResult):
        return found
    fit, test = found
    these, disagreement, own_spread = _these_only(only, control, kitchens, variants, alpha)
    if isinstance(these, NoResult) and variants > 2:
        return these
    residual, cell = scatter_sds(fit, like)
    names = [name.replace("batch", "kitchen:variant") for name in fit.names]
    return PooledFit(
        reml_criterion=fit.at.value,
        residual_sd=residual,
        taster_sd=fit.sd("taster") or 0.0,
        taster_variant_sd=cell,
        kitchen_variant_sd=fit.sd("batch") or 0.0,
        contrasts=own_spread or adjusted(test, np.delete(np.arange(variants), control), alpha),
        note=FitNote(
            converged=fit.converged,
            at_zero=tuple(n for n, value in zip(names, fit.variances, strict=True) if value == 0),
            position=position is not None,
        ),
        these=these,
        disagreement=disagreement,
    )


def _these_only(
    grid: Grid, control: int, kitchens: int, variants: int, alpha: float
) -> tuple[
    tuple[MixedContrast, ...] | NoResult, ContrastTest | NoResult, tuple[MixedContrast, ...]
]:
    """Compare in these kitchens alone, and test whether they disagree.

    That is whether kitchens shift a variant by as much as they shift the control. Last, every
    variant by its own spread over kitchens; none where there is one beside the control.
    """
    found = fit_contrasts(grid, against(control, variants, grid.n_fixed), "tasters")
    if isinstance(found, NoResult):
        return found, found, ()
    fit, test = found
    shifts, df = against(control, variants, variants), kitchens - 1
    crossed = np.kron(shifts, np.eye(df))
    contrasts = np.zeros((len(crossed), grid.n_fixed))
    contrasts[:, variants : variants + crossed.shape[1]] = crossed
    disagreement = kenward_roger(fit.at, contrasts)
    others, own = np.delete(np.arange(variants), control), list[MixedContrast]()
    for variant, shift in zip(others.tolist(), shifts, strict=True) if len(shifts) > 1 else ():
        crossed = np.kron(shift, np.vstack([np.eye(df), -np.ones(df)]))
        contrasts = np.zeros((kitchens, grid.n_fixed))
        contrasts[:, :variants] = shift
        contrasts[:, variants : variants + crossed.shape[1]] = crossed
        by_kitchen = kenward_roger(fit.at, contrasts)
        own.append(
            _over_kitchens(
                variant, by_kitchen.estimates, np.diag(by_kitchen.covariance), len(shifts), alpha
            )
        )
    return adjusted(test, others, alpha), disagreement, tuple(own)


def _over_kitchens(
    variant: int, differences: FloatArray, variances: FloatArray, family: int, alpha: float
) -> MixedContrast:
    """Pool one variant of a family from what every kitchen found of it."""
    df, (difference, se) = differences.size - 1, over_places(differences, variances)
    reach = [-float(stdtrit(df, share / family)) * se for share in (alpha / 2, alpha)]
    p = 2 * float(stdtr(df, -abs(difference / se)))
    return MixedContrast(
        variant=variant,
        difference=difference,
        se=se,
        df=float(df),
        t=difference / se,
        p_value=p,
        p_adjusted=min(1.0, family * p),
        interval=Interval(difference - reach[0], difference + reach[0]),
        equivalence_interval=Interval(difference - reach[1], difference + reach[1]),
    )


ONLY = "“These kitchens only” does not reach beyond them, and no verdict stands on it."
OWN = "With several variants beside the control, each is judged by its own spread over kitchens."


def claims(kitchens: Sequence[Kitchen]) -> tuple[str, ...]:
    """Say what the pooled differences are about, and which procedure pools."""
    number, rule = len(kitchens), kitchens[0].trial.decision
    about = (
        f"The verdicts are about kitchens like these {wording.spelled(number)}: their intervals "
        "allow for kitchens that disagree."
    )
    if number == 2:
        about = (
            "Two kitchens speak for themselves only: they say next to nothing about how much "
            "kitchens disagree. A third would speak of their like."
        )
    ranks = (
        f"{kitchens[0].name} declared that {PROCEDURES['ranks']} decides; kitchens are pooled by "
        f"{PROCEDURES['mixed']} only, which decides here."
    )
    several = number > 2 and len(common(kitchens, "variants")) > 2
    return (about, *[ONLY] * (number > 2), *[OWN] * several, *[ranks] * (rule.by == "ranks"))


def pool(kitchens: Sequence[Kitchen]) -> Pool:
    """Compare every variant with the control over several kitchens.

    There are two or more, without `matching_problems`; the rule of the first decides, and what it
    declared as primary comes first. What takes no part stands in ``not_pooled`` with its reason.
    """
    first, names = kitchens[0].trial, common(kitchens, "variants")
    variants = tuple(first.variant(name) for name in names)
    shared, declared = common(kitchens, "attributes"), first.decision.primary
    ordered = dict.fromkeys((*(name for name in declared if name in shared), *shared))
    pooled = [_pool_attribute(kitchens, variants, first.attribute(name)) for name in ordered]
    return Pool(
        kitchens=tuple(kitchens),
        variants=variants,
        attributes=tuple(attribute for attribute, _ in pooled),
        not_pooled=(*not_common(kitchens), *(gone for _, lost in pooled for gone in lost)),
        remarks=(*claims(kitchens), *rule_differences(kitchens)),
        caveats=caveats(kitchens),
    )


def _pool_attribute(
    kitchens: Sequence[Kitchen], variants: Sequence[Variant], attribute: Attribute
) -> tuple[PooledAttribute, list[NotPooled]]:
    """Pool the variants that tasters link with the control in every kitchen."""
    first, name, numbers = kitchens[0].trial, attribute.name, range(len(kitchens))
    together, parts, tasters = [variant.name for variant in variants], [], 0
    for number, one in enumerate(kitchens):
        own, table = one.trial, one.table
        codes = [together.index(v.name) if v.name in together else -1 for v in own.variants]
        score = table.scores[:, own.attributes.index(own.attribute(name))]
        code, there = np.array(codes)[table.variant], np.full(score.size, number)
        parts.append((table.taster + tasters, there, code, table.position, score))
        tasters += len(table.tasters)
    taster, kitchen, code, position, score = map(np.concatenate, zip(*parts, strict=True))
    control, kept, lost = together.index(first.control), np.arange(len(variants)), list[NotPooled]()
    while True:
        used = np.isfinite(score) & np.isin(code, kept)
        for own in (kitchen == number for number in numbers):
            used[own] &= linked(taster[own], code[own], control, used[own])
        has = np.array([np.isin(kept, code[used & (kitchen == number)]) for number in numbers])
        missing = ~has.all(axis=0) & (kept != control)
        if not missing.any():
            break
        for place, who in zip(kept[missing], has[:, missing].T, strict=True):
            lacking = [k.name for k, found in zip(kitchens, who, strict=True) if not found]
            reason = f"No taster of {' or '.join(lacking)} links it with the control."
            lost.append(NotPooled(attribute=name, variant=together[place], reason=reason))
        kept = kept[~missing]
    alpha, names = first.share_of_alpha(name), name_all(variants, first.control)
    placed = all(k.table.balanced and len(k.trial.variants) == kept.size for k in kitchens)
    fit: PooledFit | NoResult = NoResult("No variant but the control was scored in all kitchens.")
    if kept.size > 1:
        fit = pool_scores(
            score[used],
            taster[used],
            kitchen[used],
            np.searchsorted(kept, code[used]),
            control=int(np.searchsorted(kept, control)),
            alpha=alpha,
            position=position[used] if placed else None,
        )
    others = [variants[place] for place in kept.tolist() if place != control]
    pooled = PooledAttribute(
        attribute=attribute,
        primary=name in first.decision.primary and not kitchens[0].standing.bent,
        alpha=alpha,
        fit=fit,
        comparisons=tuple(
            _comparison(kitchens, variant, place, attribute, fit, alpha, names)
            for place, variant in enumerate(others)
        ),
    )
    return pooled, lost


def _comparison(
    kitchens: Sequence[Kitchen],
    variant: Variant,
    place: int,
    attribute: Attribute,
    fit: PooledFit | NoResult,
    alpha: float,
    names: Naming,
) -> PooledComparison:
    pooled, these = (fit, fit) if isinstance(fit, NoResult) else (fit.contrasts, fit.these)
    compared = PooledComparison(
        attribute=attribute,
        variant=variant,
        own=tuple(kitchen.own(attribute.name, variant.name) for kitchen in kitchens),
        pooled=pooled if isinstance(pooled, NoResult) else pooled[place],
        these=these if isinstance(these, NoResult) else these[place],
    )
    subject, found = names.subject([variant]), compared.deciding
    if isinstance(found, NoResult):
        on = attribute.label.lower()
        text = f"Whether {subject} differs from {names.like} on {on} is not settled. {found.reason}"
        return replace(compared, because=text)
    compared = replace(compared, verdict=kind_of(found, margin=attribute.margin, alpha=alpha))
    where = "In these two kitchens" if compared.alone else "In kitchens like these"
    text = f"{where}, {verdict_sentence(compared, subject, names.like, alpha)}."
    return replace(compared, because=text)
