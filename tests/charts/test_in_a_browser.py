"""What the measuring says must hold for the fonts of a real browser too."""

from __future__ import annotations

from pathlib import Path

import pytest

from blindspoon.charts import css_variables, differences_chart, profiles_chart, scores_chart

CHROMIUM = Path("/usr/bin/chromium")
OVERLAPS = """
() => [...document.querySelectorAll('svg')].flatMap((svg, n) => {
  const frame = svg.getBoundingClientRect();
  const texts = [...svg.querySelectorAll('text')]
    .map(t => ({words: t.textContent, box: t.getBoundingClientRect()}));
  const cut = ({box}) => box.left < frame.left - 1 || box.right > frame.right + 1
    || box.top < frame.top - 2 || box.bottom > frame.bottom + 2;
  const meet = (b, c) => b.left < c.right - 1 && c.left < b.right - 1
    && b.top < c.bottom - 4 && c.top < b.bottom - 4;
  const pairs = texts.flatMap((one, i) => texts.slice(i + 1).map(other => [one, other]));
  return [
    ...texts.filter(cut).map(t => `${n} cut: ${t.words}`),
    ...pairs.filter(([a, b]) => meet(a.box, b.box))
      .map(([a, b]) => `${n}: ${a.words} | ${b.words}`),
  ];
})
"""


@pytest.fixture(scope="module")
def page():
    playwright = pytest.importorskip("playwright.sync_api")
    if not CHROMIUM.exists():
        pytest.skip("no system Chromium")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield browser.new_page(viewport={"width": 1000, "height": 900})
        browser.close()


@pytest.mark.browser
def test_no_text_is_cut_or_covered(page, hard):
    charts = [differences_chart(hard), scores_chart(hard), profiles_chart([hard, hard])]
    svgs = "".join(f"<p>{svg}</p>" for chart in charts for svg in (chart.wide, chart.narrow))
    page.set_content(f"<style>:root{{{css_variables(dark=False)}}}</style>{svgs}")
    assert page.evaluate(OVERLAPS) == []
