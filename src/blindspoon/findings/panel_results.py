"""What is known of the tasters, one frozen value a question.

Intervals have level `LEVEL` and speak of one number at a time; none is shared among several.
What could not be computed is a `NoResult` with its reason.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from blindspoon.stats.results import Interval, NoResult, Record, as_record
from blindspoon.stats.two_way import LEVEL, FTest

Cell = str | float | int | bool | None

COLUMNS = ("attribute", "taster", "measure", "value", "low", "high", "reason")
"""Of the rows for CSV; `taster` is empty where a number is of all, `low` and `high` are ends."""


def long_rows(attribute: Record) -> Iterator[tuple[Cell, ...]]:
    """Write the record of one attribute as rows of `COLUMNS`, a row a number.

    It is one of ``Panel.to_record()["attributes"]``.

    >>> record = {"attribute": "texture", "concordance": {"w": 0.5}, "tasters": None,
    ...     "tasters_reason": "Not listed."}
    >>> for row in long_rows(record): row
    ('texture', '', 'concordance.w', 0.5, None, None, '')
    ('texture', '', 'tasters', None, None, None, 'Not listed.')
    """
    whole = dict(attribute)
    name, tasters = whole.pop("attribute"), whole.pop("tasters") or []
    if "tasters_reason" in whole:
        whole["tasters"] = None
    for taster, record in [("", whole), *((review["taster"], review) for review in tasters)]:
        own = {key: value for key, value in record.items() if key != "taster"}
        for measure in _measures(own, ""):
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
                    below = {name: part for name, part in effect.items() if name != "label"}
                    yield from _measures(below, f"{path}.{effect['label']}.")
            case _ if not key.endswith("_reason") and key != "label":
                yield (path, value, None, None, "")


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

    The repeatability is the spread of the taster's scores of the same variant, in points (without
    replicates it has 0 degrees of freedom); the correlation that of their means of the variants
    with what all others made of these; the discrimination holds variants against their own spread.
    """

    taster: str
    scale_use: ScaleUse
    repeatability_sd: float | NoResult
    repeatability_df: int
    correlation: float | NoResult
    discrimination: FTest | NoResult


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """How closely tasters repeat their own scores of the same variant.

    Pooled over tasters with replicates and variants, in points; the interval is by the chi-squared
    distribution. Replicates that were scored across sessions, or came from different batches, hold
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
class Concordance:
    """Kendall's W of the tasters' rankings of the variants, corrected for ties.

    From 0 (rankings that cancel out) to 1 (all alike); ``tasters * (variants - 1) * w`` is referred
    to the chi-squared distribution. Counted are tasters who scored every variant that anybody
    scored.
    """

    w: float
    statistic: float
    df: int
    p_value: float
    tasters: int
    variants: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Intraclass:
    """Intraclass correlations: tasters as raters, variants as targets; counted as in `Concordance`.

    Consistency, ICC(3,1) and ICC(3,k): do the tasters see the same distances between the variants?
    Agreement, ICC(2,1) and ICC(2,k): do they give the same numbers as well?
    """

    consistency_single: float
    consistency_single_interval: Interval
    consistency_mean: float
    consistency_mean_interval: Interval
    agreement_single: float
    agreement_single_interval: Interval
    agreement_mean: float
    agreement_mean_interval: Interval
    tasters: int
    variants: int


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
    """The tasters on one attribute.

    - `scale_use`: of all scores together
    - `interaction`: taster by variant over the repeatability: whether tasters differ in how they
      see the variants by more than they scatter
    - `position`, `carry_over`: an effect for each place, and for each variant tasted just before
    - `first_cup`: the first cup minus the mean of the later places
    - `position_in_model`: whether the mixed model of the comparison allowed for the place of a cup
    - `tasters`: those who scored the attribute, in the order of the table
    """

    attribute: str
    primary: bool
    scale_use: ScaleUse | NoResult
    repeatability: Repeatability | NoResult
    controls: ControlPair | NoResult
    concordance: Concordance | NoResult
    intraclass: Intraclass | NoResult
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
        """Write everything as plain dictionaries, ready for JSON.

        Unless single tasters may be `shown`, their part is None, with the reason.
        """
        kept = self
        if not shown:
            hidden = NoResult("Single tasters are not told of in this trial.")
            attributes = tuple(replace(one, tasters=hidden) for one in self.attributes)
            kept = replace(self, attributes=attributes)
        return {"level": LEVEL, **as_record(kept)}
