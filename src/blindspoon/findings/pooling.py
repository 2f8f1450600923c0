"""Kitchens that fit together -> each variant against the control by one model of all scores."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import fdtrc, stdtr, stdtrit

from blindspoon import wording
from blindspoon.arrays import FloatArray, IntArray
from blindspoon.findings.comparison import kind_of
from blindspoon.findings.naming import Naming, name_all
from blindspoon.findings.pool_checks import (
    Disagreement,
    Kitchen,
    NotPooled,
    Own,
    Pool,
    PooledAttribute,
    PooledComparison,
    PooledFit,
    common_attributes,
    common_variants,
    not_common,
    rule_differences,
)
from blindspoon.findings.sentences import verdict_sentence
from blindspoon.findings.verdict import PROCEDURES
from blindspoon.stats.hartung_knapp import over_places
from blindspoon.stats.kenward_roger import against, kenward_roger
from blindspoon.stats.mixed import (
    adjusted,
    fit_contrasts,
    linked,
    position_columns,
    scatter_sds,
)
from blindspoon.stats.reml import RemlFit
from blindspoon.stats.results import FitNote, Interval, MixedContrast, NoResult
from blindspoon.stats.strata import Grid, Layout, make_grid
from blindspoon.trial import Attribute, Variant


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
    """Compare every variant with the control over several kitchens.

    The model is ``score ~ variant + kitchen [+ position] + (1 | taster) + (1 |
    kitchen:variant)``, with ``(1 | taster:variant)`` where some taster scored a variant more
    than once, fitted by REML, with Kenward-Roger standard errors and degrees of freedom and
    Dunnett's adjustment over the variants. Beside it stands the same model with
    kitchen:variant as a fixed effect: its differences, with equal weights for the kitchens,
    are about these kitchens only, and its F tests whether kitchens disagree. From two variants
    beside the control on each is pooled from what the kitchens found of it, by its own spread over
    them, with t on K - 1 degrees of freedom and Bonferroni's adjustment: one spread for all would
    be false where it is not the same, as with a control that kitchens make less alike.

    Parameters
    ----------
    score : float array, shape (n,)
        One score a serving, finite.
    taster : int array, shape (n,)
        Codes from 0; nobody tasted in two kitchens.
    kitchen, variant : int array, shape (n,)
        Codes from 0; every kitchen scored every variant.
    control : int
        The variant that the others are compared with.
    alpha : float
        Chance of a false difference over all variants, below 0.5.
    position : int array, shape (n,), optional
        Place of the serving in its session, for a categorical fixed effect.

    Notes
    -----
    M. G. Kenward and J. H. Roger (1997), Biometrics 53, 983-997. `over_places` pools a variant by
    its own spread. With two variants in balanced
    trials the difference has the standard error ``s / sqrt(K)`` and ``K - 1`` degrees of
    freedom, where s is the SD of the K kitchens' own differences and their scatter is not
    estimated as zero: J. Hartung and G. Knapp (2001), Statistics in Medicine 20, 3875-3889.

    Examples
    --------
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
    everywhere = np.ones(score.size, dtype=bool)
    rows = _Rows(
        taster=taster,
        kitchen=kitchen,
        variant=variant,
        score=score,
        place=position_columns(position, everywhere),
        control=control,
    )
    grid = rows.with_random_cells()
    found = fit_contrasts(
        grid, against(control, rows.variants, grid.n_fixed), "tasters or kitchens"
    )
    if isinstance(found, NoResult):
        return found
    fit, test = found
    these, disagreement, own = _these_only(rows, alpha)
    if isinstance(these, NoResult) and rows.variants > 2:
        return these
    residual, cell = scatter_sds(fit, grid)
    return PooledFit(
        reml_criterion=fit.at.value,
        residual_sd=residual,
        taster_sd=fit.sd("taster") or 0.0,
        taster_variant_sd=cell,
        kitchen_variant_sd=fit.sd("batch") or 0.0,
        contrasts=own or adjusted(test, rows.others, alpha),
        note=_note(fit, position=position is not None),
        these=these,
        disagreement=disagreement,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """The scores of all kitchens, and what can be made of them."""

    taster: IntArray
    kitchen: IntArray
    variant: IntArray
    score: FloatArray
    place: FloatArray
    control: int

    @property
    def kitchens(self) -> int:
        """How many there are."""
        return int(self.kitchen.max()) + 1

    @property
    def variants(self) -> int:
        """How many there are, the control among them."""
        return int(self.variant.max()) + 1

    @property
    def others(self) -> IntArray:
        """All variants but the control."""
        return np.delete(np.arange(self.variants), self.control)

    def with_random_cells(self) -> Grid:
        """Kitchens are fixed, kitchen:variant is the term of low rank."""
        cells = np.eye(self.kitchens * self.variants)
        random = cells[self.kitchen * self.variants + self.variant]
        return self._grid(self._kitchen_columns(), random)

    def with_fixed_cells(self) -> Grid:
        """Kitchens are fixed for each variant by itself: K - 1 columns a variant."""
        own = self.variant[:, None] == np.arange(self.variants)
        crossed = own[:, :, None] * self._kitchen_columns()[:, None, :]
        return self._grid(crossed.reshape(self.score.size, -1), np.empty((self.score.size, 0)))

    def _kitchen_columns(self) -> FloatArray:
        """Columns that sum to zero over kitchens, so that effects are means of kitchens."""
        return np.vstack([np.eye(self.kitchens - 1), -np.ones(self.kitchens - 1)])[self.kitchen]

    def _grid(self, fixed: FloatArray, random: FloatArray) -> Grid:
        return make_grid(
            Layout(
                taster=self.taster,
                variant=self.variant,
                fixed=np.hstack([fixed, self.place]),
                random=random,
                score=self.score,
            )
        )


def _these_only(
    rows: _Rows, alpha: float
) -> tuple[
    tuple[MixedContrast, ...] | NoResult, Disagreement | NoResult, tuple[MixedContrast, ...]
]:
    """Compare in these kitchens alone, and test whether they disagree.

    That is whether kitchens shift a variant by as much as they shift the control. Last, every
    variant by its own spread over kitchens; none where there is one beside the control.
    """
    grid = rows.with_fixed_cells()
    found = fit_contrasts(grid, against(rows.control, rows.variants, grid.n_fixed), "tasters")
    if isinstance(found, NoResult):
        return found, found, ()
    fit, test = found
    shifts = against(rows.control, rows.variants, rows.variants)
    crossed = np.kron(shifts, np.eye(rows.kitchens - 1))
    contrasts = np.zeros((len(crossed), grid.n_fixed))
    contrasts[:, rows.variants : rows.variants + crossed.shape[1]] = crossed
    apart = kenward_roger(fit.at, contrasts)
    disagreement = Disagreement(
        f=apart.f,
        df_num=apart.df_num,
        df_den=apart.df_den,
        p_value=float(fdtrc(apart.df_num, apart.df_den, apart.f)),
    )
    own = tuple(_own_spread(rows, fit, shifts, alpha)) if len(shifts) > 1 else ()
    return adjusted(test, rows.others, alpha), disagreement, own


def _own_spread(
    rows: _Rows, fit: RemlFit, shifts: FloatArray, alpha: float
) -> Iterator[MixedContrast]:
    """Pool each variant from what every kitchen found of it."""
    df = rows.kitchens - 1
    kitchens = np.vstack([np.eye(df), -np.ones(df)])
    for variant, shift in zip(rows.others.tolist(), shifts, strict=True):
        contrasts = np.zeros((rows.kitchens, fit.at.coefficients.size))
        contrasts[:, : rows.variants] = shift
        crossed = np.kron(shift, kitchens)
        contrasts[:, rows.variants : rows.variants + crossed.shape[1]] = crossed
        found = kenward_roger(fit.at, contrasts)
        difference, se = over_places(found.estimates, np.diag(found.covariance))
        family, t = len(shifts), difference / se
        reach = [-float(stdtrit(df, share / family)) * se for share in (alpha / 2, alpha)]
        p = 2 * float(stdtr(df, -abs(t)))
        yield MixedContrast(
            variant=variant,
            difference=difference,
            se=se,
            df=float(df),
            t=t,
            p_value=p,
            p_adjusted=min(1.0, family * p),
            interval=Interval(difference - reach[0], difference + reach[0]),
            equivalence_interval=Interval(difference - reach[1], difference + reach[1]),
        )


def _note(fit: RemlFit, *, position: bool) -> FitNote:
    """Say how the fit ended, the term of low rank by the name that it has here."""
    names = [name.replace("batch", "kitchen:variant") for name in fit.names]
    return FitNote(
        converged=fit.converged,
        iterations=fit.iterations,
        at_zero=tuple(n for n, value in zip(names, fit.variances, strict=True) if value == 0),
        position=position,
    )


def because(comparison: PooledComparison, names: Naming, alpha: float) -> str:
    """Say what is known of one variant in kitchens like these, or in these two, at `alpha`.

    One sentence; a second gives the reason where there is no result.
    """
    subject, found = names.subject([comparison.variant]), comparison.deciding
    if isinstance(found, NoResult):
        about = comparison.attribute.label.lower()
        return (
            f"Whether {subject} differs from {names.like} on {about} is not settled. {found.reason}"
        )
    where = "In these two kitchens" if comparison.alone else "In kitchens like these"
    return f"{where}, {verdict_sentence(comparison, subject, names.like, alpha)}."


def claims(kitchens: Sequence[Kitchen]) -> tuple[str, ...]:
    """Say what the pooled differences are about, and which procedure pools."""
    number, rule = len(kitchens), kitchens[0].trial.decision
    about = (
        f"Pooled differences are about kitchens like these {wording.spelled(number)}: their "
        "intervals allow for kitchens that disagree. “These kitchens only” does not reach beyond "
        "them, and no verdict stands on it."
    )
    if number == 2:
        about = (
            "Two kitchens speak for themselves only, since two say next to nothing about how much "
            "kitchens disagree: verdicts are about these two. A third would speak of their like."
        )
    own = (
        "With several variants beside the control, each is judged by its own spread over kitchens."
    )
    ranks = (
        f"{kitchens[0].name} declared that {PROCEDURES['ranks']} decides; kitchens are pooled by "
        f"{PROCEDURES['mixed']} only, which decides here."
    )
    several = number > 2 and len(common_variants(kitchens)) > 2
    return (about, *[own] * several, *[ranks] * (rule.by == "ranks"))


def pool(kitchens: Sequence[Kitchen]) -> Pool:
    """Compare every variant with the control over several kitchens.

    There are two or more, without `matching_problems`; the rule of the first decides. What takes no
    part stands in ``not_pooled`` with its reason.
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
        not_pooled=(*not_common(kitchens), *(gone for _, lost in pooled for gone in lost)),
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
    score = table.scores[:, trial.attributes.index(trial.attribute(attribute))]
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
    names = name_all(variants, first.control)
    pooled = PooledAttribute(
        attribute=attribute,
        primary=name in first.decision.primary,
        alpha=alpha,
        fit=fit,
        comparisons=tuple(
            _comparison(kitchens, variant, place, attribute, fit, alpha, names)
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
    names: Naming,
) -> PooledComparison:
    pooled: MixedContrast | NoResult
    these: MixedContrast | NoResult
    if isinstance(fit, NoResult):
        pooled, these = fit, fit
    else:
        pooled = fit.contrasts[place]
        these = fit.these if isinstance(fit.these, NoResult) else fit.these[place]
    made = PooledComparison(
        attribute=attribute,
        variant=variant,
        own=tuple(
            Own(
                kitchen=kitchen.name,
                alpha=kitchen.trial.share_of_alpha(attribute.name),
                mixed=kitchen.own(attribute.name, variant.name),
            )
            for kitchen in kitchens
        ),
        pooled=pooled,
        these=these,
        verdict="open",
    )
    if made.found is not None:
        made = replace(made, verdict=kind_of(made.found, margin=attribute.margin, alpha=alpha))
    return replace(made, because=because(made, names, alpha))
