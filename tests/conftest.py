"""Small trial folders that are right, and how to read one that has been changed."""

from __future__ import annotations

import contextlib
import csv
import datetime
import functools
import gc
import hashlib
import json
import os
import pickle
import secrets
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

# Before numpy comes in: on matrices as small as here, threads double the processor time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import jinja2
import pytest
from _pytest.doctest import DoctestModule
from click.testing import CliRunner
from filelock import FileLock
from hypothesis import HealthCheck, settings

from blindspoon import trial
from blindspoon.cli import main
from blindspoon.errors import Note, Problem, TrialError
from blindspoon.files import shipped
from blindspoon.files.text_table import FolderTables, read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.scores.score_table import ScoreTable, build_table, check_scores

# Properties: the same few examples at every run; `--hypothesis-profile many` looks for new ones.
on_any_machine = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("few", max_examples=16, derandomize=True, **on_any_machine)
settings.register_profile("many", max_examples=500, derandomize=False, **on_any_machine)
settings.load_profile("few")

Files = dict[str, bytes]


def rows(path: Path) -> list[dict[str, str]]:
    """Read a table of a folder."""
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def spoil(path: Path, before: str, after: str) -> None:
    """Change one place of a file."""
    text = path.read_text(encoding="utf-8")
    assert before in text
    path.write_text(text.replace(before, after, 1), encoding="utf-8")


ROOT = Path(__file__).parents[1]
PHONE = {"width": 390, "height": 844}

TRIAL = b"""\
[trial]
title = "What keeps half-sour cucumbers crisp?"
control = "plain"
seed = 7

[decision]
declared = 2026-09-04
primary = ["texture"]
margin = 1.0

[scale]
low = 0
high = 10
step = 0.5

[[attribute]]
name = "texture"

[[attribute]]
name = "saltiness"

[[variant]]
name = "plain"

[[variant]]
name = "oak-leaf"

[[variant]]
name = "cool-cellar"
"""

SERVINGS = b"""\
session,taster,position,code
1,T01,1,037
1,T01,2,512
1,T01,3,846
1,T02,1,512
1,T02,2,290
1,T02,3,037
1,T03,1,705
1,T03,2,118
1,T03,3,664
"""

KEY = b"""\
session,taster,code,variant,batch
1,T01,037,plain,jar 1
1,T01,512,oak-leaf,jar 2
1,T01,846,cool-cellar,jar 3
1,T02,512,plain,jar 1
1,T02,290,cool-cellar,jar 3
1,T02,037,oak-leaf,jar 2
1,T03,705,cool-cellar,jar 3
1,T03,118,oak-leaf,jar 2
1,T03,664,plain,jar 1
"""

SCORES = b"""\
session,taster,code,texture,saltiness,comment
1,T01,037,7,4.5,snaps
1,T01,512,8.5,4,
1,T01,846,5,5,
1,T02,512,6,3,"soft, but
pleasant"
1,T02,290,4,3.5,
1,T02,037,9,4,
"""

BALLOT = b"""\
session,taster,code,texture,saltiness,comment
1,T03,705,5.5,6,
1,T03,118,7,5.5,
1,T03,664,6.5,6,
"""

UNCODED = b"""\
taster,variant,position,texture,saltiness
Ann,plain,1,7,4.5
Ann,oak-leaf,2,8.5,4
Ann,cool-cellar,3,5,5
Ben,oak-leaf,1,9,4
Ben,cool-cellar,2,4,3.5
Ben,plain,3,6,3
Cleo,cool-cellar,1,5.5,6
Cleo,plain,2,6.5,6
Cleo,oak-leaf,3,7,5.5
"""

EATEN = b"""\
trial = { title = "When?", control = "usual" }
decision = { declared = 2026-09-04, margin = 1.0 }
course = { keep = true, accept = "would_eat_it" }
scale = { low = 0, high = 10, step = 1 }
attribute = [{ name = "sourness" }]
variant = [{ name = "usual" }, { name = "kraut" }]
session = [{ name = "1", date = 2026-09-20 }]
tasting = { tasters = ["T01", "T02", "T03"] }
"""

EATEN_JARS = b"""\
batch,variant,started
jar 1,usual,2026-09-01
jar 2,kraut,2026-09-01
"""


@pytest.fixture
def eaten() -> Files:
    """A trial over days that asks whether a taster would have it, before it is drawn."""
    return {"trial.toml": EATEN, "batches.csv": EATEN_JARS}


@pytest.fixture
def coded() -> Files:
    """The files of a trial with codes, three tasters and three variants."""
    return {
        "trial.toml": TRIAL,
        "scores.csv": SCORES,
        "servings.csv": SERVINGS,
        "key.csv": KEY,
        "ballots/1-T03.csv": BALLOT,
    }


@pytest.fixture
def uncoded() -> Files:
    """The same scores, never coded."""
    return {"trial.toml": TRIAL, "scores.csv": UNCODED}


def _arguments(files: Mapping[str, bytes]) -> tuple:
    tables = {name: read_table(data, name) for name, data in files.items() if name[-3:] == "csv"}
    scores = [table for name, table in tables.items() if name == "scores.csv" or "/" in name]
    servings, key = tables.get("servings.csv"), tables.get("key.csv")
    folder = FolderTables(scores=tuple(scores), servings=servings, key=key)
    return parse_trial(files["trial.toml"].decode()), folder


@pytest.fixture
def read() -> Callable[[Files], tuple[ScoreTable, tuple[Note, ...]]]:
    """Read the files of a trial to its table and notes."""
    return lambda files: build_table(*_arguments(files))


@pytest.fixture
def check() -> Callable[[Files], tuple[tuple[Problem, ...], tuple[Note, ...]]]:
    """Say what is wrong and worth knowing with the files of a trial."""

    def run(files: Files) -> tuple[tuple[Problem, ...], tuple[Note, ...]]:
        try:
            return check_scores(*_arguments(files))
        except TrialError as error:
            return error.problems, ()

    return run


@dataclass(frozen=True, slots=True)
class Done:
    """What a command left behind: its exit code, and all that it said."""

    returncode: int
    stdout: str
    stderr: str


@pytest.fixture(scope="session")
def blindspoon() -> Callable[..., Done]:
    """Run a command as a user types it, in this process; what it does not catch is raised."""

    def run(*arguments: object, cwd: Path = ROOT) -> Done:
        code: object = 0
        with contextlib.chdir(cwd), CliRunner().isolation() as (out, err, _):
            try:
                main([str(argument) for argument in arguments])
            except SystemExit as leave:
                code = leave.code
            said = [stream.getvalue().decode().replace("\r\n", "\n") for stream in (out, err)]
        return Done(int(code or 0), *said)

    return run


@pytest.fixture(scope="session")
def apart() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run a command in a process of its own, where sets and dicts hash otherwise."""
    environment = {**os.environ, "PYTHONIOENCODING": "utf-8"}

    def run(*arguments: object) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "blindspoon", *map(str, arguments)]
        return subprocess.run(
            command, env=environment, capture_output=True, encoding="utf-8", check=False
        )

    return run


@pytest.fixture(scope="session", autouse=True)
def compiled_once(tmp_path_factory):
    """Keep what jinja2 compiles: an app, and there are hundreds, compiles all anew."""
    kept = shared(tmp_path_factory) / "templates"
    kept.mkdir(exist_ok=True)
    cache = jinja2.FileSystemBytecodeCache(str(kept))
    if words := sys.modules.get("blindspoon.writeup.templating"):
        words.templates().bytecode_cache = cache
    if server := sys.modules.get("blindspoon.collect.server"):
        server.JINJA["bytecode_cache"] = cache


@pytest.fixture(scope="session", autouse=True)
def one_seed():
    """Draw new trials from one seed: of one drawing in forty some numbers cannot be computed."""
    shipped.secrets = SimpleNamespace(randbelow=lambda _: 1)


@pytest.fixture(scope="session", autouse=True)
def one_day():
    """Have today be the day on which the tests began: none sees midnight pass."""
    moment = datetime.datetime.now().astimezone()
    trial.datetime = SimpleNamespace(
        date=datetime.date, datetime=SimpleNamespace(now=lambda: moment)
    )


@pytest.fixture(scope="session", autouse=True)
def influence_once(once):
    """Judge like scores again without a taster or a session, half of a report, once in a run."""
    from blindspoon.findings import further  # noqa: PLC0415 - scipy is not for who hands out tests

    study = further.study_influence

    def study_once(*given):
        like = hashlib.sha256(pickle.dumps(given)).hexdigest()
        return once(f"influence-{like}", lambda _: study(*given))

    further.study_influence = study_once


@pytest.fixture(scope="session")
def analysis_of():
    """Analyse a trial of this repository, by its name; each is analysed once."""
    from blindspoon.analysis import analyse  # noqa: PLC0415 - as above

    return functools.cache(lambda name: analyse(ROOT / "trials" / name))


@pytest.fixture(scope="session")
def further_of(analysis_of):
    """The further analyses of a trial of this repository, made once."""
    from blindspoon.findings.further import study_further  # noqa: PLC0415 - as above

    return functools.cache(lambda name: study_further(analysis_of(name)))


@pytest.fixture(scope="session")
def record_of(analysis_of, further_of):
    """What was found in a trial of this repository as plain values; only to be read."""
    from blindspoon.analysis import to_record  # noqa: PLC0415 - as above

    return functools.cache(lambda name: to_record(analysis_of(name), further_of(name)))


@pytest.fixture(scope="session")
def once(tmp_path_factory) -> Callable[[str, Callable[[Path], Any]], Any]:
    """Make a value once for all workers of a run, with a folder of its own; nobody changes it."""
    root = shared(tmp_path_factory)

    def once(name: str, make: Callable[[Path], Any]) -> Any:
        folder, kept = root / name, root / f"{name}.pickle"
        with FileLock(root / f"{name}.lock"):
            if not kept.exists():
                shutil.rmtree(folder, ignore_errors=True)  # of a maker that failed
                folder.mkdir()
                kept.write_bytes(pickle.dumps(make(folder)))
        return pickle.loads(kept.read_bytes())  # noqa: S301 - our own

    return once


def shared(tmp_path_factory) -> Path:
    """Give the folder of all workers of a run."""
    own = tmp_path_factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


@pytest.fixture(scope="session")
def packed_of(analysis_of, once):
    """The files of all that is sent out of a trial of ours, and how far each step told it was.

    Pictures are laid out, and painted where that is asked for.
    """
    from blindspoon.packing.pack import pack  # noqa: PLC0415 - for few tests

    def packed_of(name: str, *, painted: bool = False):
        def make(_):
            steps, found = [], analysis_of(name)
            with contextlib.nullcontext() if painted else _unpainted():
                made = pack(found, jar_g=1000, progress=lambda *done: steps.append(done))
            return dict(made.files), steps

        return once(f"packed-{name}{'-painted' * painted}", make)

    return packed_of


@contextlib.contextmanager
def _unpainted():
    """Lay pictures out as ever, and leave their pixels away, which are half the time of a pack."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("blindspoon.charts.png.png", lambda *_, **__: b"a picture")
        yield


@pytest.fixture
def unpainted():
    """Leave the pixels of pictures away."""
    with _unpainted():
        yield


@pytest.fixture(scope="session")
def printed(blindspoon, once):
    """What `compare --json` prints of the demonstration."""
    asked = ("compare", ROOT / "trials/allotment-cucumbers", "--json")
    return json.loads(once("printed", lambda _: blindspoon(*asked).stdout))


@pytest.fixture(scope="session")
def reported(blindspoon, once):
    """The report of the demonstration, written once: what was said, and the folder of reports."""
    demo = ROOT / "trials" / "allotment-cucumbers"
    return once("reported", lambda to: (blindspoon("report", demo, "--to", to), to))


@pytest.fixture(scope="session")
def launch():
    """Open a system Chromium; its absence fails where CI is set, and skips elsewhere.

    The one without windows takes a quarter less time, and shapes text as the other does if asked.
    """
    found = needed("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
    sync = pytest.importorskip("playwright.sync_api")
    idle = ("gpu", "background-networking", "component-update", "sync", "extensions")
    options = ("--no-sandbox", "--font-render-hinting=none", *(f"--disable-{it}" for it in idle))
    with sync.sync_playwright() as engine:
        yield lambda *more: engine.chromium.launch(executable_path=found, args=[*options, *more])


@pytest.fixture(scope="session")
def browser(launch):
    """A Chromium for pages that are used."""
    with launch() as opened:
        yield opened


@pytest.fixture(scope="session")
def tab(launch):
    """The one page, without a network, of all tests that only look: opening one takes a second.

    It is laid out, measured and printed; no frame of it is drawn, which is a third of its time.
    """
    page = launch("--enable-begin-frame-control").new_context(offline=True).new_page()
    page.asked = []
    page.on("request", lambda request: page.asked.append(request.url))
    yield page
    page.context.browser.close()


@pytest.fixture
def screen(tab):
    """Show a file, or HTML, on the tab; whatever else it asks for fails the test."""
    tab.asked.clear()
    own = []

    def screen(page, viewport=PHONE, theme="light"):
        tab.emulate_media(media="null", color_scheme=theme)  # printed as on paper
        tab.set_viewport_size(viewport)
        if isinstance(page, Path):
            own.append(page.as_uri())
            tab.goto(own[-1])
        else:
            tab.set_content(page)
        return tab

    yield screen
    assert tab.asked == own


@pytest.fixture(scope="session")
def accessible():
    """See that axe finds nothing on a page; only what it finds is sent back, which halves it.

    Contrast, four fifths of the rest, is judged on two of all words that are painted alike. Of a
    page that nobody looks at `again`, what is folded away is taken out: it is most of a writeup,
    axe does not judge it, and looks at it a hundred times.
    """
    axe = pytest.importorskip("axe_playwright_python.base")
    judged = "axe.configure({ rules: [{ id: 'color-contrast', selector: '[data-judged]' }] })"

    def accessible(page, *, again=True):
        if not again:
            page.evaluate(FOLDED)
        if page.evaluate("typeof axe") == "undefined":
            page.evaluate(axe.AXE_SCRIPT + judged)
        assert page.evaluate(JUDGED) == []

    return accessible


FOLDED = """() => {
  for (const it of document.body.querySelectorAll('*')) {
    if (!it.checkVisibility() && !it.id && !it.querySelector('[id]')) it.remove();
  }
}"""
JUDGED = """async () => {
  const grounds = new Map([[null, '']]), numbers = new Map(), seen = new Map();
  const ground = it => {
    if (!grounds.has(it)) {
      const look = getComputedStyle(it), below = ground(it.parentElement);
      const own = ['backgroundColor', 'backgroundImage', 'opacity', 'position'].map(it => look[it]);
      const all = below + '/' + own;
      if (!numbers.has(all)) numbers.set(all, String(numbers.size));
      grounds.set(it, `${own}` === 'rgba(0, 0, 0, 0),none,1,static' ? below : numbers.get(all));
    }
    return grounds.get(it);
  };
  for (const it of document.body.querySelectorAll('*')) {
    const words = [...it.childNodes].some(part => part.nodeType === 3 && part.data.trim());
    if (!(words || it.matches('input, select, textarea')) || !it.checkVisibility()) continue;
    const { color, fontSize, fontWeight, textShadow } = getComputedStyle(it);
    const look = [it.tagName, it.getAttribute('class'), it.disabled, ground(it),
      color, fontSize, fontWeight, textShadow].join();
    seen.set(look, (seen.get(look) ?? 0) + 1);
    it.toggleAttribute('data-judged', seen.get(look) <= 2);
  }
  const { violations } = await axe.run({ resultTypes: ['violations'] });
  return violations.map(({ id, nodes }) =>
    [id, ...nodes.map(node => node.failureSummary + node.html)]);
}"""


@pytest.fixture(scope="session")
def poppler():
    """Where `pdftotext` and `pdftoppm` are."""
    return {name: needed(name) for name in ("pdftotext", "pdftoppm")}


@pytest.fixture
def free_port() -> int:
    """A port that is free, and the next; below those that systems hand out to whoever asks."""
    while True:
        port = 20_000 + 2 * secrets.randbelow(6_000)
        with contextlib.suppress(OSError), socket.socket() as own, socket.socket() as other:
            own.bind(("127.0.0.1", port))
            other.bind(("127.0.0.1", port + 1))
            return port


def needed(*names: str) -> str:
    """Find a program, or skip; fail where CI is set."""
    found = next(filter(None, map(shutil.which, names)), None)
    if found is None:
        message = f"no {' or '.join(names)} was found on the path"
        if os.environ.get("CI"):
            pytest.fail(f"{message}, and CI is set")
        pytest.skip(message)
    return found


# What reads, computes and judges, in seconds: no command, page, chart, picture or server, no
# searching for examples or through all plans, no panels of thousands, no rates over many panels.
QUICK = {"batches", "files", "findings", "scores", "serving", "stats", "test_verdict.py"}
LONG = {
    *("slow", "bench", "browser", "blindspoon", "sensitivity", "multivariate"),
    *("test_blind.py", "test_blocks.py", "test_choices.py", "test_course.py", "test_model.py"),
    *("test_joint_normal.py", "test_multiplicity.py", "test_order_effects.py", "test_orders.py"),
    *("test_photographs.py", "test_sitting_model.py", "test_study.py"),
    "test_a_constant_moves_shift_and_interval_by_itself",
    "test_a_huge_set_has_different_codes_at_least",
    "test_a_hundred_thousand_bad_rows_take_seconds",
    "test_a_line_of_fifty_megabytes_is_refused",
    "test_an_unnamed_control_beside_two_jars_each_keeps_alpha",
    "test_codes_are_shared_only_where_there_are_more_cups_than_codes",
    "test_gaps_of_any_pattern_give_numbers",
    "test_different_is_an_interval_without_zero",
    "test_its_size_is_five_in_a_hundred",
    "test_method_by_the_number_of_tasters",
    "test_no_pattern_of_signs_passes_alpha",
    "test_optimum_is_that_of_the_dense_likelihood",
    "test_random_changes_leave_every_comment_and_value_else",
    "test_steady_differences_are_not_said_to_move",
    "test_taster_labels_do_not_matter",
    "test_the_order_and_names_of_rounds_do_not_matter",
    "test_the_same_seed_gives_the_same_result",
    "test_very_many_distinct_cells_are_told_apart",
}


def pytest_configure(config):
    """Save work that is none of the tests' own.

    What is compiled is kept for the other workers, and for the commands that tests start; files
    lie in memory where there is plenty, for the program forces thousands of them to the disk; what
    was imported and collected is not looked through for garbage again and again; and where
    `-m quick` is all that is asked, the files of the quick tests only are read.
    """
    gc.disable()
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.dont_write_bytecode = False
    memory = Path("/dev/shm")  # noqa: S108 - only where pytest makes its own folders in it
    if memory.is_dir() and shutil.disk_usage(memory).free > 4e9:
        os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(memory))
    if config.option.markexpr == "quick" and config.args_source is config.ArgsSource.TESTPATHS:
        config.args = [str(ROOT / "tests" / place) for place in sorted(QUICK)]
    config.pluginmanager.register(Examples())


class Examples:
    """Look for examples in the source and the calibration only, and in modules that hold some."""

    @pytest.hookimpl(wrapper=True)
    def pytest_collect_file(self, file_path):
        here = any(map(file_path.is_relative_to, (ROOT / "src", ROOT / "tests/calibration")))
        looked = here and b">>>" in file_path.read_bytes()
        return [it for it in (yield) if looked or not isinstance(it, DoctestModule)]


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    parts_of = functools.cache(lambda path: path.relative_to(ROOT).parts)
    for item in items:
        top, place, *rest = parts_of(item.path)
        own = getattr(item, "originalname", item.name)
        has = {own, *rest, *item.keywords, *getattr(item, "fixturenames", ())}
        searches = hasattr(getattr(item, "obj", None), "hypothesis")
        if top == "tests" and place in QUICK and LONG.isdisjoint(has) and not searches:
            item.add_marker("quick")
    # Where the longest are, first: at the end no worker is left with one while the others wait.
    # Then what needs a browser, which one worker opens then.
    items.sort(
        key=lambda item: (
            item.path.parent.name != "workbench",
            item.get_closest_marker("browser") is None,
        )
    )


def pytest_collection_finish():
    gc.freeze()
    gc.enable()
    gc.set_threshold(50_000, 20, 100)  # a tenth of the time of a test goes into looking otherwise


def pytest_addoption(parser):
    parser.addoption("--renew", action="store_true", help="renew committed pages, then compare")
