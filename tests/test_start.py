"""A command loads what it needs and no more: the seconds before the first word."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

CUCUMBERS = Path(__file__).parents[1] / "trials" / "allotment-cucumbers"
HEAVY = {"scipy", "pandas", "statsmodels", "matplotlib", "jinja2", "flask", "joblib"}


PLOTTING = {"pandas", "statsmodels", "matplotlib"}
COMMANDS = (
    (("--version",), HEAVY | {"numpy"}),
    (("--help",), HEAVY | {"numpy"}),
    (("report", "--help"), HEAVY | {"numpy"}),
    (("new", "new"), {"pandas", "matplotlib", "scipy", "jinja2"}),
    (("check", CUCUMBERS), HEAVY),
    (("batches", CUCUMBERS), PLOTTING),
    (("compare", CUCUMBERS), PLOTTING | {"scipy.optimize"}),
)
"""Commands on a small folder, and what none of them loads, though others ran before it."""


def python(code: str, place: Path | None = None) -> list[str]:
    """The lines that some lines of Python say, in a process of their own."""
    command = [sys.executable, "-c", f"import sys\n{code}"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=place)
    return [line for line in done.stderr.splitlines() if not line.startswith("Next: ")]


def loaded(code: str, heavy: set[str] = HEAVY) -> set[str]:
    """The heavy libraries that some lines of Python bring in."""
    return heavy & set(python(f"{code}\nprint(*sys.modules, file=sys.stderr)")[-1].split())


RUN = """
from blindspoon.cli import main
for arguments in {!r}:
    try:
        main(arguments)
    except SystemExit as leave:
        assert not leave.code, leave.code
    print(*sys.modules, file=sys.stderr)
"""


def run(*commands: Sequence[object]) -> str:
    return RUN.format([[str(argument) for argument in command] for command in commands])


def test_commands_load_what_they_need_and_no_more(tmp_path):
    said = python(run(*(command for command, _ in COMMANDS)), tmp_path)
    assert len(said) == len(COMMANDS)
    for (command, never), modules in zip(COMMANDS, said, strict=True):
        assert not never & set(modules.split()), command


def test_the_score_page_loads_what_serves_it_and_no_more():
    code = "import blindspoon.collect.opening, blindspoon.collect.server"
    assert loaded(code) == {"flask", "jinja2"}


def test_the_workbench_starts_without_what_later_pages_need():
    later = {"segno", "tomlkit", "statistics", "webbrowser"}
    own = {"batches.summary", "examine", "planning", "findings.panel"}
    code = f"""
from pathlib import Path
import blindspoon.cli, blindspoon.workbench.listening
from blindspoon.workbench.app import Workbench
from blindspoon.files.own_state import Door
Workbench(Path({str(CUCUMBERS.parent)!r}), Door(b"secret"), 8770)"""
    assert loaded(code, later | {f"blindspoon.{name}" for name in own}) == set()


def test_a_large_table_is_read_by_pandas(tmp_path):
    folder = Path(shutil.copytree(CUCUMBERS, tmp_path / "large"))
    comment = "x" * 1000
    lines = (folder / "scores.csv").read_text(encoding="utf-8").splitlines()
    lines = [line for line in lines if '"' not in line]  # in quotation marks a comma may stand
    wide = [f"{lines[0]},more", *(f"{line},{comment * 25}" for line in lines[1:])]
    (folder / "scores.csv").write_text("\n".join(wide), encoding="utf-8")
    assert loaded(run(("check", folder))) == {"pandas"}


def test_the_package_itself_loads_nothing():
    code = "import time; start = time.process_time(); import blindspoon; "
    code += "assert time.process_time() - start < 0.05"
    assert loaded(code) == set()
    assert loaded("import blindspoon; assert 'numpy' not in sys.modules") == set()
