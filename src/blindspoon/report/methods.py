"""How it was tasted, how it was compared, what was planned: paragraphs that a journal could print.

Only what the folder says is said; what it does not record is named as not recorded.

How one person tasted alone, and how the rounds were compared, in paragraphs.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable

import numpy as np

from blindspoon import wording
from blindspoon.findings.comparison import AttributeResult
from blindspoon.report.short_answer import sentence
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import MixedFit, RankContrast
from blindspoon.stats.rounds import MOST_TOGETHER
from blindspoon.trial import Attribute, Scale, Trial


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


MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def day(date: datetime.date) -> str:
    """Write a date in words, whatever the language of the machine.

    Examples
    --------
    >>> day(datetime.date(2026, 9, 4))
    '4 September 2026'
    """
    return f"{date.day} {MONTHS[date.month - 1]} {date.year}"


def session_dates(trial: Trial, table: ScoreTable) -> list[datetime.date]:
    """Dates of the sessions that were tasted, where trial.toml gives them; sorted."""
    return sorted(
        session.date
        for session in trial.sessions
        if session.date is not None and session.name in table.sessions
    )


def report_date(trial: Trial, table: ScoreTable) -> str:
    """Date the page by the last session, or by the rule; may be empty."""
    dates = session_dates(trial, table)
    last = dates[-1] if dates else trial.decision.declared
    return trial.dates or ("" if last is None else day(last))


# How it was tasted ------------------------------------------------------------------------------


def tasted(trial: Trial, table: ScoreTable) -> tuple[str, ...]:
    """Panel, blinding, orders, scale and cleanser, as far as they are known."""
    return (
        " ".join([_panel(trial, table), _blinding(trial, table), _orders(trial, table)]),
        " ".join([*_scales(trial.attributes), _missing(table), _cleanser(trial), _unrecorded()]),
    )


def _panel(trial: Trial, table: ScoreTable) -> str:
    tasters, cups = len(table.tasters), table.taster.size
    people = wording.count(tasters, "taster").partition(" ")[2]
    dates = [day(date) for date in session_dates(trial, table)]
    lead = "" if len(dates) == len(table.sessions) else "dates recorded: "
    when = f" ({lead}{wording.listing(dates)})" if dates else ""
    text = (
        f"{wording.spelled(tasters)} {people} scored {wording.count(cups, 'cup')} of "
        f"{wording.count(len(trial.variants), 'variant')}, the control among them, in "
        f"{wording.count(len(table.sessions), _sitting(table))}{when}, {_each(table)}"
    )
    alone = " What one taster finds holds for that taster." if tasters == 1 else ""
    return sentence(text) + alone


def _sitting(table: ScoreTable) -> str:
    """Call a session of one person alone a round."""
    return "round" if len(table.tasters) == 1 else "session"


def _each(table: ScoreTable) -> str:
    """Say how many cups a taster had in a session."""
    cups = np.bincount(table.taster * len(table.sessions) + table.session)
    cups = cups[cups > 0]
    each = "a round" if len(table.tasters) == 1 else "a taster and session"
    if cups.min() == cups.max():
        return f"{wording.count(int(cups[0]), 'cup')} {each}"
    return f"{cups.min()} to {cups.max()} cups {each}"


def _blinding(trial: Trial, table: ScoreTable) -> str:
    if not table.coded:
        return (
            "The data were not recorded under codes here, so this folder cannot show that "
            "anybody tasted blind."
        )
    codes = "for every taster" if trial.tasting.codes == "per taster" else "for every session"
    return (
        f"The cups bore codes, by the plan drawn afresh {codes}; one file alone tells which "
        "variant a code stands for, and the scores were recorded by code."
    )


def _orders(trial: Trial, table: ScoreTable) -> str:
    if len(table.tasters) == 1 and (table.position > 0).all():
        return orders_alone(table)
    if table.balanced:
        return (
            "Every taster was to get every variant once in a session, and each variant stood in "
            "each place of the serving order equally often, give or take one."
        )
    known = table.position > 0
    if not known.any():
        return "The order in which the cups were tasted is not recorded."
    incomplete = trial.tasting.servings is not None and (
        trial.tasting.servings < len(trial.variants)
    )
    if incomplete:
        cups = wording.count(trial.tasting.servings or 0, "variant")
        return f"A taster was to get {cups} in a session, so each saw a part of the variants."
    return (
        "The order of the cups is recorded; the variants did not stand in every place of it "
        "equally often."
    )


def _scales(attributes: Iterable[Attribute]) -> list[str]:
    """Write one sentence a scale, naming the attributes that share it."""
    shared: dict[Scale, list[Attribute]] = {}
    for each in attributes:
        shared.setdefault(each.scale, []).append(each)
    return [_scale(members) for members in shared.values()]


def _scale(members: list[Attribute]) -> str:
    scale, names = members[0].scale, []
    for each in members:
        ends = f" ({each.low} to {each.high})" if each.low and each.high else ""
        names.append(f"{each.label.lower()}{ends}")
    steps = f" in steps of {wording.plain(scale.step)}" if scale.step else ", any number allowed"
    verb = "was" if len(names) == 1 else "were"
    low, high = wording.plain(scale.low), wording.plain(scale.high)
    return f"{sentence(f'{wording.listing(names)} {verb} scored from {low} to {high}{steps}')}"


def _missing(table: ScoreTable) -> str:
    blank, total = int(np.isnan(table.scores).sum()), table.scores.size
    if not blank:
        return f"All {total:,} scores were given."
    verb = "was" if blank == 1 else "were"
    return f"Of {total:,} scores {blank:,} {verb} not given; a blank is missing, never zero."


def _cleanser(trial: Trial) -> str:
    if trial.tasting.cleanser:
        return f"Between cups the plan has {trial.tasting.cleanser.rstrip('.')}."
    return "Nothing is recorded about what was taken between cups."


def _unrecorded() -> str:
    return (
        "How the tasters were chosen, whether they had practised, whether the cups could be told "
        "apart by eye, and what the person who poured knew, is not recorded."
    )


# How it was compared ----------------------------------------------------------------------------


def compared(trial: Trial, results: tuple[AttributeResult, ...], software: str) -> tuple[str, ...]:
    """Describe the statistics, completely enough for a paper."""
    alone = any(result.unit == "round" for result in results)
    how = [_mixed(trial, results), _ranks(trial, results)]
    if alone:
        how = [f"{within_rounds(trial, results)} {_friedman(results)}"]
    return (_question(trial, alone=alone), *how, _rule(trial, results), _reporting(software))


def _question(trial: Trial, *, alone: bool) -> str:
    decides = "the linear mixed model" if trial.decision.by == "mixed" else "the rank comparison"
    procedures = (
        "One person tasted alone, and a mixed model needs two, so the rank comparison decides, "
        "whichever procedure was declared"
        if alone
        else f"Two procedures were run on the same scores: {decides} decides, and the other is "
        "shown beside it"
    )
    return (
        f"Every variant was compared with the control, “{trial.variant(trial.control).label}”, on "
        "every attribute. A difference is the variant minus the control, in points of the scale. "
        f"{procedures}. Every test is two-sided except those of equivalence. No score of the "
        "folder was changed, transformed or removed as an outlier."
    )


def _mixed(trial: Trial, results: tuple[AttributeResult, ...]) -> str:
    fits = [result.mixed for result in results if isinstance(result.mixed, MixedFit)]
    if not fits:
        return "The linear mixed model could not be fitted to these scores."
    fixed = "variant and serving position" if any(fit.note.position for fit in fits) else "variant"
    random = ["taster"]
    if any(fit.taster_variant_sd is not None for fit in fits):
        random.append("taster by variant (because tasters scored a variant more than once)")
    if any(fit.batch_sd is not None for fit in fits):
        random.append("batch")
    others = len(trial.variants) - 1
    family = (
        f"adjusted, within an attribute, for its {wording.count(others, 'comparison')} with the "
        "one control by Dunnett’s method (Dunnett 1955, 1964)"
        if others > 1
        else "not adjusted, there being one comparison an attribute"
    )
    text = (
        f"Mixed model: fixed effects of {fixed}; random effects of {wording.listing(random)}; "
        "restricted maximum likelihood (REML), with the standard errors and degrees of freedom "
        f"of Kenward and Roger (1997). P values and simultaneous intervals were {family}. "
        "The model takes errors to be normal and equally spread."
    )
    return text + _zero(results)


def _zero(results: tuple[AttributeResult, ...]) -> str:
    """Say which variance components came out as zero, or that a fit did not converge."""
    at_zero = [
        f"{component.replace(':', ' by ')} ({result.attribute.name.replace('_', ' ')})"
        for result in results
        if isinstance(result.mixed, MixedFit)
        for component in result.mixed.note.at_zero
    ]
    stuck = [
        result.attribute.name.replace("_", " ")
        for result in results
        if isinstance(result.mixed, MixedFit) and not result.mixed.note.converged
    ]
    text = f" Variances estimated as zero, and kept: {wording.listing(at_zero)}." if at_zero else ""
    if stuck:
        text += f" The fit did not converge for {wording.listing(stuck)}: read it with care."
    return text


def _ranks(trial: Trial, results: tuple[AttributeResult, ...]) -> str:
    contrasts = [
        comparison.ranks
        for result in results
        for comparison in result.comparisons
        if isinstance(comparison.ranks, RankContrast)
    ]
    if not contrasts:
        return "The rank comparison could not be made with these scores."
    how = {
        "exact": "all sign patterns were enumerated",
        "sampled": f"sign patterns were drawn at random from the trial’s seed, {trial.seed}",
        "normal": "the joint normal limit was used",
    }
    methods = [text for name, text in how.items() if name in {each.method for each in contrasts}]
    zeros = sum(each.zero_differences for each in contrasts)
    ties = f" ({zeros:,} differences of zero stayed in, with rank zero)" if zeros else ""
    return (
        "Rank comparison: each taster’s differences from the control, replicates averaged first, "
        f"were compared by signed ranks (Wilcoxon 1945){ties}. All differences of a taster change "
        f"sign together; {wording.listing(methods)}. P values are adjusted over the variants "
        "by the step-down maximum (Westfall and Young 1993). The shift is the estimate of Hodges "
        "and Lehmann (1963), and its interval inverts the test at the level of the family. "
        f"{_friedman(results)}"
    )


def _friedman(results: tuple[AttributeResult, ...]) -> str:
    forms = {getattr(result.friedman, "form", "") for result in results} - {""}
    if not forms:
        return "Friedman’s test that all are alike could not be made."
    sources = {
        "Friedman": "Friedman’s test (1937)",
        "Durbin": "Durbin’s form (1951) of Friedman’s test, for incomplete blocks",
        "Skillings-Mack": "the form of Skillings and Mack (1981) of Friedman’s test, because "
        "scores are missing",
    }
    names = wording.listing(text for name, text in sources.items() if name in forms)
    return f"Whether all variants are alike was asked by {names}; no verdict hangs on it."


def _rule(trial: Trial, results: tuple[AttributeResult, ...]) -> str:
    text = (
        f"A variant is called different where its adjusted p value is at most alpha, "
        f"{wording.plain(trial.decision.alpha)}{_sharing(trial)}."
    )
    margins = [each for each in trial.attributes if each.margin is not None]
    if not margins:
        return f"{text} No margin was set, so nothing could be called alike or slight."
    levels = sorted(
        {1 - 2 * result.alpha for result in results if result.attribute.margin is not None}
    )
    level = wording.listing((wording.percent(level) for level in levels), "or")
    return (
        f"{text} It is called alike where the simultaneous {level} interval lies inside the margin "
        "on both sides (two one-sided tests; Schuirmann 1987), and slightly different where both "
        f"hold. {_margins(margins)}"
    )


def _sharing(trial: Trial) -> str:
    """How alpha is shared, as the end of a sentence."""
    primary = len(trial.decision.primary)
    if primary == 0:
        return ", on each attribute by itself"
    if primary == 1:
        return "; the one primary attribute has all of it, each exploratory one is taken by itself"
    return (
        f", shared equally by the {wording.spelled(primary)} primary attributes; each exploratory "
        "one is taken by itself, at the whole of it. The p values are printed unshared"
    )


def _margins(attributes: list[Attribute]) -> str:
    shared: dict[str, list[str]] = {}
    for each in attributes:
        shared.setdefault(wording.margin(each), []).append(each.label.lower())
    parts = [f"{margin} for {wording.listing(labels)}" for margin, labels in shared.items()]
    return f"The margin, the smallest difference that would matter, is {wording.listing(parts)}."


def _reporting(software: str) -> str:
    return (
        f"Computed with {software}. Reported after the SAMPL guidelines (Lang and Altman 2013): "
        "estimates with their intervals, and every comparison that was made."
    )


# What was planned -------------------------------------------------------------------------------


def planned(trial: Trial, table: ScoreTable) -> tuple[str, ...]:
    """Tell what was declared before tasting, and what is exploratory."""
    declared, primary = trial.decision.declared, trial.decision.primary
    if declared is None:
        return (
            "No decision rule was declared before tasting. What is compared here was chosen after "
            "the scores were seen, or may have been, so every attribute is exploratory: something "
            "to test next time, not an answer.",
        )
    labels = [trial.attribute(name).label.lower() for name in primary]
    rest = [each.label.lower() for each in trial.attributes if each.name not in primary]
    noun = "attribute" if len(labels) == 1 else "attributes"
    text = f"{_when(declared, session_dates(trial, table))} It names "
    text += (
        f"{wording.listing(labels)} as primary, the {noun} that the trial was made to answer"
        if labels
        else "no primary attribute"
    )
    exploratory = (
        f"Exploratory: {wording.listing(rest)}. A difference found there is something to test "
        "next time: among many comparisons some come out different by chance."
        if rest
        else "Nothing here is exploratory."
    )
    return (sentence(text), exploratory)


def _when(declared: datetime.date, dates: list[datetime.date]) -> str:
    text = f"The decision rule bears the date {day(declared)}, as trial.toml states it"
    if not dates:
        return f"{text}; the dates of the sessions are not recorded."
    gap = (dates[0] - declared).days
    if gap > 0:
        return f"{text}, {wording.count(gap, 'day')} before the first session."
    if gap == 0:
        return f"{text}: the day of the first session. The folder does not say which came first."
    return f"{text}: after the first session, so when scores could already be seen."
