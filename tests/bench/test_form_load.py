"""The score page under load, killed, starved and attacked; only this computer is talked to.

In short in the default run; in full, with figures: python -m pytest tests/bench/test_form_load.py
-m "slow or bench" -s
"""

# ruff: noqa: S311 - chance here makes a load, no secret

from __future__ import annotations

import asyncio
import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from urllib.parse import quote, urlencode, urlsplit

import pytest

from blindspoon.files.text_table import read_table

SCRIPT = Path(__file__).parents[1] / "collect" / "serve_folder.py"
NAMES = ("saltiness", "sourness", "ferment", "texture")
CUPS = 5
LONG = [pytest.mark.slow, pytest.mark.bench]


def make_folder(place: Path, tasters: int) -> Path:
    """A trial of so many tasters with five cups each, all of them open to be scored."""
    attributes = "".join(f'[[attribute]]\nname = "{name}"\n' for name in NAMES)
    (place / "trial.toml").write_text(
        '[trial]\ntitle = "Load"\ncontrol = "plain"\n[scale]\nlow = 0\nhigh = 10\nstep = 0.5\n'
        f'{attributes}[[variant]]\nname = "plain"\n[[variant]]\nname = "oak"\n'
    )
    codes = random.Random(1).sample(range(100, 1000), CUPS)
    rows = [
        f"1,T{number:03},{cup},{code}\n"
        for number in range(1, tasters + 1)
        for cup, code in enumerate(codes, 1)
    ]
    (place / "servings.csv").write_text("session,taster,position,code\n" + "".join(rows))
    return place


@contextmanager
def serving(folder: Path) -> Iterator[tuple[dict, subprocess.Popen[str]]]:
    command = [sys.executable, str(SCRIPT), str(folder)]
    pipes = {"stdout": subprocess.PIPE, "stderr": (folder.parent / "said.txt").open("a")}
    with pipes["stderr"], subprocess.Popen(command, text=True, **pipes) as process:
        try:
            yield json.loads(process.stdout.readline()), process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
            try:
                process.wait(timeout=30)
            finally:
                process.kill()  # else the end of this block waits for ever


def run(task: Coroutine):
    """Wait for a task in a thread of its own: the loop of a test's browser may run in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, task).result()


class Link:
    """One connection that is kept open, as a phone's browser keeps it."""

    def __init__(self, addresses: dict) -> None:
        self.place = urlsplit(addresses["join"])
        self.taken: list[float] = []
        self.reader = self.writer = None

    async def ask(self, path: str, form: dict[str, str] | None = None) -> tuple[int, str]:
        body = urlencode(form or {}).encode()
        head = [f"{'POST' if form else 'GET'} {path} HTTP/1.1", f"Host: {self.place.netloc}"]
        if form:
            head += ["Content-Type: application/x-www-form-urlencoded", "Accept: application/json"]
            head += [f"Content-Length: {len(body)}", f"Origin: http://{self.place.netloc}"]
        started = time.perf_counter()
        if self.writer is None:
            pair = await asyncio.open_connection(self.place.hostname, self.place.port)
            self.reader, self.writer = pair
        self.writer.write("\r\n".join([*head, "", ""]).encode() + body)
        answer = (await self.reader.readuntil(b"\r\n\r\n")).decode()
        length = int(re.search(r"(?i)content-length: (\d+)", answer)[1])
        text = (await self.reader.readexactly(length)).decode()
        self.taken.append(time.perf_counter() - started)
        return int(answer[9:12]), text

    def close(self) -> None:
        if self.writer is not None:
            self.writer.close()


def fields_of(page: str) -> dict[str, str]:
    return dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', page))


async def open_cup(link: Link, base: str, cup: int) -> dict[str, str]:
    status, page = await link.ask(f"{base}/1/{cup}")
    if status == 303:
        _, cautions = await link.ask(base)
        await link.ask(f"{base}/agree", fields_of(cautions))
        status, page = await link.ask(f"{base}/1/{cup}")
    assert status == 200, status
    return fields_of(page)


async def taste(link: Link, base: str, given: dict, pause: float) -> list[float]:
    """Score every cup as the script does: the whole cup again with each attribute."""
    taken = []
    for cup in range(1, CUPS + 1):
        form = await open_cup(link, base, cup)
        for turn, name in enumerate(NAMES, 1):
            await asyncio.sleep(pause * random.random())
            form[name] = str(random.randrange(21) / 2).removesuffix(".0")
            status, said = await link.ask(f"{base}/1/{cup}", form | {"Turn": str(turn)})
            assert status == 200, (status, said)
            taken.append(link.taken[-1])
            form["Base"] = json.loads(said)["mark"]
        given[base, form["code"]] = [form[name] for name in NAMES]
    link.close()
    return taken


async def all_taste(addresses: dict, pause: float) -> tuple[dict, list[float]]:
    given: dict = {}
    links = [(Link(addresses), f"/t/{link}") for link in addresses["links"].values()]
    taken = await asyncio.gather(*(taste(link, base, given, pause) for link, base in links))
    return given, sorted(each for one in taken for each in one)


def on_disk(folder: Path, addresses: dict) -> dict:
    found = {}
    for path in (folder / "ballots").glob("*.csv"):
        table = read_table(path.read_bytes(), path.name)
        assert not table.problems
        for _, row in table.rows():
            base = f"/t/{addresses['links'][row['taster']]}"
            found[base, row["code"]] = [row[name] for name in NAMES]
    return found


def say(title: str, taken: list[float], started: float) -> None:
    size, whole = len(taken), time.perf_counter() - started
    marks = ", ".join(f"{q} % {taken[min(int(size * q / 100), size - 1)]:.3f} s" for q in (50, 99))
    print(f"\n{title}: {size} answers in {whole:.1f} s; {marks}, longest {taken[-1]:.3f} s")  # noqa: T201


@pytest.mark.slow
@pytest.mark.bench
@pytest.mark.parametrize(("phones", "pause"), [(20, 0.0), (100, 0.0), (200, 2.0)])
def test_phones_all_at_once_lose_nothing_and_wait_less_than_a_second(tmp_path, phones, pause):
    folder = make_folder(tmp_path, phones)
    with serving(folder) as (addresses, _):
        started = time.perf_counter()
        given, taken = run(all_taste(addresses, pause))
        say(f"{phones} phones, {pause} s between taps at most", taken, started)
    assert len(taken) == phones * CUPS * len(NAMES)
    assert on_disk(folder, addresses) == given
    assert taken[int(len(taken) * 0.99)] < 1.0


def idle(addresses: dict, sockets: int, source: str = "127.0.0.1") -> ExitStack:
    """Open connections: a third say nothing, a third half a header, a third half a body."""
    resource = pytest.importorskip("resource", reason="needs room for many sockets")
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 8000) if hard > 0 else 8000, hard))
    place, stack = urlsplit(addresses["join"]), ExitStack()
    begun = (
        b"",
        b"GET / HTTP/1.1\r\nHost: x",
        b"POST /join HTTP/1.1\r\nContent-Length: 9\r\n\r\nx",
    )
    for number in range(sockets):
        target = (place.hostname, place.port)
        link = stack.enter_context(socket.create_connection(target, 10, (source, 0)))
        link.sendall(begun[number % 3])
    return stack


@pytest.mark.parametrize(("sockets", "phones"), [(60, 10), pytest.param(600, 100, marks=LONG)])
def test_beside_idle_connections_phones_lose_nothing_and_wait_less_than_a_second(
    tmp_path, sockets, phones
):
    folder = make_folder(tmp_path, phones)
    with serving(folder) as (addresses, _), idle(addresses, sockets):
        started = time.perf_counter()
        given, taken = run(all_taste(addresses, 0.0))
        say(f"{phones} phones beside {sockets} idle connections", taken, started)
    assert len(taken) == phones * CUPS * len(NAMES)
    assert on_disk(folder, addresses) == given
    assert taken[int(len(taken) * 0.99)] < 1.0


@pytest.mark.slow
@pytest.mark.bench
@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere 127.0.0.3 needs setting up")
def test_one_device_with_2_300_slow_sockets_keeps_nobody_waiting(tmp_path):
    folder = make_folder(tmp_path, 20)
    with serving(folder) as (addresses, _), idle(addresses, 2300, "127.0.0.3"):
        started = time.perf_counter()
        given, taken = run(all_taste(addresses, 0.0))
        say("20 phones beside 2,300 slow sockets of one device", taken, started)
        print(f"all of it took {time.perf_counter() - started:.1f} s")  # noqa: T201
    assert len(given) == 20 * CUPS
    assert taken[int(len(taken) * 0.99)] < 1.0


async def hammer(link: Link, base: str, acknowledged: dict, sent: dict) -> None:
    """Answer as fast as it goes, each time with a number that was not used before."""
    try:
        forms = [await open_cup(link, base, cup) for cup in range(1, CUPS + 1)]
        for turn in range(1, 100_000):
            form = forms[turn % CUPS]
            number = sent[base, form["code"]] = sent.get((base, form["code"]), 0) + 1
            form |= {"comment": str(number), "Turn": str(turn), NAMES[0]: str(number % 11)}
            status, said = await link.ask(f"{base}/1/{1 + turn % CUPS}", form)
            assert status == 200, (status, said)
            acknowledged[base, form["code"]] = number
            form["Base"] = json.loads(said)["mark"]
    except (ConnectionError, asyncio.IncompleteReadError):
        link.close()


async def hammer_and_kill(addresses, process, delay, acknowledged, sent) -> None:
    """Kill so long after the first answer of this round, once every cup has had one."""
    links = [(Link(addresses), f"/t/{link}") for link in addresses["links"].values()]
    before, cups = sum(acknowledged.values()), CUPS * len(links)

    async def begun() -> None:
        while len(acknowledged) < cups or sum(acknowledged.values()) == before:
            await asyncio.sleep(0.005)

    tasks = [asyncio.create_task(hammer(*link, acknowledged, sent)) for link in links]
    waits = [asyncio.create_task(begun()), *tasks]
    await asyncio.wait(waits, timeout=60, return_when=asyncio.FIRST_COMPLETED)
    waits[0].cancel()
    await asyncio.sleep(delay)
    process.send_signal(signal.SIGKILL)
    await asyncio.wait_for(asyncio.gather(*tasks), 30)


@pytest.mark.skipif(os.name != "posix", reason="kill -9")
@pytest.mark.parametrize(("rounds", "tasters"), [(2, 6), pytest.param(300, 12, marks=LONG)])
def test_every_acknowledged_answer_survives_a_kill(tmp_path, rounds, tasters):
    folder, chance = make_folder(tmp_path, tasters), random.Random(7)
    acknowledged: dict = {}
    sent: dict = {}
    for _ in range(rounds):
        with serving(folder) as (addresses, process):
            delay = 0.4 * chance.random()
            run(hammer_and_kill(addresses, process, delay, acknowledged, sent))
        stands = comments_on_disk(folder, addresses)
        lost = [cup for cup, last in acknowledged.items() if not last <= stands[cup] <= sent[cup]]
        assert not lost
        sent.update(stands)
    print(f"\n{rounds} rounds of kill -9: {sum(acknowledged.values())} answers acknowledged")  # noqa: T201
    assert len(acknowledged) == tasters * CUPS


def comments_on_disk(folder: Path, addresses: dict) -> dict:
    found = {}
    for path in (folder / "ballots").glob("[!.]*.csv"):
        table = read_table(path.read_bytes(), path.name)
        assert not table.problems
        for _, row in table.rows():
            cup = (f"/t/{addresses['links'][row['taster']]}", row["code"])
            found[cup] = int(row["comment"])
            assert row[NAMES[0]] == str(found[cup] % 11)  # no row is of two answers
    return found


PAYLOADS = (
    "<script>window.pwned=1</script>", "<img src=x onerror=window.pwned=1>", "{{7*7}}", "{%if%}",
    "=HYPERLINK(1)", "@SUM(1)", "../../../etc/passwd", "..\\..\\key.csv", "%00", "\x00", "\r\nX: y",
    "' OR 1=1 --", "\U0001f952", "\u202e", "A" * 3000, "", "-1", "9" * 400, "NaN", "null", "[]",
    "%c0%ae%c0%ae/", "\u0000", "file:///etc/passwd", "http://127.0.0.1:1/", "__import__('os')",
)  # fmt: skip


JSON = "application/json"
ODD = (
    "Origin", "Cookie", "X-Forwarded-For", "X-Forwarded-Host", "Range", "Accept", "Upgrade",
    "Transfer-Encoding", "Expect", "If-None-Match", "Content-Encoding", "Sec-Fetch-Site",
)  # fmt: skip


def hostile_request(chance: random.Random, addresses: dict, pages: dict[str, dict]) -> bytes:
    """Something that a browser would never send, or a form of ours with bad content."""
    netloc = urlsplit(addresses["join"]).netloc
    path = chance.choice(sorted(pages))
    names = [*NAMES, *(f"{row}-{name}" for row in range(6) for name in (*NAMES, "comment"))]
    names += ["comment", "Turn", "Page", "Base", "go", "session", "twice", chance.choice(PAYLOADS)]
    fields = {name: chance.choice(("", "7", *PAYLOADS)) for name in chance.sample(names, 6)}
    body = urlencode(pages[path] | fields, errors="replace")
    head = {"Host": netloc, "Content-Type": "application/x-www-form-urlencoded"}
    if chance.random() < 0.5:
        return request_of("POST", path, head, body)
    method = chance.choice(("POST", "GET", "PUT", "DELETE", "OPTIONS", "HEAD", "X", "PRI"))
    head[chance.choice(ODD)] = chance.choice((*PAYLOADS, "chunked", JSON, netloc))[:200]
    return request_of(
        method, hostile_path(chance, addresses), head, chance.choice((body, "[]", ""))
    )


def hostile_path(chance: random.Random, addresses: dict) -> str:
    link, host = next(iter(addresses["links"].values())), urlsplit(addresses["host"]).path
    bad = chance.choice(PAYLOADS)
    return chance.choice(
        (f"/t/{link}/1/{quote(bad)}", f"/t/{link}/{quote(bad)}/1", f"/t/{quote(bad, safe='/.%')}",
         f"/{quote(bad, safe='/.%')}", f"{host}/1/key/{quote(bad)}", f"{host}/scores.csv?{bad[:9]}",
         f"{host}?saved={quote(bad)}", f"/t/{link}/1/1?replaced={quote(bad)}", "//x/key.csv",
         "/./../trial.toml", f"http://evil.example/t/{link}", "*", bad[:50]),
    )  # fmt: skip


def request_of(method: str, path: str, head: dict[str, str], body: str) -> bytes:
    data = body.encode("utf-8", "replace")
    head = {"Content-Length": str(len(data)), "Connection": "close"} | head
    lines = [f"{method} {path} HTTP/1.1", *(f"{name}: {value}" for name, value in head.items())]
    return "\r\n".join([*lines, "", ""]).encode("utf-8", "replace") + data


async def forms(addresses: dict) -> dict[str, dict[str, str]]:
    """The forms of a taster and of the host, by the address that they are sent to."""
    link, base = Link(addresses), f"/t/{addresses['links']['T001']}"
    host = urlsplit(addresses["host"]).path
    found = {f"{base}/1/{cup}": await open_cup(link, base, cup) for cup in range(1, CUPS + 1)}
    for path in (f"{host}/1/key/1", f"{host}/1/again/2", f"{host}/taster/4"):
        found[path] = fields_of((await link.ask(path))[1])
    found["/join"] = fields_of((await link.ask("/"))[1])
    found[f"{base}/agree"] = {"ticket": found[f"{base}/1/1"]["ticket"]}
    link.close()
    return found


def send(addresses: dict, request: bytes) -> str:
    place = urlsplit(addresses["join"])
    with socket.create_connection((place.hostname, place.port), 10) as link:
        try:
            link.sendall(request)
            link.settimeout(1)
            return link.recv(12).decode("latin-1")[9:12] or "closed"
        except TimeoutError:
            return "waits for more"
        except OSError:
            return "cut off"


@pytest.mark.parametrize("requests", [150, pytest.param(2000, marks=LONG)])
def test_hostile_requests_break_nothing_and_reach_no_other_file(tmp_path, requests):
    inside = tmp_path / "inside"
    inside.mkdir()
    folder, chance = make_folder(inside, 4), random.Random(11)
    before = {path for path in tmp_path.rglob("*") if path.is_file()}
    with serving(folder) as (addresses, process):
        pages = run(forms(addresses))
        sent = [hostile_request(chance, addresses, pages) for _ in range(requests)]
        with ThreadPoolExecutor(8) as pool:
            codes = Counter(pool.map(partial(send, addresses), sent))
        assert process.poll() is None
        assert run(forms(addresses)).keys() == pages.keys()
    print(f"\n{requests} hostile requests: {dict(codes.most_common())}")  # noqa: T201
    assert not [code for code in codes if code.startswith("5") and code != "501"]  # 501: chunked
    assert codes["200"] + codes["303"] + codes["422"] > requests / 5  # not all died at the door
    new = (
        {path for path in tmp_path.rglob("*") if path.is_file()} - before - {tmp_path / "said.txt"}
    )
    ours = re.compile(
        r"inside/(ballots/(conflicts/)?1-T00[1-4]\.csv|\.blindspoon/[\w.]+|said\.txt)"
    )
    assert not [path for path in new if not ours.fullmatch(path.relative_to(tmp_path).as_posix())]
    assert "Traceback" not in (tmp_path / "said.txt").read_text()
    for path in (folder / "ballots").rglob("*.csv"):
        assert not read_table(path.read_bytes(), path.name).problems
