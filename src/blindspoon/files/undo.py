"""Changes of a trial that are written all or none, and can be taken back."""

import contextlib
import datetime
import json
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from blindspoon.errors import Rule, TrialFileError
from blindspoon.files.disk import clear_up, complaining
from blindspoon.files.durable import PRIVATE, DurableFolder

KEPT = 50  # changes that can be taken back

_PLACE = f"{PRIVATE}/before"
_WRITING = threading.RLock()
_GONE = Rule(
    "changed-meanwhile", "a change is taken back while its files are as it left them", "Look again"
)

Content = bytes | None  # what stands in a file; None where there is none


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change of a folder; the numbers rise, and a sentence says what was done.

    The files are as before and after, under their names. It `stands` if every one is still as it
    was written, so that it can be taken back.
    """

    number: int
    when: datetime.datetime
    what: str
    files: Mapping[str, tuple[Content, Content]]
    stands: bool


def write(
    folder: Path, files: Mapping[str, Content], what: str, seen: Mapping[str, bytes] | None = None
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
        record = {"when": now, "said": what, "files": pairs}
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
    return tuple(_read(folder))


def _read(folder: Path) -> Iterator[Change]:
    kept = DurableFolder(folder)
    for number in reversed(_numbers(folder)):
        try:
            record = json.loads(kept.read(f"{_PLACE}/{number:06}.json") or b"")
            files = {name: (_bytes(a), _bytes(b)) for name, (a, b) in record["files"].items()}
            when, what = datetime.datetime.fromisoformat(record["when"]), str(record["said"])
            stands = all(kept.read(name) == after for name, (_, after) in files.items())
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            continue
        # a folder that somebody sent may name files of its reader
        if not any(Path(name).anchor or ".." in Path(name).parts for name in files):
            yield Change(number=number, when=when, what=what, files=files, stands=stands)


def take_back(folder: Path, number: int) -> Change:
    """Put back what stood there before a change; raises where a file was changed since."""
    change = next((it for it in _read(folder) if it.number == number), None)
    if change is None or not change.stands:
        found = "a file was changed since" if change else "there is no such change"
        raise TrialFileError([_GONE.broken(found, "the folder")])
    before = {name: pair[0] for name, pair in change.files.items()}
    write(folder, before, f"Taken back: {change.what}")
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
    return sorted(int(name) for name in names if name.isdecimal())


def _text(content: Content) -> str | None:
    return None if content is None else content.decode("latin-1")


def _bytes(text: str | None) -> Content:
    return None if text is None else text.encode("latin-1")
