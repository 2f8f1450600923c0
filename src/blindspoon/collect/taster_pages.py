"""The pages of the tasters: join, read the cautions, one cup at a time, the end."""

import secrets
from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any, NamedTuple

from flask import Flask, Response, abort, jsonify, make_response, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from blindspoon import wording
from blindspoon.collect.ballots import (
    YES_NO,
    Ballot,
    BallotFile,
    CupAnswer,
    Given,
    Question,
    SetQuestion,
    read_answer,
    written,
)
from blindspoon.collect.host_pages import qr_code
from blindspoon.collect.languages import seconds_of, spoken, words_of
from blindspoon.collect.security import own_form, refuse, wants_json
from blindspoon.collect.sitting import Sitting
from blindspoon.trial import Attribute

MOST_NUMBERS = 11  # steps of a line that have room for their number on the narrowest phone
MOST_LINKS = 100  # in the cookie of a phone that is passed on
WEEK = 7 * 24 * 3600  # seconds for which a phone is known again


@lru_cache(maxsize=500)
def asking(
    language: str, question: Question, code: str, cups: tuple[str, ...], value: str, fault: str
) -> str:
    """Make the part of a page that asks a question of a cup, or of the `cups` of a set.

    It is the same on many pages, and most of the work of making one.
    """
    scale = question.scale if isinstance(question, Attribute) else None
    options = question.options[code] if isinstance(question, SetQuestion) else YES_NO
    steps = scale.side_by_side() if scale else ()
    return render_template(
        "question.html.j2",
        say=words_of(language).of("sets" if cups else "cups"),
        question=question,
        cups=cups,
        options=() if scale else options,
        steps=[written(step) for step in steps],
        every=-(-len(steps) // MOST_NUMBERS),
        fine=scale and written(scale.step or 10.0 ** -wording.digits_for(scale)),
        value=value,
        fault=fault,
    )


class Seat(NamedTuple):
    """A taster at a cup; `place` counts from 1."""

    link: str
    ballot: Ballot
    place: int

    @property
    def code(self) -> str:
        return self.ballot.codes[self.place - 1]

    @property
    def part(self) -> BallotFile:
        """The file that it is answered in."""
        return self.ballot.part(self.code)

    @property
    def last(self) -> bool:
        return self.place == len(self.ballot.codes)

    def path(self, cups: int = 0) -> str:
        """Address of the cup so many cups on, or back; after the last one, of the look over all."""
        place = max(self.place + cups, 1)
        name = place if place <= len(self.ballot.codes) else "look"
        return f"/t/{self.link}/{self.ballot.session}/{name}"

    @property
    def end(self) -> str:
        return f"/t/{self.link}/{self.ballot.session}/end"


def _links() -> list[str]:
    """Give the last links that were opened on this phone, those of other tastings as well."""
    return [link for link in request.cookies.get("links", "").split(".") if link][-MOST_LINKS:]


def _known_by(cookie: str, text: str, page: str | AnyResponse) -> Response:
    response = make_response(page)
    response.set_cookie(cookie, text, max_age=WEEK, httponly=True, samesite="Lax")
    return response


def _whole(text: str) -> int:
    """Read a whole number that the script sends; 0 for what is none."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 13 else 0


def _seats(link: str, ballot: Ballot) -> list[Seat]:
    return [Seat(link, ballot, place) for place in range(1, len(ballot.codes) + 1)]


class TasterPages:
    """Handlers of what tasters open, and `where` they join."""

    def __init__(self, sitting: Sitting, where: Callable[[], str] = lambda: "") -> None:
        self._sitting = sitting
        self._where = where

    def add_to(self, app: Flask) -> None:
        app.add_url_rule("/", "join", self.join)
        app.add_url_rule("/join", "take_name", self.take_name, methods=["POST"])
        app.add_url_rule("/t/<link>", "begin", self.begin)
        app.add_url_rule("/t/<link>/now", "now", self.now)
        app.add_url_rule("/t/<link>/leave", "leave", self.leave, methods=["POST"])
        app.add_url_rule("/t/<link>/agree", "agree", self.agree, methods=["POST"])
        app.add_url_rule("/screen", "screen", self.screen)
        app.add_url_rule("/screen/now", "screen now", lambda: self.screen("out"))
        app.add_url_rule("/t/<link>/<session>/look", "look", self.look)
        app.add_url_rule("/t/<link>/<session>/end", "end", self.end)
        app.add_url_rule("/t/<link>/<session>/<place>", "cup", self.cup)
        app.add_url_rule("/t/<link>/<session>/<place>", "answer", self.answer, methods=["POST"])

    def join(self, taken: str = "") -> Response:
        """Let a taster pick their name; a phone is known again by its name or its own link."""
        sitting = self._sitting
        sitting.look_for_late()
        plan = sitting.plan
        device = request.cookies.get("device", "")[:40] or secrets.token_urlsafe(16)
        links = {name: sitting.taster_link(name) for name in sitting.names_of(device)}
        links |= self._mine()
        free = {*links, *sitting.free_names()}
        page = render_template(
            "join.html.j2",
            plan=plan,
            names=[name for name in plan.tasters if name in free],
            mine=() if taken or "other" in request.args else links.items(),
            ticket_of=sitting.ticket,
            device=device,
            taken=taken,
        )
        return _known_by("device", device, page)

    def take_name(self) -> AnyResponse:
        """Give the link of a name to the first who asks for it."""
        form = self._form("join")
        taster, device = form.get("name", ""), form.get("device", "")[:40]
        if taster not in self._sitting.plan.tasters or not device.isascii() or not device:
            abort(400)
        if taster not in self._mine() and not self._sitting.join(taster, device):
            return make_response(self.join(taken=taster), 409)
        return redirect(f"/t/{self._sitting.taster_link(taster)}", 303)

    def begin(self, link: str) -> AnyResponse:
        """Lead a taster to what they do next; their phone is known again by its own link."""
        links = dict.fromkeys((*_links(), link))
        return _known_by("links", ".".join(links), self._next(link))

    def _next(self, link: str) -> AnyResponse:
        taster, session = self._taster(link), self._sitting.session
        ballot = self._sitting.ballots.get((session, taster))
        known: dict[str, Any] = {"taster": taster, "leave": self._sitting.may_leave(taster)}
        if ballot is None:
            return self._page("wait", link, session=session, **known)
        if not self._sitting.has_agreed(session, taster):
            return self._page("cautions", link, ballot=ballot, **known)
        gaps = [seat.path() for seat in _seats(link, ballot) if seat.code in ballot.gaps]
        return redirect(gaps[0] if gaps else f"/t/{link}/{session}/end", 303)

    def now(self, link: str) -> Response:
        """Name the session in which the taster has cups to score now; empty for none."""
        return jsonify(session=self._sitting.session_of(self._taster(link)))

    def leave(self, link: str) -> AnyResponse:
        """Give a name back, unless somebody went on with it; then show the names."""
        taster = self._taster(link)
        self._form(link)
        if self._sitting.may_leave(taster):
            self._sitting.renew(taster)
        begun = self._sitting.has_begun(taster)
        links = ".".join(it for it in _links() if begun or it != link)
        return _known_by("links", links, redirect("/?other=1", 303))

    def agree(self, link: str) -> AnyResponse:
        taster = self._taster(link)
        session = self._form(link).get("session", "")
        if (session, taster) in self._sitting.ballots:
            self._sitting.agree(session, taster)
        return redirect(f"/t/{link}", 303)

    def cup(self, link: str, session: str, place: str) -> AnyResponse:
        seat = self._seat(link, session, place)
        if not self._may_taste(seat.ballot):
            return redirect(f"/t/{link}", 303)
        return self._show(seat, seat.ballot.answer(seat.code), {})

    def look(self, link: str, session: str) -> AnyResponse:
        ballot = self._ballot(link, session)
        if not self._may_taste(ballot):
            return redirect(f"/t/{link}", 303)
        return self._page("look", link, ballot=ballot, seats=_seats(link, ballot))

    def answer(self, link: str, session: str, place: str) -> AnyResponse:
        """Store what was filled in for one cup, then acknowledge it."""
        seat = self._seat(link, session, place)
        form, ballot = self._form(link), seat.part
        if form.get("code") != seat.code or seat.code in ballot.elsewhere:
            return refuse(409, spoken()("error_stale"))
        sent = {**form, "set": seat.code} if ballot.sets else form
        answer, problems = read_answer(ballot.attributes, sent, ballot.file)
        if problems:
            said = spoken().faults(problems, ballot.attributes, form)
            if wants_json():
                fields = [{"field": column, "text": text} for column, text in said.items()]
                return make_response(jsonify(problems=fields), 422)
            scores = tuple(form.get(name, "")[:200] for name in ballot.names)
            typed = CupAnswer(scores=scores, comment=form.get("comment", ""))
            return make_response(self._show(seat, typed, said), 422)
        turn, ago = (_whole(form.get(name, "")) for name in ("Turn", "Ago"))
        page = form.get("Page", "")[:40]
        given = Given(answer, form.get("Base", ""), page, turn, ago / 1000)
        if session != self._sitting.session and answer != ballot.answer(seat.code):
            return refuse(409, spoken()("error_late", session=session))
        stored, news = seat.ballot.save({seat.code: given})[seat.code]
        self._sitting.note_day(session, given.ago)
        if wants_json():
            cells = zip((*ballot.names, "comment"), stored.cells, answer.cells, strict=True)
            filled = {name: text for name, text, sent in cells if text != sent}
            say = spoken().of(ballot.kind)
            text = say(news, cup=say("cup_title", code=seat.code)) if news else ""
            return jsonify(mark=stored.mark, told=text, filled=filled)
        go = form.get("go", "")
        path = seat.end if go == "stop" else seat.path(-1 if go == "back" else 1)
        return redirect(f"{path}?replaced={seat.place}" if news == "replaced" else path, 303)

    def end(self, link: str, session: str) -> AnyResponse:
        """Thank the taster, name the cups that are not scored, and say what comes next."""
        ballot, sitting = self._ballot(link, session), self._sitting
        if not sitting.has_agreed(session, ballot.taster):
            return redirect(f"/t/{link}", 303)  # nobody sees codes before the session is open
        return self._page(
            "end",
            link,
            ballot=ballot,
            gaps=[seat for seat in _seats(link, ballot) if seat.code in ballot.gaps],
            now=sitting.session_of(ballot.taster),
            next=sitting.session_after(session, ballot.taster),
        )

    def screen(self, name: str = "screen") -> Response:
        """Show to everybody where tasters join and who has not finished, and nothing secret."""
        sitting, address = self._sitting, self._where()
        sitting.look_for_late()
        ballots, joined = sitting.ballots_of(sitting.session), sitting.memory.joined
        # what stands there of somebody who has not joined was keyed in from paper
        out = [it.taster for it in ballots if it.gaps and (it.taster in joined or not it.begun)]
        page = render_template(
            f"{name}.html.j2",
            plan=sitting.plan,
            session=sitting.session,
            ballots=len(ballots),
            done=len(ballots) - len(out),
            out=out,
            tasting=[taster for taster in out if taster in joined],
            absent=[taster for taster in out if taster not in joined],
            address=address,
            qr=qr_code(address),
        )
        return make_response(page)

    def _taster(self, link: str) -> str:
        return self._sitting.taster_of(link) or abort(404)

    def _mine(self) -> dict[str, str]:
        """Give the links of this tasting that were opened on this phone, by whose they are."""
        return {taster: link for link in _links() if (taster := self._sitting.taster_of(link))}

    def _form(self, link: str) -> Mapping[str, str]:
        return own_form(self._sitting.ticket(link))

    def _may_taste(self, ballot: Ballot) -> bool:
        session, sitting = ballot.session, self._sitting
        return session == sitting.session and sitting.has_agreed(session, ballot.taster)

    def _ballot(self, link: str, session: str) -> Ballot:
        ballot = self._sitting.ballots.get((session, self._taster(link)))
        if ballot is None:
            abort(404)
        return ballot

    def _seat(self, link: str, session: str, place: str) -> Seat:
        ballot = self._ballot(link, session)
        seats = {str(seat.place): seat for seat in _seats(link, ballot)}
        return seats[place] if place in seats else abort(404)

    def _page(
        self, name: str, link: str, ballot: Ballot | None = None, **content: object
    ) -> Response:
        """Show a page; it says which answer was just replaced, if the address does."""
        say, said = spoken(), ""
        known = {str(place): code for place, code in enumerate(ballot.codes if ballot else (), 1)}
        if ballot and (code := known.get(request.args.get("replaced", ""))):
            words = say.of(ballot.part(code).kind)
            said = words("replaced", cup=words("cup_title", code=code))
        page = render_template(
            f"{name}.html.j2",
            plan=self._sitting.plan,
            base=f"/t/{link}",
            ticket=self._sitting.ticket(link),
            ballot=ballot,
            replaced=said,
            **{"say": say.of(ballot.kind) if ballot else say, **content},
        )
        return make_response(page)

    def _show(self, seat: Seat, answer: CupAnswer, wrong: Mapping[str, str]) -> Response:
        """Show a cup, with what is filled in for it and what is wrong with that."""
        part, language = seat.part, spoken().language
        cups = part.sets.get(seat.code, ())
        seats = [place for place in _seats(seat.link, seat.ballot) if place.place > seat.place]
        return self._page(
            "cup",
            seat.link,
            ballot=seat.ballot,
            say=spoken().of(part.kind),
            seat=seat,
            asked=[
                asking(language, question, seat.code, cups, value, wrong.get(question.name, ""))
                for question, value in zip(part.attributes, answer.scores, strict=True)
            ],
            ahead=[place.path() for place in seats] + [seat.path(len(seat.ballot.codes))],
            rest=seconds_of(self._sitting.plan.tasting.rest),
            comment=answer.comment,
            mark=seat.ballot.answer(seat.code).mark,
            page=secrets.token_urlsafe(12),
        )
