"""Serving the score page: its connections, its addresses, and phones that are let in meanwhile."""

import contextlib
import hashlib
import logging
import queue
import select
import socket
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from pathlib import Path

import jinja2
from flask import Flask, Response, make_response, render_template
from waitress import wasyncore  # type: ignore[import-untyped]
from waitress.adjustments import Adjustments  # type: ignore[import-untyped]
from waitress.channel import ClientDisconnected, HTTPChannel  # type: ignore[import-untyped]
from waitress.server import TcpWSGIServer  # type: ignore[import-untyped]
from werkzeug.exceptions import HTTPException

from blindspoon import wording
from blindspoon.charts.scene import css_variables
from blindspoon.collect import security
from blindspoon.collect.ballots import Tell
from blindspoon.collect.host_pages import HostPages, by_host_link
from blindspoon.collect.languages import spoken
from blindspoon.collect.opening import opened, stamp
from blindspoon.collect.ports import listening, near
from blindspoon.collect.security import BODY_LIMIT, WSGI
from blindspoon.collect.sitting import Sitting
from blindspoon.collect.taster_pages import TasterPages
from blindspoon.errors import FormError, Rule

FORM_PARTS = 4_000  # fields in the largest form, the grid of a paper ballot

STATIC = ("score.css", "taster.js", "page.js", "host.js")

JINJA = {
    "autoescape": True,
    "undefined": jinja2.StrictUndefined,
    "trim_blocks": True,
    "lstrip_blocks": True,
}

PORT = 8765  # where the page is served if nothing else is asked for

_NO_NETWORK = Rule(
    "cannot-serve",
    "phones reach the score page over a network that they share with it",
    "Join the Wi-Fi and try again, or leave --lan out to key in paper ballots here",
)
_NOWHERE = ("192.0.2.1", "10.0.0.1", "172.16.0.1", "192.168.0.1", "192.168.1.1")


def create_app(sitting: Sitting) -> Flask:
    """Make an application of one tasting, for pages of it to be added.

    The check of the Host header is not in it: `serve` puts it around it.
    """
    app = Flask(__name__, static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = app.config["MAX_FORM_MEMORY_SIZE"] = security.BODY_LIMIT
    app.config["MAX_FORM_PARTS"] = FORM_PARTS
    app.url_map.merge_slashes = False
    app.jinja_options = JINJA
    app.jinja_env.filters["plain"] = wording.plain
    app.jinja_env.globals["count"] = wording.count
    app.config["LANGUAGE"] = sitting.plan.tasting.language
    add_static(app, STATIC)
    app.context_processor(lambda: {"say": spoken()})
    app.after_request(security.harden)

    @app.errorhandler(HTTPException)
    def of_request(error: HTTPException) -> Response:
        return security.refuse(error.code or 400)

    @app.errorhandler(OSError)
    def of_disk(error: OSError) -> Response:
        sitting.trouble(error)
        return security.refuse(503)

    return app


def add_static(app: Flask, names: Iterable[str], **values: str) -> None:
    """Serve style sheets and scripts from memory; no path of a request names a file."""
    with app.app_context():
        colours = {"light": css_variables(dark=False), "dark": css_variables(dark=True)}
        files = {name: render_template(name, **colours, **values) for name in names}
    digest = hashlib.sha256("".join(files.values()).encode()).hexdigest()[:12]
    app.jinja_env.globals["static"] = f"/{digest}"
    for name, text in files.items():

        def file(name: str = name, text: str = text) -> Response:
            response = make_response(text)
            response.mimetype = "text/css" if name.endswith(".css") else "text/javascript"
            response.headers["Cache-Control"] = "private, max-age=86400"
            return response

        app.add_url_rule(f"/{digest}/{name}", name, file)
    app.add_url_rule("/favicon.ico", "favicon", lambda: ("", 204))


def serve(
    sitting: Sitting,
    *,
    lan: bool = False,
    port: int = PORT,
    ready: Callable[[Sequence[str], str], None],
    tell: Tell = lambda _: None,
) -> str:
    """Serve the score page until Ctrl-C: the tasters' pages, and the host's on the next port.

    The host's pages answer on this computer only; in a `lan` everybody in the network can open the
    page where tasters join. Port 0 takes any two that are free. `ready` is given the addresses
    where tasters join, one for each network, and that of the host, once they can be opened; `tell`
    may be slow or fail. Gives `Sitting.tally`: all of it is on the disk then. FormError where the
    port is taken, or there is no network to serve.
    """
    phones = Phones(sitting, lan=lan, ports=(port,))
    with contextlib.ExitStack() as until:
        phones.let_in()
        until.callback(phones.keep_out)
        inner = until.enter_context(listening("127.0.0.1", port + 1 if port else 0))
        host_port = int(inner.getsockname()[1])
        app = create_app(sitting)
        HostPages.add_to(app, by_host_link(sitting, lambda: phones.address), "/h/<link>")
        here = partial(host_names, ("127.0.0.1",), host_port)
        host = Server(inner, security.only_for_hosts(app, here))
        later = until.enter_context(_from_a_thread())
        sitting.tell = lambda text: later(partial(tell, text))
        address = f"http://127.0.0.1:{host_port}/h/{sitting.host_link}"
        later(partial(ready, phones.addresses, address))
        host.run()  # returns at Ctrl-C
    sitting.reconcile()
    return sitting.tally()


@contextlib.contextmanager
def _from_a_thread() -> Iterator[Callable[[Callable[[], None]], None]]:
    """Tell from a thread of its own: a terminal that is stopped or closed stops no request."""
    waiting: queue.SimpleQueue[Callable[[], None] | None] = queue.SimpleQueue()

    def run() -> None:
        while (telling := waiting.get()) is not None:
            with contextlib.suppress(OSError, ValueError):  # nobody reads, or the file is closed
                telling()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield waiting.put
    finally:
        waiting.put(None)
        thread.join(timeout=1)


def network_addresses() -> tuple[str, ...]:
    """Find this computer's addresses in its networks, the one of the default route first.

    Connecting a datagram socket picks the address that a packet would leave from, and sends none.
    """
    found: dict[str, None] = {}
    for target in _NOWHERE:
        probe = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        with probe, contextlib.suppress(OSError):
            probe.connect((target, 9))
            found[str(probe.getsockname()[0])] = None
    return tuple(address for address in found if not address.startswith(("127.", "0.")))


def host_names(found: tuple[str, ...], port: int) -> frozenset[str]:
    """Names under which the page may be asked for, with their port."""
    computer = socket.gethostname().lower()
    names = {"localhost", "127.0.0.1", *found}
    if found != ("127.0.0.1",):
        names |= {computer, f"{computer}.local"}
    return frozenset(f"{name}:{port}" for name in names)


class Phones:
    """The tasters' pages, open or not: in the network, or without a `lan` on this computer alone.

    They listen at the first of some ports that is free.
    """

    def __init__(
        self, sitting: Sitting, *, lan: bool = True, ports: Sequence[int] = near(PORT)
    ) -> None:
        self._sitting, self._lan, self._ports = sitting, lan, ports
        self._lock = threading.Lock()
        self._until: contextlib.ExitStack | None = None
        self._port = 0
        self._at_first: tuple[str, ...] = ()

    def _found(self) -> tuple[str, ...]:
        """Give the addresses of this computer, which may change or fail while people taste."""
        return (self._lan and network_addresses()) or self._at_first

    @property
    def addresses(self) -> tuple[str, ...]:
        """Where tasters join, one for each network; none while they are kept out."""
        found = self._found() if self._until else ()
        return tuple(f"http://{address}:{self._port}/" for address in found)

    @property
    def address(self) -> str:
        return next(iter(self.addresses), "")

    @property
    def are_in(self) -> bool:
        return self._until is not None

    def let_in(self) -> None:
        """Listen. Raises FormError where there is no network, or no port."""
        with self._lock, contextlib.ExitStack() as stack:
            if self._until:
                return
            self._at_first = network_addresses() if self._lan else ("127.0.0.1",)
            if not self._at_first:
                found = "this computer is in no network"
                raise FormError([_NO_NETWORK.broken(found, "the network")])
            place = "0.0.0.0" if self._lan else "127.0.0.1"  # noqa: S104 - asked for
            listener = stack.enter_context(listening(place, *self._ports))
            self._port = port = int(listener.getsockname()[1])
            app = create_app(self._sitting)
            TasterPages(self._sitting, lambda: self.address).add_to(app)
            guarded = security.only_for_hosts(app, lambda: host_names(self._found(), port))
            stack.enter_context(Server(listener, guarded).beside())
            self._until = stack.pop_all()

    def keep_out(self) -> None:
        """Listen to the network no more; what was acknowledged is on the disk."""
        with self._lock:
            until, self._until = self._until, None
            if until:
                until.close()


class OpenTastings:
    """The tastings that the workbench holds, by folder, each with its phones."""

    def __init__(self) -> None:
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
                    sitting = stack.enter_context(opened(folder, "the workbench", begin=False))
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
        for folder in list(self._held):
            self.leave(folder)


THREADS = 64
"""Requests that are answered at the same time. Nearly all their time they wait for the disk, which
takes many small writes that wait together nearly as fast as one."""

CONNECTIONS = 2000  # open connections, where the system lets a process have as many

FROM_ONE = 256
"""Open connections from one address: a browser has six, and a room of phones may share one."""

IDLE = 20.0  # seconds after which a connection that says nothing is closed

PATIENCE = 10.0  # seconds that requests have to be answered in after the end


class Server(TcpWSGIServer):  # type: ignore[misc]
    """Answers at a socket, in the thread that runs it.

    It takes every connection, and closes the oldest idle one where there are too many. Ctrl-C ends
    it, or another thread. What wakes the thread is a pipe, and its number may be another file's as
    soon as it is closed: it stays open for whoever is about to write into it, a request or `end`.
    """

    def __init__(self, listener: socket.socket, app: WSGI, *, limit: int = BODY_LIMIT) -> None:
        """Listen. A body has at most `limit` bytes."""
        logging.getLogger("waitress.queue").setLevel(logging.ERROR)
        logging.getLogger("waitress").addFilter(_is_no_hang_up)
        self._most = _room()
        settings = Adjustments(
            threads=THREADS,
            connection_limit=self._most + 2 * FROM_ONE,  # never reached: room is made before
            channel_timeout=IDLE,
            cleanup_interval=1,
            max_request_header_size=16 * 1024,
            max_request_body_size=limit,
            asyncore_use_poll=hasattr(select, "poll"),
            clear_untrusted_proxy_headers=True,
            expose_tracebacks=False,
            ident=None,
        )
        self._ending, self._lock = False, threading.Lock()
        place = (listener.family, listener.type, listener.proto, listener.getsockname())
        super().__init__(app, _sock=listener, adj=settings, bind_socket=False, sockinfo=place)

    def handle_accept(self) -> None:
        """Take a connection, and make room for the next."""
        super().handle_accept()
        staying = [channel for channel in self.active_channels.values() if not channel.will_close]
        if staying:
            address = staying[-1].addr[0]
            _make_room([channel for channel in staying if channel.addr[0] == address], FROM_ONE)
            _make_room(staying, self._most)

    def run(self) -> None:
        """Answer requests; on return the last one is answered, and everything closed."""
        timeout, use_poll = self.adj.asyncore_loop_timeout, self.adj.asyncore_use_poll
        try:
            while self._map and not self._ending:
                wasyncore.loop(timeout, use_poll, self._map, count=1)
        except (SystemExit, KeyboardInterrupt):
            pass
        finally:
            self.task_dispatcher.shutdown(timeout=PATIENCE)
            with self._lock:
                wasyncore.close_all(self._map)

    def end(self) -> None:
        """Make it return from `run`, from any thread; it may have done so already."""
        with self._lock:
            if self._map:
                self._ending = True
                self.pull_trigger()

    @contextlib.contextmanager
    def beside(self) -> Iterator[None]:
        """Run in a thread of its own, meanwhile."""
        thread = threading.Thread(target=self.run, daemon=True)
        thread.start()
        try:
            yield
        finally:
            self.end()
            thread.join(timeout=2 * PATIENCE)


def _make_room(channels: Sequence[HTTPChannel], most: int) -> None:
    if len(channels) > most:
        idle = [channel for channel in channels if not channel.requests]
        idle.sort(key=lambda channel: channel.last_activity)
        for channel in (idle or channels)[: len(channels) - most]:
            channel.will_close = True


def _is_no_hang_up(record: logging.LogRecord) -> bool:
    """Tell a real error from the one that waitress meets when it refuses who has hung up."""
    error = record.exc_info[1] if record.exc_info else None
    return not isinstance(getattr(error, "__context__", None), ClientDisconnected)


def _room() -> int:
    try:
        import resource  # noqa: PLC0415 - POSIX only
    except ImportError:
        return 200  # of the 512 sockets that a Windows program can wait for
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    others = FROM_ONE + 200  # the host's, and files
    wanted = CONNECTIONS + others
    if soft != resource.RLIM_INFINITY and soft < wanted:
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return (
        CONNECTIONS if soft == resource.RLIM_INFINITY else max(min(CONNECTIONS, soft - others), 50)
    )
