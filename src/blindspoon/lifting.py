"""The end of the tasting: closed and reopened, then the blind is lifted once, with a record."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from blindspoon.errors import DesignError, Note, Rule, ScoreError, together
from blindspoon.files import disk
from blindspoon.files.durable import held, in_turn
from blindspoon.files.seal import FILE, Lift, Seal, scores_by_cup, scores_fingerprint, served_units
from blindspoon.files.trial_folder import TABLES, read_folder
from blindspoon.files.trial_toml import parse_trial
from blindspoon.scores.score_table import check_scores
from blindspoon.scores.standing import see_open, standing
from blindspoon.trial import Pourer
from blindspoon.wording import count

NAMED = 12  # as many gaps are told one by one, so that the host knows whom to ask


@dataclass(frozen=True, slots=True, kw_only=True)
class Lifting:
    """What lifting the blind records, and what is missing by then.

    Parameters
    ----------
    missing : tuple of Note
        Cups, sets and tasters without a score or an answer.
    notes : tuple of Note
        What else is worth knowing of the files before the blind is lifted.
    bent : tuple of str
        What is not as it was sealed; it can still be put back.
    lift : Lift
        What is recorded in seal.toml; `recorded` says whether it was.
    sets : bool
        Whether sets are answered, and not only cups scored.
    """

    missing: tuple[Note, ...]
    notes: tuple[Note, ...]
    bent: tuple[str, ...]
    lift: Lift
    sets: bool = False
    recorded: bool = False

    @property
    def counted(self) -> str:
        what = "answers are given" if self.sets else "cups are scored"
        who = count(self.lift.tasters, "taster")
        return f"{self.lift.scored} of {self.lift.cups} {what}, by {who}."

    def lines(self) -> list[str]:
        """Say what is missing, what is worth knowing, what was changed, and how much is there."""
        look = [] if self.lift.last else ["This is a declared look: tasters may be added after it."]
        missing = self.missing if len(self.missing) <= NAMED else together(self.missing)
        gaps = (f"missing: {note}" for note in missing)
        notes = (f"note: {note}" for note in together(self.notes))
        return [*gaps, *notes, *self.bent, self.counted, *look]


def close_tasting(folder: Path, today: datetime.date) -> None:
    """Close the tasting: while it is closed nothing is scored and nobody is added."""
    _unlifted(folder)
    with held(folder, "what closes the tasting"), in_turn(folder):
        seal = _unlifted(folder)
        see_open(seal)
        _write(folder, replace(seal, closed=today))


def reopen_tasting(folder: Path) -> bool:
    """Open a tasting that was closed, and tell whether it was."""
    with in_turn(folder):
        seal = _unlifted(folder)
        if seal.closed:
            _write(folder, replace(seal, closed=None))
    return seal.closed is not None


def _unlifted(folder: Path) -> Seal:
    text = read_folder(folder, without=TABLES)
    parse_trial(text.toml)
    seal = text.seal
    if seal is None:
        raise DesignError([_UNSEALED.broken("no blind was sealed here", FILE)])
    if seal.lift and seal.over:
        raise DesignError([_LIFTED.broken(f"it was lifted on {seal.lift.date}", FILE)])
    return seal


def _write(folder: Path, seal: Seal) -> None:
    disk.write_files_atomically({folder / FILE: seal.to_toml().encode()})


def lift_blind(
    folder: Path,
    today: datetime.date,
    agreed: Callable[[Lifting], Pourer | None],
    *,
    last: bool = False,
) -> Lifting:
    """Lift the blind of a folder, if the host agrees to what is missing; see `api.lift`.

    `agreed` is called once with what would be recorded, and says who poured; nothing is written
    where it gives None, or where scores came in meanwhile or may still come in.
    """
    found, seal = _prepare(folder, today, last=last)
    poured = agreed(found)
    if poured is None:
        return found
    _see_fits(poured, found.lift)
    with held(folder, "what lifts the blind"), in_turn(folder):
        if _prepare(folder, today, last=last) != (found, seal):
            raise DesignError([_MEANWHILE.broken("the folder changed while you were asked", FILE)])
        lift = replace(found.lift, poured=poured)
        closed = seal.closed if lift.last else None  # after a declared look it goes on
        _write(folder, replace(seal, lifted=(*seal.lifted, lift), closed=closed))
    return replace(found, lift=lift, recorded=True)


def correct_pourer(folder: Path, poured: Pourer, today: datetime.date) -> Lifting | None:
    """Say anew who poured for a tasting that is over, with the day; None where it is not."""
    with in_turn(folder):
        seal = read_folder(folder, without=TABLES).seal
        lift = seal.lift if seal else None
        if seal is None or lift is None or not lift.last:
            return None
        _see_fits(poured, lift)
        if poured != lift.poured:
            before = lift.poured_before if lift.poured_said else lift.poured
            lift = replace(lift, poured=poured, poured_said=today, poured_before=before)
            _write(folder, replace(seal, lifted=(*seal.lifted[:-1], lift)))
    return Lifting(missing=(), notes=(), bent=(), lift=lift, recorded=True)


def _see_fits(poured: Pourer, lift: Lift) -> None:
    if poured == "each-other" and lift.tasters != 2:
        raise DesignError([_EACH_OTHER.broken(f"{count(lift.tasters, 'taster')} scored", FILE)])


def _prepare(folder: Path, today: datetime.date, *, last: bool) -> tuple[Lifting, Seal]:
    text = read_folder(folder)
    trial, tables, stands = text.trial, text.tables, standing(text)
    if stands.seal is None:
        raise DesignError([_UNSEALED.broken("no blind was sealed here", FILE)])
    if stands.lift is not None and not stands.waiting:
        found = f"it was lifted on {stands.lift.date}"
        raise DesignError([_LIFTED.broken(found, FILE)])
    problems, notes = check_scores(trial, tables)
    if tables.key is None:
        problems = (*problems, _LOST.broken("there is no such file", "key.csv"))
    if problems:
        raise ScoreError(problems)
    scores = scores_by_cup(trial, tables.answers, stands.seal.attributes)
    looks, tasters = trial.decision.looks, len({taster for _, taster, _ in scores})
    final = not looks or len(stands.seal.lifted) + 1 == len(looks) or tasters >= looks[-1]
    served = tables.servings or tables.key
    units = served_units(trial, served) if served else set()
    lift = Lift(
        date=today, tasters=tasters, scored=len(scores), scores=scores_fingerprint(scores),
        cups=len(units), last=last or final,
    )  # fmt: skip
    begun = {session for session, _, _ in scores}
    early = (
        Note(file="trial.toml", text=f"the session of {it.date} {_AHEAD[it.name in begun]}",
             gap=it.name not in begun)
        for it in trial.sessions if it.date and it.date > today
    )  # fmt: skip
    notes = (*early, *notes)
    gaps = tuple(note for note in notes if note.gap)
    warned = (Note(file="trial.toml", text=text) for text in stands.amiss)
    others = (*(note for note in notes if not note.gap), *warned)
    sets = trial.choice is not None
    lifting = Lifting(missing=gaps, notes=others, bent=stands.bent, lift=lift, sets=sets)
    return lifting, stands.seal


_MEANWHILE = Rule("changed-meanwhile", "what is lifted is what you were told of", "Lift it again")
_UNSEALED = Rule(
    "not-sealed",
    "only a blind that was drawn and sealed is closed, lifted or taken back",
    'Draw it with "blindspoon blind FOLDER"; what was tasted already is compared as it is',
)
_LIFTED = Rule(
    "already-lifted",
    "the blind is lifted once",
    'Run compare; list what you correct in corrections.csv; "--poured" puts right who poured',
)
_AHEAD = ("is still to come", "has answers before its day: is the date right?")
_EACH_OTHER = Rule(
    "two-pour", "only two tasters pour for each other", 'Say "helper", "taster" or "unknown"'
)
_LOST = Rule(
    "not-drawn",
    "it says which variant a code stands for",
    'Put it back, or draw it again with "blindspoon blind FOLDER --again"',
)
