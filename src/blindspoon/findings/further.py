"""What a demanding reader asks next: the tasters, what the answer hangs on, attributes together."""

from dataclasses import dataclass
from typing import Any

from blindspoon.findings.comparison import Analysis
from blindspoon.findings.multivariate import Joint, study_joint
from blindspoon.findings.panel import study_panel
from blindspoon.findings.panel_results import Panel
from blindspoon.findings.sensitivity import Influence, study_influence


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
