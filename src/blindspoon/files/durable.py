"""Files of a trial that goes on: what was acknowledged is not lost, a change can be taken back.

And what is kept for its user beside every trial: a secret, and which shelves are open.
"""

import contextlib
import datetime
import errno
import hashlib
import hmac
import itertools
import json
import os
import re
import secrets
import shlex
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from blindspoon.errors import Rule, TrialFileError, shown
from blindspoon.files.disk import cannot, clear_up, complaining, move, replace_files

PRIVATE = ".blindspoon"  # folder in the trial folder for what is never published
KEPT = 50  # changes that can be taken back

_PLACE = f"{PRIVATE}/before"
_WRITING = threading.RLock()
_GONE = Rule(
    "changed-meanwhile", "a change is taken back while its files are as it left them", "Look again"
)

Content = bytes | None  # what stands in a file; None where there is none


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
        target = self.folder / name
        private = target.parent.name == PRIVATE
        try:
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


def read_file(path: Path) -> bytes:
    """Read a file that the user named. Raises TrialFileError."""
    try:
        return path.read_bytes()
    except OSError as error:
        rule = Rule("unreadable-file", "the file of scores can be read", "Check the path")
        problem = rule.broken(cannot("read", error), shown(str(path), 200))
        raise TrialFileError([problem]) from error


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
        file.parent.mkdir(mode=0o700, exist_ok=True)
        (file.parent / ".gitignore").write_text("*\n", encoding="utf-8")
        return file.open("ab")


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change of a folder; the numbers rise, and a sentence says what was done.

    The files are as before and after, under their names. It `stands` if every one is still as it
    was written, so that it can be taken back.
    """

    number: int
    when: datetime.datetime
    said: str
    files: Mapping[str, tuple[Content, Content]]
    stands: bool


def write(
    folder: Path, files: Mapping[str, Content], said: str, seen: Mapping[str, bytes] | None = None
) -> bool:
    """Write files, all or none, and keep what they were; tell whether it was done.

    None takes a file away; a sentence says what is done. Where one of the files that were `seen`
    when the change was made is another by now, nothing is written; without, whatever stands there
    is written over. Raises TrialFileError if a file cannot be written; those before it are as they
    were.
    """
    kept = DurableFolder(folder)
    with _WRITING, complaining():
        finish(folder)
        before = {name: kept.read(name) for name in files}
        if seen is not None and before != {name: seen.get(name) for name in files}:
            return False
        if before == dict(files):
            return True
        numbers = _numbers(folder)
        entry = f"{_PLACE}/{(numbers[-1] if numbers else 0) + 1:06}.json"
        now = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
        changed = {name: after for name, after in files.items() if after != before[name]}
        pairs = {name: [_text(before[name]), _text(after)] for name, after in changed.items()}
        record = {"when": now, "said": said, "files": pairs}
        kept.save(entry, json.dumps(record, ensure_ascii=False).encode())
        try:
            for name, content in changed.items():
                _put(kept, name, content)
        except OSError:
            for name in changed:
                if kept.read(name) != before[name]:  # the disk may be full for the others
                    _put(kept, name, before[name])
            (folder / entry).unlink()
            raise
        for number in numbers[: 1 - KEPT]:
            with contextlib.suppress(OSError):  # the next change takes it away
                (folder / _PLACE / f"{number:06}.json").unlink()
    return True


def changes(folder: Path) -> tuple[Change, ...]:
    """List what was changed, the last first."""
    return tuple(_read(folder))


def _read(folder: Path) -> Iterator[Change]:
    kept = DurableFolder(folder)
    for number in reversed(_numbers(folder)):
        try:
            record = json.loads(kept.read(f"{_PLACE}/{number:06}.json") or b"")
            files = {name: (_bytes(a), _bytes(b)) for name, (a, b) in record["files"].items()}
            when, said = datetime.datetime.fromisoformat(record["when"]), str(record["said"])
            stands = all(kept.read(name) == after for name, (_, after) in files.items())
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            continue
        yield Change(number=number, when=when, said=said, files=files, stands=stands)


def take_back(folder: Path, number: int) -> Change:
    """Put back what stood there before a change; raises where a file was changed since."""
    change = next((it for it in _read(folder) if it.number == number), None)
    if change is None or not change.stands:
        found = "a file was changed since" if change else "there is no such change"
        raise TrialFileError([_GONE.broken(found, "the folder")])
    before = {name: pair[0] for name, pair in change.files.items()}
    write(folder, before, f"Taken back: {change.said}")
    return change


def finish(folder: Path) -> None:
    """Write the rest of a change that was stopped between two of its files."""
    change, kept = next(_read(folder), None), DurableFolder(folder)
    if change is None:
        return
    now = {name: kept.read(name) for name in change.files}
    known = all(now[name] in pair for name, pair in change.files.items())
    begun = any(now[name] == after for name, (_, after) in change.files.items())
    for name in change.files:
        clear_up(folder / name)
    if not change.stands and known and begun:
        for name, (_, after) in change.files.items():
            _put(kept, name, after)


def _put(kept: DurableFolder, name: str, content: Content) -> None:
    if content is None:
        (kept.folder / name).unlink(missing_ok=True)
    else:
        kept.save(name, content)


def _numbers(folder: Path) -> list[int]:
    names = (path.stem for path in (folder / _PLACE).glob("*.json"))
    return sorted(int(name) for name in names if name.isdigit())


def _text(content: Content) -> str | None:
    return None if content is None else content.decode("latin-1")


def _bytes(text: str | None) -> Content:
    return None if text is None else text.encode("latin-1")


# Beside every trial ----------------------------------------------------------------------------

_FOLDERS = r"Software\Microsoft\Windows\CurrentVersion\Explorer\User Shell Folders"


def state_folder() -> Path:
    """Find the folder for a program's own state, as the system has it. Raises OSError."""
    given = os.environ.get("XDG_STATE_HOME", "")
    if sys.platform == "win32" and not given:
        given = os.environ.get("LOCALAPPDATA", "")
    inside = ("Library", "Application Support") if sys.platform == "darwin" else (".local", "state")
    try:
        return (Path(given) if given else Path.home().joinpath(*inside)) / "blindspoon"
    except RuntimeError as error:  # neither HOME nor an entry for this user
        raise FileNotFoundError(errno.ENOENT, "there is no home folder", "~") from error


def own_secret() -> bytes:
    """Give 256 bits that only this user can read, made at the first time; raises TrialFileError."""
    remedy = "Let XDG_STATE_HOME name a folder where it can"
    with complaining(remedy=remedy):
        file = state_folder() / "door"
    with complaining(file, remedy):
        with contextlib.suppress(FileNotFoundError):
            kept = file.read_bytes()
            if len(kept) == 32:
                return kept
        _keep(file, secrets.token_bytes(32))
        return file.read_bytes()


class Door:
    """Passes, cookie and ticket, all made from one secret.

    A pass stands in an address once: on the way to the browser it is seen by other programs. One
    that is printed in the host's own terminal opens as often as it is asked.

    >>> door = Door(b"secret")
    >>> once, printed = door.new_pass(), door.new_pass(again=True)
    >>> [door.admits(text) for text in (once, once, printed, printed, "other")]
    [True, False, True, True, False]
    """

    def __init__(self, secret: bytes) -> None:
        self._secret = secret
        self._used: set[str] = set()

    def new_pass(self, *, again: bool = False) -> str:
        nonce = ("again" if again else "once") + secrets.token_hex(16)
        return f"{nonce}.{self.proof('pass', nonce)}"

    def admits(self, text: str) -> bool:
        """Tell whether a pass is right, and was not used before."""
        nonce, _, proof = text.partition(".")
        right = hmac.compare_digest(proof.encode(), self.proof("pass", nonce).encode())
        if not right or nonce in self._used:
            return False
        if nonce.startswith("once"):
            self._used.add(nonce)
        return True

    def proof(self, kind: str, of: str = "") -> str:
        """Show that the secret is known, without telling it."""
        return hmac.digest(self._secret, f"{kind}:{of}".encode(), hashlib.sha256).hex()


def open_shelves() -> dict[str, int]:
    """Give the port of every shelf that was open when it was last heard of."""
    try:
        found = json.loads((state_folder() / "open.json").read_bytes())
        return {str(shelf): int(port) for shelf, port in found.items()}
    except (OSError, ValueError, AttributeError, TypeError):
        return {}


def note_open(shelves: Mapping[str, int]) -> None:
    _keep(state_folder() / "open.json", json.dumps(dict(shelves)).encode())


def note_trouble(text: str) -> Path:
    """Keep the traceback of a bug, and say where."""
    file = state_folder() / "trouble.txt"
    with contextlib.suppress(OSError):
        _keep(file, text.encode(errors="replace"))
    return file


def _keep(file: Path, content: bytes) -> None:
    file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    replace_files({file: content}, 0o600)


def put_starter(shelf: Path) -> Path:
    """Put a file on the desktop that opens a shelf at a double click. Raises OSError."""
    command = f'"{sys.executable}" -m blindspoon open "{shelf}"'.replace("%", "%%")
    if sys.platform == "win32":
        command = command.replace('\\"', '\\\\"')  # of a drive
        lines = "@echo off", "chcp 65001 >nul", command, "if errorlevel 1 pause"  # 65001: UTF-8
        name, text = "Blindspoon.cmd", "".join(f"{line}\r\n" for line in lines)
    elif sys.platform == "darwin":
        words = shlex.join([sys.executable, "-m", "blindspoon", "open", str(shelf)])
        name, text = "Blindspoon.command", f"#!/bin/sh\nexec {words}\n"
    else:
        head = "[Desktop Entry]\nType=Application\nName=Blindspoon\nTerminal=true\n"
        exec_ = re.sub(r"[$`]", r"\\\\\g<0>", command)
        name, text = "blindspoon.desktop", f"{head}Exec={exec_}\n"
    desktop = Path.home() / "Desktop"
    with contextlib.suppress(OSError):  # where the system names it otherwise
        told = (Path.home() / ".config" / "user-dirs.dirs").read_text(encoding="utf-8")
        if named := re.search(r'^XDG_DESKTOP_DIR="\$HOME/([^"]+)"', told, re.MULTILINE):
            desktop = Path.home() / named[1]
    if sys.platform == "win32":  # OneDrive moves it
        import winreg  # noqa: PLC0415 - only there

        user = winreg.HKEY_CURRENT_USER
        with contextlib.suppress(OSError), winreg.OpenKey(user, _FOLDERS) as key:
            found, _ = winreg.QueryValueEx(key, "Desktop")
            desktop = Path(winreg.ExpandEnvironmentStrings(found))
    file = desktop / name
    file.parent.mkdir(parents=True, exist_ok=True)
    replace_files({file: text.encode(errors="surrogateescape")}, 0o755)
    return file
