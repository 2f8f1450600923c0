"""The pages of the host: who is how far, sessions, links, and paper ballots keyed in."""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from typing import Any

import segno
from flask import Flask, Response, abort, make_response, redirect, render_template, request
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from blindspoon import wording
from blindspoon.collect.ballots import (
    Answer,
    Ballot,
    Given,
    Stamp,
    by_cell,
    read_answers,
    write_for_spreadsheet,
)
from blindspoon.collect.security import Door
from blindspoon.collect.sitting import Desk

Cells = dict[tuple[int, str], str]
"""Texts by row of the grid, from 0, and column."""

REFRESH = ("5", "15", "60")
"""Seconds after which the page loads itself again, where the host asked for it."""


class HostPages:
    """Handlers of what the host opens.

    Parameters
    ----------
    desk : Desk
    door : Door
    join_address : str
        Where tasters join.
    """

    def __init__(self, desk: Desk, door: Door, join_address: str) -> None:
        self._desk = desk
        self._door = door
        self._address = join_address.rstrip("/")

    def add_to(self, app: Flask) -> None:
        """Register the addresses."""
        app.add_url_rule("/h/<link>", "host", self.overview)
        app.add_url_rule("/h/<link>/progress", "progress", self.progress)
        app.add_url_rule("/h/<link>/session", "session", self.session, methods=["POST"])
        app.add_url_rule("/h/<link>/scores.csv", "scores", self.scores)
        app.add_url_rule("/h/<link>/taster/<place>", "taster", self.taster)
        app.add_url_rule("/h/<link>/taster/<place>", "renew", self.renew, methods=["POST"])
        key = "/h/<link>/<session>/key/<place>"
        app.add_url_rule(key, "grid", self.grid)
        app.add_url_rule(key, "key", self.key, methods=["POST"])
        again = "/h/<link>/<session>/again/<place>"
        app.add_url_rule(again, "second_grid", self.second_grid)
        app.add_url_rule(again, "key_again", self.key_again, methods=["POST"])

    def overview(self, link: str) -> Response:
        """Show how far everybody is."""
        self._door.host(link)
        self._desk.reconcile()
        page = render_template(
            "host.html.j2", **self._common(link), qr=_qr(self._address), address=self._address
        )
        response = make_response(page)
        if request.args.get("every") in REFRESH:
            response.headers["Refresh"] = request.args["every"]
        return response

    def progress(self, link: str) -> str:
        """Give the part of the overview that changes."""
        self._door.host(link)
        self._desk.reconcile()
        return render_template("progress.html.j2", **self._common(link))

    def session(self, link: str) -> AnyResponse:
        """Open a session, or close the one that is open."""
        self._door.host(link)
        name = self._door.form(link).get("session", "")
        if name and name not in self._desk.plan.sessions:
            abort(400)
        self._desk.open_session(name)
        return redirect(f"/h/{link}", 303)

    def scores(self, link: str) -> Response:
        """Give everything that was filled in here, safe to open in a spreadsheet."""
        self._door.host(link)
        names = ["session", "taster", "code", *self._attribute_names(), "comment"]
        rows = [row for each in self._desk.ballots.values() for row in each.contents.in_order()]
        response = make_response(write_for_spreadsheet(names, rows))
        response.headers["Content-Type"] = "text/csv; charset=utf-8"
        response.headers["Content-Disposition"] = 'attachment; filename="scores-so-far.csv"'
        return response

    def taster(self, link: str, place: str) -> str:
        """Show the own link of one taster."""
        self._door.host(link)
        taster = self._taster(place)
        address = f"{self._address}/t/{self._desk.taster_link(taster)}"
        return render_template(
            "link.html.j2", **self._common(link), taster=taster, address=address, qr=_qr(address)
        )

    def renew(self, link: str, place: str) -> AnyResponse:
        """Make a taster's link anew."""
        self._door.host(link)
        self._door.form(link)
        self._desk.renew(self._taster(place))
        return redirect(f"/h/{link}/taster/{place}", 303)

    def grid(self, link: str, session: str, place: str) -> str:
        """Show a paper ballot to key in, with what is there already."""
        ballot = self._ballot(link, session, place)
        return self._show(link, place, ballot, _stored(ballot), saved=self._saved())

    def key(self, link: str, session: str, place: str) -> AnyResponse:
        """Store a paper ballot; all of it, or nothing where a cell is wrong."""
        ballot = self._ballot(link, session, place)
        form = self._door.form(link)
        typed = _typed(ballot, form)
        answers, problems = read_answers(ballot.paper.attributes, _rows(ballot, typed), place)
        if problems:
            page = self._show(link, place, ballot, typed, faults=by_cell(problems))
            return make_response(page, 422)
        given = {
            code: Given(answer, form.get(f"{row}-base", ""))
            for row, (code, answer) in enumerate(zip(ballot.paper.codes, answers, strict=True))
            if code not in ballot.elsewhere
        }
        ballot.save(given, Stamp(page=form.get("page", "")[:40], turn=0))
        if form.get("twice"):
            self._desk.note_twice(session, ballot.paper.taster)
        return self._to_next(link, session, place)

    def second_grid(self, link: str, session: str, place: str) -> str:
        """Show an empty grid, to key the same paper ballot a second time."""
        ballot = self._ballot(link, session, place)
        return self._show(link, place, ballot, {}, again=True, saved=self._saved())

    def key_again(self, link: str, session: str, place: str) -> AnyResponse:
        """Compare a second keying with the first; store nothing where they differ."""
        ballot = self._ballot(link, session, place)
        typed = _typed(ballot, self._door.form(link))
        answers, problems = read_answers(ballot.paper.attributes, _rows(ballot, typed), place)
        if problems:
            page = self._show(link, place, ballot, typed, again=True, faults=by_cell(problems))
            return make_response(page, 422)
        differ = _differences(ballot, answers)
        if not differ:
            self._desk.note_twice(session, ballot.paper.taster)
            return self._to_next(link, session, place, kind="again")
        comments = {cell: text for cell, text in _stored(ballot).items() if cell[1] == "comment"}
        page = self._show(link, place, ballot, typed | comments, differ=differ)
        return make_response(page, 409)

    def _attribute_names(self) -> list[str]:
        return [attribute.name for attribute in self._desk.plan.attributes]

    def _taster(self, place: str) -> str:
        names = {str(number): name for number, name in enumerate(self._desk.plan.tasters, 1)}
        if place not in names:
            abort(404)
        return names[place]

    def _ballot(self, link: str, session: str, place: str) -> Ballot:
        self._door.host(link)
        ballot = self._desk.ballots.get((session, self._taster(place)))
        if ballot is None:
            abort(404)
        return ballot

    def _common(self, link: str) -> dict[str, Any]:
        desk = self._desk
        return {
            "plan": desk.plan,
            "base": f"/h/{link}",
            "ticket": self._door.ticket(link),
            "session": desk.session,
            "tables": [(name, desk.standing(name)) for name in desk.plan.sessions],
            "places": {name: place for place, name in enumerate(desk.plan.tasters, 1)},
            "joined": len(desk.memory.joined),
        }

    def _show(
        self,
        link: str,
        place: str,
        ballot: Ballot,
        values: Cells,
        *,
        again: bool = False,
        faults: Mapping[tuple[int, str], str] | None = None,
        differ: Cells | None = None,
        saved: str = "",
    ) -> str:
        return render_template(
            "key.html.j2",
            base=f"/h/{link}",
            ticket=self._door.ticket(link),
            plan=self._desk.plan,
            place=place,
            ballot=ballot,
            paper=ballot.paper,
            values=values,
            marks=[ballot.contents.answer(code).mark for code in ballot.paper.codes],
            page=secrets.token_urlsafe(12),
            again=again,
            faults=faults or {},
            differ=differ or {},
            saved=saved,
        )

    def _to_next(self, link: str, session: str, place: str, kind: str = "key") -> AnyResponse:
        """Go to the next ballot that has gaps (or was keyed once), else to the overview."""
        desk, order = self._desk, self._desk.plan.tasters
        rest = [*range(int(place), len(order)), *range(int(place) - 1)]
        for number in rest:
            ballot = desk.ballots.get((session, order[number]))
            once = (session, order[number]) not in desk.memory.twice
            if ballot and (not ballot.finished if kind == "key" else ballot.finished and once):
                return redirect(f"/h/{link}/{session}/{kind}/{number + 1}?saved={place}", 303)
        return redirect(f"/h/{link}", 303)

    def _saved(self) -> str:
        """Name the taster whose ballot was just stored, if the address says so."""
        names = {str(number): name for number, name in enumerate(self._desk.plan.tasters, 1)}
        return names.get(request.args.get("saved", ""), "")


def _stored(ballot: Ballot) -> Cells:
    """Give what a ballot holds, by cell."""
    cells: Cells = {}
    for row, code in enumerate(ballot.paper.codes):
        answer = ballot.contents.answer(code)
        texts = zip(ballot.paper.names, answer.scores, strict=True)
        cells |= {(row, name): text for name, text in texts}
        cells[row, "comment"] = answer.comment
    return cells


def _typed(ballot: Ballot, form: Mapping[str, str]) -> Cells:
    """Take the cells of the grid from its form."""
    names = (*ballot.paper.names, "comment")
    rows = range(len(ballot.paper.codes))
    return {(row, name): form.get(f"{row}-{name}", "").strip() for row in rows for name in names}


def _rows(ballot: Ballot, cells: Cells) -> list[dict[str, str]]:
    names = (*ballot.paper.names, "comment")
    rows = range(len(ballot.paper.codes))
    return [{name: cells[row, name] for name in names} for row in rows]


def _differences(ballot: Ballot, second: Sequence[Answer]) -> Cells:
    """Find cells that were keyed otherwise the first time, and what they were then."""
    return {
        (row, name): wording.plain(float(first)) if first else "blank"
        for row, code in enumerate(ballot.paper.codes)
        for name, first, again in zip(
            ballot.paper.names, ballot.contents.answer(code).scores, second[row].scores, strict=True
        )
        if first != again and code not in ballot.elsewhere
    }


def _qr(address: str) -> Markup:
    """Draw an address as a QR code, dark on light on every screen."""
    code = segno.make(address or "-", error="m", micro=False)
    return Markup(code.svg_inline(scale=4, border=4, dark="#000", light="#fff", omitsize=True))  # noqa: S704 - drawn here
