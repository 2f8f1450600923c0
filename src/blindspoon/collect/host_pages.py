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
from blindspoon.collect.security import faults, own_form
from blindspoon.collect.sitting import Sitting

Cells = Sequence[Mapping[str, str]]  # texts of the grid by column, a mapping a cup
Told = dict[tuple[int, str], str]  # what is said beside cells of the grid, by row and column
SAY = words_of("en")


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """The tasting that a request is about, for whoever may see it, and how its pages are made.

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

    def page(self, name: str, **content: object) -> AnyResponse:
        return self.fill(name, say=SAY, **content)

    @property
    def places(self) -> dict[str, str]:
        """Tasters by their place in the list, which a late one does not change."""
        return {str(place): name for place, name in enumerate(self.sitting.plan.tasters, 1)}

    def taster(self, place: str) -> str:
        """Name the taster of a place; 404 where there is none."""
        if place not in self.places:
            abort(404)
        return self.places[place]

    def ballot(self, session: str, place: str) -> Ballot:
        """Give the ballot of a place; 404 where there is none."""
        ballot = self.sitting.ballots.get((session, self.taster(place)))
        if ballot is None:
            abort(404)
        return ballot


class HostPages:
    """Handlers of what the host opens, with the word of the address that says which tasting it is.

    `find` gives the desk, and turns away whoever may not see it; `form` gives what one of its pages
    sent.
    """

    def __init__(
        self, find: Callable[[str], Desk], form: Callable[[str], Mapping[str, str]]
    ) -> None:
        self._find = find
        self._form = form

    @classmethod
    def of_link(cls, sitting: Sitting, join: Callable[[], str]) -> HostPages:
        """Make them for one sitting, for whoever has the host's link."""

        def find(link: str) -> Desk:
            if not hmac.compare_digest(link.encode(), sitting.host_link.encode()):
                abort(404)
            base = f"/h/{link}"

            def fill(name: str, **content: object) -> Response:
                own = {"frame": "base.html.j2", "base": base, "ticket": sitting.ticket(link)}
                return make_response(render_template(f"{name}.html.j2", **own | content))

            return Desk(sitting=sitting, base=base, fill=fill, join=join())

        return cls(find, lambda link: own_form(sitting.ticket(link)))

    def add_to(self, app: Flask, base: str = "/h/<link>") -> None:
        """Register the addresses."""
        for path, method, handler in (
            ("", "GET", self.overview),
            ("/<any(progress):name>", "GET", self.overview),
            ("/session", "POST", self.session),
            ("/taster/<place>", "GET", self.taster),
            ("/taster/<place>", "POST", self.renew),
            ("/<session>/<any(key, again):kind>/<place>", "GET", self.grid),
            ("/<session>/<any(key, again):kind>/<place>", "POST", self.key),
        ):
            name = f"host {handler.__name__}"
            app.add_url_rule(f"{base}{path}", name, handler, methods=[method])

    def overview(self, link: str, name: str = "host") -> AnyResponse:
        """Show how far everybody is, or give the part of the page that changes: its progress."""
        desk = self._find(link)
        sitting = desk.sitting
        sitting.reconcile()
        open_first = sorted(sitting.plan.sessions, key=lambda name: name != sitting.session)
        return desk.page(
            name,
            plan=sitting.plan,
            memory=sitting.memory,
            warnings=sitting.warnings,
            places={taster: place for place, taster in desk.places.items()},
            tables={session: sitting.ballots_of(session) for session in open_first},
            join=desk.join,
            phones=desk.phones,
            qr=qr_code(desk.join),
        )

    def session(self, link: str) -> AnyResponse:
        """Open a session, or close the one that is open; ask where somebody has not finished."""
        desk = self._find(link)
        form = self._form(link)
        name = form.get("session", "")
        if name and name not in desk.sitting.plan.sessions:
            abort(400)
        now = desk.sitting.session
        unfinished = [ballot for ballot in desk.sitting.ballots_of(now) if ballot.gaps]
        if unfinished and name != now and not form.get("sure"):
            return desk.page("close_session", session=now, next=name, unfinished=unfinished)
        desk.sitting.open_session(name)
        return redirect(desk.base, 303)

    def taster(self, link: str, place: str) -> AnyResponse:
        """Show the own link of one taster."""
        desk = self._find(link)
        taster = desk.taster(place)
        address = f"{desk.join}t/{desk.sitting.taster_link(taster)}" if desk.join else ""
        return desk.page("link", taster=taster, place=place, join=address, qr=qr_code(address))

    def renew(self, link: str, place: str) -> AnyResponse:
        """Make a taster's link anew."""
        desk = self._find(link)
        taster = desk.taster(place)
        if self._form(link).get("taster", taster) != taster:
            abort(409)
        desk.sitting.renew(taster)
        return redirect(f"{desk.base}/taster/{place}", 303)

    def grid(self, link: str, session: str, kind: str, place: str) -> AnyResponse:
        """Show a paper ballot to key in: what is there already, or blank to key it again."""
        desk = self._find(link)
        ballot, again = desk.ballot(session, place), kind == "again"
        values = _typed(ballot, {}) if again else _stored(ballot)
        return _grid(desk, place, ballot, values, again=again)

    def key(self, link: str, session: str, kind: str, place: str) -> AnyResponse:
        """Store a paper ballot, or compare a second keying with the first.

        Nothing is stored where a cell is wrong, or where a second keying differs.
        """
        desk = self._find(link)
        ballot, again, form = desk.ballot(session, place), kind == "again", self._form(link)
        if form.get("taster", ballot.taster) != ballot.taster:
            abort(409)  # the list was sorted anew since the page was opened
        typed = _typed(ballot, form)
        answers, wrong = [], Told()
        for row, (code, cells) in enumerate(zip(ballot.codes, typed, strict=True)):
            attributes = ballot.part(code).attributes
            answer, problems = read_answer(attributes, cells, place)
            answers.append(answer)
            told = faults(SAY, problems, attributes, cells)
            wrong |= {(row, column): text for column, text in told.items()}
        if wrong:
            return _grid(desk, place, ballot, typed, 422, again=again, wrong=wrong)
        if again and (differ := _differences(ballot, answers)):
            pairs = zip(typed, _stored(ballot), strict=True)
            values = [{**row, "comment": first["comment"]} for row, first in pairs]
            return _grid(desk, place, ballot, values, 409, differ=differ)
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
            desk.sitting.note_twice(session, ballot.taster)
        return _to_next(desk, session, place, kind)


def _grid(
    desk: Desk, place: str, ballot: Ballot, values: Cells, status: int = 200, **told: object
) -> Response:
    """Show the cells of a ballot; it names whose was just stored, if the address does.

    `told` may say that it is keyed `again`, and what is said beside cells: what is `wrong` there,
    or how they `differ` from the first keying.
    """
    saved = desk.places.get(request.args.get("saved", ""), "")
    content = {"again": False, "wrong": {}, "differ": {}, "page": secrets.token_urlsafe(12)} | told
    page = desk.page("key", place=place, ballot=ballot, values=values, saved=saved, **content)
    return make_response(page, status)


def _to_next(desk: Desk, session: str, place: str, kind: str) -> AnyResponse:
    """Go to the next paper ballot that has gaps (or was keyed once), else to the overview."""
    number, memory = int(place), desk.sitting.memory
    places = list(desk.places.items())
    for other, taster in (*places[number:], *places[: number - 1]):
        ballot = desk.sitting.ballots.get((session, taster))
        if ballot is None or taster in memory.joined:
            continue  # who has joined tastes by phone
        once = ballot.in_order() and (session, taster) not in memory.twice
        if once if kind == "again" else ballot.gaps:
            return redirect(f"{desk.base}/{session}/{kind}/{other}?saved={place}", 303)
    return redirect(desk.base, 303)


def _stored(ballot: Ballot) -> Cells:
    """Give what a ballot holds."""
    return [
        dict(zip((*ballot.part(code).names, "comment"), ballot.answer(code).cells, strict=True))
        for code in ballot.codes
    ]


def _typed(ballot: Ballot, form: Mapping[str, str]) -> Cells:
    """Take the cells of the grid from its form."""
    parts = [(code, ballot.part(code)) for code in ballot.codes]
    return [
        {name: form.get(f"{row}-{name}", "").strip() for name in (*part.names, "comment")}
        | ({"set": code} if part.sets else {})
        for row, (code, part) in enumerate(parts)
    ]


def _differences(ballot: Ballot, second: Sequence[CupAnswer]) -> Told:
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
