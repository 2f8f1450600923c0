"""How many jars of each variant there are, and what a tasting of them can speak about."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from blindspoon.files.text_table import TextTable
from blindspoon.trial import Session, Trial

Jars = dict[str, list[str]]
"""The names of the jars of each variant that has any."""


def jars_of(table: TextTable | None) -> Jars:
    """List the jars of each variant, as far as a table (batches.csv, key.csv) names both."""
    found: Jars = {}
    if table is None or not {"batch", "variant"} <= set(table.columns):
        return found
    for _, row in table.rows():
        if row["batch"] and row["variant"] and row["batch"] not in found.get(row["variant"], ()):
            found.setdefault(row["variant"], []).append(row["batch"])
    return found


def all_named(jars: Jars, variants: Sequence[str]) -> Jars:
    """Name a jar of every variant as soon as one has two: a variant without names is one jar.

    Examples
    --------
    >>> all_named({"oak": ["jar 1", "jar 2"]}, ["plain", "oak"])
    {'oak': ['jar 1', 'jar 2'], 'plain': ['plain 1']}
    """
    if max(map(len, jars.values()), default=0) < 2:
        return jars
    named, taken = dict(jars), {name for those in jars.values() for name in those}
    for variant in variants:
        if variant not in named:
            numbers = (f"{variant} {number}" for number in range(1, len(taken) + 2))
            named[variant] = [next(name for name in numbers if name not in taken)]
    return named


def poured_on(
    table: TextTable | None, jars: Jars, sessions: Sequence[Session]
) -> dict[str, dict[str, tuple[str, ...]]]:
    """Say which jars of each variant a dated session is poured from.

    They are those that were finished last by that day, so that one evening has one age; all of a
    variant's where none was finished by then, or none has a date.
    """
    if table is None or not {"batch", "finished"} <= set(table.columns):
        return {}
    ended = {row["batch"]: row["finished"] for _, row in table.rows()}
    found: dict[str, dict[str, tuple[str, ...]]] = {}
    for session in (session for session in sessions if session.date):
        for variant, names in jars.items():
            past = [d for d in map(ended.get, names) if d and d <= f"{session.date}"]
            last = max(past, default=None)
            kept = [name for name in names if last in (None, ended.get(name))]
            found.setdefault(session.name, {})[variant] = tuple(kept)
    return found


def foretold(trial: Trial, jars: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Say before anyone tastes what these jars cannot tell of the method; whole sentences."""
    if trial.course or max(map(len, jars.values()), default=0) < 2:
        return
    if trial.decision.by == "ranks":
        yield (
            "Ranks decide, and cannot tell how far jars of one variant differ: the answer will be "
            'about these jars and not about the method, which takes by = "mixed".'
        )
    elif len(jars.get(trial.control, ())) < 2:
        yield (
            "The control is one jar, so how far its jars would differ has to be taken from the "
            "others’: an answer about the method will hardly ever be settled. A second jar of the "
            "control would tell most."
        )
