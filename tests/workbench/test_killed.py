"""What is stopped by force is as before or as after: killed while saving, drawing and lifting.

Three hundred times: ``python -m pytest tests/workbench/test_killed.py -m slow -s``.
"""

from __future__ import annotations

import datetime
import os
import random
import shutil
import signal
import time
import warnings

import pytest

from blindspoon.drawing import draw_blind
from blindspoon.files import undo
from blindspoon.lifting import lift_blind
from blindspoon.stage import stage

DAY = datetime.date(2026, 9, 6)
SAVED = {"batches.csv": b"batch,variant\n", "readings.csv": b"batch\n", "story.md": b"Mine\n"}
WORK = {
    "save": ("planned", lambda folder: undo.write(folder, SAVED, "Three files")),
    "draw": ("planned", lambda folder: draw_blind(folder, DAY)),
    "lift": ("closed", lambda folder: lift_blind(folder, DAY, lambda _: "unknown")),
}


def contents(folder):
    """Every file but our own, and what was never given its name."""
    files = (path for path in folder.rglob("*") if path.is_file() and path.suffix != ".new")
    kept = (path for path in files if ".blindspoon" not in path.parts)
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in kept}


def begin(work, folder, kill_after=None):
    """Begin some work in a process of its own, and kill that, or wait for its end."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of forking with threads: the child is killed in any case
        process = os.fork()
    if not process:
        work(folder)
        os._exit(0)
    if kill_after is not None:
        time.sleep(kill_after)
        os.kill(process, signal.SIGKILL)
    os.waitpid(process, 0)


def settled(work, folder, before, after):
    """Tell what is there once the pages are opened again; a drawing that was stopped goes on."""
    half = contents(folder)
    undo.finish(folder)
    now = contents(folder)
    if now not in (before, after):
        assert work is WORK["draw"][1]
        assert stage(folder).state == "planned"
        work(folder)
        assert contents(folder) == after
        return "drawn on"
    return "finished" if half != now else "before" if now == before else "after"


@pytest.mark.parametrize("what", WORK)
@pytest.mark.parametrize("times", [8, pytest.param(100, marks=pytest.mark.slow)])
def test_who_is_killed_leaves_the_state_before_or_after(stood, tmp_path, what, times):
    state, work = WORK[what]
    whole = shutil.copytree(stood[state], tmp_path / "whole" / "crisp")
    before, begun = contents(whole), time.perf_counter()
    begin(work, whole)
    taken, after = time.perf_counter() - begun, contents(whole)
    assert before != after
    rng, seen = random.Random(times), []  # noqa: S311 - no secret
    for number in range(times):
        folder = shutil.copytree(stood[state], tmp_path / str(number) / "crisp")
        begin(work, folder, rng.uniform(0, 1.2 * taken))
        seen.append(settled(work, folder, before, after))
    print(what, {how: seen.count(how) for how in set(seen)})  # noqa: T201
    assert times < 100 or {"before", "after"} <= set(seen)
