"""Folders read as they are, and files and folders written whole or not at all."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from blindspoon.errors import TrialFileError
from blindspoon.files import disk
from blindspoon.files.trial_folder import fingerprint, read_folder


def put(folder: Path, contents: dict[str, bytes]) -> Path:
    for name, data in contents.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    return folder


def tree(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def problems_of(folder: Path) -> list[str]:
    with pytest.raises(TrialFileError) as caught:
        read_folder(folder)
    return [str(problem) for problem in caught.value.problems]


def test_a_folder_is_read_as_it_is(tmp_path, coded):
    text = read_folder(put(tmp_path, coded))
    assert text.files == coded
    assert text.toml == coded["trial.toml"].decode()
    assert [table.file for table in text.tables.scores] == ["scores.csv", "ballots/1-T03.csv"]
    assert text.tables.key.cells("code")[0] == "037"
    assert text.tables.batches is None
    assert text.notes == ()


def test_a_byte_order_mark_in_trial_toml_is_no_text(tmp_path, coded):
    coded["trial.toml"] = b"\xef\xbb\xbf" + coded["trial.toml"]
    assert read_folder(put(tmp_path, coded)).toml.startswith("[trial]")


def test_files_that_are_not_read_are_noted(tmp_path, coded):
    more = {
        "score.csv": b"",
        "ballots/notes.txt": b"",
        "ballots/.hidden.csv": b"",
        "photo.jpg": b"",
        "batches.xlsx": b"",
    }
    text = read_folder(put(tmp_path, coded | more))
    assert [str(note) for note in text.notes] == [
        "batches.xlsx: the file is not read: save it as CSV, as batches.csv",
        'score.csv: the file is not read (did you mean "scores.csv"?)',
        "ballots/notes.txt: this is not read: it is no .csv",
    ]
    assert set(text.files) == set(coded)


def test_a_ballot_of_scores_is_one_whatever_else_stands_in_its_head(tmp_path, coded):
    name = "ballots/1-T03.csv"
    coded[name] = coded[name].replace(b"comment", b"my answer,answer,comment", 1)
    tables = read_folder(put(tmp_path, coded)).tables
    assert name in [table.file for table in tables.scores]
    assert tables.choices == ()


@pytest.mark.skipif(sys.platform != "linux", reason="other systems allow only text")
def test_a_ballot_may_have_any_name(tmp_path, coded):
    folder = put(tmp_path, coded)
    (folder / os.fsdecode(b"ballots/\xeb\n.csv")).write_bytes(b"taster\n")
    text = read_folder(folder)
    assert "ballots/\\udceb\\n.csv" in text.files
    assert fingerprint(text.files)


def test_a_missing_folder_is_said(tmp_path):
    (message,) = problems_of(tmp_path / "nowhere")
    assert "nowhere: there is no such folder; a trial is a folder with trial.toml in it" in message


def test_a_file_instead_of_a_folder_is_said(tmp_path):
    put(tmp_path, {"trial.toml": b""})
    (message,) = problems_of(tmp_path / "trial.toml")
    assert "trial.toml: this is a file" in message


def test_a_missing_trial_toml_is_said(tmp_path):
    assert problems_of(tmp_path) == [
        "trial.toml: there is no such file; a trial is a folder with trial.toml in it."
        ' Check the path, or start a trial with "blindspoon new".'
    ]


def test_a_trial_toml_whose_ending_is_hidden_is_named(tmp_path):
    put(tmp_path, {"trial.toml.txt": b""})
    (said,) = problems_of(tmp_path)
    assert "there is no such file, only trial.toml.txt" in said
    assert "Rename it" in said


def test_every_file_that_cannot_be_read_is_said_at_once(tmp_path, coded, monkeypatch):
    del coded["scores.csv"], coded["key.csv"]
    folder = put(tmp_path, coded | {"trial.toml": b"title = '\x81'"})
    (folder / "scores.csv").mkdir()
    (folder / "key.csv").symlink_to(folder / "gone.csv")
    read_bytes = Path.read_bytes

    def without_rights(path):
        if path.name == "servings.csv":
            raise PermissionError(13, "Permission denied")
        return read_bytes(path)

    monkeypatch.setattr(Path, "read_bytes", without_rights)
    messages = problems_of(folder)
    assert "scores.csv: it cannot be read: it is a folder" in messages[0]
    assert "servings.csv: it cannot be read: permission denied" in messages[1]
    assert "key.csv: it cannot be read: no such file or directory" in messages[2]
    assert "trial.toml line 1: byte 0x81 is not UTF-8" in messages[3]


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read everything")
def test_a_folder_without_rights_is_said(tmp_path, coded):
    folder = put(tmp_path / "trial", coded)
    folder.chmod(0)
    try:
        assert "permission denied" in problems_of(folder)[0]
    finally:
        folder.chmod(0o700)


def test_a_seal_of_a_later_format_is_said(tmp_path, coded):
    put(tmp_path, coded | {"seal.toml": b"format = 2\ndate = 2030-01-01\n"})
    (said,) = problems_of(tmp_path)
    assert said.startswith("seal.toml: it has format 2; this Blindspoon reads format 1. Install")


def test_a_folder_that_cannot_be_listed_is_said(tmp_path, coded, monkeypatch):
    folder, iterdir = put(tmp_path, coded), Path.iterdir

    def without_rights(path):
        if path.name == "ballots":
            raise PermissionError(13, "Permission denied")
        return iterdir(path)

    monkeypatch.setattr(Path, "iterdir", without_rights)
    assert "ballots: it cannot be read: permission denied" in problems_of(folder)[0]


def test_a_ballots_file_is_said(tmp_path, coded):
    del coded["ballots/1-T03.csv"]
    folder = put(tmp_path, coded | {"ballots": b""})
    assert "ballots: it cannot be read: not a directory" in problems_of(folder)[0]


def test_a_file_that_is_read_under_other_capitals_is_not_called_unread(tmp_path, coded):
    """Windows and macOS find Scores.csv as scores.csv; a link stands for that here."""
    folder = put(tmp_path, coded)
    if not (folder / "Scores.csv").exists():
        (folder / "Scores.csv").hardlink_to(folder / "scores.csv")
    assert "Scores.csv" not in [note.file for note in read_folder(folder).notes]


def test_the_fingerprint_changes_with_every_byte_and_name(coded):
    print_of = fingerprint(coded)
    others = [
        coded | {"scores.csv": coded["scores.csv"] + b"\n"},
        coded | {"ballots/2-T03.csv": b""},
        {name.replace("1-T03", "1-T04"): data for name, data in coded.items()},
    ]
    prints = {fingerprint(other) for other in others}
    assert len(prints | {print_of}) == 4
    assert len(print_of) == 64


REPORT = {"index.html": b"<p>one</p>", "figures/texture.svg": b"<svg/>"}
NEWER = {"index.html": b"<p>two</p>", "tables/scores.csv": b"a,b\n"}


def test_a_report_is_written_and_replaced_whole(tmp_path):
    target = tmp_path / "reports" / "cucumbers"
    disk.write_folder_atomically(target, REPORT)
    assert tree(target) == REPORT
    disk.write_folder_atomically(target, NEWER)
    assert tree(target) == NEWER
    assert [path.name for path in target.parent.iterdir()] == ["cucumbers"]


def test_files_that_belong_together_stay_where_one_is_open_elsewhere(tmp_path, monkeypatch):
    before = put(tmp_path, {"seal.toml": b"old", "servings.csv": b"old"})
    replace = Path.replace

    def in_use(path, to):
        if Path(to).name == "servings.csv":
            raise PermissionError(13, "It is used by another process")
        return replace(path, to)

    monkeypatch.setattr(Path, "replace", in_use)
    new = {before / name: b"new" for name in ("seal.toml", "key.csv", "servings.csv")}
    with pytest.raises(TrialFileError, match=r"servings.csv: it cannot be written: it is used"):
        disk.write_files_atomically(new)
    assert tree(tmp_path) == {"seal.toml": b"old", "servings.csv": b"old"}


def test_a_file_that_is_looked_at_for_a_moment_is_replaced(tmp_path, monkeypatch):
    """A virus scanner, or a reader of our own: error 32 of Windows, "sharing violation"."""
    replace, looks = Path.replace, [1, 2]

    def in_use(path, to):
        if looks:
            error = PermissionError(13, "It is used by another process")
            error.winerror = looks.pop() and 32
            raise error
        return replace(path, to)

    monkeypatch.setattr(Path, "replace", in_use)
    disk.replace_files({tmp_path / "1-T01.csv": b"7"})
    assert tree(tmp_path) == {"1-T01.csv": b"7"}


def fail(*_):
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize("step", ["_write", "_exchange"])
def test_a_report_that_cannot_be_written_leaves_the_old_one(tmp_path, monkeypatch, step):
    target = tmp_path / "cucumbers"
    disk.write_folder_atomically(target, REPORT)
    monkeypatch.setattr(disk, step, fail)
    with pytest.raises(
        TrialFileError,
        match=r"cucumbers: it cannot be written: no space left.*Free the place or choose another,",
    ):
        disk.write_folder_atomically(target, NEWER)
    assert tree(tmp_path) == {f"cucumbers/{name}": data for name, data in REPORT.items()}


def test_a_failed_move_puts_the_old_report_back(tmp_path, monkeypatch):
    target = tmp_path / "cucumbers"
    disk.write_folder_atomically(target, REPORT)
    replace = Path.replace

    def refuse_the_new_one(path, to):
        if path.suffix == ".new":
            raise PermissionError(13, "Permission denied")
        return replace(path, to)

    monkeypatch.setattr(Path, "replace", refuse_the_new_one)
    with pytest.raises(TrialFileError, match="what was there before is unchanged"):
        disk.write_folder_atomically(target, NEWER)
    assert tree(tmp_path) == {f"cucumbers/{name}": data for name, data in REPORT.items()}


def dead_process() -> int:
    done = subprocess.Popen([sys.executable, "-c", ""])
    done.wait()
    return done.pid


def test_what_a_dead_run_left_is_cleared_up(tmp_path):
    dead = dead_process()
    target = tmp_path / "cucumbers"
    put(tmp_path, {f".cucumbers.{dead}.new/index.html": b"half", f".other.{dead}.new/a": b"kept"})
    disk.write_folder_atomically(target, REPORT)
    assert sorted(path.name for path in tmp_path.iterdir()) == [f".other.{dead}.new", "cucumbers"]


def test_what_a_living_run_is_writing_stays(tmp_path):
    living = os.getppid()
    put(tmp_path, {f".cucumbers.{living}.new/index.html": b"half"})
    disk.write_folder_atomically(tmp_path / "cucumbers", REPORT)
    assert (tmp_path / f".cucumbers.{living}.new").exists()


def test_a_report_that_a_dead_run_moved_aside_is_put_back(tmp_path, monkeypatch):
    put(tmp_path / f".cucumbers.{dead_process()}.old", REPORT)
    monkeypatch.setattr(disk, "_exchange", fail)
    with pytest.raises(TrialFileError, match="no space left"):
        disk.write_folder_atomically(tmp_path / "cucumbers", NEWER)
    assert tree(tmp_path) == {f"cucumbers/{name}": data for name, data in REPORT.items()}


def test_a_process_killed_while_writing_harms_nothing(tmp_path):
    target = tmp_path / "cucumbers"
    disk.write_folder_atomically(target, REPORT)
    code = (
        "import os, pathlib\nfrom blindspoon.files import disk, trial_folder\n"
        "move = pathlib.Path.replace\n"
        "def die(path, to):\n"
        "    if path.suffix == '.new':\n"
        "        os._exit(9)\n"
        "    return move(path, to)\n"
        "pathlib.Path.replace = die\n"
        f"disk.write_folder_atomically(pathlib.Path({str(target)!r}), {NEWER!r})\n"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 9
    assert not target.exists()
    disk.write_folder_atomically(target, NEWER)
    assert tree(tmp_path) == {f"cucumbers/{name}": data for name, data in NEWER.items()}


@pytest.mark.parametrize("there", [{"trial.toml": b"", "index.html": b""}, {"diary.txt": b"mine"}])
def test_a_folder_that_is_no_report_is_never_replaced(tmp_path, there):
    target = put(tmp_path / "cucumbers", there)
    with pytest.raises(TrialFileError, match="the folder there is not a report"):
        disk.write_folder_atomically(target, REPORT)
    assert tree(target) == there


def test_a_file_in_the_way_is_said(tmp_path):
    put(tmp_path, {"cucumbers": b"mine"})
    with pytest.raises(TrialFileError, match="a file of that name is in the way"):
        disk.write_folder_atomically(tmp_path / "cucumbers", REPORT)
    assert tree(tmp_path) == {"cucumbers": b"mine"}


def test_a_file_where_the_parent_should_be_is_said(tmp_path):
    put(tmp_path, {"reports": b"mine"})
    with pytest.raises(TrialFileError, match="cannot be written"):
        disk.write_folder_atomically(tmp_path / "reports" / "cucumbers", REPORT)


def test_a_report_behind_a_link_is_replaced_where_it_is(tmp_path):
    disk.write_folder_atomically(tmp_path / "real", REPORT)
    (tmp_path / "link").symlink_to(tmp_path / "real", target_is_directory=True)
    disk.write_folder_atomically(tmp_path / "link", NEWER)
    assert (tmp_path / "link").is_symlink()
    assert tree(tmp_path / "real") == NEWER


def test_a_file_is_written_and_replaced_whole(tmp_path):
    target = tmp_path / "ballots" / "1-T01.csv"
    disk.write_files_atomically({target: b"one"})
    disk.write_files_atomically({target: b"two"})
    assert tree(tmp_path) == {"ballots/1-T01.csv": b"two"}


def test_a_file_that_cannot_be_written_leaves_the_old_one(tmp_path, monkeypatch):
    target = tmp_path / "key.csv"
    disk.write_files_atomically({target: b"one"})
    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(TrialFileError, match="no space left"):
        disk.write_files_atomically({target: b"two"})
    assert tree(tmp_path) == {"key.csv": b"one"}


@pytest.mark.parametrize("kind", ["file", "folder"])
def test_threads_that_write_one_place_all_succeed(tmp_path, kind):
    """Sixty writes by four threads; the last whole one stands, and nothing is left over."""
    target = tmp_path / "place"

    def write(number: int) -> None:
        content = str(number).encode() * 1000
        if kind == "file":
            disk.write_files_atomically({target: content})
        else:
            disk.write_folder_atomically(target, {"index.html": content, "a/b.csv": content})

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write, range(60)))
    whole = {str(number).encode() * 1000 for number in range(60)}
    assert set(tree(tmp_path).values()) <= whole
    assert [path.name for path in tmp_path.iterdir()] == ["place"]


@pytest.mark.skipif(os.name != "posix", reason="other systems have no handles of folders")
@pytest.mark.parametrize("way", ["write_folder_atomically", "make_files"])
def test_the_new_name_is_on_the_disk_before_a_write_returns(tmp_path, monkeypatch, way):
    synced = []
    monkeypatch.setattr(os, "fsync", lambda handle: synced.append(os.fstat(handle)))
    getattr(disk, way)(tmp_path / "new", {"index.html": b"one"})
    folder = tmp_path / "new" if way == "make_files" else tmp_path
    assert stat.S_ISREG(synced[0].st_mode)
    assert synced[-1].st_ino == folder.stat().st_ino


def test_files_that_belong_together_are_all_new_or_all_old(tmp_path, monkeypatch):
    old = {"key.csv": b"one", "servings.csv": b"one"}
    put(tmp_path, old | {f".key.csv.{dead_process()}.1.1.new": b"half"})
    synced = iter([None])

    def full_at_the_second(_):
        if next(synced, 1):
            fail()

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full_at_the_second)
        with pytest.raises(TrialFileError, match=r"servings\.csv: it cannot be written: no space"):
            disk.write_files_atomically({tmp_path / name: b"two" for name in old})
    assert tree(tmp_path) == old


def test_a_file_whose_folder_cannot_be_synced_is_as_it_was(tmp_path, monkeypatch):
    (tmp_path / "1-T01.csv").write_bytes(b"7")
    monkeypatch.setattr(disk, "_sync_folder", fail)
    with pytest.raises(OSError, match="No space left"):
        disk.replace_files({tmp_path / "1-T01.csv": b"8"})
    assert tree(tmp_path) == {"1-T01.csv": b"7"}
