"""How it was tasted and compared, what was planned, how it is cited: what the folder records."""

import datetime
import re
from collections.abc import Iterable

import numpy as np

from blindspoon import wording
from blindspoon.findings.comparison import Analysis
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import MixedFit, NoResult
from blindspoon.stats.rounds import MOST_TOGETHER
from blindspoon.trial import Scale, Trial
from blindspoon.version import __version__
from blindspoon.wording import day
from blindspoon.writeup.templating import paragraphs, points


def session_dates(trial: Trial, table: ScoreTable) -> list[datetime.date]:
    """Dates of the sessions that were tasted, where trial.toml gives them; sorted."""
    return sorted(
        session.date
        for session in trial.sessions
        if session.date is not None
        and session.name in {*table.sessions, *(table.choices.sessions if table.choices else ())}
    )


def days_ahead(trial: Trial, table: ScoreTable) -> int | None:
    """Count the days from the rule to the first session; None where one of them has no date."""
    declared, dates = trial.decision.declared, session_dates(trial, table)
    return (dates[0] - declared).days if declared and dates else None


def report_date(analysis: Analysis) -> str:
    """Date the page by the last session, else by the end of the blind, or by the rule, if any."""
    trial, lift = analysis.trial, analysis.standing.lift
    tasted = session_dates(trial, analysis.table)[-1:]
    known = [*tasted, lift and lift.date, trial.decision.declared]
    return trial.dates or next((day(date) for date in known if date), "")


# How it was tasted ------------------------------------------------------------------------------


def tasted(analysis: Analysis) -> tuple[str, ...]:
    trial, table, lift = analysis.trial, analysis.table, analysis.standing.lift
    _, cups = np.unique(table.taster * len(table.sessions) + table.session, return_counts=True)
    scales: dict[Scale, list[str]] = {}
    for attribute in trial.attributes:
        low, high = attribute.low, attribute.high
        ends = f" ({low} to {high})" if low and high else ""
        scales.setdefault(attribute.scale, []).append(f"{attribute.label.lower()}{ends}")
    return paragraphs(
        "tasted",
        trial=trial,
        table=table,
        coded=table.coded if analysis.results else analysis.coded,
        each=(min(cups, default=0), max(cups, default=0)),
        dates=session_dates(trial, table),
        every_place=(table.position > 0).all(),
        any_place=(table.position > 0).any(),
        scales=[(names, scale) for scale, names in scales.items()],
        blank=int(np.isnan(table.scores).sum()),
        poured=lift is not None and lift.poured != "unknown",
    )


# How it was compared ----------------------------------------------------------------------------


def compared(analysis: Analysis) -> tuple[str, ...]:
    trial, results = analysis.trial, analysis.results
    fits = [(r.attribute, r.mixed) for r in results if isinstance(r.mixed, MixedFit)]
    found = (comparison.ranks for comparison in analysis.comparisons)
    contrasts = [ranks for ranks in found if not isinstance(ranks, NoResult)]
    with_margin = [result for result in results if result.attribute.margin is not None]
    several = len(analysis.table.sessions) > 1 and len(analysis.table.tasters) > 1
    margins: dict[str, list[str]] = {}
    for result in with_margin:
        label = result.attribute.label.lower()
        margins.setdefault(wording.margin(result.attribute), []).append(label)
    held = {r.attribute.label.lower(): not isinstance(r.sittings, NoResult) for r in with_margin}
    return paragraphs(
        "compared",
        sittings=several and any(held.values()),
        unheld=[name for name, found in held.items() if several and not found],
        trial=trial,
        alone=any(result.unit == "round" for result in results),
        fits=fits,
        over={
            way: [attribute.label.lower() for attribute, fit in fits if fit.note.sittings == way]
            for way in dict.fromkeys(fit.note.sittings for _, fit in fits if fit.note.sittings)
        },
        position=any(fit.note.position for _, fit in fits),
        random=[
            name
            for name in ("taster_sd", "taster_variant_sd", "taster_session_sd", "batch_sd")
            if any(getattr(fit, name) is not None for _, fit in fits)
        ],
        at_zero=[
            f"{' by '.join(component.split(':'))} ({attribute.label.lower()})"
            for attribute, fit in fits
            for component in fit.note.at_zero
        ],
        stuck=[attribute.label.lower() for attribute, fit in fits if not fit.note.converged],
        contrasts=contrasts,
        zeros=sum(contrast.zero_differences for contrast in contrasts),
        ways={contrast.method for contrast in contrasts},
        together=max(len(result.comparisons) for result in results) <= MOST_TOGETHER,
        forms={getattr(result.friedman, "form", "") for result in results} - {""},
        margins=[f"{margin} for {wording.listing(named)}" for margin, named in margins.items()],
        levels=[
            wording.percent(level) for level in sorted({1 - 2 * each.alpha for each in with_margin})
        ],
    )


# What was planned -------------------------------------------------------------------------------


def planned(analysis: Analysis) -> tuple[str, ...]:
    trial, rule = analysis.trial, analysis.trial.decision
    days = {trial.course.attribute} if trial.course and "course" in rule.primary else set[str]()
    return paragraphs(
        "planned",
        declared=rule.declared,
        ahead=days_ahead(trial, analysis.table),
        primary=[
            *["whether anybody can tell"] * ("choice" in rule.primary),
            *(f"how {trial.attribute(name).label.lower()} changes over the days" for name in days),
            *(attribute.label.lower() for attribute in trial.primary_attributes),
        ],
        rest=[
            a.label.lower() + " on average over the days" * (a.name in days)
            for a in trial.attributes
            if a.name not in rule.primary
        ],
        standing=analysis.standing,
    )


# Sources ----------------------------------------------------------------------------------------


def citation(analysis: Analysis) -> str:
    trial = analysis.trial
    author = trial.host.rstrip(".") or "Anonymous host"
    date = report_date(analysis) or "Undated"
    title = trial.title if trial.title.endswith(("?", "!", ".")) else f"{trial.title}."
    return (
        f"{author}. {date}. {title} Writeup of a tasting, made with Blindspoon {__version__}. "
        f"Data SHA-256 {analysis.fingerprint[:16]}."
    )


def references(texts: Iterable[str]) -> tuple[str, ...]:
    """List the sources that paragraphs name, in alphabetical order."""
    named = set(re.findall(r"\w+", " ".join(texts)))
    return tuple(text for name, text in points("references") if name.capitalize() in named)
