"""A trial's files -> the tasting, ready to be filled in."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from urllib.parse import quote

from blindspoon.errors import Problem, ScoreError, TrialFileError
from blindspoon.form.ballots import Ballot, Shelf
from blindspoon.form.contents import Paper
from blindspoon.form.desk import Desk
from blindspoon.form.links import FILE, Memory
from blindspoon.form.plan import Cautions, Plan, make_plan
from blindspoon.ledger import Ledger, open_ledger
from blindspoon.tables import TextTable
from blindspoon.trial import Trial

NAME_LIMIT = 120
"""Characters of a ballot's file name that come from the taster."""


def open_desk(
    trial: Trial,
    scores: Sequence[TextTable],
    servings: TextTable | None,
    shelf: Shelf,
    cautions: Cautions,
) -> Desk:
    """Make ready the tasting that a trial folder describes.

    Parameters
    ----------
    trial : Trial
    scores : sequence of TextTable
        scores.csv and every ballot.
    servings : TextTable or None
    shelf : Shelf
    cautions : Cautions

    Returns
    -------
    Desk
        The session of before is open; at first the first with a cup that is not scored yet.

    Raises
    ------
    TrialError
        If nobody is served, or with every problem of the tables and of the file of links.
    """
    ledger = open_ledger(trial, scores, servings)
    problems = [problem for problem in ledger.problems if problem.slug != "no-scores"]
    if servings is None:
        raise TrialFileError([_no_servings()])
    if problems or ledger.plan is None:
        raise ScoreError(problems)
    plan = make_plan(trial, ledger.plan, cautions)
    papers = _papers(plan)
    data = shelf.read(FILE)
    memory = Memory() if data is None else Memory.from_bytes(data)
    ballots: dict[tuple[str, str], Ballot] = {}
    desk = Desk(plan, ballots, memory, shelf)
    elsewhere = _elsewhere(ledger, {paper.file for paper in papers})
    for paper in papers:
        cup = (paper.session, paper.taster)
        ballots[cup] = Ballot(paper, shelf, desk.tell_all, elsewhere.get(cup, {}))
        if (content := shelf.read(paper.file)) is not None:
            ballots[cup].load(content)
    if data is None:
        desk.open_session(_first_unfinished(plan, ballots))
    return desk


def _papers(plan: Plan) -> list[Paper]:
    names = _file_names(plan.orders)
    return [
        Paper(
            session=session,
            taster=taster,
            codes=codes,
            attributes=plan.attributes,
            file=f"ballots/{names[session, taster]}",
        )
        for (session, taster), codes in plan.orders.items()
    ]


def _file_names(keys: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """Name the file of each ballot, safe on every system, none like another's in any case.

    Examples
    --------
    >>> list(_file_names([("1", "T01"), ("1", "Aunt Vera"), ("1", "t01")]).values())
    ['1-T01.csv', '1-Aunt%20Vera.csv', '1-t01%48ebf3.csv']
    """
    names: dict[tuple[str, str], str] = {}
    taken: set[str] = set()
    for session, taster in keys:
        safe = quote(taster, safe="").replace(".", "%2E").replace("~", "%7E")
        name = f"{session}-{safe}"
        if len(safe) > NAME_LIMIT or name.casefold() in taken:
            cut = re.sub("%.?$", "", safe[:NAME_LIMIT])
            name = f"{session}-{cut}%{hashlib.sha256(taster.encode()).hexdigest()[:6]}"
        taken.add(name.casefold())
        names[session, taster] = f"{name}.csv"
    return names


def _elsewhere(ledger: Ledger, own: set[str]) -> dict[tuple[str, str], dict[str, str]]:
    """Find cups that have a row in scores.csv or in a ballot that is not the page's."""
    found: dict[tuple[str, str], dict[str, str]] = {}
    for row in range(len(ledger.scored)):
        file, _ = ledger.scored.place(row)
        if file not in own:
            session, taster, code = ledger.scored.texts(row)
            found.setdefault((session, taster), {})[code] = file
    return found


def _first_unfinished(plan: Plan, ballots: Mapping[tuple[str, str], Ballot]) -> str:
    for session in plan.sessions:
        if not all(ballot.finished for key, ballot in ballots.items() if key[0] == session):
            return session
    return ""


def _no_servings() -> Problem:
    return Problem(
        slug="missing-file",
        file="servings.csv",
        found="there is no such file",
        allowed="the score page needs to know who is served which cup when",
        remedy='Draw the codes and orders with "blind" first',
    )
