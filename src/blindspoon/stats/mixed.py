"""Each variant against the control by a mixed model; by rounding, where nothing scatters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import stdtr, stdtrit

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.reml import (
    ContrastTest,
    RemlFit,
    against,
    fit_reml,
    kenward_roger,
    residual_line,
)
from blindspoon.stats.results import (
    FitNote,
    Interval,
    MixedContrast,
    MixedFit,
    NoResult,
    SittingsWay,
    Unanimous,
)
from blindspoon.stats.strata import Grid, Layout, make_grid, make_sitting_strata, make_strata, slots


def compare_mixed(  # noqa: PLR0913 - most are columns of a table
    score: FloatArray,
    taster: IntArray,
    variant: IntArray,
    *,
    control: int,
    alpha: float,
    position: IntArray | None = None,
    batch: IntArray | None = None,
    session: IntArray | None = None,
    days: bool = False,
) -> MixedFit | NoResult:
    """Compare every variant with the control by a linear mixed model.

    ``score ~ variant [+ position] + (1 | taster)``, with ``(1 | taster:variant)`` where some taster
    scored a variant more than once and ``(1 | batch)`` where some variant has several batches,
    fitted by REML, with Kenward-Roger standard errors and degrees of freedom and Dunnett's
    adjustment over the variants. With several sessions a difference is the mean of the sittings'
    (`fit_over_sittings`); where that cannot be fitted, sessions count as repeats.

    - `alpha`: below 0.5; equivalence intervals call any variant alike falsely with at most this
      chance
    - `position`: place of the serving in its session, for a categorical fixed effect
    - `days`: whether differences get an interval for days in general, which decides nothing
    - `batch`: -1 where none is named, which counts as one batch a variant. Batches that each went
      to one taster only are that taster's, not a term of their own

    Variants that no chain of common tasters links with the control get no contrast. Where repeats
    do not scatter, or too few exist to show it, they are averaged and the residual SD is zero.

    D. A. Harville (1977), JASA 72, 320-338; M. G. Kenward and J. H. Roger (1997), Biometrics
    53, 983-997; C. W. Dunnett (1955), JASA 50, 1096-1121.

    Wear of two shoe soles on the feet of three boys, from Box, Hunter and Hunter (1978):

    >>> fit = compare_mixed(np.array([13.2, 14.0, 8.2, 8.8, 10.9, 11.2]),
    ...                     np.array([0, 0, 1, 1, 2, 2]), np.array([0, 1] * 3),
    ...                     control=0, alpha=0.05)
    >>> wear = fit.contrasts[0]
    >>> round(wear.difference, 4), round(wear.df, 4), round(wear.p_value, 4)
    (0.5667, 2.0, 0.0599)
    """
    scored = np.isfinite(score)
    if not (variant[scored] == control).any():
        return NoResult("Nobody scored the control.")
    kept = scored & linked(taster, variant, control, scored)
    names, codes = np.unique(variant[kept], return_inverse=True)
    if len(names) < 2 and codes.size < scored.sum():
        return NoResult("No taster scored both the control and another variant.")
    if len(names) < 2:
        return NoResult("Nobody scored any variant but the control.")
    if (taster[kept] == taster[kept][0]).all():
        return NoResult("Fewer than two tasters scored the control and another variant.")
    if np.ptp(score[kept]) == 0:
        return NoResult(
            "All scores are the same, so there is no scatter to compare a difference with."
        )
    random = np.empty((codes.size, 0))
    if batch is not None:
        # batches add nothing where every variant was made once, or where each taster had a batch
        # of each variant to themselves: taster:variant, or the residual, is then the batch as well
        levels, level = np.unique(_paired(batch[kept], codes), return_inverse=True)
        cells, shared = (np.unique(_paired(taster[kept], own)).size for own in (codes, level))
        if levels.size != names.size and not levels.size == cells == shared:
            random = np.eye(levels.size)[level]
    layout = Layout(
        taster=taster[kept],
        variant=codes,
        fixed=position_columns(position, kept),
        random=random,
        score=score[kept],
    )
    sittings = None if session is None else np.unique(session[kept], return_inverse=True)[1]
    if sittings is not None and not sittings.any():
        sittings = None
    place = int(np.searchsorted(names, control))
    return _compare(layout, names, place, alpha, sittings, days=days)


def linked(taster: IntArray, variant: IntArray, control: int, kept: BoolArray) -> BoolArray:
    """Whether a chain of common tasters links a row's variant with the control, by those `kept`."""
    size = int(variant.max()) + 1
    pairs = np.zeros((size, int(taster.max()) + 1), dtype=bool)
    pairs[variant[kept], taster[kept]] = True
    reached = np.arange(size) == control
    while True:
        tasters = pairs[reached].any(axis=0)
        further = pairs[:, tasters].any(axis=1) | reached
        if (further == reached).all():
            return reached[variant]
        reached = further


def position_columns(position: IntArray | None, kept: BoolArray) -> FloatArray:
    """Return centred indicators of all positions but the first, a row for each row kept."""
    if position is None:
        return np.empty((int(kept.sum()), 0))
    levels = np.unique(position[kept])
    columns = (position[kept][:, None] == levels[1:]).astype(np.float64)
    return columns - columns.mean(axis=0)


def _paired(first: IntArray, second: IntArray) -> IntArray:
    """Return one code for each pair of codes."""
    return first * int(second.max() + 1) + second


def _compare(
    layout: Layout,
    names: IntArray,
    control: int,
    alpha: float,
    sittings: IntArray | None,
    *,
    days: bool,
) -> MixedFit | NoResult:
    """Fit the rows and test every variant against the control."""
    grid = make_grid(layout)
    way: SittingsWay = "" if sittings is None else "repeats"
    over = None if sittings is None else fit_over_sittings(layout, sittings, control)
    if over is not None:
        fit, test, way = over
    else:
        found = fit_contrasts(grid, against(control, len(names), grid.n_fixed))
        if isinstance(found, NoResult):
            return found
        fit, test = found
    contrasts = adjusted(test, np.delete(names, control), alpha)
    if days and sittings is not None:
        general = _in_general(layout, sittings, control, alpha)
        pairs = zip(contrasts, general, strict=True)
        contrasts = tuple(replace(one, days_in_general=at) for one, at in pairs)
    residual, cell = scatter_sds(fit, grid)
    zero = tuple(name for name, value in zip(fit.names, fit.variances, strict=True) if value == 0)
    return MixedFit(
        f=test.f,
        df_num=test.df_num,
        df_den=test.df_den,
        p_value=test.p_value,
        reml_criterion=fit.at.value,
        residual_sd=residual,
        taster_sd=fit.sd("taster") or 0.0,
        taster_variant_sd=cell,
        taster_session_sd=fit.sd("taster:session"),
        batch_sd=fit.sd("batch"),
        contrasts=contrasts,
        note=FitNote(
            converged=fit.converged, at_zero=zero, position=layout.fixed.shape[1] > 0, sittings=way
        ),
    )


def fit_contrasts(
    grid: Grid,
    contrasts: FloatArray,
    among: str = "tasters or batches",
    agreed: str = "All tasters found exactly the same differences, so there is no scatter.",
) -> tuple[RemlFit, ContrastTest] | NoResult:
    """Fit the grid and test contrasts; repeats that do not scatter are averaged.

    Contrasts, shape (k, p), are linearly independent; the variation `among` and what is said where
    all `agreed` are for the reason.
    """
    strata = make_strata(grid)
    between, df = residual_line(strata, repeats=False)
    if df < 1:
        return NoResult(
            "There are too few scores to tell how much the differences vary between tasters."
        )
    interaction = min(residual_line(strata, repeats=True)) > 0
    if not interaction and between == 0:
        return NoResult(agreed)
    if not interaction and grid.servings.max() > 1:
        strata = make_strata(grid.averaged())
    fit = fit_reml(strata, interaction=interaction)
    if isinstance(fit, NoResult):
        return fit
    test = kenward_roger(fit.at, contrasts)
    if not test.usable:
        return NoResult(f"The scores say too little about how much {among} vary.")
    return fit, test


def scatter_sds(fit: RemlFit, grid: Grid) -> tuple[float, float | None]:
    """Return the SD of the residual and of taster:variant, None without replicates."""
    residual, cell = fit.sd("residual") or 0.0, fit.sd("taster:variant")
    if cell is None and grid.servings.max() > 1:
        return 0.0, residual
    return residual, cell


def adjusted(test: ContrastTest, variants: IntArray, alpha: float) -> tuple[MixedContrast, ...]:
    """Adjust k contrasts over their variants, shape (k,), each with its own degrees of freedom.

    Equivalence intervals are at `Dunnett.alike_value`.
    """
    errors = np.sqrt(np.diag(test.covariance))
    family = Dunnett(test.covariance / np.outer(errors, errors))
    t = test.estimates / errors
    columns = (variants, test.estimates, errors, test.df, t, 2 * stdtr(test.df, -np.abs(t)))
    found = []
    for variant, difference, se, df, own, p in zip(*(c.tolist() for c in columns), strict=True):
        reaches = (family.critical_value(alpha, df) * se, family.alike_value(alpha, df) * se)
        ends = [Interval(difference - reach, difference + reach) for reach in reaches]
        found.append(
            MixedContrast(
                variant=variant,
                difference=difference,
                se=se,
                df=df,
                t=own,
                p_value=p,
                p_adjusted=family.p_value(own, df),
                interval=ends[0],
                equivalence_interval=ends[1],
            )
        )
    return tuple(found)


MOST_GAPS = 300  # missing cups, each a column, up to which ``(1 | taster:session)`` is fitted


def fit_over_sittings(
    layout: Layout, session: IntArray, control: int
) -> tuple[RemlFit, ContrastTest, SittingsWay] | None:
    """Fit variant by session as fixed, or, where that cannot be, sessions that differ in level.

    The test is of every variant but the control, the way that of `FitNote`. None where sittings,
    codes from 0, can be taken only as repeats. A movement of the differences from sitting to
    sitting is no error of their mean over these sittings. Terms that a design cannot tell apart are
    left out: of tasters by variant where no taster had one twice, by session where tasters came
    once. Where somebody sat alone, sittings differ in level only.
    """
    k = int(layout.variant.max()) + 1
    tasted = np.zeros((k, int(session.max()) + 1), dtype=bool)
    tasted[layout.variant, session] = True
    both = tasted & tasted[control]
    people = int(layout.taster.max()) + 1
    came = np.bincount(np.unique(session * people + layout.taster) // people)
    ways: tuple[tuple[SittingsWay, FloatArray], ...] = (("steady", _levels(tasted)),)
    if came.min() > 1 and both.any(axis=1).all():  # one alone would weigh as much as all the others
        ways = (("each" if tasted.all() else "shared", _cells(tasted)), *ways)
    for way, codes in ways:
        found = _fit(layout, session, codes, both, control)
        if found is not None:
            return *found, way
    return None


def _in_general(
    layout: Layout, session: IntArray, control: int, alpha: float
) -> Sequence[Interval | NoResult]:
    """Take the sittings as a sample of days, ``(1 | session:variant)``, for each difference."""
    tasted = np.zeros((int(layout.variant.max()) + 1, int(session.max()) + 1), dtype=bool)
    others = np.arange(len(tasted) - 1)
    if layout.random.size:
        return [NoResult("The model has batches, and no days besides.")] * others.size
    cell = np.unique(layout.variant * tasted.shape[1] + session, return_inverse=True)[1]
    tasted[layout.variant, session] = True
    rows = replace(layout, random=np.eye(int(cell.max()) + 1)[cell])
    found = _fit(rows, session, _levels(tasted), tasted, control)
    if found is None:
        return [NoResult("The scores say too little about how much sittings vary.")] * others.size
    return [one.interval for one in adjusted(found[1], others, alpha)]


def _cells(tasted: BoolArray) -> FloatArray:
    """Code each variant's sittings to sum to zero; shape (variants, sessions, columns)."""
    codes = np.zeros((*tasted.shape, int(tasted.sum()) - len(tasted)))
    column = 0
    for variant, sessions in enumerate(map(np.flatnonzero, tasted)):
        for session in sessions[:-1].tolist():
            codes[variant, [session, sessions[-1]], column] = 1.0, -1.0
            column += 1
    return codes


def _levels(tasted: BoolArray) -> FloatArray:
    """Code sittings alike for all variants, in the shape of `_cells`."""
    sessions = tasted.shape[1]
    codes = np.vstack([np.eye(sessions - 1), -np.ones(sessions - 1)])
    return np.broadcast_to(codes, (len(tasted), *codes.shape))


def _fit(
    layout: Layout, session: IntArray, codes: FloatArray, both: BoolArray, control: int
) -> tuple[RemlFit, ContrastTest] | None:
    """Fit with taster:session, or without where it cannot be told from the tasters themselves.

    A difference is the mean over the sittings of `both`.
    """
    (k, _, columns), others = codes.shape, layout.fixed.shape[1]
    weights = both / np.maximum(both.sum(axis=1, keepdims=True), 1)
    mean = np.einsum("vs,vsm->vm", weights, codes - codes[control])
    contrasts = against(control, k, k + others + columns)
    contrasts[:, k + others :] = np.delete(mean, control, axis=0)
    layout = replace(layout, fixed=np.hstack([layout.fixed, codes[layout.variant, session]]))
    grid = make_grid(layout)
    repeats = slots(layout.taster, layout.variant, session).max() + 1
    cups = np.unique(layout.taster).size * len(grid.servings) * (int(session.max()) + 1) * repeats
    few_gaps = cups - layout.score.size <= MOST_GAPS
    for with_sessions in (True, False) if few_gaps else (False,):
        strata = make_sitting_strata(layout, session) if with_sessions else make_strata(grid)
        fit = fit_reml(strata, interaction=bool(grid.servings.max() > 1))
        if isinstance(fit, NoResult) or not fit.converged:
            continue
        padded = np.zeros((len(contrasts), strata.n_fixed))
        padded[:, : contrasts.shape[1]] = contrasts
        test = kenward_roger(fit.at, padded)
        if test.usable:
            return fit, test
    return None


STEPS = (1.0, 0.5, 0.1)
"""What scores are held to be rounded to where any number was allowed, the coarsest that fits."""

LEAST_ALIKE = 4  # tasters from whom on an interval by rounding alone may show two variants alike


def unanimous(
    differences: FloatArray, variant: int, *, step: float, alpha: float, family: int = 1
) -> Unanimous:
    """Judge a difference on which all tasters, two at least, agree exactly.

    That all n agree in direction has the chance 2 / 2^n by flips of signs (R. A. Fisher 1935, *The
    Design of Experiments*), for all of the `family` at once, since a taster's signs turn
    together. Rounding to a step adds step^2 / 12 to the variance of a score (W. F. Sheppard 1898,
    Proc. London Math. Soc. 29:353): so an interval is never narrower than t(n - 1) step / sqrt(6 n)
    on either side, shared out over the family by Bonferroni.

    >>> found = unanimous(np.full(8, 2.0), 1, step=1.0, alpha=0.05)
    >>> found.p_value == 1 / 128, round(found.interval.low, 2), round(found.interval.high, 2)
    (True, 1.66, 2.34)
    """
    n, difference = differences.size, float(differences[0])
    half = _half_width(n, step, alpha / family)
    interval = Interval(difference - half, difference + half)
    return Unanimous(
        variant=variant,
        tasters=n,
        step=step,
        difference=difference,
        p_value=2.0 ** (1 - n) if difference else 1.0,
        interval=interval,
        equivalence_interval=interval if n >= LEAST_ALIKE else None,
    )


def enough_to_differ(alpha: float) -> int:
    """Count the tasters whose agreement in direction shows a difference: six at 0.05."""
    return 1 + math.ceil(-math.log2(alpha) - 1e-9)


def enough_to_be_alike(found: Unanimous, margin: float) -> int | None:
    """Count the tasters whose agreement would show it alike; None where it lies too far off."""
    room, n = margin - abs(found.difference), found.tasters
    half = (found.interval.high - found.interval.low) / 2
    share = 2 * float(stdtr(n - 1, -half * math.sqrt(6 * n) / found.step))  # alpha over the family
    sizes = range(LEAST_ALIKE, 100)
    return next((n for n in sizes if _half_width(n, found.step, share) < room), None)


def _half_width(tasters: int, step: float, alpha: float) -> float:
    """Give half of the interval that rounding leaves, in points."""
    return -float(stdtrit(tasters - 1, alpha / 2)) * step / math.sqrt(6 * tasters)


def rounded_to(scores: FloatArray) -> float | None:
    """Find the coarsest step that all scores lie on; None where there is none of the usual."""
    given = scores[np.isfinite(scores)]
    fits = (step for step in STEPS if np.allclose(given / step, np.rint(given / step), atol=1e-6))
    return next(fits, None)
