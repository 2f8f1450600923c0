"""What is not settled and what would settle it, what the trial does not show, and cautions.

The sentences stand in templates/unsettled.txt.j2, not_shown.txt.j2, differed.txt.j2 and
cautions.txt.j2.
"""

from __future__ import annotations

import math
import re

from blindspoon import wording
from blindspoon.batches.cautions import HEAD
from blindspoon.batches.summary import Made, cautions_in_words, differences_in_words
from blindspoon.findings.comparison import Analysis, Comparison
from blindspoon.findings.naming import most_batches, of_methods
from blindspoon.findings.verdict import flag_words
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import Interval, NoResult
from blindspoon.writeup.section import Points
from blindspoon.writeup.words import paragraphs, points
from blindspoon.writeup.writers import Table, blank_as_dash

MOST_TASTERS = 1000
MOST_FLAGS = 4


def unsettled(analysis: Analysis) -> tuple[str, ...]:
    """Tell what is not settled, and where ranks could not have called anything different.

    Notes
    -----
    The half-width of an interval shrinks about as one over the square root of the number of
    tasters, if the estimate and the spread stay as they are.
    """
    trial, table, results = analysis.trial, analysis.table, analysis.results
    left = unsettled_comparisons(analysis)
    hopeless = [
        (result.alpha, comparison.ranks.smallest_p)
        for result in results
        for comparison in result.comparisons
        if not isinstance(comparison.ranks, NoResult)
        and comparison.ranks.smallest_p > result.alpha
        and comparison.verdict != "alike"
    ]
    return paragraphs(
        "unsettled",
        open=len(left),
        compared=len(analysis.comparisons),
        lost=any(result.not_compared for result in results),
        intervals=any(comparison.found and comparison.found.interval for comparison in left),
        blocks=blocks_of(table),
        margin=any(attribute.margin is not None for attribute in trial.attributes),
        several=of_methods(trial, table),
        hopeless=hopeless,
        by_ranks=results[0].by == "ranks",
    )


def unsettled_comparisons(analysis: Analysis) -> list[Comparison]:
    """Choose the comparisons that came to no verdict, those of primary attributes first."""
    ordered = sorted(analysis.results, key=lambda result: not result.primary)
    return [each for result in ordered for each in result.comparisons if each.verdict == "open"]


def blocks_of(table: ScoreTable) -> str:
    """Name what more of would narrow an interval: of one person alone, rounds."""
    return "rounds" if len(table.tasters) == 1 else "tasters"


def needed_table(analysis: Analysis) -> Table | None:
    """Say roughly how many more tasters would settle what is not; None where nobody can guess."""
    left, blocks = unsettled_comparisons(analysis), blocks_of(analysis.table)
    if not any(comparison.found and comparison.found.interval for comparison in left):
        return None
    margin = any(comparison.attribute.margin is not None for comparison in left)
    columns = (f"{blocks.capitalize()} now", "Difference so far", "More, to show a difference")
    return Table(
        name="needed",
        caption=f"More {blocks}, roughly",
        head="Variant and attribute",
        columns=(*columns, *["More, to show it alike"] * margin),
        rows=tuple(
            (
                f"{each.variant.label}, {each.attribute.label.lower()}",
                blank_as_dash(_needs(each)[: 3 + margin]),
            )
            for each in left
        ),
        stacked=True,
    )


def _needs(comparison: Comparison) -> list[str]:
    now, attribute, found = blocks(comparison), comparison.attribute, comparison.found
    if found is None:
        return [str(now), "", "", ""]
    size, margin = abs(found.difference), attribute.margin
    interval = "" if found.interval is None else f" ({wording.span(found.interval, attribute)})"
    return [
        str(now),
        wording.signed(found.difference, wording.digits_for(attribute.scale)) + interval,
        _more(now, found.interval, size),
        "" if margin is None else _more(now, found.equivalence_interval, margin - size),
    ]


def blocks(comparison: Comparison) -> int:
    """Count the tasters behind a comparison; of one person alone, the rounds."""
    return comparison.rounds or comparison.tasters


def _more(now: int, interval: Interval | None, target: float) -> str:
    """Say how many more tasters would bring an interval's half-width down to the target."""
    if interval is None or now == 0:
        return ""
    if target <= 0:
        return "no number, as it stands"
    more = more_tasters(now, (interval.high - interval.low) / 2, target)
    if more > MOST_TASTERS * (1 + now // MOST_TASTERS):
        return "too many to ask"
    return f"about {more:,}" if more > 5 else "a few"


def more_tasters(now: int, half_width: float, target: float) -> int:
    """Estimate how many more tasters would make an interval as narrow as the target.

    Parameters
    ----------
    now : int
        Tasters behind the interval.
    half_width, target : float
        Half of the interval now, and what it has to shrink to, in points.

    Returns
    -------
    int
        At least one; rounded up, beyond 20 to fives, beyond 100 to fifties.

    Examples
    --------
    >>> more_tasters(12, 1.0, 0.7), more_tasters(12, 1.0, 0.5), more_tasters(12, 1.0, 0.3)
    (13, 40, 150)
    """
    more = max(1, math.ceil(now * ((half_width / target) ** 2 - 1) - 1e-9))
    step = 1 if more <= 20 else 5 if more <= 100 else 50
    return math.ceil(more / step) * step


def not_shown(analysis: Analysis) -> Points:
    """Warn of what a reader might take from the page."""
    trial, table = analysis.trial, analysis.table
    flags = [(result, flag) for result in analysis.results for flag in result.flags]
    said = [
        f"on {result.attribute.label.lower()} {flag_words(trial, flag)}"
        for result, flag in flags[:MOST_FLAGS]
    ]
    if len(flags) > MOST_FLAGS:
        said.append(f"{len(flags) - MOST_FLAGS} more are listed in tables/flags.csv")
    batches = table.batches_tasted(len(trial.variants)).tolist()
    return points(
        "not_shown",
        table=table,
        batches=(max(min(batches), 1), max(batches)),
        modelled=of_methods(trial, analysis.table),
        flags=said,
        kinds={flag.kind for _, flag in flags},
    )


def differed(analysis: Analysis) -> tuple[str, ...]:
    """Tell what the folder says of the batches, beside the findings that it weakens."""
    trial, made = analysis.trial, analysis.made
    return paragraphs(
        "differed",
        table=analysis.table,
        several=most_batches(trial, analysis.table) > 1,
        modelled=of_methods(trial, analysis.table),
        differences=None if made is None else [*differences_in_words(trial, made)],
    )


OURS = re.compile(r", (from memory|no source)\b")
"""What we note of a source for ourselves, and a reader of a page has no use for."""


def cautions(made: Made | None) -> Points:
    """List what the batches' own numbers warn of, then what holds for every home-made food."""
    own = [
        (text, f"({OURS.sub('', source)})" if source else "")
        for text, source in cautions_in_words(made)
    ]
    return (*([(HEAD, "")] if own else []), *own, *points("cautions"))
