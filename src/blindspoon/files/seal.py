"""The record of a blind: what was fixed when drawn, who was added, when it ended."""

from __future__ import annotations

import datetime
import hashlib
import json
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal, TypeVar, get_args

from blindspoon.files.schema import as_number
from blindspoon.files.text_table import TextTable
from blindspoon.trial import Pourer, Trial

FILE = "seal.toml"

HEAD = """\
# Written by Blindspoon: what was fixed when the blind was drawn, and when it was lifted.
# [rule] is the rule as it was then; a later change of trial.toml is told in the report.

"""

ADDED = "\n# Added to the key later; after counts how often the blind had been lifted by then.\n"

FORMAT = 1  # of seal.toml; a file without a number has it

Kind = Literal["taster", "session"]
Cup = tuple[str, str, str]  # session, taster and code


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """Who, or which session, was added to the key after it was drawn.

    The blind had been lifted `after` times by then.
    """

    kind: Kind
    name: str
    date: datetime.date
    after: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """The moment at which the blind was lifted, the `last` if no declared look follows.

    So many `tasters` had scored a cup, and `scored` of all `cups` that were to be served. `scores`
    is their SHA-256 in hexadecimal (`scores_fingerprint`). By the host's word it was `poured` by
    somebody who did not taste, by two tasters for each other, or by one; where that was put right
    after the lifting, `poured_said` is the day, and `poured_before` what was said at the lifting.
    """

    date: datetime.date
    tasters: int
    scored: int
    cups: int
    scores: str
    last: bool = True
    poured: Pourer = "unknown"
    poured_said: datetime.date | None = None
    poured_before: Pourer = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """What seal.toml holds: the day on which the blind was drawn, and the rule as it was then.

    `key` is the SHA-256 of the key in hexadecimal (`key_fingerprint`), `rule` see `rule_text`. It
    is lifted once, or once a declared look; `closed` is None while cups may be scored.
    """

    date: datetime.date
    key: str
    rule: Mapping[str, str]
    added: tuple[Added, ...] = ()
    lifted: tuple[Lift, ...] = ()
    closed: datetime.date | None = None

    @property
    def lift(self) -> Lift | None:
        return self.lifted[-1] if self.lifted else None

    @property
    def over(self) -> bool:
        return self.lift is not None and self.lift.last

    @property
    def attributes(self) -> tuple[str, ...]:
        scales = "scale of "
        return tuple(name.removeprefix(scales) for name in self.rule if name.startswith(scales))

    def to_toml(self) -> str:
        import tomlkit  # noqa: PLC0415 - only where a seal is written

        own = {"date": self.date, "key": self.key, "rule": self.rule}
        closed = {"closed": self.closed} if self.closed else {}
        rows = {name: [asdict(row) for row in getattr(self, name)] for name in ("added", "lifted")}
        known = (lift.items() for lift in rows["lifted"])
        rows["lifted"] = [{k: v for k, v in it if v not in (None, "unknown")} for it in known]
        text = tomlkit.dumps(own | closed | rows)
        return HEAD + text.replace("\n[[added]]\n", f"{ADDED}[[added]]\n", 1)

    def with_added(self, kind: Kind, name: str, day: datetime.date, key: str) -> Seal:
        """Seal the key again after a taster or a session was added to it."""
        new = Added(kind=kind, name=name, date=day, after=len(self.lifted))
        others = (it for it in self.added if (it.kind, it.name) != (kind, name))  # it was stopped
        return replace(self, key=key, added=(*others, new))


_Row = TypeVar("_Row", Added, Lift)
_TYPES = [
    *((name, datetime.date) for name in ("date", "closed", "poured_said")),  # and without a time
    *((name, str) for name in ("key", "kind", "name", "scores", "poured", "poured_before")),
    *((name, int) for name in ("after", "tasters", "scored", "cups")),
    ("last", bool),
]


def later_format(text: str) -> object:
    """Give the format of a seal.toml that this Blindspoon cannot read; None for its own."""
    try:
        found = tomllib.loads(text.removeprefix("\ufeff")).get("format", FORMAT)
    except ValueError:
        return None
    return None if found == FORMAT else found


def parse_seal(text: str) -> Seal | None:
    """Read seal.toml; None where it is not as Blindspoon wrote it."""
    try:
        found = tomllib.loads(text.removeprefix("\ufeff"))
        rows = (found, *found.get("added", ()), *found.get("lifted", ()))
        if any(type(row[name]) is not kind for row in rows for name, kind in _TYPES if name in row):
            return None
        if any(row.get("poured", "unknown") not in get_args(Pourer) for row in rows):
            return None
        return Seal(
            date=found["date"],
            key=found["key"],
            rule={name: str(value) for name, value in found["rule"].items()},
            added=tuple(_read(Added, row) for row in found.get("added", ())),
            lifted=tuple(_read(Lift, row) for row in found.get("lifted", ())),
            closed=found.get("closed"),
        )
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _read(kind: type[_Row], row: dict[str, Any]) -> _Row:
    return kind(**{name: row[name] for name in kind.__slots__ if name in row})


def rule_text(trial: Trial) -> dict[str, str]:
    """Write what decides a verdict as text: the rule, the control, the scales and margins."""
    rule = trial.decision
    text = {
        "control": trial.control,
        "declared date": str(rule.declared or "none"),
        "primary attributes": ", ".join(rule.primary) or "none",
        "alpha": f"{rule.alpha:g}",
        "deciding comparison": rule.by,
        "declared tasters": str(rule.tasters or "none"),
        "looks": ", ".join(map(str, rule.looks)) or "none",
    }
    for name, part in (("choice", trial.choice), ("course", trial.course)):
        if part is not None:
            # in the order of the fields: another one would break every seal
            asked = ((key, getattr(part, key)) for key in part.__slots__)
            text[name] = ", ".join(f"{key} {value}" for key, value in asked if value)
    for variant in trial.variants:
        if variant.series:
            text[f"series of {variant.name}"] = variant.series
    for attribute in trial.attributes:
        scale = attribute.scale
        steps = f" in steps of {scale.step:g}" if scale.step else ""
        text[f"scale of {attribute.name}"] = f"{scale.low:g} to {scale.high:g}{steps}"
        margin = f"{attribute.margin:g}" if attribute.margin else "none"
        text[f"margin of {attribute.name}"] = margin
    return text


def key_fingerprint(rows: Iterable[Sequence[str]]) -> str:
    """Fingerprint a key, whatever the order of its rows and the program that saved it.

    A row is session, taster, code, variant, batch, which may be left out or blank; no heading.
    """
    return _fingerprint(sorted([*row, ""][:5] for row in rows))


def key_rows(key: TextTable) -> list[list[str]]:
    """Take the rows of key.csv as `key_fingerprint` wants them."""
    names = ("session", "taster", "code", "variant", "batch")
    return list(map(list, zip(*map(key.cells, names), strict=True)))


def scores_by_cup(
    trial: Trial, tables: Iterable[TextTable], attributes: Sequence[str]
) -> dict[Cup, dict[str, str]]:
    """Give every score by cup and attribute, numbers written one way; no cup without a score.

    An answer to a set stands under "set" with its number in place of a code. Whether a taster
    would have it stands beside the scores.
    """
    found = {}
    names = (*attributes, *([trial.course.accept] if trial.course and trial.course.accept else []))
    for table in tables:
        for _, row in table.rows():
            if row.get("answer") and "code" not in row:
                found[cup_of(trial, row)] = {"answer": row["answer"]}
                continue
            cells = {name: row.get(name, "") for name in names}
            given = {name: number_text(cell, table) for name, cell in cells.items() if cell}
            if given:
                found[cup_of(trial, row)] = given
    return found


def cup_of(trial: Trial, row: Mapping[str, str]) -> Cup:
    """Name the cup of a row; the session where the column is left out is the only one."""
    only = trial.sessions[0].name if trial.sessions else "1"
    code = row["code"] if "code" in row else f"set {row.get('set', '1')}" if "answer" in row else ""
    return row.get("session", only), row.get("taster", ""), code


def served_units(trial: Trial, served: TextTable) -> set[Cup]:
    """Name every cup to score and every set to choose from that a plan or a key has."""
    return {
        (*cup_of(trial, row)[:2], f"set {row['set']}" if row.get("set") else row.get("code", ""))
        for _, row in served.rows()
    }


def number_text(cell: str, table: TextTable) -> str:
    """Write a number one way, whatever the file had: 7, 7.0 and 7,0 are the same."""
    value = as_number(cell, decimal_comma=table.decimal_comma)
    return cell if value is None else f"{value:.12g}"


def scores_fingerprint(scores: Mapping[Cup, Mapping[str, str]]) -> str:
    """Fingerprint what `scores_by_cup` gives, whichever files the scores stand in."""
    return _fingerprint(sorted([*cup, sorted(given.items())] for cup, given in scores.items()))


def _fingerprint(value: object) -> str:
    return hashlib.sha256(json.dumps(value).encode()).hexdigest()
