"""Finished content -> printable pages, each complete in itself."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from blindspoon import wording
from blindspoon.charts.style import PALETTE, PREFIX
from blindspoon.serving.plan import ServingPlan
from blindspoon.sheets.checklist import PRACTICE, make_checklist
from blindspoon.sheets.paper import MARGIN, PAPERS, Paper, stock_named
from blindspoon.sheets.paper_ballots import make_ballots
from blindspoon.sheets.pouring import pouring_sheets
from blindspoon.sheets.telling import heading, telling_words
from blindspoon.sheets.trays import label_sheets, tray_cards
from blindspoon.trial import Trial
from blindspoon.writeup.words import templates

COLOURS = ("ink", "soft", "edge", "hair")


def print_sheets(
    trial: Trial,
    plan: ServingPlan,
    *,
    paper: Paper = "a4",
    label_stock: str | None = None,
    label_owner: bool = True,
    portion_g: float | None = None,
    cautions: Sequence[str] = (),
) -> dict[str, bytes]:
    """Make everything that is printed for the day.

    Parameters
    ----------
    plan : ServingPlan
        Drawn for this trial.
    paper : {"a4", "letter"}
        Of all sheets but the labels.
    label_stock : str, optional
        A name of `LABEL_STOCKS`; the larger labels of the paper if left out.
    label_owner : bool
        Whether a label says in small whose cup it is, and of which session.
    portion_g : float, optional
        Grams in one cup, above 0; "the same spoonful" if left out.
    cautions : sequence of str
        What the log of the batches warns of, for whoever pours; it may name batches.

    Returns
    -------
    dict of str to bytes
        HTML by file name: ``checklist.html``, ``pouring.html``, ``trays.html``, ``labels.html``,
        ``ballots.html``. Each needs no other file, no network and no script. Variants and
        batches are named in ``pouring.html`` only.

    Raises
    ------
    ValueError
        If there is no label stock of that name, or the portion is not above 0.

    Notes
    -----
    Serving after ISO 4120 (its rules of serving only), ISO 13299:2016 and ASTM E1871, as far as
    the checklist says so beside each step.

    Examples
    --------
    >>> import numpy as np
    >>> from blindspoon.serving.draw import draw
    >>> from blindspoon.serving.request import request_for
    >>> from blindspoon.files.trial_toml import parse_trial
    >>> trial = parse_trial('''
    ... trial = { title = "Crisp cucumbers", control = "brined" }
    ... scale = { low = 0, high = 10, step = 1 }
    ... attribute = [{ name = "texture" }]
    ... variant = [{ name = "brined" }, { name = "oak-leaf" }]
    ... tasting = { tasters = 4 }
    ... ''')
    >>> sheets = print_sheets(trial, draw(request_for(trial), np.random.default_rng(1)))
    >>> [name for name, page in sheets.items() if b"Oak leaf" in page]
    ['pouring.html']
    """
    stock = stock_named(label_stock, paper)
    if portion_g is not None and not portion_g > 0:
        message = f"portion_g is {portion_g}; it is above 0"
        raise ValueError(message)
    page = partial(_page, size=PAPERS[paper], margin=MARGIN, head=heading(trial))
    pouring, labels = pouring_sheets(trial, plan, portion_g), PAPERS[stock.paper]
    telling = wording.listing(f"“{word}”" for word in telling_words(trial, plan))
    sheets = label_sheets(plan, stock, owner=label_owner)
    cards, warm_up = tray_cards(trial, plan), plan.request.warm_up
    return {
        "checklist.html": page("checklist", list=make_checklist(trial, plan, portion_g)),
        "pouring.html": page(
            "pouring", trial=trial, sessions=pouring, cautions=cautions, telling=telling
        ),
        "trays.html": page("trays", cards=cards, warm_up=warm_up),
        "labels.html": page("labels", size=labels, margin=0, stock=stock, sheets=sheets),
        "ballots.html": page("ballots", all=make_ballots(trial, plan, paper)),
    }


def _page(name: str, *, size: tuple[float, float], margin: float, **content: object) -> bytes:
    """Fill a template; all text of the host is escaped in it."""
    template = templates().get_template(f"{name}.html.j2")
    width, height = (round(side, 3) for side in size)
    return template.render(
        name=name,
        colours="".join(f"{PREFIX}{colour}:{PALETTE[colour][0]};" for colour in COLOURS),
        width=width,
        height=height,
        margin=margin,
        practice=PRACTICE,
        **content,
    ).encode()
