"""Equal means made equal numbers."""

from __future__ import annotations

import numpy as np

from blindspoon.scores import FloatArray


def settle_ties(points: FloatArray) -> FloatArray:
    """Round to a billionth of a point, so that floating point does not make ties into differences.

    Examples
    --------
    >>> float(0.1 + 0.2 - 0.3), float(settle_ties(np.array(0.1 + 0.2 - 0.3)))
    (5.551115123125783e-17, 0.0)
    """
    return np.round(points, 9)
