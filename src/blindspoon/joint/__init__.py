"""Attributes together: correlations, a map of the variants, errors over all attributes."""

from blindspoon.joint.study import Joint, study_joint

__all__ = ["Joint", "study_joint"]
