"""Everything that is asked of all attributes together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from blindspoon.compare.ranks import taster_means
from blindspoon.compare.results import AttributeResult, NoResult
from blindspoon.joint.correlations import AttributePair, Correlation, correlate_attributes
from blindspoon.joint.overall import Overall, compare_overall
from blindspoon.joint.plane import Direction, Map, Place, map_variants
from blindspoon.scores import FloatArray, ScoreTable
from blindspoon.trial import Trial

Record = dict[str, Any]
Found = TypeVar("Found")

MAP_DRAWS, OVERALL_DRAWS = 1_000_001, 1_000_002
"""Second words of the seeds, beside the trial's own; those of the attributes count from 0."""
NO_INTERVAL = "too few degrees of freedom for an interval"
NOT_COMPARED = "this procedure gave no result here"


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """What was found of all attributes together.

    Parameters
    ----------
    correlations : tuple of AttributePair or NoResult
    map : Map or NoResult
    overall : Overall or NoResult
    """

    correlations: tuple[AttributePair, ...] | NoResult
    map: Map | NoResult
    overall: Overall | NoResult

    def to_record(self) -> Record:
        """Write everything as plain values for JSON; None has its reason beside it."""
        return {
            **_or_reason("correlations", self.correlations, _pair_records),
            **_or_reason("map", self.map, _map_record),
            **_or_reason("overall", self.overall, _overall_record),
        }


def study_joint(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> Joint:
    """Look at all attributes together.

    Parameters
    ----------
    trial : Trial
        Gives the control, the rule and the seed.
    table : ScoreTable
    results : tuple of AttributeResult
        Of `compare.family.compare_trial`.

    Returns
    -------
    Joint
        What could not or need not be said stands there as `NoResult` with its reason.
    """
    means = _means(trial, table)
    names = [attribute.name for attribute in trial.attributes]
    return Joint(
        correlations=correlate_attributes(names, means),
        map=map_variants(
            [variant.name for variant in trial.variants],
            names,
            np.stack(means, axis=2),
            [attribute.scale.high - attribute.scale.low for attribute in trial.attributes],
            alpha=trial.decision.alpha,
            rng=np.random.default_rng([trial.seed, MAP_DRAWS]),
        ),
        overall=compare_overall(
            trial, means, results, np.random.default_rng([trial.seed, OVERALL_DRAWS])
        ),
    )


def _means(trial: Trial, table: ScoreTable) -> list[FloatArray]:
    """Average each taster's replicates: one table of tasters by variants an attribute."""
    return [
        taster_means(
            scores,
            table.taster,
            table.variant,
            n_tasters=len(table.tasters),
            n_variants=len(trial.variants),
        )
        for scores in table.scores.T
    ]


def _or_reason(name: str, value: Found | NoResult, record: Callable[[Found], object]) -> Record:
    if isinstance(value, NoResult):
        return {name: None, f"{name}_reason": value.reason}
    return {name: record(value)}


def _number(name: str, value: object, reason: str) -> Record:
    return {name: None, f"{name}_reason": reason} if value is None else {name: value}


def _pair_records(pairs: tuple[AttributePair, ...]) -> list[Record]:
    return [
        {
            "first": pair.first,
            "second": pair.second,
            **_or_reason("within", pair.within, _correlation_record),
            **_or_reason("between", pair.between, _correlation_record),
        }
        for pair in pairs
    ]


def _correlation_record(found: Correlation) -> Record:
    interval = None if found.interval is None else list(found.interval)
    return {
        "r": found.r,
        **_number("interval", interval, NO_INTERVAL),
        "pairs": found.pairs,
        "df": found.df,
    }


def _map_record(drawn: Map) -> Record:
    return {
        "unit": drawn.unit,
        "tasters": drawn.tasters,
        "p_value": drawn.p_value,
        "across": _axis_record(drawn.across),
        "up": _axis_record(drawn.up),
        "places": [_place_record(place) for place in drawn.places],
        "apart": [[one.variant, two.variant] for one, two in drawn.pairs_apart()],
    }


def _axis_record(axis: Direction) -> Record:
    loadings = [{"attribute": name, "loading": each} for name, each in axis.loadings.items()]
    return {"share": axis.share, "loadings": loadings}


def _place_record(place: Place) -> Record:
    long, short, degrees = place.ellipse()
    return {
        "variant": place.variant,
        "x": place.x,
        "y": place.y,
        "half_length": long,
        "half_width": short,
        "turned_degrees": degrees,
    }


def _overall_record(overall: Overall) -> Record:
    return {
        "alpha": overall.alpha,
        "attributes": overall.attributes,
        "decided_by": overall.by,
        **_number("method", overall.method, "no whole tasters were turned"),
        "comparisons": [
            {
                "attribute": each.attribute,
                "variant": each.variant,
                **_number("mixed_p", each.mixed_p, NOT_COMPARED),
                **_number("mixed_verdict", each.mixed_verdict, NOT_COMPARED),
                **_number("ranks_p", each.ranks_p, NOT_COMPARED),
                **_number("ranks_verdict", each.ranks_verdict, NOT_COMPARED),
            }
            for each in overall.comparisons
        ],
    }
