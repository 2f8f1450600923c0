"""The pages of the host: who is how far, sessions, links, and paper ballots keyed in."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping, Sequence

import segno
from flask import Flask, Response, abort, make_response, redirect, render_template, request
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from blindspoon import wording
from blindspoon.collect.ballots import (
    BallotFile,
    CupAnswer,
    Given,
    read_answers,
    write_for_spreadsheet,
)
from blindspoon.collect.security import Access, faults
from blindspoon.collect.sitting import Sitting

Cells = Sequence[Mapping[str, str]]
"""Texts of the grid by column, a mapping a cup."""

Told = Mapping[tuple[int, str], str]
"""What is said beside cells of the grid, by row and column."""

REFRESH = ("5", "15", "60")
"""Seconds after which the page loads itself again, where the host asked for it."""


class HostPages:
    """Handlers of what the host opens.

    `join_address` gives where tasters join, which may change while they taste; `lan` tells whether
    phones can reach it.
    """

    def __init__(
        self,
        sitting: Sitting,
        access: Access,
        join_address: Callable[[], str],
        *,
        lan: bool = True,
    ) -> None:
        self._sitting = sitting
        self._access = access
        self._join_address = join_address
        self._lan = lan

    @property
    def _places(self) -> dict[str, str]:
        """Tasters by their place in the list, which a late one does not change."""
        return {str(place): name for place, name in enumerate(self._sitting.plan.tasters, 1)}

    def add_to(self, app: Flask) -> None:
        """Register the addresses."""
        app.add_url_rule("/h/<link>", "host", self.overview)
        app.add_url_rule("/h/<link>/progress", "progress", self.progress)
        app.add_url_rule("/h/<link>/session", "session", self.session, methods=["POST"])
        app.add_url_rule("/h/<link>/joining", "joining", self.joining, methods=["POST"])
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
        return self._overview("host", link)

    def progress(self, link: str) -> Response:
        """Give the part of the overview that changes."""
        return self._overview("progress", link)

    def session(self, link: str) -> AnyResponse:
        """Open a session, or close the one that is open."""
        self._access.host(link)
        name = self._access.form(link).get("session", "")
        if name and name not in self._sitting.plan.sessions:
            abort(400)
        self._sitting.open_session(name)
        return redirect(f"/h/{link}", 303)

    def joining(self, link: str) -> AnyResponse:
        """Let nobody take a name any more, or everybody again."""
        self._access.host(link)
        self._sitting.lock(locked=bool(self._access.form(link).get("lock")))
        return redirect(f"/h/{link}", 303)

    def scores(self, link: str) -> Response:
        """Give everything that was filled in here, safe to open in a spreadsheet."""
        self._access.host(link)
        attributes = [attribute.name for attribute in self._sitting.plan.attributes]
        names = ["session", "taster", "code", *attributes, "comment"]
        rows = [row for ballot in self._sitting.ballots.values() for row in ballot.in_order()]
        response = make_response(write_for_spreadsheet(names, rows))
        response.headers["Content-Type"] = "text/csv; charset=utf-8"
        response.headers["Content-Disposition"] = 'attachment; filename="scores-so-far.csv"'
        return response

    def taster(self, link: str, place: str) -> Response:
        """Show the own link of one taster."""
        self._access.host(link)
        taster = self._taster(place)
        address = f"{self._join_address()}t/{self._sitting.taster_link(taster)}"
        qr = _qr(address) if self._lan else ""
        return self._page("link", link, taster=taster, place=place, address=address, qr=qr)

    def renew(self, link: str, place: str) -> AnyResponse:
        """Make a taster's link anew."""
        self._access.host(link)
        self._access.form(link)
        self._sitting.renew(self._taster(place))
        return redirect(f"/h/{link}/taster/{place}", 303)

    def grid(self, link: str, session: str, place: str) -> Response:
        """Show a paper ballot to key in, with what is there already."""
        ballot = self._ballot(link, session, place)
        return self._grid(link, place, ballot, _stored(ballot))

    def key(self, link: str, session: str, place: str) -> AnyResponse:
        """Store a paper ballot; all of it, or nothing where a cell is wrong."""
        ballot = self._ballot(link, session, place)
        form = self._access.form(link)
        typed = _typed(ballot, form)
        answers, problems = read_answers(ballot.attributes, typed, place)
        if problems:
            return self._grid(link, place, ballot, typed, 422, wrong=faults(problems))
        opened = form.get("page", "")[:40]
        given = {
            code: Given(answer, form.get(f"{row}-base", ""), opened)
            for row, (code, answer) in enumerate(zip(ballot.codes, answers, strict=True))
            if code not in ballot.elsewhere
        }
        ballot.save(given)
        if form.get("twice"):
            self._sitting.note_twice(session, ballot.taster)
        return self._to_next(link, session, place, "key")

    def second_grid(self, link: str, session: str, place: str) -> Response:
        """Show an empty grid, to key the same paper ballot a second time."""
        ballot = self._ballot(link, session, place)
        return self._grid(link, place, ballot, _typed(ballot, {}), again=True)

    def key_again(self, link: str, session: str, place: str) -> AnyResponse:
        """Compare a second keying with the first; store nothing where they differ."""
        ballot = self._ballot(link, session, place)
        typed = _typed(ballot, self._access.form(link))
        answers, problems = read_answers(ballot.attributes, typed, place)
        if problems:
            return self._grid(link, place, ballot, typed, 422, again=True, wrong=faults(problems))
        differ = _differences(ballot, answers)
        if not differ:
            self._sitting.note_twice(session, ballot.taster)
            return self._to_next(link, session, place, "again")
        pairs = zip(typed, _stored(ballot), strict=True)
        values = [{**row, "comment": first["comment"]} for row, first in pairs]
        return self._grid(link, place, ballot, values, 409, differ=differ)

    def _taster(self, place: str) -> str:
        if place not in self._places:
            abort(404)
        return self._places[place]

    def _ballot(self, link: str, session: str, place: str) -> BallotFile:
        self._access.host(link)
        ballot = self._sitting.ballots.get((session, self._taster(place)))
        if ballot is None:
            abort(404)
        return ballot

    def _page(self, name: str, link: str, **content: object) -> Response:
        ticket = self._access.ticket(link)
        page = render_template(f"{name}.html.j2", base=f"/h/{link}", ticket=ticket, **content)
        return make_response(page)

    def _overview(self, name: str, link: str) -> Response:
        self._access.host(link)
        sitting = self._sitting
        sitting.reconcile()
        places = {taster: place for place, taster in self._places.items()}
        tables = {session: sitting.ballots_of(session) for session in sitting.plan.sessions}
        address = self._join_address()
        response = self._page(
            name,
            link,
            plan=sitting.plan,
            memory=sitting.memory,
            places=places,
            tables=tables,
            address=address,
            qr=_qr(address) if self._lan else "",
        )
        if request.args.get("every") in REFRESH:
            response.headers["Refresh"] = request.args["every"]
        return response

    def _grid(
        self,
        link: str,
        place: str,
        ballot: BallotFile,
        values: Cells,
        status: int = 200,
        *,
        again: bool = False,
        wrong: Told | None = None,
        differ: Told | None = None,
    ) -> Response:
        """Show the cells of a ballot; it names whose was just stored, if the address does."""
        page = self._page(
            "key",
            link,
            place=place,
            ballot=ballot,
            values=values,
            again=again,
            wrong=wrong or {},
            differ=differ or {},
            saved=self._places.get(request.args.get("saved", ""), ""),
            page=secrets.token_urlsafe(12),
        )
        return make_response(page, status)

    def _to_next(self, link: str, session: str, place: str, kind: str) -> AnyResponse:
        """Go to the next paper ballot that has gaps (or was keyed once), else to the overview."""
        number, twice = int(place), self._sitting.memory.twice
        places = list(self._places.items())
        for other, taster in (*places[number:], *places[: number - 1]):
            ballot = self._sitting.ballots.get((session, taster))
            if ballot is None or taster in self._sitting.memory.joined:
                continue  # who has joined tastes by phone
            once = not ballot.gaps and (session, taster) not in twice
            if once if kind == "again" else ballot.gaps:
                return redirect(f"/h/{link}/{session}/{kind}/{other}?saved={place}", 303)
        return redirect(f"/h/{link}", 303)


def _stored(ballot: BallotFile) -> Cells:
    """Give what a ballot holds."""
    answers = [ballot.answer(code) for code in ballot.codes]
    return [
        dict(zip(ballot.names, answer.scores, strict=True)) | {"comment": answer.comment}
        for answer in answers
    ]


def _typed(ballot: BallotFile, form: Mapping[str, str]) -> Cells:
    """Take the cells of the grid from its form."""
    return [
        {name: form.get(f"{row}-{name}", "").strip() for name in (*ballot.names, "comment")}
        for row in range(len(ballot.codes))
    ]


def _differences(ballot: BallotFile, second: Sequence[CupAnswer]) -> dict[tuple[int, str], str]:
    """Find cells that were keyed otherwise the first time, and what they were then."""
    return {
        (row, name): wording.plain(float(first)) if first else "blank"
        for row, code in enumerate(ballot.codes)
        for name, first, again in zip(
            ballot.names, ballot.answer(code).scores, second[row].scores, strict=True
        )
        if first != again and code not in ballot.elsewhere
    }


def _qr(address: str) -> Markup:
    """Draw an address as a QR code, dark on light on every screen."""
    code = segno.make(address, error="m", micro=False)
    return Markup(code.svg_inline(scale=4, border=4, dark="#000", light="#fff", omitsize=True))  # noqa: S704 - drawn here
