"""The tables of a trial side by side: all that can be said before the blind is lifted.

A ledger knows cups by their codes. What does not fit is in its problems; what is missing, and
may be, in its absences.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.errors import Note, Problem, Rule, in_order, shown, some_of
from blindspoon.files import schema
from blindspoon.files.schema import CHOICES, KEY, SCORES, SERVINGS, FileColumn, Known, When
from blindspoon.files.text_table import FolderTables, TextColumn, TextTable
from blindspoon.scores import crosscheck
from blindspoon.scores.crosscheck import Cups
from blindspoon.scores.sets import (
    ChoiceTable,
    Picks,
    absent_answers,
    chosen_by,
    places_chosen,
    read_known,
    read_picks,
)
from blindspoon.trial import Trial

Columns = tuple[FileColumn, ...]


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
    accepted : float array, shape (n_scored,)
        1 where the taster would have it, 0 where not, NaN where that was not answered.
    plan, key : Cups or None
        The rows of servings.csv and key.csv.
    sets : Cups or None
        The rows of servings.csv that are in sets; their batch is the name of the set.
    picks : Picks or None
        What was chosen from sets under codes.
    choices : ChoiceTable or None
        The same where nothing had codes.
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
    accepted: FloatArray
    plan: Cups | None
    key: Cups | None
    sets: Cups | None
    picks: Picks | None
    choices: ChoiceTable | None
    problems: tuple[Problem, ...]
    notes: tuple[Note, ...]
    absences: tuple[Note, ...]


def open_ledger(trial: Trial, tables: FolderTables) -> Ledger:
    """Check scores, choices, servings and key, each on its own and against the others."""
    scores, choices, servings, key = tables.scores, tables.choices, tables.servings, tables.key
    coded = servings is not None or key is not None or any("code" in t.columns for t in scores)
    present = [*tables.answers, *(table for table in (servings, key) if table is not None)]
    known, session = _known(trial, present, coded=coded)
    problems = [problem for table in present for problem in table.problems]
    notes = [note for table in present for note in table.notes]

    def read(some: Sequence[TextTable], columns: Columns, name: str = "code") -> Cups:
        return _read(some, columns, name, known, session, problems, notes)

    scored = read(scores, SCORES, "code" if coded else "variant")
    points = _points(trial, scored.tables, session, problems)
    accepted = _accepted(trial, scored.tables, problems)
    served = None if servings is None else read([servings], SERVINGS)
    keyed = None if key is None else read([key], KEY)
    plan, sets = served, None
    if served is not None and trial.choice is not None:
        names = _column(served.tables, "set")
        in_sets = np.array([bool(text) for text in names.texts], np.bool_)[names.codes]
        plan, sets = served.part(~in_sets), replace(served, batch=names).part(in_sets)
    problems += crosscheck.score_problems(scored, plan if trial.attributes else None, keyed)
    problems += crosscheck.plan_problems(served, keyed)
    picks, known_choices = None, None
    if trial.choice is not None:
        picks, known_choices = _chosen(trial, choices, sets, read, known, problems)
    held = None if coded else (scored, scored.name)  # where batches stand beside variants
    if keyed is not None and keyed.tables:
        held = (keyed, keyed.tables[0].columns["variant"])
    problems += crosscheck.batch_problems(*held) if held else ()
    if plan is not None and not problems:
        plan = crosscheck.as_tasted(plan, scored)
        problems += crosscheck.taken_positions(plan)
    if not problems and trial.attributes:
        problems += crosscheck.no_scores(scored, points)
    answered = any(picks.answers.texts) if picks else known_choices and known_choices.right.size
    if not problems and trial.choice is not None and not answered:
        found = "no row has an answer" if choices else "there is no such file"
        problems.append(_NO_CHOICES.broken(found, "choices.csv"))
    if picks is not None and not problems:
        notes += places_chosen(picks)
    absences: tuple[Note, ...] = ()
    if not problems:
        chose = known_choices.tasters if known_choices else ()
        others = (*(served.taster.texts if served else ()), *chose)
        absences = (
            *crosscheck.absences(trial, scored, points, plan, others),
            *(crosscheck.stray_cups(*held) if held else ()),
            *(absent_answers(picks) if picks else ()),
        )
    return Ledger(
        coded=coded,
        scored=scored,
        points=points,
        accepted=accepted,
        plan=plan,
        key=keyed,
        sets=sets,
        picks=picks,
        choices=known_choices,
        problems=in_order(problems, (table.file for table in present)),
        notes=(*notes, *_notes(trial, scored, served, coded=coded)),
        absences=absences,
    )


_NO_CHOICES = Rule(
    "no-scores", "a trial has one answer or more", "Collect or key in the ballots first"
)
_NO_ROWS = Rule(
    "no-rows", "it has a row for each cup", 'Draw the cups with "blind", or remove the file'
)
_NO_SETS = Rule(
    "missing-file", "the answers are codes, and servings.csv says which set each is from",
    'Put it back, or give the columns variant and right where nothing had codes',
)  # fmt: skip


def _chosen(
    trial: Trial,
    choices: Sequence[TextTable],
    sets: Cups | None,
    read: Callable[..., Cups],
    known: Known,
    problems: list[Problem],
) -> tuple[Picks | None, ChoiceTable | None]:
    """Read what was chosen, under codes or not."""
    if sets is None or not len(sets):
        plain = next((table for table in choices if "answer" not in table.columns), None)
        if plain is not None:
            return None, read_known(trial, plain, known, problems)
        if choices:
            problems.append(_NO_SETS.broken("no cup is in a set", "servings.csv"))
        return None, None
    rows = read(choices, CHOICES, "set")
    if not rows.tables:
        return None, None
    return read_picks(chosen_by(trial), rows, sets, problems), None


def _known(trial: Trial, tables: Sequence[TextTable], *, coded: bool) -> tuple[Known, str]:
    """Say what cells are held against, and which session is meant where the column is left out."""
    listed = tuple(session.name for session in trial.sessions)
    found = [t.columns["session"].texts for t in tables if "session" in t.columns]
    names = set(listed) or {name for texts in found for name in texts if name}
    sets = {n for t in tables if "set" in t.columns for n in t.columns["set"].texts if n}
    when: tuple[When, ...] = (
        "always",
        "coded" if coded else "uncoded",
        trial.tasting.codes,
        *(("several sessions",) if len(names) > 1 else ()),
        *(("several sets",) if len(sets) > 1 else ()),
    )
    known = Known(
        sessions=listed,
        variants=tuple(variant.name for variant in trial.variants),
        scales={attribute.name: attribute.scale for attribute in trial.attributes},
        when=when,
        own=(*(a.name for a in trial.attributes), *([trial.course.accept] if trial.course else [])),
    )
    return known, "" if len(names) > 1 else next(iter(names), "1")


def _read(
    tables: Sequence[TextTable],
    columns: Columns,
    name: str,
    known: Known,
    session: str,
    problems: list[Problem],
    notes: list[Note],
) -> Cups:
    """Read the columns that name cups; add what is wrong with them and what is not used."""
    before = len(problems)
    complete: list[TextTable] = []
    for table in tables:
        lacking = schema.column_problems(table, columns, known) if table.readable else []
        if columns not in (SCORES, CHOICES) and table.readable and not len(table):
            lacking.append(_NO_ROWS.broken("the file has a header but no rows", table.file))
        problems += lacking
        if table.readable and not lacking:
            complete.append(table)
    checked = [schema.read_columns(table, columns, known) for table in complete]
    problems += [problem for table in checked for problem in table.problems]
    read = {column.name for column in columns if column.read in known.when}
    notes += _unused_columns(complete, {*read, *(known.own if columns is SCORES else ())})
    positions = [
        done.values.get("position", np.zeros(len(table), np.int64))
        for done, table in zip(checked, complete, strict=True)
    ]
    cups = Cups(
        tables=tuple(complete),
        by=name,
        session=_column(complete, "session", session),
        taster=_column(complete, "taster"),
        name=_column(complete, name, "1" if name == "set" else ""),
        batch=_column(complete, "batch" if "batch" in read else ""),
        position=np.concatenate(positions or [np.empty(0, np.int64)]),
        usable=np.concatenate([table.usable for table in checked] or [np.empty(0, np.bool_)]),
        sound=not any(table.problems for table in tables),
    )
    if columns not in (SCORES, CHOICES):
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


def _points(
    trial: Trial, tables: Sequence[TextTable], session: str, problems: list[Problem]
) -> FloatArray:
    """Read every attribute of every table; NaN where a column is missing."""
    blocks = [np.full((len(table), len(trial.attributes)), np.nan) for table in tables]
    for table, block in zip(tables, blocks, strict=True):
        for place, attribute in enumerate(trial.attributes):
            if attribute.name not in table.columns:
                asked = (
                    attribute in trial.asked(n) for n in _column([table], "session", session).texts
                )
                if any(asked):
                    remedy = f', or write not_asked = ["{attribute.name}"] in its [[session]]'
                    problems += schema.missing_columns(table, [attribute.name], remedy)
                continue
            block[:, place], wrong = schema.scores(table, attribute)
            problems += wrong
    return np.concatenate(blocks or [np.empty((0, len(trial.attributes)))])


def _accepted(trial: Trial, tables: Sequence[TextTable], problems: list[Problem]) -> FloatArray:
    """Read who would have it; NaN in tables without that column, of which one at least has it."""
    blocks = [np.full(len(table), np.nan) for table in tables]
    name = trial.course.accept if trial.course else ""
    answered = [table for table in tables if name in table.columns]
    if name and tables and not answered:
        problems += schema.missing_columns(tables[0], [name], ", or take accept out of [course]")
    for table, block in zip(tables, blocks, strict=True):
        if name in table.columns:
            read = schema.read_columns(table, [FileColumn(name, "yes-no")], Known())
            problems += read.problems
            block[read.values[name] == "yes"] = 1.0
            block[read.values[name] == "no"] = 0.0
    return np.concatenate(blocks or [np.empty(0)])


def _unused_columns(tables: Sequence[TextTable], read: Collection[str]) -> Iterator[Note]:
    files: dict[tuple[str, ...], list[str]] = {}
    for table in tables:
        unused = tuple(name for name in table.columns if name not in read)
        files.setdefault(unused, []).append(table.file)
    for unused, (file, *others) in files.items():
        if unused:
            too = f", nor in {len(others)} files more" if others else ""
            text = f"columns not used: {some_of(map(shown, unused), 20)}{too}"
            yield Note(file=file, line=1, text=text)


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
