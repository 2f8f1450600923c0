"""Score rows -> a few moment matrices that hold everything the mixed model needs.

Within one taster, repeats of a variant differ by the residual only; means of variants served
equally often are exchangeable; what is left is one mean for each number of servings. A rotation
along these lines turns the rows into independent strata whose small covariance matrices are
linear in the variances, so that the likelihood costs the number of serving profiles, not tasters.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from blindspoon.arrays import FloatArray, IntArray

_EPSILON = float(np.finfo(np.float64).eps)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Rows to be fitted: n scores of tasters and variants, coded from 0.

    - `fixed`, shape (n, e): further fixed effects (serving position), independent of the variants
    - `random`, shape (n, b): indicators of the batches; none where batches are not in the model
    """

    taster: IntArray
    variant: IntArray
    fixed: FloatArray
    random: FloatArray
    score: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Rows summed up by variant and taster: k variants, t tasters, q columns.

    The columns are: one indicator a variant, fixed effects, batches, and the score last.

    - `servings`, shape (k, t): scores in each cell; 0 where the taster did not score the variant
    - `means`, shape (k, t, q): of the columns in each cell; 0 where there is no score
    - `within`, shape (q, q): products of the rows' deviations from their cell mean
    - `centre`: what was taken from every score beforehand, so that leading digits cost no accuracy
    - `rounding`: sum of squares that rounding alone could give
    - `n_fixed`, `n_random`: fixed-effect columns (the variants included) and batch columns
    """

    servings: IntArray
    means: FloatArray
    within: FloatArray
    centre: float
    rounding: float
    n_fixed: int
    n_random: int

    def averaged(self) -> Grid:
        """Return the same trial with the repeats in each cell replaced by their mean."""
        once = np.minimum(self.servings, 1)
        return replace(self, servings=once, within=np.zeros_like(self.within))


@dataclass(frozen=True, slots=True, kw_only=True)
class Strata:
    """Independent strata of a trial: s strata of dimension up to r, q columns.

    - `names`: the m variances: "taster", "taster:variant", "residual", perhaps "taster:session"
    - `basis`, shape (m, s, r, r): a stratum's covariance is the sum of these times the variances
    - `repeats`, `between`, shape (s, r, r): projections on what has the residual only, and on
      variants within tasters
    - `padding`, shape (s, r, r): ones on the diagonal where a stratum has fewer than r dimensions
    - `copies`, shape (s,): independent copies of each stratum
    - `moments`, shape (s * r * r, q * q): products of the columns summed over the copies
    - `log_scale`: what the rotation adds to the log determinant of the covariance of the scores
    - `centre`, `rounding`: as in `Grid`; the variants are the first of the fixed columns
    """

    names: tuple[str, ...]
    basis: FloatArray
    repeats: FloatArray
    between: FloatArray
    padding: FloatArray
    copies: FloatArray
    moments: FloatArray
    log_scale: float
    centre: float
    rounding: float
    n_scores: int
    n_variants: int
    n_fixed: int
    n_random: int

    @property
    def n_columns(self) -> int:
        """Fixed effects, batches and the score."""
        return self.n_fixed + self.n_random + 1


def make_grid(layout: Layout) -> Grid:
    """Sum the rows up by taster and variant."""
    tasters, variants = int(layout.taster.max()) + 1, int(layout.variant.max()) + 1
    cell = layout.variant * tasters + layout.taster
    servings = np.bincount(cell, minlength=tasters * variants)
    centre = float(layout.score.mean())
    columns = [*layout.fixed.T, *layout.random.T, layout.score - centre]
    means = np.zeros((servings.size, variants + len(columns)))
    means[np.arange(servings.size), np.arange(servings.size) // tasters] = servings > 0
    divisor = np.maximum(servings, 1)
    for at, column in enumerate(columns, variants):
        means[:, at] = np.bincount(cell, column, servings.size) / divisor
    within = np.zeros((means.shape[1], means.shape[1]))
    if servings.max() > 1:
        deviations = np.column_stack(columns) - means[cell, variants:]
        within[variants:, variants:] = deviations.T @ deviations
    return Grid(
        servings=servings.reshape(variants, tasters),
        means=means.reshape(variants, tasters, -1),
        within=within,
        centre=centre,
        rounding=_rounding(layout.score, centre),
        n_fixed=variants + layout.fixed.shape[1],
        n_random=layout.random.shape[1],
    )


def _rounding(score: FloatArray, centre: float) -> float:
    """Bound the sum of squares that rounding could give, by the input or by the sums here.

    A residual SD below 3e-4 of the SD of all scores drowns in the arithmetic of the fit.
    """
    of_input = score.size * (8 * _EPSILON * float(np.abs(score).max())) ** 2
    return of_input + 1e-7 * float(((score - centre) ** 2).sum())


def make_strata(grid: Grid) -> Strata:
    """Rotate a grid into independent strata."""
    counts = np.flatnonzero(np.bincount(grid.servings.ravel(), minlength=1)[1:]) + 1
    tasters, columns = grid.means.shape[1:]
    shared = np.empty((tasters, counts.size, columns))
    sizes = np.empty((tasters, counts.size), dtype=np.int64)
    extra = float(np.maximum(grid.servings - 1, 0).sum())  # rows around the mean of their cell
    basis = np.array([0.0, 0.0, 1.0]).reshape(3, 1, 1)
    parts: list[_Part] = [(basis, extra, grid.within[None, :, None, :])]
    for at, count in enumerate(counts):
        # cells of one taster with this number of servings, around their mean
        here = (grid.servings == count)[:, :, None]
        sizes[:, at] = here.sum(axis=(0, 2))
        total, divisor = (grid.means * here).sum(axis=0), np.maximum(sizes[:, at], 1)[:, None]
        flat = ((grid.means - total / divisor) * here).reshape(-1, columns)
        basis = np.array([0.0, 1.0, 1.0 / count]).reshape(3, 1, 1)
        copies = float(np.maximum(sizes[:, at] - 1, 0).sum())
        parts.append((basis, copies, (flat.T @ flat)[None, :, None, :]))
        shared[:, at] = total / np.sqrt(divisor)
    parts += _profiles(sizes, shared, counts)
    return _stacked([part for part in parts if part[1] > 0], grid)


_Part = tuple[FloatArray, float, FloatArray]
"""One stratum before padding: basis (3, r, r), copies, moments (r, q, r, q)."""


def _profiles(sizes: IntArray, shared: FloatArray, counts: IntArray) -> list[_Part]:
    """Means by number of servings, of all tasters that have the same numbers of them."""
    code = np.zeros(sizes.shape[0], dtype=np.int64)
    for column in sizes.T:
        if column.min() < column.max():
            code = np.unique(code * (column.max() + 1) + column, return_inverse=True)[1]
    order = np.argsort(code, kind="stable")
    starts = np.flatnonzero(np.diff(code[order], prepend=-1))
    parts = []
    for rows in np.split(order, starts[1:]):
        profile = sizes[rows[0]]
        there = np.flatnonzero(profile)
        if there.size == 0:
            continue
        root = np.sqrt(profile[there])
        basis = np.array([np.outer(root, root), np.eye(there.size), np.diag(1.0 / counts[there])])
        flat = shared[np.ix_(rows, there)].reshape(rows.size, -1)
        moments = (flat.T @ flat).reshape(there.size, -1, there.size, shared.shape[2])
        parts.append((basis, float(rows.size), moments))
    return parts


def _stacked(parts: list[_Part], grid: Grid) -> Strata:
    """Pad all parts to one size."""
    size = max(own.shape[1] for own, _, _ in parts)
    q = grid.means.shape[2]
    basis = np.zeros((3, len(parts), size, size))
    padding = np.zeros((len(parts), size, size))
    moments = np.zeros((len(parts), size, size, q, q))
    for at, (own, _, products) in enumerate(parts):
        r = own.shape[1]
        basis[:, at, :r, :r] = own
        padding[at, range(r, size), range(r, size)] = 1.0
        moments[at, :r, :r] = products.transpose(0, 2, 1, 3)
    taster, cell, residual = basis
    cells, tasters = (np.trace(own, axis1=1, axis2=2)[:, None, None] for own in (cell, taster))
    return Strata(
        names=("taster", "taster:variant", "residual"),
        basis=basis,
        repeats=residual * (cells == 0),
        between=cell - taster / np.maximum(tasters, 1),
        padding=padding,
        copies=np.array([copies for _, copies, _ in parts]),
        moments=moments.reshape(-1, q * q),
        log_scale=float(np.log(grid.servings[grid.servings > 0]).sum()),
        centre=grid.centre,
        rounding=grid.rounding,
        n_scores=int(grid.servings.sum()),
        n_variants=grid.servings.shape[0],
        n_fixed=grid.n_fixed,
        n_random=grid.n_random,
    )


def slots(*codes: IntArray) -> IntArray:
    """Give each row its number, from 0, within its combination of codes."""
    cell = np.ravel_multi_index(codes, [int(code.max()) + 1 for code in codes])
    order = np.argsort(cell, kind="stable")
    first = np.flatnonzero(np.diff(cell[order], prepend=-1))
    number = np.empty_like(order)
    number[order] = np.arange(order.size) - np.repeat(first, np.diff([*first, order.size]))
    return number


def make_sitting_strata(layout: Layout, session: IntArray) -> Strata:
    """Rotate rows into strata of a model that has ``(1 | taster:session)`` too.

    Sessions have shape (n,) and count from 0.

    With as many cups of every variant at every sitting, tasters fall apart into four lines of one
    dimension each. A cup that is missing is put in as a zero with an effect of its own, a further
    fixed column, which leaves every estimate, the criterion and all degrees of freedom as they
    are without it (F. E. Allan and J. Wishart 1930, J. Agric. Sci. 20, 399-406; M. S. Bartlett
    1937, J. R. Stat. Soc. Suppl. 4, 137-183).
    """
    taster = np.unique(layout.taster, return_inverse=True)[1]
    codes = (taster, layout.variant, session, slots(taster, layout.variant, session))
    shape = t, k, s, repeats = tuple(int(code.max()) + 1 for code in codes)
    row = np.ravel_multi_index(codes, shape)
    gaps = np.delete(np.arange(t * k * s * repeats), row)
    fixed = k + layout.fixed.shape[1]
    q = fixed + gaps.size + layout.random.shape[1] + 1
    cups, centre = np.zeros((t * k * s * repeats, q)), float(layout.score.mean())
    cups[row, layout.variant] = 1.0
    cups[row, k:fixed] = layout.fixed
    cups[gaps, fixed + np.arange(gaps.size)] = 1.0
    cups[row, fixed + gaps.size :] = np.column_stack([layout.random, layout.score - centre])
    cube = cups.reshape(*shape, q)
    sums = [cube.sum(axis=over).reshape(-1, q) for over in ((1, 2, 3), (2, 3), (1, 3))]
    each = (k * s * repeats, s * repeats, k * repeats)
    mean, variant, sitting = (own.T @ own / size for own, size in zip(sums, each, strict=True))
    left = cups.T @ cups - variant - sitting + mean
    lines = np.array([[*each, 1], [0, each[1], 0, 1], [0, 0, each[2], 1], [0, 0, 0, 1]], float)
    one = np.eye(4)[..., None, None]
    return Strata(
        names=("taster", "taster:variant", "taster:session", "residual"),
        basis=lines.T[..., None, None],
        repeats=one[3],
        between=one[1],
        padding=np.zeros((4, 1, 1)),
        copies=np.array([1, k - 1, s - 1, k * s * repeats - k - s + 1], float) * t,
        moments=np.array([mean, variant - mean, sitting - mean, left]).reshape(4, -1),
        log_scale=0.0,
        centre=centre,
        rounding=_rounding(layout.score, centre),
        n_scores=len(cups),
        n_variants=k,
        n_fixed=fixed + gaps.size,
        n_random=layout.random.shape[1],
    )
