"""What several kitchens found together, as a table of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

from blindspoon import wording
from blindspoon.compare.results import MixedContrast, NoResult
from blindspoon.kitchens import Pool, PooledAttribute, PooledComparison
from blindspoon.trial import Attribute

WIDTH = 80
HEAD = ("", "difference", "interval", "p", "verdict")
LIKE, ONLY = "kitchens like these", "these kitchens only"

Row = tuple[str, str, str, str, str]


def pooled_table(pool: Pool) -> str:
    """Lay out each kitchen's differences and the pooled ones, primary attributes first.

    Parameters
    ----------
    pool : Pool

    Returns
    -------
    str
        Lines of at most 80 columns; longer names are cut with an ellipsis.
    """
    ordered = sorted(pool.attributes, key=lambda attribute: not attribute.primary)
    blocks = [
        _heading(pool),
        *("\n".join(_attribute(pool, each)) for each in ordered),
        _not_pooled(pool),
    ]
    return "\n\n".join(filter(None, blocks)).replace(wording.NO_BREAK, " ")


def _heading(pool: Pool) -> str:
    who = (
        f"{each.name} ({wording.count(len(each.table.tasters), 'taster')})"
        for each in pool.kitchens
    )
    kitchens = f"{wording.count(len(pool.kitchens), 'kitchen')}: {wording.listing(who)}."
    control = pool.variant(pool.first.control).label
    rule = (
        f"Differences are variant minus control ({control}), in points, by the mixed model; "
        "p values are adjusted over the variants."
    )
    return "\n".join(map(_filled, (pool.first.title, kitchens, rule, *pool.remarks)))


def _attribute(pool: Pool, each: PooledAttribute) -> Iterator[str]:
    attribute = each.attribute
    planned = "primary" if each.primary else "exploratory"
    margin = f", margin {wording.margin(attribute)}" if attribute.margin else ", no margin"
    level = wording.percent(1 - each.alpha)
    yield _filled(f"{attribute.label} ({planned}{margin}, {level} intervals)")
    rows = [HEAD]
    for comparison in each.comparisons:
        rows += _comparison(pool, attribute, comparison)
    yield from _columns(rows) if each.comparisons else ()
    yield from _between(each)


def _comparison(pool: Pool, attribute: Attribute, each: PooledComparison) -> Iterator[Row]:
    yield (pool.variant(each.variant).label, "", "", "", "")
    for own in each.own:
        yield _row(f"  {own.kitchen}", attribute, own.mixed)
    verdict = "not settled" if each.verdict == "open" else each.verdict
    yield _row(f"  {LIKE}", attribute, each.pooled, verdict)
    yield _row(f"  {ONLY}", attribute, each.these)


def _row(
    name: str, attribute: Attribute, found: MixedContrast | NoResult, verdict: str = ""
) -> Row:
    if isinstance(found, NoResult):
        return (name, "-", "-", "-", verdict)
    digits = wording.estimate_digits(found.difference, found.interval, attribute)
    return (
        name,
        wording.signed(found.difference, digits),
        wording.span(found.interval, attribute),
        wording.p_cell(found.p_adjusted),
        verdict,
    )


def _between(each: PooledAttribute) -> Iterator[str]:
    """Say how much kitchens disagree, and what the test of it finds; reasons where it is null."""
    if isinstance(each.fit, NoResult):
        yield _filled(f"  Not pooled. {each.fit.reason}", "  ")
        return
    digits = wording.digits_for(each.attribute.scale) + 1
    spread = wording.number(each.fit.kitchen_difference_sd, digits)
    text = f"  Between kitchens: SD of a difference {spread} points"
    test = each.fit.disagreement
    if isinstance(test, NoResult):
        yield _filled(f"{text}; no test. {test.reason}", "  ")
    else:
        f, df = wording.number(test.f, 2), wording.number(test.df_den, 1)
        degrees = f"{wording.number(test.df_num, 0)} and {df} df"
        p = wording.p_value(test.p_value).replace(" ", wording.NO_BREAK)
        yield _filled(f"{text}; F {f} on {degrees}, {p}", "  ")


def _columns(rows: Sequence[Row]) -> Iterable[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEAD))]
    spare = WIDTH - 2 - 2 * (len(HEAD) - 1) - sum(widths[1:])
    first = max(min(widths[0], spare), len(ONLY) + 2)
    for name, *numbers, verdict in rows:
        room = first if any(numbers) or not name else WIDTH - 2
        cut = name if len(name) <= room else f"{name[: room - 1]}…"
        cells = [cell.rjust(width) for cell, width in zip(numbers, widths[1:-1], strict=True)]
        yield "  ".join(["", cut.ljust(first), *cells, verdict]).rstrip()


def _not_pooled(pool: Pool) -> str:
    lines = [
        _filled(f"  {wording.listing(filter(None, (each.attribute, each.variant)))}: {each.reason}")
        for each in pool.not_pooled
    ]
    return "\n".join(["Not pooled:", *lines]) if lines else ""


def _filled(text: str, further: str = "") -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent=further, break_on_hyphens=False)
