"""Which part of the scale the tasters use."""

from __future__ import annotations

import numpy as np

from blindspoon.compare.results import NoResult
from blindspoon.panel.results import ScaleUse
from blindspoon.scores import FloatArray
from blindspoon.trial import Scale


def scale_use(scores: FloatArray, scale: Scale) -> ScaleUse | NoResult:
    """Describe scores by their mean, spread and ends.

    Parameters
    ----------
    scores : float array, shape (n,)
        In points, finite.
    scale : Scale

    Examples
    --------
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
