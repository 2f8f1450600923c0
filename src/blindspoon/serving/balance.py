"""How balanced a drawn plan is, as numbers counted from the plan itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blindspoon.serving.settle import FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """The smallest and the largest of some counts."""

    low: int
    high: int

    def to_row(self) -> dict[str, int]:
        """Both numbers by name."""
        return {"low": self.low, "high": self.high}


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """How even a plan is; all counts are of servings, and "others" are variants but the control.

    Parameters
    ----------
    session : str or None
        None is all sessions together.
    sets : int
        How many sets of cups: one a taster and session.
    cups : int
        Cups in a set.
    controls : Span
        How often the control is in a set.
    replication : Span
        How often each other variant is served.
    concurrence : Span or None
        How often each pair of others is in one set; None where there is only one other.
    positions, control_positions : Span
        How often each other variant, and the control, is served in each position.
    follows : Span or None
        How often one other variant is served straight after another, over all ordered pairs;
        None where there is only one other.
    control_follows : Span
        How often another variant is served straight after the control, or the control after it.
    variance : float or None
        Mean variance of the estimated differences *variant minus control*, in units of the
        variance of one score; None where a variant is never served.
    efficiency : float
        The same variance if each variant had as many cups and no comparison were across sets,
        divided by `variance`; 1 where everybody gets everything, 0 where `variance` is None.
    tasters_worth : float
        How many sets of all the variants would give this `variance`.
    """

    session: str | None
    sets: int
    cups: int
    controls: Span
    replication: Span
    concurrence: Span | None
    positions: Span
    control_positions: Span
    follows: Span | None
    control_follows: Span
    variance: float | None
    efficiency: float
    tasters_worth: float

    def to_row(self) -> dict[str, object]:
        """Every number by name; a span as its two ends."""
        row: dict[str, object] = {}
        for name in self.__slots__:
            value = getattr(self, name)
            row[name] = value.to_row() if isinstance(value, Span) else value
        return row


def measure(
    rows: IntArray | Sequence[Sequence[int]], variants: int, session: str | None = None
) -> Balance:
    """Count how balanced a plan is.

    Parameters
    ----------
    rows : int array, shape (n_sets, cups)
        Variants from 0, the control, in serving order; all rows of one length.
    variants : int
        Number of variants with the control, at least 2.
    session : str or None
        The session that the rows are of.

    Returns
    -------
    Balance

    Examples
    --------
    >>> found = measure([[0, 1, 2], [1, 2, 0], [2, 0, 1]], 3)
    >>> found.positions, found.follows, found.efficiency
    (Span(low=1, high=1), Span(low=0, high=2), 1.0)
    """
    plan = np.array(rows, dtype=np.int64)
    times = (plan[:, :, None] == np.arange(variants)).sum(axis=1)
    places = (plan[:, :, None] == np.arange(variants)).sum(axis=0).T
    after = np.zeros((variants, variants), dtype=np.int64)
    np.add.at(after, (plan[:, :-1].ravel(), plan[:, 1:].ravel()), 1)
    together = times.T @ times
    apart = ~np.eye(variants - 1, dtype=bool)
    pairs = variants > 2
    variance = comparison_variance(times)
    return Balance(
        session=session,
        sets=len(plan),
        cups=plan.shape[1],
        controls=_span(times[:, 0]),
        replication=_span(times.sum(axis=0)[1:]),
        concurrence=_span(together[1:, 1:][apart]) if pairs else None,
        positions=_span(places[1:]),
        control_positions=_span(places[0]),
        follows=_span(after[1:, 1:][apart]) if pairs else None,
        control_follows=_span(np.concatenate([after[0, 1:], after[1:, 0]])),
        variance=variance,
        efficiency=0.0 if variance is None else _unblocked_variance(times) / variance,
        tasters_worth=0.0
        if variance is None
        else (1.0 + 1.0 / float(times[:, 0].mean())) / variance,
    )


def comparison_variance(times: IntArray) -> float | None:
    """Mean variance of *variant minus control* when each set of cups has a level of its own.

    Parameters
    ----------
    times : int array, shape (n_sets, n_variants)
        How often each variant is in each set; the control first, and in every set.

    Returns
    -------
    float or None
        In units of the variance of one score; None if a variant is in no set.

    Notes
    -----
    With N the incidence matrix, R the replications and k the cups a set, the information matrix
    of the variants after sets is ``C = diag(R) - N' N / k``; the covariance of the differences
    from the control is the inverse of C without the control's row and column. For the balanced
    designs of Bechhofer and Tamhane 1981 (Technometrics 23:45-57) with p others, l0 sets with
    the control and a given other, and l1 sets with a given pair of others, the variance is
    ``k (l0 + l1) / (l0 (l0 + p l1))``.

    Examples
    --------
    >>> comparison_variance(np.array([[1, 1, 0], [1, 0, 1], [1, 1, 0], [1, 0, 1]]))
    1.0
    """
    replication = times.sum(axis=0)
    if not replication.all():
        return None
    information = np.diag(replication) - times.T @ times / times[0].sum()
    covariance = np.linalg.inv(information[1:, 1:])
    return float(np.diag(covariance).mean())


def _unblocked_variance(times: IntArray) -> float:
    inverse: FloatArray = 1.0 / times.sum(axis=0)
    return float(inverse[0] + inverse[1:].mean())


def _span(counts: IntArray) -> Span:
    return Span(low=int(counts.min()), high=int(counts.max()))
