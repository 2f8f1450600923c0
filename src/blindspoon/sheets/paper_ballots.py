"""Paper ballots: every cup of a tray in serving order, every attribute with its scale."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from blindspoon import wording
from blindspoon.serving.plan import ServingPlan
from blindspoon.sheets.telling import heading, veiled
from blindspoon.sheets.tray_labels import MARGIN, PAPERS, Paper, session_line, trays_of
from blindspoon.trial import Attribute, Scale, Trial

WIDEST = 84
"""Characters that all steps of a scale may have, so that they can be read side by side."""
ROOMY, TIGHT = 10.4, 8.5
HEAD, HOW, CUP, CODE, TEXT, LETTERS, GAP = 11.1, 4.5, 2.9, 17, 3.9, 17, 5
"""Millimetres that the style sheet gives to the parts of a ballot; LETTERS of a label a line."""
ORDER = (
    "Taste from the top down; on the tray the cups stand from left to right. The code on the cup "
    "must be the code here.",
)
ORDER_ALONE = (
    "Taste the cups from left to right, as they stand after shuffling. Turn none over before the "
    "last score.",
    "Then write the codes in, and change no score. If a helper pours, copy each code before you "
    "taste.",
)
WARM_UP = "First taste the cup without a code; nothing is written down about it."
COURTESY = (
    "There is no right answer. Please do not talk about the cups until everyone has finished. "
    "You may stop at any time.",
)
REST = "at least 30 seconds"


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleLine:
    """One attribute on a ballot.

    Parameters
    ----------
    label, low, high : str
        The attribute, and the words at the ends of its scale, which may be empty.
    steps : tuple of str
        Numbers to mark one of; empty where the number is written into a box.
    ends : tuple of str
        The lowest and the highest number.
    """

    label: str
    low: str
    high: str
    steps: tuple[str, ...]
    ends: tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ballot:
    """What one taster fills in for one session; a code is empty where it is written in later."""

    session: str
    taster: str
    codes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ballots:
    """All ballots, and what they have in common.

    Parameters
    ----------
    heading : str
    instructions : tuple of str
    lines : tuple of ScaleLine
    ballots : tuple of Ballot
    together : bool
        Whether two ballots are likely to fit on a page; each begins a page if not.
    tight : bool
        Whether less room between the lines saves paper.
    """

    heading: str
    instructions: tuple[str, ...]
    lines: tuple[ScaleLine, ...]
    ballots: tuple[Ballot, ...]
    together: bool
    tight: bool


def make_ballots(trial: Trial, plan: ServingPlan, paper: Paper) -> Ballots:
    """Write a ballot for every tray.

    One person alone pours, shuffles and tastes without knowing the order, so that their ballot
    leaves the codes open.
    """
    alone = plan.request.alone
    lines = tuple(line_of(attribute) for attribute in trial.attributes)
    ballots = Ballots(
        heading=heading(trial),
        instructions=_instructions(trial, plan, lines),
        lines=lines,
        ballots=tuple(
            Ballot(
                session=session_line(trial, tray.session),
                taster=tray.taster,
                codes=tuple("" if alone else cup.code for cup in tray.cups),
            )
            for tray in trays_of(plan)
        ),
        together=False,
        tight=False,
    )
    page = PAPERS[paper][1] - 2 * MARGIN
    roomy, tight = (_sheets(ballots, plan.request.cups, page, least) for least in (ROOMY, TIGHT))
    return replace(ballots, together=tight == 0.5, tight=tight < roomy)


def line_of(attribute: Attribute) -> ScaleLine:
    """Lay an attribute's scale out for paper."""
    scale = attribute.scale
    return ScaleLine(
        label=attribute.label,
        low=attribute.low,
        high=attribute.high,
        steps=steps(scale),
        ends=(wording.plain(scale.low), wording.plain(scale.high)),
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


def _sheets(ballots: Ballots, cups: int, page: float, least: float) -> float:
    """Guess how many pages a ballot takes, 0.5 where two share one.

    In millimetres: rows of one attribute are at least `least` high, and higher where a long label
    needs more lines of text.
    """
    rows = sum(
        max(least, 1 + TEXT * math.ceil(len(line.label) / LETTERS)) for line in ballots.lines
    )
    height = HEAD + HOW * len(ballots.instructions) + cups * (CUP + max(CODE, rows))
    return 0.5 if 2 * height + GAP <= page else math.ceil(height / page)


def _instructions(trial: Trial, plan: ServingPlan, lines: tuple[ScaleLine, ...]) -> tuple[str, ...]:
    """Write what a taster has to know, each sentence short enough for one line of text."""
    clear = veiled(trial.tasting.cleanser, trial, "clear your mouth with what the host has put out")
    rest = veiled(trial.tasting.rest, trial, REST)
    return (
        *(ORDER_ALONE if plan.request.alone else ORDER),
        *((WARM_UP,) if plan.request.warm_up else ()),
        f"Before every cup: {clear}, then a rest of {rest}.",
        f"{_how_to_mark(lines)} Leave a line empty if you cannot say.",
        *COURTESY,
    )


def _how_to_mark(lines: tuple[ScaleLine, ...]) -> str:
    mark, write = any(line.steps for line in lines), not all(line.steps for line in lines)
    circle = "Circle one number on each line."
    number = "Mark the line where the cup belongs and write the number into the box: it counts."
    if mark and write:
        return f"{circle} Where there is a box, {number[0].lower()}{number[1:]}"
    return circle if mark else number
