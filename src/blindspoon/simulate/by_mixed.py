"""Many simulated trials of one design, decided by the mixed model at once.

A fit needs few numbers of a trial: its differences, and sums of squares along directions in which
nothing but scatter lies. Directions that scatter alike make a line; which there are the design
alone says. The variances are fitted to the lines by REML, trial by trial, none below zero; they
give errors and degrees of freedom.

That is what `compare_mixed` does but for two things: differences are weighted by the true
variances, and a variance of jars is fitted to what the others leave, in their proportions. Of
complete trials whose places do not tilt the differences all is the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

import numpy as np
from scipy.special import stdtrit

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.simulate.size_results import Spread
from blindspoon.simulate.trials import CupList
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.reml import LEAST_DF, SMALLEST, ContrastTest, Criterion, kenward_roger

KINDS = 12  # parts of the largest to which the variances of directions are told apart

SETTLED = 1e-5  # change of a ratio of variances that counts as none

SITTINGS, TASTERS = 1, 2
"""Lines that have a variance of their own besides; each tells of the others where that is zero."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Sums of squares of n scores, l of them, and what they tell of p variances.

    - `directions`, shape (n, d), and the `line`, shape (d,), of each, -1 for none. The first
      `swept` are orthonormal; all that they leave is line 0
    - `df`, shape (l,), and `parts`, shape (p, l): degrees of freedom of each line, and how its
      variance is made up of the p, the residual's first
    """

    directions: FloatArray
    line: IntArray
    swept: int
    df: FloatArray
    parts: FloatArray

    @property
    def plain(self) -> BoolArray:
        """Which have no variance of their own besides, shape (l,)."""
        return ~np.isin(np.arange(self.df.size), (SITTINGS, TASTERS))

    def squares(self, scores: FloatArray) -> FloatArray:
        """Sum the squares of each line, shape (l, m), in trials of scores (m, n)."""
        along, total = (self.directions.T @ scores.T) ** 2, np.einsum("mn,mn->m", scores, scores)
        left = np.maximum(total - along[: self.swept].sum(axis=0), 0.0)
        others = (along[self.line == at].sum(axis=0) for at in range(1, self.df.size))
        return np.stack([left, *others])

    def information(self, variances: FloatArray, told: BoolArray) -> FloatArray:
        """Give twice the information of some lines on variances (p, m) at these, (m, p, p)."""
        weight = (self.df * told)[:, None] / np.maximum(self.parts.T @ variances, 1e-150) ** 2
        return np.einsum("al,lm,bl->mab", self.parts, weight, self.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedRule:
    """What decides trials of n cups and v variants beside the control.

    The p variances are the residual's, that of tasters' own opinions where somebody gets a variant
    twice in all, and that of jars where a variant has several.

    - `weights`, shape (v, n): of the cups in the differences
    - `lines`: of all variances but jars'
    - `jars`: lines of all variances, none of `SITTINGS` and `TASTERS`; None where each is one
    - `shares`, shape (p, v): how the variances of the differences are made up
    - `df_factor`, shape (v,): times as many degrees of freedom as the lines tell; 0 where too few
      cups tell the variances apart
    - `correlation`: of two differences
    """

    weights: FloatArray
    lines: Lines
    jars: Lines | None
    shares: FloatArray
    df_factor: FloatArray
    correlation: float
    alpha: float

    def decide(self, scores: FloatArray, margin: float) -> tuple[BoolArray, BoolArray]:
        """Decide trials of scores (m, n) as `compare_mixed` and the rule of verdicts would.

        Whether the adjusted p value is at most alpha, and whether the simultaneous interval at
        `Dunnett.alike_value` lies inside the margin, shape (m, v) both; False without a result.
        """
        size, (different, alike) = np.abs(scores @ self.weights.T), self.reaches(scores)
        return size >= different, size + alike < margin

    def reaches(self, scores: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give how far a difference reaches, to be different and for alike, (m, v), in points.

        Infinite where cups do not scatter, or too little is known of how much.
        """
        if not self.df_factor.any():
            return (np.full((len(scores), len(self.weights)), np.inf),) * 2
        variances = self.variances(scores)
        errors, df = self.errors(variances)
        scatter = variances[0] if self.lines.df[0] else variances.sum(axis=0)
        scattered = scatter > SMALLEST * np.einsum("mn,mn->m", scores, scores)
        known = scattered[:, None] & (df >= LEAST_DF)
        at = np.sqrt(LEAST_DF / np.maximum(df, LEAST_DF))
        different, alike = (
            np.where(known, np.exp(np.interp(at, FINE, curve)) * errors, np.inf)
            for curve in _critical(len(self.weights), self.correlation, self.alpha)
        )
        return different, alike

    def variances(self, scores: FloatArray) -> FloatArray:
        """Estimate the variances, shape (p, m), that of jars from what stands out beside others."""
        lines, squares = self.lines, self.lines.squares(scores)
        slopes = lines.parts[1] if len(lines.parts) > 1 else np.zeros_like(lines.df)
        fitted, ratio = np.empty((2, len(scores))), np.zeros(len(scores))

        def fit(trials: IntArray, rows: list[int], wider: FloatArray | float = 1.0) -> None:
            slope = np.broadcast_to(slopes[rows, None], (len(rows), trials.size)) / wider
            held, start = squares[rows][:, trials] / wider, ratio[trials]
            fitted[:, trials] = _fit(lines.df[rows, None], held, slope, start)
            ratio[trials] = fitted[1, trials] / np.maximum(fitted[0, trials], 1e-15)

        def beyond(at: int) -> FloatArray:
            """Give how far a line scatters beyond what the fitted variances make it."""
            return squares[at] / max(lines.df[at], 1) - fitted[0] - slopes[at] * fitted[1]

        plain = np.flatnonzero(lines.plain).tolist()
        fit(np.arange(len(scores)), plain)
        if lines.df[SITTINGS]:
            fit(np.flatnonzero(beyond(SITTINGS) < 0), [*plain, SITTINGS])
        # tasters scatter at least as widely as their sittings, whose variance is in both lines
        narrow = np.flatnonzero(beyond(TASTERS) < np.maximum(beyond(SITTINGS), 0))
        every = [*plain, SITTINGS, TASTERS]
        in_both = np.isin(every, (SITTINGS, TASTERS))[:, None]
        shared = np.zeros(len(scores))  # variance of sittings over the residual's
        for _ in range(50):  # each of two variances by turns, beside the other
            if not narrow.size:
                break
            own = ratio[narrow]
            others = 1 + slopes[every, None] * own
            held, start = squares[every][:, narrow] / others, shared[narrow]
            residual, both = _fit(lines.df[every, None], held, in_both / others, start)
            shared[narrow] = both / np.maximum(residual, 1e-15)
            fit(narrow, every, 1 + in_both * shared[narrow])
            narrow = narrow[np.abs(ratio[narrow] - own) > SETTLED * (1 + own)]
        fitted = fitted[: len(lines.parts)]
        if self.jars is None:
            return fitted
        ratios, jars = fitted / np.maximum(fitted[0], 1e-15), np.zeros_like(fitted[0])
        expected = np.maximum(self.jars.parts[:-1].T @ ratios, 1e-12)
        squares, df = self.jars.squares(scores) / expected, self.jars.df[:, None]
        slope = self.jars.parts[-1, :, None] / expected
        apart = (slope * (squares / np.maximum(fitted[0], 1e-15) - df)).sum(axis=0) > 0
        residual, jars[apart] = _fit(df, squares[:, apart], slope[:, apart], jars[apart])
        fitted[:, apart] = residual * ratios[:, apart]
        return np.vstack([fitted, jars])

    def errors(self, variances: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give standard errors and degrees of freedom at variances (p, m), both (m, v).

        F. E. Satterthwaite (1946), Biometrics Bull. 2, 110; in balanced designs those of Kenward
        and Roger. The more jars differ, the less those lines tell of the other variances.
        """
        own, p = variances.T @ self.shares, len(self.lines.parts)
        known = self.lines.information(variances[:p], self.lines.plain)
        if self.jars is not None:
            between, alike = self.jars.parts[-1] > 0, np.vstack([variances[:p], np.zeros(len(own))])
            known -= self.jars.information(alike, between)[:, :p, :p]
            information = self.jars.information(variances, between)
            information[:, :p, :p] += known
            known = information
        # of what tells nothing
        ridge = 1e-9 * np.einsum("maa->ma", np.abs(known))[:, None] + 1e-200
        known = known + ridge * np.eye(known.shape[1])
        spread = np.einsum("av,mab,bv->mv", self.shares, np.linalg.inv(known), self.shares)
        return np.sqrt(own), self.df_factor * own**2 / np.maximum(spread, 1e-300)


def mixed_rule(cups: CupList, spread: Spread, alpha: float) -> MixedRule:
    """Prepare to decide trials of one design, jars of one variant being truly alike.

    The spread is that of scores as they are written down; tasters do not differ by session, though
    the model allows for it. Alpha is the chance of any false difference.

    Five tasters find the second variant better by about 2 points:

    >>> taster, variant, no = np.repeat(np.arange(5), 2), np.tile([0, 1], 5), np.zeros(10, int)
    >>> cups = CupList(taster, variant, session=no, jar=variant, places=np.empty((10, 0)))
    >>> rule = mixed_rule(cups, Spread(residual_sd=1, taster_sd=1, taster_variant_sd=0), 0.05)
    >>> rule.decide(np.array([[4.0, 6, 5, 7, 3, 5, 6, 7, 4, 7]]), margin=3.0)
    (array([[ True]]), array([[ True]]))
    """
    k, s, n = int(cups.variant.max()) + 1, int(cups.session.max()) + 1, cups.taster.size
    tasters, jars = _indicators(cups.taster), _indicators(cups.jar)
    opinions = _indicators(cups.taster * k + cups.variant)
    sittings = _indicators(cups.taster * s + cups.session)
    repeated, several, own = opinions.shape[1] < n, jars.shape[1] > k, spread.taster_variant_sd**2
    residual = spread.residual_sd**2 + own * (not repeated)
    effects = [opinions] * repeated + [jars] * several
    true = [own / residual] * repeated + [0.0] * several
    known = spread.taster_sd / math.sqrt(residual) * tasters
    fixed, contrasts, others = _fixed_effects(cups, k, s)
    covariance = np.eye(n) + known @ known.T
    for effect, ratio in zip(effects, true, strict=True):
        covariance += ratio * effect @ effect.T
    solved = _solve(covariance, fixed)
    weights = np.zeros((k - 1, n))
    weights[others - 1] = contrasts @ solved.unscaled @ solved.scaled.T
    untold = _beyond(fixed, np.empty((n, 0)))
    of_tasters = _beyond(tasters, untold)
    of_sittings = _beyond(sittings, np.hstack([untold, of_tasters]))
    lines = _make_lines([untold, of_sittings, of_tasters], effects[:repeated], known)
    rule = MixedRule(
        weights=weights, lines=lines, jars=None, shares=_parts(weights.T, effects, known),
        df_factor=np.ones(k - 1), alpha=alpha,
        correlation=_mean_correlation(contrasts @ solved.unscaled @ contrasts.T),
    )  # fmt: skip
    if several:
        untold = np.hstack([untold, of_tasters, of_sittings])
        untold, nobody = np.hstack([untold, _beyond(jars, untold)]), untold[:, :0]
        size, turn = np.linalg.eigh(jars.T @ solved.cleared @ jars)
        kept = size > 1e-6 * size.max()
        between = solved.cleared @ jars @ turn[:, kept] / np.sqrt(size[kept])
        lines_of_jars = _make_lines([untold, nobody, nobody], effects, known, between)
        rule = replace(rule, jars=lines_of_jars)
    unsettled = replace(rule, df_factor=np.zeros(k - 1))
    if np.linalg.matrix_rank(lines.parts * lines.df * lines.plain) < len(lines.parts):
        return unsettled
    if not several and s == 1 and n == tasters.shape[1] * k * s:
        return rule
    try:
        test = solved.test([tasters, *[sittings] * (s > 1), *effects], contrasts)
    except np.linalg.LinAlgError:  # too few cups for so many variances
        return unsettled
    if not test.usable:
        return unsettled
    errors, df = rule.errors(residual * np.array([[1.0], *([ratio] for ratio in true)]))
    factor, shares = np.zeros(k - 1), rule.shares.copy()
    factor[others - 1] = test.df / np.maximum(df[0, others - 1], 1e-3)
    if several:  # half of the trials find jars as alike as they are
        factor = np.sqrt(factor)
    shares[:, others - 1] *= residual * np.diag(test.covariance) / errors[0, others - 1] ** 2
    return replace(rule, shares=shares, df_factor=factor)


class _Solved(NamedTuple):
    """Generalised least squares: ``V^-1 X``, ``(X' V^-1 X)^-1``, ``V^-1``, and that without X."""

    scaled: FloatArray
    unscaled: FloatArray
    inverse: FloatArray
    cleared: FloatArray

    def test(self, effects: Sequence[FloatArray], contrasts: FloatArray) -> ContrastTest:
        """Test contrasts of the fixed effects, random ones having the variances that V has."""
        # the first is the residual's, for which nothing is multiplied
        seen = [self.scaled.T, *(self.scaled.T @ effect for effect in effects)]
        after = [self.inverse, *(self.inverse @ effect for effect in effects)]
        second = [
            [one @ pair @ two.T for two, pair in zip(seen, pairs, strict=True)]
            for one, pairs in zip(
                seen, [after, *([e.T @ it for it in after] for e in effects)], strict=True
            )
        ]
        cleared = [self.cleared, *(effect.T @ self.cleared for effect in effects)]
        expected = [[(one**2).sum(), *(((one @ e) ** 2).sum() for e in effects)] for one in cleared]
        none, d2_fixed = np.zeros(len(seen)), np.array(second)
        at = Criterion(
            value=0.0, gradient=none, hessian=np.diag(none), expected=np.array(expected),
            coefficients=np.zeros(len(self.unscaled)), covariance=self.unscaled,
            d_fixed=-np.array([one @ one.T for one in seen]),
            d2_fixed=d2_fixed + d2_fixed.swapaxes(-1, -2),
        )  # fmt: skip
        return kenward_roger(at, contrasts)


def _solve(covariance: FloatArray, fixed: FloatArray) -> _Solved:
    inverse: FloatArray = np.linalg.inv(covariance).astype(np.float64, copy=False)
    scaled = inverse @ fixed
    unscaled: FloatArray = np.linalg.inv(fixed.T @ scaled).astype(np.float64, copy=False)
    return _Solved(scaled, unscaled, inverse, inverse - scaled @ unscaled @ scaled.T)


def _parts(columns: FloatArray, effects: Sequence[FloatArray], known: FloatArray) -> FloatArray:
    """Split the variances of combinations of cups, shape (n, c), into the p: (p, c)."""
    base = (columns**2).sum(axis=0) + ((known.T @ columns) ** 2).sum(axis=0)
    return np.vstack([base, *(((effect.T @ columns) ** 2).sum(axis=0) for effect in effects)])


def _make_lines(
    blocks: Sequence[FloatArray],
    effects: Sequence[FloatArray],
    known: FloatArray,
    between: FloatArray | None = None,
) -> Lines:
    """Make lines of orthonormal blocks: what tells nothing, sittings, tasters.

    Beyond these of effects, and of what lies `between` jars as generalised least squares has it.
    """
    line = np.repeat([-1, SITTINGS, TASTERS], [block.shape[1] for block in blocks])
    swept = np.hstack(blocks)
    for effect in effects[:1]:
        swept = np.hstack([swept, _beyond(effect, swept)])
    directions = swept if between is None else np.hstack([swept, between])
    parts = _parts(directions, effects, known)
    parts[0, : line.size][line == TASTERS] = 1.0  # but for their own variance
    rest = parts[:, line.size :]
    if rest.size:
        kinds = np.rint(KINDS * rest / rest.max(axis=1, keepdims=True, initial=1e-9))
        kind = np.unique(kinds, axis=1, return_inverse=True)[1].ravel()
        line = np.append(line, TASTERS + 1 + kind)
    members = np.equal.outer(line, np.arange(max(line.max(), TASTERS) + 1)) * 1.0
    df = members.sum(axis=0)
    parts = parts @ members / np.maximum(df, 1)
    df[0] = len(swept) - swept.shape[1]
    parts[0, df == 0] = parts[0, 0] = 1.0
    return Lines(directions=directions, line=line, swept=swept.shape[1], df=df, parts=parts)


def _fixed_effects(cups: CupList, k: int, s: int) -> tuple[FloatArray, FloatArray, IntArray]:
    """Give the columns, shape (n, q), the contrasts with the control, and of which variants.

    Variant by session and places; contrasts, over common sittings, of variants that anybody gets.
    """
    cells, cell = np.unique(cups.variant * s + cups.session, return_inverse=True)
    columns, places = np.eye(cells.size)[cell], cups.places - cups.places.mean(axis=0)
    in_cells = columns @ (columns.T @ places / columns.sum(axis=0)[:, None])
    _, size, turn = np.linalg.svd(places - in_cells, full_matrices=False)
    fixed = np.hstack([columns, places @ turn[size > 1e-6].T])
    of, on = np.divmod(cells, s)
    tasted = np.equal.outer(np.arange(k), of) @ np.eye(s)[on]
    others = np.flatnonzero(tasted.any(axis=1))[1:]
    contrasts = np.zeros((others.size, fixed.shape[1]))
    contrasts[:, : of.size] = 1.0 * (of == others[:, None]) - (of == 0) * tasted[others][:, on]
    return fixed, contrasts / tasted[others].sum(axis=1, keepdims=True), others


def _indicators(codes: IntArray) -> FloatArray:
    levels, level = np.unique(codes, return_inverse=True)
    return np.eye(levels.size)[level]


def _beyond(columns: FloatArray, basis: FloatArray) -> FloatArray:
    """Give orthonormal directions, those of the columns that an orthonormal basis leaves."""
    left = columns - basis @ (basis.T @ columns)
    turned, size, _ = np.linalg.svd(left - basis @ (basis.T @ left), full_matrices=False)
    return turned[:, size > 1e-6]


def _mean_correlation(covariance: FloatArray) -> float:
    """Take it to two digits, so that like designs share their critical values."""
    errors, pairs = np.sqrt(np.diag(covariance)), np.triu_indices(len(covariance), 1)
    correlation = (covariance / np.outer(errors, errors))[pairs]
    return round(float(correlation.mean()), 2) if correlation.size else 0.0


COARSE, FINE = np.linspace(0.005, 1.0, 25), np.linspace(0.005, 1.0, 400)
"""Roots of `LEAST_DF` over the degrees of freedom, at which critical values are computed and from
which they are interpolated."""


@cache
def _critical(variants: int, correlation: float, alpha: float) -> tuple[FloatArray, FloatArray]:
    """Give the logarithms of `Dunnett`'s critical and alike values at `FINE`."""
    family = Dunnett(np.where(np.eye(variants) > 0, 1.0, correlation))
    level = 1 - alpha / 2 / variants  # beside Student's t they hardly bend

    def curve(value: Callable[[float, float], float]) -> FloatArray:
        df = LEAST_DF / COARSE**2
        exact = np.array([value(alpha, own) for own in df.tolist()])
        beside = np.interp(FINE, COARSE, exact / stdtrit(df, level))
        return np.log(beside * stdtrit(LEAST_DF / FINE**2, level))

    return curve(family.critical_value), curve(family.alike_value)


FARTHEST = 30.0  # logarithm of 1 and a ratio at which a fit ends


def _fit(df: FloatArray, squares: FloatArray, slope: FloatArray, start: FloatArray) -> FloatArray:
    """Fit the residual variance and another one, none below zero, by REML: shape (2, m).

    `df`, shape (l, 1), `squares` and `slope`, shape (l, m), are of lines whose variance is the
    residual's and `slope` times the other, whose ratio is searched from `start`, shape (m,).

    By Newton's method in the logarithm of 1 and the ratio of the two; a step that makes things
    worse is halved. Trials that have arrived are not moved further.
    """
    x, total = np.log1p(start).clip(0, FARTHEST), df.sum()
    live, best, move = np.arange(x.size), np.full(x.size, np.inf), np.zeros(x.size)
    for _ in range(100):
        if not live.size:
            break
        now = x[live]
        share = slope[:, live] * np.exp(now)
        variance = 1 - slope[:, live] + share
        share /= variance
        part = squares[:, live] / variance
        scatter = np.maximum(part.sum(axis=0), 1e-300)
        value = (df * np.log(variance)).sum(axis=0) + total * np.log(scatter)
        part *= total / scatter
        mean = (part * share).sum(axis=0)
        fall = (df * share).sum(axis=0) - mean
        bend = ((2 * part - df) * share**2).sum(axis=0) - mean**2 / total + fall
        newton = np.clip(fall / np.where(bend > 0, -bend, 1.0), -3, 3)
        step = np.where(bend > 0, newton, -np.sign(fall))
        worse = value > best + 1e-9
        move = np.where(worse, move / 2, np.clip(now + step, 0, FARTHEST) - now)
        x[live] = np.where(worse, now - move, now + move)
        moves = np.abs(move) >= 1e-5
        live, move, best = live[moves], move[moves], np.where(worse, best, value)[moves]
    ratio = np.expm1(x)
    residual = (squares / (1 + slope * ratio)).sum(axis=0) / total
    return np.stack([residual, residual * ratio])
