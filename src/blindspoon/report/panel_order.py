"""Whether the order of the cups shows in the scores, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from blindspoon import wording
from blindspoon.compare.results import NoResult
from blindspoon.panel import Panel
from blindspoon.panel.results import LEVEL, Effect, OrderEffect
from blindspoon.trial import Attribute, Trial


def order_sentences(trial: Trial, panel: Panel) -> str:
    """Say what the first cup and the cup just before do, and whether comparisons mind.

    Parameters
    ----------
    trial : Trial
    panel : Panel
    """
    firsts = [
        (trial.attribute(each.attribute), each.first_cup)
        for each in panel.attributes
        if isinstance(each.first_cup, Effect)
    ]
    if not firsts:
        return f"Whether the order of the cups mattered cannot be told. {_reasons(panel)}"
    return " ".join(_sentences(trial, panel, firsts))


def _reasons(panel: Panel) -> str:
    """Give every reason once."""
    parts = [each.first_cup for each in panel.attributes]
    return " ".join(dict.fromkeys(each.reason for each in parts if isinstance(each, NoResult)))


def _sentences(trial: Trial, panel: Panel, firsts: list[tuple[Attribute, Effect]]) -> Iterator[str]:
    seen = [each for each in firsts if each[1].interval.excludes_zero()]
    yield from (_first(*each) for each in seen)
    if not seen:
        yield "Whether a first cup scores differently from later ones is not settled."
    before = [
        (trial.attribute(each.attribute), each.carry_over.test)
        for each in panel.attributes
        if isinstance(each.carry_over, OrderEffect)
    ]
    felt = [each.label.lower() for each, test in before if test.p_value < trial.decision.alpha]
    if felt:
        yield (
            f"What was tasted just before a cup shows on {wording.listing(felt)}; the comparisons "
            "do not allow for that."
        )
    elif before:
        yield "Whether the cup just before matters is not settled."
    looks = len(firsts) + len(before)
    if looks > 1 and (seen or felt):
        yield f"Of {wording.spelled(looks)} looks at the order, any may find something by chance."
    if seen:
        names = {each.name for each, _ in seen}
        yield _allowed(
            in_model=all(
                each.position_in_model for each in panel.attributes if each.attribute in names
            )
        )


def _first(attribute: Attribute, first: Effect) -> str:
    phrase = wording.comparative(first.effect, attribute)
    size = wording.points(first.effect, attribute, first.interval)
    return (
        f"The first cup {phrase} later ones, by about {size} ({wording.percent(LEVEL)} interval "
        f"{wording.span(first.interval, attribute)})."
    )


def _allowed(*, in_model: bool) -> str:
    """Say whether the comparisons are bent by it."""
    if in_model:
        return (
            "The mixed model allows for the place of a cup, so its comparisons are not bent by it."
        )
    return "The comparisons do not allow for the place of a cup."
