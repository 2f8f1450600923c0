"""What each verdict hangs on."""

from blindspoon.influence.results import Alternative, Influence, NotDone, Outcome
from blindspoon.influence.study import study_influence

__all__ = ["Alternative", "Influence", "NotDone", "Outcome", "study_influence"]
