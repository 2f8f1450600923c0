"""Tastings that are open in this program; phones are let in and kept out while it runs."""

import contextlib
import threading
from pathlib import Path

from blindspoon.collect import connections, ports, security, server
from blindspoon.collect.opening import opened, stamp
from blindspoon.collect.sitting import Sitting
from blindspoon.collect.taster_pages import TasterPages
from blindspoon.errors import FormError


class Phones:
    """The tasters' pages in the network, and nothing else; open or not."""

    def __init__(self, sitting: Sitting) -> None:
        self._sitting = sitting
        self._lock = threading.Lock()
        self._until: contextlib.ExitStack | None = None
        self._port = 0

    @property
    def address(self) -> str:
        """Where tasters join now, whichever network this computer is in; empty where none can."""
        found = server.network_addresses() if self._until else ()
        return f"http://{found[0]}:{self._port}/" if found else ""

    @property
    def are_in(self) -> bool:
        return self._until is not None

    def let_in(self) -> None:
        """Listen to the network. Raises FormError where there is none, or no port."""
        with self._lock, contextlib.ExitStack() as stack:
            if self._until:
                return
            if not server.network_addresses():
                raise FormError(
                    [server.NO_NETWORK.broken("this computer is in no network", "Wi-Fi")]
                )
            every = ports.listening("0.0.0.0", *ports.near(server.PORT))  # noqa: S104 - asked for
            listener = stack.enter_context(every)
            self._port = port = int(listener.getsockname()[1])
            access = security.Access(self._sitting)
            pages = TasterPages(self._sitting, access, lambda: self.address)
            app = server.create_app(self._sitting, pages)
            guarded = security.only_for_hosts(
                app, lambda: server.host_names(server.network_addresses(), port)
            )
            made = connections.Server(guarded, [listener])
            thread = threading.Thread(target=made.run, daemon=True)
            thread.start()
            stack.callback(thread.join, timeout=2 * connections.PATIENCE)
            stack.callback(made.end)
            self._until = stack.pop_all()

    def keep_out(self) -> None:
        """Listen to the network no more; what was acknowledged is on the disk."""
        with self._lock:
            until, self._until = self._until, None
            if until:
                until.close()


class OpenTastings:
    """The tastings that this program holds, by folder, each with its phones."""

    def __init__(self, holder: str) -> None:
        self._holder = holder
        self._lock = threading.Lock()
        self._held: dict[Path, tuple[Sitting, Phones, contextlib.ExitStack, object]] = {}

    def of(self, folder: Path) -> tuple[Sitting, Phones]:
        """Hold a folder, if it is not held as it is now. Raises TrialError as `opened` does."""
        with self._lock:
            now = stamp(folder / "trial.toml")
            for held, (_, phones, until, read) in list(self._held.items()):
                changed = held == folder and read != now and not phones.are_in
                if changed or not held.is_dir():  # moved, under another name
                    del self._held[held]
                    until.close()
            if folder not in self._held:
                with contextlib.ExitStack() as stack:
                    sitting = stack.enter_context(opened(folder, self._holder, begin=False))
                    phones = Phones(sitting)
                    stack.callback(phones.keep_out)
                    self._held[folder] = sitting, phones, stack.pop_all(), now
            return self._held[folder][:2]

    def leave(self, folder: Path) -> None:
        """Keep phones out and let the folder go."""
        with self._lock:
            if folder in self._held:
                self._held.pop(folder)[2].close()

    def leave_all(self) -> None:
        """Do so with every folder, before the program ends."""
        for folder in list(self._held):
            self.leave(folder)
