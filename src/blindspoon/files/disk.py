"""Files and folders are written whole or not at all, and are on the disk then."""

import contextlib
import errno
import itertools
import os
import re
import shutil
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

from blindspoon.errors import Rule, TrialFileError, shown

_TAKEN = Rule(
    "already-there",
    "it is written once and never over another",
    "Choose another folder, or move the file away if it is no longer needed",
)


def make_files(folder: Path, contents: Mapping[str, bytes]) -> None:
    """Write new files, by name in the folder and in this order; none over another.

    Raises TrialFileError if one of the files exists, or cannot be written; none is left behind
    then.
    """
    taken = [name for name in contents if os.path.lexists(folder / name)]
    if taken:
        found = "there is such a file already"
        raise TrialFileError([_TAKEN.broken(found, name) for name in taken])
    write_files_atomically({folder / name: data for name, data in contents.items()})


FREE = "Free the place or choose another, close other programs that have it open, and try again"


@contextlib.contextmanager
def complaining(place: Path | None = None, remedy: str = FREE) -> Iterator[None]:
    """Turn an error in writing a place, else the file of the error, into a problem."""
    try:
        yield
    except OSError as error:
        file = str(place) if place else shown(str(error.filename2 or error.filename), 200)
        rule = Rule("cannot-write", "what was there before is unchanged", remedy)
        raise TrialFileError([rule.broken(cannot("written", error), file)]) from error


def write_files_atomically(contents: Mapping[Path, bytes]) -> None:
    """Write files that belong together, moved to their places in this order once all are whole.

    Raises TrialFileError if one could not be written; all are as they were then.
    """
    with complaining():
        for target in contents:
            clear_up(target)
        replace_files(contents)


def replace_files(contents: Mapping[Path, bytes], mode: int = 0o666) -> None:
    """Write files beside their places and move them there: every reader finds the old or the new.

    When this returns, they and their names are on the disk. Raises OSError; what was there before
    is there again then.
    """
    new = {target: _sibling(target, "new") for target in contents}
    target, before = Path(), dict[Path, bytes | None]()
    try:
        for target, content in contents.items():
            _write(new[target], content, mode)
        for target, path in new.items():
            old = target.read_bytes() if target.exists() else None
            move(path, target)
            before[target] = old
        for folder in {target.parent for target in new}:
            _sync_folder(folder)
    except BaseException as error:
        for moved, old in before.items():
            if old is None:
                _remove(moved)
            else:
                _write(new[moved], old, mode)
                move(new[moved], moved)
        if isinstance(error, OSError):  # and not by the name of the file beside it
            raise OSError(error.errno, error.strerror or str(error), str(target)) from error
        raise
    finally:
        for path in new.values():
            _remove(path)


def move(path: Path, target: Path) -> None:
    """Move a file over an earlier one, or a folder to a free place. Raises OSError.

    Windows refuses while any program reads it, as a virus scanner does for a moment.
    """
    for wait in (0.02, 0.1, 0.2, 0.5, 0):
        try:
            path.replace(target)
            return
        except PermissionError as error:
            if not wait or getattr(error, "winerror", None) is None:
                raise
            time.sleep(wait)


def write_folder_atomically(target: Path, contents: Mapping[str, bytes]) -> None:
    """Write a folder whole or not at all; an earlier report there is replaced.

    It is built beside its place and moved there. If the computer stops between the two moves, the
    earlier report is put back at the next run. A target that exists must be empty or an earlier
    report: it has index.html and no trial.toml. Contents lie under their paths, with forward
    slashes. Raises TrialFileError if it could not be written; an earlier report is still there,
    complete.
    """
    target = target.resolve()
    new, old = _sibling(target, "new"), _sibling(target, "old")
    try:
        with complaining(target):
            clear_up(target)
            with _EXCHANGE:  # another thread may have moved the folder aside
                if target.exists() and not target.is_dir():
                    raise FileExistsError(errno.EEXIST, "a file of that name is in the way")
                names = {path.name for path in target.iterdir()} if target.exists() else set()
            if names and ("index.html" not in names or "trial.toml" in names):
                raise FileExistsError(errno.EEXIST, "the folder there is not a report")
            for name, content in contents.items():
                (new / name).parent.mkdir(parents=True, exist_ok=True)
                _write(new / name, content)
            _exchange(target, new, old)
    finally:
        _remove(new)
    _remove(old)


def cannot(be_done: str, error: OSError) -> str:
    """Say that the system refused to have a file "read" or "written", and why."""
    text = error.strerror or str(error)
    return f"it cannot be {be_done}: {text[:1].lower()}{text[1:]}"


_COUNTER, _EXCHANGE = itertools.count(), threading.Lock()


def _sibling(target: Path, kind: str) -> Path:
    """Name a path beside the target that no other process, thread or write uses."""
    owner = f"{os.getpid()}.{threading.get_ident()}.{next(_COUNTER)}"
    return target.with_name(f".{target.name}.{owner}.{kind}")


def clear_up(target: Path) -> None:
    """Make the parent folder, and mend what an earlier run that was stopped left in it."""
    target.parent.mkdir(parents=True, exist_ok=True)
    pattern = re.compile(rf"\.{re.escape(target.name)}\.(\d+)[.\d]*\.(new|old)")
    for sibling in sorted(target.parent.iterdir()):
        match = pattern.fullmatch(sibling.name)
        if match is None or int(match[1]) == os.getpid() or os.name != "posix":
            continue  # nothing, or another thread's; elsewhere signal 0 would end a process
        try:
            os.kill(int(match[1]), 0)
        except PermissionError:
            continue  # it runs
        except (ProcessLookupError, OverflowError):
            if match[2] == "old" and not target.exists():
                sibling.rename(target)
            else:
                _remove(sibling)


def _write(path: Path, content: bytes, mode: int = 0o666) -> None:
    flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(path, flags, mode), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _exchange(target: Path, new: Path, old: Path) -> None:
    """Move the folder that is there aside and the new one in; move back if that fails."""
    with _EXCHANGE:
        if target.exists():
            move(target, old)
        try:
            move(new, target)
        except BaseException:
            if old.exists():
                move(old, target)
            raise
    _sync_folder(target.parent)


def _sync_folder(folder: Path) -> None:
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with contextlib.suppress(OSError):
            path.unlink()
