"""What the measuring says must hold for the fonts of a real browser too."""

from __future__ import annotations

import pytest


@pytest.mark.browser
def test_no_text_is_cut_or_covered(covered, charts):
    assert covered(charts) == []
