"""Paper ballots: every cup of a tray in serving order, every attribute with its scale."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from blindspoon import wording
from blindspoon.serving.plan import ServingPlan
from blindspoon.sheets.paper import MARGIN, PAPERS, Paper
from blindspoon.sheets.pouring import TrayCard, tray_cards
from blindspoon.sheets.telling import veiled
from blindspoon.trial import Attribute, Scale, Trial
from blindspoon.writeup.words import paragraphs

WIDEST = 84
"""Characters that all steps of a scale may have, so that they can be read side by side."""
ROOMY, TIGHT = 10.4, 8.5
HEAD, HOW, CUP, CODE, TEXT, LETTERS, GAP = 11.1, 4.5, 2.9, 17, 3.9, 17, 5
"""Millimetres that the style sheet gives to the parts of a ballot; LETTERS of a label a line."""
REST = "at least 30 seconds"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ballots:
    """All ballots, and what they have in common.

    Parameters
    ----------
    instructions : tuple of str
        Each short enough for one line of text.
    lines : tuple of (Attribute, tuple of str)
        With the numbers to mark one of; none where the number is written into a box.
    ballots : tuple of TrayCard
        A code is blank where it is written in later.
    accept : str
        Whether the taster would have it, to be answered by yes or no; may be empty.
    words : tuple of str
        What may be answered of a set, where it is not a code.
    together : bool
        Whether two ballots are likely to fit on a page; each begins a page if not.
    tight : bool
        Whether less room between the lines saves paper.
    """

    instructions: tuple[str, ...]
    lines: tuple[tuple[Attribute, tuple[str, ...]], ...]
    ballots: tuple[TrayCard, ...]
    accept: str
    words: tuple[str, ...]
    together: bool
    tight: bool


def make_ballots(trial: Trial, plan: ServingPlan, paper: Paper) -> Ballots:
    """Write a ballot for every tray.

    One person alone pours, shuffles and tastes without knowing the order, so that their ballot
    leaves the codes open.
    """
    alone, cards = plan.request.alone, tray_cards(trial, plan)
    lines = tuple((attribute, steps(attribute.scale)) for attribute in trial.attributes)
    clear = "clear your mouth with what the host has put out"
    instructions = paragraphs(
        "ballots",
        alone=alone,
        warm_up=plan.request.warm_up,
        clear=veiled(trial.tasting.cleanser, trial, clear),
        rest=veiled(trial.tasting.rest, trial, REST),
        circled=any(numbers for _, numbers in lines),
        written=not all(numbers for _, numbers in lines),
        asked=trial.choice and wording.asked(trial.choice),
        must=wording.MUST,
    )
    page = PAPERS[paper][1] - 2 * MARGIN
    how, labels = HEAD + HOW * len(instructions), [attribute.label for attribute, _ in lines]
    accept = wording.would_have(trial.course)
    labels += [accept] * bool(accept)
    rows = plan.request.cups * bool(lines) + (trial.choice.sets if trial.choice else 0)

    def pages(least: float) -> float:
        """Guess how many pages a ballot takes, 0.5 where two share one.

        Rows of one attribute are as high as `least`, in millimetres, or as a long label needs.
        """
        high = sum(max(least, 1 + TEXT * math.ceil(len(label) / LETTERS)) for label in labels)
        height = how + rows * (CUP + max(CODE, high))
        return 0.5 if 2 * height + GAP <= page else math.ceil(height / page)

    roomy, tight = pages(ROOMY), pages(TIGHT)
    return Ballots(
        instructions=instructions,
        lines=lines,
        accept=accept,
        words=trial.choice.how.words if trial.choice else (),
        ballots=tuple(replace(card, codes=("",) * len(card.codes)) for card in cards)
        if alone
        else cards,
        together=tight == 0.5,
        tight=tight < roomy,
    )


def steps(scale: Scale) -> tuple[str, ...]:
    """Write every step of a scale; none where there are too many to stand side by side.

    Examples
    --------
    >>> steps(Scale(low=1, high=3, step=0.5)), steps(Scale(low=0, high=100, step=1))
    (('1', '1.5', '2', '2.5', '3'), ())
    """
    texts = tuple(map(wording.plain, scale.side_by_side()))
    return texts if len(texts) * max(map(len, texts), default=0) <= WIDEST else ()
