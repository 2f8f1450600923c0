"""The mixed model where cups are uneven: the control twice, or not every variant for everybody.

Differences and their errors are those at the true variances, which spares a fit for each trial;
that trials have to estimate the variances comes in by the degrees of freedom.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.simulate.at_once import Wider
from blindspoon.simulate.size_results import Spread
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.reml import Model, kenward_roger
from blindspoon.stats.strata import Strata


@dataclass(frozen=True, slots=True, kw_only=True)
class UnevenRule:
    """What decides trials of n cups, all served alike, of k variants.

    - `served`, shape (t, c, s): who gets a cup of each column when
    - `weights`, shape (k - 1, n): of the cups in the estimated differences from the control
    - `different`, `alike`, shape (k - 1,): how far a difference reaches, in points, where scatter
      is estimated as it is; infinite where nothing can be told
    - `df`: of that estimate
    """

    served: BoolArray
    weights: FloatArray
    different: FloatArray
    alike: FloatArray
    df: float

    def decide(
        self, scores: FloatArray, margin: float, rng: np.random.Generator, wider: Wider = (1.0, 1.0)
    ) -> tuple[BoolArray, BoolArray]:
        """Decide trials of scores (m, t, c, s) as `at_once.decide` does even ones."""
        size = np.abs(scores[:, self.served] @ self.weights.T)
        scatter = np.sqrt(rng.chisquare(self.df, (len(scores), 1)) / self.df)
        inside: BoolArray = size + self.alike * scatter * wider[1] < margin
        return size >= self.different * scatter * wider[0], inside


def uneven_rule(
    served: BoolArray, kinds: IntArray, positions: FloatArray, spread: Spread, alpha: float
) -> UnevenRule:
    """Prepare to decide trials by the model of `compare_mixed`.

    Each column holds cups of one variant, its kind; all tasters get as many cups, and the control,
    0. Positions, shape (t, c, s, q), are as of `balanced_design`.
    """
    t, _, s = served.shape
    _, column, session = np.nonzero(served)
    variant, k = kinds[column], int(kinds.max()) + 1
    places = positions[served]
    cells, cell = np.unique(variant * s + session, return_inverse=True)
    fixed = np.hstack([np.eye(cells.size)[cell], places - places.mean(axis=0)])
    of, on = np.divmod(cells, s)
    tasted = np.equal.outer(np.arange(k), of) @ np.eye(s)[on]
    others = np.flatnonzero(tasted.any(axis=1))[1:]
    contrasts = np.zeros((others.size, fixed.shape[1]))
    contrasts[:, : of.size] = 1.0 * (of == others[:, None]) - (of == 0) * tasted[others][:, on]
    contrasts /= tasted[others].sum(axis=1, keepdims=True)
    fixed = fixed.reshape(t, -1, fixed.shape[1])
    strata, variances = _by_taster(fixed, variant, session, spread)
    weights, reaches, df = np.zeros((k - 1, cell.size)), np.full((2, k - 1), np.inf), 1.0
    with suppress(np.linalg.LinAlgError):  # too few cups for so many variances
        at = Model.of(strata, 1.0, interaction=True)(variances)
        test = kenward_roger(at, contrasts)
        if test.usable:
            errors = np.sqrt(np.diag(test.covariance))
            family = Dunnett(test.covariance / np.outer(errors, errors))
            for value, reach in zip(
                (family.critical_value, family.alike_value), reaches, strict=True
            ):
                reach[others - 1] = [value(alpha, own) for own in test.df.tolist()] * errors
            inverse = np.linalg.inv(np.tensordot(variances, strata.basis, 1))
            weighted = np.einsum("tcp,tcd->ptd", fixed, inverse).reshape(-1, cell.size)
            weights[others - 1] = contrasts @ at.covariance @ weighted
            df = float(test.df.mean())
    return UnevenRule(served=served, weights=weights, different=reaches[0], alike=reaches[1], df=df)


def _by_taster(
    fixed: FloatArray, variant: IntArray, session: IntArray, spread: Spread
) -> tuple[Strata, FloatArray]:
    """Lay every taster's cups out as a stratum, and give the true variances.

    Tasters are not taken to differ by session, though the model allows for it.
    """
    t, c, p = fixed.shape
    by_variant, by_session = (
        1.0 * (own.reshape(t, c, 1) == own.reshape(t, 1, c)) for own in (variant, session)
    )
    cup = np.broadcast_to(np.eye(c), (t, c, c))
    opinion, left = spread.taster_variant_sd**2, spread.residual_sd**2
    terms = {"taster": (np.ones_like(cup), spread.taster_sd**2)}
    if (by_variant > cup).any():
        terms["taster:variant"] = (by_variant, opinion)
    else:
        left += opinion
    if not by_session.all():
        terms["taster:session"] = (by_session, 0.0)
    terms["residual"] = (cup, left)
    basis = np.stack([own for own, _ in terms.values()])
    columns = np.dstack([fixed, np.zeros((t, c, 1))])  # what was scored is of no account
    moments = np.einsum("tip,tjq->tijpq", columns, columns).reshape(t * c * c, -1)
    strata = Strata(
        names=tuple(terms), basis=basis, repeats=cup, between=cup, padding=np.zeros_like(cup),
        copies=np.ones(t), moments=moments, log_scale=0.0, centre=0.0, rounding=0.0,
        n_scores=t * c, n_variants=p, n_fixed=p, n_random=0,
    )  # fmt: skip
    return strata, np.array([variance for _, variance in terms.values()])
