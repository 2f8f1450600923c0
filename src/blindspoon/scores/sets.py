"""Sets of cups and what was chosen from them: checked by code, then told right or wrong.

What a set holds is looked up by `score_table`, which passes it in.
"""

import re
from collections import Counter
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
    choice, cups, several = chosen_by(trial), picks.cups, range(len(trial.variants))
    how, kinds = choice.how, np.where(variant == trial.control_index, "A", "B")
    only = next(place for place in several if place != trial.control_index)
    sets: dict[int, list[int]] = {}  # the cups of each, in their order
    for cup in np.lexsort((cups.position, picks.set_of)).tolist():
        sets.setdefault(int(picks.set_of[cup]), []).append(cup)
    served = {number: "".join(kinds[own]) for number, own in sets.items()}
    others = {number: {*variant[own][kinds[own] == "B"].tolist()} for number, own in sets.items()}
    compared = {number: min(found, default=only) for number, found in others.items()}
    bad = [n for n, order in served.items() if order not in how.orders or len(others[n]) > 1]
    times = Counter((compared[number], order) for number, order in served.items())
    orders = {place: tuple(times[place, order] for order in how.orders) for place in several}
    rows = np.flatnonzero(picks.answers.filled).tolist()
    answers = [int(number) for number in picks.of[rows]]
    second = [_second(choice, served[number]) for number in answers]
    table = ChoiceTable(
        tasters=picks.rows.taster.texts,
        taster=picks.rows.taster.codes[rows],
        variant=np.array([compared[number] for number in answers], np.int64),
        right=np.array([
            (picks.answers.at(row).lower() == how.words[1]) == other
            if how.words
            else _right(choice, served[number], "".join(kinds[picks.picked[row, : how.codes]]))
            for row, number, other in zip(rows, answers, second, strict=True)
        ], np.bool_),
        other=np.array(second, np.bool_),
        orders={place: counts for place, counts in orders.items() if any(counts)},
        sessions=picks.rows.session.texts,
        coded=True,
        remarks=tuple(_remarks(picks.rows.tables)),
    )  # fmt: skip
    wrong = sorted(min(sets[number]) for number in bad)
    first = [own[0] for own in sets.values()]
    return table, [*_bad_sets(picks, wrong, choice), *_references(picks, first, choice)]


def chosen_by(trial: Trial) -> Choice:
    """Give what a trial that has sets asks by them."""
    assert trial.choice is not None  # noqa: S101 - nothing else has sets
    return trial.choice


def _second(choice: Choice, order: str) -> bool:
    """Say whether a set is of the second kind of its method, where there are two."""
    return bool(choice.how.words) and "B" in order and order != "BB"


def _right(choice: Choice, order: str, chose: str) -> bool:
    """Say whether an answer was right, by what was in the cups of its set and in those it names."""
    match choice.method:
        case "triangle":
            return chose == ("B" if order.count("B") == 1 else "A")
        case "duo-trio":
            return chose == order[0]
        case "tetrad":
            return chose in ("AA", "BB")
        case "two-out-of-five":
            return chose == ("BB" if order.count("B") == 2 else "AA")
        case _:
            return chose == "B"


def _bad_sets(picks: Picks, rows: Sequence[int], choice: Choice) -> list[Problem]:
    allowed = f"it has {choice.how.cups} cups, of the control and one variant, as its method asks"
    rule = Rule("bad-set", allowed, "Correct servings.csv or key.csv, or draw the blind again")
    sets, label = picks.cups.by_set, choice.how.label
    return of_rows(sets, rows, rule, lambda row: f"{unit(sets, row)} is no set of a {label}")


def _references(picks: Picks, first: Sequence[int], choice: Choice) -> list[Problem]:
    if choice.method != "duo-trio":
        return []
    rows = np.flatnonzero(np.isin(picks.picked[:, 0], first))
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
