"""The pages of the host, in English: who is how far, sessions, links, and paper keyed in."""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from flask import Flask, Response, abort, make_response, redirect, render_template, request
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from blindspoon.collect.ballots import Ballot, CupAnswer, Given, read_answer
from blindspoon.collect.languages import words_of
from blindspoon.collect.security import own_form
from blindspoon.collect.sitting import Sitting

Cells = Sequence[Mapping[str, str]]  # texts of the grid by column, a mapping a cup
CellNotes = dict[tuple[int, str], str]  # what is said beside cells of the grid, by row and column
SAY = words_of("en")


@dataclass(frozen=True, slots=True, kw_only=True)
class HostPages:
    """What a host opens and sends while people taste, for whoever may see this tasting.

    `base` is the address of the overview, without a slash at its end; `fill` makes a page of the
    name of a template and what it says. Tasters `join` at an address that may change while they
    taste. `phones` says whether they are let "in" or kept "out", where the host decides that here;
    else it is empty.
    """

    sitting: Sitting
    base: str
    fill: Callable[..., AnyResponse]
    join: str
    phones: str = ""

    @classmethod
    def add_to(cls, app: Flask, find: Callable[[str], HostPages], base: str) -> None:
        """Register the addresses; `find` gives the pages by the link in their base.

        It turns away whoever may not see them, and forms that none of them sent.
        """
        for path, method, handler in (
            ("", "GET", cls.overview),
            ("/<any(progress):name>", "GET", cls.overview),
            ("/session", "POST", cls.session),
            ("/taster/<place>", "GET", cls.link),
            ("/taster/<place>", "POST", cls.renew),
            ("/<session>/<any(key, again):kind>/<place>", "GET", cls.grid),
            ("/<session>/<any(key, again):kind>/<place>", "POST", cls.key),
        ):

            def answer(
                link: str, handle: Callable[..., AnyResponse] = handler, **parts: str
            ) -> AnyResponse:
                return handle(find(link), **parts)

            name = f"host {method} {path}"
            app.add_url_rule(f"{base}{path}", name, answer, methods=[method])

    def overview(self, name: str = "host") -> AnyResponse:
        """Show how far everybody is, or give the part of the page that changes: its progress."""
        sitting = self.sitting
        sitting.reconcile()
        open_first = sorted(sitting.plan.sessions, key=lambda name: name != sitting.session)
        return self._page(
            name,
            plan=sitting.plan,
            memory=sitting.memory,
            warnings=sitting.warnings,
            places={taster: place for place, taster in self._places.items()},
            tables={session: sitting.ballots_of(session) for session in open_first},
            join=self.join,
            phones=self.phones,
            qr=qr_code(self.join),
        )

    def session(self) -> AnyResponse:
        """Open a session, or close the one that is open; ask where somebody has not finished."""
        name, now = request.form.get("session", ""), self.sitting.session
        if name and name not in self.sitting.plan.sessions:
            abort(400)
        unfinished = [ballot for ballot in self.sitting.ballots_of(now) if ballot.gaps]
        if unfinished and name != now and not request.form.get("sure"):
            return self._page("close_session", session=now, next=name, unfinished=unfinished)
        self.sitting.open_session(name)
        return redirect(self.base, 303)

    def link(self, place: str) -> AnyResponse:
        taster = self._taster(place)
        address = f"{self.join}t/{self.sitting.taster_link(taster)}" if self.join else ""
        return self._page("link", taster=taster, place=place, join=address, qr=qr_code(address))

    def renew(self, place: str) -> AnyResponse:
        taster = self._taster(place)
        if request.form.get("taster", taster) != taster:
            abort(409)
        self.sitting.renew(taster)
        return redirect(f"{self.base}/taster/{place}", 303)

    def grid(self, session: str, kind: str, place: str) -> AnyResponse:
        """Show a paper ballot to key in: what is there already, or blank to key it again."""
        ballot, again = self._ballot(session, place), kind == "again"
        values = _typed(ballot, {}) if again else _stored(ballot)
        return self._grid(place, ballot, values, again=again)

    def key(self, session: str, kind: str, place: str) -> AnyResponse:
        """Store a paper ballot, or compare a second keying with the first.

        Nothing is stored where a cell is wrong, or where a second keying differs.
        """
        ballot, again, form = self._ballot(session, place), kind == "again", request.form
        if form.get("taster", ballot.taster) != ballot.taster:
            abort(409)  # the list was sorted anew since the page was opened
        typed = _typed(ballot, form)
        answers, wrong = [], CellNotes()
        for row, (code, cells) in enumerate(zip(ballot.codes, typed, strict=True)):
            attributes = ballot.part(code).attributes
            answer, problems = read_answer(attributes, cells, place)
            answers.append(answer)
            faults = SAY.faults(problems, attributes, cells)
            wrong |= {(row, column): text for column, text in faults.items()}
        if wrong:
            return self._grid(place, ballot, typed, 422, again=again, wrong=wrong)
        if again and (differ := _differences(ballot, answers)):
            pairs = zip(typed, _stored(ballot), strict=True)
            values = [{**row, "comment": first["comment"]} for row, first in pairs]
            return self._grid(place, ballot, values, 409, differ=differ)
        if not again:
            opened = form.get("Page", "")[:40]
            ballot.save(
                {
                    code: Given(answer, form.get(f"{row}-Base", ""), opened)
                    for row, (code, answer) in enumerate(zip(ballot.codes, answers, strict=True))
                    if code not in ballot.elsewhere
                }
            )
        if again or form.get("twice"):
            kind = "again"
            self.sitting.note_twice(session, ballot.taster)
        return self._to_next(session, place, kind)

    @property
    def _places(self) -> dict[str, str]:
        """Tasters by their place in the list, which a late one does not change."""
        return {str(place): name for place, name in enumerate(self.sitting.plan.tasters, 1)}

    def _taster(self, place: str) -> str:
        return self._places.get(place) or abort(404)

    def _ballot(self, session: str, place: str) -> Ballot:
        return self.sitting.ballots.get((session, self._taster(place))) or abort(404)

    def _page(self, name: str, **content: object) -> AnyResponse:
        """Fill a page; it names whose ballot was just stored, if the address does."""
        saved = self._places.get(request.args.get("saved", ""), "")
        return self.fill(name, say=SAY, saved=saved, **content)

    def _grid(
        self, place: str, ballot: Ballot, values: Cells, status: int = 200, **notes: object
    ) -> Response:
        """Show the cells of a ballot.

        `notes` may say that it is keyed `again`, and what is said beside cells: what is `wrong`
        there, or how they `differ` from the first keying.
        """
        notes = {"again": False, "wrong": {}, "differ": {}} | notes
        opened = secrets.token_urlsafe(12)
        page = self._page("key", place=place, ballot=ballot, values=values, page=opened, **notes)
        return make_response(page, status)

    def _to_next(self, session: str, place: str, kind: str) -> AnyResponse:
        """Go to the next paper ballot that has gaps (or was keyed once), else to the overview."""
        number, memory = int(place), self.sitting.memory
        places = list(self._places.items())
        for other, taster in (*places[number:], *places[: number - 1]):
            ballot = self.sitting.ballots.get((session, taster))
            if ballot is None or taster in memory.joined:
                continue  # who has joined tastes by phone
            once = ballot.begun and (session, taster) not in memory.twice
            if once if kind == "again" else ballot.gaps:
                return redirect(f"{self.base}/{session}/{kind}/{other}?saved={place}", 303)
        return redirect(f"{self.base}?saved={place}", 303)


def by_host_link(sitting: Sitting, join: Callable[[], str]) -> Callable[[str], HostPages]:
    """Show the pages of one sitting to whoever has the host's link, and take their own forms."""

    def find(link: str) -> HostPages:
        if not hmac.compare_digest(link.encode(), sitting.host_link.encode()):
            abort(404)
        base, ticket = f"/h/{link}", sitting.ticket(link)
        if request.method == "POST":
            own_form(ticket)

        def fill(name: str, **content: object) -> Response:
            frame = {"frame": "base.html.j2", "base": base, "ticket": ticket}
            return make_response(render_template(f"{name}.html.j2", **frame | content))

        return HostPages(sitting=sitting, base=base, fill=fill, join=join())

    return find


def _stored(ballot: Ballot) -> Cells:
    return [
        dict(zip((*ballot.part(code).names, "comment"), ballot.answer(code).cells, strict=True))
        for code in ballot.codes
    ]


def _typed(ballot: Ballot, form: Mapping[str, str]) -> Cells:
    parts = [(code, ballot.part(code)) for code in ballot.codes]
    return [
        {name: form.get(f"{row}-{name}", "").strip() for name in (*part.names, "comment")}
        | ({"set": code} if part.sets else {})
        for row, (code, part) in enumerate(parts)
    ]


def _differences(ballot: Ballot, second: Sequence[CupAnswer]) -> CellNotes:
    """Find cells that were keyed otherwise the first time, and what they were then."""
    return {
        (row, name): first or "blank"
        for row, code in enumerate(ballot.codes)
        for name, first, again in zip(
            ballot.part(code).names, ballot.answer(code).scores, second[row].scores, strict=True
        )
        if first != again and code not in ballot.elsewhere
    }


def qr_code(address: str) -> Markup | str:
    """Draw an address that phones can reach as a QR code, dark on light on every screen."""
    if not address or address.startswith("http://127."):
        return ""
    import segno  # noqa: PLC0415 - only where phones are let in

    code = segno.make(address, error="m", micro=False)
    return Markup(code.svg_inline(scale=4, border=4, dark="#000", light="#fff", omitsize=True))  # noqa: S704 - drawn here
