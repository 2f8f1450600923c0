"""What is not settled, what would settle it, what is not shown, cautions, and what to try next."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from blindspoon import wording
from blindspoon.batches.cautions import CAUTIONS, HEAD, Caution, caution, given_away, sources
from blindspoon.batches.summary import Made, factor_name
from blindspoon.errors import shown
from blindspoon.findings.comparison import Analysis, AttributeResult, Comparison
from blindspoon.findings.further import MOST_TASTERS, Goal, NewTasting, new_tasting, scatter_of
from blindspoon.findings.verdict_in_words import flag_note
from blindspoon.scores.standing import too_few_rounds
from blindspoon.stats.results import NoResult
from blindspoon.trial import Trial, Variant
from blindspoon.writeup.templating import PageSection, Points, paragraphs, points
from blindspoon.writeup.writers import grid

MOST_FLAGS = 4


def unsettled(analysis: Analysis) -> PageSection:
    """Tell what is not settled, and where ranks could not have called anything different.

    A table says how many tasters would settle each comparison that is open.
    """
    results, rows = analysis.results, []
    for result in analysis.ordered:
        for it in (it for it in result.comparisons if it.verdict == "open"):
            goals: tuple[Goal, ...] = ("different", "alike")
            found = [_advised(analysis, result, it, goal) for goal in goals]
            if any(found):
                label = f"{it.variant.label}, {result.attribute.label.lower()}"
                rows.append((label, [*map(_people, found)]))
    caption, head = "How many tasters a new tasting takes, in all", "Variant and attribute"
    heads = ("To find a difference of the margin", "To show it alike")
    needed = grid("needed", caption, head, heads, rows, stacked=True)
    told = paragraphs(
        "unsettled",
        open=sum(each.verdict == "open" for each in analysis.comparisons),
        table=bool(rows),
        blocks="rounds" if len(analysis.table.tasters) == 1 else "tasters",
        margin=any(result.attribute.margin is not None for result in results),
        hopeless=[
            (result.alpha, comparison.ranks.smallest_p)
            for result in results
            for comparison in result.comparisons
            if not isinstance(comparison.ranks, NoResult)
            and comparison.ranks.smallest_p > result.alpha
            and comparison.verdict != "alike"
        ],
        by_ranks=results[0].by == "ranks",
    )
    return PageSection(
        name="unsettled",
        head="What is not settled, and what would settle it",
        paragraphs=told,
        tables=(needed,) * bool(rows),
    )


def _advised(
    analysis: Analysis, result: AttributeResult, comparison: Comparison, goal: Goal
) -> NewTasting | None:
    """Reckon a new tasting; None without a margin or a mixed model."""
    scatter = scatter_of(analysis.trial, analysis.table, result, comparison)
    margin = result.attribute.margin
    if scatter is None or margin is None:
        return None
    return new_tasting(scatter, margin=margin, alpha=result.alpha, goal=goal)


def _people(found: NewTasting | None) -> str:
    if found is None:
        return ""
    if found.tasters is None:
        return "no number, with these jars" if found.jars else f"more than {MOST_TASTERS:,}"
    low, high = found.fewest, found.most
    reach = f"{low} or more" if high is None else f"{low} to {high}"
    return f"about {found.tasters}" + (f" ({reach})" if low != high else "")


def not_shown(analysis: Analysis) -> Points:
    trial, table = analysis.trial, analysis.table
    flags = [(result, flag) for result in analysis.results for flag in result.flags]
    said = [
        f"on {result.attribute.label.lower()} {flag_note(trial, result, flag)}"
        for result, flag in flags[:MOST_FLAGS]
    ]
    if len(flags) > MOST_FLAGS:
        said.append(f"{len(flags) - MOST_FLAGS} more are listed in tables/flags.csv")
    kinds = {flag.kind for _, flag in flags}
    return points("not_shown", trial=trial, table=table, flags=said, kinds=kinds)


def cautions(trial: Trial, made: Made | None) -> Points:
    """List what the batches' own numbers warn of, then what holds for every home-made food."""
    told = [each for each in made.cautions if not each.general] if made else []
    closed = [batch for each in told if each.kind == "pressure" for batch in each.batches]
    own = [
        (caution_for_readers(trial, made, each), f"({sources(each)})")
        for each in told
        if made and each.kind != "pressure"
    ]
    general = points(
        "cautions",
        closed=wording.listing(_jars(trial, made, closed)) if made and closed else "",
        allergens=trial.tasting.allergens.strip(" ."),
        holding=_holding(trial, made),
        told={each.kind for each in told},
        said={
            kind: f"{wording.capital(it.said.rstrip('.'))} ({sources(it)})."
            for kind, it in CAUTIONS.items()
        },
    )
    return (*([("", HEAD)] if own else []), *own, *general)


def caution_for_readers(trial: Trial, made: Made, found: Caution) -> str:
    """Say a caution of readers, who know a jar by what was in it."""
    names = _jars(trial, made, found.batches)
    told = caution(replace(found, batches=tuple(names)))
    return wording.capital(told) if len(names) < len(found.batches) else told  # "All four"


def _jars(trial: Trial, made: Made, batches: Sequence[str]) -> list[str]:
    """Name jars with what was in them; all of several by their number."""
    if len(batches) == len(made.log.batches) > 1:
        return [wording.all_of(len(batches))]
    held = {batch.name: trial.variant(batch.variant).label for batch in made.log.batches}
    return [f"{shown(name)} (“{held[name]}”)" for name in batches]


def _holding(trial: Trial, made: Made | None) -> str:
    """Say which variants hold what may harm somebody, as far as the host's words give it away."""
    methods = {variant.name: variant.method for variant in trial.variants}
    holding: dict[str, list[str]] = {}
    for variant in trial.variants:
        texts = [trial.product, variant.label, variant.method]
        texts += [methods[trial.control]] * bool(re.match(r"the same\b", variant.method, re.I))
        for batch in made.log.of_variant(variant.name) if made else ():
            own = {name: value for name, value in batch.own.items() if value not in NOTHING}
            texts += [batch.starter, *(f"{name} {own[name]}".replace("_", " ") for name in own)]
        for what in given_away("; ".join(texts)):
            holding.setdefault(what, []).append(f"“{variant.label}”")
    return wording.listing(
        f"{what} in {'all' if len(where) == len(methods) else wording.listing(where)}"
        for what, where in holding.items()
    )


NOTHING = (0.0, "none", "no", "0")  # cells of batches.csv that say that nothing of it went in


# What to try next -------------------------------------------------------------------------------

MOST_STEPS = 6
MOST_NAMED = 3


def next_steps(analysis: Analysis) -> Points:
    """Say what the next tasting should do otherwise, in a head and one or two sentences each.

    What tells most comes first: batches alike in all but one thing, several of each (with two, the
    chance to see twice the margin is below .3 with 12 tasters by `size`), one that parts two
    factors, another sitting, more tasters.
    """
    trial, table, names = analysis.trial, analysis.table, analysis.names
    found = [(result, it) for result in analysis.ordered for it in result.comparisons]
    sets = {what.variant: [it.factor for it in what.differences] for what in analysis.differs}
    apart = [  # what parts two factors that a variant has both of, as it was meant to
        (what.variant, sets[what.variant], lacking)
        for what in analysis.differs
        if len(sets[what.variant]) == 2
        and not what.undeclared
        and what.variant in analysis.different
        if (lacking := [it for it in sets[what.variant] if [it] not in sets.values()])
    ]
    more = (step for result in analysis.ordered for step in _more_tasters(analysis, result))
    steps = points(
        "next",
        confounded=list(_confounded(analysis)),
        trial=trial,
        table=table,
        names=names,
        of_control=table.batches_tasted(len(trial.variants))[trial.control_index],
        jars=names.batches > 1
        and any(
            tasting.jars
            for result, it in found
            if it.verdict == "open" and (tasting := _advised(analysis, result, it, "alike"))
        ),
        apart=[
            (
                names.subject([trial.variant(variant)]),
                [*map(factor_name, both)],
                [*map(factor_name, alone)],
            )
            for variant, both, alone in apart[:1]
        ],
        moved=[it.attribute.label.lower() for it in analysis.ordered if it.moved][:MOST_NAMED],
        more=next(more, None),
    )
    return steps[:MOST_STEPS]


def _confounded(analysis: Analysis) -> Iterator[tuple[str, str, bool]]:
    """Name batches that differ in more than the one thing; those that were found different first.

    Who they are, in what else they differ, and whether they are several.
    """
    alike: dict[str, list[Variant]] = {}
    for what in sorted(analysis.differs, key=lambda what: what.variant not in analysis.different):
        if what.undeclared:
            also = wording.listing(factor_name(difference.factor) for difference in what.undeclared)
            alike.setdefault(also, []).append(analysis.trial.variant(what.variant))
    for also, variants in alike.items():
        most = MOST_NAMED if len(variants) > MOST_NAMED + 1 else len(variants)
        subject = analysis.names.subject(variants[:most], len(variants[most:]))
        yield subject, also, len(variants) > 1


def _more_tasters(analysis: Analysis, result: AttributeResult) -> Iterator[tuple[str, str]]:
    """Say how many people a new tasting takes, for the comparison that takes fewest."""
    label = result.attribute.label.lower()
    left = [it for it in result.comparisons if it.verdict == "open" and not result.moved]
    if left and result.unit == "round":
        table = analysis.table
        few = too_few_rounds(analysis.trial, table.tasters, len(table.sessions), lifted=True)
        more = "Four times the rounds halve an interval, if this taster stays as steady."
        yield f"Taste more rounds of {label}.", few or more
    reckoned = ((_advised(analysis, result, it, "alike"), it) for it in left)
    found = [(by, it) for by, it in reckoned if by is not None and not by.jars]
    able = [(by.tasters, it.variant.label, by, it) for by, it in found if by.tasters]
    if able:
        *_, by, it = min(able, key=lambda way: way[:2])
        number, bracket, reach = _people(by).partition(" (")
        yield (
            f"Ask again about {label}.",
            f"If {analysis.names.short(it.variant)} is alike, a new tasting of {number} "
            f"people{bracket}{reach} would show it eight times in ten.",
        )
    elif found:
        yield (
            f"Leave {label}, or change more.",
            f"What is not settled on {label} would take more than {MOST_TASTERS:,} people: a "
            "bolder change shows sooner than a larger panel.",
        )
