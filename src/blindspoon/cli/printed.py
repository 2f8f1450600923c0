"""What several kitchens found together, as a table of 80 columns.

Tables that a person reads in a terminal of 80 columns.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

from blindspoon import wording
from blindspoon.batches import summary
from blindspoon.batches.amounts import Amounts
from blindspoon.batches.safety import HEAD as CARE
from blindspoon.batches.summary import Made, cautions_in_words, differences_in_words
from blindspoon.findings.comparison import AttributeResult, Comparison
from blindspoon.findings.pool_checks import Pool, PooledAttribute, PooledComparison
from blindspoon.findings.verdict import PROCEDURES, flag_words
from blindspoon.scores.score_table import ScoreTable
from blindspoon.serving.plan import Balance, Span
from blindspoon.simulate.size_results import Sizing, SizingCell
from blindspoon.stats.results import Interval, MixedContrast, NoResult
from blindspoon.trial import Attribute, Trial

WIDTH = 80
HEAD = ("", "difference", "interval", "mixed p", "ranks p", "verdict")
SIZES = ("tasters", "sessions", "a margin", "two margins", "alike", "seen 8 in 10", "smallest p")


def comparison_table(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> str:
    """Lay out every comparison, primary attributes first, then what was not compared.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
    results : tuple of AttributeResult

    Returns
    -------
    str
        Lines of at most 80 columns, except where a single name is longer.
    """
    ordered = sorted(results, key=lambda result: not result.primary)
    blocks = [_heading(trial, table, results)]
    blocks += ["\n".join(_attribute(trial, result)) for result in ordered]
    blocks += [_left_out(table)] if table.left_out else []
    return "\n\n".join(blocks).replace(wording.NO_BREAK, " ")


def _heading(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> str:
    alone = len(table.tasters) == 1
    size = wording.listing(
        [
            wording.count(len(table.tasters), "taster"),
            wording.count(len(table.sessions), "round" if alone else "session"),
            wording.count(len(trial.variants), "variant"),
        ]
    )
    rule = (
        f"Differences are variant minus control ({trial.variant(trial.control).label}), in points. "
        f"{PROCEDURES[results[0].by].capitalize()} decides; p values are adjusted "
        "over the variants."
    )
    if alone:
        rule += f" {wording.ALONE}"
    return "\n".join([*textwrap.wrap(trial.title, WIDTH), f"{size}.", *textwrap.wrap(rule, WIDTH)])


def _attribute(trial: Trial, result: AttributeResult) -> Iterator[str]:
    attribute = result.attribute
    planned = "primary" if result.primary else "exploratory"
    margin = f", margin {wording.margin(attribute)}" if attribute.margin else ", no margin"
    level = wording.percent(1 - result.alpha)
    yield f"{attribute.label} ({planned}{margin}, {level} intervals)"
    rows = [_row(each) for each in result.comparisons]
    if rows:
        yield from _columns([HEAD, *rows])
    for missing in result.not_compared:
        yield from textwrap.wrap(
            f"  {missing.variant.label}: not compared. {missing.reason}",
            WIDTH,
            subsequent_indent="    ",
        )
    for flag in result.flags:
        words = flag_words(trial, flag)
        note = f"  Note: {words}."
        yield from textwrap.wrap(note, WIDTH, subsequent_indent="    ")


def _row(comparison: Comparison) -> tuple[str, ...]:
    attribute, found = comparison.attribute, comparison.found
    size = (
        "-"
        if found is None
        else wording.signed(
            found.difference, wording.estimate_digits(found.difference, found.interval, attribute)
        )
    )
    interval: Interval | None = None if found is None else found.interval
    return (
        comparison.variant.label,
        size,
        "-" if interval is None else wording.span(interval, attribute),
        _p(comparison.mixed),
        _p(comparison.ranks),
        "not settled" if comparison.verdict == "open" else comparison.verdict,
    )


def _p(contrast: object) -> str:
    return "-" if isinstance(contrast, NoResult) else wording.p_cell(contrast.p_adjusted)  # type: ignore[attr-defined]


def _columns(rows: list[tuple[str, ...]]) -> Iterable[str]:
    """Align the columns; names that would push a line over the width are cut with an ellipsis."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEAD))]
    spare = WIDTH - 2 - 2 * (len(HEAD) - 1) - sum(widths[1:])
    widths[0] = max(min(widths[0], spare), 8)
    for row in rows:
        name = row[0] if len(row[0]) <= widths[0] else f"{row[0][: widths[0] - 1]}…"
        numbers = [cell.rjust(width) for cell, width in zip(row[1:-1], widths[1:-1], strict=True)]
        yield "  ".join(["", name.ljust(widths[0]), *numbers, row[-1]]).rstrip()


def _left_out(table: ScoreTable) -> str:
    lines = ["Left out:"]
    for each in table.left_out[:20]:
        where = each.file if each.line is None else f"{each.file} line {each.line}"
        lines += textwrap.wrap(f"  {where}: {each.reason}", WIDTH, subsequent_indent="    ")
    if len(table.left_out) > 20:
        lines.append(f"  ... and {len(table.left_out) - 20:,} more (see --json).")
    return "\n".join(lines)


def sizing_table(trial: Trial, sizing: Sizing) -> str:
    """Lay out what panels of several sizes can hope for, by the procedure that decides."""
    attribute = trial.attribute(sizing.attribute)
    cells = [cell for cell in sizing.cells if cell.procedure == sizing.decided_by]
    floors = {
        (cell.tasters, cell.sessions): cell.smallest_p
        for cell in sizing.cells
        if cell.procedure == "ranks"
    }
    rows = [
        SIZES,
        *(_chances(cell, floors[cell.tasters, cell.sessions], attribute) for cell in cells),
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(len(SIZES))]
    error = max(chance.se for cell in cells for chance in (cell.chance_margin, cell.chance_alike))
    head = (
        f"{attribute.label}, margin {wording.margin(attribute)}: the chance to show a difference "
        f"of a margin and of two, to show a variant alike when nothing differs, the difference "
        f"shown 8 times in 10, and the smallest p that ranks can reach. Simulated, give or take "
        f"{wording.number(2 * error, 2)}."
    )
    lines = [
        "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        for row in rows
    ]
    blocks = [
        *(textwrap.fill(each, WIDTH) for each in sizing.sentences),
        textwrap.fill(head, WIDTH),
        "\n".join(lines),
        *(textwrap.fill(each, WIDTH) for each in sizing.assumptions),
    ]
    return "\n\n".join(blocks).replace(wording.NO_BREAK, " ")


def _chances(cell: SizingCell, floor: float | None, attribute: Attribute) -> tuple[str, ...]:
    seen = cell.smallest_seen
    digits = wording.digits_for(attribute.scale)
    return (
        str(cell.tasters),
        str(cell.sessions),
        *(
            wording.number(chance.value, 2)
            for chance in (cell.chance_margin, cell.chance_twice, cell.chance_alike)
        ),
        "none" if seen is None else wording.number(seen.difference, digits),
        "-" if floor is None else wording.p_cell(floor),
    )


def balance_lines(balance: Iterable[Balance]) -> Iterator[str]:
    """Say in numbers how balanced the orders of each session are."""
    for each in balance:
        where = "All sessions" if each.session is None else f"Session {each.session}"
        text = (
            f"{where}: {wording.count(each.sets, 'set')} of {each.cups} cups. A variant stands in "
            f"one place {_times(each.positions)}, the control {_times(each.control_positions)}"
        )
        text += f"; it follows another {_times(each.follows)}" if each.follows else ""
        if each.efficiency < 1:
            text += (
                f"; with fewer cups than variants this is worth "
                f"{wording.number(each.tasters_worth, 1)} tasters who get everything"
            )
        yield textwrap.fill(f"{text}.", WIDTH, subsequent_indent="  ")


def _times(span: Span) -> str:
    if span.low == span.high:
        return wording.count(span.low, "time")
    return f"{span.low} to {span.high} times"


STRENGTHS = (
    ("salt %", "salt_percent", 2),
    ("of water", "salt_percent_of_water", 2),
    ("acid g", "citric_g_per_100_g", 2),
    ("sugar %", "sugar_percent", 1),
    ("days", "age_days", 0),
    ("deg-days", "degree_days", 0),
    ("last pH", "last_ph", 1),
)


def batches_table(trial: Trial, made: Made) -> str:
    """Lay out strengths, then what equalises them, what else differs, and cautions."""
    head = (
        "Salt is % of everything in the jar, then % of its water; acid is what was added, as grams "
        "of citric acid in 100 g of everything."
    )
    unknown = {f"{each.batch}: {lack.reason}" for each in made.strengths for lack in each.unknown}
    added = [summary.what_to_add(trial, each) for each in made.amounts]
    weighed = [summary.what_to_weigh(each) for each in made.amounts if isinstance(each, Amounts)]
    cautions = [f"{text} ({source})" for text, source in cautions_in_words(made)]
    blocks = [
        textwrap.fill(head, WIDTH),
        "\n".join(_strength_lines(made)),
        _listed("Not known:", sorted(unknown)),
        _listed("To match the control:", [*added, *weighed]),
        _listed("What else differs:", differences_in_words(trial, made)),
        _listed("Cautions:", [CARE, *cautions]),
    ]
    return "\n\n".join(filter(None, blocks)).replace(wording.NO_BREAK, " ")


def _strength_lines(made: Made) -> Iterator[str]:
    rows = [("", *(head for head, _, _ in STRENGTHS))]
    for each in made.strengths:
        numbers = [_digits(getattr(each, name), digits) for _, name, digits in STRENGTHS]
        rows.append((f"{each.batch} ({each.variant})", *numbers))
    first, *widths = (max(len(row[column]) for row in rows) for column in range(len(rows[0])))
    for name, *cells in rows:
        numbers = [cell.rjust(width) for cell, width in zip(cells, widths, strict=True)]
        yield "  ".join([name.ljust(first), *numbers])


def _listed(head: str, lines: Iterable[str]) -> str:
    filled = [
        textwrap.fill(f"  {line}", WIDTH, subsequent_indent="    ", break_on_hyphens=False)
        for line in lines
    ]
    return "\n".join([head, *filled]) if filled else ""


def _digits(value: float | None, digits: int) -> str:
    return "-" if value is None else wording.number(value, digits)


POOLED_HEAD = ("", "difference", "interval", "p", "verdict")
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
        _terminal_pooled_heading(pool),
        *("\n".join(_terminal_pooled_attribute(pool, each)) for each in ordered),
        _not_pooled(pool),
    ]
    return "\n\n".join(filter(None, blocks)).replace(wording.NO_BREAK, " ")


def _terminal_pooled_heading(pool: Pool) -> str:
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


def _terminal_pooled_attribute(pool: Pool, each: PooledAttribute) -> Iterator[str]:
    attribute = each.attribute
    planned = "primary" if each.primary else "exploratory"
    margin = f", margin {wording.margin(attribute)}" if attribute.margin else ", no margin"
    level = wording.percent(1 - each.alpha)
    yield _filled(f"{attribute.label} ({planned}{margin}, {level} intervals)")
    rows = [POOLED_HEAD]
    for comparison in each.comparisons:
        rows += _comparison(pool, attribute, comparison)
    yield from _terminal_pooled_columns(rows) if each.comparisons else ()
    yield from _between(each)


def _comparison(pool: Pool, attribute: Attribute, each: PooledComparison) -> Iterator[Row]:
    yield (pool.variant(each.variant).label, "", "", "", "")
    for own in each.own:
        yield _terminal_pooled_row(f"  {own.kitchen}", attribute, own.mixed)
    verdict = "not settled" if each.verdict == "open" else each.verdict
    yield _terminal_pooled_row(f"  {LIKE}", attribute, each.pooled, verdict)
    yield _terminal_pooled_row(f"  {ONLY}", attribute, each.these)


def _terminal_pooled_row(
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


def _terminal_pooled_columns(rows: Sequence[Row]) -> Iterable[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(POOLED_HEAD))]
    spare = WIDTH - 2 - 2 * (len(POOLED_HEAD) - 1) - sum(widths[1:])
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
