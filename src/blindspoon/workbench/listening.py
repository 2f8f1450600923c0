"""Serving the workbench to this computer alone, once a shelf."""

from __future__ import annotations

import http.client
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from waitress import wasyncore  # type: ignore[import-untyped]

from blindspoon.collect import connections, server
from blindspoon.collect.security import only_for_hosts
from blindspoon.errors import FormError
from blindspoon.files import own_state
from blindspoon.workbench.app import BODY_LIMIT, create_workbench
from blindspoon.workbench.door import Door

PORT = 8770
"""Where the pages are served if nothing else is asked for; the next free port where it is taken."""

TRIED = 20


def running(shelf: Path, door: Door) -> str:
    """Give the address of a workbench that has this shelf open; empty where none has."""
    port = own_state.open_shelves().get(str(shelf))
    if port is None:
        return ""
    asked = http.client.HTTPConnection("127.0.0.1", port, timeout=2)
    try:
        asked.request("GET", "/here")
        found = asked.getresponse().read(200).decode(errors="replace")
    except (OSError, http.client.HTTPException):
        return ""
    finally:
        asked.close()
    return f"http://127.0.0.1:{port}/" if found == door.proof("here", str(shelf)) else ""


def serve(shelf: Path, door: Door, port: int | None, ready: Callable[[str], None]) -> None:
    """Serve the pages of a shelf until Ctrl-C, or until the host closes them.

    Parameters
    ----------
    shelf : Path
        Absolute.
    port : int or None
        Where it listens; None takes `PORT`, or the next one that is free.
    ready : callable
        Is given the address, with a slash at its end, once a page can be opened.

    Raises
    ------
    FormError
        If the port is taken.
    """
    with _first_free(port) as listener:
        bound = int(listener.getsockname()[1])
        channels: dict[int, Any] = {}

        def close() -> None:
            later = threading.Timer(0.3, made.trigger.pull_trigger, [stop])
            later.daemon = True
            later.start()

        def stop() -> None:
            wasyncore.close_all(channels)

        bench = create_workbench(shelf, door, bound, close)
        names = frozenset({f"127.0.0.1:{bound}"})
        guarded = only_for_hosts(bench.app, lambda: names)
        made = connections.make_server(guarded, [listener], channels, limit=BODY_LIMIT)
        own_state.note_open(own_state.open_shelves() | {str(shelf): bound})
        ready(f"http://127.0.0.1:{bound}/")
        try:
            made.run()  # returns at Ctrl-C, and where everything is closed
        finally:
            bench.sittings.leave_all()
            wasyncore.close_all(channels)


def _first_free(port: int | None) -> Any:  # noqa: ANN401 - a context of a socket
    if port is not None:
        return server.listening("127.0.0.1", port)
    for tried in range(PORT, PORT + TRIED):
        try:
            with server.listening("127.0.0.1", tried) as listener:
                return listener.dup()
        except FormError:
            continue
    return server.listening("127.0.0.1", 0)
