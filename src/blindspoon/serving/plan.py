"""What is to be drawn, whether it can be, and the plan of it: every cup, and how even they are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from blindspoon.arrays import IntArray
from blindspoon.errors import DesignError, Problem, Rule
from blindspoon.files.schema import as_date
from blindspoon.files.text_table import TextTable
from blindspoon.files.trial_toml import FILE
from blindspoon.serving.codes import CODES
from blindspoon.stats.results import records_frame
from blindspoon.trial import Choice, Session, Trial

if TYPE_CHECKING:
    import pandas as pd

Jars = dict[str, list[str]]  # the names of the jars of each variant that has any


def jars_of(table: TextTable | None) -> Jars:
    """List the jars of each variant, as far as a table (batches.csv, key.csv) names both."""
    found: Jars = {}
    if table is None or not {"batch", "variant"} <= set(table.columns):
        return found
    for _, row in table.rows():
        if row["batch"] and row["variant"] and row["batch"] not in found.get(row["variant"], ()):
            found.setdefault(row["variant"], []).append(row["batch"])
    return found


def all_named(jars: Jars, variants: Sequence[str]) -> Jars:
    """Name a jar of every variant as soon as one has two: a variant without names is one jar.

    >>> all_named({"oak": ["jar 1", "jar 2"]}, ["plain", "oak"])
    {'oak': ['jar 1', 'jar 2'], 'plain': ['plain 1']}
    """
    if max(map(len, jars.values()), default=0) < 2:
        return jars
    named, taken = dict(jars), {name for those in jars.values() for name in those}
    for variant in variants:
        if variant not in named:
            numbers = (f"{variant} {number}" for number in range(1, len(taken) + 2))
            named[variant] = [next(name for name in numbers if name not in taken)]
    return named


def _poured_on(table: TextTable | None, jars: Jars, sessions: Sequence[Session]) -> dict[str, Jars]:
    """Say which jars of each variant a dated session is poured from.

    They are those that were finished last by that day, so that one evening has one age; all of a
    variant's where none was finished by then, or none has a date.
    """
    if table is None or not {"batch", "finished"} <= set(table.columns):
        return {}
    ended = {row["batch"]: as_date(row["finished"]) for _, row in table.rows()}
    found: dict[str, Jars] = {}
    for name, day in {it.name: it.date for it in sessions if it.date}.items():
        for variant, names in jars.items():
            past = [d for d in map(ended.get, names) if d and d <= day]
            last = max(past, default=None)
            kept = [jar for jar in names if last in (None, ended.get(jar))]
            found.setdefault(name, {})[variant] = kept
    return found


def foretold(trial: Trial, jars: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Say before anyone tastes what these jars, or one person alone, cannot tell; sentences."""
    if trial.course and len(trial.tasting.tasters) == 1:
        yield (
            "One person alone is told no day and no trend, which take two. Begun as changes like "
            "others, and not followed over days, ages that are in every round are each compared "
            "with the control, over 6 rounds or more."
        )
    if trial.course or max(map(len, jars.values()), default=0) < 2:
        return
    if trial.decision.by == "ranks":
        yield (
            "Ranks decide, and cannot tell how far jars of one variant differ: the answer will be "
            "about these jars. One about the method takes the mixed model, which goes by how far "
            "apart the scores lie."
        )
        return
    if len(jars.get(trial.control, ())) < 2:
        yield (
            "The control is one jar, so how far its jars would differ has to be taken from the "
            "others’: an answer about the method will hardly ever be settled. A second jar of the "
            "control would tell most."
        )
    yield (
        "An answer about these jars alone takes fewer tasters than one about the method: list one "
        "jar of each variant, or let ranks decide."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ServingRequest:
    """What `draw` needs to know of a trial.

    The batches of a variant that is not in `batches` are left open. `poured` says by session which
    of them are poured then; all of them where it says nothing.
    """

    control: str
    others: tuple[str, ...]
    tasters: tuple[str, ...]
    sessions: tuple[str, ...] = ("1",)
    cups: int  # with a code that a taster gets in one session, the control's included
    controls: Literal[1, 2] = 1  # how many of these are the control
    codes: Literal["per taster", "per session"] = "per taster"
    warm_up: bool = False  # whether a cup without a code comes first; it is only on the sheets
    batches: Mapping[str, Sequence[str]] = field(default_factory=dict)
    choice: Choice | None = None
    scored: bool = True  # whether there are cups to score, and not only sets to choose from
    poured: Mapping[str, Mapping[str, Sequence[str]]] = field(default_factory=dict)

    @property
    def variants(self) -> tuple[str, ...]:
        return (self.control, *self.others)

    @property
    def places(self) -> int:
        """Cups on a tray that are not the control."""
        return self.cups - self.controls

    @property
    def complete(self) -> bool:
        return self.places == len(self.others)

    @property
    def references(self) -> int:
        """How many cups of the control without a code a taster gets in a session: A-not-A's A."""
        return self.choice.sets if self.choice and self.choice.method == "a-not-a" else 0

    @property
    def alone(self) -> bool:
        """Whether one person tastes alone: each session is then a freely shuffled round."""
        return len(self.tasters) == 1


def request_for(
    trial: Trial, jars: Jars | None = None, batches: TextTable | None = None
) -> ServingRequest:
    """Take what the drawing needs from a trial; a session is "1" where trial.toml lists none.

    The cups are of these jars, at first of those of batches.csv. DesignError has every reason for
    which it cannot be drawn.
    """
    names, own = [variant.name for variant in trial.variants], trial.tasting
    jars = all_named(jars_of(batches), names) if jars is None else jars
    request = ServingRequest(
        control=trial.control,
        others=tuple(name for name in names if name != trial.control),
        tasters=own.tasters,
        sessions=tuple(session.name for session in trial.sessions) or ("1",),
        cups=own.servings or len(names) + own.controls - 1,
        controls=own.controls,
        codes=own.codes,
        warm_up=own.warm_up,
        batches=jars,
        choice=trial.choice,
        scored=bool(trial.attributes),
        poured=_poured_on(batches, jars, trial.sessions) if trial.course else {},
    )
    check_request(request)
    return request


_TASTERS = Rule(
    "no-tasters",
    "at least one is needed to draw who gets which cup",
    'Write tasters = ["T01", "T02"] or a number under [tasting]',
)


def check_request(request: ServingRequest) -> None:
    """Refuse what cannot be drawn, with every problem found."""
    problems = list[Problem]()
    if not request.tasters:
        problems.append(_TASTERS.broken("no tasters", FILE, column="tasting.tasters"))
    others, codes, rules = len(request.others), len(CODES), list[Rule]()
    least, most = request.controls + 1, request.controls + others
    control = "the control twice" if request.controls == 2 else "the control"
    trays = len(request.tasters) * len(request.sessions)
    if request.cups > most:
        allowed = f"there are {most} to serve: {control} and each other variant"
        rules.append(Rule("too-many-servings", allowed, f"Write {most} or fewer"))
    elif request.cups < least:
        allowed = f"a taster needs {control} and one other variant"
        rules.append(Rule("too-few-servings", allowed, f"Write {least} or more"))
    elif request.tasters and trays * request.places < others:
        allowed = (
            f"{trays} {'tray' if trays == 1 else 'trays'} cannot hold all {others} "
            f"variants beside the control, which takes {-(-others // request.places)} trays"
        )
        rules.append(Rule("too-few-servings", allowed, "Have more servings, tasters or sessions"))
    if (request.cups if request.codes == "per taster" else others + 2) > codes:
        allowed = f"there are {codes} three-digit codes to tell them apart"
        rules.append(Rule("too-many-servings", allowed, "Serve fewer cups in a session"))
    found = f"{request.cups} servings for each taster and session"
    if request.scored:
        problems += [rule.broken(found, FILE, column="tasting.servings") for rule in rules]
    chosen = request.choice.sets * request.choice.how.cups if request.choice else 0
    if chosen + request.cups * request.scored > codes:
        rule = Rule("too-many-servings", f"there are {codes} codes", "Ask for fewer sets")
        problems.append(rule.broken(f"{chosen} cups in sets", FILE, column="choice.sets"))
    if problems:
        raise DesignError(problems)


class Span(NamedTuple):
    """The smallest and the largest of some counts."""

    low: int
    high: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """How even the orders of a session are; "others" are variants but the control.

    - `trays`, `cups`: trays, one a taster, and cups to score on each
    - `positions`, `control_positions`: how often each other variant, and the control, is served in
      each position
    - `follows`: how often one other variant is served straight after another, over all ordered
      pairs; None where there is only one other
    """

    session: str
    trays: int
    cups: int
    positions: Span
    control_positions: Span
    follows: Span | None


def measure(rows: IntArray, variants: int, session: str) -> Balance:
    """Count how even orders are: rows of variants from 0, the control, shape (trays, cups).

    >>> found = measure(np.array([[0, 1, 2], [1, 2, 0], [2, 0, 1]]), 3, "1")
    >>> found.positions, found.follows
    (Span(low=1, high=1), Span(low=0, high=2))
    """
    places = (rows[:, :, None] == np.arange(variants)).sum(axis=0).T
    after = np.zeros((variants, variants), dtype=np.int64)
    np.add.at(after, (rows[:, :-1].ravel(), rows[:, 1:].ravel()), 1)
    pairs = ~np.eye(variants - 1, dtype=bool)
    return Balance(
        session=session,
        trays=len(rows),
        cups=rows.shape[1],
        positions=_span(places[1:]),
        control_positions=_span(places[0]),
        follows=_span(after[1:, 1:][pairs]) if variants > 2 else None,
    )


def _span(counts: IntArray) -> Span:
    return Span(low=int(counts.min()), high=int(counts.max()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Serving:
    """One coded cup; `position` counts from 1, `batch` is None where it is left open.

    `set` is the number of the set that it is in; empty for a cup that is scored.
    """

    session: str
    taster: str
    position: int
    code: str
    variant: str
    batch: str | None
    set: str = ""


def order_counts(servings: Iterable[Serving], control: str) -> dict[str, Counter[str]]:
    """Count how often each order was served, by variant; sets of the control alone under it.

    A stands for the control, B for the variant.
    """
    sets: dict[tuple[str, str, str], list[Serving]] = {}
    for serving in sorted((s for s in servings if s.set), key=lambda s: s.position):
        sets.setdefault((serving.session, serving.taster, serving.set), []).append(serving)
    found: dict[str, Counter[str]] = {}
    for cups in sets.values():
        about = next((cup.variant for cup in cups if cup.variant != control), control)
        order = "".join("A" if cup.variant == control else "B" for cup in cups)
        found.setdefault(about, Counter())[order] += 1
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class ServingPlan:
    """All coded cups of a trial.

    Parameters
    ----------
    request : ServingRequest
        What was asked for, late tasters included.
    servings : tuple of Serving
        By session, taster and position; late tasters at the end.
    """

    request: ServingRequest
    servings: tuple[Serving, ...] = field(repr=False)  # a notebook would show what is in each

    @property
    def balance(self) -> tuple[Balance, ...]:
        """How even each session is; empty for one person alone, whose rounds are shuffled."""
        if self.request.alone:
            return ()
        found = {name: rows_of(self.request, self.servings, name) for name in self.request.sessions}
        kinds = len(self.request.variants)
        return tuple(measure(rows, kinds, name) for name, rows in found.items() if len(rows))

    def servings_rows(self) -> list[list[str]]:
        """Rows of servings.csv, the heading first; no variant in them."""
        sets = ["set"] * any(serving.set for serving in self.servings)
        return _table(["session", "taster", *sets, "position", "code"], self.in_order())

    def key_rows(self) -> list[list[str]]:
        """Rows of key.csv, the heading first; by code, so that they do not tell the order."""
        batches = ["batch"] * any(serving.batch for serving in self.servings)
        cups = self.in_order(by_code=True)
        return _table(["session", "taster", "code", "variant", *batches], cups)

    def to_frame(self) -> pd.DataFrame:
        """Lay out every cup with its variant, a row each: nobody who tastes may see it."""
        return records_frame([asdict(serving) for serving in self.in_order()])

    def in_order(self, *, by_code: bool = False) -> list[Serving]:
        session = {name: place for place, name in enumerate(self.request.sessions)}
        taster = {name: place for place, name in enumerate(self.request.tasters)}
        return sorted(
            self.servings,
            key=lambda s: (session[s.session], taster[s.taster], s.code * by_code, s.position),
        )


def _table(head: list[str], servings: Iterable[Serving]) -> list[list[str]]:
    return [head, *([str(getattr(cup, name) or "") for name in head] for cup in servings)]


def plan_from_rows(
    request: ServingRequest, served: Iterable[Mapping[str, str]], key: Iterable[Mapping[str, str]]
) -> ServingPlan:
    """Make the plan again from the checked rows of servings.csv and key.csv.

    The request has every taster of the tables.
    """
    behind = {(row["session"], row["taster"], row["code"]): row for row in key}
    pairs = ((row, behind[row["session"], row["taster"], row["code"]]) for row in served)
    servings = [
        Serving(
            session=cup["session"], taster=cup["taster"], position=int(cup["position"]),
            code=cup["code"], variant=inside["variant"], batch=inside.get("batch") or None,
            set=cup.get("set", ""),
        )
        for cup, inside in pairs
    ]  # fmt: skip
    return ServingPlan(request=request, servings=tuple(servings))


def rows_of(
    request: ServingRequest, servings: Iterable[Serving], session: str | None = None
) -> IntArray:
    """Give the variants of each set in serving order, shape (trays, cups).

    They are positions in ``request.variants``, the control 0; sets in order of first appearance, of
    one session or, if it is None, of all. A set that has lost a cup by hand is not among them.
    """
    number = {name: place for place, name in enumerate(request.variants)}
    sets: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for serving in servings:
        if session in (None, serving.session) and not serving.set:
            cup = (serving.position, number[serving.variant])
            sets.setdefault((serving.session, serving.taster), []).append(cup)
    whole = (cups for cups in sets.values() if len(cups) == request.cups)
    rows = [[variant for _, variant in sorted(cups)] for cups in whole]
    return np.array(rows, dtype=np.int64).reshape(len(rows), request.cups)
