"""How one person tasted alone, and how the rounds were compared, in paragraphs."""

from __future__ import annotations

import numpy as np

from blindspoon import wording
from blindspoon.compare.results import AttributeResult, RankContrast
from blindspoon.compare.rounds import MOST_TOGETHER
from blindspoon.scores import ScoreTable
from blindspoon.trial import Trial


def orders_alone(table: ScoreTable) -> str:
    """Count the orders of the rounds that differ from one another."""
    rows = np.lexsort((table.position, table.session))
    rounds = np.split(table.variant[rows], np.flatnonzero(np.diff(table.session[rows])) + 1)
    orders = len({tuple(cups.tolist()) for cups in rounds})
    return (
        "The order of the cups is recorded for every round: "
        f"{wording.count(orders, 'order')} in {wording.count(len(rounds), 'round')}."
    )


def within_rounds(trial: Trial, results: tuple[AttributeResult, ...]) -> str:
    """Describe the comparison of one person alone."""
    contrasts = [
        comparison.ranks
        for result in results
        for comparison in result.comparisons
        if isinstance(comparison.ranks, RankContrast)
    ]
    if not contrasts:
        return "The rank comparison within rounds could not be made with these scores."
    zeros = sum(each.zero_differences for each in contrasts)
    ties = f" ({zeros:,} differences of zero left out)" if zeros else ""
    drawn = any(each.method == "sampled" for each in contrasts)
    ways = (
        f"all ways to do so, or a sample of them drawn from the trial’s seed, {trial.seed}, were"
        if drawn
        else "all ways to do so were"
    )
    return (
        "Rank comparison within rounds: chance is reckoned from the draw of the orders alone, so a "
        "variant is compared only where its order with the control was recorded and changed from "
        "round to round. If this taster would have scored the cups of a variant and of the control "
        "the same had their names been exchanged (Fisher 1935), every exchange within rounds was "
        f"as likely; {ways} gone through. The statistic is the sum of the signed ranks (Wilcoxon "
        f"1945) of the rounds’ differences{ties}. {_family(results)} The shift is the estimate of "
        "Hodges and Lehmann (1963) over the rounds, cups of one variant averaged first; its "
        "intervals invert the signed rank test, with alpha shared equally by the variants."
    )


def _family(results: tuple[AttributeResult, ...]) -> str:
    if max(len(result.comparisons) for result in results) > MOST_TOGETHER:
        return "P values are adjusted over the variants by the method of Holm (1979)."
    return (
        "P values are adjusted over the variants by a closed test (Marcus, Peritz and Gabriel "
        "1976): every set of variants is tested against the control, their names permuted within "
        "rounds, and a variant’s p value is the largest over the sets that hold it."
    )
