"""A trial folder: the files in it, read whole, and where its sheets and pages lie."""

import contextlib
import errno
import hashlib
import os
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

from blindspoon.errors import Note, Problem, Rule, TrialFileError, did_you_mean, shown
from blindspoon.files.disk import cannot
from blindspoon.files.seal import FILE, FORMAT, Seal, later_format, parse_seal
from blindspoon.files.text_table import WINDOWS, FolderTables, TextTable, decoded, read_table
from blindspoon.files.trial_toml import PICTURE, names_by_label, parse_trial
from blindspoon.trial import Trial

KEY = ("key.csv",)  # what lifts the blind; who must not know leaves it out
ANSWERS = ("scores.csv", "choices.csv")  # what tasters said; every ballot is as one of them
TABLES = (
    *ANSWERS, "servings.csv", "key.csv", "batches.csv", "readings.csv", "corrections.csv",
)  # fmt: skip
"""Tables that may stand beside trial.toml."""
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
        names = dict[str, dict[str, str]]()  # of each label
        with contextlib.suppress(TrialFileError):  # its problems are told by who parses it
            variants, sessions = self.trial.variants, self.trial.sessions
            names = {"variant": names_by_label(variants), "session": names_by_label(sessions)}

        def read(name: str) -> TextTable:
            table = read_table(self.files[name], name)
            labelled = names.keys() & table.columns.keys()
            columns = {it: table.columns[it].renamed(names[it]) for it in labelled}
            return replace(table, columns={**table.columns, **columns})

        tables = {name: read(name) for name in self.files if name not in ("trial.toml", FILE)}
        answers = [table for name, table in tables.items() if "/" in name or name in ANSWERS]
        return FolderTables(
            scores=tuple(table for table in answers if not _of_sets(table)),
            choices=tuple(table for table in answers if _of_sets(table)),
            **{it.removesuffix(".csv"): tables[it] for it in TABLES[2:] if it in tables},
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
    if not folder.is_dir():
        found = "this is a file" if folder.exists() else "there is no such folder"
        raise TrialFileError([_NO_TRIAL.broken(found, str(folder))])
    problems = list[Problem]()
    beside = _listed(folder, shown(str(folder), 200), problems)
    fixed = [name for name in _READ if os.path.lexists(folder / name)]
    if "trial.toml" not in fixed and not problems:
        near = [name for name in beside if _NEAR.match(name)]
        found = "there is no such file" + "".join(f", only {shown(name)}" for name in near[:1])
        rule = _NO_TRIAL._replace(remedy=_HIDDEN) if near else _NO_TRIAL
        problems.append(rule.broken(found, "trial.toml"))
    there = os.path.lexists(folder / "ballots")
    ballots = _listed(folder / "ballots", "ballots", problems) if there else []
    ballots = [name for name in ballots if not name.startswith(".")]
    names = [*fixed, *(f"ballots/{name}" for name in ballots if name.lower().endswith(".csv"))]
    files = dict[str, bytes]()
    for name in names:
        if name in without:
            continue
        try:
            files[shown(name, 300)] = _read(folder / name)  # longer than any name on a disk
        except OSError as error:
            problems.append(_UNREADABLE.broken(cannot("read", error), shown(name, 300)))
    if later := later_format(files.get("seal.toml", b"").decode(errors="replace")):
        problems.append(_LATER.broken(f"it has format {later}", "seal.toml"))
    data = files.get("trial.toml", b"")
    try:
        text, windows = decoded(data)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        found = f"byte {data[error.start]:#04x} is not UTF-8"
        problems.append(_ENCODING.broken(found, "trial.toml", line))
    if problems:
        raise TrialFileError(problems)
    notes = [Note(file="trial.toml", text=WINDOWS)] * windows
    notes += _unread(folder, beside, fixed, ballots)
    return FolderText(toml=text, files=files, notes=tuple(notes))


def _listed(place: Path, name: str, problems: list[Problem]) -> list[str]:
    """List a folder, which messages call `name`, in order."""
    try:
        return sorted(path.name for path in place.iterdir())
    except OSError as error:
        problems.append(_UNREADABLE.broken(cannot("read", error), name))
        return []


def _unread(
    folder: Path, beside: Sequence[str], fixed: Sequence[str], ballots: Sequence[str]
) -> Iterator[Note]:
    """Name files that may have been meant to be read."""
    for name in beside:
        plain = name.lower().endswith((".csv", ".tsv", ".toml"))
        meant = f"{name.partition('.')[0].lower()}.csv"  # scores.xlsx, scores.csv.txt
        same = name.lower()  # for a system that takes no notice of capitals
        read = same in fixed and (folder / name).samefile(folder / same)
        if not read and (plain or meant in TABLES):
            hint = did_you_mean(name, _READ) if plain else f": save it as CSV, as {meant}"
            yield Note(file=shown(name), text=f"the file is not read{hint}")
    for name in ballots:
        if not name.lower().endswith(".csv"):
            replaced = name == "conflicts"
            text = "it holds answers that were replaced" if replaced else "it is no .csv"
            yield Note(file=f"ballots/{shown(name)}", text=f"this is not read: {text}")


def trials_in(shelf: Path) -> dict[str, Path]:
    """Find the trial folders that lie in a folder, or the folder itself, by their names."""
    found = [shelf] if (shelf / "trial.toml").is_file() else []
    with contextlib.suppress(OSError):
        found += sorted(path.parent for path in shelf.glob("[!.]*/trial.toml"))
    return {folder.resolve().name: folder for folder in found}


def sheets_in(folder: Path) -> tuple[str, ...]:
    """Name the sheets that were printed, such as "table.html" and "tasters/01-Ada.html"."""
    return _files_under(folder / "sheets", "*.html")


def published_in(folder: Path) -> tuple[str, ...]:
    """Name the files of a trial that was published beside it, such as "figures/tall/board.png"."""
    return _files_under(published_at(folder), "*")


def _files_under(place: Path, pattern: str) -> tuple[str, ...]:
    found = (path for path in place.rglob(pattern) if path.is_file())
    return tuple(sorted(path.relative_to(place).as_posix() for path in found))


def published_at(folder: Path) -> Path:
    """Say where a trial is published from a page: in ``published`` on its shelf."""
    place = folder.resolve()
    return place.parent / "published" / place.name


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
    digest = hashlib.sha256()
    for name in sorted(files):
        for part in (name.encode(), files[name]):
            digest.update(len(part).to_bytes(8))
            digest.update(part)
    return digest.hexdigest()


def content_of(path: Path) -> bytes:
    """Read a file of a trial folder; nothing where it cannot be read."""
    with contextlib.suppress(OSError):
        return _read(path)
    return b""


def _read(path: Path) -> bytes:
    if path.exists() and not path.is_file():
        raise OSError(errno.EISDIR, "it is a folder" if path.is_dir() else "it is not a plain file")
    return path.read_bytes()
