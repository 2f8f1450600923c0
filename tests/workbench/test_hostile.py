"""Whatever is sent to the workbench by others: no page, no failure, nothing written.

Two thousand requests: ``python -m pytest tests/workbench/test_hostile.py -m slow``.
"""

from __future__ import annotations

import hashlib
import random
import shutil
import socket

import pytest

PATHS = [
    *(
        "/",
        "/new",
        "/close",
        "/example",
        "/starter",
        "/here",
        "/door/x",
        "/door/once.é",
        "//",
        "/t/",
    ),
    *(f"/t/crisp/{at}" for at in ("", "question", "jars/1", "jars/new-usual", "tasters", "codes")),
    *(
        f"/t/crisp/{at}"
        for at in ("codes/back", "lift", "publish", "lately", "mend", "rule", "rows")
    ),
    *(
        "/t/crisp/tasting",
        "/t/crisp/tasting/close",
        "/t/crisp/tasting/1/key/1",
        "/t/crisp/sheets/x",
        "/t/crisp/publish/story",
        "/t/crisp/publish/story/..%2fkey.csv",
    ),
    *("/t/../../etc/passwd", "/t/%00/", "/t/crisp/sheets/..%2f..%2fkey.csv", "/t/crisp/%ff", "/é"),
]
METHODS = ["GET", "POST", "POST", "POST", "PUT", "DELETE", "HEAD", "OPTIONS", "TRACE", "é", "get"]
HEADERS = [
    *("Host: evil.example", "Host: 127.0.0.1", "Host: [::1", "Origin: http://evil.example"),
    *("Sec-Fetch-Site: cross-site", "Content-Length: -1", "Content-Length: 99999999999"),
    *("Transfer-Encoding: chunked", "Content-Type: multipart/form-data; boundary=x", "Cookie: a"),
    *("Content-Type: application/json", "Accept: application/json", "Range: bytes=0-", "X: \0é"),
    *("Expect: 100-continue", "Cookie: blindspoon-8770=\xff", f"Long: {'x' * 9000}"),
]
FORM = "Content-Type: application/x-www-form-urlencoded"
BODIES = [
    "",
    "mine=yes",
    "go=add+variant",
    "--x\r\n\r\n--x--",
    "ticket=1&trial.title=x",
    "%",
    "\0" * 99,
]


def ask(port, request):
    """Send bytes, and give the status; 0 where the connection is closed without one."""
    with socket.create_connection(("127.0.0.1", port), timeout=30) as there:
        there.sendall(request)
        there.shutdown(socket.SHUT_WR)
        try:
            words = there.recv(65536).split(b" ", 2)
        except ConnectionError:
            return 0
    return int(words[1]) if len(words) > 1 else 0


def contents(shelf):
    files = (path for path in shelf.rglob("*") if path.is_file())
    return {path: hashlib.sha256(path.read_bytes()).digest() for path in files}


@pytest.mark.parametrize("times", [150, pytest.param(2000, marks=pytest.mark.slow)])
def test_hostile_requests_get_no_page_and_write_nothing(stood, tmp_path, served, times):
    shelf = tmp_path / "shelf"
    shutil.copytree(stood["planned"], shelf / "crisp")
    address, door = served(shelf)
    port = int(address.split(":")[2].strip("/"))
    rng, before, seen = random.Random(times), contents(shelf), set()  # noqa: S311 - no secret
    own = [f"Host: 127.0.0.1:{port}"]
    for _ in range(times):
        knows = rng.random() < 0.4  # the cookie, as a browser sends it from another site, no ticket
        cookie = [f"Cookie: blindspoon-{port}={door.proof('cookie')}"] * knows
        method, path, body = rng.choice(METHODS), rng.choice(PATHS), rng.choice(BODIES)
        headers = [*own * (rng.random() < 0.9), *cookie, *rng.sample(HEADERS, rng.randint(0, 2))]
        if rng.random() < 0.8 and body:
            headers += [
                f"Content-Length: {len(body)}",
                FORM,
            ]
        text = "\r\n".join([f"{method} {path} HTTP/1.1", *headers, "", body])
        status = ask(port, text.encode("latin-1"))
        seen.add(status)
        assert status < 500 or status == 501, text[:300]
        page = status in range(200, 300) and path != "/here" and method != "OPTIONS"
        assert not page or (knows and method in ("GET", "HEAD")), text[:300]
    assert contents(shelf) == before
    assert {403, 404} <= seen
    headers = [*own, f"Cookie: blindspoon-{port}={door.proof('cookie')}", FORM]
    body = f"ticket={door.proof('ticket')}"
    close = ["POST /close HTTP/1.1", *headers, f"Content-Length: {len(body)}", "", body]
    assert ask(port, "\r\n".join(close).encode()) == 200
