"""Whose link it is.

Who may talk to the score page, and what their browser may do with it.
"""

from __future__ import annotations

import hmac
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Collection, Iterable, Mapping

from flask import Request, Response, abort, request

from blindspoon.collect.sitting import Desk

BODY_LIMIT = 64 * 1024
"""Bytes in the largest request body."""

HEADERS = {
    "Content-Security-Policy": "; ".join(
        (
            "default-src 'none'",
            "script-src 'self'",
            "style-src 'self'",
            "connect-src 'self'",
            "form-action 'self'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
        )
    ),
    # With no-referrer a browser sends "Origin: null" with a page's own forms, and they could not
    # be told from another site's. Links leave this origin with neither.
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}

_GUESSES = 20
_MINUTE = 60.0
_ADDRESSES = 1000

WSGI = Callable[..., Iterable[bytes]]


def only_for_hosts(app: WSGI, hosts: Collection[str]) -> WSGI:
    """Turn away requests that name another host, as a page of another site could make them do.

    Parameters
    ----------
    app : WSGI application
    hosts : collection of str
        Names with their port, in lower case, such as "127.0.0.1:8765".
    """

    def guarded(environ: Mapping[str, object], start: Callable[..., object]) -> Iterable[bytes]:
        if str(environ.get("HTTP_HOST", "")).lower() in hosts:
            return app(environ, start)
        body = b"This is not the address of the score page.\n"
        length = ("Content-Length", str(len(body)))
        start("421 Misdirected Request", [("Content-Type", "text/plain; charset=utf-8"), length])
        return [body]

    return guarded


def harden(response: Response) -> Response:
    """Put the headers of `HEADERS` on a response, and keep it out of every cache."""
    response.headers.update(HEADERS)
    response.headers.setdefault("Cache-Control", "no-store")
    return response


def see_own_form(request: Request, ticket: str) -> None:
    """Turn away a form that was not sent from a page of ours.

    Parameters
    ----------
    request : Request
    ticket : str
        What the page put into its form, and a page of another site cannot know.

    Raises
    ------
    HTTPException
        400, 403 or 415.
    """
    if request.mimetype != "application/x-www-form-urlencoded":
        abort(415)
    origin = request.headers.get("Origin")
    if origin is not None and origin != f"http://{request.host}":
        abort(403)
    if request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        abort(403)
    given = request.form.get("ticket", "")
    if not hmac.compare_digest(given.encode("utf-8", "replace"), ticket.encode()):
        abort(403)


class Guesses:
    """Counts links that do not exist, for each address, and turns away who asks for too many.

    Parameters
    ----------
    clock : callable
        Seconds, never going back.

    Examples
    --------
    >>> guesses = Guesses(clock=lambda: 0.0)
    >>> [guesses.too_many("192.0.2.1") for _ in range(21)].count(True)
    1
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._counts: OrderedDict[str, tuple[float, int]] = OrderedDict()

    def too_many(self, address: str) -> bool:
        """Count one more, and tell whether it is one too many within a minute."""
        now = self._clock()
        with self._lock:
            since, count = self._counts.pop(address, (now, 0))
            if now - since >= _MINUTE:
                since, count = now, 0
            self._counts[address] = (since, count + 1)
            while len(self._counts) > _ADDRESSES:
                self._counts.popitem(last=False)
            return count >= _GUESSES


class Door:
    """Lets in whoever has a link; every handler asks it first.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._guesses = Guesses()

    def taster(self, link: str) -> str:
        """Name the taster of a link; 404 where there is none, 429 after too many such."""
        taster = self._desk.taster_of(link)
        if taster is None:
            self._turn_away()
        return taster or ""

    def host(self, link: str) -> None:
        """See that it is the host's link."""
        if not hmac.compare_digest(link.encode(), self._desk.host_link.encode()):
            self._turn_away()

    def ticket(self, link: str) -> str:
        """Make what a page of this link puts into its forms."""
        return self._desk.memory.link("form", link)

    def form(self, link: str) -> Mapping[str, str]:
        """Give the form that was sent from a page of this link; see `see_own_form`."""
        see_own_form(request, self.ticket(link))
        return request.form

    def _turn_away(self) -> None:
        abort(429 if self._guesses.too_many(request.remote_addr or "") else 404)
