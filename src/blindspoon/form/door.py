"""Whose link it is."""

from __future__ import annotations

import hmac
from collections.abc import Mapping

from flask import abort, request

from blindspoon.form.desk import Desk
from blindspoon.form.guard import Guesses, see_own_form


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
