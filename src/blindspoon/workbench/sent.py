"""What a form meets that was sent: a change from elsewhere, or itself, sent before."""

import threading
from collections.abc import Collection, Mapping
from typing import NamedTuple, Self

from flask import Flask, g, redirect, request
from werkzeug.wrappers import Response

from blindspoon.collect.security import wants_json


class Merged(NamedTuple):
    """What was typed, brought together with what was written elsewhere meanwhile, by place."""

    values: dict[str, str]
    theirs: dict[str, str]
    """What stands there now of a field that both changed: the page asks beside it."""

    @classmethod
    def of(
        cls,
        typed: Mapping[str, str],
        now: Mapping[str, str],
        before: Mapping[str, str] | None,
        picked: Collection[str],
    ) -> Self:
        """Take what stands now where the host left a field as it was, or would rather have that.

        `before` is what the form was filled with; None where nothing changed since.

        >>> Merged.of({"a": "1", "b": "2"}, {"a": "5", "b": "6"}, {"a": "1", "b": "3"}, ())
        Merged(values={'a': '5', 'b': '2'}, theirs={'b': '6'})
        """
        values, theirs = dict(typed), dict[str, str]()
        for place, text in typed.items():
            if place not in now:
                continue
            was = None if before is None else before.get(place, "")
            if text == was or place in picked:
                values[place] = now[place]
            elif was is not None and text != now[place] != was:
                theirs[place] = now[place]
        return cls(values, theirs)

    @property
    def faults(self) -> dict[str, str]:
        """What is said beside the fields that both changed."""
        shown = {place: f"“{text}”" if text else "nothing" for place, text in self.theirs.items()}
        changed = "Changed elsewhere meanwhile: {} stands there now."
        return {place: changed.format(text) for place, text in shown.items()}


class SentOnce:
    """A form that makes something new has a word "once" in it, and makes it once.

    Where it was sent before, by a double tap or a reload, it leads where it led then. One is taken
    at a time, from before its handler until after its answer.
    """

    def __init__(self, app: Flask) -> None:
        self._led: dict[str, str] = {}
        self._one_at_a_time = threading.Lock()
        app.before_request(self._begin)
        app.after_request(self._note)
        app.teardown_request(self._end)

    def _begin(self) -> Response | None:
        if not request.form.get("once") or wants_json():
            return None
        files = (file.filename for _, file in request.files.items(multi=True))
        sent = repr((sorted(request.form.items(multi=True)), *files))
        self._one_at_a_time.acquire()
        g.sent_once = sent
        led = self._led.get(g.sent_once)
        return redirect(led, 303) if led else None

    def _note(self, response: Response) -> Response:
        if "sent_once" in g and response.status_code == 303:
            self._led[g.sent_once] = response.location or "/"
        return response

    def _end(self, _: BaseException | None) -> None:
        if g.pop("sent_once", None):
            self._one_at_a_time.release()
