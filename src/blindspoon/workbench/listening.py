"""Serving the workbench to this computer alone, once a shelf, behind the host's door.

Who has the secret of this computer's user gets a cookie, and nobody else a page.
"""

import contextlib
import hashlib
import hmac
import http.client
import secrets
import threading
from collections.abc import Callable
from pathlib import Path

from blindspoon.collect.ports import listening, near
from blindspoon.files import own_state

PORT = 8770
"""Where the pages are served if nothing else is asked for; the next free port where it is taken."""


class Door:
    """Passes, cookie and ticket, all made from one secret.

    A pass stands in an address once: on the way to the browser it is seen by other programs. One
    that is printed in the host's own terminal opens as often as it is asked.

    >>> door = Door(b"secret")
    >>> once, printed = door.new_pass(), door.new_pass(again=True)
    >>> [door.admits(text) for text in (once, once, printed, printed, "other")]
    [True, False, True, True, False]
    """

    def __init__(self, secret: bytes) -> None:
        self._secret = secret
        self._used: set[str] = set()

    def new_pass(self, *, again: bool = False) -> str:
        """Make what stands in an address."""
        nonce = ("again" if again else "once") + secrets.token_hex(16)
        return f"{nonce}.{self.proof('pass', nonce)}"

    def admits(self, text: str) -> bool:
        """Tell whether a pass is right, and was not used before."""
        nonce, _, proof = text.partition(".")
        right = hmac.compare_digest(proof.encode(), self.proof("pass", nonce).encode())
        if not right or nonce in self._used:
            return False
        if nonce.startswith("once"):
            self._used.add(nonce)
        return True

    def proof(self, kind: str, of: str = "") -> str:
        """Show that the secret is known, without telling it."""
        return hmac.digest(self._secret, f"{kind}:{of}".encode(), hashlib.sha256).hex()


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
        listener.listen()
        own_state.note_open(own_state.open_shelves() | {str(shelf): bound})
        ready(f"http://127.0.0.1:{bound}/")
        from blindspoon.collect.security import only_for_hosts  # noqa: PLC0415 - while it starts
        from blindspoon.collect.server import Server  # noqa: PLC0415
        from blindspoon.workbench.app import BODY_LIMIT, Workbench  # noqa: PLC0415

        def close() -> None:
            later = threading.Timer(0.3, made.end)
            later.daemon = True
            later.start()

        bench = Workbench(shelf, door, bound, close)
        names = frozenset({f"127.0.0.1:{bound}"})
        guarded = only_for_hosts(bench.app, lambda: names)
        made = Server(guarded, [listener], limit=BODY_LIMIT)
        try:
            made.run()  # returns at Ctrl-C, and where the host closes
        finally:
            bench.sittings.leave_all()
