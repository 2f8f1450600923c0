"""Answers that are no page of their own: refusals, in words or as JSON for the script."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from flask import Response, jsonify, make_response, render_template, request

from blindspoon.errors import Problem

MESSAGES = {
    400: "This request cannot be understood.",
    403: "This form was not sent from a page of the score page. Open your link again.",
    404: "There is no such page. If the host gave you this link, ask for it again.",
    405: "This address takes no such request.",
    413: "This is longer than the score page takes.",
    415: "This is no form of the score page.",
    421: "This is not the address of the score page.",
    429: "Too many links that do not exist were tried from here. Wait a minute.",
    500: "Something went wrong on the host\u2019s computer. Tell the host.",
    503: "The answer could not be saved. Try again, and tell the host.",
}


def wants_json() -> bool:
    """Tell whether the script asks, which says so, and not a person."""
    return request.headers.get("Accept") == "application/json"


def refuse(code: int, message: str = "") -> Response:
    """Say no: a page for people, JSON for the script."""
    text = message or MESSAGES.get(code, MESSAGES[400])
    if wants_json():
        return make_response(jsonify(message=text), code)
    return make_response(render_template("message.html.j2", heading="Sorry", text=text), code)


def refuse_scores(problems: Sequence[Problem]) -> Response:
    """Say to the script what is wrong with an answer."""
    said = [{"field": problem.column, "text": say(problem)} for problem in problems]
    return make_response(jsonify(problems=said), 422)


def say(problem: Problem) -> str:
    """Say to a taster what is wrong with a score.

    Examples
    --------
    >>> say(Problem(slug="off-scale", file="", found="score 11 is off the scale",
    ...             allowed="trial.toml allows 0 to 10", remedy=""))
    'Score 11 is off the scale; the scale is 0 to 10.'
    """
    allowed = problem.allowed.replace("trial.toml allows", "the scale is")
    return f"{problem.found[:1].upper()}{problem.found[1:]}; {allowed}."


def by_cell(problems: Sequence[Problem]) -> Mapping[tuple[int, str], str]:
    """Order problems by row, from 0, and column."""
    return {((each.line or 2) - 2, each.column or ""): say(each) for each in problems}
