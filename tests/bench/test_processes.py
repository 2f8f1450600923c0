"""Whole processes against the clock: ``python -m pytest tests/bench -m bench -s``.

Medians of five. "At 100,000 tasters" is one CSV of 500,000 rows, read by pandas alone and by
``compare --json``, in turn, in the same run.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parents[2]
CUCUMBERS = ROOT / "trials" / "allotment-cucumbers"
TRIAL = """
trial = { title = "Large", control = "v0", seed = 1 }
scale = { low = 0, high = 10, step = 1 }
attribute = [{ name = "texture" }]
variant = [{ name = "v0" }, { name = "v1" }, { name = "v2" }, { name = "v3" }, { name = "v4" }]
"""

pytestmark = pytest.mark.bench


PEAK = """
import atexit, re, sys
def peak():
    status = open("/proc/self/status").read()
    print(re.search(r"VmHWM:\\s+(\\d+)", status)[1], file=sys.stderr)
atexit.register(peak)
"""
BLINDSPOON = PEAK + "from blindspoon.cli import main; main(sys.argv[1:])"


def run(code, *arguments):
    """Seconds and peak memory in MB of one process."""
    started = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        check=True,
    )
    return time.perf_counter() - started, int(done.stderr.split()[-1]) / 1024


def medians(*commands, repeats=5):
    """Run the commands in turn, so that a busy moment falls on all of them."""
    runs = [[run(*command) for command in commands] for _ in range(repeats)]
    for each in zip(*runs, strict=True):
        seconds, memory = zip(*each, strict=True)
        yield statistics.median(seconds), max(memory)


def show(name, seconds, memory):
    print(f"{name:<52} {seconds:6.2f} s {memory:6.0f} MB")  # noqa: T201


@pytest.fixture
def large(tmp_path):
    """A hundred thousand tasters and five variants, uncoded."""
    rng = np.random.default_rng(5)
    tasters = np.arange(100_000)
    variant = np.array([rng.permutation(5) for _ in tasters]).ravel()
    habit = np.repeat(rng.normal(0, 1, tasters.size), 5)
    effect = np.array([0, 0.01, 0.03, 0.3, -0.02])[variant]
    score = np.clip(np.rint(5 + habit + effect + rng.normal(0, 1.2, variant.size)), 0, 10)
    rows = zip(np.repeat(tasters, 5), variant, score.astype(int), strict=True)
    body = "".join(f"P{taster},v{kind},{value}\n" for taster, kind, value in rows)
    (tmp_path / "scores.csv").write_text("taster,variant,texture\n" + body, encoding="utf-8")
    (tmp_path / "trial.toml").write_text(TRIAL, encoding="utf-8")
    return tmp_path


def test_small_commands(tmp_path):
    for name, limit, arguments in (
        ("blindspoon --help", 0.5, ["--help"]),
        ("blindspoon check, 12 tasters", 1.0, ["check", CUCUMBERS]),
        ("blindspoon compare, 12 tasters", 1.0, ["compare", CUCUMBERS]),
        ("blindspoon report, the demonstration", 4.0, ["report", CUCUMBERS, "--to", tmp_path]),
    ):
        ((seconds, memory),) = medians([BLINDSPOON, *arguments])
        show(name, seconds, memory)
        assert seconds < limit, name


def processor(*command):
    """Seconds of processor time of one process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    run(*command)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def test_a_report_costs_two_imports_and_all_that_is_sent_out_six(tmp_path):
    """In processor time, in turn, because other programs take their share of the clock."""
    to = [CUCUMBERS, "--to", tmp_path]
    imports = [PEAK + "import numpy, scipy.stats, matplotlib.figure"]
    commands = (imports, [BLINDSPOON, "report", *to], [BLINDSPOON, "publish", *to])
    rounds = [[processor(*command) for command in commands] for _ in range(5)]
    base, report, publish = map(statistics.median, zip(*rounds, strict=True))
    print(f"report {report / base:.2f}, publish {publish / base:.2f} times {base:.2f} s")  # noqa: T201
    assert report < 2 * base
    assert publish < 6 * base


def test_a_hundred_thousand_tasters(large):
    read = PEAK + "import pandas; pandas.read_csv(sys.argv[1])"
    (alone, alone_memory), (ours, our_memory) = medians(
        [read, large / "scores.csv"], [BLINDSPOON, "compare", large, "--json"]
    )
    show("pandas.read_csv alone, 500,000 rows", alone, alone_memory)
    show("blindspoon compare --json, 500,000 rows", ours, our_memory)
    print(f"ratio {ours / alone:.2f}")  # noqa: T201
    assert ours <= 4 * alone
    assert our_memory < 600


def sets_of(folder, variants, tests):
    """Right or wrong answers to so many triangles, each taster one of every variant."""
    names = ", ".join(f'{{ name = "v{place}" }}' for place in range(variants + 1))
    head = 'trial = { title = "Large", control = "v0" }\nchoice = { method = "triangle" }\n'
    (folder / "trial.toml").write_text(f"{head}variant = [{names}]\n")
    right = np.random.default_rng(5).random(tests) < 0.4
    rows = (
        f"P{row // variants},v{row % variants + 1},{'yes' if was else 'no'}\n"
        for row, was in enumerate(right.tolist())
    )
    (folder / "choices.csv").write_text("taster,variant,right\n" + "".join(rows))
    return folder


def test_a_hundred_thousand_answers_to_sets(tmp_path):
    """In processor time, in turn, as the imports are."""
    folder = sets_of(tmp_path, 1, 100_000)
    read = [PEAK + "import pandas; pandas.read_csv(sys.argv[1], dtype=str)", folder / "choices.csv"]
    commands = (read, [BLINDSPOON, "compare", folder, "--json"])
    rounds = [[processor(*command) for command in commands] for _ in range(5)]
    alone, ours = map(statistics.median, zip(*rounds, strict=True))
    print(f"compare of 100,000 sets {ours / alone:.2f} times reading, {alone:.2f} s")  # noqa: T201
    assert ours < 3 * alone


def test_twenty_variants_by_sets(tmp_path):
    from blindspoon.analysis import analyse  # noqa: PLC0415

    folder, seconds = sets_of(tmp_path, 20, 20 * 36), []
    for _ in range(10):
        started = time.process_time()
        assert len(analyse(folder).choices) == 20
        seconds.append(time.process_time() - started)
    print(f"20 variants by sets: {1000 * min(seconds[1:]):.0f} ms beyond imports")  # noqa: T201
    assert min(seconds[1:]) < 0.05


ATTRIBUTES = ("saltiness", "sourness", "ferment", "texture")


def four_attributes(folder, tasters):
    """So many tasters, five variants and four attributes."""
    rng = np.random.default_rng(1)
    taster, variant = np.repeat(np.arange(tasters), 5), np.tile(np.arange(5), tasters)
    habit = rng.normal(0, 1, tasters)[taster]
    scores = [
        np.clip(np.rint(5 + habit + 0.1 * k * variant + rng.normal(0, 1.5, taster.size)), 0, 10)
        for k in range(1, 5)
    ]
    rows = zip(taster, variant, *(each.astype(int) for each in scores), strict=True)
    body = "".join(f"P{row[0]},v{row[1]},{','.join(map(str, row[2:]))}\n" for row in rows)
    (folder / "scores.csv").write_text(f"taster,variant,{','.join(ATTRIBUTES)}\n{body}")
    named = ", ".join(f'{{ name = "{name}" }}' for name in ATTRIBUTES)
    (folder / "trial.toml").write_text(TRIAL.replace('{ name = "texture" }', named))
    return folder


def test_cost_grows_as_the_tasters_do(tmp_path):
    """`compare` and `report` of 100,000 tasters and four attributes: 20 seconds and 2 GB."""
    taken = []
    for tasters in (25_000, 50_000, 100_000):
        folder = tmp_path / f"tasters-{tasters}"
        folder.mkdir()
        four_attributes(folder, tasters)
        (compared, first), (reported, second) = medians(
            [BLINDSPOON, "compare", folder],
            [BLINDSPOON, "report", folder, "--to", tmp_path / "reports"],
            repeats=3,
        )
        show(f"compare, {tasters:,} tasters x 5 x 4 attributes", compared, first)
        show(f"report, {tasters:,} tasters x 5 x 4 attributes", reported, second)
        taken.append(compared + reported)
        assert max(first, second) < 2000
    assert taken[-1] < 20
    assert taken[2] < 2.5 * taken[1]
    text = (tmp_path / "reports" / "tasters-100000" / "index.html").read_text(encoding="utf-8")
    assert len(text.encode()) < 400_000
    assert "ordered categor" in text
