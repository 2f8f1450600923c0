"""The writeup: finished strings and charts, then one page that needs nothing else."""

from blindspoon.report.content import Provenance, ReportContent, compose
from blindspoon.report.page import render

__all__ = ["Provenance", "ReportContent", "compose", "render"]
