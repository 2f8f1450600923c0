"""What a demanding reader asks next: the tasters, what the answer hangs on, attributes together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from blindspoon.findings.comparison import AttributeResult
from blindspoon.findings.multivariate import Joint, study_joint
from blindspoon.findings.panel import study_panel
from blindspoon.findings.panel_results import Panel
from blindspoon.findings.sensitivity import Influence, study_influence
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Depth:
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


def deepen(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> Depth:
    """Study the tasters, what the answer hangs on, and the attributes together."""
    return Depth(
        panel=study_panel(trial, table, results),
        influence=study_influence(trial, table, results),
        joint=study_joint(trial, table, results),
    )
