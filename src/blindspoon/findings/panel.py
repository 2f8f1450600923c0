"""Trial and scores -> the tasters: scale use, repeatability, discrimination, agreement, order.

Scores and means are arrays as in `blindspoon.stats`. Intervals have level `LEVEL` and speak of one
number at a time; none is shared among several.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri, stdtrit

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.findings.comparison import AttributeResult
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import Interval, MixedFit, NoResult, Record, as_record
from blindspoon.stats.two_way import (
    LEVEL,
    Cells,
    Concordance,
    FTest,
    concordance,
    correlations,
    f_test,
    fit_blocks,
    gather,
    indicators,
)
from blindspoon.trial import Scale, Trial

MOST_TASTERS = 200  # tasters of whom each is described; with more only the summaries are made


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleUse:
    """Which part of the scale some scores fill, in points, and the shares at either end."""

    scores: int
    mean: float
    sd: float | NoResult
    lowest: float
    highest: float
    at_low: float
    at_high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TasterReview:
    """One taster on one attribute.

    The repeatability is in points; the correlation that of their means of the variants with what
    all others made of these; the discrimination holds variants against their own spread.
    """

    taster: str
    scale_use: ScaleUse
    repeatability_sd: float | NoResult
    correlation: float | NoResult
    discrimination: FTest | NoResult


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """How closely tasters repeat their own scores of the same variant.

    In points. Replicates that were scored across sessions, or came from different batches, hold
    what these differ in.
    """

    sd: float
    interval: Interval
    df: int
    tasters: int
    across_sessions: bool
    across_batches: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlPair:
    """The two control cups that were hidden in one session.

    The difference is the later minus the earlier, the mean over the tasters' means, in points, with
    Student's t over the tasters; `mean_absolute` is the distance, whichever was higher. Some cups
    may have come from different batches.
    """

    difference: float
    interval: Interval
    mean_absolute: float
    tasters: int
    pairs: int
    across_batches: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """How far, in points, cups at one place or after one variant lie from the mean of all such.

    All else equal. The label is the place, or the name of the variant tasted just before.
    """

    label: str
    cups: int
    effect: float
    interval: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderEffect:
    """Whether the place of a cup, or the cup before it, moved its score: the test that none did."""

    test: FTest
    effects: tuple[Effect, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributePanel:
    """The tasters on one attribute, and those who scored it, in the order of the table.

    The interaction is that of taster by variant; `position` and `carry_over` have an effect for
    each place, and for each variant tasted just before; `position_in_model` tells whether the
    comparison allowed for the place of a cup.
    """

    attribute: str
    primary: bool
    scale_use: ScaleUse | NoResult
    repeatability: Repeatability | NoResult
    controls: ControlPair | NoResult
    concordance: Concordance | NoResult
    interaction: FTest | NoResult
    position: OrderEffect | NoResult
    first_cup: Effect | NoResult
    position_in_model: bool
    carry_over: OrderEffect | NoResult
    tasters: tuple[TasterReview, ...] | NoResult


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """The tasters who scored anything in a trial, on each attribute."""

    tasters: int
    attributes: tuple[AttributePanel, ...]

    def to_record(self, *, shown: bool = True) -> Record:
        """Write everything for JSON; without single tasters unless they are `shown`."""
        kept = self
        if not shown:
            hidden = NoResult("Single tasters are not told of in this trial.")
            attributes = tuple(replace(one, tasters=hidden) for one in self.attributes)
            kept = replace(self, attributes=attributes)
        return {"level": LEVEL, **as_record(kept)}


def study_panel(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> Panel:
    """Study the tasters, under the labels that the table has.

    The terms are those of ISO 11132 and ISO 8586; docs/reference/measures.md says which.
    """
    names, before, panels = [it.name for it in trial.variants], _tasted_before(table), []
    for result, column in zip(results, table.scores.T, strict=True):
        scored, scale = np.isfinite(column), result.attribute.scale
        score, taster, variant = column[scored], table.taster[scored], table.variant[scored]
        cells = gather(score, taster, variant, len(table.tasters), len(names))
        position, first = _position_effect(column, table, len(names))
        tasters: tuple[TasterReview, ...] | NoResult = TOO_MANY
        if len(table.tasters) <= MOST_TASTERS:
            with_others = correlations(cells)
            tasters = tuple(
                TasterReview(
                    taster=label,
                    scale_use=use,
                    repeatability_sd=own_repeatability(cells, place),
                    correlation=with_others[place],
                    discrimination=discrimination(cells, place),
                )
                for place, label in enumerate(table.tasters)
                if not isinstance(use := scale_use(score[taster == place], scale), NoResult)
            )
        panel = AttributePanel(
            attribute=result.attribute.name,
            primary=result.primary,
            scale_use=scale_use(score, scale),
            repeatability=repeatability(cells, table, scored),
            controls=_control_pair(column, table, trial.control_index),
            concordance=concordance(cells.complete),
            interaction=interaction(cells, score, taster, variant),
            position=position,
            first_cup=first,
            position_in_model=isinstance(result.mixed, MixedFit) and result.mixed.note.position,
            carry_over=_carry_over(column, table, names, before),
            tasters=tasters,
        )
        panels.append(panel)
    return Panel(tasters=len(table.tasters), attributes=tuple(panels))


def _sitting(table: ScoreTable) -> IntArray:
    """Tell the session of one taster that each serving stood in."""
    return table.taster * len(table.sessions) + table.session


def _tasted_before(table: ScoreTable) -> IntArray:
    """Find the variant just before each serving; -1 at the first place, -2 where not known."""
    place, sitting = table.position, _sitting(table)
    order = np.lexsort((place, sitting))
    one, other = order[:-1], order[1:]
    known = (place[one] > 0) & (place[other] == place[one] + 1) & (sitting[one] == sitting[other])
    before = np.where(place == 1, -1, -2)
    before[other[known]] = table.variant[one[known]]
    return before


NO_POSITIONS = NoResult("It is not known at which place each cup was served.")
ONE_PLACE = NoResult("Every cup has the same place.")
NOT_VARIED = NoResult(
    "The orders do not vary enough to tell the place of a cup from what was in it."
)
NOT_CROSSED = NoResult(
    "The orders do not vary enough to tell what was tasted before a cup from its place and from "
    "what was in it."
)


def _position_effect(
    score: FloatArray, table: ScoreTable, variants: int
) -> tuple[OrderEffect | NoResult, Effect | NoResult]:
    """Set each place against the mean of all, and the first against the mean of the later ones.

    Least squares of ``score ~ sitting + variant + place``, a sitting being one taster's session.
    """
    used = np.isfinite(score) & (table.position > 0)
    if not used.any():
        return NO_POSITIONS, NO_POSITIONS
    places, code = np.unique(table.position[used], return_inverse=True)
    if places.size < 2:
        return ONE_PLACE, ONE_PLACE
    base, place = indicators(table.variant[used], variants), indicators(code, places.size)
    labels, block = [*map(str, places)], _sitting(table)[used]
    tested = _tested(score[used], block, base, place, labels, NOT_VARIED)
    if isinstance(tested, NoResult):
        return tested, tested
    if places[0] != 1:
        return tested, NoResult("No cup has the first place.")
    first, times = tested.effects[0], places.size / (places.size - 1)  # the mean of all holds it
    interval = Interval(times * first.interval.low, times * first.interval.high)
    return tested, replace(first, effect=times * first.effect, interval=interval)


def _carry_over(
    score: FloatArray, table: ScoreTable, names: Sequence[str], before: IntArray
) -> OrderEffect | NoResult:
    """Estimate what the variant tasted just before does to a score.

    Least squares of ``score ~ sitting + variant + place + variant before``: the first-order
    residual effects of E. J. Williams 1949, Aust. J. Sci. Res. A 2:149.
    """
    used = np.isfinite(score) & (before > -2)
    seen, last = np.unique(before[used] + 1, return_inverse=True)
    labels = [names[code - 1] for code in seen if code > 0]
    if not labels:
        lacking = NoResult("It is not known what was tasted just before each cup.")
        return lacking if table.position.any() else NO_POSITIONS
    if len(labels) < 2:
        return NOT_CROSSED
    places, place = np.unique(table.position[used], return_inverse=True)
    of_variants = indicators(table.variant[used], len(names))
    known = np.hstack([of_variants, indicators(place, places.size)])
    after = indicators(last - int(seen[0] == 0), len(labels))
    return _tested(score[used], _sitting(table)[used], known, after, labels, NOT_CROSSED)


def _tested(
    score: FloatArray,
    block: IntArray,
    known: FloatArray,
    levels: FloatArray,
    labels: Sequence[str],
    tangled: NoResult,
) -> OrderEffect | NoResult:
    """Test the levels of a factor beside what is known, and set them against their mean."""
    without = fit_blocks(score, block, known)
    full = fit_blocks(score, block, np.hstack([known, levels]))
    df = full.rank - without.rank
    if df < len(labels) - 1:
        return tangled
    test = f_test(without.rss - full.rss, df, full.rss, full.df)
    if isinstance(test, NoResult):
        return test
    own, centre = slice(-len(labels), None), np.eye(len(labels)) - 1 / len(labels)
    scaled = np.diag(centre @ full.unscaled[own, own] @ centre)
    reach = stdtrit(full.df, (1 + LEVEL) / 2) * np.sqrt(full.rss / full.df * scaled)
    columns = (levels.sum(axis=0), centre @ full.estimates[own], reach)
    effects = tuple(
        Effect(label=label, cups=int(cups), effect=at, interval=Interval(at - off, at + off))
        for label, cups, at, off in zip(labels, *(it.tolist() for it in columns), strict=True)
    )
    return OrderEffect(test=test, effects=effects)


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
    """Pool the spread of each taster's scores of the same variant; `scored` are the servings.

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


def _control_pair(score: FloatArray, table: ScoreTable, control: int) -> ControlPair | NoResult:
    """Compare the two control cups that a taster got in one session, two rows of the table."""
    rows = np.flatnonzero((table.variant == control) & np.isfinite(score))
    rows = rows[np.lexsort((table.position[rows], table.session[rows], table.taster[rows]))]
    _, start, cups = np.unique(_sitting(table)[rows], return_index=True, return_counts=True)
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
    additive = fit_blocks(score, taster, indicators(variant, cells.count.shape[1]))
    within = float(cells.within.sum())
    if additive.df <= df:
        return NoResult(
            "No taster scored enough variants to differ from the others in how they see them."
        )
    return f_test(additive.rss - within, additive.df - df, within, df)


Cell = str | float | int | bool | None


def long_rows(attribute: Record) -> Iterator[tuple[Cell, ...]]:
    """Write the record of one attribute as rows for CSV, a row a number.

    It is one of ``Panel.to_record()["attributes"]``.

    >>> record = {"attribute": "texture", "concordance": {"w": 0.5}, "tasters": None,
    ...     "tasters_reason": "Not listed."}
    >>> for row in long_rows(record): row
    ('texture', '', 'concordance.w', 0.5, None, None, '')
    ('texture', '', 'tasters', None, None, None, 'Not listed.')
    """
    summary = dict(attribute)
    name, tasters = summary.pop("attribute"), summary.pop("tasters") or []
    if "tasters_reason" in summary:
        summary["tasters"] = None
    for taster, record in [("", summary), *((review["taster"], review) for review in tasters)]:
        for measure in _measures(record, ""):
            yield (name, taster, *measure)


def _measures(record: Record, before: str) -> Iterator[tuple[Cell, ...]]:
    """Write measure, value, low, high and reason of every number."""
    for key, value in record.items():
        path = f"{before}{key}"
        match value:
            case None:
                yield (path, None, None, None, record[f"{key}_reason"])
            case dict():
                yield from _measures(value, f"{path}.")
            case [float(low), float(high)]:
                yield (path, None, low, high, "")
            case list():
                for effect in value:
                    yield from _measures(effect, f"{path}.{effect['label']}.")
            case _ if not key.endswith("_reason") and key not in ("label", "taster"):
                yield (path, value, None, None, "")
