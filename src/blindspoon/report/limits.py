"""What is not settled and what would settle it, what the trial does not show, and cautions."""

from __future__ import annotations

import math
from collections.abc import Sequence

from blindspoon import wording
from blindspoon.batches.safety import HEAD
from blindspoon.batches.summary import Made, cautions_in_words, differences_in_words
from blindspoon.findings.comparison import AttributeResult, Comparison, NotCompared, Other
from blindspoon.findings.verdict import flag_words
from blindspoon.report.number_tables import NumberTable, blank_as_dash
from blindspoon.report.short_answer import most_batches, sentence
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import Interval, RankContrast
from blindspoon.trial import Trial

MOST_TASTERS = 1000
MOST_FLAGS = 4
CAUTIONS = (
    (
        "Not a safety test.",
        "No score on this page says that anything was safe to eat or would keep. The methods are "
        "given as they were made, not as recipes.",
    ),
    (
        "Preserving.",
        "Whoever preserves food should follow a tested recipe from a national or university food "
        "service, and change neither its salt, acid, times nor temperatures on the strength of a "
        "tasting. United States rules draw the line for acidified foods at an equilibrium pH of "
        "4.6 (21 CFR 114.3); for traditional vegetable ferments the critical point is a steady, "
        "sustained fall of pH to below 4.6 (Snyder et al. 2020, Food Protection Trends "
        "40:251–263). Local codes and licensed practice come before both.",
    ),
    (
        "Spoilage.",
        "What is mouldy, slimy, discoloured, bulging or smells wrong is thrown away untasted, and "
        "so is anything of which the maker is in doubt.",
    ),
    (
        "Pressure.",
        "A living ferment makes gas, and a closed jar or bottle can burst. Leave headspace, let "
        "the gas out, and open it slowly and away from faces.",
    ),
    (
        "Allergens and alcohol.",
        "A blind taster cannot see what is in a cup. Everybody should know, before they taste, "
        "every ingredient of every variant, and that ferments may hold some alcohol.",
    ),
    (
        "Who tastes.",
        "Tasting is voluntary, and spitting out is always allowed. Those who are pregnant, very "
        "young, old or ill should ask somebody qualified first. Whoever serves or sells to the "
        "public answers to the local food authority.",
    ),
)


def unsettled(
    trial: Trial, table: ScoreTable, results: Sequence[AttributeResult]
) -> tuple[tuple[str, ...], NumberTable | None]:
    """Tell what is not settled, and roughly how many tasters would settle it.

    Returns
    -------
    tuple of str
        Paragraphs.
    NumberTable or None
        One row a comparison that is open; None where there is none.

    Notes
    -----
    The half-width of an interval shrinks about as one over the square root of the number of
    tasters, if the estimate and the spread stay as they are.
    """
    every = [item for result in results for item in result.others]
    open_ = [item for item in every if isinstance(item, Comparison) and item.verdict == "open"]
    if not open_:
        return (_nothing_open(every),), None
    if not any(item.found and item.found.interval for item in open_):
        return (_no_guide(len(open_), _blocks(table)),), None
    return (_roughly(trial, table, len(open_)),), _guide(open_, _blocks(table))


def _blocks(table: ScoreTable) -> str:
    """Name what more of would narrow an interval: of one person alone, rounds."""
    return "rounds" if len(table.tasters) == 1 else "tasters"


def _guide(items: list[Comparison], blocks: str) -> NumberTable:
    margin = any(item.attribute.margin is not None for item in items)
    columns = (f"{blocks.capitalize()} now", "Difference so far", "More, to show a difference")
    return NumberTable(
        name="needed",
        caption=f"More {blocks}, roughly",
        head="Variant and attribute",
        columns=(*columns, "More, to show it alike") if margin else columns,
        rows=tuple((_open_name(item), _needs(item, margin=margin)) for item in items),
    )


def _nothing_open(items: list[Other]) -> str:
    if all(isinstance(item, NotCompared) for item in items):
        return "Nothing could be compared, so nothing is settled."
    text = "Every comparison that could be made came to a verdict."
    return (
        text
        if not any(isinstance(item, NotCompared) for item in items)
        else (f"{text} Those that could not be made are listed with their reasons.")
    )


def _are_open(many: int) -> str:
    are = "comparison is" if many == 1 else "comparisons are"
    return (
        f"{wording.spelled(many)} {are} not settled: the scores show neither a difference nor "
        "that there is none worth minding"
    )


def _no_guide(many: int, blocks: str) -> str:
    return (
        f"{sentence(_are_open(many))} There are too few scores for an interval, and so for a guess "
        f"at how many {blocks} it would take. More {blocks} come first."
    )


def _roughly(trial: Trial, table: ScoreTable, many: int) -> str:
    blocks = _blocks(table)
    text = (
        f"{sentence(_are_open(many))} More {blocks} make an interval narrower, about as one over "
        "the square root of their number. The table is a rough guide and no more: it supposes "
        "that the difference and the spread stay as they are, which they will not quite, and it "
        "gives an even chance at best."
    )
    if all(each.margin is None for each in trial.attributes):
        text += " Without a margin nothing can be shown to be alike, however many taste."
    if most_batches(trial, table) < 2:
        return f"{text} More {blocks} of the same jar tell about that jar, not about the method."
    return f"{text} Batches differ too, and what they add to an interval only more batches narrow."


def _open_name(item: Comparison) -> str:
    return f"{item.variant.label}, {item.attribute.label.lower()}"


def _needs(item: Comparison, *, margin: bool) -> tuple[str, ...]:
    tasters = item.rounds or item.tasters
    if item.found is None:
        return blank_as_dash([str(tasters), *[""] * (3 if margin else 2)])
    found, attribute = item.found, item.attribute
    interval = "" if found.interval is None else f" ({wording.span(found.interval, attribute)})"
    so_far = wording.signed(found.difference, wording.digits_for(attribute.scale)) + interval
    size = abs(found.difference)
    cells = [str(tasters), so_far, _more(tasters, found.interval, size)]
    if margin:
        limit = attribute.margin
        alike = "" if limit is None else _more(tasters, found.equivalence_interval, limit - size)
        cells.append(alike)
    return blank_as_dash(cells)


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


def not_shown(
    trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...] = ()
) -> tuple[tuple[str, str], ...]:
    """Warn of what a reader might take from the page; a heading and a sentence each."""
    others = (
        "This is one person’s palate, on these days: it says nothing about others."
        if len(table.tasters) == 1
        else f"The answer is about these {len(table.tasters):,} tasters, on these days. Other "
        "mouths may find otherwise."
    )
    return (
        _batches(trial, table),
        (
            "Other people.",
            others,
        ),
        *_uneven(trial, results),
        (
            "Which is better.",
            "The scores say how much of something there was. Unless an attribute asks for liking, "
            "none of them says which food anybody would rather eat.",
        ),
        (
            "That what is not settled is alike.",
            "“Not settled” means that these scores were too few, or too scattered, to tell.",
        ),
        (
            "Keeping and safety.",
            "Nothing was tested here but the taste on the day.",
        ),
    )


def _uneven(trial: Trial, results: tuple[AttributeResult, ...]) -> tuple[tuple[str, str], ...]:
    """Tell of scores that spread wide or stand at an end of the scale; empty where none do."""
    flags = [(result.attribute.label, flag) for result in results for flag in result.flags]
    if not flags:
        return ()
    said = [f"on {label.lower()} {flag_words(trial, flag)}" for label, flag in flags[:MOST_FLAGS]]
    if len(flags) > MOST_FLAGS:
        said.append(f"{len(flags) - MOST_FLAGS} more are listed in tables/flags.csv")
    kinds = {flag.kind == "spread" for _, flag in flags}
    advice = {
        True: "Where scores spread unequally the rank comparison is the safer one; with few "
        "tasters an unequal spread often comes by chance.",
        False: "At an end of the scale scores are cut short, so a difference may be larger than "
        "it looks, and what looks alike may not be.",
    }
    text = f"{sentence('; '.join(said))} {' '.join(advice[kind] for kind in sorted(kinds)[::-1])}"
    return (("What uneven scores hide.", text),)


def _batches(trial: Trial, table: ScoreTable) -> tuple[str, str]:
    most = most_batches(trial, table)
    if most < 2:
        return (
            "What the methods do.",
            "Each variant was tasted from one batch, so batches were compared and not methods. The "
            "same method may come out otherwise in the next jar, and only more jars can tell."
            if table.batches
            else "The scores name no batches, so each variant counts as one: batches were "
            "compared, and not methods. The same method may come out otherwise in the next jar.",
        )
    sizes = table.batches_tasted(len(trial.variants)).tolist()
    few = f"{min(sizes)}" if min(sizes) == max(sizes) else f"{min(sizes)} to {max(sizes)}"
    return (
        "What the methods do, in general.",
        f"The variants were tasted from {few} batches each. They stand for the method only as far "
        "as so few, made by one host, can.",
    )


def cautions(made: Made | None) -> tuple[tuple[str, str], ...]:
    """List what the batches' own numbers warn of, then what holds for every home-made food."""
    found = cautions_in_words(made)
    own = [(text, f"({source})" if source else "") for text, source in found]
    return ((HEAD, ""), *own, *CAUTIONS) if own else CAUTIONS


def differed(trial: Trial, table: ScoreTable, made: Made | None) -> tuple[str, ...]:
    """Tell what the folder says of the batches, beside the findings that it weakens."""
    most = most_batches(trial, table)
    if most < 2:
        named = "" if table.batches else " (the scores name no batches)"
        text = (
            f"Each variant was tasted from one batch{named}. Whatever else set that batch apart, "
            "a warmer shelf, riper produce, a tighter lid, is part of its difference from the "
            "control and cannot be told from it."
        )
    else:
        text = (
            "Variants were made more than once, as the table shows. How far batches of one variant "
            "differ from one another is set against how far the variants differ; with so few "
            "batches, roughly."
        )
    if made is not None:
        return (text, *differences_in_words(trial, made))
    return (
        text,
        "The table says what trial.toml declares. Nothing was written down of what was weighed and "
        "measured in the making, so nothing of it can be compared.",
    )


def too_few(trial: Trial, results: Sequence[AttributeResult]) -> str:
    """Say where the rank comparison could not have reached alpha whatever was scored."""
    hopeless = [
        (result.alpha, item.ranks.smallest_p)
        for result in results
        for item in result.comparisons
        if isinstance(item.ranks, RankContrast)
        and item.ranks.smallest_p > result.alpha
        and item.verdict != "alike"
    ]
    if not hopeless:
        return ""
    alpha, smallest = min(hopeless)
    every = [item for result in results for item in result.comparisons]
    blocks = "rounds" if every[0].rounds else "tasters"
    decides = blocks == "rounds" or trial.decision.by == "ranks"
    role = "decides" if decides else "is shown beside the verdict"
    return (
        f"In {wording.count(len(hopeless), 'comparison')} the rank comparison, which {role}, could "
        f"not have called anything different: with so few {blocks}, or so many differences of "
        f"zero, its adjusted p value cannot be below {wording.p_cell(smallest)}, and "
        f"{wording.plain(alpha)} was asked for."
    )
