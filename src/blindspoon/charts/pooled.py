"""The chart of several kitchens: what each found of a variant, and what they come to together."""

from __future__ import annotations

from typing import Literal

from blindspoon import wording
from blindspoon.charts.axis import difference_axis, shaded_words
from blindspoon.charts.chart import Chart, chart_of
from blindspoon.charts.dots import Dot, DotPlot, Row
from blindspoon.charts.outcome import title_of
from blindspoon.charts.palette import variant_inks
from blindspoon.findings.comparison import Kind
from blindspoon.findings.naming import name_all
from blindspoon.findings.pool_checks import Pool, PooledAttribute
from blindspoon.findings.verdict import NAMES
from blindspoon.stats.results import MixedContrast, NoResult


def forest_title(shown: PooledAttribute, pool: Pool) -> str:
    """State what was found in kitchens like these on one attribute, without a full stop.

    "In kitchens like these three, “Calcium” was crisper than the control; “Vine leaf” was within
    1 point of it".
    """
    names, compared = name_all(pool.variants, pool.first.control), shown.comparisons
    said = f"nothing is settled on {shown.attribute.label.lower()}"
    if len(compared) == 1 or any(found.verdict != "open" for found in compared):
        said = title_of(compared, names)
    number = len(pool.kitchens)
    where = (
        "these two kitchens" if number == 2 else f"kitchens like these {wording.spelled(number)}"
    )
    return f"In {where}, {said}"


BEYOND = 1.5
"""How far a pooled interval is drawn, in units of what the kitchens' own reach; then an arrow."""
POOLED, BOTH = "Kitchens like these", "These two kitchens"


def forest_chart(pool: Pool, attribute: str | None = None) -> Chart | None:
    """Draw each kitchen's difference and the pooled one, a panel a variant.

    Without an attribute, of the first primary one that is pooled, else of the first; None where
    no variant is pooled on it.
    """
    named = (it for it in pool.attributes if attribute in (None, it.attribute.name))
    asked = [it for it in named if it.comparisons]
    if not asked:
        return None
    shown = min(asked, key=lambda it: not it.primary)
    label = shown.attribute.label.lower()
    kitchens = wording.count(len(pool.kitchens), "kitchen")
    titles = dict.fromkeys(f"“{kitchen.trial.title}”" for kitchen in pool.kitchens)
    names = wording.listing(kitchen.name for kitchen in pool.kitchens)
    return chart_of(
        name=f"{shown.attribute.name}-kitchens",
        title=forest_title(shown, pool),
        data=f"the differences from the control that {kitchens} found on {label}",
        lay=forest_plot(pool, shown).lay,
        source=f"{wording.listing(titles)}, tasted in {names}",
    )


def forest_plot(pool: Pool, shown: PooledAttribute) -> DotPlot:
    """Set the kitchens of each variant under its name, the pooled one last."""
    names, rows = [variant.name for variant in pool.variants], list[Row]()
    inks = variant_inks(len(names), names.index(pool.first.control))
    own, pooled = list[MixedContrast](), list[MixedContrast]()
    for compared in shown.comparisons:
        ink, head = inks[names.index(compared.variant.name)], compared.variant.label
        for it in compared.own:
            rows.append(_row(shown, it.kitchen, it.mixed, ink, head=head))
            head = ""
        label = BOTH if compared.alone else POOLED
        rows.append(_row(shown, label, compared.deciding, ink, compared.verdict))
        own += [it.mixed for it in compared.own if isinstance(it.mixed, MixedContrast)]
        pooled += [compared.found] if compared.found else []
    seen = [*_ends(own), *(found.difference for found in pooled)]
    reach = BEYOND * max(map(abs, [*seen, shown.attribute.margin or 0.0]))
    axis = difference_axis(
        shown.attribute, (*seen, *(min(max(end, -reach), reach) for end in _ends(pooled)))
    )
    whose = (POOLED, BOTH)[len(pool.kitchens) == 2].lower()
    text = (
        f"Dots: each kitchen’s own difference from its control, "
        f"“{pool.variant(pool.first.control).label}”, in points, with its own interval. Diamonds: "
        f"{whose}, pooled, with the {wording.percent(1 - shown.alpha)} interval"
    )
    if any(comparison.verdict == "alike" for comparison in shown.comparisons):
        text += f" ({wording.percent(1 - 2 * shown.alpha)} where “alike” was decided)"
    cut = axis.cuts(found.interval for found in (*own, *pooled))
    text += ", an arrow where an interval goes on." if cut else "."
    exploratory = "" if shown.primary else "Exploratory: not what the trials were made to answer."
    key = " ".join(filter(None, (text, *shaded_words(shown.attribute), exploratory)))
    return DotPlot(axes=(axis,), rows=tuple(rows), key=(key, key), kind="Forest plot")


def _ends(contrasts: list[MixedContrast]) -> list[float]:
    return [end for found in contrasts for end in (found.interval.low, found.interval.high)]


def _row(
    shown: PooledAttribute,
    label: str,
    found: MixedContrast | NoResult,
    ink: str,
    verdict: Kind | None = None,
    head: str = "",
) -> Row:
    """Draw what one kitchen found, or, where there is a verdict, what all come to."""
    judged = (NAMES[verdict],) if verdict else ()
    if isinstance(found, NoResult):
        return Row(label=label, dots=(Dot(ink=ink),), notes=("no result", *judged), head=head)
    interval, level = found.interval, ""
    if verdict == "alike":
        interval, level = found.equivalence_interval, f", {wording.percent(1 - 2 * shown.alpha)}"
    mark: Literal["disc", "diamond"] = "diamond" if verdict else "disc"
    dot = Dot(estimate=found.difference, interval=interval, ink=ink, mark=mark)
    digits = wording.estimate_digits(found.difference, found.interval, shown.attribute)
    reach = f"{wording.span(interval, shown.attribute)}{level}"
    notes = (wording.signed(found.difference, digits), reach, *judged)
    return Row(label=label, dots=(dot,), notes=notes, head=head)
