"""The sections of the page that look behind the comparisons."""

from __future__ import annotations

from blindspoon.depth import Depth
from blindspoon.report.influence import influence_section
from blindspoon.report.joint import joint_section
from blindspoon.report.panel import panel_section
from blindspoon.report.section import Section
from blindspoon.trial import Trial
from blindspoon.verdict import Verdict


def depth_sections(
    trial: Trial, depth: Depth, verdicts: tuple[Verdict, ...]
) -> tuple[Section, ...]:
    """Make the sections that have something to say, in the order of reading."""
    shown = trial.tasters_shown
    sections = (
        influence_section(trial, depth.influence, shown=shown),
        panel_section(trial, depth.panel, shown=shown) if depth.panel.tasters > 1 else None,
        joint_section(trial, depth.joint, verdicts),
    )
    return tuple(section for section in sections if section is not None)
