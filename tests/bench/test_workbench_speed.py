"""Pages against the clock: ``python -m pytest tests/bench/test_workbench_speed.py -m bench -s``."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

from blindspoon.files.own_state import Door
from blindspoon.workbench.app import Workbench

pytestmark = pytest.mark.bench
PAGES = ("", "question", "jars", "jars/1", "tasters", "codes", "lately")


def test_pages_answer_within_a_tenth_of_a_second_while_a_sizing_runs(tmp_path):
    files = Path(__file__).parents[2] / "trials" / "allotment-cucumbers"
    folder = tmp_path / "crisp"
    folder.mkdir()
    for name in ("trial.toml", "batches.csv", "readings.csv"):
        (folder / name).write_bytes((files / name).read_bytes())
    bench = Workbench(tmp_path, Door(b"x" * 32), 8770)
    client = bench.app.test_client()
    client.get(f"/door/{bench.door.new_pass()}")
    seconds = {page: [] for page in PAGES}
    for busy in (False, True):
        if busy:
            sent = {"ticket": bench.door.proof("ticket")}
            assert client.post("/t/crisp/tasters/finer", data=sent).status_code == 303
        for _ in range(8):
            for page in PAGES:
                started = time.perf_counter()
                assert client.get(f"/t/crisp/{page}").status_code == 200
                seconds[page].append(time.perf_counter() - started)
        job = next(iter(bench.jobs._jobs.values()))
        assert not busy or not job.ended
    bench.jobs.stop(job.kind, job.folder)
    for page, taken in seconds.items():
        free, busy = (statistics.median(part) for part in (taken[1:8], taken[8:]))
        print(f"{page or 'where':<10} {1000 * free:5.0f} ms, {1000 * busy:5.0f} ms sizing")  # noqa: T201
    assert max(statistics.median(taken[8:]) for taken in seconds.values()) < 0.1


READY = """
import os, sys
from blindspoon.cli import main
from blindspoon.collect import ports
if sys.argv[2] == "address":  # what comes after is loaded while the browser starts
    sys.stdout.flush = lambda: os._exit(0)
else:
    from blindspoon.collect import server
    server.Server.run = lambda self: None
main(["open", sys.argv[1], "--no-browser"])
"""


def processor(state, *command):
    """Seconds of processor time of one process that finds its modules compiled."""
    environment = {**os.environ, "XDG_STATE_HOME": str(state), "PYTHONPYCACHEPREFIX": str(state)}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    before = os.times()
    given = [sys.executable, "-c", *map(str, command)]
    subprocess.run(given, env=environment, check=True, stdout=subprocess.DEVNULL)
    after = os.times()
    return sum(after[2:4]) - sum(before[2:4])


def test_opening_costs_no_more_than_twice_an_import_of_flask(tmp_path):
    """In processor time; the address is told first, and the rest comes while a browser starts."""
    shelf, state = tmp_path / "shelf", tmp_path / "state"
    shelf.mkdir()
    commands = (["import flask"], [READY, shelf, "address"], [READY, shelf, "page"])
    rounds = [[processor(state, *command) for command in commands] for _ in range(8)][1:]
    flask, address, page = map(statistics.median, zip(*rounds, strict=True))
    print(f"flask {flask:.2f} s, address {address:.2f}, first page {page:.2f} s")  # noqa: T201
    assert address < flask
    assert page < 2.3 * flask
