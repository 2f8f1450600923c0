"""The pages of the tasters: join, read the cautions, one cup at a time, the end."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from flask import Flask, Response, abort, jsonify, make_response, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from blindspoon.collect.ballots import (
    Answer,
    Ballot,
    Given,
    Stamp,
    by_cell,
    columns,
    read_answers,
    refuse,
    refuse_scores,
    steps,
    wants_json,
)
from blindspoon.collect.security import Door
from blindspoon.collect.sitting import Desk
from blindspoon.errors import Problem
from blindspoon.trial import Attribute

CLOSED = "This session is closed. Your answer is not saved; tell the host, who can open it again."
STALE = "The cups were changed since this page was opened. Open your link again."


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """A taster at a cup."""

    link: str
    ballot: Ballot
    place: int
    code: str

    @property
    def path(self) -> str:
        """Address of the cup."""
        return _path(self.link, self.ballot, self.place)

    def after(self, cups: int) -> str:
        """Address of the cup so many cups on, or back."""
        return _path(self.link, self.ballot, max(self.place + cups, 1))

    @property
    def last(self) -> bool:
        """Whether it is the last cup."""
        return self.place == len(self.ballot.paper.codes)


class TasterPages:
    """Handlers of what tasters open.

    Parameters
    ----------
    desk : Desk
    door : Door
    """

    def __init__(self, desk: Desk, door: Door) -> None:
        self._desk = desk
        self._door = door

    def add_to(self, app: Flask) -> None:
        """Register the addresses."""
        app.add_url_rule("/", "join", self.join)
        app.add_url_rule("/join", "take_name", self.take_name, methods=["POST"])
        app.add_url_rule("/t/<link>", "begin", self.begin)
        app.add_url_rule("/t/<link>/agree", "agree", self.agree, methods=["POST"])
        app.add_url_rule("/t/<link>/<session>/end", "end", self.end)
        app.add_url_rule("/t/<link>/<session>/<place>", "cup", self.cup)
        app.add_url_rule("/t/<link>/<session>/<place>", "answer", self.answer, methods=["POST"])

    def join(self, taken: str = "") -> str:
        """Let a taster pick their name."""
        plan, free = self._desk.plan, set(self._desk.free_names())
        names = [(place, name, name in free) for place, name in enumerate(plan.tasters)]
        ticket = self._door.ticket("join")
        return render_template(
            "join.html.j2", plan=plan, names=names, free=free, ticket=ticket, taken=taken
        )

    def take_name(self) -> AnyResponse:
        """Give the link of a name to the first who asks for it."""
        form = self._door.form("join")
        names = dict(enumerate(self._desk.plan.tasters))
        taster = {str(place): name for place, name in names.items()}.get(form.get("name", ""))
        if taster is None:
            abort(400)
        if not self._desk.join(taster):
            return make_response(self.join(taken=taster), 409)
        return redirect(f"/t/{self._desk.taster_link(taster)}", 303)

    def begin(self, link: str) -> AnyResponse:
        """Go on where the taster was."""
        taster = self._door.taster(link)
        ballot = self._desk.ballots.get((self._desk.session, taster))
        if ballot is None:
            return self._wait(link, taster)
        if not self._desk.has_agreed(self._desk.session, taster):
            return self._cautions(link, ballot)
        return redirect(_path(link, ballot, _first_open(ballot)), 303)

    def agree(self, link: str) -> AnyResponse:
        """Take down that the cautions were read."""
        taster = self._door.taster(link)
        form = self._door.form(link)
        if (form.get("session", ""), taster) in self._desk.ballots:
            self._desk.agree(form["session"], taster)
        return redirect(f"/t/{link}", 303)

    def cup(self, link: str, session: str, place: str) -> AnyResponse:
        """Show one cup."""
        seat = self._seat(link, session, place)
        taster = seat.ballot.paper.taster
        if session != self._desk.session or not self._desk.has_agreed(session, taster):
            return redirect(f"/t/{link}", 303)
        return make_response(self._show(seat, seat.ballot.contents.answer(seat.code)))

    def answer(self, link: str, session: str, place: str) -> AnyResponse:
        """Store what was filled in for one cup, then acknowledge it."""
        seat = self._seat(link, session, place)
        form, ballot = self._door.form(link), seat.ballot
        if session != self._desk.session:
            return refuse(409, CLOSED)
        if form.get("code") != seat.code or seat.code in ballot.elsewhere:
            return refuse(409, STALE)
        paper = ballot.paper
        (answer,), problems = read_answers(paper.attributes, [form], paper.file)
        if problems:
            return self._not_taken(seat, form, problems)
        given = {seat.code: Given(answer, form.get("base", ""))}
        receipt = ballot.save(given, _stamp(form))[seat.code]
        if wants_json():
            return jsonify(mark=receipt.mark, replaced=receipt.replaced)
        return redirect(_after(seat, form.get("go", ""), replaced=receipt.replaced), 303)

    def end(self, link: str, session: str) -> AnyResponse:
        """Thank the taster, and name the cups that are not scored."""
        taster = self._door.taster(link)
        ballot = self._desk.ballots.get((session, taster))
        if ballot is None:
            abort(404)
        gaps = [
            (code, _path(link, ballot, place))
            for place, code in enumerate(ballot.paper.codes, 1)
            if not ballot.done(code)
        ]
        return make_response(
            render_template(
                "end.html.j2",
                **self._common(link, ballot),
                gaps=gaps,
                open=session == self._desk.session,
                last=_path(link, ballot, len(ballot.paper.codes)),
                notice=_notice(ballot),
            )
        )

    def _seat(self, link: str, session: str, place: str) -> Seat:
        ballot = self._desk.ballots.get((session, self._door.taster(link)))
        codes = () if ballot is None else ballot.paper.codes
        known = {str(number): code for number, code in enumerate(codes, 1)}
        if ballot is None or place not in known:
            abort(404)
        return Seat(link=link, ballot=ballot, place=int(place), code=known[place])

    def _common(self, link: str, ballot: Ballot | None) -> dict[str, Any]:
        return {
            "plan": self._desk.plan,
            "base": f"/t/{link}",
            "ticket": self._door.ticket(link),
            "paper": ballot.paper if ballot else None,
        }

    def _wait(self, link: str, taster: str) -> Response:
        page = render_template(
            "wait.html.j2",
            **self._common(link, None),
            taster=taster,
            session=self._desk.session,
        )
        return make_response(page)

    def _cautions(self, link: str, ballot: Ballot) -> Response:
        return make_response(render_template("cautions.html.j2", **self._common(link, ballot)))

    def _not_taken(self, seat: Seat, form: Mapping[str, str], problems: list[Problem]) -> Response:
        if wants_json():
            return refuse_scores(problems)
        names = seat.ballot.paper.names
        typed = Answer(
            scores=tuple(form.get(name, "")[:200] for name in names),
            comment=form.get("comment", ""),
        )
        faults = {column: text for (_, column), text in by_cell(problems).items()}
        return make_response(self._show(seat, typed, faults), 422)

    def _show(self, seat: Seat, answer: Answer, faults: Mapping[str, str] | None = None) -> str:
        paper = seat.ballot.paper
        faults = faults or {}
        asked = [
            _question(attribute, value, faults.get(attribute.name, ""))
            for attribute, value in zip(paper.attributes, answer.scores, strict=True)
        ]
        return render_template(
            "cup.html.j2",
            **self._common(seat.link, seat.ballot),
            seat=seat,
            size=len(paper.codes),
            asked=asked,
            comment=answer.comment,
            comment_fault=faults.get("comment", ""),
            mark=seat.ballot.contents.answer(seat.code).mark,
            page=secrets.token_urlsafe(12),
            notice=_notice(seat.ballot),
        )


def _path(link: str, ballot: Ballot, place: int) -> str:
    """Address of a cup, or of the end where there are no more."""
    codes = ballot.paper.codes
    return f"/t/{link}/{ballot.paper.session}/{place if place <= len(codes) else 'end'}"


def _first_open(ballot: Ballot) -> int:
    """Find the first cup that is not scored; one more than there are where all are."""
    codes = ballot.paper.codes
    return next((n for n, code in enumerate(codes, 1) if not ballot.done(code)), len(codes) + 1)


def _after(seat: Seat, go: str, *, replaced: bool) -> str:
    """Say where a page without script goes once its answer is stored."""
    path = seat.after({"back": -1, "stop": len(seat.ballot.paper.codes)}.get(go, 1))
    return f"{path}?replaced={seat.place}" if replaced else path


def _notice(ballot: Ballot) -> str:
    """Name the cup whose earlier answer was just replaced, if the address says so."""
    known = {str(number): code for number, code in enumerate(ballot.paper.codes, 1)}
    return known.get(request.args.get("replaced", ""), "")


def _stamp(form: Mapping[str, str]) -> Stamp:
    turn = form.get("turn", "0")[:9]
    number = int(turn) if turn.isascii() and turn.isdigit() else 0
    return Stamp(page=form.get("page", "")[:40], turn=number)


def _question(attribute: Attribute, value: str, fault: str) -> dict[str, Any]:
    """Give what the page shows of an attribute; nothing in it tells a variant."""
    choices = steps(attribute.scale)
    return {
        "name": attribute.name,
        "label": attribute.label,
        "low": attribute.low,
        "high": attribute.high,
        "scale": attribute.scale,
        "steps": choices,
        "columns": columns(len(choices)),
        "value": value,
        "fault": fault,
    }
