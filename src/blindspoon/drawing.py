"""The blind of a folder: drawn once, added to, and printed."""

from __future__ import annotations

import datetime
import secrets
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from blindspoon.errors import DesignError, Rule, TrialError
from blindspoon.files import disk, durable
from blindspoon.files.edits import add, put
from blindspoon.files.seal import FILE, Kind, Seal, key_fingerprint, key_rows, rule_text
from blindspoon.files.text_table import tidied, write_csv
from blindspoon.files.trial_folder import FolderText, read_folder
from blindspoon.files.trial_toml import parse_trial
from blindspoon.scores.score_table import check_scores
from blindspoon.scores.standing import see_open
from blindspoon.serving.draw import add_session, add_taster, draw, taster_stream
from blindspoon.serving.plan import (
    ServingPlan,
    ServingRequest,
    all_named,
    jars_of,
    plan_from_rows,
    request_for,
)
from blindspoon.sheets.pouring import LABEL_STOCKS, Paper
from blindspoon.starting import template
from blindspoon.trial import Trial
from blindspoon.wording import count

PAPER = ".blindspoon/paper"
"""The paper, and the labels where they are not the usual ones, that the host chose last."""

STREAM = 1000  # tells the drawing's random stream from the others that come from the trial's seed


def draw_blind(folder: Path, today: datetime.date, *, declare: bool = False) -> ServingPlan:
    """Draw codes and orders, and write servings.csv, key.csv and seal.toml; see `api.blind`.

    Nothing is written where the design is still that of the template, or where another key.csv or
    servings.csv is there.
    """
    text = read_folder(folder)
    trial = text.trial
    dated = ""
    if declare and not trial.decision.declared:
        dated = put(text.toml, "decision.declared", today)
        trial = parse_trial(dated)
    request = _sound_request(trial, text)
    _see_untasted(text)
    if FILE in text.files:  # without it a drawing was stopped, and is completed
        raise DesignError([_DRAWN.broken("the blind is drawn already", FILE)])
    plan = _draw_first(trial, request)
    key = key_fingerprint(plan.key_rows()[1:])
    seal = Seal(date=today, key=key, rule=rule_text(trial))
    drawn = {**_tables(plan), FILE: seal.to_toml().encode()}  # the seal last: it says all is there
    drawn = {name: data for name, data in drawn.items() if text.files.get(name) != data}
    if dated and drawn.keys().isdisjoint(text.files):
        disk.write_files_atomically({folder / "trial.toml": dated.encode()})
    disk.make_files(folder, drawn)
    return plan


def foresee(folder: Path) -> ServingPlan:
    """Draw as `draw_blind` will, and write nothing: its balance can be told, its codes not."""
    text = read_folder(folder)
    trial = text.trial
    return _draw_first(trial, _sound_request(trial, text))


def _sound_request(trial: Trial, text: FolderText) -> ServingRequest:
    """Refuse what the template says, jars that are not sound, and cups that do not fit, at once."""
    from blindspoon.batches.summary import make_up  # noqa: PLC0415 - only where a blind is drawn

    first, batches = template(), text.tables.batches
    others = [variant for variant in first.variants if variant.name != first.control]
    template_texts = {text for variant in others for text in (variant.label, variant.method)}
    same = [text for v in trial.variants for text in (v.label, v.method) if text in template_texts]
    found = [_TEMPLATE.broken(f"a variant still says “{text}”", "trial.toml") for text in same]
    try:
        make_up(trial, batches, text.tables.readings)
    except TrialError as error:
        found += error.problems
    try:
        request = request_for(trial, batches=batches)
    except TrialError as error:
        found += error.problems
    if found:
        raise DesignError(found)
    return request


def _see_untasted(text: FolderText, *, lifted: bool = False) -> None:
    tasted = [table.file for table in text.tables.answers if len(table)]
    found = tasted or [FILE] * lifted
    if found:
        raise DesignError([_TASTED.broken("cups were scored already", file) for file in found])


def add_late(folder: Path, name: str, today: datetime.date) -> ServingPlan:
    with durable.in_turn(folder):
        text = read_folder(folder)
        return _draw_more(folder, text, today, " ".join(tidied(name).split()))


def add_more(folder: Path, today: datetime.date) -> ServingPlan:
    """Draw every session that trial.toml lists and that has no cups yet; others do not change."""
    with durable.in_turn(folder):
        return _draw_more(folder, read_folder(folder), today)


def one_more(
    folder: Path, day: datetime.date | None, drawn: int, today: datetime.date
) -> ServingPlan:
    """List one more session in trial.toml, on a day if it is known, and draw it as `add_more` does.

    `drawn` is how many there are for who asks. Where there is another number of them by now,
    nothing is written: none is added twice.
    """
    with durable.in_turn(folder):
        text = read_folder(folder)
        trial, plan = _drawn(text)
        known = plan.request.sessions
        if len(known) != drawn:
            found = (
                f"{count(len(known), 'session')} {'is' if len(known) == 1 else 'are'} drawn by now"
            )
            raise DesignError([_MEANWHILE.broken(found, "servings.csv")])
        listed = [session.name for session in trial.sessions]
        toml = text.toml if listed else add(text.toml, "session", {"name": known[0]})
        numbers = map(str, range(len(known) + 1, len(known) + len(listed) + 2))
        toml = add(toml, "session", {"name": next(it for it in numbers if it not in listed)})
        toml = put(toml, f"session[{max(len(listed), 1) + 1}].date", day)
        return _draw_more(folder, replace(text, toml=toml), today, toml=toml)


def write_order(folder: Path, codes: Sequence[str]) -> str:
    """Write the order in which one person alone tasted a round after shuffling its cups.

    `codes` are all of that round, the first cup first; they tell which it is, and its name is given
    back.
    """
    _, plan = _drawn(read_folder(folder))
    rounds: dict[str, list[str]] = {}
    for serving in plan.servings:
        rounds.setdefault(serving.session, []).append(serving.code)
    session = next((name for name, cups in rounds.items() if sorted(cups) == sorted(codes)), "")
    if not plan.request.alone or not session:
        found = f"{' '.join(codes)} are not the cups of any round"
        raise DesignError([_NOT_THAT_ROUND.broken(found, "servings.csv")])
    place = {code: number for number, code in enumerate(codes, 1)}
    tasted = tuple(
        replace(cup, position=place[cup.code]) if cup.session == session else cup
        for cup in plan.servings
    )
    order = replace(plan, servings=tasted)
    disk.write_files_atomically({folder / "servings.csv": _tables(order)["servings.csv"]})
    return session


def alike(folder: Path, name: str) -> str:
    """Find a taster whose name differs from this one by its capitals only; may be empty."""
    _, plan = _drawn(read_folder(folder))
    others = (other for other in plan.request.tasters if other != name)
    return next((other for other in others if other.casefold() == name.casefold()), "")


def draw_again(folder: Path) -> tuple[str, ...]:
    """Draw a key or a plan that was lost, or is a part, again, and name the files written.

    None is where nothing was sealed, trial.toml or batches.csv are not as they were, or another key
    is there.
    """
    text = read_folder(folder)
    trial, seal, key = text.trial, text.seal, text.tables.key
    if seal is None:
        raise DesignError([_UNPROVED.broken("there is no seal to prove a key against", FILE)])
    later = {(added.kind, added.name) for added in seal.added}
    tasters = tuple(name for name in trial.tasting.tasters if ("taster", name) not in later)
    sessions = tuple(s for s in trial.sessions if ("session", s.name) not in later)
    tasting = replace(trial.tasting, tasters=tasters)
    before = replace(trial, tasting=tasting, sessions=sessions)
    plan = _draw_first(trial, request_for(before, batches=text.tables.batches))
    every = request_for(trial, batches=text.tables.batches).poured
    plan = replace(plan, request=replace(plan.request, poured=every))
    for added in seal.added:
        plan = _with_added(plan, trial.seed, added.kind, added.name)
    if key_fingerprint(plan.key_rows()[1:]) != seal.key:
        found = f"what is drawn from it is not the key that was sealed on {seal.date}"
        raise DesignError([_ANOTHER.broken(found, "trial.toml")])
    lost = {
        name: data  # a part of it is left where adding somebody was stopped
        for name, data in _tables(plan).items()
        if set(text.files.get(name, b"").splitlines()) < set(data.splitlines())
    }
    if key is not None and "key.csv" not in lost and key_fingerprint(key_rows(key)) != seal.key:
        raise DesignError([_OTHER_KEY.broken("there is another key already", "key.csv")])
    disk.write_files_atomically({folder / name: data for name, data in lost.items()})
    return tuple(lost)


def take_back(folder: Path, today: datetime.date) -> Path:
    """Take a drawing back before any cup is scored; the next one draws other codes.

    What was drawn moves to ``.blindspoon/drawn/DATE``, which is given, and trial.toml gets another
    seed: with the old one the same codes would be drawn.
    """
    with durable.held(folder, "what takes the drawing back"):
        text = read_folder(folder)
        seal = text.seal
        if seal is None:
            raise DesignError([_UNTAKEN.broken("nothing was sealed here", FILE)])
        _see_untasted(text, lifted=bool(seal.lifted))
        seeded = put(text.toml, "trial.seed", secrets.randbelow(10**8))
        disk.write_files_atomically({folder / "trial.toml": seeded.encode()})
        try:
            return durable.put_aside(folder, ("key.csv", "servings.csv", "sheets", FILE), today)
        except TrialError:  # with another seed a lost key could not be drawn again
            disk.write_files_atomically({folder / "trial.toml": text.files["trial.toml"]})
            raise


def _draw_first(trial: Trial, request: ServingRequest) -> ServingPlan:
    return draw(request, np.random.default_rng([trial.seed, STREAM]))


def _with_added(plan: ServingPlan, seed: int, kind: Kind, name: str) -> ServingPlan:
    """Add a taster or a session to a plan, as it lies in the tables."""
    plan = replace(plan, servings=tuple(plan.in_order()))
    if kind == "taster":
        return add_taster(plan, name, taster_stream(seed, name))
    return add_session(plan, name, np.random.default_rng([seed, STREAM, *name.encode()]))


def _draw_more(
    folder: Path, text: FolderText, today: datetime.date, taster: str | None = None, toml: str = ""
) -> ServingPlan:
    """Add a taster, or else the sessions that are listed and not drawn; `toml` is written first."""
    trial, plan = _drawn(text)
    seal, drawn = text.seal, plan.request.sessions
    kind: Kind = "session" if taster is None else "taster"
    new = [it.name for it in trial.sessions if it.name not in drawn]
    names = new if taster is None else [taster]
    if not names:
        found = "every session that is listed is drawn"
        raise DesignError([_ALL_DRAWN.broken(found, "trial.toml")])
    see_open(seal)
    for name in names:
        plan = _with_added(plan, trial.seed, kind, name)
        seal = seal and seal.with_added(kind, name, today, key_fingerprint(plan.key_rows()[1:]))
    contents = {"trial.toml": toml.encode(), FILE: seal.to_toml().encode() if seal else b""}
    # trial.toml and the seal first: the rest is drawn again from them
    written = {folder / file: data for file, data in (contents | _tables(plan)).items() if data}
    disk.write_files_atomically(written)
    return plan


def paper_of(folder: Path) -> tuple[Paper, str | None]:
    """Give the paper and the labels that were chosen last; A4 with its larger labels at first."""
    paper, _, stock = (durable.DurableFolder(folder).read(PAPER) or b"").decode().partition(" ")
    return "letter" if paper == "letter" else "a4", stock if stock in LABEL_STOCKS else None


def write_sheets(
    folder: Path, paper: str | None = None, labels: str | None = None
) -> tuple[Path, ...]:
    """Print the sheets of the blind that was drawn into sheets/ of the trial folder.

    Paper and labels are those chosen last, where none are named. A taster or a session that was
    added has its own once more in sheets/added, apart from all that is printed already.
    """
    from blindspoon.batches.cautions import caution  # noqa: PLC0415 - only where sheets are printed
    from blindspoon.batches.summary import make_up  # noqa: PLC0415
    from blindspoon.sheets.printing import file_name, print_sheets, reminders  # noqa: PLC0415

    text = read_folder(folder)
    trial, plan = _drawn(text)
    if paper or labels:
        chosen = f"{paper or paper_of(folder)[0]} {labels}"
        durable.DurableFolder(folder).save(PAPER, chosen.encode())
    made, _ = make_up(trial, text.tables.batches, text.tables.readings)
    warned = [caution(found) for found in made.cautions if not found.general] if made else []
    seal = text.seal
    drawn = seal.date if seal else datetime.date.min
    todo = reminders(trial, made.log.batches) if trial.course and made else ()
    size, stock = paper_of(folder)
    pages = partial(print_sheets, trial, paper=size, label_stock=stock, cautions=warned)
    sheets = pages(plan, roles=True, days=[it for it in todo if it.day >= drawn])
    places = {taster: number for number, taster in enumerate(plan.request.tasters, 1)}
    for added in seal.added if seal else ():
        cups = tuple(cup for cup in plan.servings if getattr(cup, added.kind) == added.name)
        if not cups:  # stopped before the tables were written: drawn again by --again
            continue
        at = f"session-{added.name}"
        if added.kind == "taster":
            at = file_name(places[added.name], added.name)
        theirs = pages(replace(plan, servings=cups))
        sheets |= {f"added/{at}/{it}": theirs[it] for it in theirs if it != "checklist.html"}
    printed = {folder / "sheets" / name: content for name, content in sheets.items()}
    disk.write_files_atomically(printed)
    return tuple(printed)


def _drawn(text: FolderText) -> tuple[Trial, ServingPlan]:
    trial = text.trial
    servings, key = text.tables.servings, text.tables.key
    if servings is None or key is None:
        missing = [name for name in ("servings.csv", "key.csv") if name not in text.files]
        raise DesignError([_UNDRAWN.broken("there is no such file", name) for name in missing])
    problems, _ = check_scores(trial, replace(text.tables, choices=()))
    kept = [problem for problem in problems if problem.file in (servings.file, key.file)]
    if kept:
        raise DesignError(kept)
    only = trial.sessions[0].name if trial.sessions else "1"
    served, known = ([{"session": only} | row for _, row in it.rows()] for it in (servings, key))
    sessions, tasters = (
        tuple(dict.fromkeys(row[name] for row in served)) for name in ("session", "taster")
    )
    written, named = jars_of(text.tables.batches), jars_of(key)
    every = all_named(written, [variant.name for variant in trial.variants])
    left_open = {row["variant"] for row in known} - named.keys() if named else {*every}
    # in the order in which they were drawn, or a lost key would not be drawn again
    jars = {v: names for v, names in (every | named | written).items() if v not in left_open}
    came = replace(trial, tasting=replace(trial.tasting, tasters=tasters))
    request = replace(request_for(came, jars, text.tables.batches), sessions=sessions)
    return trial, plan_from_rows(request, served, known)


def _tables(plan: ServingPlan) -> dict[str, bytes]:
    rows = {"key.csv": plan.key_rows(), "servings.csv": plan.servings_rows()}
    return {name: write_csv(table).encode() for name, table in rows.items()}


_TEMPLATE = Rule(
    "still-template",
    "the cups are drawn for what you made",
    "Give the variant its label and its method",
)
_DRAWN = Rule(
    "already-drawn",
    "it is drawn once, so that nobody chooses among drawings",
    "Print its sheets again with --sheets, bring back a lost key with --again, add a taster with "
    "--add or a session with --more; before any score --take-back undoes it, for a new drawing",
)
_UNTAKEN = Rule("not-sealed", "only a blind that was sealed is taken back", "Draw it with blind")
_ALL_DRAWN = Rule(
    "no-new-session",
    "sessions are added that are listed and not drawn yet",
    "Add a [[session]] to trial.toml first",
)
_MEANWHILE = Rule("changed-meanwhile", "a session is added once", "Look at the sheets")
_NOT_THAT_ROUND = Rule(
    "not-that-round",
    "one person alone names every code of the round once, as tasted, and last a cup that was not",
    "Read them again from the cups",
)
_UNPROVED = Rule(
    "not-proved",
    "a key is drawn again only if it can be proved",
    "Look for a copy of the key, or of seal.toml",
)
_ANOTHER = Rule(
    "another-drawing",
    "seed, control, variants, tasters, sessions, [tasting] and the jars are as they were",
    "Put them back as they were on that day",
)
_OTHER_KEY = Rule("already-there", "no file is written over another", "Move it away first")
_TASTED = Rule(
    "already-tasted",
    "the blind is drawn before anyone tastes",
    "Start a new trial folder, or add a late taster with --add",
)
_UNDRAWN = Rule("not-drawn", "the blind is drawn first", 'Run "blindspoon blind FOLDER"')
