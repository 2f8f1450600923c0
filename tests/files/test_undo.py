"""Files written all or none, and taken back."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from blindspoon.errors import TrialFileError
from blindspoon.files import undo

BOTH = {"batches.csv": b"new", "readings.csv": b"new"}


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "batches.csv").write_bytes(b"old \xe4")
    return tmp_path


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.glob("*.csv")}


def test_a_change_is_taken_back_while_its_files_are_as_it_left_them(folder):
    before = contents(folder)
    assert undo.write(folder, BOTH, "Two files")
    private = folder / ".blindspoon"
    assert stat.S_IMODE(private.stat().st_mode) == 0o700  # of what is never published
    assert (private / ".gitignore").read_text() == "*\n"
    (folder / ".blindspoon/before/000000.json").write_text("{}")  # damaged
    (folder / ".blindspoon/before/000002.json").write_text("")
    assert [change.number for change in undo.changes(folder)] == [1]
    (folder / ".blindspoon/before/000002.json").unlink()
    assert undo.take_back(folder, 1).what == "Two files"
    assert contents(folder) == before
    undo.take_back(folder, 2)  # taking back is a change as well
    (folder / "batches.csv").write_bytes(b"by hand")
    assert [change.stands for change in undo.changes(folder)] == [False, False, False]
    with pytest.raises(TrialFileError, match="a file was changed since"):
        undo.take_back(folder, 3)


def test_an_old_change_that_is_open_elsewhere_keeps_no_new_one_from_being_written(
    folder, monkeypatch
):
    def in_use(path, missing_ok=False):
        raise PermissionError(13, "It is used by another process", f"{path}")

    monkeypatch.setattr(undo, "KEPT", 2)
    monkeypatch.setattr(Path, "unlink", in_use)
    assert all(undo.write(folder, {"batches.csv": b"%d" % n}, "One") for n in range(3))
    assert [change.number for change in undo.changes(folder)] == [3, 2, 1]


def test_nothing_is_written_over_what_was_not_seen(folder):
    seen = contents(folder)
    (folder / "batches.csv").write_bytes(b"by hand")
    assert not undo.write(folder, BOTH, "Two files", seen)
    assert contents(folder) == {"batches.csv": b"by hand"}


@pytest.mark.parametrize("stop", [0, 1])
def test_a_change_that_was_killed_is_whole_at_the_next(folder, monkeypatch, stop):
    class KilledError(BaseException):
        pass

    steps, real = iter(range(9)), undo._put

    def killed(*given):
        if next(steps) == stop:
            raise KilledError
        real(*given)

    before = contents(folder)
    monkeypatch.setattr(undo, "_put", killed)
    with pytest.raises(KilledError):
        undo.write(folder, BOTH, "Two files")
    monkeypatch.setattr(undo, "_put", real)
    (folder / f".batches.csv.{2**40}.new").touch()  # of a process that is gone
    undo.finish(folder)
    assert contents(folder) in (before, BOTH)
    assert not [*folder.glob("*.new")]


def test_a_full_disk_leaves_all_files_as_they_were(folder, monkeypatch):
    before, real = contents(folder), undo._put

    def full(kept, name, content):
        if name == "readings.csv":  # for what it was as well
            raise OSError(28, "No space left on device", name)
        real(kept, name, content)

    monkeypatch.setattr(undo, "_put", full)
    with pytest.raises(TrialFileError, match="no space left"):
        undo.write(folder, BOTH, "Two files")
    assert contents(folder) == before
    assert undo.changes(folder) == ()


def test_the_last_fifty_are_kept(folder):
    for number in range(53):
        undo.write(folder, {"batches.csv": str(number).encode()}, f"Change {number}")
    kept = undo.changes(folder)
    assert (len(kept), kept[0].what, kept[-1].what) == (50, "Change 52", "Change 3")


OUTSIDE = '{"batches.csv": ["old", "new"], "../x.csv": [null, "mine"]}'


@pytest.mark.parametrize("files", ["[1]", '{"trial.toml": [1, 2]}', OUTSIDE])
def test_a_record_of_another_shape_is_no_change(folder, files):
    undo.write(folder, BOTH, "Two files")
    (record,) = (folder / ".blindspoon" / "before").glob("*.json")
    record.write_text(f'{{"when": "2026-09-04T10:00", "said": "x", "files": {files}}}')
    assert undo.changes(folder) == ()
    undo.finish(folder)  # of a folder that another kitchen sent
    assert not (folder.parent / "x.csv").exists()
