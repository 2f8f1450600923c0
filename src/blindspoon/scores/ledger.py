"""The tables of a trial side by side: all that can be said before the blind is lifted.

A ledger knows cups by their codes. What does not fit is in its problems; what is missing, and
may be, in its absences.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.errors import Note, Problem, in_order, shown, some_of
from blindspoon.files import schema
from blindspoon.files.text_table import TextColumn, TextTable
from blindspoon.scores import crosscheck
from blindspoon.scores.crosscheck import Cups
from blindspoon.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """What the tables hold, checked against trial.toml and one another.

    Parameters
    ----------
    coded : bool
        Whether the cups were served under codes.
    scored : Cups
        The rows of scores.csv and the ballots.
    points : float array, shape (n_scored, n_attributes)
        NaN where no score was given.
    plan, key : Cups or None
        The rows of servings.csv and key.csv.
    problems : tuple of Problem
        Sorted by file and line.
    notes : tuple of Note
        What is worth knowing.
    absences : tuple of Note
        Scores that were not given, and cups and tasters without any; empty while there are
        problems.
    """

    coded: bool
    scored: Cups
    points: FloatArray
    plan: Cups | None
    key: Cups | None
    problems: tuple[Problem, ...]
    notes: tuple[Note, ...]
    absences: tuple[Note, ...]


def open_ledger(
    trial: Trial,
    scores: Sequence[TextTable],
    servings: TextTable | None = None,
    key: TextTable | None = None,
) -> Ledger:
    """Check the tables of a trial, each on its own and against the others.

    Parameters
    ----------
    trial : Trial
    scores : sequence of TextTable
        scores.csv and every ballot.
    servings, key : TextTable or None
        None where the folder has no such file.
    """
    coded = servings is not None or key is not None or any("code" in t.columns for t in scores)
    tables = [*scores, *(table for table in (servings, key) if table is not None)]
    rules = _rules(trial, tables)
    problems = [problem for table in tables for problem in table.problems]
    notes = [note for table in tables for note in table.notes]
    scored = _read(rules, scores, _kind_of_scores(trial, coded=coded), problems, notes)
    points = _points(trial, scored.tables, problems)
    plan = None if servings is None else _read(rules, [servings], _PLAN, problems, notes)
    keyed = None if key is None else _read(rules, [key], _kind_of_key(trial), problems, notes)
    problems += crosscheck.score_problems(scored, plan, keyed)
    problems += crosscheck.plan_problems(plan, keyed)
    problems += crosscheck.key_problems(plan, keyed)
    problems += _batch_problems(scored, keyed, coded=coded)
    if plan is not None and not problems:
        plan = crosscheck.as_tasted(plan, scored)
        problems += crosscheck.taken_positions(plan)
    if not problems:
        problems += crosscheck.no_scores(scored, points)
    return Ledger(
        coded=coded,
        scored=scored,
        points=points,
        plan=plan,
        key=keyed,
        problems=in_order(problems, (table.file for table in tables)),
        notes=(*notes, *_notes(trial, scored, plan, coded=coded)),
        absences=() if problems else tuple(crosscheck.absences(trial, scored, points, plan)),
    )


class _Kind(NamedTuple):
    """Which columns a table of one kind must have, may have, and must not have."""

    name: str
    needed: tuple[str, ...]
    known: tuple[str, ...]
    barred: tuple[str, ...] = ()
    blank_taster: bool = False
    needs_rows: bool = True


_PLAN = _Kind(
    name="code",
    needed=("taster", "position", "code"),
    known=("session", "taster", "position", "code"),
    barred=("variant", "batch"),
)


def _kind_of_scores(trial: Trial, *, coded: bool) -> _Kind:
    name = "code" if coded else "variant"
    more = ("position",) if coded else ("batch", "position")
    attributes = tuple(attribute.name for attribute in trial.attributes)
    return _Kind(
        name=name,
        needed=("taster", name),
        known=("session", "taster", name, *more, "comment", *attributes),
        barred=("variant",) if coded else (),
        needs_rows=False,
    )


def _kind_of_key(trial: Trial) -> _Kind:
    for_all = trial.tasting.codes == "per session"
    return _Kind(
        name="code",
        needed=("code", "variant") if for_all else ("taster", "code", "variant"),
        known=("session", "taster", "code", "variant", "batch"),
        blank_taster=for_all,
    )


class _Rules(NamedTuple):
    """Names that cells may hold; `session` is the one where there is only one."""

    variants: tuple[str, ...]
    sessions: tuple[str, ...]
    session: str | None


def _rules(trial: Trial, tables: Sequence[TextTable]) -> _Rules:
    listed = tuple(session.name for session in trial.sessions)
    found = [t.columns["session"].texts for t in tables if "session" in t.columns]
    names = set(listed) or {name for texts in found for name in texts if name}
    return _Rules(
        variants=tuple(variant.name for variant in trial.variants),
        sessions=listed,
        session=next(iter(names), "1") if len(names) <= 1 else None,
    )


def _read(
    rules: _Rules,
    tables: Sequence[TextTable],
    kind: _Kind,
    problems: list[Problem],
    notes: list[Note],
) -> Cups:
    """Read the columns that name cups; add what is wrong with them and what is not used."""
    before = len(problems)
    complete = []
    for table in tables:
        lacking = _column_problems(rules, table, kind)
        problems += lacking
        if table.readable and not lacking:
            complete.append(table)
    usable, positions = [], []
    for table in complete:
        fits, places, wrong = _row_checks(rules, table, kind)
        usable.append(fits)
        positions.append(places)
        problems += wrong
    notes += _unused_columns(complete, kind)
    cups = Cups(
        tables=tuple(complete),
        by=kind.name,
        session=_column(complete, "session", rules.session or ""),
        taster=_column(complete, "taster"),
        name=_column(complete, kind.name),
        batch=_column(complete, "batch" if "batch" in kind.known else ""),
        position=np.concatenate(positions or [np.empty(0, np.int64)]),
        usable=np.concatenate(usable or [np.empty(0, np.bool_)]),
        sound=not any(table.problems for table in tables),
    )
    if kind.needs_rows:
        problems += crosscheck.codes_twice(cups)
    return replace(cups, sound=cups.sound and len(problems) == before)


def _column(tables: Sequence[TextTable], name: str, default: str = "") -> TextColumn:
    columns = [
        table.columns[name]
        if name in table.columns
        else TextColumn((default,), np.zeros(len(table), np.int64))
        for table in tables
    ]
    return TextColumn.stack(columns)


def _column_problems(rules: _Rules, table: TextTable, kind: _Kind) -> list[Problem]:
    if not table.readable:
        return []
    needed = [*kind.needed, *(["session"] if rules.session is None else [])]
    problems = schema.missing_columns(table, needed)
    if kind.needs_rows and not len(table):
        problems.append(_no_rows(table))
    return problems + [
        Problem(
            slug="lifts-the-blind",
            file=table.file,
            column=name,
            found=f"a column {name} stands beside the codes",
            allowed="only key.csv says what is in a cup",
            remedy="Take the column out, or, if there never were codes, the code column and"
            " servings.csv and key.csv",
        )
        for name in kind.barred
        if name in table.columns
    ]


def _no_rows(table: TextTable) -> Problem:
    return Problem(
        slug="no-rows",
        file=table.file,
        found="the file has a header but no rows",
        allowed="it has a row for each cup",
        remedy='Draw the cups with "blind", or remove the file',
    )


def _row_checks(
    rules: _Rules, table: TextTable, kind: _Kind
) -> tuple[BoolArray, IntArray, list[Problem]]:
    checks = []
    for name in kind.known:
        if name not in table.columns:
            continue
        if name in ("taster", "code", "batch"):
            blank = name == "batch" or (name == "taster" and kind.blank_taster)
            checks.append(schema.labels(table, name, blank=blank))
        elif name == "session":
            checks.append(schema.names(table, name, rules.sessions, "unknown-session"))
        elif name == "variant":
            checks.append(schema.names(table, name, rules.variants, "unknown-variant"))
    usable = np.ones(len(table), np.bool_)
    for fits, _ in checks:
        usable &= fits
    problems = [problem for _, wrong in checks for problem in wrong]
    positions = np.zeros(len(table), np.int64)
    if "position" in kind.known and "position" in table.columns:
        positions, wrong = schema.positions(table)
        problems += wrong
    return usable, positions, problems


def _points(trial: Trial, tables: Sequence[TextTable], problems: list[Problem]) -> FloatArray:
    """Read every attribute of every table; NaN where a column is missing."""
    blocks = [np.full((len(table), len(trial.attributes)), np.nan) for table in tables]
    for table, block in zip(tables, blocks, strict=True):
        for place, attribute in enumerate(trial.attributes):
            if attribute.name not in table.columns:
                problems += schema.missing_columns(table, [attribute.name])
                continue
            block[:, place], wrong = schema.scores(table, attribute)
            problems += wrong
    return np.concatenate(blocks or [np.empty((0, len(trial.attributes)))])


def _batch_problems(scored: Cups, key: Cups | None, *, coded: bool) -> list[Problem]:
    if key is not None and key.tables:
        return crosscheck.batch_problems(key, key.tables[0].columns["variant"])
    return [] if coded else crosscheck.batch_problems(scored, scored.name)


def _unused_columns(tables: Sequence[TextTable], kind: _Kind) -> Iterator[Note]:
    files: dict[tuple[str, ...], list[str]] = {}
    for table in tables:
        unused = tuple(name for name in table.columns if name not in kind.known)
        files.setdefault(unused, []).append(table.file)
    for unused, (file, *others) in files.items():
        if unused:
            too = f", nor in {len(others)} files more" if others else ""
            yield Note(
                file=file, line=1, text=f"columns not used: {some_of(map(shown, unused), 20)}{too}"
            )


def _notes(trial: Trial, scored: Cups, plan: Cups | None, *, coded: bool) -> Iterator[Note]:
    if coded and plan is None:
        text = "there is no such file, so nobody knows at which position a cup was served"
        yield Note(file="servings.csv", text=text)
    listed = set(trial.tasting.tasters)
    guests = [name for name in scored.taster.texts if name not in listed]
    if listed and guests:
        text = f"tasters not listed here: {some_of(map(shown, guests), 20)}"
        yield Note(file="trial.toml", text=text)
    for table in scored.tables:
        if not len(table):
            yield Note(file=table.file, text="the file has a header but no rows")
