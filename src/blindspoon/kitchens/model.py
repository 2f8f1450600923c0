"""Each variant against the control by one mixed model of the scores of all kitchens."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from blindspoon.compare.kenward_roger import kenward_roger
from blindspoon.compare.mixed import (
    adjusted,
    against,
    fit_contrasts,
    position_columns,
    scatter_sds,
)
from blindspoon.compare.reml import RemlFit
from blindspoon.compare.results import FitNote, MixedContrast, NoResult
from blindspoon.compare.strata import Grid, Layout, make_grid
from blindspoon.kitchens.results import Disagreement, PooledFit
from blindspoon.scores import FloatArray, IntArray

AMONG = "tasters or kitchens"


def pool_scores(
    score: FloatArray,
    taster: IntArray,
    kitchen: IntArray,
    variant: IntArray,
    *,
    control: int,
    alpha: float,
    position: IntArray | None = None,
) -> PooledFit | NoResult:
    """Compare every variant with the control over several kitchens.

    The model is ``score ~ variant + kitchen [+ position] + (1 | taster) + (1 |
    kitchen:variant)``, with ``(1 | taster:variant)`` where some taster scored a variant more
    than once, fitted by REML, with Kenward-Roger standard errors and degrees of freedom and
    Dunnett's adjustment over the variants. Beside it stands the same model with
    kitchen:variant as a fixed effect: its differences, with equal weights for the kitchens,
    are about these kitchens only, and its F tests whether kitchens disagree.

    Parameters
    ----------
    score : float array, shape (n,)
        One score a serving, finite.
    taster : int array, shape (n,)
        Codes from 0; nobody tasted in two kitchens.
    kitchen, variant : int array, shape (n,)
        Codes from 0; every kitchen scored every variant.
    control : int
        The variant that the others are compared with.
    alpha : float
        Chance of a false difference over all variants, below 0.5.
    position : int array, shape (n,), optional
        Place of the serving in its session, for a categorical fixed effect.

    Returns
    -------
    PooledFit or NoResult

    Notes
    -----
    M. G. Kenward and J. H. Roger (1997), Biometrics 53, 983-997. With two variants in balanced
    trials the difference has the standard error ``s / sqrt(K)`` and ``K - 1`` degrees of
    freedom, where s is the SD of the K kitchens' own differences and their scatter is not
    estimated as zero: J. Hartung and G. Knapp (2001), Statistics in Medicine 20, 3875-3889.

    Examples
    --------
    Two kitchens, two tasters each, whose differences are 1, 2 and 3, 4:

    >>> fit = pool_scores(np.array([4.0, 5, 6, 8, 3, 6, 2, 6]), np.repeat([0, 1, 2, 3], 2),
    ...                   np.repeat([0, 1], 4), np.array([0, 1] * 4), control=0, alpha=0.05)
    >>> pooled, these = fit.contrasts[0], fit.these[0]
    >>> round(pooled.difference, 4), round(pooled.se, 4), round(pooled.df, 4)
    (2.5, 1.0, 1.0)
    >>> round(these.difference, 4), round(these.se, 4), round(these.df, 4)
    (2.5, 0.3536, 2.0)
    """
    if score.min() == score.max():
        return NoResult("All scores are the same, so there is no scatter.")
    everywhere = np.ones(score.size, dtype=bool)
    rows = _Rows(
        taster=taster,
        kitchen=kitchen,
        variant=variant,
        score=score,
        place=position_columns(position, everywhere),
        control=control,
    )
    grid = rows.with_random_cells()
    found = fit_contrasts(grid, against(control, rows.variants, grid.n_fixed), AMONG)
    if isinstance(found, NoResult):
        return found
    fit, test = found
    these, disagreement = _these_only(rows, alpha)
    residual, cell = scatter_sds(fit, grid)
    return PooledFit(
        reml_criterion=fit.at.value,
        residual_sd=residual,
        taster_sd=fit.sd("taster") or 0.0,
        taster_variant_sd=cell,
        kitchen_variant_sd=fit.sd("batch") or 0.0,
        contrasts=adjusted(test, rows.others, alpha),
        note=_note(fit, position=position is not None),
        these=these,
        disagreement=disagreement,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """The scores of all kitchens, and what can be made of them."""

    taster: IntArray
    kitchen: IntArray
    variant: IntArray
    score: FloatArray
    place: FloatArray
    control: int

    @property
    def kitchens(self) -> int:
        """How many there are."""
        return int(self.kitchen.max()) + 1

    @property
    def variants(self) -> int:
        """How many there are, the control among them."""
        return int(self.variant.max()) + 1

    @property
    def others(self) -> IntArray:
        """All variants but the control."""
        return np.delete(np.arange(self.variants), self.control)

    def with_random_cells(self) -> Grid:
        """Kitchens are fixed, kitchen:variant is the term of low rank."""
        cells = np.eye(self.kitchens * self.variants)
        random = cells[self.kitchen * self.variants + self.variant]
        return self._grid(self._kitchen_columns(), random)

    def with_fixed_cells(self) -> Grid:
        """Kitchens are fixed for each variant by itself: K - 1 columns a variant."""
        own = self.variant[:, None] == np.arange(self.variants)
        crossed = own[:, :, None] * self._kitchen_columns()[:, None, :]
        return self._grid(crossed.reshape(self.score.size, -1), np.empty((self.score.size, 0)))

    def _kitchen_columns(self) -> FloatArray:
        """Columns that sum to zero over kitchens, so that effects are means of kitchens."""
        return np.vstack([np.eye(self.kitchens - 1), -np.ones(self.kitchens - 1)])[self.kitchen]

    def _grid(self, fixed: FloatArray, random: FloatArray) -> Grid:
        return make_grid(
            Layout(
                taster=self.taster,
                variant=self.variant,
                fixed=np.hstack([fixed, self.place]),
                random=random,
                score=self.score,
            )
        )


def _these_only(
    rows: _Rows, alpha: float
) -> tuple[tuple[MixedContrast, ...] | NoResult, Disagreement | NoResult]:
    """Compare in these kitchens alone, and test whether they disagree."""
    grid = rows.with_fixed_cells()
    found = fit_contrasts(grid, against(rows.control, rows.variants, grid.n_fixed), "tasters")
    if isinstance(found, NoResult):
        return found, found
    fit, test = found
    apart = kenward_roger(fit.at, _interactions(rows, grid.n_fixed))
    disagreement = Disagreement(
        f=apart.f,
        df_num=apart.df_num,
        df_den=apart.df_den,
        p_value=float(fdtrc(apart.df_num, apart.df_den, apart.f)),
    )
    return adjusted(test, rows.others, alpha), disagreement


def _interactions(rows: _Rows, columns: int) -> FloatArray:
    """Return contrasts of how kitchens shift a variant with how they shift the control."""
    shifts = against(rows.control, rows.variants, rows.variants)
    contrasts = np.zeros((len(shifts) * (rows.kitchens - 1), columns))
    crossed = np.kron(shifts, np.eye(rows.kitchens - 1))
    contrasts[:, rows.variants : rows.variants + crossed.shape[1]] = crossed
    return contrasts


def _note(fit: RemlFit, *, position: bool) -> FitNote:
    """Say how the fit ended, the term of low rank by the name that it has here."""
    names = [name.replace("batch", "kitchen:variant") for name in fit.names]
    return FitNote(
        converged=fit.converged,
        iterations=fit.iterations,
        at_zero=tuple(n for n, value in zip(names, fit.variances, strict=True) if value == 0),
        position=position,
    )
