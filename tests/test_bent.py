"""Folders and commands that were bent until something broke; each stays mended."""

from __future__ import annotations

import contextlib
import datetime
import io
import os
import re
import shlex
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from blindspoon.analysis import analyse
from blindspoon.cli import main
from blindspoon.drawing import add_late, draw_blind, take_back, write_sheets
from blindspoon.errors import DesignError, Rule, TrialError, TrialFileError, together
from blindspoon.examine import examine
from blindspoon.files import own_state
from blindspoon.files.durable import put_aside
from blindspoon.files.edits import edit_table
from blindspoon.files.trial_folder import fingerprint, read_folder
from blindspoon.files.trial_toml import names_by_label, parse_trial
from blindspoon.serving.draw import add_taster, draw
from blindspoon.serving.plan import ServingRequest
from blindspoon.stage import Stage
from blindspoon.wording import number
from tests.conftest import ROOT


@pytest.fixture
def bent(tmp_path):
    """Copy a trial, with other text in some of its files, and without others."""

    def make(name, **files):
        folder = shutil.copytree(ROOT / "trials" / name, tmp_path / name)
        for file, text in files.items():
            path = folder / f"{file}.csv"
            path.unlink() if text is None else path.write_text(text, encoding="utf-8")
        return folder

    return make


def test_numbers_beyond_all_sense_are_written_and_compared(bent, blindspoon):
    assert number(1e30, 1) == f"1{'0' * 30}.0"
    batches = "batch,variant,calcium_g\njar 1,plain,1e300\njar 4,calcium,2\n"
    said = blindspoon("batches", bent("allotment-cucumbers", batches=batches, readings=None))
    assert said.returncode == 0


@pytest.mark.parametrize("rows", ["", "rock-salt,0,0\n"])
@pytest.mark.parametrize("rule", ["fixed", "sequential"])
def test_choices_without_an_answer_are_no_scores(bent, blindspoon, rows, rule):
    folder = bent("two-salts", choices=f"variant,tests,right\n{rows}", servings=None, key=None)
    (folder / "seal.toml").unlink()
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    ruled = text.replace("[choice]", f'[choice]\nrule = "{rule}"')
    (folder / "trial.toml").write_text(ruled, encoding="utf-8")
    assert ("no row has an answer" in blindspoon("check", folder).stdout) or rows
    done = blindspoon("compare", folder)
    assert done.returncode == 1
    assert "choices.csv" in done.stderr


def test_a_windows_table_can_be_changed():
    data = "batch;note\njar 1;süß\n".encode("cp1252")
    changed = edit_table(data, "t.csv", {(0, "batch"): "jar λ"})
    assert changed.decode() == "batch;note\njar λ;süß\n"


def test_a_reading_in_two_units_keeps_both_columns(bent, blindspoon):
    rows = "batch,date,temperature_c,temperature_f\njar 1,2026-09-06,20,\njar 1,2026-09-08,,50\n"
    folder = bent("allotment-cucumbers", readings=rows)
    read = analyse(folder).made.log.readings.get("jar 1", ())
    assert [reading.temperature_c for reading in read] == [20.0, pytest.approx(10.0)]
    both = rows.replace("20,\n", "20,68\n")
    (folder / "readings.csv").write_text(both, encoding="utf-8")
    assert (
        "both temperature_c and temperature_f are filled in" in blindspoon("check", folder).stdout
    )


def test_a_message_never_lists_its_own_file_as_another():
    rule = Rule("no-age", "it counts", "Write it")
    (one,) = together([rule.broken(f"no batch of {n}", "batches.csv") for n in "abcd"])
    assert "(4 like it);" in str(one)
    files = ["servings.csv", "servings.csv", "key.csv"]
    (other,) = together([rule.broken("blank", file, 2) for file in files])
    assert "(3 times: also key.csv)" in str(other)


@pytest.mark.parametrize("name", ["", "   ", "x" * 81, "a\x01b"])
def test_nobody_without_a_name_is_added(name):
    request = ServingRequest(control="plain", others=("oak",), cups=2, tasters=("A", "B"))
    plan = draw(request, np.random.default_rng(1))
    with pytest.raises(DesignError, match="a taster has 1 to 80 characters"):
        add_taster(plan, name, np.random.default_rng(1))


def test_a_cup_taken_out_by_hand_leaves_the_plan_whole():
    request = ServingRequest(control="plain", others=("oak",), cups=2, tasters=("A", "B"))
    plan = draw(request, np.random.default_rng(1))
    fewer = replace(plan, servings=plan.servings[:-1])
    assert len(fewer.servings) == 3
    assert fewer.balance[0].trays == 1
    assert len(add_taster(fewer, "C", np.random.default_rng(1)).servings) == 5


def test_a_name_that_check_refuses_is_refused_by_compare_too(bent, blindspoon):
    folder = bent("randall-1989-wine")
    scores = (folder / "scores.csv").read_text(encoding="utf-8")
    (folder / "scores.csv").write_text(scores.replace("judge 1", "A" * 90), encoding="utf-8")
    assert [blindspoon(verb, folder).returncode for verb in ("check", "compare")] == [1, 1]


def test_a_chart_is_drawn_as_what_it_is_called_or_not_at_all(blindspoon, tmp_path):
    done = blindspoon("size", "trials/allotment-cucumbers", "--chart", tmp_path / "c.jpg")
    assert (done.returncode, "ends neither in .svg nor in .png" in done.stderr) == (2, True)
    done = blindspoon("size", "trials/two-salts", "--chart", tmp_path / "c.svg")
    assert (done.returncode, "this is worked out" in done.stderr) == (2, True)


def test_a_file_of_the_output_is_utf_8_whatever_the_system_has(tmp_path):
    command = [sys.executable, "-m", "blindspoon", "explain", "other-scale"]  # from −2 to 10
    with (tmp_path / "out.txt").open("wb") as out:
        subprocess.run(
            command, env={**os.environ, "PYTHONIOENCODING": "cp1252"}, stdout=out, check=True
        )
    assert "−" in (tmp_path / "out.txt").read_text(encoding="utf-8")


def test_a_drawing_is_put_aside_though_an_older_one_was_deleted(tmp_path):
    (tmp_path / ".blindspoon" / "drawn" / "2026-09-05-2").mkdir(parents=True)
    day = datetime.date(2026, 9, 5)
    places = [put_aside(tmp_path, [], day).name for _ in range(2)]
    assert places == ["2026-09-05-1", "2026-09-05-3"]


def test_a_folder_that_cannot_be_listed_is_a_problem(monkeypatch, bent):
    def refuse(folder):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", refuse)
    with pytest.raises(TrialFileError, match="cannot be read: permission denied"):
        read_folder(bent("carrot-days"))


def test_two_who_add_tasters_at_once_lose_none(bent):
    folder = bent("allotment-cucumbers", scores=None, servings=None, key=None)
    (folder / "seal.toml").unlink()
    draw_blind(folder, datetime.date(2026, 9, 5))
    names = ["Ada", "Bo", "Cy", "Dee"]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda name: add_late(folder, name, datetime.date(2026, 9, 5)), names))
    text = read_folder(folder)
    assert sorted(it.name for it in text.seal.added) == names
    assert set(names) <= {*text.tables.servings.columns["taster"].texts}
    stopped = (folder / "seal.toml").read_text(encoding="utf-8").replace('"Dee"', '"Eve"')
    (folder / "seal.toml").write_text(stopped, encoding="utf-8")
    assert not [page for page in write_sheets(folder, "a4", None) if "Eve" in f"{page}"]


@pytest.mark.parametrize(
    ("system", "shelf", "opened"),
    [
        ("linux", "/a 100 % $jar", '"/a 100 %% \\\\$jar"'),
        ("darwin", "/a 100 % $jar", "'/a 100 % $jar'"),
        ("win32", "/a 100 % $jar", '"/a 100 %% $jar"'),
        ("win32", "E:\\", '"E:\\\\"'),  # one alone would make the quotation mark a letter
    ],
)
def test_a_double_click_opens_a_shelf_of_any_name(monkeypatch, tmp_path, system, shelf, opened):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setattr(sys, "platform", system)
    desktop = tmp_path / ("OneDrive" if system == "win32" else ".") / "Desktop"
    registry = SimpleNamespace(
        HKEY_CURRENT_USER=0, OpenKey=lambda *_: contextlib.nullcontext(),
        QueryValueEx=lambda _, name: (f"%USERPROFILE%/OneDrive/{name}", 2),
        ExpandEnvironmentStrings=lambda text: text.replace("%USERPROFILE%", str(tmp_path)),
    )  # fmt: skip
    monkeypatch.setitem(sys.modules, "winreg", registry)
    starter = own_state.put_starter(Path(shelf))
    assert starter.parent == desktop
    lines = starter.read_text(encoding="utf-8").splitlines()
    assert [line.endswith(f" open {opened}") for line in lines].count(True) == 1
    assert ("chcp 65001 >nul" in lines) == (system == "win32")  # a name may have any letters
    assert (lines[-1] == "if errorlevel 1 pause") == (system == "win32")  # what is wrong is read


def test_a_secret_that_cannot_be_kept_is_said(monkeypatch, blindspoon, tmp_path):
    (tmp_path / "file").touch()
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))
    done = blindspoon("open", tmp_path, "--no-browser")
    assert (done.returncode, "Let XDG_STATE_HOME name a folder" in done.stderr) == (1, True)


@pytest.mark.skipif(os.name != "posix", reason="a shell with <&-")
def test_bad_luck_around_a_command_is_no_traceback(tmp_path):
    """Input that is closed, a name in no encoding, a folder that is gone under the terminal."""
    run = f"{shlex.quote(sys.executable)} -m blindspoon"
    script = f"{run} new a --plain <&-; {run} blind a <&-; {run} new $'b\\xfc' --plain; "
    script += f"mkdir c; cd c; rmdir ../c; {run} open --no-browser"
    done = subprocess.run(["bash", "-c", script], cwd=tmp_path, capture_output=True, check=False)
    assert b"Traceback" not in done.stderr
    assert b"New trial: b\xfc/trial.toml." in done.stdout
    assert done.returncode == 1


def test_two_folders_of_one_name_do_not_replace_each_others_page(bent, blindspoon, tmp_path):
    one = bent("randall-1989-wine")
    two = shutil.copytree(one, tmp_path / "other" / one.name)
    for verb in ("report", "publish"):
        done = blindspoon(verb, one, two, "--to", tmp_path / "out")
        assert (done.returncode, "give each its own --to" in done.stderr) == (2, True)
    assert not (tmp_path / "out").exists()


def test_a_name_is_the_same_in_every_form_of_its_letters():
    text = (ROOT / "trials/carrot-days/trial.toml").read_text(encoding="utf-8")
    listed = re.sub("(?m)^tasters = .*$", 'tasters = ["Zoe\u0308", "Ada"]', text)
    trial = parse_trial(listed.replace('"7 days"', '"Cafe\u0301"'))
    assert trial.tasting.tasters == ("Zo\xeb", "Ada")
    assert names_by_label(trial.variants)["caf\xe9"] == "days-7"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full here")
def test_a_full_disk_behind_the_output_is_said_in_a_line():
    with Path("/dev/full").open("wb") as full:
        command = [sys.executable, "-m", "blindspoon", "explain"]
        done = subprocess.run(
            command, stdout=full, stderr=subprocess.PIPE, encoding="utf-8", check=False
        )
    said = "The disk is full: not all of the output was written.\n"
    assert (done.returncode, done.stderr) == (1, said)


def test_a_drawing_with_a_file_that_is_open_elsewhere_stays_whole(bent, monkeypatch):
    folder = bent("allotment-cucumbers", scores=None, servings=None, key=None)
    (folder / "seal.toml").unlink()
    draw_blind(folder, datetime.date(2026, 9, 5))
    before = fingerprint(read_folder(folder).files)

    def in_use(path, to, replace=Path.replace):
        if path.name == "servings.csv":
            raise PermissionError(13, "It is used by another process", f"{path}")
        return replace(path, to)

    for name in ("replace", "rename"):
        monkeypatch.setattr(Path, name, in_use)
    with pytest.raises(TrialFileError, match="close other programs"):
        take_back(folder, datetime.date(2026, 9, 6))
    assert fingerprint(read_folder(folder).files) == before


def test_what_is_drawn_needs_nothing_more_to_be_drawn(coded, tmp_path):
    for name in ("trial.toml", "servings.csv", "key.csv"):
        (tmp_path / name).write_bytes(coded[name])
    assert examine(tmp_path).problems == ()  # though trial.toml names no tasters
    for name in ("servings.csv", "key.csv"):
        (tmp_path / name).unlink()
    assert [problem.column for problem in examine(tmp_path).problems] == ["tasting.tasters"]


def test_a_drawing_that_was_never_sealed_is_not_taken_back(coded, tmp_path):
    for name in ("trial.toml", "servings.csv", "key.csv"):
        (tmp_path / name).write_bytes(coded[name])
    with pytest.raises(TrialError, match="nothing was sealed here"):
        take_back(tmp_path, datetime.date(2026, 9, 6))
    assert (tmp_path / "key.csv").read_bytes() == coded["key.csv"]


class Terminal(io.TextIOWrapper):
    def isatty(self):
        return True


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "cp850", "iso8859-7", "utf-8"])
def test_a_terminal_of_few_letters_shows_a_minus_as_a_minus(monkeypatch, tmp_path, encoding):
    written = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", Terminal(written, encoding=encoding))
    monkeypatch.setattr(sys, "stderr", Terminal(io.BytesIO(), encoding=encoding))
    with contextlib.suppress(SystemExit):
        main(["explain", "other-scale"])  # from −2 to 10
    with contextlib.suppress(SystemExit):
        main(["new", f"{tmp_path / 'Ωμέγα'}-🥒\udcfc", "--plain"])
    sys.stdout.flush()
    said = written.getvalue().decode(encoding)
    assert re.search("from [-−]2 to", said)
    assert "New trial: " in said
    assert "Traceback" not in said


def test_what_is_typed_in_other_letters_than_the_terminal_says_is_no_traceback(
    monkeypatch, tmp_path
):
    typed = Terminal(io.BytesIO(b"Gurken s\xfc\xdf\n"), encoding="utf-8")
    monkeypatch.setattr(sys, "stdin", typed)
    with pytest.raises(SystemExit) as left:
        main(["new", f"{tmp_path / 'gurken'}"])
    assert left.value.code == 130  # nothing more was typed


@pytest.mark.parametrize(
    ("folder", "typed"),
    [
        (r"C:\Users\Ada Lo\R&D", 'blind "C:/Users/Ada Lo/R&D"'),
        (r"trials\jars", "blind trials/jars"),
        ("it's", 'blind "it\'s"'),
    ],
)
def test_what_comes_next_can_be_typed_on_windows(monkeypatch, folder, typed):
    """cmd takes single quotes for letters of the name, and Git Bash a backslash for a sign."""
    monkeypatch.setattr(sys, "platform", "win32")
    assert typed in Stage(folder=Path(folder), state="planned").follows()


def test_without_a_home_folder_open_says_what_to_do(tmp_path, monkeypatch, blindspoon):
    def lost():
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.delenv("XDG_STATE_HOME", raising=False)
    monkeypatch.setattr(Path, "home", lost)
    done = blindspoon("open", tmp_path)
    assert done.returncode == 1
    assert "Let XDG_STATE_HOME name a folder" in done.stderr
