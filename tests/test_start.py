"""A command loads what it needs and no more: the seconds before the first word."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

CUCUMBERS = Path(__file__).parents[1] / "trials" / "allotment-cucumbers"
HEAVY = {"scipy", "pandas", "statsmodels", "matplotlib", "jinja2", "flask", "joblib"}


def loaded(code: str, heavy: set[str] = HEAVY) -> set[str]:
    """The heavy libraries that some lines of Python bring in."""
    lines = f"import sys\n{code}\nprint(*sys.modules, file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", lines], capture_output=True, text=True, check=True)
    return heavy & set(done.stderr.split())


def run(*arguments: object) -> str:
    return f"""
from blindspoon.cli import main
try:
    main({[str(argument) for argument in arguments]!r})
except SystemExit as leave:
    assert not leave.code, leave.code
"""


def test_check_of_a_small_folder_loads_no_heavy_library():
    assert loaded(run("check", CUCUMBERS)) == set()


@pytest.mark.parametrize("command", ["compare", "batches"])
def test_commands_on_a_small_folder_load_no_pandas(command):
    assert not loaded(run(command, CUCUMBERS)) & {"pandas", "statsmodels", "matplotlib"}


def test_the_score_page_loads_what_serves_it_and_no_more():
    code = "import blindspoon.collect.opening, blindspoon.collect.server"
    assert loaded(code) == {"flask", "jinja2"}


def test_the_workbench_starts_without_what_later_pages_need():
    later = {"segno", "tomlkit", "statistics", "webbrowser"}
    own = {"batches.summary", "examine", "planning", "serving.draw", "stats.correlation"}
    code = f"""
from pathlib import Path
import blindspoon.cli.main, blindspoon.workbench.listening
from blindspoon.workbench.app import create_workbench
from blindspoon.workbench.door import Door
create_workbench(Path({str(CUCUMBERS.parent)!r}), Door(b"secret"), 8770, print)"""
    assert loaded(code, later | {f"blindspoon.{name}" for name in own}) == set()


def test_a_large_table_is_read_by_pandas(tmp_path):
    folder = Path(shutil.copytree(CUCUMBERS, tmp_path / "large"))
    comment = "x" * 1000
    lines = (folder / "scores.csv").read_text(encoding="utf-8").splitlines()
    wide = [f"{lines[0]},more", *(f"{line},{comment * 25}" for line in lines[1:])]
    (folder / "scores.csv").write_text("\n".join(wide), encoding="utf-8")
    assert loaded(run("check", folder)) == {"pandas"}


def test_the_package_itself_loads_nothing():
    code = "import time; start = time.process_time(); import blindspoon; "
    code += "assert time.process_time() - start < 0.05"
    assert loaded(code) == set()
    assert loaded("import blindspoon; assert 'numpy' not in sys.modules") == set()
