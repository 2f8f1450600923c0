"""What the measuring says must hold for the fonts of a real browser too."""

from __future__ import annotations

import pytest

from blindspoon.charts.comparisons import differences_chart, scores_chart


@pytest.mark.browser
def test_no_text_is_cut_or_covered(covered, hard):
    charts = [differences_chart(hard), scores_chart(hard)]
    assert covered(charts) == []
