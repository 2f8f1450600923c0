"""The files of a trial are read; they, reports and packs are written whole or not at all."""

import contextlib
import datetime
import errno
import hashlib
import itertools
import os
import re
import secrets
import shutil
import threading
import time
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from importlib import resources
from pathlib import Path

from blindspoon.errors import Note, Problem, Rule, TrialFileError, did_you_mean, shown
from blindspoon.files.seal import FILE, FORMAT, Seal, later_format, parse_seal
from blindspoon.files.text_table import (
    WINDOWS,
    FolderTables,
    TextTable,
    decoded,
    read_table,
)
from blindspoon.files.trial_toml import PICTURE, names_by_label, parse_trial
from blindspoon.trial import Trial

KEY = ("key.csv",)  # what lifts the blind; who must not know leaves it out
ANSWERS = ("scores.csv", "choices.csv")  # what tasters said; every ballot is as one of them
TABLES = (
    *ANSWERS, "servings.csv", "key.csv", "batches.csv", "readings.csv", "corrections.csv",
)  # fmt: skip
"""Tables that may stand beside trial.toml."""
TEMPLATES = ("trial.toml", "batches.csv", "readings.csv")  # what a new trial begins with
_READ = ("trial.toml", *TABLES, "seal.toml")
_NEAR = re.compile(r"trial\.|trial$", re.IGNORECASE)
_HIDDEN = "Rename it; a system may hide how a name ends"

_NO_TRIAL = Rule(
    "missing-file",
    "a trial is a folder with trial.toml in it",
    'Check the path, or start a trial with "blindspoon new"',
)
_UNREADABLE = Rule(
    "unreadable-file",
    "every file of the trial can be read",
    "Mend it, or move it out of the folder",
)
_LATER = Rule(
    "unreadable-file", f"this Blindspoon reads format {FORMAT}", "Install a newer Blindspoon"
)
_ENCODING = Rule("encoding", "trial.toml is text in UTF-8", "Save it again as UTF-8")
_TAKEN = Rule(
    "already-there",
    "it is written once and never over another",
    "Choose another folder, or move the file away if it is no longer needed",
)


@dataclass(frozen=True, kw_only=True)
class FolderText:
    """The files of a trial folder as they are; what is in them is read where it is asked for.

    They lie under their paths in the folder, in a fixed order; notes are on those that look like
    part of the trial and are not read.
    """

    toml: str
    files: Mapping[str, bytes]
    notes: tuple[Note, ...] = ()

    @cached_property
    def trial(self) -> Trial:
        """What trial.toml says. Raises TrialFileError."""
        return parse_trial(self.toml)

    @cached_property
    def seal(self) -> Seal | None:
        """The record of the blind; None where there is none, or it is damaged."""
        return parse_seal(self.files.get("seal.toml", b"").decode(errors="replace"))

    @cached_property
    def tables(self) -> FolderTables:
        """Every table; where a label of trial.toml stands for a name, the name is meant."""
        meant = dict[str, dict[str, str]]()
        with contextlib.suppress(TrialFileError):  # its problems are told by who parses it
            variants, sessions = self.trial.variants, self.trial.sessions
            meant = {"variant": names_by_label(variants), "session": names_by_label(sessions)}

        def read(name: str) -> TextTable:
            table = read_table(self.files[name], name)
            named = meant.keys() & table.columns.keys()
            columns = {it: table.columns[it].renamed(meant[it]) for it in named}
            return replace(table, columns={**table.columns, **columns})

        found = {name: read(name) for name in self.files if name not in ("trial.toml", FILE)}
        told = [table for name, table in found.items() if "/" in name or name in ANSWERS]
        return FolderTables(
            scores=tuple(table for table in told if not _of_sets(table)),
            choices=tuple(table for table in told if _of_sets(table)),
            **{it.removesuffix(".csv"): found[it] for it in TABLES[2:] if it in found},
        )


def _of_sets(table: TextTable) -> bool:
    if table.file in ANSWERS:
        return table.file == "choices.csv"
    return "answer" in table.columns and table.columns.keys().isdisjoint(("code", "variant"))


def read_folder(folder: Path, without: Collection[str] = ()) -> FolderText:
    """Read all files of a trial folder: trial.toml, those of `TABLES` and ballots/*.csv.

    Those named in `without` stay closed. Raises TrialFileError with every file that is missing or
    cannot be read.
    """
    problems: list[Problem] = []
    names = [name for name in _names(folder, problems) if name not in without]
    files = {}
    for name in names:
        try:
            files[shown(name, 300)] = _read(folder / name)  # longer than any name on a disk
        except OSError as error:
            problems.append(_UNREADABLE.broken(cannot("read", error), shown(name, 300)))
    if later := later_format(files.get("seal.toml", b"").decode(errors="replace")):
        problems.append(_LATER.broken(f"it has format {later}", "seal.toml"))
    data = files.get("trial.toml", b"")
    text, windows = "", False
    try:
        text, windows = decoded(data)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"byte {data[error.start]:#04x} is not UTF-8"
        problems.append(_ENCODING.broken(found, "trial.toml", line))
    if problems:
        raise TrialFileError(problems)
    notes = (*[Note(file="trial.toml", text=WINDOWS)] * windows, *_notes(folder))
    return FolderText(toml=text, files=files, notes=notes)


def trials_in(shelf: Path) -> dict[str, Path]:
    """Find the trial folders that lie in a folder, or the folder itself, by their names."""
    found = [shelf] if (shelf / "trial.toml").is_file() else []
    with contextlib.suppress(OSError):
        found += sorted(path.parent for path in shelf.glob("[!.]*/trial.toml"))
    return {folder.resolve().name: folder for folder in found}


def sheets_in(folder: Path) -> tuple[str, ...]:
    """Name the sheets that were printed, such as "table.html" and "tasters/01-Ada.html"."""
    return _listed(folder / "sheets", "*.html")


def published_in(folder: Path) -> tuple[str, ...]:
    """Name the files of a trial that was published beside it, such as "figures/tall/board.png"."""
    return _listed(published_at(folder), "*")


def _listed(place: Path, pattern: str) -> tuple[str, ...]:
    found = (path for path in place.rglob(pattern) if path.is_file())
    return tuple(sorted(path.relative_to(place).as_posix() for path in found))


def published_page(folder: Path) -> bytes | None:
    """Read the page of a trial that was published beside it; None where there is none."""
    return content_of(published_at(folder) / "index.html") or None


def published_at(folder: Path) -> Path:
    """Say where a trial is published from a page: in ``published`` on its shelf."""
    whole = folder.resolve()
    return whole.parent / "published" / whole.name


def photos_in(folder: Path) -> tuple[str, ...]:
    """Name the pictures that lie in ``photos/``, whether trial.toml lists them or not."""
    return tuple(sorted(
        path.name for path in (folder / "photos").glob("[!.]*") if PICTURE.fullmatch(path.name)
    ))  # fmt: skip


def read_photos(folder: Path, names: Collection[str]) -> dict[str, bytes]:
    """Read those pictures of ``photos/`` that are there and can be read, by their names."""
    read = {name: content_of(folder / "photos" / name) for name in names}
    return {name: data for name, data in read.items() if data}


def fingerprint(files: Mapping[str, bytes]) -> str:
    """Give the SHA-256 of files, names and contents, in hexadecimal.

    >>> one = fingerprint({"scores.csv": b"a", "key.csv": b"b"})
    >>> one == fingerprint({"key.csv": b"b", "scores.csv": b"a"})
    True
    """
    whole = hashlib.sha256()
    for name in sorted(files):
        for part in (name.encode(), files[name]):
            whole.update(len(part).to_bytes(8))
            whole.update(part)
    return whole.hexdigest()


def shipped(name: str) -> str:
    """Read a text that comes with the package, such as "errors.md"."""
    return shipped_bytes(name).decode()


def shipped_bytes(name: str) -> bytes:
    return (resources.files("blindspoon") / name).read_bytes()


def example() -> dict[str, bytes]:
    """Read the finished trial that is shipped with the package, by name of the file.

    Its home is ``trials/allotment-cucumbers`` of the repository; a wheel has a copy.
    """
    copy = resources.files("blindspoon") / "example"
    home = Path(__file__).parents[3] / "trials" / "allotment-cucumbers"
    files = (file for file in (copy if copy.is_dir() else home).iterdir() if file.is_file())
    return {file.name: file.read_bytes() for file in sorted(files, key=lambda file: file.name)}


def starter(today: datetime.date, seed: int | None = None) -> dict[str, str]:
    """Give the texts of a new trial, with this day for its rule, and a seed, by default by chance.

    That of trial.toml is commented; the tables have their headers.
    """
    texts = {name: shipped(f"starter/{name}") for name in TEMPLATES}
    seed = secrets.randbelow(10**8) if seed is None else seed
    filled = texts["trial.toml"].replace("{today}", str(today)).replace("{seed}", str(seed))
    return texts | {"trial.toml": filled}


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
            old = target.read_bytes() if target.exists() and len(new) > 1 else None
            move(path, target)
            before[target] = old
        for folder in {target.parent for target in new}:
            _sync_folder(folder)
    except BaseException as error:
        for path in new.values():
            _remove(path)
        for moved, old in before.items():
            if old is None:
                _remove(moved)
            else:
                replace_files({moved: old}, mode)
        if isinstance(error, OSError):  # and not by the name of the file beside it
            raise OSError(error.errno, error.strerror or str(error), str(target)) from error
        raise


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


def _names(folder: Path, problems: list[Problem]) -> list[str]:
    """List the files to read, in a fixed order."""
    if not folder.is_dir():
        found = "this is a file" if folder.exists() else "there is no such folder"
        problems.append(_NO_TRIAL.broken(found, str(folder)))
        return []
    try:
        near = sorted(path.name for path in folder.iterdir() if _NEAR.match(path.name))
    except OSError as error:
        problems.append(_UNREADABLE.broken(cannot("read", error), shown(str(folder), 200)))
        return []
    if not os.path.lexists(folder / "trial.toml"):
        found = "there is no such file" + "".join(f", only {shown(name)}" for name in near[:1])
        rule = _NO_TRIAL._replace(remedy=_HIDDEN) if near else _NO_TRIAL
        problems.append(rule.broken(found, "trial.toml"))
    names = [name for name in _READ if os.path.lexists(folder / name)]
    ballots = folder / "ballots"
    if os.path.lexists(ballots):
        try:
            listed = (entry.name for entry in ballots.iterdir() if _is_ballot(entry.name))
            names += [f"ballots/{name}" for name in sorted(listed)]
        except OSError as error:
            problems.append(_UNREADABLE.broken(cannot("read", error), "ballots"))
    return names


def _is_ballot(name: str) -> bool:
    return name.lower().endswith(".csv") and not name.startswith(".")


def content_of(path: Path) -> bytes:
    """Read a file of a trial folder; nothing where it cannot be read."""
    with contextlib.suppress(OSError):
        return _read(path)
    return b""


def _read(path: Path) -> bytes:
    if path.exists() and not path.is_file():
        raise OSError(errno.EISDIR, "it is a folder" if path.is_dir() else "it is not a plain file")
    return path.read_bytes()


def _notes(folder: Path) -> Iterator[Note]:
    """Name files that may have been meant to be read."""
    for path in sorted(folder.iterdir()):
        kept = path.suffix.lower() in (".csv", ".tsv", ".toml")
        meant = f"{path.name.partition('.')[0].lower()}.csv"  # scores.xlsx, scores.csv.txt
        same = folder / path.name.lower()  # for a system that takes no notice of capitals
        read = same.name in _READ and same.exists() and path.samefile(same)
        if not read and (kept or meant in TABLES):
            hint = did_you_mean(path.name, _READ) if kept else f": save it as CSV, as {meant}"
            text = f"the file is not read{hint}"
            yield Note(file=shown(path.name), text=text)
    ballots = folder / "ballots"
    for path in sorted(ballots.iterdir()) if ballots.is_dir() else []:
        if not _is_ballot(path.name) and not path.name.startswith("."):
            replaced = path.name == "conflicts"
            text = "it holds answers that were replaced" if replaced else "it is no .csv"
            yield Note(file=f"ballots/{shown(path.name)}", text=f"this is not read: {text}")


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
    """Write a file that is not there yet, down to the disk."""
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
