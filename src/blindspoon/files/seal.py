"""What was fixed when the blind was drawn, so that a later change can be seen."""

from __future__ import annotations

import datetime
import hashlib
import json
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace

from blindspoon.files.text_table import TextTable
from blindspoon.trial import Trial

FILE = "seal.toml"

HEAD = """\
# What was fixed when the blind was drawn. The report says whether it is still so.
# The rule is [decision] with the control, the attributes, their scales and margins.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """Fingerprints of the key and of the rule, with the day on which they were fixed.

    Parameters
    ----------
    date : date
        The day on which the blind was drawn.
    key, rule : str
        SHA-256 in hexadecimal; see `key_fingerprint` and `rule_fingerprint`.
    late : tuple of str
        Tasters who were added afterwards, each as "name, day".
    """

    date: datetime.date
    key: str
    rule: str
    late: tuple[str, ...] = ()

    def to_toml(self) -> str:
        """Write the seal as the text of seal.toml."""
        late = json.dumps(list(self.late), ensure_ascii=False)
        lines = f'date = {self.date}\nkey = "{self.key}"\nrule = "{self.rule}"\nlate = {late}\n'
        return HEAD + lines

    def with_late(self, taster: str, day: datetime.date, key: str) -> Seal:
        """Seal the key again after a taster was added to it."""
        return replace(self, key=key, late=(*self.late, f"{taster}, {day}"))


def parse_seal(text: str) -> Seal | None:
    """Read seal.toml; None where it is not as Blindspoon wrote it."""
    try:
        found = tomllib.loads(text)
        return Seal(
            date=found["date"],
            key=str(found["key"]),
            rule=str(found["rule"]),
            late=tuple(map(str, found["late"])),
        )
    except (tomllib.TOMLDecodeError, KeyError, TypeError):
        return None


def rule_fingerprint(trial: Trial) -> str:
    """Fingerprint what decides a verdict: the rule, the control, the attributes, their scales."""
    attributes = [
        [one.name, one.margin, one.scale.low, one.scale.high, one.scale.step]
        for one in trial.attributes
    ]
    rule = {**asdict(trial.decision), "control": trial.control, "attributes": attributes}
    return _fingerprint(json.dumps(rule, sort_keys=True, default=str))


def key_fingerprint(rows: Iterable[Sequence[str]]) -> str:
    """Fingerprint a key, whatever the order of its rows and the program that saved it.

    Parameters
    ----------
    rows : iterable of sequence of str
        Without the heading: session, taster, code, variant, batch (may be left out or blank).
    """
    return _fingerprint(json.dumps(sorted([*row, ""][:5] for row in rows)))


def key_rows(key: TextTable) -> list[list[str]]:
    """Take the rows of key.csv as `key_fingerprint` wants them."""
    names = ("session", "taster", "code", "variant", "batch")
    return [[row.get(name, "") for name in names] for _, row in key.rows()]


KEPT = "The rule and the key are those that were sealed on"


def seal_sentences(trial: Trial, key: TextTable | None, text: str | None) -> tuple[str, ...]:
    """Say whether the rule and the key are still those that were sealed.

    Parameters
    ----------
    trial : Trial
    key : TextTable or None
    text : str or None
        Of seal.toml; None where the blind was not drawn by Blindspoon.

    Returns
    -------
    tuple of str
        Empty where there is no seal.
    """
    if text is None:
        return ()
    seal = parse_seal(text)
    if seal is None:
        return ("The record of what was sealed before tasting is damaged, so it shows nothing.",)
    rule = seal.rule == rule_fingerprint(trial)
    same = key is not None and seal.key == key_fingerprint(key_rows(key))
    if rule and same:
        sentence = f"{KEPT} {seal.date}."
    else:
        changed = " and ".join(
            name for name, kept in (("the rule", rule), ("the key", same)) if not kept
        )
        sentence = f"Since they were sealed on {seal.date}, {changed} changed."
    added = f"Added to the key afterwards: {'; '.join(seal.late)}." if seal.late else ""
    return tuple(filter(None, (sentence, added)))


def _fingerprint(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
