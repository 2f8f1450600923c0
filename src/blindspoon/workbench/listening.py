"""Serving the workbench to this computer alone, once a shelf, behind the host's door.

Who has the secret of this computer's user gets a cookie, and nobody else a page.
"""

import contextlib
import http.client
from collections.abc import Callable
from pathlib import Path

from blindspoon.collect.ports import listening, near
from blindspoon.files import own_state
from blindspoon.files.own_state import Door

PORT = 8770
"""Where the pages are served if nothing else is asked for; the next free port where it is taken."""


def running(shelf: Path, door: Door) -> str:
    """Give the address of a workbench that has this shelf open; empty where none has."""
    port = own_state.open_shelves().get(str(shelf))
    if port is None:
        return ""
    asked, found = http.client.HTTPConnection("127.0.0.1", port, timeout=2), ""
    with contextlib.closing(asked), contextlib.suppress(OSError, http.client.HTTPException):
        asked.request("GET", "/here")
        found = asked.getresponse().read(200).decode(errors="replace")
    return f"http://127.0.0.1:{port}/" if found == door.proof("here", str(shelf)) else ""


def serve(shelf: Path, door: Door, port: int | None, ready: Callable[[str], None]) -> None:
    """Serve the pages of a shelf, an absolute path, until Ctrl-C, or until the host closes them.

    Port None takes `PORT`, or the next one that is free. `ready` is given the address, with a
    slash at its end, once a page can be asked for: the browser starts while the pages are loaded,
    and waits for the first of them. FormError where the port is taken.
    """
    ports = near(PORT) if port is None else (port,)
    with listening("127.0.0.1", *ports, whose="Blindspoon") as listener:
        bound = int(listener.getsockname()[1])
        own_state.note_open(own_state.open_shelves() | {str(shelf): bound})
        ready(f"http://127.0.0.1:{bound}/")
        from blindspoon.collect.security import only_for_hosts  # noqa: PLC0415 - while it starts
        from blindspoon.collect.server import Server  # noqa: PLC0415
        from blindspoon.workbench.app import FILES_LIMIT, Workbench  # noqa: PLC0415

        bench = Workbench(shelf, door, bound)
        names = frozenset({f"127.0.0.1:{bound}"})
        guarded = only_for_hosts(bench.app, lambda: names)
        made = Server(listener, guarded, limit=8 * FILES_LIMIT)  # a page says it is too much
        bench.close = made.end
        try:
            made.run()  # returns at Ctrl-C, and where the host closes
        finally:
            bench.sittings.leave_all()
