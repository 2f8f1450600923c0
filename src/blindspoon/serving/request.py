"""What is to be drawn: who tastes, how many cups, which variants and jars; whether it can be."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from blindspoon.errors import DesignError, Problem, Rule
from blindspoon.files.text_table import TextTable
from blindspoon.serving.codes import usable_codes
from blindspoon.trial import Choice, Session, Trial

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


def poured_on(
    table: TextTable | None, jars: Jars, sessions: Sequence[Session]
) -> dict[str, dict[str, tuple[str, ...]]]:
    """Say which jars of each variant a dated session is poured from.

    They are those that were finished last by that day, so that one evening has one age; all of a
    variant's where none was finished by then, or none has a date.
    """
    if table is None or not {"batch", "finished"} <= set(table.columns):
        return {}
    ended = {row["batch"]: row["finished"] for _, row in table.rows()}
    found: dict[str, dict[str, tuple[str, ...]]] = {}
    for session in (session for session in sessions if session.date):
        for variant, names in jars.items():
            past = [d for d in map(ended.get, names) if d and d <= f"{session.date}"]
            last = max(past, default=None)
            kept = [name for name in names if last in (None, ended.get(name))]
            found.setdefault(session.name, {})[variant] = tuple(kept)
    return found


def foretold(trial: Trial, jars: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Say before anyone tastes what these jars, or one person alone, cannot tell; sentences."""
    if trial.course and len(trial.tasting.tasters) == 1:
        yield (
            "One person alone is told no day and no trend, which take two. Begun as changes like "
            "others, without [course], ages that are in every round are each compared with the "
            "control, over 6 rounds or more."
        )
    if trial.course or max(map(len, jars.values()), default=0) < 2:
        return
    if trial.decision.by == "ranks":
        yield (
            "Ranks decide, and cannot tell how far jars of one variant differ: the answer will be "
            'about these jars and not about the method, which takes by = "mixed".'
        )
    elif len(jars.get(trial.control, ())) < 2:
        yield (
            "The control is one jar, so how far its jars would differ has to be taken from the "
            "others’: an answer about the method will hardly ever be settled. A second jar of the "
            "control would tell most."
        )


FILE = "trial.toml"


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
    batches: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    choice: Choice | None = None
    scored: bool = True  # whether there are cups to score, and not only sets to choose from
    poured: Mapping[str, Mapping[str, tuple[str, ...]]] = field(default_factory=dict)

    @property
    def variants(self) -> tuple[str, ...]:
        """All variants, the control first."""
        return (self.control, *self.others)

    @property
    def places(self) -> int:
        """Cups in a set that are not the control."""
        return self.cups - self.controls

    @property
    def complete(self) -> bool:
        """Whether every taster gets every variant in a session."""
        return self.places == len(self.others)

    @property
    def alone(self) -> bool:
        """Whether one person tastes alone: each session is then a freely shuffled round."""
        return len(self.tasters) == 1


def request_for(
    trial: Trial,
    batches: Mapping[str, Sequence[str]] | None = None,
    poured: Mapping[str, Mapping[str, tuple[str, ...]]] | None = None,
) -> ServingRequest:
    """Take what the drawing needs from a trial; a session is "1" where trial.toml lists none.

    DesignError has every reason for which it cannot be drawn.
    """
    names, own = [variant.name for variant in trial.variants], trial.tasting
    request = ServingRequest(
        control=trial.control,
        others=tuple(name for name in names if name != trial.control),
        tasters=own.tasters,
        sessions=tuple(session.name for session in trial.sessions) or ("1",),
        cups=own.servings or len(names) + own.controls - 1,
        controls=own.controls,
        codes=own.codes,
        warm_up=own.warm_up,
        batches={name: tuple(those) for name, those in (batches or {}).items() if those},
        choice=trial.choice,
        scored=bool(trial.attributes),
        poured=poured or {},
    )
    check_request(request)
    return request


def request_from(
    trial: Trial, batches: TextTable | None, jars: Jars | None = None
) -> ServingRequest:
    """Ask for cups of these jars; at first, of those of batches.csv. DesignError as before."""
    if jars is None:
        jars = all_named(jars_of(batches), [variant.name for variant in trial.variants])
    poured = poured_on(batches, jars, trial.sessions) if trial.course else None
    return request_for(trial, jars, poured)


_TASTERS = Rule(
    "no-tasters",
    "at least one is needed to draw who gets which cup",
    'Write tasters = ["T01", "T02"] or a number under [tasting]',
)


def check_request(request: ServingRequest) -> None:
    """Refuse what cannot be drawn, with every problem found.

    No tasters, more cups than there are variants, fewer than the control and one more, so few in
    all that a variant would never be served, or more codes in a set than there are.
    """
    problems = list[Problem]()
    if not request.tasters:
        problems.append(_TASTERS.broken("no tasters", FILE, column="tasting.tasters"))
    others, codes, rules = len(request.others), len(usable_codes()), list[Rule]()
    least, most = request.controls + 1, request.controls + others
    control = "the control twice" if request.controls == 2 else "the control"
    sets = len(request.tasters) * len(request.sessions)
    if request.cups > most:
        allowed = f"there are {most} to serve: {control} and each other variant"
        rules.append(Rule("too-many-servings", allowed, f"Write {most} or fewer"))
    elif request.cups < least:
        allowed = f"a taster needs {control} and one other variant"
        rules.append(Rule("too-few-servings", allowed, f"Write {least} or more"))
    elif request.tasters and sets * request.places < others:
        allowed = (
            f"in {sets} {'set' if sets == 1 else 'sets'} of cups they cannot hold all {others} "
            f"variants beside the control, which takes {-(-others // request.places)} sets"
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
