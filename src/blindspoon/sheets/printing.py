"""Finished content -> printable pages, each complete in itself."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from markupsafe import Markup

from blindspoon import wording
from blindspoon.charts.scene import PALETTE, PREFIX
from blindspoon.serving.plan import ServingPlan
from blindspoon.sheets.checklist import PRACTICE, make_checklist
from blindspoon.sheets.paper import MARGIN, PAPERS, Paper, stock_named
from blindspoon.sheets.paper_ballots import REST, Ballots, make_ballots
from blindspoon.sheets.pouring import label_sheets, pouring_sheets, tray_cards, two_marks
from blindspoon.sheets.reminders import Reminder
from blindspoon.sheets.telling import heading, telling_words, veiled
from blindspoon.trial import Trial
from blindspoon.writeup.words import templates

COLOURS = ("ink", "soft", "edge", "hair")


def print_sheets(  # noqa: PLR0913 - each is a choice of the host
    trial: Trial,
    plan: ServingPlan,
    *,
    paper: Paper = "a4",
    label_stock: str | None = None,
    label_owner: bool = True,
    portion_g: float | None = None,
    cautions: Sequence[str] = (),
    roles: bool = False,
    days: Sequence[Reminder] = (),
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
    roles : bool
        Whether to add a file for each who gets one: ``helper.html`` (checklist, pouring sheet),
        ``table.html`` (what is said at the table, tray cards), ``tasters/01-NAME.html`` (their
        ballots). Labels have a paper of their own. For two tasters also ``both-taste/bowls.html``
        and ``both-taste/cups.html``, by which both can taste though they pour themselves.
    days : sequence of Reminder
        What is to be done before, by day.

    Returns
    -------
    dict of str to bytes
        HTML by file name: ``checklist.html``, ``pouring.html``, ``trays.html``, ``labels.html``,
        ``ballots.html``. Each needs no other file, no network and no script. Variants and
        batches are named in ``pouring.html``, ``helper.html`` and ``both-taste/bowls.html`` only.

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
    telling = wording.listing(f"“{word}”" for word in telling_words(trial, plan))
    sheets, warm_up = label_sheets(plan, stock, owner=label_owner), plan.request.warm_up
    told: dict[str, dict[str, Any]] = {
        "checklist": {"list": make_checklist(trial, plan, portion_g, days)},
        "pouring": {
            "trial": trial,
            "sessions": pouring_sheets(trial, plan, portion_g),
            "cautions": cautions,
            "telling": telling,
        },
        "trays": {"cards": tray_cards(trial, plan), "warm_up": warm_up},
        "labels": {"stock": stock, "sheets": sheets, "size": PAPERS[stock.paper], "margin": 0},
        "ballots": {"all": make_ballots(trial, plan, paper)},
    }
    at: dict[str, Any] = {"size": PAPERS[paper], "margin": MARGIN}

    def page(name: str, **values: Any) -> bytes:  # noqa: ANN401 - the template knows them
        """Fill a template; all text of the host is escaped in it."""
        width, height = (round(side, 3) for side in (at | values)["size"])
        colours = "".join(f"{PREFIX}{colour}:{PALETTE[colour][0]};" for colour in COLOURS)
        known = {"width": width, "height": height, "colours": colours, "practice": PRACTICE}
        known |= {"name": name, "head": heading(trial), **at, **values}
        return templates().get_template(f"{name}.html.j2").render(known).encode()

    single = {f"{name}.html": page(name, **values) for name, values in told.items()}
    return single | (_roles(trial, plan, page, told) if roles else {})


def file_name(number: int, taster: str) -> str:
    """Name the file, or the folder, of the taster at a place of the list: "07-Anna-K"."""
    name = re.sub(r"\W+", "-", taster)[:60].strip("-")
    return f"{number:02}-{name}"


def _roles(
    trial: Trial, plan: ServingPlan, page: Callable[..., bytes], told: dict[str, dict[str, Any]]
) -> dict[str, bytes]:
    """Put sheets together by who gets them, one after the other in one file."""

    def part(name: str, **values: object) -> tuple[str, Markup]:
        template = templates().get_template(f"{name}.html.j2")
        context = template.new_context({"practice": PRACTICE, "head": heading(trial), **values})
        return name, Markup("".join(template.blocks["body"](context)))  # noqa: S704 - of a template

    words = {
        name: veiled(getattr(trial.tasting, name), trial) for name in ("allergens", "cleanser")
    }
    rest = veiled(trial.tasting.rest, trial, REST)
    table = part("table", **words, rest=rest, warm_up=plan.request.warm_up)
    helper = [part(name, **told[name]) for name in ("checklist", "pouring")]
    roles = {
        "helper": page("role", title="For the helper", parts=helper),
        "table": page("role", title="For the table", parts=[table, part("trays", **told["trays"])]),
    }
    every: Ballots = told["ballots"]["all"]
    for number, taster in enumerate(plan.request.tasters, 1):
        own = tuple(ballot for ballot in every.ballots if ballot.taster == taster)
        parts = [part("ballots", all=replace(every, ballots=own))]
        roles[f"tasters/{file_name(number, taster)}"] = page(
            "role", title=f"For {taster}", parts=parts
        )
    if len(plan.request.tasters) == 2 and plan.request.controls == 1:
        marked = two_marks(told["pouring"]["sessions"], trial.seed)
        for n, name in enumerate(("bowls", "cups")):
            who, other = plan.request.tasters[n], plan.request.tasters[1 - n]
            both = part("marks", sessions=marked, first=n == 0, own=who, other=other)
            roles[f"both-taste/{name}"] = page("role", title=f"For {who}", parts=[both])
    return {f"{name}.html": content for name, content in roles.items()}
