from __future__ import annotations

import time

import pytest

from blindspoon.charts.board import differences_chart, scores_chart
from blindspoon.charts.chart import png_file, svg_file


@pytest.mark.bench
def test_all_figures_of_a_report_take_less_than_two_seconds(attributes):
    start = time.process_time()
    charts = [draw(each) for each in attributes for draw in (differences_chart, scores_chart)]
    for chart in charts:
        svg_file(chart)
        png_file(chart)
    assert time.process_time() - start < 2
