"""What a reader asks next: what lies behind the answer, and how many tasters would settle it."""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from scipy.special import chdtri, stdtrit

from blindspoon.findings.comparison import Analysis, AttributeResult, Comparison
from blindspoon.findings.multivariate import Joint, study_joint
from blindspoon.findings.panel import Panel, study_panel
from blindspoon.findings.sensitivity import Influence, study_influence
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.dunnett import Dunnett
from blindspoon.stats.results import NoResult
from blindspoon.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class FurtherAnalyses:
    """The evidence behind the comparisons, none of which changes a verdict."""

    panel: Panel
    influence: Influence
    joint: Joint

    def to_record(self, *, shown: bool) -> dict[str, Any]:
        """Write everything for JSON; without single tasters unless they are `shown`."""
        return {
            "panel": self.panel.to_record(shown=shown),
            "influence": self.influence.to_record(shown=shown),
            "together": self.joint.to_record(),
        }


def study_further(analysis: Analysis) -> FurtherAnalyses:
    """Study the tasters, what the answer hangs on, and the attributes together."""
    given = analysis.trial, analysis.table, analysis.results
    return FurtherAnalyses(
        panel=study_panel(*given), influence=study_influence(*given), joint=study_joint(*given)
    )


Goal = Literal["different", "alike"]
MOST_TASTERS = 1000  # more than anybody asks
POWER: dict[Goal, float] = {"different": 0.8, "alike": 0.9}
"""Both sides of an interval of "alike" have to hold, so each nine times in ten."""
OF_JARS = 0.75
"""Share of what is known of jars that tasters' own levels leave where each has one jar of every
variant: intervals come within a fifth of those of simulated tastings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewTasting:
    """A tasting of the same kind that would settle a comparison eight times in ten.

    Tasters are None where `MOST_TASTERS` would not do; from fewest to most is as far as these
    scores leave it open (80 %). With `jars`, no number of tasters would do.
    """

    tasters: int | None
    fewest: int | None
    most: int | None
    jars: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """What the differences of one attribute scatter by, as a mixed model found it.

    `cell` is the variance of a taster's mean score of a variant, about taster and variant, in
    points squared; `jar` that between jars of one variant. The control counts among the variants.
    In the new tasting there are so many `jars` of the variant and of the control, and `all_jars`; 0
    where they are not in the model.
    """

    cell: float
    jar: float
    variants: int
    tasters: int
    jars: tuple[int, int] = (1, 1)
    all_jars: int = 0

    def se(self, tasters: int) -> tuple[float, float]:
        """Give the standard error of a difference in a new tasting, and its degrees of freedom.

        F. E. Satterthwaite 1946, Biometrics Bull. 2:110, over the mean squares of taster by variant
        and of jars within variants.
        """
        cells = (tasters - 1) * (self.variants - 1)
        tasted = 2 * self.cell / tasters
        between = self.jar * (1 / self.jars[0] + 1 / self.jars[1])
        if not self.all_jars:
            return float(np.sqrt(tasted)), float(cells)
        made = self.all_jars / self.variants
        share = (1 / self.jars[0] + 1 / self.jars[1]) * made / tasters
        of_jars = share * (self.cell / OF_JARS + self.jar * tasters / made)
        rest = (2 / tasters - share) * self.cell
        parts = of_jars**2 / max(self.all_jars - self.variants, 1) + rest**2 / cells
        return float(np.sqrt(tasted + between)), float((tasted + between) ** 2 / parts)

    def half_width(self, tasters: int, alpha: float, goal: Goal = "different") -> float:
        """Give half of the interval that a new tasting would find, in points."""
        error, df = self.se(tasters)
        rounded = float(f"{max(df, 1.0):.2g}")  # so that few critical values are computed
        return _reach(self.variants - 1, rounded, alpha, goal) * error

    def settles(self, tasters: int, margin: float, alpha: float, goal: Goal) -> bool:
        """Whether it would settle a true difference of the margin, or of zero, 8 times in 10."""
        error, df = self.se(tasters)
        spare = float(stdtrit(df, POWER[goal])) * error
        return self.half_width(tasters, alpha, goal) + spare <= margin


def scatter_of(
    trial: Trial, table: ScoreTable, result: AttributeResult, comparison: Comparison
) -> Scatter | None:
    """Take the scatter of a comparison from the fit of its attribute; None without a fit."""
    fit, index = result.mixed, trial.variants.index(comparison.variant)
    if isinstance(fit, NoResult):
        return None
    own, sessions, people = fit.taster_variant_sd, len(table.sessions), len(table.tasters)
    cell = fit.residual_sd**2 if own is None else own**2 + fit.residual_sd**2 / sessions
    if fit.batch_sd is None and not isinstance(comparison.mixed, NoResult):
        cell = comparison.mixed.se**2 * people / 2  # gaps and incomplete blocks are in it
    jars = np.maximum(table.batches_tasted(len(trial.variants)), 1)
    return Scatter(
        cell=cell,
        jar=(fit.batch_sd or 0.0) ** 2,
        variants=len(fit.contrasts) + 1,
        tasters=people,
        jars=(int(jars[index]), int(jars[trial.control_index])),
        all_jars=0 if fit.batch_sd is None else int(jars.sum()),
    )


def new_tasting(scatter: Scatter, *, margin: float, alpha: float, goal: Goal) -> NewTasting:
    """Count the tasters of a new tasting of the same kind.

    To find a true difference of the margin, the smallest that matters, in points, or to show a true
    zero alike, at the attribute's share of alpha.

    The half-width and what chance adds to it have to fit into the margin: (c + t) SE, c the
    critical value of the verdicts, t the quantile at .8 or .9. The range lets the mean squares be
    as far off as 80 % of samples have them, by chi-squared.

    >>> eight = Scatter(cell=1.0, jar=0.0, variants=4, tasters=8)
    >>> found = new_tasting(eight, margin=1.0, alpha=0.05, goal="different")
    >>> found.tasters, found.fewest, found.most
    (22, 16, 34)
    """

    def fewest(cell: float, jar: float) -> int | None:
        scaled = replace(scatter, cell=scatter.cell * cell, jar=scatter.jar * jar)
        low, high = 1, 2
        while not scaled.settles(high, margin, alpha, goal):
            if high >= MOST_TASTERS:
                return None
            low, high = high, min(2 * high, MOST_TASTERS)
        while high - low > 1:
            middle = (low + high) // 2
            settled = scaled.settles(middle, margin, alpha, goal)
            low, high = (low, middle) if settled else (middle, high)
        return high

    cells = (scatter.tasters - 1) * (scatter.variants - 1)
    jars = max(scatter.all_jars - scatter.variants, 1)
    low, high = ([df / float(chdtri(df, share)) for df in (cells, jars)] for share in (0.1, 0.9))
    tasters = fewest(1.0, 1.0)
    return NewTasting(
        tasters=tasters,
        fewest=fewest(*low),
        most=fewest(*high),
        jars=tasters is None and not scatter.settles(10**6, margin, alpha, goal),
    )


@lru_cache(maxsize=4096)
def _reach(others: int, df: float, alpha: float, goal: Goal) -> float:
    family = Dunnett(0.5 + 0.5 * np.eye(others))
    return (family.critical_value if goal == "different" else family.alike_value)(alpha, df)
