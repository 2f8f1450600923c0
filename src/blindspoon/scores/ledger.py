"""The tables of a trial side by side: all that can be said before the blind is lifted.

A ledger knows cups by their codes. What does not fit is in its problems; what is missing, and
may be, in its absences.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.errors import Note, Problem, Rule, in_order, shown, some_of, twins
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Ledger:
    """What the tables hold, checked against trial.toml and one another.

    - `coded`: whether the cups were served under codes
    - `points`, shape (n_scored, n_attributes): NaN where no score was given
    - `accepted`, shape (n_scored,): 1 where the taster would have it, 0 where not, else NaN
    - `plan`, `sets`: the rows of servings.csv, those in sets apart, their batch the name of the set
    - `picks`, `choices`: what was chosen from sets under codes, and where nothing had codes
    - `absences`: what was not given; empty while there are problems
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
    reading = _Reading(trial, tables)
    problems, notes = reading.problems, reading.notes
    scored = reading.cups(tables.scores, SCORES, "code" if reading.coded else "variant")
    points, accepted = reading.points(scored.tables), reading.accepted(scored.tables)
    comments = _column(scored.tables, "comment").filled
    blank = np.isnan(points).all(axis=1) & np.isnan(accepted) & ~comments
    idle = [row for pair in scored.repeats() for row in pair if blank[row]]  # scored elsewhere
    if idle:
        rest = ~np.isin(np.arange(len(scored)), idle)
        scored, points, accepted = scored.part(rest), points[rest], accepted[rest]
    served = None if tables.servings is None else reading.cups([tables.servings], SERVINGS)
    key = None if tables.key is None else reading.cups([tables.key], KEY)
    plan, sets = served, None
    if served is not None and trial.choice is not None:
        names = _column(served.tables, "set")
        plan, sets = served.part(~names.filled), replace(served, batch=names).part(names.filled)
    problems += crosscheck.score_problems(scored, plan if trial.attributes else None, key)
    problems += crosscheck.plan_problems(served, key)
    picks, choices = (None, None) if trial.choice is None else reading.chosen(tables.choices, sets)
    held = None if reading.coded else (scored, scored.name)  # where batches stand beside variants
    if key is not None and key.tables:
        held = (key, key.tables[0].columns["variant"])
    problems += crosscheck.batch_problems(*held) if held else ()
    if plan is not None and not problems:
        plan = crosscheck.as_tasted(plan, scored)
        problems += crosscheck.taken_positions(plan)
    if not problems and trial.attributes:
        problems += crosscheck.no_scores(scored, points)
    answered = any(picks.answers.texts) if picks else choices and choices.right.size
    if not problems and trial.choice is not None and not answered:
        found = "no row has an answer" if tables.choices else "there is no such file"
        problems.append(_NO_CHOICES.broken(found, "choices.csv"))
    absences: list[Note] = []
    if not problems:
        others = (*(served.taster.texts if served else ()), *(choices.tasters if choices else ()))
        absences += crosscheck.absences(trial, scored, points, plan, others)
        absences += crosscheck.stray_cups(*held) if held else ()
        absences += absent_answers(picks) if picks else ()
        notes += places_chosen(chosen_by(trial), picks) if picks else ()
    return Ledger(
        coded=reading.coded,
        scored=scored,
        points=points,
        accepted=accepted,
        plan=plan,
        key=key,
        sets=sets,
        picks=picks,
        choices=choices,
        problems=in_order(problems, (table.file for table in reading.present)),
        notes=(*notes, *_notes(trial, scored, served, coded=reading.coded)),
        absences=tuple(absences),
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


class _Reading:
    """Tables while they are read; what is wrong with them, and worth knowing, is gathered.

    `known` is what cells are held against; `session` is meant where the column is left out.
    """

    def __init__(self, trial: Trial, tables: FolderTables) -> None:
        drawn = [table for table in (tables.servings, tables.key) if table is not None]
        self.trial, self.present = trial, [*tables.answers, *drawn]
        self.coded = bool(drawn) or any("code" in table.columns for table in tables.scores)
        self.problems = [problem for table in self.present for problem in table.problems]
        self.notes = [note for table in self.present for note in table.notes]
        listed = tuple(session.name for session in trial.sessions)
        names = set(listed) or self._texts("session")
        when: tuple[When, ...] = (
            "always",
            "coded" if self.coded else "uncoded",
            trial.tasting.codes,
            *(("several sessions",) if len(names) > 1 else ()),
            *(("several sets",) if len(self._texts("set")) > 1 else ()),
        )
        accept = [trial.course.accept] if trial.course else []
        self.known = Known(
            sessions=listed,
            variants=tuple(variant.name for variant in trial.variants),
            scales={attribute.name: attribute.scale for attribute in trial.attributes},
            when=when,
            own=(*(attribute.name for attribute in trial.attributes), *accept),
        )
        self.session = "" if len(names) > 1 else next(iter(names), "1")

    def _texts(self, name: str) -> set[str]:
        found = (table.columns[name].texts for table in self.present if name in table.columns)
        return {text for texts in found for text in texts if text}

    def cups(
        self, tables: Sequence[TextTable], columns: tuple[FileColumn, ...], name: str = "code"
    ) -> Cups:
        before, known = len(self.problems), self.known
        complete: list[TextTable] = []
        for table in tables:
            lacking = schema.column_problems(table, columns, known) if table.readable else []
            if columns not in (SCORES, CHOICES) and table.readable and not len(table):
                lacking.append(_NO_ROWS.broken("the file has a header but no rows", table.file))
            self.problems += lacking
            if table.readable and not lacking:
                complete.append(table)
        checked = [schema.read_columns(table, columns, known) for table in complete]
        self.problems += [problem for table in checked for problem in table.problems]
        read = {column.name for column in columns if column.read in known.when}
        self.notes += _unused_columns(complete, {*read, *(known.own if columns is SCORES else ())})
        positions = [
            done.values.get("position", np.zeros(len(table), np.int64))
            for done, table in zip(checked, complete, strict=True)
        ]
        cups = Cups(
            tables=tuple(complete),
            by=name,
            session=_column(complete, "session", self.session),
            taster=_column(complete, "taster"),
            name=_column(complete, name, "1" if name == "set" else ""),
            batch=_column(complete, "batch" if "batch" in read else ""),
            position=np.concatenate(positions or [np.empty(0, np.int64)]),
            usable=np.concatenate([table.usable for table in checked] or [np.empty(0, np.bool_)]),
            sound=not any(table.problems for table in tables),
        )
        if columns not in (SCORES, CHOICES):
            self.problems += crosscheck.codes_twice(cups)
        return replace(cups, sound=cups.sound and len(self.problems) == before)

    def points(self, tables: Sequence[TextTable]) -> FloatArray:
        """Read every attribute of every table; NaN where a column is missing."""
        attributes = self.trial.attributes
        blocks = [np.full((len(table), len(attributes)), np.nan) for table in tables]
        for table, block in zip(tables, blocks, strict=True):
            sessions = _column([table], "session", self.session).texts
            asked = {it for name in sessions for it in self.trial.asked(name)}
            for place, attribute in enumerate(attributes):
                if attribute.name in table.columns:
                    column = schema.ATTRIBUTE._replace(name=attribute.name)
                    read = schema.read_columns(table, [column], self.known)
                    block[:, place] = read.values[attribute.name]
                    self.problems += read.problems
                elif attribute in asked:
                    remedy = f', or write not_asked = ["{attribute.name}"] in its [[session]]'
                    self.problems += schema.missing_columns(table, [attribute.name], remedy)
        return np.concatenate(blocks or [np.empty((0, len(attributes)))])

    def accepted(self, tables: Sequence[TextTable]) -> FloatArray:
        """Read who would have it; NaN in tables without that column, of which one has it."""
        blocks = [np.full(len(table), np.nan) for table in tables]
        name = self.trial.course.accept if self.trial.course else ""
        if name and tables and not any(name in table.columns for table in tables):
            remedy = ", or take accept out of [course]"
            self.problems += schema.missing_columns(tables[0], [name], remedy)
        for table, block in zip(tables, blocks, strict=True):
            if name in table.columns:
                read = schema.read_columns(table, [FileColumn(name, "yes-no")], Known())
                self.problems += read.problems
                block[read.values[name] == "yes"] = 1.0
                block[read.values[name] == "no"] = 0.0
        return np.concatenate(blocks or [np.empty(0)])

    def chosen(
        self, tables: Sequence[TextTable], sets: Cups | None
    ) -> tuple[Picks | None, ChoiceTable | None]:
        if sets is not None and len(sets):
            rows = self.cups(tables, CHOICES, "set")
            if not rows.tables:
                return None, None
            picks, problems = read_picks(chosen_by(self.trial), rows, sets)
            self.problems += problems
            return picks, None
        plain = next((table for table in tables if "answer" not in table.columns), None)
        if plain is not None:
            choices, problems = read_known(self.trial, plain, self.known)
            self.problems += problems
            return None, choices
        if tables:
            self.problems.append(_NO_SETS.broken("no cup is in a set", "servings.csv"))
        return None, None


def _column(tables: Sequence[TextTable], name: str, default: str = "") -> TextColumn:
    return TextColumn.stack([table.column(name, default) for table in tables])


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
    listed = trial.tasting.tasters
    guests = [name for name in scored.taster.texts if name not in listed]
    if listed and guests and plan is None:
        text = f"tasters not listed here: {some_of(map(shown, guests), 20)}"
        yield Note(file="trial.toml", text=text)
    for table in scored.tables[:1]:
        for said in (*twins(scored.taster.texts), *twins(scored.batch.texts)):
            yield Note(file=table.file, text=said)
    for table in scored.tables:
        if not len(table) and not table.problems:
            yield Note(file=table.file, text="the file has a header but no rows")
