"""What a comparison found, one frozen value a question.

A difference is always variant minus control, in points of the attribute's scale. Variants
and the control are named by their position in ``Trial.variants``.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import pandas as pd

Record = dict[str, Any]
Method = Literal["exact", "sampled", "normal"]
SittingsWay = Literal["", "each", "shared", "steady", "repeats"]


@dataclass(frozen=True, slots=True)
class Interval:
    """An interval in scale points; its ends belong to it unless they are open."""

    low: float
    high: float
    low_open: bool = False
    high_open: bool = False

    def within(self, margin: float) -> bool:
        """Whether the interval lies strictly between minus margin and plus margin."""
        return self.above(-margin) and self.below(margin)

    def excludes_zero(self) -> bool:
        """Whether zero lies outside."""
        return self.above(0) or self.below(0)

    def above(self, value: float) -> bool:
        """Whether all of it lies above the value."""
        return self.low > value or (self.low_open and self.low == value)

    def below(self, value: float) -> bool:
        """Whether all of it lies below the value."""
        return self.high < value or (self.high_open and self.high == value)


@dataclass(frozen=True, slots=True)
class NoResult:
    """A comparison that could not be made, and the reason as a sentence with its full stop."""

    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FitNote:
    """How a mixed model fit ended.

    - `at_zero`: variance components that were estimated as exactly zero
    - `position`: whether serving position was a fixed effect
    - `sittings`: what a difference is over several: the mean over all of them ("each"), or those at
      which both were tasted ("shared"); the same at each, sessions differing in level ("steady") or
      taken as repeats ("repeats"). Blank with one sitting
    """

    converged: bool
    at_zero: tuple[str, ...]
    position: bool
    sittings: SittingsWay = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedContrast:
    """One variant against the control by the mixed model.

    With Kenward-Roger standard error and degrees of freedom. P values are two-sided, the adjusted
    one by Dunnett's method over the variants. `days_in_general` is an interval with the sittings as
    a sample of days; None where there was one, or nobody asked.
    """

    variant: int
    difference: float
    se: float
    df: float
    t: float
    p_value: float
    p_adjusted: float
    interval: Interval
    equivalence_interval: Interval
    days_in_general: Interval | NoResult | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedFit:
    """The mixed model of one attribute: ``score ~ variant + (1 | taster) [+ ...]``.

    Kenward-Roger F that no variant differs; minus twice the restricted log-likelihood, constants
    included; standard deviations in points, None where the model has no such term. Contrasts are in
    the order of the variants; a variant that nobody tasted has none.
    """

    f: float
    df_num: float
    df_den: float
    p_value: float
    reml_criterion: float
    residual_sd: float
    taster_sd: float
    taster_variant_sd: float | None
    taster_session_sd: float | None
    batch_sd: float | None
    contrasts: tuple[MixedContrast, ...]
    note: FitNote


@dataclass(frozen=True, slots=True, kw_only=True)
class RankContrast:
    """One variant against the control by signed ranks.

    - `tasters`, `zero_differences`: who scored both, and how many of them, or of the rounds, with a
      difference of zero
    - `rounds`: in which the only taster scored both; 0 where several tasted
    - `shift`: Hodges-Lehmann estimate of variant minus control, in points
    - `interval`, `equivalence_interval`: None where too few tasters or rounds have both
    - `p_value`, `p_adjusted`: two-sided; the second over the variants, by single-step max-T or by
      the closed test of `compare_rounds`
    - `smallest_p`: the smallest adjusted p that these tasters or rounds, ties and zeros could give
    - `method`: by all sign flips (or namings of the cups in rounds), some of them, or their limit
    """

    variant: int
    tasters: int
    zero_differences: int
    shift: float
    interval: Interval | None
    equivalence_interval: Interval | None
    p_value: float
    p_adjusted: float
    smallest_p: float
    method: Method
    rounds: int = 0

    @property
    def difference(self) -> float:
        """The shift, under the name that the mixed model has for it."""
        return self.shift


@dataclass(frozen=True, slots=True, kw_only=True)
class Unanimous:
    """One variant against the control where all tasters found exactly the same difference.

    `p_value` is the chance that all would agree in direction, 1 where the difference is zero.
    Intervals are what rounding scores to the `step` leaves; for equivalence from four tasters on.
    """

    variant: int
    tasters: int
    step: float
    difference: float
    p_value: float
    interval: Interval
    equivalence_interval: Interval | None

    @property
    def p_adjusted(self) -> float:
        """The same chance: a taster's differences turn together."""
        return self.p_value


Contrast = MixedContrast | RankContrast | Unanimous


@dataclass(frozen=True, slots=True, kw_only=True)
class Friedman:
    """The rank test that all variants are alike, referred to the chi-squared distribution.

    Counted are tasters, or rounds of the only taster, with scores of at least two variants. `form`
    is what the statistic reduces to on this pattern of cells.
    """

    statistic: float
    df: int
    p_value: float
    tasters: int
    form: Literal["Friedman", "Durbin", "Skillings-Mack"]
    rounds: int = 0


def as_record(value: object) -> Record:
    """Write a frozen value as a dictionary.

    A `NoResult` becomes None, and its reason stands beside it under the name with ``_reason``. A
    field's metadata may give it another "name", or a reason for being None, "lacking". Ready for
    JSON, in the order of the fields.

    >>> from blindspoon.stats.two_way import FTest
    >>> made = as_record(FTest(f=4.5, df_num=2.0, df_den=9.0, p_value=0.044, residual_sd=1.0))
    >>> made["f"], made["p_value"]
    (4.5, 0.044)
    """
    record: Record = {}
    for column in fields(value):  # type: ignore[arg-type]
        part, name = getattr(value, column.name), column.metadata.get("name") or column.name
        record[name] = _plain(part)
        reason = part.reason if isinstance(part, NoResult) else column.metadata.get("lacking")
        if record[name] is None and reason:
            record[f"{name}_reason"] = reason
    return record


def _plain(part: Any) -> Any:  # noqa: ANN401 - as many kinds as there are fields
    if isinstance(part, NoResult):
        return None
    if isinstance(part, Interval):
        return [part.low, part.high]
    if isinstance(part, datetime.date):
        return part.isoformat()
    if isinstance(part, tuple):
        return [_plain(inner) for inner in part]
    return as_record(part) if is_dataclass(part) else part


def records_frame(
    records: Sequence[Mapping[str, Any]], columns: Sequence[str] = ()
) -> pd.DataFrame:
    """Lay out records as JSON has them, a row each; a nested field is named after its path.

    ``mixed.difference`` is column mixed_difference; the ends of the list ``mixed.interval`` are
    mixed_interval_low and mixed_interval_high. Where records may lack some, `columns` names all of
    them but the reasons.

    >>> records_frame([{"variant": "leaf", "mixed": {"interval": [0.5, 2.0]}}]).to_dict("records")
    [{'variant': 'leaf', 'mixed_interval_low': 0.5, 'mixed_interval_high': 2.0}]
    """
    import pandas as pd  # noqa: PLC0415 - only where a frame is asked for

    frame = pd.json_normalize([_without_lists(record) for record in records], sep="_")
    reasons = (name for name in frame if name.endswith("_reason"))
    return frame.reindex(columns=[*columns, *reasons]) if columns else frame


def _without_lists(record: Mapping[str, Any]) -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for name, value in record.items():
        if isinstance(value, Mapping):
            flat[name] = _without_lists(value)
        elif isinstance(value, list) and len(value) == 2 and not isinstance(value[0], Mapping):
            flat[f"{name}_low"], flat[f"{name}_high"] = value
        else:
            flat[name] = value
    return flat
