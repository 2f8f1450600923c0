"""Ports: the first that is free. Light to load: an address is told before the pages are there."""

import contextlib
import importlib.util
import socket
from collections.abc import Iterator

from blindspoon.errors import FormError, Rule

TRIED = 20  # ports that are tried, from the usual one on

_PORT = Rule(
    "cannot-serve",
    "a port is 1024 to 65534, and no other program uses it or the next one",
    "Stop the other program, or choose another port",
)


def near(port: int) -> tuple[int, ...]:
    """Give the ports to try where none is asked for; 0, the last, is any that is free."""
    return (*range(port, port + TRIED), 0)


@contextlib.contextmanager
def listening(address: str, *ports: int, whose: str = "the score page") -> Iterator[socket.socket]:
    """Take the first port that is free; where none is, FormError tells who wanted it."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listener:
        if importlib.util.find_spec("fcntl"):  # elsewhere the option lets two programs share a port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        for port in ports:
            try:
                listener.bind((address, port))
                listener.listen()  # only now it is ours: until then another may bind it, too
                break
            except (OSError, OverflowError) as error:
                if port != ports[-1]:
                    continue
                reason = getattr(error, "strerror", None) or str(error)
                found = f"{whose} cannot listen there: {reason}"
                raise FormError([_PORT.broken(found, f"port {port}")]) from error
        yield listener
