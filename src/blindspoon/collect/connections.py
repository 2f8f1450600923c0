"""Open connections: how many, how long, and which goes first; no device keeps others out."""

from __future__ import annotations

import logging
import select
import socket
import time
from collections.abc import Iterable
from typing import Any

from waitress.adjustments import Adjustments  # type: ignore[import-untyped]
from waitress.channel import ClientDisconnected, HTTPChannel  # type: ignore[import-untyped]
from waitress.server import MultiSocketServer, TcpWSGIServer  # type: ignore[import-untyped]
from waitress.task import ThreadedTaskDispatcher  # type: ignore[import-untyped]

from blindspoon.collect.security import BODY_LIMIT, WSGI

THREADS = 64
"""Requests that are answered at the same time. Nearly all their time they wait for the disk, which
takes many small writes that wait together nearly as fast as one."""

CONNECTIONS = 2000
"""Open connections, where the system lets a process have as many."""

FROM_ONE = 256
"""Open connections from one address: a browser has six, and a room of phones may share one."""

IDLE = 20.0
"""Seconds after which a connection that says nothing is closed."""

DEADLINE = 10.0
"""Seconds within which a request is whole, from its first byte; the first one from connecting."""


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
        """Tell whether it is to be closed."""
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


def make_server(
    app: WSGI,
    sockets: list[socket.socket],
    channels: dict[int, Any],
    *,
    limit: int = BODY_LIMIT,
    threads: int = THREADS,
) -> Any:  # noqa: ANN401 - waitress has no types
    """Make a server of bodies of at most `limit` bytes; closing all `channels` ends it."""
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
    for found in sockets:
        place = (found.family, found.type, found.proto, found.getsockname())
        listener = Listener(
            app, channels, _sock=found, dispatcher=dispatcher, adj=settings,
            bind_socket=False, sockinfo=place,
        )  # fmt: skip
        listener.most = room
    if len(sockets) == 1:
        return listener
    return MultiSocketServer(channels, settings, [], dispatcher)


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
