"""Attributes together: which differences hold over all of them, a map, what goes with what."""

from __future__ import annotations

from collections.abc import Iterator

from blindspoon import wording
from blindspoon.charts.correlations import correlations_chart
from blindspoon.charts.map import map_chart, whole_percent
from blindspoon.compare.results import NoResult
from blindspoon.joint.correlations import AttributePair, Correlation
from blindspoon.joint.overall import Overall
from blindspoon.joint.plane import Map
from blindspoon.joint.study import Joint
from blindspoon.joint.words import clear, correlations_finding, map_finding, pair_words
from blindspoon.report.joint_tables import joint_files, joint_tables
from blindspoon.report.section import Section
from blindspoon.trial import Trial
from blindspoon.verdict import Kind, Verdict

MOST_LISTED = 6
"""Differences that a sentence lists; the table has all."""


def joint_section(trial: Trial, joint: Joint, verdicts: tuple[Verdict, ...]) -> Section | None:
    """Make the part of the page about all attributes together.

    Parameters
    ----------
    trial : Trial
    joint : Joint
    verdicts : tuple of Verdict
        Of each attribute by itself.

    Returns
    -------
    Section or None
        None where there is one attribute.
    """
    if isinstance(joint.correlations, NoResult):
        return None
    pictures = [
        None if isinstance(joint.map, NoResult) else map_chart(joint.map, trial),
        correlations_chart(joint.correlations, trial),
    ]
    return Section(
        name="together",
        head="Attributes together",
        role="Exploratory",
        paragraphs=tuple(_paragraphs(trial, joint, verdicts)),
        charts=tuple(chart for chart in pictures if chart is not None),
        numbers=tuple(joint_tables(trial, joint, verdicts)),
        points=tuple(_methods(joint.map, joint.overall)),
        files=joint_files(joint),
        behind={
            "map": ("together-places", "together-map"),
            "correlations": ("together-correlations",),
        },
    )


# Findings ---------------------------------------------------------------------------------------


def _paragraphs(trial: Trial, joint: Joint, verdicts: tuple[Verdict, ...]) -> Iterator[str]:
    if isinstance(joint.overall, Overall):
        yield overall_finding(trial, joint.overall, verdicts)
    if isinstance(joint.map, Map):
        yield _map_words(joint.map, trial)
    else:
        yield f"No map of the variants is drawn. {joint.map.reason}"
    if not isinstance(joint.correlations, NoResult):
        yield _correlation_words(joint.correlations, trial)


def overall_finding(trial: Trial, overall: Overall, verdicts: tuple[Verdict, ...]) -> str:
    """Say which differences hold when all attributes are held against each other."""
    stricter = {
        (each.attribute, each.variant): overall.verdict(each) for each in overall.comparisons
    }
    shown = [each for each in verdicts if _differs(each.kind)]
    held = [each for each in shown if _differs(stricter.get((each.attribute, each.variant)))]
    start = "No attribute was declared primary, so each was decided by itself. "
    if not shown:
        return (
            f"{start}No difference was shown, so there is none for a stricter level to take away."
        )
    level = (
        f"Held to one false alarm in {wording.plain(round(1 / overall.alpha, 1))} trials over all "
        f"{wording.spelled(overall.attributes)} attributes, "
    )
    if len(held) == len(shown):
        return f"{start}{level}{_all_of(len(shown))} still shown."
    lost = [each for each in shown if each not in held]
    verb = "is" if len(held) < 2 else "are"
    number = wording.spelled(len(held)) if held else "none"
    return (
        f"{start}{level}{number} of the {wording.spelled(len(shown))} differences {verb} still "
        f"shown{_listed(held, trial)}. No longer shown{_listed(lost, trial)}."
    )


def _differs(kind: Kind | None) -> bool:
    return kind in ("different", "slight")


def _all_of(number: int) -> str:
    if number == 1:
        return "the one difference is"
    return f"{'both' if number == 2 else f'all {wording.spelled(number)}'} differences are"


def _listed(verdicts: list[Verdict], trial: Trial) -> str:
    """Name differences by attribute, after a colon; their number where they are many."""
    if not verdicts:
        return ""
    if len(verdicts) > MOST_LISTED:
        return f": {wording.spelled(len(verdicts))}, listed with the numbers"
    by_attribute: dict[str, list[str]] = {}
    for each in verdicts:
        label = trial.attribute(each.attribute).label.lower()
        by_attribute.setdefault(label, []).append(f"“{trial.variant(each.variant).label}”")
    named = (f"{wording.listing(labels)} on {label}" for label, labels in by_attribute.items())
    return f": {'; '.join(named)}"


def _map_words(drawn: Map, trial: Trial) -> str:
    apart, total = len(drawn.pairs_apart()), len(drawn.places) * (len(drawn.places) - 1) // 2
    pairs = wording.count(total, "pair")
    return (
        f"{map_finding(drawn, trial)}. On the map of all attributes, {wording.spelled(apart)} of "
        f"{pairs} of variants lie clearly apart; where two ellipses overlap, the variants may or "
        "may not differ."
    )


def _correlation_words(pairs: tuple[AttributePair, ...], trial: Trial) -> str:
    between = [pair for pair in pairs if clear(pair.between)]
    said = f"{correlations_finding(pairs, trial)}."
    if 0 < len(between) <= MOST_LISTED:
        named = wording.listing(f"{pair_words(pair, trial)} ({_r(pair)})" for pair in between)
        said += f" From variant to variant, the means moved with each other: {named}."
    return (
        f"{said} Attributes that go together may share a cause in the jar, or in the taster: a cup "
        "that pleases can be scored up on everything."
    )


def _r(pair: AttributePair) -> str:
    return wording.number(pair.between.r, 2) if isinstance(pair.between, Correlation) else ""


# How it was done --------------------------------------------------------------------------------


def _methods(drawn: Map | NoResult, overall: Overall | NoResult) -> Iterator[tuple[str, str]]:
    yield "How attributes were correlated.", CORRELATED
    if isinstance(drawn, Map):
        yield "How the map was made.", _mapped(drawn)
    if isinstance(overall, Overall):
        yield "How all attributes were held together.", _held(overall)


CORRELATED = (
    "Replicates were averaged. Within variants: the correlation of what is left of two attributes "
    "when tasters and variants are taken out (an analysis of covariance after J. M. Bland and "
    "D. G. Altman 1995, BMJ 310:446). Between variants: of the variants’ means, tasters taken out, "
    "weighted by tasters (the same, BMJ 310:633); the interval treats the variants as a sample of "
    "those that could have been made. Intervals by Fisher’s transformation, each for one pair by "
    "itself. Nothing is decided by them. On scoring everything up together: E. L. Thorndike 1920, "
    "J. Appl. Psychol. 4:25."
)


def _mapped(drawn: Map) -> str:
    unit = (
        "in points of the scale, which the attributes share"
        if drawn.in_points
        else "each attribute in hundredths of its scale, because the scales differ in length"
    )
    across, up = (whole_percent(axis.share) for axis in (drawn.across, drawn.up))
    return (
        f"The first two principal components of the variants’ mean profiles, {unit}; they carry "
        f"{across} and {up}. Drawn because shuffling each taster’s cups among the variants rarely "
        f"gave means as far apart ({wording.p_value(drawn.p_value)}; permutation within tasters, "
        "whole profiles moved together), two components carry 70 % or more, and some ellipses lie "
        f"apart. Ellipses: the {drawn.tasters:,} tasters resampled 1,000 times, each resample’s "
        "components turned onto the map (L. Milan and J. Whittaker 1995, Appl. Stat. 44:31), at "
        "the radius of Hotelling’s T squared."
    )


def _held(overall: Overall) -> str:
    decides = "the mixed model" if overall.by == "mixed" else "ranks"
    return (
        f"{_held_by_ranks(overall)} By the mixed model, Dunnett’s p values were multiplied by the "
        f"number of attributes (Bonferroni). The first sentences above go by {decides}. Verdicts "
        "elsewhere on this page do not change: exploratory attributes are decided one at a time, "
        "and said to be. Alike and slight are judged as there; this guards against a false "
        "“different” only."
    )


def _held_by_ranks(overall: Overall) -> str:
    if overall.method is None:
        return "By ranks, the p values were multiplied by the number of attributes (Bonferroni)."
    return (
        f"By ranks, a taster’s differences on all {wording.spelled(overall.attributes)} attributes "
        f"were turned at once, and the p values over attributes and variants were stepped "
        "down (P. H. Westfall and S. S. Young 1993)."
    )
