"""What the tables of a trial say of one another, cup by cup, without knowing what is in it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray, IntArray
from blindspoon.errors import Note, Problem, Rule, problems_of_rows, quoted, shown, some_of
from blindspoon.files.schema import POSITION_LIMIT
from blindspoon.files.text_table import TextColumn, TextTable
from blindspoon.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Cups:
    """Rows of tables of one kind, one under the other, each naming a cup; n rows.

    A code names it, or, where there never were codes, the variant. A blank taster stands for every
    taster of the session, a blank batch for one that is not known; a `position`, from 1, is 0 then.
    A row is `usable` if the cells that name the cup are as they must be, all are `sound` if nothing
    is wrong with any of the tables on its own.
    """

    tables: tuple[TextTable, ...]
    by: str
    session: TextColumn
    taster: TextColumn
    name: TextColumn
    batch: TextColumn
    position: IntArray
    usable: BoolArray
    sound: bool

    def __len__(self) -> int:
        return len(self.name)

    @property
    def by_set(self) -> Cups:
        """Cups of sets, named by their set, which `ledger` puts in the place of the batch."""
        return replace(self, by="set", name=self.batch)

    def place(self, row: int) -> tuple[str, int]:
        for table in self.tables:
            if row < len(table):
                return table.file, int(table.lines[row])
            row -= len(table)
        raise IndexError(row)

    def part(self, rows: BoolArray) -> Cups:
        ends = np.cumsum([0, *map(len, self.tables)])
        return replace(
            self,
            tables=tuple(
                table.keep(rows[start : start + len(table)])
                for table, start in zip(self.tables, ends.tolist(), strict=False)
            ),
            session=self.session.keep(rows),
            taster=self.taster.keep(rows),
            name=self.name.keep(rows),
            batch=self.batch.keep(rows),
            position=self.position[rows],
            usable=self.usable[rows],
        )

    def texts(self, row: int) -> tuple[str, str, str]:
        return self.session.at(row), self.taster.at(row), self.name.at(row)

    def match(self, others: Cups) -> IntArray:
        """Find for each row the row of `others` that names the same cup; -1 where none does.

        Rows that are not usable match nothing. A row of `others` with a blank taster matches
        every taster of its session who has no row of their own for that name.
        """
        ours = (self.session, self.taster, self.name)
        theirs = (others.session, others.taster, others.name)
        found = _match(ours, self.usable, theirs, others.usable)
        for_all = ~others.taster.filled
        if for_all.any():
            shared = _match(ours[::2], self.usable, theirs[::2], others.usable & for_all)
            found = np.where(found < 0, shared, found)
        return found

    def repeats(self) -> list[tuple[int, int]]:
        """Pair each row that names a cup again with the row that names it before.

        Without codes, cups that differ in batch or position are two.
        """
        numbers = number_rows(self.session, self.taster, self.name)
        if self.by == "variant":
            numbers = number_rows(self.session, self.taster, self.name, self.batch)
            numbers = numbers * (POSITION_LIMIT + 1) + self.position
        return _repeats(numbers, self.usable)


def number_rows(*columns: TextColumn) -> IntArray:
    """Give rows a number: the same where they are alike in all columns, and only there.

    >>> numbers = number_rows(TextColumn.of("aab"), TextColumn.of("xyx"))
    >>> len(set(numbers.tolist()))
    3
    """
    numbers, size = np.zeros(len(columns[0]), np.int64), 1
    for column in columns:
        size *= max(len(column.texts), 1)
        numbers = numbers * len(column.texts) + column.codes
        if size > 2**40:
            distinct, numbers = np.unique(numbers, return_inverse=True)
            size = distinct.size
    return numbers


def _match(
    ours: tuple[TextColumn, ...],
    our_usable: BoolArray,
    theirs: tuple[TextColumn, ...],
    their_usable: BoolArray,
) -> IntArray:
    pairs = zip(ours, theirs, strict=True)
    numbers = number_rows(*(TextColumn.stack(pair) for pair in pairs))
    mine, other = np.split(numbers, [our_usable.size])
    candidates = np.flatnonzero(their_usable)
    if not candidates.size:
        return np.full(mine.size, -1)
    candidates = candidates[np.argsort(other[candidates], kind="stable")]
    ranked = other[candidates]
    nearest = np.minimum(np.searchsorted(ranked, mine), ranked.size - 1)
    return np.where(our_usable & (ranked[nearest] == mine), candidates[nearest], -1)


def _repeats(numbers: IntArray, usable: BoolArray) -> list[tuple[int, int]]:
    rows = np.flatnonzero(usable)
    rows = rows[np.argsort(numbers[rows], kind="stable")]
    again = np.flatnonzero(np.diff(numbers[rows]) == 0)
    pairs = zip(rows[again + 1].tolist(), rows[again].tolist(), strict=True)
    return sorted(pairs)


def score_problems(scored: Cups, plan: Cups | None, key: Cups | None) -> list[Problem]:
    remedy = "Keep the row that holds; another round is a session of its own"
    problems = _second_rows(scored, Rule("scored-twice", "a taster scores a cup once", remedy))
    served = plan if plan is not None else key
    if served is not None and served.sound:
        problems += _unknown_codes(scored, served)
    return problems + taken_positions(scored)


def codes_twice(cups: Cups) -> list[Problem]:
    remedy = "Correct one of them, or draw the codes again"
    return _second_rows(cups, Rule("code-twice", "a code names one cup", remedy))


def plan_problems(plan: Cups | None, key: Cups | None) -> list[Problem]:
    """Find positions given twice, cups that key.csv does not know, and cups that it alone knows."""
    if plan is None:
        return []
    problems = taken_positions(plan)
    if key is None or not key.sound:
        return problems
    known = plan.match(key)
    remedy = "Add its row to key.csv, or take the cup out"
    lost = Rule("no-key-entry", "key.csv has a row for every cup that is served", remedy)
    unknown = np.flatnonzero(plan.usable & (known < 0))
    problems += of_rows(plan, unknown, lost, lambda row: f"{unit(plan, row)} is not in key.csv")
    unserved = key.usable & plan.sound
    unserved[known[known >= 0]] = False
    remedy = "Take the row out, or add the cup to servings.csv"
    more = Rule("key-not-served", "key.csv has only cups that are served", remedy)
    extra = np.flatnonzero(unserved)
    return problems + of_rows(key, extra, more, lambda r: f"{unit(key, r)} is not in servings.csv")


def batch_problems(cups: Cups, variant: TextColumn) -> list[Problem]:
    """Find batches that are said to be of two variants; `variant` has one a row of `cups`."""
    named = np.flatnonzero(cups.batch.filled & cups.usable)
    _, first = np.unique(number_rows(cups.batch, variant)[named], return_index=True)
    pairs = named[np.sort(first)]
    _, first = np.unique(cups.batch.codes[pairs], return_index=True)
    allowed, remedy = "a batch is one vessel of one variant", "Give every batch a name of its own"
    rule = Rule("batch-of-two-variants", allowed, remedy)

    def found(row: int) -> str:
        stands_for = f"{quoted(variant.at(row))} here and for another variant above"
        return f"batch {quoted(cups.batch.at(row))} stands for {stands_for}"

    return of_rows(cups, np.delete(pairs, first), rule, found, column="batch")


def strays(batch: TextColumn, variant: IntArray) -> BoolArray:
    """Find cups without a batch beside cups of their variant that name theirs.

    Only where a variant has several batches: elsewhere no batch matters.
    """
    blank = ~batch.filled
    named = np.unique(np.stack([variant[~blank], batch.codes[~blank]]), axis=1)[0]
    counts = np.bincount(named, minlength=int(variant.max(initial=0)) + 1)
    return blank & (counts[variant] > 0) & bool(counts.max(initial=0) > 1)


def stray_cups(cups: Cups, variant: TextColumn) -> Iterator[Note]:
    """Say once, with its count, that cups are left out because their batch is not named."""
    places = [cups.place(row) for row in np.flatnonzero(strays(cups.batch, variant.codes)).tolist()]
    if places:
        (file, line), lines = places[0], [f"{line:,}" for _, line in places]
        rows = f"{len(places):,} rows (lines {some_of(lines)})" if len(places) > 1 else "this row"
        text = (
            f"{rows} without a batch beside others of the variant that name theirs: left out of "
            "the comparison"
        )
        yield Note(file=file, line=line, text=text)


def no_scores(scored: Cups, points: FloatArray) -> list[Problem]:
    if np.isfinite(points).any():
        return []
    files = [table.file for table in scored.tables]
    found = "no row has a score" if files else "there is neither scores.csv nor a ballot in ballots"
    remedy = "Collect or key in the ballots first"
    rule = Rule("no-scores", "a trial has one score or more", remedy)
    return [rule.broken(found, (*files, "scores.csv")[0])]


def absences(
    trial: Trial, scored: Cups, points: FloatArray, plan: Cups | None, others: Collection[str]
) -> Iterator[Note]:
    """Name the scores that were not given, and the cups and tasters without any but `others`."""
    labels = [attribute.name for attribute in trial.attributes]
    missing = np.isnan(points)
    for code, name in enumerate(scored.session.texts):
        asked = [attribute in trial.asked(name) for attribute in trial.attributes]
        missing[scored.session.codes == code] &= asked
    for session in trial.sessions:
        if session.not_asked:
            names = some_of(session.not_asked, 20)
            yield Note(file="trial.toml", text=f"not asked in session {session.name}: {names}")
    for row in np.flatnonzero(missing.any(axis=1)).tolist():
        file, line = scored.place(row)
        lacking = some_of((labels[k] for k in np.flatnonzero(missing[row])), 20)
        lacks = "has no score" + ("" if np.isnan(points[row]).all() else f" for {lacking}")
        cause = f"{lacks}, session {scored.session.at(row)}"
        yield Note(file=file, line=line, text=f"{unit(scored, row)} {lacks}", cause=cause, gap=True)
    if plan is not None:
        rows = np.arange(len(plan))
        yield from never_given(plan, rows, np.isin(rows, scored.match(plan)), "scored")
    seen = {*others, *scored.taster.texts, *(plan.taster.texts if plan is not None else ())}
    for taster in trial.tasting.tasters:
        if taster not in seen:
            text = f"{shown(taster)} is among the tasters, but has no cup and no score"
            yield Note(file="trial.toml", text=text, gap=True)


def never_given(cups: Cups, rows: IntArray, given: BoolArray, verb: str) -> Iterator[Note]:
    """Name the cups, or sets, that were never scored, or answered (`verb`).

    One a row of `cups` that is among the `rows`; a taster without any in a session is named once.
    """
    _, sitting = np.unique(number_rows(cups.session, cups.taster)[rows], return_inverse=True)
    absent = np.bincount(sitting, weights=given) == 0
    absentees = set[int]()
    for row, whose in zip(rows[~given].tolist(), sitting[~given].tolist(), strict=True):
        if whose in absentees:
            continue
        file, line = cups.place(row)
        session, taster, _ = map(shown, cups.texts(row))
        text = f"{unit(cups, row)} was never {verb}"
        cause = f"was never {verb}, session {session}"
        if absent[whose]:
            absentees.add(whose)
            cause = f"{verb} nothing in session {session}"
            text = f"{taster} {cause}"
        yield Note(file=file, line=line, text=text, cause=cause, gap=True)


def _unknown_codes(scored: Cups, served: Cups) -> list[Problem]:
    file = served.tables[0].file if served.tables else "servings.csv"
    known = set(served.name.texts)

    def rule(row: int) -> Rule:
        session, taster, code = scored.texts(row)
        padded, remedy = code.zfill(3), "Correct code, taster or session"
        if padded in known and padded != code:
            remedy = f"Write {shown(padded)}, with its zero"
        holders = [served.texts(cup) for cup in served.name.rows_of([code]).tolist()]
        owners = [it for it in holders if it[0] == session and it[1]]
        owners = owners or [it for it in holders if it[1] == taster]
        if len(owners) == 1:
            session, taster, theirs = *owners[0][:2], [code]
        else:
            cups = [served.texts(cup) for cup in served.session.rows_of([session]).tolist()]
            theirs = [other for _, name, other in cups if name in (taster, "")]
        has = some_of(map(shown, theirs)) if theirs else "no cup"
        allowed = f"there {shown(taster)} has {has} in session {shown(session)}"
        return Rule("unknown-code", allowed, remedy)

    unknown = np.flatnonzero(scored.usable & (scored.match(served) < 0))
    return of_rows(
        scored, unknown, rule, lambda row: f"{unit(scored, row)} is not in {file}", column="code"
    )


def _second_rows(cups: Cups, rule: Rule) -> list[Problem]:
    before = dict(cups.repeats())

    def found(row: int) -> str:
        file, line = cups.place(before[row])
        return f"{unit(cups, row)} stands a second time, after {file} line {line}"

    return of_rows(cups, list(before), rule, found)


def as_tasted(plan: Cups, scored: Cups) -> Cups:
    """Put the positions that stand beside scores in the place of the planned ones.

    A cup without a row has no place (0) where others of its taster's session are placed.
    """
    cup, sitting = scored.match(plan), number_rows(plan.session, plan.taster)
    placed = (scored.position > 0) & (cup >= 0)
    left = np.isin(sitting, sitting[cup[placed]])
    left[cup[cup >= 0]] = False
    position = np.where(left, 0, plan.position)
    position[cup[placed]] = scored.position[placed]
    return replace(plan, position=position)


def taken_positions(cups: Cups) -> list[Problem]:
    sittings = number_rows(cups.session, cups.taster) * (POSITION_LIMIT + 1)
    before = dict(_repeats(sittings + cups.position, cups.usable & (cups.position > 0)))

    def found(row: int) -> str:
        session, taster, _ = map(shown, cups.texts(row))
        where = "{} line {}".format(*cups.place(before[row]))
        return f"position {cups.position[row]} of {taster} in session {session} is that of {where}"

    allowed, remedy = "a taster has one cup at a time", "Correct one of the positions"
    rule = Rule("position-twice", allowed, remedy)
    return of_rows(cups, list(before), rule, found, column="position")


def of_rows(
    cups: Cups,
    rows: Sequence[int] | IntArray,
    rule: Rule | Callable[[int], Rule],
    found: Callable[[int], str],
    column: str | None = None,
) -> list[Problem]:
    def problem(row: int) -> Problem:
        broken = rule if isinstance(rule, Rule) else rule(row)
        return broken.broken(found(row), *cups.place(row), column)

    return problems_of_rows([int(row) for row in rows], problem)


def unit(cups: Cups, row: int) -> str:
    session, taster, name = map(shown, cups.texts(row))
    of_taster = f" of {taster}" if taster else ""
    return f"{cups.by} {name}{of_taster} in session {session}"
