"""Who may talk to the score page, what their browser may do with it, and how others are refused."""

import hmac
from collections.abc import Callable, Collection, Iterable, Mapping

from flask import Response, abort, jsonify, make_response, render_template, request

from blindspoon.collect.languages import spoken

BODY_LIMIT = 64 * 1024  # bytes in the largest request body

HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    # With no-referrer a browser sends "Origin: null" with a page's own forms, and they could not
    # be told from another site's. Links leave this origin with neither.
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}

MISDIRECTED = b"This is not the address of the score page.\n"

WSGI = Callable[..., Iterable[bytes]]


def wants_json() -> bool:
    """Tell whether the script asks, which says so, and not a person."""
    return request.headers.get("Accept") == "application/json"


def refuse(code: int, message: str = "") -> Response:
    """Say no: a page for people, JSON for the script."""
    say = spoken()
    text = message or say(f"error_{code}" if f"error_{code}" in say else "error_400")
    if wants_json():
        return make_response(jsonify(message=text), code)
    return make_response(render_template("message.html.j2", text=text), code)


def only_for_hosts(app: WSGI, hosts: Callable[[], Collection[str]]) -> WSGI:
    """Turn away requests that name another host, as a page of another site could make them do.

    `hosts` gives names with their port, in lower case, such as "127.0.0.1:8765".
    """

    def guarded(environ: Mapping[str, object], start: Callable[..., object]) -> Iterable[bytes]:
        if str(environ.get("HTTP_HOST", "")).lower() in hosts():
            return app(environ, start)
        length = ("Content-Length", str(len(MISDIRECTED)))
        start("421 Misdirected Request", [("Content-Type", "text/plain; charset=utf-8"), length])
        return [MISDIRECTED]

    return guarded


def harden(
    response: Response, headers: Mapping[str, str] = HEADERS, cache: str = "no-store"
) -> Response:
    """Put these headers on a response where it has none of its own."""
    for name, value in {**headers, "Cache-Control": cache}.items():
        response.headers.setdefault(name, value)
    return response


def own_form(ticket: str, *, files: bool = False) -> Mapping[str, str]:
    """Give the form that was sent from a page with this ticket; 403 or 415 from elsewhere."""
    kinds = {"application/x-www-form-urlencoded"} | ({"multipart/form-data"} if files else set())
    if request.mimetype not in kinds:
        abort(415)
    origin = request.headers.get("Origin")
    if origin is not None and origin != f"http://{request.host}":
        abort(403)
    if request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        abort(403)
    given = request.form.get("ticket", "")
    if not hmac.compare_digest(given.encode("utf-8", "replace"), ticket.encode()):
        abort(403)
    return request.form
