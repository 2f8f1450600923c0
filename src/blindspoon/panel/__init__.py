"""The tasters: how they use the scale, repeat themselves, agree, and tell variants apart."""

from blindspoon.panel.results import AttributePanel, Panel, TasterReview
from blindspoon.panel.study import study_panel

__all__ = ["AttributePanel", "Panel", "TasterReview", "study_panel"]
