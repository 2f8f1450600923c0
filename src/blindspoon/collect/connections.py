"""Open connections: how many, how long, and which goes first; no device keeps others out."""

import logging
import select
import socket
import threading
import time
from collections.abc import Iterable, Sequence
from typing import Any

from waitress import wasyncore  # type: ignore[import-untyped]
from waitress.adjustments import Adjustments  # type: ignore[import-untyped]
from waitress.channel import ClientDisconnected, HTTPChannel  # type: ignore[import-untyped]
from waitress.server import MultiSocketServer, TcpWSGIServer  # type: ignore[import-untyped]
from waitress.task import ThreadedTaskDispatcher  # type: ignore[import-untyped]

from blindspoon.collect.security import BODY_LIMIT, WSGI

THREADS = 64
"""Requests that are answered at the same time. Nearly all their time they wait for the disk, which
takes many small writes that wait together nearly as fast as one."""

CONNECTIONS = 2000  # open connections, where the system lets a process have as many

FROM_ONE = 256
"""Open connections from one address: a browser has six, and a room of phones may share one."""

IDLE = 20.0  # seconds after which a connection that says nothing is closed

DEADLINE = 10.0
"""Seconds within which a request is whole, from its first byte; the first one from connecting."""

PATIENCE = 10.0  # seconds that requests have to be answered in after the end


class Connection(HTTPChannel):  # type: ignore[misc]
    """A connection that knows for how long it has kept a request to itself."""

    began: float | None  # None while nothing is awaited
    answered = False

    def __init__(self, *args: Any, **settings: Any) -> None:  # noqa: ANN401 - waitress has no types
        self.began = time.time()
        super().__init__(*args, **settings)

    def received(self, data: bytes) -> bool:
        """Take in what came."""
        taken = bool(super().received(data))
        if self.request is not None and self.began is None:
            self.began = time.time()
        return taken

    def is_late(self, now: float) -> bool:
        if self.requests:
            return False
        overdue = self.began is not None and self.began < now - DEADLINE
        return overdue or bool(self.last_activity < now - IDLE)


class Listener(TcpWSGIServer):  # type: ignore[misc]
    """Takes every connection, and closes the oldest idle one where there are too many."""

    channel_class = Connection
    most = CONNECTIONS

    def handle_accept(self) -> None:
        """Take a connection, and make room for the next."""
        super().handle_accept()
        staying = [channel for channel in self.active_channels.values() if not channel.will_close]
        if staying:
            address = staying[-1].addr[0]
            _make_room([channel for channel in staying if channel.addr[0] == address], FROM_ONE)
            _make_room(staying, self.most)

    def add_task(self, task: Connection) -> None:
        """Answer a whole request."""
        task.began, task.answered = None, True
        super().add_task(task)

    def maintenance(self, now: float) -> None:
        """Close what is late."""
        for channel in self.active_channels.values():
            channel.will_close = channel.will_close or channel.is_late(now)


def _make_room(channels: Iterable[Connection], most: int) -> None:
    """Close the oldest idle connections, those without a whole request first."""
    staying = list(channels)
    if len(staying) > most:
        idle = [channel for channel in staying if not channel.requests]
        idle.sort(key=lambda channel: (channel.answered, channel.last_activity))
        for channel in (idle or staying)[: len(staying) - most]:
            channel.will_close = True


class Server(MultiSocketServer):  # type: ignore[misc]
    """Answers at some sockets in the thread that runs it, until Ctrl-C or until another ends it.

    What wakes the thread is a pipe, and its number may be another file's as soon as it is closed:
    it stays open for whoever is about to write into it, a request or `end`.
    """

    def __init__(
        self,
        app: WSGI,
        sockets: Sequence[socket.socket],
        *,
        limit: int = BODY_LIMIT,
        threads: int = THREADS,
    ) -> None:
        """Listen. A body has at most `limit` bytes."""
        logging.getLogger("waitress.queue").setLevel(logging.ERROR)
        logging.getLogger("waitress").addFilter(_is_no_hang_up)
        room = _room()
        settings = Adjustments(
            threads=threads,
            connection_limit=room + 2 * FROM_ONE,  # never reached: room is made before
            channel_timeout=IDLE,
            cleanup_interval=1,
            max_request_header_size=16 * 1024,
            max_request_body_size=limit,
            asyncore_use_poll=hasattr(select, "poll"),
            clear_untrusted_proxy_headers=True,
            expose_tracebacks=False,
            ident=None,
        )
        dispatcher = ThreadedTaskDispatcher()
        dispatcher.set_thread_count(threads)
        super().__init__({}, settings, [], dispatcher)
        self._ending, self._lock = False, threading.Lock()
        for found in sockets:
            place = (found.family, found.type, found.proto, found.getsockname())
            self._listener = Listener(
                app, self.map, _sock=found, dispatcher=dispatcher, adj=settings,
                bind_socket=False, sockinfo=place,
            )  # fmt: skip
            self._listener.most = room

    def run(self) -> None:
        """Answer requests; on return the last one is answered, and everything closed."""
        timeout, use_poll = self.adj.asyncore_loop_timeout, self.adj.asyncore_use_poll
        try:
            while self.map and not self._ending:
                wasyncore.loop(timeout, use_poll, self.map, count=1)
        except (SystemExit, KeyboardInterrupt):
            pass
        finally:
            self.task_dispatcher.shutdown(timeout=PATIENCE)
            with self._lock:
                wasyncore.close_all(self.map)

    def end(self) -> None:
        """Make it return from `run`, from any thread; it may have done so already."""
        with self._lock:
            if self.map:
                self._ending = True
                self._listener.pull_trigger()


def _is_no_hang_up(record: logging.LogRecord) -> bool:
    """Tell a real error from the one that waitress meets when it refuses who has hung up."""
    error = record.exc_info[1] if record.exc_info else None
    return not isinstance(getattr(error, "__context__", None), ClientDisconnected)


def _room() -> int:
    """Ask the system for room for `CONNECTIONS`, and say how many it gives."""
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
