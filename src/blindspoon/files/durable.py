"""A trial that goes on: one program at a time has its folder, and what is acknowledged stays."""

import contextlib
import datetime
import itertools
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from blindspoon.errors import Rule, TrialFileError, shown
from blindspoon.files.disk import complaining, move, replace_files

PRIVATE = ".blindspoon"  # folder in the trial folder for what is never published


@dataclass(frozen=True, slots=True)
class DurableFolder:
    """The files of one trial folder; names have forward slashes.

    Safe to use from several threads, one at a time for each file.
    """

    folder: Path

    def read(self, name: str) -> bytes | None:
        """Give a file's content; None where there is no such file. Raises OSError."""
        try:
            return (self.folder / name).read_bytes()
        except FileNotFoundError:
            return None

    def save(self, name: str, content: bytes) -> None:
        """Replace a file; when this returns, it is on the disk. Raises OSError.

        The new file is written beside the old one and moved onto it, so that whoever reads the
        name at any moment finds one of them whole.
        """
        target, private = self.folder / name, name.startswith(PRIVATE)
        try:
            if private:
                _make_private(self.folder / PRIVATE)
            for place in (*Path(name).parents,)[-2::-1]:  # never a folder that was moved away
                (self.folder / place).mkdir(0o700 if private else 0o777, exist_ok=True)
            replace_files({target: content}, 0o600 if private else 0o666)
        except OSError as error:
            raise OSError(error.errno, error.strerror or str(error), name) from error

    def sweep(self) -> None:
        """Remove what `save` left unfinished when it was killed. Raises OSError."""
        for place in ("ballots", "ballots/conflicts", PRIVATE):
            for stray in (self.folder / place).glob(".*.new"):
                stray.unlink()


@contextlib.contextmanager
def held(folder: Path, holder: str) -> Iterator[DurableFolder]:
    """Keep a trial folder for this process alone, as long as it lives.

    `holder`, who keeps it, is told to whoever else wants it. Raises TrialFileError if another one
    has it, or nothing can be written there.
    """
    private = folder / PRIVATE
    with _opened(private / "lock") as lock:
        try:
            _lock(lock.fileno())
        except (BlockingIOError, PermissionError) as error:
            rule = Rule("collect-runs", "one at a time writes ballots", "Stop the other one first")
            other = "another program"  # nobody is named in the moment before it is written
            with contextlib.suppress(OSError, UnicodeDecodeError):
                other = shown((private / "holder").read_text(encoding="utf-8"))
            found = f"{other} has this folder open"
            raise TrialFileError([rule.broken(found, shown(str(folder), 200))]) from error
        with complaining(private):
            (private / "holder").write_text(holder, encoding="utf-8")
        yield DurableFolder(folder)


@contextlib.contextmanager
def in_turn(folder: Path) -> Iterator[None]:
    """Let one at a time change the drawing or the seal; who comes second waits. Raises as `held`.

    Beside `held`: a taster is added while the tasting goes on.
    """
    if not folder.is_dir():  # whoever reads it says so
        yield
        return
    with _opened(folder / PRIVATE / "turn") as lock:
        with complaining(folder / PRIVATE):
            _lock(lock.fileno(), wait=True)
        yield


def _opened(file: Path) -> BinaryIO:
    """Open a file of the private folder, which nobody publishes; raises TrialFileError."""
    with complaining(file.parent):
        _make_private(file.parent)
        return file.open("ab")


def _make_private(place: Path) -> None:
    place.mkdir(mode=0o700, exist_ok=True)
    if not (place / ".gitignore").exists():
        (place / ".gitignore").write_text("*\n", encoding="utf-8")


def put_aside(folder: Path, names: Sequence[str], day: datetime.date) -> Path:
    """Move files into a new folder of this day in ``.blindspoon/drawn``, those that are there.

    Raises TrialFileError if one could not be moved; all are as they were then.
    """
    with complaining(), contextlib.ExitStack() as back:
        days = folder / PRIVATE / "drawn"
        days.mkdir(exist_ok=True)
        places = (days / f"{day}-{number}" for number in itertools.count(1))
        aside = next(place for place in places if not place.exists())
        aside.mkdir()
        for name in names:
            if (folder / name).exists():
                move(folder / name, aside / name)
                back.callback(move, aside / name, folder / name)
        back.pop_all()
    return aside


def _lock(handle: int, *, wait: bool = False) -> None:
    if sys.platform == "win32":
        import msvcrt  # noqa: PLC0415 - only there

        msvcrt.locking(handle, msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK, 1)
    else:
        import fcntl  # noqa: PLC0415 - not there

        fcntl.flock(handle, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB)
