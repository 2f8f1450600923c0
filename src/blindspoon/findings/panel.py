"""Trial and scores -> the tasters: scale use, repeatability, discrimination, agreement, order.

Scores and means are arrays as in `blindspoon.stats`.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc, chdtri, fdtri, stdtrit

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.findings.comparison import AttributeResult
from blindspoon.findings.panel_results import (
    MOST_TASTERS,
    AttributePanel,
    Concordance,
    ControlPair,
    Effect,
    Intraclass,
    OrderEffect,
    Panel,
    Repeatability,
    ScaleUse,
    TasterReview,
)
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import Interval, MixedFit, NoResult
from blindspoon.stats.sign_flips import SMALLEST
from blindspoon.stats.signed_ranks import midranks
from blindspoon.stats.two_way import (
    LEVEL,
    ZERO,
    Cells,
    Factor,
    Fit,
    FTest,
    equations,
    f_test,
    gather,
    occurring,
)
from blindspoon.trial import Scale, Trial

NO_POSITIONS = NoResult("It is not known at which place each cup was served.")
ONE_PLACE = NoResult("Every cup has the same place.")
NOT_VARIED = NoResult(
    "The orders do not vary enough to tell the place of a cup from what was in it."
)
NOT_CROSSED = NoResult(
    "The orders do not vary enough to tell what was tasted before a cup from its place and from "
    "what was in it."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sittings:
    """Where each serving stood in its taster's session; arrays of shape (n_servings,).

    `sitting` numbers tasters' sessions; `position` counts from 1, 0 where it is not known. `before`
    is the variant tasted just before, -1 at the first place and where it is not known; `linked`
    tells whether that is known, or there was none.
    """

    sitting: IntArray
    position: IntArray
    before: IntArray
    linked: BoolArray


def seat(table: ScoreTable) -> Sittings:
    """Find every serving's sitting and the variant before it."""
    sitting, position = table.taster * len(table.sessions) + table.session, table.position
    spot = sitting * (int(position.max(initial=0)) + 1) + position
    order = np.argsort(spot, kind="stable")
    found = np.minimum(np.searchsorted(spot[order], spot - 1), max(spot.size - 1, 0))
    at = order[found]
    has = (position > 1) & (spot[at] == spot - 1)
    return Sittings(
        sitting=sitting,
        position=position,
        before=np.where(has, table.variant[at], -1),
        linked=has | (position == 1),
    )


def position_effect(
    score: FloatArray, variant: IntArray, variants: int, sittings: Sittings
) -> tuple[OrderEffect | NoResult, Effect | NoResult]:
    """Estimate what the place of a cup does to its score.

    Gives each place against the mean of all, and the first minus the mean of the later ones.

    Least squares of ``score ~ sitting + variant + place``, a sitting being one taster's session.
    """
    used = np.isfinite(score) & (sittings.position > 0)
    if not used.any():
        return NO_POSITIONS, NO_POSITIONS
    places, code = occurring(sittings.position[used])
    if places.size < 2:
        return ONE_PLACE, ONE_PLACE
    base, place = Factor(variant[used], variants), Factor(code, places.size)
    found = _tested(score[used], sittings.sitting[used], (base,), place, NOT_VARIED)
    if isinstance(found, NoResult):
        return found, found
    test, whole = found
    effects = _effects(whole, place, tuple(map(str, places)))
    every = OrderEffect(test=test, effects=effects)
    if places[0] != 1:
        return every, NoResult("No cup has the first place.")
    weights = np.zeros(whole.estimates.size)
    weights[-place.levels :] = -1 / (place.levels - 1)
    weights[-place.levels] = 1.0
    estimate, interval = whole.contrast(weights)
    return every, replace(effects[0], effect=estimate, interval=interval)


def carry_over(
    score: FloatArray, variant: IntArray, names: tuple[str, ...], sittings: Sittings
) -> OrderEffect | NoResult:
    """Estimate what the variant tasted just before does to a score.

    Least squares of ``score ~ sitting + variant + place + variant before``: the first-order
    residual effects of E. J. Williams 1949, Aust. J. Sci. Res. A 2:149.
    """
    used = np.isfinite(score) & sittings.linked
    seen, before = occurring(sittings.before[used] + 1)
    labels = tuple(names[code - 1] for code in seen if code > 0)
    if not labels:
        placed = (sittings.position > 0).any()
        lacking = NoResult("It is not known what was tasted just before each cup.")
        return lacking if placed else NO_POSITIONS
    if len(labels) < 2:
        return NOT_CROSSED
    places, place = occurring(sittings.position[used])
    known = (Factor(variant[used], len(names)), Factor(place, places.size))
    last = Factor(before - int(seen[0] == 0), len(labels))
    found = _tested(score[used], sittings.sitting[used], known, last, NOT_CROSSED)
    if isinstance(found, NoResult):
        return found
    test, whole = found
    return OrderEffect(test=test, effects=_effects(whole, last, labels))


def _tested(
    score: FloatArray, block: IntArray, known: tuple[Factor, ...], factor: Factor, tangled: NoResult
) -> tuple[FTest, Fit] | NoResult:
    """Test one factor over others, all of its levels being told from them."""
    found = equations(score, block, *known, factor)
    without, whole = found.solve(-factor.levels), found.solve()
    df = whole.rank - without.rank
    if df < factor.levels - 1:
        return tangled
    test = f_test(without.rss - whole.rss, df, whole.rss, whole.df)
    return test if isinstance(test, NoResult) else (test, whole)


def _effects(whole: Fit, factor: Factor, labels: tuple[str, ...]) -> tuple[Effect, ...]:
    """Set the levels of the last factor of a fit against their mean."""
    cups = np.bincount(factor.code[factor.code >= 0], minlength=factor.levels)
    effects = []
    for level, label in enumerate(labels):
        weights = np.zeros(whole.estimates.size)
        weights[-factor.levels :] = -1 / factor.levels
        weights[level - factor.levels] += 1
        effect, interval = whole.contrast(weights)
        effects.append(Effect(label=label, cups=int(cups[level]), effect=effect, interval=interval))
    return tuple(effects)


def scale_use(scores: FloatArray, scale: Scale) -> ScaleUse | NoResult:
    """Describe finite scores, in points, by their mean, spread and ends.

    >>> use = scale_use(np.array([0.0, 4.0, 10.0, 10.0]), Scale(low=0, high=10))
    >>> use.mean, use.lowest, use.highest, use.at_low, use.at_high
    (6.0, 0.0, 10.0, 0.25, 0.5)
    """
    if not scores.size:
        return NoResult("No scores were given.")
    return ScaleUse(
        scores=scores.size,
        mean=float(scores.mean()),
        sd=float(scores.std(ddof=1)) if scores.size > 1 else NoResult("There is one score only."),
        lowest=float(scores.min()),
        highest=float(scores.max()),
        at_low=float(np.mean(scores == scale.low)),
        at_high=float(np.mean(scores == scale.high)),
    )


TOO_MANY = NoResult(f"Not listed above {MOST_TASTERS} tasters.")
NO_REPLICATES = NoResult("No taster scored a variant twice.")
NONE_OF_OWN = NoResult("This taster scored no variant twice.")


def repeatability(cells: Cells, table: ScoreTable, scored: BoolArray) -> Repeatability | NoResult:
    """Pool the spread of each taster's scores of the same variant.

    The table tells the sessions and batches that replicates come from; `scored`, shape
    (n_servings,), which servings were.

    The residual standard deviation of ISO 8586 and ISO 11132: the root of the pooled mean square
    within taster and variant. The interval takes the sum of squares as chi-squared.
    """
    df = int(cells.df.sum())
    if df == 0:
        return NO_REPLICATES
    total = float(cells.within.sum())
    low, high = (total / float(chdtri(df, tail)) for tail in ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
    return Repeatability(
        sd=float(np.sqrt(total / df)),
        interval=Interval(float(np.sqrt(low)), float(np.sqrt(high))),
        df=df,
        tasters=int((cells.df > 0).sum()),
        across_sessions=_differ(table.session, table, scored, cells),
        across_batches=_differ(table.batch, table, scored, cells),
    )


def _differ(label: IntArray, table: ScoreTable, scored: BoolArray, cells: Cells) -> bool:
    """Tell whether any cell holds two labels; -1 is not known and no label."""
    known = scored & (label >= 0)
    cell = (table.taster * cells.count.shape[1] + table.variant)[known]
    first = np.full(cells.count.size, -1)
    first[cell] = label[known]
    return bool((first[cell] != label[known]).any())


def own_repeatability(cells: Cells, taster: int) -> float | NoResult:
    """Give one taster's spread over their scores of the same variant, in points."""
    df = int(cells.df[taster])
    return float(np.sqrt(cells.within[taster].sum() / df)) if df else NONE_OF_OWN


def control_pair(score: FloatArray, table: ScoreTable, control: int) -> ControlPair | NoResult:
    """Compare the two control cups that a taster got in one session, two rows of the table."""
    rows = np.flatnonzero((table.variant == control) & np.isfinite(score))
    rows = rows[np.lexsort((table.position[rows], table.session[rows], table.taster[rows]))]
    sitting = table.taster[rows] * len(table.sessions) + table.session[rows]
    _, start, cups = np.unique(sitting, return_index=True, return_counts=True)
    early, late = rows[start[cups == 2]], rows[start[cups == 2] + 1]
    if not early.size:
        return NoResult("No taster scored two cups of the control in one session.")
    if (table.position[early] == 0).any():
        return NoResult("It is not known which of two control cups came first.")
    moved = score[late] - score[early]
    tasters, place = np.unique(table.taster[early], return_inverse=True)
    if tasters.size < 2:
        return NoResult("Only one taster scored two control cups, which gives no interval.")
    own = np.bincount(place, moved) / np.bincount(place)
    reach = float(stdtrit(own.size - 1, (1 + LEVEL) / 2) * own.std(ddof=1) / np.sqrt(own.size))
    difference = float(own.mean())
    batches = table.batch[early], table.batch[late]
    return ControlPair(
        difference=difference,
        interval=Interval(difference - reach, difference + reach),
        mean_absolute=float(np.abs(moved).mean()),
        tasters=own.size,
        pairs=moved.size,
        across_batches=bool(((batches[0] != batches[1]) & (np.minimum(*batches) >= 0)).any()),
    )


def discrimination(cells: Cells, taster: int) -> FTest | NoResult:
    """Compare a taster's spread between variants with the spread within them.

    The one-way analysis of variance of ISO 8586: variants over the residual.

    >>> from blindspoon.stats.two_way import gather
    >>> scores = np.array([1, 2, 2, 3, 6, 7.0])
    >>> cells = gather(scores, np.zeros(6, int), np.repeat(np.arange(3), 2), 1, 3)
    >>> round(discrimination(cells, 0).f, 1)
    28.0
    """
    count = cells.count[taster]
    variants, df = int((count > 0).sum()), int(cells.df[taster])
    if variants < 2:
        return NoResult("This taster scored one variant only.")
    if df == 0:
        return NONE_OF_OWN
    mean = np.nan_to_num(cells.mean[taster])
    middle = count @ mean / count.sum()
    between = float(count @ (mean - middle) ** 2)
    return f_test(between, variants - 1, float(cells.within[taster].sum()), df)


def interaction(
    cells: Cells, score: FloatArray, taster: IntArray, variant: IntArray
) -> FTest | NoResult:
    """Ask whether tasters differ in how they see the variants by more than they scatter.

    Taster by variant over the residual, the test with which ISO 8586 begins a panel's analysis of
    variance. Sums of squares are those of the interaction after tasters and variants.
    """
    df = int(cells.df.sum())
    if df == 0:
        return NO_REPLICATES
    additive = equations(score, taster, Factor(variant, cells.count.shape[1])).solve()
    within = float(cells.within.sum())
    if additive.df <= df:
        return NoResult(
            "No taster scored enough variants to differ from the others in how they see them."
        )
    return f_test(additive.rss - within, additive.df - df, within, df)


UPPER = (1 + LEVEL) / 2


def concordance(means: FloatArray) -> Concordance | NoResult:
    """Measure by ranks whether tasters put the variants in the same order.

    `means` are each taster's, shape (n_tasters, n_variants), without gaps.

    M. G. Kendall and B. Babington Smith 1939, Ann. Math. Stat. 10:275, with midranks and the
    correction for ties. It is Friedman's statistic over ``tasters * (variants - 1)``, so its
    p value is Friedman's.

    >>> round(concordance(np.array([[1.0, 2.0, 3.0], [4.0, 6.0, 6.0]])).w, 4)
    0.9286
    """
    tasters, variants = means.shape
    if lacking := _lacking(means):
        return lacking
    off = midranks(means) - (variants + 1) / 2
    spread = float((off**2).sum())
    if spread == 0:
        return NoResult("No taster told any two variants apart.")
    w = min(float((off.sum(axis=0) ** 2).sum()) / (tasters * spread), 1.0)
    statistic, df = tasters * (variants - 1) * w, variants - 1
    p_value = max(float(chdtrc(df, statistic)), SMALLEST)
    return Concordance(
        w=w, statistic=statistic, df=df, p_value=p_value, tasters=tasters, variants=variants
    )


def _lacking(means: FloatArray) -> NoResult | None:
    tasters, variants = means.shape
    if variants < 2:
        return NoResult("Fewer than two variants were scored.")
    return NoResult("Fewer than two tasters scored every variant.") if tasters < 2 else None


def intraclass(means: FloatArray) -> Intraclass | NoResult:
    """Measure whether tasters see the same distances, and whether they give the same numbers.

    `means` are each taster's in points, shape (n_tasters, n_variants), without gaps.

    Two-way analysis of variance without replicates. Consistency is ICC(3,1) and ICC(3,k) of
    P. E. Shrout and J. L. Fleiss 1979, Psychol. Bull. 86:420: a taster's own level cancels, as
    it does in a difference from the control. K. O. McGraw and S. P. Wong 1996, Psychol. Methods
    1:30, show that it has the same form, ICC(C,1) and ICC(C,k), where the tasters are a sample.
    Agreement is ICC(2,1) and ICC(2,k); tasters whose levels differ by less than their scatter
    are taken to have one level. The intervals are those of Shrout and Fleiss.

    >>> ratings = np.array([[9, 6, 8, 7, 10, 6], [2, 1, 4, 1, 5, 2], [5, 3, 6, 2, 6, 4],
    ...     [8, 2, 8, 6, 9, 7.0]])
    >>> found = intraclass(ratings)
    >>> round(found.consistency_single, 2), round(found.agreement_single, 2)
    (0.71, 0.29)
    """
    if lacking := _lacking(means):
        return lacking
    tasters, variants = means.shape
    off = means - means.mean()
    rows, columns = off.mean(axis=1), off.mean(axis=0)
    left, df, df_error = off - rows[:, None] - columns, variants - 1, (variants - 1) * (tasters - 1)
    between = tasters * float(columns @ columns) / df  # mean squares, as level and error
    level, error = variants * float(rows @ rows) / (tasters - 1), float((left**2).sum()) / df_error
    if error <= ZERO**2 < between:
        return NoResult(
            "All tasters see exactly the same distances, so there is nothing to divide by."
        )
    if between <= ZERO * error:
        return NoResult("The tasters’ mean scores put all variants level.")
    f = between / error
    ends = (f / fdtri(df, df_error, UPPER), f * fdtri(df_error, df, UPPER))
    consistent = tuple(float((x - 1) / (x + tasters - 1)) for x in (f, *ends))
    agreeing = _agreement(between, max(level, error), error, tasters, variants)
    # stepped up to the mean of all tasters: Spearman and Brown
    consistent_mean, agreeing_mean = (
        [tasters * one / (1 + (tasters - 1) * one) for one in single]
        for single in (consistent, agreeing)
    )
    return Intraclass(
        consistency_single=consistent[0],
        consistency_single_interval=Interval(consistent[1], consistent[2]),
        consistency_mean=consistent_mean[0],
        consistency_mean_interval=Interval(consistent_mean[1], consistent_mean[2]),
        agreement_single=agreeing[0],
        agreement_single_interval=Interval(agreeing[1], agreeing[2]),
        agreement_mean=agreeing_mean[0],
        agreement_mean_interval=Interval(agreeing_mean[1], agreeing_mean[2]),
        tasters=tasters,
        variants=variants,
    )


def _agreement(
    between: float, level: float, error: float, tasters: int, variants: int
) -> tuple[float, float, float]:
    """Return ICC(2,1) and the ends of its interval.

    The degrees of freedom are Satterthwaite's; there a value below 0 counts as 0.
    """
    k, n = tasters, variants
    value = (between - error) / (between + (k - 1) * error + k * (level - error) / n)
    counted = max(value, 0.0)
    own = n * (1 + (k - 1) * counted) - k * counted
    shared = k * counted * level / error
    df = (k - 1) * (n - 1) * (shared + own) ** 2 / ((n - 1) * shared**2 + own**2)
    down, up = float(fdtri(n - 1, df, UPPER)), float(fdtri(df, n - 1, UPPER))
    rest = k * level + (k * n - k - n) * error
    return (
        value,
        n * (between - down * error) / (down * rest + n * between),
        n * (up * between - error) / (rest + n * up * between),
    )


def correlations(cells: Cells) -> tuple[float | NoResult, ...]:
    """Correlate each taster's means of the variants with what all others made of them.

    Pearson's correlation, one a taster.

    The taster is left out of what they are compared with. That is the others' mean of each
    variant where all is complete; else the variants' effects in a fit of ``mean ~ taster +
    variant`` to the others, so that their levels do not count for differences.

    >>> from blindspoon.stats.two_way import gather
    >>> taster, variant = np.divmod(np.arange(9), 3)
    >>> cells = gather(np.array([1, 2, 3, 5, 6, 8, 9, 8, 8.0]), taster, variant, 3, 3)
    >>> [round(r, 3) for r in correlations(cells)]
    [0.866, 0.945, -0.803]
    """
    scored = ~np.isnan(cells.mean)
    given = np.maximum(scored.sum(axis=1), 1)
    filled = np.where(scored, cells.mean, 0.0)
    centred = np.where(scored, filled - (filled.sum(axis=1) / given)[:, None], 0.0)
    weights = scored / given[:, None]
    matrix = np.diag(scored.sum(axis=0)) - scored.T @ weights
    right = centred.sum(axis=0)
    return tuple(
        _with_others(
            centred[i],
            scored[i],
            matrix - (np.diag(scored[i]) - np.outer(scored[i], weights[i])),
            right - centred[i],
        )
        for i in range(len(scored))
    )


def _with_others(
    own: FloatArray, scored: BoolArray, matrix: FloatArray, right: FloatArray
) -> float | NoResult:
    """Correlate one taster with the solution of the others' equations."""
    tasted = np.diag(matrix) > ZERO
    shared = scored & tasted
    if scored.sum() < 3:
        return NoResult("A correlation says something from three variants on.")
    if shared.sum() < 3 or np.linalg.matrix_rank(matrix, hermitian=True) < tasted.sum() - 1:
        return NoResult("No other taster scored the same variants.")
    others = (np.linalg.pinv(matrix, hermitian=True) @ right)[shared]
    mine = own[shared] - own[shared].mean()
    others = others - others.mean()
    if np.abs(mine).max() < ZERO:
        return NoResult("This taster gave every variant the same mean score.")
    if np.abs(others).max() < ZERO:
        return NoResult("The others, taken together, put all variants level.")
    return float(np.clip(mine @ others / np.sqrt((mine @ mine) * (others @ others)), -1.0, 1.0))


def study_panel(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> Panel:
    """Study the tasters: scale use, repeatability, agreement, discrimination, order effects.

    Tasters are described under the labels that the table has; the results, in the order of
    ``trial.attributes``, tell whether a comparison allowed for places.

    The terms are those of ISO 11132 and ISO 8586; docs/reference/measures.md says which. The
    cost is linear in the scores.
    """
    sittings, names, found = seat(table), tuple(own.name for own in trial.variants), []
    for result, given in zip(results, table.scores.T, strict=True):
        scored, scale = np.isfinite(given), result.attribute.scale
        score, taster, variant = given[scored], table.taster[scored], table.variant[scored]
        cells = gather(score, taster, variant, len(table.tasters), len(names))
        position, first = position_effect(given, table.variant, len(names), sittings)
        tasters: tuple[TasterReview, ...] | NoResult = TOO_MANY
        if len(table.tasters) <= MOST_TASTERS:
            with_others = correlations(cells)
            tasters = tuple(
                TasterReview(
                    taster=label,
                    scale_use=use,
                    repeatability_sd=own_repeatability(cells, place),
                    repeatability_df=int(cells.df[place]),
                    correlation=with_others[place],
                    discrimination=discrimination(cells, place),
                )
                for place, label in enumerate(table.tasters)
                if not isinstance(use := scale_use(score[taster == place], scale), NoResult)
            )
        own = AttributePanel(
            attribute=result.attribute.name,
            primary=result.primary,
            scale_use=scale_use(score, scale),
            repeatability=repeatability(cells, table, scored),
            controls=control_pair(given, table, trial.control_index),
            concordance=concordance(cells.complete),
            intraclass=intraclass(cells.complete),
            interaction=interaction(cells, score, taster, variant),
            position=position,
            first_cup=first,
            position_in_model=isinstance(result.mixed, MixedFit) and result.mixed.note.position,
            carry_over=carry_over(given, table.variant, names, sittings),
            tasters=tasters,
        )
        found.append(own)
    return Panel(tasters=len(table.tasters), attributes=tuple(found))
