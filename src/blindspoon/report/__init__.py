"""The writeup: finished strings and charts, then one page that needs nothing else."""

from blindspoon.report.cite import Provenance
from blindspoon.report.content import ReportContent, compose
from blindspoon.report.markdown import writeup
from blindspoon.report.page import page, render

__all__ = ["Provenance", "ReportContent", "compose", "page", "render", "writeup"]
