"""Where a folder stands: sealed, lifted, and what was changed since, each of a kind, in words."""

import itertools
import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from blindspoon.errors import DesignError, Note, Problem, Rule, shown, some_of
from blindspoon.files.schema import CORRECTIONS, Known, column_problems, read_columns
from blindspoon.files.seal import (
    FILE,
    Added,
    Cup,
    Lift,
    Seal,
    cup_of,
    key_fingerprint,
    key_rows,
    number_text,
    rule_text,
    scores_by_cup,
    scores_fingerprint,
)
from blindspoon.files.text_table import FolderTables, TextTable
from blindspoon.files.trial_folder import FolderText
from blindspoon.trial import Trial

Scores = Mapping[Cup, Mapping[str, str]]
What = Literal[
    "new rule", "not as sealed", "damaged", "unsealed", "recorded",
    "no rule", "the rule came late", "sealed late", "dates in doubt", "in vain",
    "nobody else poured", "a taster may have known",
]  # fmt: skip
Fact = tuple[What, str]
LATE: tuple[What, ...] = "the rule came late", "sealed late", "dates in doubt"
_POURED: tuple[What, ...] = "nobody else poured", "a taster may have known"
_UNSEALED: Fact = "unsealed", "Nothing was sealed, so nothing shows that it was tasted blind."
_MOVED = "Scores were changed after the blind was lifted, and corrections.csv does not say why."
_BY_POURER: Mapping[str, Fact] = {
    "helper": ("recorded", "The host says that whoever poured did not taste."),
    "each-other": ("nobody else poured", "Two poured for each other: one knew the bowls, the other "
        "the cups, and nobody saw that they kept that apart."),
    "only": ("nobody else poured", "The one taster poured, and shuffled the cups: nobody else saw "
        "that no cup could be known."),
    "taster": ("a taster may have known", "One of the tasters had poured, so their answers may be "
        "of what they expected."),
}  # fmt: skip
_DAMAGED = "The record of what was sealed before tasting is damaged, so it shows nothing."


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What seal.toml and the folder say of one another.

    - `seal`: None where the blind was not drawn by Blindspoon, or its record is damaged
    - `waiting`: whether it is sealed, and the scores that are there are not lifted yet
    - `facts`: each of a kind, a sentence; what was changed first
    - `unfit`: which row of corrections.csv is not as the scores are
    - `share`: part of alpha that this look has; 1 where one look was declared
    - `published`: the same seal for the files under pseudonyms, so that they say the same
    """

    seal: Seal | None = None
    waiting: bool = False
    facts: tuple[Fact, ...] = ()
    unfit: tuple[Note, ...] = ()
    share: float = 1.0
    published: Seal | None = None

    @property
    def lift(self) -> Lift | None:
        return self.seal.lift if self.seal else None

    def texts(self, *kinds: What) -> tuple[str, ...]:
        return tuple(text for what, text in self.facts if not kinds or what in kinds)

    @property
    def bent(self) -> tuple[str, ...]:
        """What was changed since it was sealed, which makes all exploratory."""
        return self.texts("new rule", "not as sealed")

    @property
    def record(self) -> tuple[str, ...]:
        """What was sealed, lifted and corrected, and by whom it was poured."""
        return self.texts("damaged", "unsealed", "recorded", *_POURED)

    @property
    def amiss(self) -> tuple[str, ...]:
        """What came late, or is in vain."""
        return self.texts("no rule", *LATE, "in vain")

    @property
    def weakening(self) -> tuple[Fact, ...]:
        """What makes the answer weaker, by its kind, which heads it."""
        return tuple(fact for fact in self.facts if fact[0] in ("no rule", *LATE, *_POURED))

    @property
    def key_kept(self) -> bool:
        """Whether it was sealed, and nothing of that was changed but the rule."""
        return self.seal is not None and not self.texts("not as sealed")

    @property
    def notes(self) -> tuple[Note, ...]:
        """What a host may still put right."""
        bent = (f"{text} Every attribute is exploratory while it is so." for text in self.bent)
        return (
            *(Note(file=FILE, text=text) for text in (*self.texts("damaged"), *bent)),
            *self.unfit,
            *(Note(file="trial.toml", text=text) for text in self.amiss),
        )


def standing(text: FolderText, hidden: FolderTables | None = None) -> Standing:
    """Hold a folder, in which trial.toml can be read, against its seal.

    No taster stands in the sentences; `hidden` are the tables under pseudonyms, for
    `Standing.published`.
    """
    trial, tables, seal = text.trial, text.tables, text.seal
    if seal is None:
        lacking: Fact = ("damaged", _DAMAGED) if FILE in text.files else _UNSEALED
        attributes = [each.name for each in trial.attributes]
        answers = tables.answers if trial.decision.looks else ()
        tasters = {taster for _, taster, _ in scores_by_cup(trial, answers, attributes)}
        share, looked = _look(trial, len(tasters), None)
        recorded: Iterator[Fact] = (("recorded", text) for text in looked)
        return Standing(facts=(lacking, *recorded, *_amiss(trial, None, ())), share=share)
    lift = seal.lift
    final = next((place for place, lift in enumerate(seal.lifted, 1) if lift.last), math.inf)
    late = [added for added in seal.added if added.after >= final]  # no look was left
    names = {added.name for added in late}
    scores = scores_by_cup(trial, tables.answers, seal.attributes)
    earlier = {cup: given for cup, given in scores.items() if names.isdisjoint(cup[:2])}
    masked = (hidden or tables).corrections
    lifted, since, unfit = _lifted(trial, earlier, tables.corrections, lift, masked)
    moved = lift is not None and lifted is None
    waiting = lift is None or (not lift.last and moved)
    key = None if tables.key is None else key_fingerprint(key_rows(tables.key))
    bent = [*_bent(trial, seal, key, late)]
    unread = any(table.problems for table in tables.answers)
    if moved and not (waiting or unread):
        bent.append(("not as sealed", _MOVED))
    share, looked = _look(trial, lift.tasters if lift else 0, lift)
    return Standing(
        seal=seal,
        share=share,
        waiting=waiting,
        facts=(
            *bent,
            *(("recorded", text) for text in (*_kept(seal, bent=bool(bent)), *looked, *since)),
            *_by_pourer(lift),
            *_amiss(trial, seal, {session for session, _, _ in scores}),
        ),
        unfit=unfit,
        published=_under_pseudonyms(seal, key, tables, hidden, lifted) if hidden else None,
    )


def _by_pourer(lift: Lift | None) -> Iterator[Fact]:
    """Say who poured, and what of it was put right, by the host's word."""
    if lift is None:
        return
    known = {**_BY_POURER, "taster": _BY_POURER["only" if lift.tasters == 1 else "taster"]}
    if fact := known.get(lift.poured):
        yield fact
    if lift.poured_said:
        _, before = known.get(lift.poured_before, ("", "Nothing was said."))
        when = f"on {lift.poured_said}, after the blind was lifted"
        yield "recorded", f"Who poured was put right {when}; before: {before}"


def _under_pseudonyms(
    seal: Seal, key: str | None, named: FolderTables, hidden: FolderTables, lifted: Scores | None
) -> Seal:
    """Seal the files under pseudonyms as far as those under names are as they were sealed."""
    if named.key is None or hidden.key is None or not seal.lifted or hidden is named:
        return seal
    if "taster" not in named.key.columns:
        return seal
    columns = (key.columns["taster"].texts for key in (named.key, hidden.key))
    names = dict(zip(*columns, strict=True))
    lifts = seal.lifted
    if lifted:
        scores = {(s, names.get(taster, taster), c): v for (s, taster, c), v in lifted.items()}
        lifts = (*lifts[:-1], replace(lifts[-1], scores=scores_fingerprint(scores)))
    return replace(
        seal,
        key=key_fingerprint(key_rows(hidden.key)) if key == seal.key else seal.key,
        added=tuple(replace(added, name=names.get(added.name, added.name)) for added in seal.added),
        lifted=lifts,
    )


def see_lifted(found: Standing) -> None:
    """Refuse, by a DesignError, to look behind a blind that is sealed and not lifted."""
    if found.waiting:
        more = " for the scores that were added" if found.lift else ""
        raise DesignError([_UNLIFTED.broken(f"the blind is not lifted{more} yet", FILE)])


def see_open(seal: Seal | None) -> None:
    """Refuse, by a DesignError, scores and tasters while it is closed and not lifted."""
    if seal and seal.closed and not seal.over:
        raise DesignError([_CLOSED.broken(f"the tasting was closed on {seal.closed}", FILE)])


_CLOSED = Rule(
    "tasting-closed",
    "nothing is scored, and nobody added, while it is closed",
    'Open it again with "blindspoon close FOLDER --reopen"',
)
_UNLIFTED = Rule(
    "not-lifted",
    "nothing is compared before the tasting has ended",
    'Run "blindspoon lift FOLDER"; it says what is missing, and asks',
)


def _look(trial: Trial, tasters: int, lift: Lift | None) -> tuple[float, tuple[str, ...]]:
    """Give this look its part of alpha, and say so: a tenth early, the rest at the last.

    By Bonferroni over the looks, so for every procedure.
    """
    looks, planned = trial.decision.looks, trial.decision.tasters
    if not looks:
        missed = planned and lift and tasters != planned
        return 1.0, (f"{planned} tasters were declared, and {tasters} scored.",) if missed else ()
    last = lift.last if lift else tasters >= looks[-1]
    left = trial.decision.left
    part = f"{10 * left:.0f} tenths of alpha, which were left" if last else "a tenth of alpha"
    said = f"Looked at after {tasters} of {looks[-1]} tasters, as declared, at {part}."
    return left if last else 0.1, (said,)


def too_few_rounds(
    trial: Trial, tasters: Collection[str], scored: int = 0, *, lifted: bool = False
) -> str:
    """Say that one person alone can show nothing in the rounds `scored`, or else listed."""
    rounds = scored or len(trial.sessions) or 1
    alpha = max((trial.share_of_alpha(each.name) for each in trial.attributes), default=1.0)
    if len(tasters) != 1 or 2 ** (1 - rounds) <= alpha:
        return ""
    needed = next(n for n in itertools.count(rounds) if 2 ** (1 - n) <= alpha)
    more = "" if lifted else "; more may be added until the blind is lifted"
    return (
        f"One person alone can show no difference in fewer than {needed} rounds, and {rounds} "
        f"{'is' if rounds == 1 else 'are'} {'scored' if scored else 'listed'}{more}."
    )


def too_few_sets(trial: Trial) -> str:
    """Say that so few sets as are planned can show no difference, if that is so."""
    choice, several = trial.choice, len(trial.variants) - 1
    people = len(trial.tasting.tasters)
    if choice is None or choice.rule == "sequential" or not (choice.tests or people):
        return ""
    sets = choice.tests or people * choice.sets * max(len(trial.sessions), 1) // several
    alpha = trial.share_of_alpha("choice") / several / (1 + choice.two_sided)
    if choice.how.guess**sets <= alpha:
        return ""
    return f"{_number(sets, 'set')} cannot show a difference, even if all are right."


def _amiss(trial: Trial, seal: Seal | None, scored: Collection[str]) -> Iterator[Fact]:
    """Say what came late, by dates of sessions that were `scored` or else of all, or is in vain."""
    declared, added = trial.decision.declared, seal.added if seal else ()
    late = (it.name for it in added if it.kind == "taster")
    tasters, lifted = {*trial.tasting.tasters, *late}, bool(seal and seal.lifted)
    if in_vain := too_few_rounds(trial, tasters, len(scored), lifted=lifted):
        yield "in vain", in_vain
    if trial.decision.looks and trial.tasting.codes == "per session":
        yield "in vain", "With codes per session their means are a look: draw codes per taster."
    held = (it for it in trial.sessions if not scored or it.name in scored)
    dates = sorted(session.date for session in held if session.date)
    if declared is None:
        lead = "take even what is primary as a lead"
        said = lead if trial.decision.primary else "every attribute is exploratory"
        yield "no rule", f"No rule is declared, so {said}."
    elif dates and declared > dates[0]:
        said = f"The rule is declared on {declared}, after the first session on {dates[0]}."
        yield "the rule came late", said
    elif seal and dates and seal.date > dates[0]:
        said = f"Rule and key were sealed on {seal.date}, after the first session on {dates[0]}."
        yield "sealed late", said
    lift = seal.lift if seal else None
    if lift and lift.last and dates and lift.date < dates[-1]:
        said = f"The blind was lifted on {lift.date}, before the last session on {dates[-1]}."
        yield "dates in doubt", said


def _bent(trial: Trial, seal: Seal, key: str | None, late: Sequence[Added]) -> Iterator[Fact]:
    """Say what is not as it was sealed; equal changes of the rule of several attributes once."""
    groups: dict[tuple[str, str, str], list[str]] = {}
    now = rule_text(trial)
    for what in dict.fromkeys([*seal.rule, *now]):
        before, after = seal.rule.get(what, "none"), now.get(what, "none")
        if before != after:
            kind, _, attribute = what.partition(" of ")
            groups.setdefault((kind, before, after), []).append(attribute)
    if groups:
        changes = [
            f"{kind}{f' of {some_of(names, 3)}' if names[0] else ''} from {before} to {after}"
            for (kind, before, after), names in groups.items()
        ]
        yield "new rule", f"The rule was changed after it was sealed: {'; '.join(changes)}."
    if key is None:
        yield "not as sealed", f"The key that was sealed on {seal.date} is missing."
    elif seal.key != key:
        yield "not as sealed", f"The key is not the one that was sealed on {seal.date}."
    for kind in ("taster", "session"):
        if number := sum(added.kind == kind for added in late):
            yield "not as sealed", f"After the blind was lifted {_many(number, kind)} added."


def _kept(seal: Seal, *, bent: bool) -> Iterator[str]:
    """Say when the blind was sealed and lifted, and who was added under it."""
    what = "The blind was" if bent else "The rule and the key are those that were"
    yield f"{what} sealed on {seal.date}."
    for lift in seal.lifted:
        look = "" if lift.last else " for a declared look"
        yield (
            f"The blind was lifted{look} on {lift.date}, with {lift.scored} of {lift.cups} "
            f"{'answers given' if 'choice' in seal.rule else 'cups scored'} by "
            f"{_number(lift.tasters, 'taster')}."
        )
    for kind in ("taster", "session"):
        dates = [added.date for added in seal.added if added.kind == kind and not added.after]
        if dates:
            on = some_of(map(str, dict.fromkeys(dates)), 5)
            yield f"{_many(len(dates), kind).capitalize()} added on {on}, under the blind."


def _many(number: int, word: str) -> str:
    return f"{_number(number, word)} {'was' if number == 1 else 'were'}"


def _number(number: int, word: str) -> str:
    return f"one {word}" if number == 1 else f"{number} {word}s"


def _lifted(
    trial: Trial,
    scores: Scores,
    table: TextTable | None,
    lift: Lift | None,
    masked: TextTable | None,
) -> tuple[Scores | None, tuple[str, ...], tuple[Note, ...]]:
    """Undo corrections from the last one on, until the scores are those that were lifted.

    None where they never are; beside them the corrections that lie between, each a sentence, and
    a note on one that does not fit.
    """
    now = {cup: dict(given) for cup, given in scores.items()}
    sentences: list[str] = []
    rows = list(table.rows()) if table is not None and not correction_problems(trial, table) else []
    while lift is not None and scores_fingerprint(now) != lift.scores:
        if not rows or table is None:
            return None, (), ()
        line, row = rows.pop()
        reason = (masked or table).columns["reason"].at(len(rows))
        name, cup = row["attribute"], cup_of(trial, row)
        was, new = (number_text(row.get(end, ""), table) for end in ("was", "new"))
        given = now.setdefault(cup, {})
        if (there := given.pop(name, "")) != new:
            said_there = f"{shown(name)} of cup {shown(cup[2])} in session {shown(cup[0])}"
            text = f"it says that {said_there} became {shown(new or 'blank')}"
            text += f", and the scores have {there or 'nothing'} there"
            return None, (), (Note(file=table.file, line=line, text=text),)
        given |= {name: was} if was else {}
        if not given:
            del now[cup]
        sentences.append(
            f"Corrected after the blind was lifted: {name} of cup {cup[2]} in session {cup[0]}, "
            f"from {was or 'no score'} to {new or 'no score'} ({reason})."
        )
    return now, tuple(reversed(sentences)), ()


def correction_problems(trial: Trial, table: TextTable) -> list[Problem]:
    named = table.columns["session"].texts if "session" in table.columns else ()
    known = Known(
        sessions=tuple(session.name for session in trial.sessions) or named,
        when=("always", *(("several sessions",) if len(trial.sessions) > 1 else ())),
    )
    return [
        *table.problems,
        *(column_problems(table, CORRECTIONS, known) if table.readable else ()),
        *read_columns(table, CORRECTIONS, known).problems,
    ]
