"""What stands open under the board: what weakens the answer, what to do with it, the recipe.

The sentences of what weakens it stand in templates/weak.txt.j2.
"""

from collections.abc import Iterator

from blindspoon import wording
from blindspoon.batches.differences import (
    FERMENTED,
    JAR_G,
    WARMTH,
    Difference,
    WhatDiffers,
    as_meant,
    declares,
    recipes,
)
from blindspoon.batches.summary import Made, factor_name, in_words
from blindspoon.findings.comparison import Analysis, Comparison, NotCompared
from blindspoon.findings.sensitivity import Influence
from blindspoon.findings.verdict import farthest_apart, in_a_word, otherwise, size_of
from blindspoon.stats.results import NoResult
from blindspoon.trial import Trial
from blindspoon.wording import capital, sentence
from blindspoon.writeup.limits import told_of
from blindspoon.writeup.methods import session_dates
from blindspoon.writeup.words import Points, points
from blindspoon.writeup.writers import DASH, Table, blank_as_dash

MOST_WEAK, MOST_NAMED, MOST_ADVICE = 5, 2, 5
MOST_MISSING = 0.1  # share of the cups that may lack a score without a word; this project's choice
URGENT = ("ph-above-limit", "ph-not-falling", "ph-rising")


def fragile_verdicts(influence: Influence | None) -> frozenset[tuple[str, str]]:
    """Collect the verdicts that leaving out any one of more than half the tasters changes."""
    if influence is None:
        return frozenset()
    alternatives = len(influence.of("taster"))
    moved = influence.moved("taster")
    return frozenset(key for key, moves in moved.items() if 2 * len(moves) > alternatives)


def weaknesses(analysis: Analysis, influence: Influence | None, answer: str = "") -> Points:
    """Say in at most five short points what weakens the answer, the gravest first.

    What the `answer` has said of a variant is not said again. Where the days alone answer, what a
    single one showed against the control does not.
    """
    trial, table, made, names = analysis.trial, analysis.table, analysis.made, analysis.names
    single, tasted = not analysis.about_days, table.batches_tasted(len(trial.variants))
    fragile = fragile_verdicts(influence) if single else ()
    told = points(
        "weak",
        urgent=[
            capital(told_of(trial, made, found))
            for found in (made.cautions if made else ())
            if made and found.kind in URGENT and found.batches
        ],
        lost=dict.fromkeys(_lost(analysis)) if single else (),
        unmeant=[*_more_than_meant(analysis, answer)][:MOST_NAMED] if single else (),
        meant=[
            (names.subject([trial.variant(what.variant)]), [*map(in_words, changes)])
            for what in analysis.differs
            if single and what.variant in analysis.different
            if len(changes := _meant(what)) > 1
        ],
        rule=trial.decision,
        dates=session_dates(trial, table),
        lift=analysis.standing.lift if analysis.results else None,
        most_missing=MOST_MISSING,
        margins=[attribute.margin for attribute in trial.attributes],
        wide=[
            result.attribute
            for result in analysis.results
            if result.primary and result.attribute.wide
            if any(other.verdict in ("alike", "slight") for other in result.comparisons)
        ],
        boundless=_boundless(analysis) if single else (),
        moved=_moved(analysis) if single else "",
        tasters=len(table.tasters),
        repeated=any(found.repeated for found in analysis.choices),
        answered=table.choices.people if table.choices else 0,
        names=names,
        several=analysis.names.batches,
        fewest=min(tasted),
        of_control=tasted[trial.control_index],
        fragile=len(fragile),
        firm=_firm(analysis, influence) if influence and fragile else "",
        disputed=_disputed(analysis) if single else "",
        sealed=analysis.standing.seal,
        coded=table.coded,
    )
    return told[:MOST_WEAK]


def _lost(analysis: Analysis) -> Iterator[tuple[str, str]]:
    """Say why there is no answer, of the first attribute."""
    for other in (other for result in analysis.ordered[:1] for other in result.others):
        if isinstance(other, NotCompared):
            yield "Not compared.", other.reason
        elif isinstance(decides := other.contrasts[0], NoResult):
            yield "No estimate.", decides.reason


def _meant(what: WhatDiffers) -> list[Difference]:
    return [each for each in what.differences if each.declared or each.perhaps_meant]


def _more_than_meant(analysis: Analysis, answer: str) -> Iterator[str]:
    """Tell what else set the variants apart that were found different, and what shares it."""
    trial, names = analysis.trial, analysis.names
    found = [what for what in analysis.differs if what.variant in analysis.different]
    for what in found:
        if not what.undeclared:
            continue
        subject = names.subject([trial.variant(what.variant)])
        also = f"{subject} was also {wording.listing(map(in_words, what.undeclared))}"
        factors = [factor_name(difference.factor) for difference in what.differences]
        doubt = f"whether {wording.listing(factors, 'or')} mattered"
        text = f"{also}; we can’t say {doubt}" if len(factors) > 1 else also
        told = [sentence(f"we can’t say {doubt} in {subject}" if also in answer else text)]
        for difference in what.undeclared:
            sharing = [
                trial.variant(other.variant)
                for other in found
                if other is not what
                and len(_meant(other)) < 2  # of which a point of its own tells
                and any(
                    its.factor == difference.factor
                    and (its.amount or 0) * (difference.amount or 0) > 0
                    for its in other.differences
                )
            ]
            if sharing:
                verb = "differs" if len(sharing) == 1 else "differ"
                factor = factor_name(difference.factor)
                told.append(f"{capital(names.subject(sharing))} {verb} in {factor} too.")
        yield " ".join(told)


def _boundless(analysis: Analysis) -> list[str]:
    """Name primary attributes on which a difference may be whatever the scale allows."""
    return [
        result.attribute.label.lower()
        for result in analysis.results
        if result.primary
        for span in [result.attribute.scale.high - result.attribute.scale.low]
        if any(
            max(found.interval.low, -found.interval.high) <= -span
            for found in (other.found for other in result.comparisons)
            if found and found.interval
        )
    ]


def _moved(analysis: Analysis) -> str:
    """Tell where sittings disagreed, by what moved most; primary attributes first."""
    for result in analysis.ordered:
        sittings = result.moved
        if sittings:
            place = sittings.widest
            subject = analysis.names.subject([analysis.trial.variants[place]])
            told = farthest_apart(sittings.farthest_apart(place), result.attribute)
            of, on = analysis.names.like, result.attribute.label.lower()
            return f"{subject} against {of} on {on}, in points: {told}"
    return ""


def _firm(analysis: Analysis, influence: Influence) -> str:
    """Name what does not hang on single tasters: of one attribute, in one direction."""
    moved = influence.moved("taster")
    firm = [
        found
        for result in analysis.ordered
        for found in result.comparisons
        if found.differs and (found.attribute.name, found.variant.name) not in moved
    ]
    if not firm:
        return ""
    like = [
        it for it in firm if (it.attribute, it.direction) == (firm[0].attribute, firm[0].direction)
    ]
    subject = analysis.names.subject([found.variant for found in like[:3]], len(like[3:]))
    return f"{subject} stayed {_word(firm[0])} whoever was left out"


def _word(found: Comparison) -> str:
    """Call a difference by its direction: "crisper", "higher on aroma"."""
    attribute, up = found.attribute, found.direction > 0
    word = in_a_word("different", attribute, up=up)
    known = attribute.more if up else attribute.less
    return word if known else f"{word} on {attribute.label.lower()}"


def _disputed(analysis: Analysis) -> str:
    """Name what the procedure that does not decide would call otherwise."""
    disputed = [found for found in analysis.comparisons if found.disputed]
    told = dict[str, list[str]]()
    for found in disputed[:MOST_NAMED]:
        what = f"{analysis.names.short(found.variant)} on {found.attribute.label.lower()}"
        told.setdefault(otherwise(found), []).append(what)
    said = wording.listing(
        f"{wording.listing(what)} {'is' if len(what) == 1 else 'are'} {kind}"
        for kind, what in told.items()
    )
    rest = len(disputed[MOST_NAMED:])
    more = f"; {wording.spelled(rest)} more {'differs' if rest == 1 else 'differ'}" if rest else ""
    return said + more


# What to do with it -----------------------------------------------------------------------------


def advice(analysis: Analysis) -> Points:
    """Say what to do, and what to leave, if the results hold; empty where nothing follows."""
    names, found, kinds = analysis.names, list[tuple[str, str]](), dict[str, set[str | None]]()
    for result in analysis.ordered:
        for way in (1, -1):  # what went one way on an attribute, the largest difference first
            strong = [
                (-abs(other.found.difference), other)
                for other in result.comparisons
                if other.direction == way and other.verdict == "different" and other.found
            ]
            strong.sort(key=lambda way: way[0])
            told = [f"{names.short(it.variant)}, by {size_of([it])}" for _, it in strong[:3]]
            rest = f"; and {wording.spelled(len(strong) - 3)} more" if len(strong) > 3 else ""
            if strong:
                text = sentence(f"{', or '.join(told)}{rest}")
                found.append((f"{capital(_word(strong[0][1]))}?", text))
        for other in result.others:
            kind = None if result.attribute.wide else other.verdict  # alike would mean little
            kinds.setdefault(other.variant.name, set()).add(kind)
    hidden = {what.variant for what in analysis.differs if what.undeclared}  # in what else differed
    alike = [name for name, kind in kinds.items() if kind == {"alike"} and name not in hidden]
    useless = [analysis.trial.variant(name) for name in alike]
    if useless:
        asked = [result.attribute.label.lower() for result in analysis.results]
        on = asked[0] if len(asked) == 1 else f"{wording.all_of(len(asked))} questions"
        label = f"{capital(wording.listing(map(names.short, useless)))}?"
        text = f"Leave {'it' if len(useless) == 1 else 'them'} out: within the margin on {on}."
        found[MOST_ADVICE - 1 :] = [(label, text)]
    return tuple(found[:MOST_ADVICE])


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
    heads = (*(HEADS.get(name) or capital(factor_name(name)) for name in used), "Days", "°C")
    kept = [at for at in range(len(heads)) if any(cells[at] != DASH for _, cells in rows)]
    return Table(
        name="grams",
        caption=f"Grams for a jar of {wording.grams(jar_g)} in all",
        head="Variant",
        columns=tuple(heads[at] for at in kept),
        rows=tuple((label, tuple(cells[at] for at in kept)) for label, cells in rows),
    )
