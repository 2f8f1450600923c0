"""What stands open under the board: what weakens the answer, what to do with it, the recipe."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import islice

from blindspoon import wording
from blindspoon.batches.amounts import JAR_G, recipes
from blindspoon.batches.differences import (
    FERMENTED,
    WARMTH,
    WhatDiffers,
    as_meant,
    declares,
)
from blindspoon.batches.summary import Made, factor_name, in_words
from blindspoon.findings.comparison import Analysis, AttributeResult, Comparison
from blindspoon.findings.naming import Naming, most_batches, names_of
from blindspoon.findings.sensitivity import Influence
from blindspoon.findings.sentences import size_of
from blindspoon.findings.verdict import from_first_to_last, otherwise
from blindspoon.trial import Trial
from blindspoon.wording import capital, day, sentence
from blindspoon.writeup.limits import told_of
from blindspoon.writeup.methods import session_dates
from blindspoon.writeup.section import Points
from blindspoon.writeup.words import dated
from blindspoon.writeup.writers import Table, blank_as_dash

MOST_WEAK, MOST_NAMED, MOST_ADVICE = 5, 2, 5
MOST_MISSING = 0.1
"""Share of the cups that may lack a score without a word; this project's choice."""
URGENT = ("ph-above-limit", "ph-not-falling", "ph-rising")
Point = tuple[str, str]


def fragile_verdicts(influence: Influence | None) -> frozenset[tuple[str, str]]:
    """Collect the verdicts that leaving out any one of more than half the tasters changes."""
    if influence is None:
        return frozenset()
    alternatives = len(influence.of("taster"))
    moved = influence.moved("taster")
    return frozenset(key for key, moves in moved.items() if 2 * len(moves) > alternatives)


def weaknesses(analysis: Analysis, influence: Influence | None, answer: str = "") -> Points:
    """Say in at most five short points what weakens the answer, the gravest first.

    What the `answer` has said of a variant is not said again.
    """
    return tuple(islice(_weaknesses(analysis, influence, answer), MOST_WEAK))


def _weaknesses(analysis: Analysis, influence: Influence | None, answer: str) -> Iterator[Point]:
    names, rule, sealed = names_of(analysis), analysis.trial.decision, analysis.standing.seal
    dates = session_dates(analysis.trial, analysis.table)
    ages = analysis.about_days  # what a single one showed against the control is no answer then
    if made := analysis.made:
        urgent = (it for it in made.cautions if it.kind in URGENT and it.batches)
        yield from (("Take care.", capital(told_of(analysis.trial, made, it))) for it in urgent)
    if not ages:
        yield from _more_than_meant(analysis, names, answer)
    if rule.declared is None:
        yield "No rule beforehand.", "What is compared here may have been chosen after the scores."
    elif dates and rule.declared > dates[0]:
        yield "The rule came late.", f"It is dated {day(rule.declared)}, after the first sitting."
    if analysis.standing.bent:
        yield "Not as it was sealed.", dated(" ".join(analysis.standing.bent))
    lift = analysis.standing.lift
    if lift and analysis.results and lift.scored < (1 - MOST_MISSING) * lift.cups:
        yield "Cups are missing.", f"{lift.scored} of the {lift.cups} to be served have a score."
    if analysis.results and all(a.margin is None for a in analysis.trial.attributes):
        yield "No margin.", "Without the smallest difference that matters, nothing is shown alike."
    if not ages:
        yield from _boundless(analysis)
        yield from _moved(analysis, names)
    if len(analysis.table.tasters) == 1:
        yield "One palate.", "Every round tells about this taster, and nothing about others."
    if analysis.results or analysis.choices:
        yield _so_few_batches(analysis, names)
    if not ages:
        yield from _fragile(analysis, names, influence)
        yield from _disputed(analysis, names)
    if rule.declared is not None and not sealed:
        before = (dates[0] - rule.declared).days if dates else 0
        ahead = f", {wording.count(before, 'day')} before the tasting" if before > 0 else ""
        what = "neither it nor the codes were sealed" if analysis.table.coded else "was not sealed"
        yield "Nothing sealed.", f"The rule is dated {day(rule.declared)}{ahead}, but {what}."


def _boundless(analysis: Analysis) -> Iterator[Point]:
    """Name primary attributes on which a difference may be whatever the scale allows."""
    names = []
    for result in analysis.results:
        scale, found = result.attribute.scale, [each.found for each in result.comparisons]
        likely = [it.interval for it in found if it and it.interval] if result.primary else []
        if any(max(it.low, -it.high) <= scale.low - scale.high for it in likely):
            names.append(result.attribute.label.lower())
    if names:
        text = "a likely range is wider than the scale itself, and rules nothing out"
        yield "Too few scores.", f"On {wording.listing(names)} {text}."


def _more_than_meant(analysis: Analysis, names: Naming, answer: str) -> Iterator[Point]:
    """Tell what else set the variants apart that were found different."""
    trial = analysis.trial
    shown = {each.variant.name for each in analysis.comparisons if each.differs}
    differs = analysis.made.differs if analysis.made else ()
    found = [what for what in differs if what.variant in shown]
    for what in islice((what for what in found if what.undeclared), MOST_NAMED):
        subject = names.subject([trial.variant(what.variant)])
        also = f"{subject} was also {wording.listing(map(in_words, what.undeclared))}"
        factors = [factor_name(each.factor) for each in what.differences]
        doubt = f"whether {wording.listing(factors, 'or')} mattered"
        if also in answer:
            text = f"We can’t say {doubt} in {subject}"
        else:
            text = f"{also}; we can’t say {doubt}" if len(factors) > 1 else also
        told = [sentence(text), *_shared(analysis, names, what, found)]
        yield "More than one change.", " ".join(told)
    for what in found:
        meant = [each for each in what.differences if each.declared or each.perhaps_meant]
        if len(meant) > 1:
            which = "which of them" if len(meant) > 2 else "which"
            subject = names.subject([trial.variant(what.variant)])
            yield (
                "Two changes in one." if len(meant) == 2 else "Several changes in one.",
                sentence(f"{subject} was {wording.listing(map(in_words, meant))}; ").rstrip(". ")
                + f" we can’t say {which} mattered.",
            )


def _shared(
    analysis: Analysis, names: Naming, what: WhatDiffers, found: Sequence[WhatDiffers]
) -> Iterator[str]:
    """Say which other variant that was found different shares what was not meant."""
    for difference in what.undeclared:
        others = [
            analysis.trial.variant(other.variant)
            for other in found
            if other is not what
            and any(
                each.factor == difference.factor
                and (each.amount or 0) * (difference.amount or 0) > 0
                for each in other.differences
            )
        ]
        if others:
            factor, verb = (
                factor_name(difference.factor),
                "differs" if len(others) == 1 else "differ",
            )
            yield f"{capital(names.subject(others))} {verb} in {factor} too."


def _moved(analysis: Analysis, names: Naming) -> Iterator[Point]:
    """Tell where sittings disagreed, by what moved most; primary attributes first."""
    for result in sorted(analysis.results, key=lambda result: not result.primary):
        sittings = result.moved
        if sittings and (ends := sittings.first_and_last(place := sittings.widest)):
            subject = names.subject([analysis.trial.variants[place]])
            told = from_first_to_last(ends, result.attribute)
            text = f"{subject} against the control on {result.attribute.label.lower()}: {told}"
            yield "The sittings disagreed.", sentence(text)
            return


def _so_few_batches(analysis: Analysis, names: Naming) -> Point:
    several = most_batches(analysis.trial, analysis.table)
    tasted = analysis.table.batches_tasted(len(analysis.trial.variants))
    if several < 2:
        return f"One {names.noun} of each.", f"The next {names.noun} may come out otherwise."
    if names.these:
        return "These batches only.", "Ranks cannot tell how far batches of one variant differ."
    if tasted[analysis.trial.control_index] < 2:
        return (
            "One batch of the control.",
            "How far its batches would differ is taken from the others’. A second one of the "
            "control would tell most.",
        )
    at_most = "" if min(tasted) == several else "At most "
    return (
        capital(f"{at_most}{wording.spelled(several)} batches of each."),
        "So few, made by one host, stand for the method only roughly.",
    )


def _fragile(analysis: Analysis, names: Naming, influence: Influence | None) -> Iterator[Point]:
    """Count what hangs on single tasters, and name what does not."""
    fragile = fragile_verdicts(influence)
    if influence is None or not fragile:
        return
    moved = influence.moved("taster")
    firm = [
        each
        for result in sorted(analysis.results, key=lambda result: not result.primary)
        for each in result.comparisons
        if each.differs and (each.attribute.name, each.variant.name) not in moved
    ]
    many, text = len(fragile) > 1, "The board marks which."
    if firm:
        first = [each for each in firm if each.attribute == firm[0].attribute]
        first = [each for each in first if each.direction == firm[0].direction]
        subject = names.subject([each.variant for each in first[:3]], len(first[3:]))
        text = sentence(f"{subject} stayed {_word(firm[0])} whoever was left out")
    counted = f"{wording.spelled(len(fragile))} verdict{'s are' if many else ' is'} fragile."
    yield capital(counted), text


def _word(comparison: Comparison) -> str:
    attribute = comparison.attribute
    word = attribute.more if comparison.direction > 0 else attribute.less
    level = "higher" if comparison.direction > 0 else "lower"
    return word or f"{level} on {attribute.label.lower()}"


def _disputed(analysis: Analysis, names: Naming) -> Iterator[Point]:
    """Name what the procedure that does not decide would call otherwise."""
    disputed = [each for each in analysis.comparisons if otherwise(each)]
    if not disputed:
        return
    told = disputed[:MOST_NAMED]
    found = dict[str, list[str]]()
    for each in told:
        what = f"{names.short(each.variant)} on {each.attribute.label.lower()}"
        found.setdefault(otherwise(each), []).append(what)
    said = wording.listing(
        f"{wording.listing(what)} {'is' if len(what) == 1 else 'are'} {kind}"
        for kind, what in found.items()
    )
    rest = len(disputed) - len(told)
    more = f"; {wording.spelled(rest)} more {'differs' if rest == 1 else 'differ'}" if rest else ""
    yield "A second method differs.", sentence(f"{said}{more}")


# What to do with it -----------------------------------------------------------------------------


def advice(analysis: Analysis, ordered: Sequence[AttributeResult]) -> Points:
    """Say what to do, and what to leave, if the results hold; empty where nothing follows."""
    names = names_of(analysis)
    found = [point for result in ordered for way in (1, -1) for point in _ways(result, names, way)]
    kinds: dict[str, set[str]] = {}
    for result in ordered:
        for other in result.others:
            kind = other.verdict if isinstance(other, Comparison) else "not compared"
            kinds.setdefault(other.variant.name, set()).add(kind)
    useless = [analysis.trial.variant(name) for name, kind in kinds.items() if kind == {"alike"}]
    if useless:
        on = f"all {wording.spelled(len(ordered))} questions" if len(ordered) > 1 else "it"
        label = f"{capital(wording.listing(map(names.short, useless)))}?"
        text = f"Leave {'it' if len(useless) == 1 else 'them'} out: within the margin on {on}."
        found = [*found[: MOST_ADVICE - 1], (label, text)]
    return tuple(found[:MOST_ADVICE])


def _ways(result: AttributeResult, names: Naming, way: int) -> Iterator[Point]:
    """Name what went one way on an attribute, the largest difference first."""
    here = [each for each in result.comparisons if each.direction == way and each.found]
    strong = [each for each in here if each.verdict == "different"]
    if not strong:
        return
    strong.sort(key=lambda each: -abs(each.found.difference) if each.found else 0.0)
    told = [f"{names.short(each.variant)}, by {size_of([each])}" for each in strong[:3]]
    rest = f"; and {wording.spelled(len(strong) - 3)} more" if len(strong) > 3 else ""
    yield f"{capital(_word(strong[0]))}?", sentence(f"{', or '.join(told)}{rest}")


# Do it yourself ---------------------------------------------------------------------------------

HEADS = {"produce_g": "Produce", "water_g": "Water", "salt_g": "Salt"}


def recipe_table(trial: Trial, made: Made | None, jar_g: float = JAR_G) -> Table | None:
    """Give each variant in grams for a jar of `jar_g`; None where no masses are known."""
    jars = recipes(trial, made.log, jar_g) if made else ()
    if made is None or not jars:
        return None
    trial = as_meant(trial, made.log)
    control = next((jar for jar in jars if jar.variant == trial.control), None)
    names = dict.fromkeys(name for jar in jars for name in jar.grams)
    used = [name for name in names if any(jar.grams.get(name) for jar in jars)]
    rows = []
    for jar in jars:
        grams = (wording.kitchen(jar.grams.get(name, 0.0)) for name in used)
        # What slipped is made as the control's was; a course asks about nothing but the days.
        followed = {
            factor: jar if control is None or declares(trial, jar.variant, factor) else control
            for factor in (FERMENTED, WARMTH)
        }
        days = jar.days if trial.course else followed[FERMENTED].days
        warmth = followed[WARMTH].others.get("temperature_c", "")
        cells = [*grams, "" if days is None else f"{days:.0f}", warmth]
        rows.append((trial.variant(jar.variant).label, blank_as_dash(cells)))
    return Table(
        name="grams",
        caption=f"Grams for a jar of {wording.grams(jar_g)} in all",
        head="Variant",
        columns=(*(HEADS.get(name) or capital(factor_name(name)) for name in used), "Days", "°C"),
        rows=tuple(rows),
    )
