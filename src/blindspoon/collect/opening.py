"""A trial folder becomes a sitting, blind to what is in a cup; a table of scores is added to it."""

import contextlib
import hashlib
import itertools
import re
import secrets
import threading
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import quote

import numpy as np

from blindspoon import wording
from blindspoon.collect.ballots import (
    Ballot,
    BallotFile,
    CupAnswer,
    Given,
    SetQuestion,
    points_of,
    questions_of,
    tidy_comment,
)
from blindspoon.collect.sitting import FILE, Memory, Plan, Sitting
from blindspoon.errors import (
    FormError,
    Note,
    Rule,
    ScoreError,
    TrialError,
    TrialFileError,
    shown,
    some_of,
)
from blindspoon.files import disk, durable
from blindspoon.files import seal as seal_file
from blindspoon.files.durable import DurableFolder
from blindspoon.files.schema import COLUMNS
from blindspoon.files.text_table import TextColumn, TextTable
from blindspoon.files.trial_folder import KEY, TABLES, FolderText, read_folder
from blindspoon.files.trial_toml import names_by_label, parse_trial
from blindspoon.scores.crosscheck import Cups
from blindspoon.scores.ledger import Ledger, open_ledger
from blindspoon.scores.sets import chosen_by
from blindspoon.scores.standing import see_open
from blindspoon.trial import Trial

Trays = dict[tuple[str, str], dict[tuple[bool, str], tuple[str, ...]]]
"""By session and taster, whether it is a set, and its name or code: the cups of it."""

NAME_LIMIT = 60  # characters of a ballot's file name that come from the taster

_SERVED = Rule(
    "missing-file",
    "the score page needs to know who is served which cup when",
    'Draw the codes and orders with "blind" first',
)
_SETS = Rule(
    "missing-file", "answers to sets stand in choices.csv", "Put the table there under that name"
)


@contextlib.contextmanager
def opened(
    folder: Path, holder: str = 'another "collect"', *, begin: bool = True
) -> Iterator[Sitting]:
    """Make a trial folder ready to be filled in, for one process at a time; its key stays closed.

    `holder` says who holds it, to another one who wants it. The session of before is open; if it
    is to `begin` and nobody joined yet, the first with a cup that is not scored. TrialError where
    another process has it open, the tasting is closed, or it has a problem or cannot be written.
    """
    text = read_folder(folder, without=KEY)
    parse_trial(text.toml)  # before anything is written
    see_open(text.seal)
    with durable.held(folder, holder) as kept:
        text = read_folder(folder, without=KEY)
        trial, ledger, served = _read(text)
        with disk.complaining():
            kept.sweep()
            memory = Memory.of(kept)
            kept.save(FILE, memory.to_bytes())
            plan = _plan(trial, served)
            sitting = Sitting(plan, kept, memory)
            sitting.add(plan, _ballots(trial, ledger, served, kept, sitting))
            first = sitting.unfinished if begin and not memory.joined else ""
            sitting.open_session(memory.session or first)
        sitting.look_for_late = _looking(folder, kept, sitting)
        yield sitting


def after_lifting(folder: Path) -> tuple[Note, ...]:
    """Say, where the blind was lifted for good, what another score would do."""
    seal = read_folder(folder, without=TABLES).seal
    if seal is None or seal.lift is None or not seal.over:
        return ()
    text = f"the blind was lifted on {seal.lift.date}: a score added now makes it all exploratory"
    return (Note(file=seal_file.FILE, text=text),)


def _read(text: FolderText) -> tuple[Trial, Ledger, Sequence[Cups]]:
    """Read who is served what, and what is scored; a cup that is scored twice stops no evening."""
    trial, servings = text.trial, text.tables.servings
    if servings is None:
        raise TrialFileError([_SERVED.broken("there is no such file", "servings.csv")])
    ledger = open_ledger(trial, text.tables)
    kept = ("no-scores", "scored-twice", "answered-twice")
    problems = [it for it in ledger.problems if it.slug not in kept]
    plan = ledger.plan if trial.attributes else None
    served = tuple(cups for cups in (plan, ledger.sets) if cups is not None)
    if problems or not served:
        raise ScoreError(problems)
    return trial, ledger, served


def _looking(folder: Path, kept: DurableFolder, sitting: Sitting) -> Callable[[], None]:
    """Make what sees that servings.csv was changed, and adds the tasters that are new in it."""
    lock, seen = threading.Lock(), [stamp(folder / "servings.csv")]

    def look() -> None:
        with lock:
            if (now := stamp(folder / "servings.csv")) == seen[0]:
                return
            seen[0] = now
            try:
                trial, ledger, served = _read(read_folder(folder, without=KEY))
                ballots = _ballots(trial, ledger, served, kept, sitting)
            except TrialError as error:
                sitting.warn(f"{error.problems[0]} The tasting goes on as it was.")
                return
            except OSError as error:  # it may be free again at the next look
                seen[0] = None
                sitting.trouble(error)
                return
            late = {taster for _, taster in ballots} - {*sitting.plan.tasters}
            sitting.add(_plan(trial, served), ballots)
            for taster in sorted(late):
                sitting.say(f"{shown(taster)} can join.")

    return look


def stamp(file: Path) -> tuple[int, int] | None:
    """Tell a file from what it was before; None where there is none."""
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


def _ballots(
    trial: Trial, ledger: Ledger, served: Sequence[Cups], folder: DurableFolder, sitting: Sitting
) -> dict[tuple[str, str], Ballot]:
    trays = _trays(served)
    files = {  # no taster's name brings a plus into the name of a file
        (*tray, of_sets): f"ballots/{name.removesuffix('.csv')}{'+sets' * plus}.csv"
        for tray, name in file_names(trays).items()
        for of_sets, plus in ((False, False), (True, bool(trial.attributes)))
    }
    elsewhere: defaultdict[tuple[str, str, bool], dict[str, str]] = defaultdict(dict)
    picks, scored = ledger.picks, np.isfinite(ledger.points).any(axis=1)
    picked = () if picks is None else ((True, picks.rows, picks.answers.filled),)
    scores = (False, ledger.scored, scored | np.isfinite(ledger.accepted))
    for of_sets, answered, given in (scores, *picked):
        for row in np.flatnonzero(given).tolist():
            file, _ = answered.place(row)
            session, taster, code = answered.texts(row)
            if file not in files.values():
                elsewhere[session, taster, of_sets][code] = file
    ballots: dict[tuple[str, str], Ballot] = {}
    for tray in trays:
        if tray in sitting.ballots:
            continue
        parts = []
        for of_sets in {in_set: None for in_set, _ in sorted(trays[tray], reverse=True)}:
            units = {it: cups for (kind, it), cups in trays[tray].items() if kind is of_sets}
            part = BallotFile(
                session=tray[0],
                taster=tray[1],
                codes=tuple(units),
                sets=units if of_sets else {},
                attributes=_question(trial, units) if of_sets else questions_of(trial, tray[0]),
                file=files[*tray, of_sets],
                folder=folder,
                warn=sitting.warn,
            )
            part.load()
            there = elsewhere[*tray, of_sets].items()
            part.elsewhere = {code: file for code, file in there if part.answer(code).blank}
            parts.append(part)
        ballots[tray] = Ballot(parts, tuple(name for _, name in trays[tray]), sitting.say)
    return ballots


def _trays(served: Sequence[Cups]) -> Trays:
    """Give what every taster gets in a session, in the order of serving."""
    rows = [(cups, row) for cups in served for row in range(len(cups))]
    trays: Trays = {}
    for cups, row in sorted(rows, key=lambda found: int(found[0].position[found[1]])):
        session, taster, code = cups.texts(row)
        units, name = trays.setdefault((session, taster), {}), cups.batch.at(row)
        unit = (bool(name), name or code)
        units[unit] = (*units.get(unit, ()), code)
    return trays


def _question(trial: Trial, sets: Mapping[str, tuple[str, ...]]) -> tuple[SetQuestion, ...]:
    """Ask of each set what its method asks; a group of a tetrad is as good as the other one."""
    choice, options, same = chosen_by(trial), dict[str, tuple[str, ...]](), dict[str, str]()
    for name, codes in sets.items():
        pairs = ["+".join(sorted(pair)) for pair in itertools.combinations(codes, 2)]
        single = codes[1:] if choice.method == "duo-trio" else codes
        options[name] = choice.how.words or (tuple(pairs) if choice.how.codes == 2 else single)
        if choice.method == "tetrad":
            options[name] = tuple(pair for pair in pairs if codes[0] in pair.split("+"))
            for pair in options[name]:
                others = sorted(set(codes) - set(pair.split("+")))
                same["+".join(others)] = pair
    question = wording.asked(choice)
    return (SetQuestion(label=question, choice=choice, options=options, same=same),)


def _plan(trial: Trial, served: Sequence[Cups]) -> Plan:
    listed = [session.name for session in trial.sessions]
    found = dict.fromkeys(name for cups in served for name in cups.session.texts)
    return Plan(
        title=trial.title,
        food=trial.product or trial.title,
        sessions=tuple(n for n in dict.fromkeys((*listed, *found)) if n in found),
        tasters=tuple(dict.fromkeys(name for cups in served for name in cups.taster.texts)),
        tasting=trial.tasting,
        labels=dict.fromkeys(found, "") | {each.name: each.label for each in trial.sessions},
    )


def file_names(cups: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """Name the file of each ballot, safe on every system, none like another's in any case.

    >>> list(file_names([("1", "T01"), ("1", "Aunt Vera"), ("1", "t01")]).values())
    ['1-T01.csv', '1-Aunt%20Vera.csv', '1-t01%48ebf3.csv']
    """
    names: dict[tuple[str, str], str] = {}
    taken: set[str] = set()
    for session, taster in cups:
        safe = quote(taster, safe="").replace(".", "%2E").replace("~", "%7E")
        name = f"{session}-{safe}"
        if len(safe) > NAME_LIMIT or name.casefold() in taken:
            cut = re.sub("%.?$", "", safe[:NAME_LIMIT])
            name = f"{session}-{cut}%{hashlib.sha256(taster.encode()).hexdigest()[:6]}"
        taken.add(name.casefold())
        names[session, taster] = f"{name}.csv"
    return names


@dataclass(frozen=True, slots=True, kw_only=True)
class Addition:
    """What a file would add to the ballots."""

    answers: Mapping[tuple[str, str], Mapping[str, Given]]  # by session and taster, by code
    present: int  # cups that are scored just so already

    @property
    def cups(self) -> int:
        return sum(map(len, self.answers.values()))

    def lines(self) -> list[str]:
        return [
            f"session {session}, {shown(taster)}: {some_of(map(shown, given), 20)}"
            for (session, taster), given in self.answers.items()
        ]

    def add(self, sitting: Sitting) -> None:
        """Write it into the ballots. Raises TrialFileError where one cannot be written."""
        with disk.complaining():
            for tray, given in self.answers.items():
                sitting.ballots[tray].save(given)


def _as_meant(trial: Trial, table: TextTable) -> TextTable:
    """Put names for headings and sessions that mean them, by a label or in other capitals."""
    names = {name: name for name in COLUMNS} | names_by_label(trial.attributes)
    columns = dict[str, TextColumn]()
    for head, column in table.columns.items():
        name = names.get(head.casefold(), head)
        columns[head if name in {*table.columns, *columns} else name] = column
    if "session" in columns:
        columns["session"] = columns["session"].renamed(names_by_label(trial.sessions))
    return replace(table, columns=columns)


def plan_addition(folder: Path, sitting: Sitting, table: TextTable) -> Addition:
    """See what a spreadsheet's export, with columns as in scores.csv, would add to a sitting.

    ScoreError has everything that is wrong with it, and FormError every cup that is scored already,
    and otherwise.
    """
    sitting.look_for_late()
    text = read_folder(folder, without=KEY)
    trial = text.trial
    if not trial.attributes:
        raise FormError([_SETS.broken("only sets are asked for", "trial.toml")])
    table = _as_meant(trial, table)
    ledger = open_ledger(trial, replace(text.tables, scores=(table,), choices=()))
    if wrong := [it for it in ledger.problems if it.file != "choices.csv"]:  # which is not read
        raise ScoreError(wrong)
    scores, _ = points_of(questions_of(trial, ""), table)
    new: dict[tuple[str, str], dict[str, Given]] = {}
    problems, present, page = [], 0, secrets.token_urlsafe(12)
    for row, (points, comment) in enumerate(zip(scores, table.cells("comment"), strict=True)):
        answer = CupAnswer(scores=points, comment=tidy_comment(comment))
        session, taster, code = ledger.scored.texts(row)
        ballot = sitting.ballots[session, taster]
        seen = ballot.answer(code)  # gaps may be filled
        replaced = any(
            old and old != new for old, new in zip(seen.cells, answer.cells, strict=True)
        )
        there = ballot.elsewhere.get(code, ballot.part(code).file if replaced else "")
        if answer.blank or seen == answer:
            present += not answer.blank
        elif there:
            found = f"{shown(code)} of {shown(taster)} in session {session} is scored in {there}"
            allowed = "a file adds what is not scored yet, and replaces nothing"
            rule = Rule("scored-already", allowed, f"Take the row out, or correct {there}")
            problems.append(rule.broken(found, table.file, int(table.lines[row])))
        else:
            new.setdefault((session, taster), {})[code] = Given(answer, seen.mark, page)
    if problems:
        raise FormError(problems)
    return Addition(answers=new, present=present)
