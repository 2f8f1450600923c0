"""Sets of cups and what was chosen from them: checked by code, then told right or wrong.

What a set holds is looked up by `score_table`, which passes it in.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from blindspoon.arrays import BoolArray, IntArray
from blindspoon.errors import Note, Problem, Rule, shown, some_of
from blindspoon.files import schema
from blindspoon.files.schema import CHOICE_COUNTS, CHOICES_KNOWN, Fault, Known, When
from blindspoon.files.text_table import TextColumn, TextTable
from blindspoon.scores.crosscheck import Cups, never_given, number_rows, of_rows, unit
from blindspoon.trial import Choice, ChoiceMethod, Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Picks:
    """Answers to sets, by code; n rows.

    - `rows`, `answers`: who answered which set, and what; blank where nothing
    - `cups`, `set_of`: every cup of every set, by code, and the number of its set, from 0
    - `of`, shape (n,): the set that each row answers; -1 where there is none
    - `picked`, shape (n, 2): the cups that each row names, as rows of `cups`; else -1
    """

    rows: Cups
    answers: TextColumn
    cups: Cups
    set_of: IntArray
    of: IntArray
    picked: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceTable:
    """Every answered set of a trial, a row each, in the order of the files; n sets.

    - `tasters`: empty where only numbers are known; `taster`, shape (n,), is -1 then
    - `variant`, shape (n,): position in ``Trial.variants`` of what was held against the control
    - `right`, shape (n,): where either of two may be the one with more, whether it was the variant
    - `other`, shape (n,): whether the set was of the second kind (different, or not A)
    - `orders`: how often each order of the method was served, by variant; empty where not known
    """

    tasters: tuple[str, ...] = ()
    taster: IntArray
    variant: IntArray
    right: BoolArray
    other: BoolArray
    orders: dict[int, tuple[int, ...]]
    sessions: tuple[str, ...] = ("1",)
    coded: bool = False
    remarks: tuple[str, ...] = ()

    @property
    def people(self) -> int:
        """How many answered, over all variants; 0 where that is not known."""
        return len({*self.taster.tolist()} - {-1})


# Under codes ------------------------------------------------------------------------------------


def read_picks(choice: Choice, rows: Cups, cups: Cups) -> tuple[Picks, list[Problem]]:
    """Find the set and the cups of every answer, and what does not fit.

    `rows` are of choices.csv and the ballots of sets, named by the set; `cups` are those of
    servings.csv that are in sets, their batch being the name of the set.
    """
    how = choice.how
    _, set_of = np.unique(number_rows(cups.session, cups.taster, cups.batch), return_inverse=True)
    answers = TextColumn.stack([table.columns["answer"] for table in rows.tables])
    misread = {text: _misread(text, how) for text in answers.texts if text}
    faults = {text: fault for text, fault in misread.items() if fault}
    problems = [it for table in rows.tables for it in schema.problems_of(table, "answer", faults)]
    matched = rows.match(cups.by_set)
    of = np.where(matched < 0, -1, set_of[matched]) if len(cups) else matched
    allowed = "servings.csv has a row for every cup of every set"
    lost = Rule("unknown-set", allowed, "Correct the set or the taster")
    twice = Rule("answered-twice", "a taster answers a set once", "Keep the row that holds")
    unknown, again = np.flatnonzero(rows.usable & (of < 0)), [row for row, _ in rows.repeats()]
    problems += of_rows(rows, unknown, lost, lambda r: f"{unit(rows, r)} is not in servings.csv")
    problems += of_rows(rows, again, twice, lambda r: f"{unit(rows, r)} stands a second time")
    picked = np.full((len(rows), 2), -1)
    whole = np.array([bool(text) and text not in faults for text in answers.texts], bool)
    for place in range(how.codes):
        codes = [[part.strip() for part in text.split("+")] for text in answers.texts]
        named_by = [parts[place] if len(parts) == how.codes else "" for parts in codes]
        parts = TextColumn.of(["", *named_by])
        named = replace(
            rows, by="code", name=TextColumn(parts.texts, parts.codes[1:][answers.codes])
        )
        picked[:, place] = named.match(cups)
        there = (picked[:, place] >= 0) & (set_of[picked[:, place]] == of)
        bad = np.flatnonzero(whole[answers.codes] & (of >= 0) & ~there)
        problems += _elsewhere(rows, named.name, bad)
    picks = Picks(rows=rows, answers=answers, cups=cups, set_of=set_of, of=of, picked=picked)
    return picks, problems


def _elsewhere(rows: Cups, code: TextColumn, bad: IntArray) -> list[Problem]:
    allowed = "an answer names cups of its own set"
    rule = Rule("not-in-set", allowed, "Correct the answer, the set or the taster")

    def found(row: int) -> str:
        return f"{unit(rows, row)} has no cup {shown(code.at(row))}"

    return of_rows(rows, bad, rule, found, column="answer")


NOTHING = re.compile(r"no|none|nothing|neither|no difference|(all )?(the same|alike)|[?-]", re.I)
PLACE = re.compile(r"[1-9]|1st|2nd|3rd|first|second|third|middle|left|right|last", re.I)


def _misread(text: str, how: ChoiceMethod) -> Fault | None:
    """Say why an answer cannot be one, whatever its set."""
    found, remedy = f"the answer is {shown(text)}", "Correct it"
    codes = [part.strip() for part in text.split("+")]
    if how.words:
        allowed = f"it is {' or '.join(how.words)}"
        return None if text.lower() in how.words else Fault("bad-answer", found, allowed, remedy)
    if NOTHING.fullmatch(text):
        remedy = "Let the taster guess, or leave the cell blank"
        return Fault("bad-answer", found, "a choice is forced", remedy)
    if all(PLACE.fullmatch(code) for code in codes):
        return Fault("bad-answer", found, "it is the code on the cup, not its place", remedy)
    if len(codes) != how.codes or len(set(codes)) != how.codes:
        allowed = "one code" if how.codes == 1 else "two codes joined by +, as in 512+347"
        return Fault("bad-answer", found, f"it is {allowed}", remedy)
    return None


def absent_answers(picks: Picks) -> Iterator[Note]:
    for row in np.flatnonzero(~picks.answers.filled).tolist():
        file, line = picks.rows.place(row)
        yield Note(file=file, line=line, text=f"{unit(picks.rows, row)} has no answer", gap=True)
    _, first = np.unique(picks.set_of, return_index=True)
    answered = np.isin(np.arange(first.size), picks.of)
    yield from never_given(picks.cups.by_set, first, answered, "answered")


def places_chosen(choice: Choice, picks: Picks) -> Iterator[Note]:
    """Say how often each place was chosen, where it is far from even."""
    order = np.lexsort((picks.cups.position, picks.set_of))
    _, first = np.unique(picks.set_of[order], return_index=True)
    place = np.empty(order.size, np.int64)
    place[order] = np.arange(order.size) - first[picks.set_of[order]]
    chosen = place[picks.picked[picks.picked[:, 0] >= 0, 0]]
    if choice.how.codes != 1 or chosen.size < 10:  # of two codes either may be named first
        return
    several = round(1 / choice.how.guess)
    fixed = choice.how.cups - several
    times, even = np.bincount(chosen, minlength=fixed + several)[fixed:], chosen.size / several
    if max(times) > even + 2.6 * np.sqrt(even * (1 - 1 / several)):  # 1 in 100 by luck, about
        places = some_of(f"place {at}: {n}" for at, n in enumerate(times.tolist(), fixed + 1))
        yield Note(file="choices.csv", text=f"places were not chosen alike: {places}")


def set_notes(trial: Trial, table: ChoiceTable) -> Iterator[Note]:
    """Say that tests are short of the declared number, or orders not served equally often."""
    declared = chosen_by(trial).tests
    for place, variant in enumerate(trial.variants):
        tests = int((table.variant == place).sum())
        if declared is not None and place != trial.control_index and tests < declared:
            text = f"{tests} of {declared} declared sets of “{variant.label}” are in"
            yield Note(file="choices.csv", text=text, gap=True)
        served = table.orders.get(place, (0,))
        if max(served) - min(served) > 1:
            text = f"orders of {variant.name} are served {min(served)} to {max(served)} times"
            yield Note(file="servings.csv", text=f"{text}, not equally often")


def judge_picks(trial: Trial, picks: Picks, variant: IntArray) -> tuple[ChoiceTable, list[Problem]]:
    """Say which answers were right, of picks without problems of their own.

    `variant`, shape (n_cups,), is the position in ``Trial.variants`` of what was in each cup.
    """
    choice, cups, set_of = chosen_by(trial), picks.cups, picks.set_of
    how, sizes = choice.how, np.bincount(set_of)
    order = np.lexsort((cups.position, set_of))
    order = order[sizes[set_of[order]] == how.cups]
    held = variant[order].reshape(-1, how.cups)
    kind = held != trial.control_index
    only = min(place for place in range(len(trial.variants)) if place != trial.control_index)
    compared = np.where(kind, held, -1).max(axis=1, initial=-1)
    compared[compared < 0] = only
    orders = np.array([[cup == "B" for cup in order] for order in how.orders])
    served_as = (kind[:, None] == orders).all(axis=2)  # a row a set, a column an order
    which = served_as.argmax(axis=1)
    wrong = ~served_as.any(axis=1) | (kind & (held != compared[:, None])).any(axis=1)
    numbers = np.flatnonzero(sizes == how.cups)
    bad = np.concatenate([np.flatnonzero(sizes != how.cups), numbers[wrong]])
    counts = np.zeros((len(trial.variants), len(how.orders)), np.int64)
    np.add.at(counts, (compared[~wrong], which[~wrong]), 1)
    answered = np.flatnonzero(picks.answers.filled)
    answered = answered[np.isin(picks.of[answered], numbers)]
    row = np.searchsorted(numbers, picks.of[answered])
    kinds = np.zeros(len(cups) + 1, np.int64)  # the last for an answer that names no cup
    kinds[order] = kind.ravel()
    chose = kinds[picks.picked[answered]]
    second = np.array([(text.lower(),) == how.words[1:] for text in picks.answers.texts], bool)
    second_said = second[picks.answers.codes[answered]]
    other = kind.any(axis=1)
    if choice.method == "same-different":
        other &= ~kind.all(axis=1)
    table = ChoiceTable(
        tasters=picks.rows.taster.texts,
        taster=picks.rows.taster.codes[answered],
        variant=compared[row],
        right=_right(choice, kind[row], chose, second_said == other[row]),
        other=other[row] & bool(how.words),
        orders={v: tuple(row) for v, row in enumerate(counts.tolist()) if any(row)},
        sessions=picks.rows.session.texts,
        coded=True,
        remarks=tuple(_remarks(picks.rows.tables)),
    )
    return table, [*_bad_sets(picks, bad, choice), *_references(picks, order, choice)]


def chosen_by(trial: Trial) -> Choice:
    """Give what a trial that has sets asks by them."""
    assert trial.choice is not None  # noqa: S101 - nothing else has sets
    return trial.choice


def _right(choice: Choice, kind: BoolArray, chose: IntArray, agreed: BoolArray) -> BoolArray:
    """Say of each answer whether it was right; `chose` are the kinds of the cups it names."""
    number, first = kind.sum(axis=1), chose[:, 0]
    match choice.method:
        case "triangle":
            right = (first == 1) == (number == 1)
        case "duo-trio":
            right = first == kind[:, 0]
        case "tetrad":
            right = first == chose[:, 1]
        case "two-out-of-five":
            right = (first == chose[:, 1]) & ((first == 1) == (number == 2))
        case "paired" | "three-afc":
            right = first == 1
        case _:
            right = agreed
    return np.asarray(right, np.bool_)


def _bad_sets(picks: Picks, bad: IntArray, choice: Choice) -> list[Problem]:
    first = dict(zip(picks.set_of[::-1].tolist(), range(len(picks.set_of))[::-1], strict=True))
    allowed = f"it has {choice.how.cups} cups, of the control and one variant, as its method asks"
    rule = Rule("bad-set", allowed, "Correct servings.csv or key.csv, or draw the blind again")
    rows, label = sorted(first[number] for number in bad.tolist()), choice.how.label
    sets = picks.cups.by_set
    return of_rows(sets, rows, rule, lambda row: f"{unit(sets, row)} is no set of a {label}")


def _references(picks: Picks, order: IntArray, choice: Choice) -> list[Problem]:
    if choice.method != "duo-trio":
        return []
    rows = np.flatnonzero(np.isin(picks.picked[:, 0], order[:: choice.how.cups]))
    rule = Rule("bad-answer", "the answer is which of the two others is like it", "Correct it")

    def found(row: int) -> str:
        return f"{picks.answers.at(row)} is the reference itself"

    return of_rows(picks.rows, rows, rule, found, column="answer")


def _remarks(tables: Sequence[TextTable]) -> Iterator[str]:
    for table in tables:
        yield from filter(None, table.cells("comment"))


# Without codes ----------------------------------------------------------------------------------


def read_known(
    trial: Trial, table: TextTable, known: Known
) -> tuple[ChoiceTable | None, list[Problem]]:
    """Read answers that were never coded, or numbers alone, and what is wrong with them."""
    choice, counted = chosen_by(trial), "tests" in table.columns
    when: tuple[When, ...] = (*known.when, "uncoded")
    when = (*when, "two kinds") if choice.how.words else when
    known = known._replace(when=when, words=choice.how.words)
    columns = CHOICE_COUNTS if counted else CHOICES_KNOWN
    problems = schema.column_problems(table, columns, known) if table.readable else []
    read = schema.read_columns(table, columns, known)
    problems += read.problems
    if problems or not table.readable:
        return None, problems
    names, values = [variant.name for variant in trial.variants], read.values
    variant = table.columns["variant"].places_in(names)
    other = np.zeros(variant.size, np.bool_)
    if choice.how.words:
        other = np.asarray(values["served"] == choice.how.words[1], np.bool_)
    fault = Fault("bad-set", "the control itself", "it is held against a variant", "Name that")
    for row in np.flatnonzero(variant == trial.control_index).tolist():
        problems.append(schema.problem_at(table, row, "variant", fault))
    counts = values["right"] if counted else np.ones(variant.size, np.int64)
    rows = np.arange(variant.size)
    if counted and choice.rule == "sequential" and variant.size:
        allowed = "the sequential rule needs every answer in its order"
        fault = Fault("bad-answer", "numbers alone", allowed, "List a row a set, in order")
        problems.append(schema.problem_at(table, 0, "tests", fault))
    if counted:
        for row in np.flatnonzero(counts > values["tests"]).tolist():
            found = f"{counts[row]} right of {values['tests'][row]}"
            more = Fault("more-right", found, "no more are right than there were", "Correct one")
            problems.append(schema.problem_at(table, row, "right", more))
        rows = np.repeat(rows, values["tests"])
    nth = np.arange(rows.size) - np.searchsorted(rows, rows)
    taster = None if counted else table.columns["taster"]
    answered = ChoiceTable(
        tasters=taster.texts if taster else (),
        taster=taster.codes if taster else np.full(rows.size, -1),
        variant=variant[rows],
        right=nth < counts[rows] if counted else np.asarray(values["right"] == "yes", np.bool_),
        other=other[rows],
        orders={},
        sessions=table.columns["session"].texts if "session" in table.columns else ("1",),
        remarks=() if counted else tuple(_remarks([table])),
    )
    return answered, problems
