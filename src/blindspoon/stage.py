"""Where a trial stands, what comes next, and what may be changed now; the key stays closed."""

import re
import shlex
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, NamedTuple

from blindspoon.collect.sitting import remembered
from blindspoon.errors import Problem, TrialError, TrialFileError
from blindspoon.files.seal import Seal, scores_by_cup, served_units
from blindspoon.files.trial_folder import KEY, FolderText, published_at, read_folder
from blindspoon.scores.standing import Scores, standing
from blindspoon.trial import Trial
from blindspoon.wording import count, day, listing

State = Literal[
    "planned", "sealed", "tasting", "closed", "lifted", "published",
    "never coded", "never sealed", "broken",
]  # fmt: skip

Part = Literal["served", "rule", "jar names", "taster", "scores"]
"""What may be changed or not: what tasters read; what is sealed, with whom it is served to; the
names of jars that were dealt; a late taster; scores. All else always may."""


class StateWords(NamedTuple):
    """What a trial in a state is called, where it stands, and what comes next for who types."""

    called: str
    stands: str  # with {scored}: how many cups are scored
    following: str  # with {folder}, as it is typed, and {pouring}: what else two print, or one


STATES: dict[State, StateWords] = {
    "planned": StateWords("Planned", "Every jar is written down, and nobody has tasted yet.",
        '"blindspoon blind {folder}" draws the codes and seals the rule of {folder}/trial.toml'),
    "sealed": StateWords("Codes drawn", "The codes are drawn, and nobody has tasted yet.",
        "print from {folder}/sheets helper.html (only who pours reads it{pouring}), table.html, "
        'labels.html and, for paper, ballots.html; then "blindspoon collect {folder}" '
        "(--lan for phones)"),
    "tasting": StateWords("Tasting now", "Tasters have begun: {scored}.",
        '"blindspoon collect {folder}" (--lan for phones) until every score is in, "blindspoon '
        'check {folder}" until no slip is left, then "blindspoon lift {folder}"'),
    "closed": StateWords("Tasting closed", "The tasting is closed: {scored}.",
        '"blindspoon check {folder}", then "blindspoon lift {folder}"'),
    "lifted": StateWords("Blind lifted", "The blind is lifted: {scored}.", ""),
    "published": StateWords("Published", "It is published: {scored}.",
        "look through it before you send it"),
    "never coded": StateWords("Tasted without codes", "It was tasted, but cups had no codes, so "
        "nothing shows that it was tasted blind.", '"blindspoon report {folder}"'),
    "never sealed": StateWords("Tasted, never sealed", "It was tasted, but nothing was sealed, so "
        "nothing shows that it was tasted blind.", '"blindspoon report {folder}"'),
    "broken": StateWords("Cannot be read", "", '"blindspoon check {folder}" names every problem'),
}  # fmt: skip
_UNMADE = (
    '"blindspoon size {folder}" says what your tasters can show; write what you make into '
    '{folder}/batches.csv, then "blindspoon blind {folder}"'
)
_ADDED = (
    "print from {folder}/sheets/added what is new (only who pours reads pouring.html); then "
    '"blindspoon collect {folder}" (--lan for phones)'
)
_LIFTED = {
    "compare": '"blindspoon compare {folder}" prints the verdicts',
    "report": '"blindspoon report {folder}" writes the page',
    "publish": '"blindspoon publish {folder}" writes all that is sent out',
}
_TWO = "; where both of you taste, checklist.html and both-taste in its place"
_ALONE = "; on your own, checklist.html says how you pour and shuffle"

_WEIGHTS = {"produce_g", "water_g", "salt_g"}

LEFT_OUT, NONE_THERE = "left out", "none in this folder"
"""Notes of a step that is over, and not shown done."""


class Step(NamedTuple):
    """One step of a trial: the address of its page, its title, how far it is, and a note."""

    name: str
    title: str
    mark: Literal["done", "next", "later"]
    note: str

    @property
    def marked(self) -> bool:
        """Whether its mark is said before the note."""
        return self.mark != "later" and self.note not in (LEFT_OUT, NONE_THERE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """Where a trial stands; without a trial where the folder is broken, which `problems` tell.

    `files` is every file that was read, by its path in the folder; never the key.
    """

    folder: Path
    state: State
    trial: Trial | None = None
    seal: Seal | None = None
    problems: tuple[Problem, ...] = ()
    made: frozenset[str] = frozenset()  # variants of which a jar is written down
    unweighed: bool = False  # whether a jar has some of its weights, and not all
    scored: int = 0  # cups with a score, of all that are to be served
    cups: int = 0
    sheets: bool = False  # whether they were printed
    text: str = ""  # trial.toml as it was read
    files: Mapping[str, bytes] = field(default_factory=dict, repr=False)

    @property
    def plan(self) -> Trial:
        """The trial. Raises TrialFileError where it cannot be read."""
        if self.trial is None:
            raise TrialFileError(self.problems)
        return self.trial

    @property
    def takes_scores(self) -> bool:
        """Whether codes are drawn, and cups may be scored."""
        return self.state in ("sealed", "tasting")

    @property
    def blind(self) -> bool:
        """Whether nobody may know yet what is in a cup."""
        return self.takes_scores or self.state == "closed"

    @property
    def lifted(self) -> bool:
        return self.state in ("lifted", "published")

    @property
    def open_to_look(self) -> bool:
        return self.lifted or self.state in ("never coded", "never sealed")

    @property
    def unmade(self) -> tuple[str, ...]:
        """Names of the variants of which no jar is written down."""
        names = (variant.name for variant in self.trial.variants) if self.trial else ()
        return tuple(name for name in names if name not in self.made)

    @property
    def tasters(self) -> tuple[str, ...]:
        """Names of those that trial.toml lists, and of those that were added."""
        listed = self.trial.tasting.tasters if self.trial else ()
        added = self.seal.added if self.seal else ()
        late = (it.name for it in added if it.kind == "taster")
        return (*listed, *(name for name in late if name not in listed))

    @property
    def _scored(self) -> str:
        if self.trial and self.trial.choice:
            return f"{self.scored} of {count(self.cups, 'answer')} given"
        return f"{self.scored} of {count(self.cups, 'cup')} scored"

    @property
    def title(self) -> str:
        return self.trial.title if self.trial else self.folder.resolve().name

    @property
    def steps(self) -> tuple[Step, ...]:
        """Every step, the one that comes next among them; none where the folder is broken."""
        if self.trial is None:
            return ()
        steps = [*self._steps(self.trial)]
        first = next((step for step in steps if step.mark == "later"), None)
        return tuple(step._replace(mark="next") if step is first else step for step in steps)

    @property
    def next(self) -> Step | None:
        """The step that comes next; None where all are done or nothing can be said."""
        return next((step for step in self.steps if step.mark == "next"), None)

    @property
    def sentence(self) -> str:
        if self.trial is None:
            return f"A file of it cannot be read: {self.problems[0]}"
        if self.state == "planned" and self.unmade:
            labels = listing(f"“{self.trial.variant(name).label}”" for name in self.unmade)
            return f"No jar is written down yet of {labels}."
        return STATES[self.state].stands.format(scored=self._scored)

    def follows(self, after: str = "", *, added: bool = False) -> str:
        """Tell what comes next for who types commands, and has just typed one, or added cups."""
        words = STATES[self.state].following
        if added:
            words = _ADDED
        elif self.state == "planned" and self.unmade:
            words = _UNMADE
        elif self.state == "lifted":
            words = ", ".join(text for verb, text in _LIFTED.items() if verb != after)
        typed = shlex.quote(f"{self.folder}")
        if sys.platform == "win32":
            path = f"{self.folder}".replace("\\", "/")
            typed = f'"{path}"' if re.search(r"[^\w.:/-]", path) else path
        two = (self.folder / "sheets" / "both-taste").is_dir()
        pouring = _TWO if two else _ALONE if len(self.tasters) == 1 else ""
        return words.format(folder=typed, pouring=pouring)

    def locked(self, part: Part) -> str:
        """Say why a part may not be changed now, and what opens it; empty where it may.

        >>> Stage(folder=Path("."), state="planned").locked("rule")
        ''
        >>> Stage(folder=Path("."), state="sealed").locked("rule")
        'Sealed when the codes were drawn. While nobody has tasted, you can take the drawing back.'
        """
        reasons = _LOCKED[part]
        return reasons.get(self.state, reasons[""])

    def _steps(self, trial: Trial) -> Iterator[Step]:
        """Give every step in order, "done" or "later", with what there is to know of it."""
        seal, planned, tasters = self.seal, self.state == "planned", self.tasters
        shown = self.open_to_look  # what the scores show
        out = LEFT_OUT if shown and not self.lifted else ""
        declared, undated = trial.decision.declared, "the rule has no date"
        yes = f"you said yes to the rule on {day(declared)}" if declared else undated
        asked = planned and not declared
        jars = len(trial.variants) - len(self.unmade)
        made = f"{jars} of {len(trial.variants)} written down" if planned or jars else LEFT_OUT
        made += ", a weight is missing" * self.unweighed
        who = count(len(tasters), "taster") if tasters else "nobody named"
        waits = "after jars and tasters" if self.unmade or not tasters else ""
        sealed = f"sealed on {day(seal.date)}" if seal else waits
        begun = self.state not in ("planned", "sealed")
        printed = NONE_THERE if begun and not self.sheets else "ballots, labels, trays"
        days = listing(day(session.date) for session in trial.sessions if session.date)
        scored = self._scored if self.scored else days or "after the codes"
        slips = "" if self.lifted else "mend slips while nobody knows what is what"
        once = f"lifted on {day(seal.lift.date)}" if seal and seal.lift else ""
        over = self.state == "published"
        found = "what the scores show" if shown else "after lifting"
        sent = "" if over else "when you have read the findings"
        for name, title, note, done in (
            ("question", "The question", "say yes to the rule" if asked else yes, not asked),
            ("jars", "The jars", made, not planned or not self.unmade),
            ("tasters", "The tasters", who, not planned or bool(tasters)),
            ("codes", "The codes", out or sealed, not planned),
            ("sheets", "The sheets", out or printed, self.sheets or begun),
            ("tasting", "The tasting", scored, begun and self.state != "tasting"),
            ("look", "A last look", out or slips, shown),
            ("lift", "Lifting the blind", out or once or "once, with no way back", shown),
            ("findings", "The findings", "" if over else found, over),
            ("publish", "Publishing", sent, over),
        ):
            yield Step(name, title, "done" if done else "later", note)


_LOCKED: dict[Part, dict[State | Literal[""], str]] = {
    "served": {
        "planned": "", "sealed": "", "": "Tasters have begun, and all of them read the same.",
    },
    "rule": {
        "planned": "",
        "sealed": "Sealed when the codes were drawn. While nobody has tasted, you can take the "
        "drawing back.",
        "": "Sealed when the codes were drawn. Tasters have begun, so it stays as it is.",
    },
    "jar names": {
        "planned": "",
        "sealed": "The codes were dealt to these jars. You can take the drawing back.",
        "": "Cups were poured from these jars, so they keep their names.",
    },
    "taster": {
        "planned": "Until the codes are drawn, names are written with the tasters.",
        "sealed": "", "tasting": "",
        "": "The tasting is over. Open it again for a late taster.",
    },
    "scores": {
        "planned": "Nobody has tasted yet.", "sealed": "Nobody has tasted yet.", "tasting": "",
        "closed": "The tasting is closed. Open it again to change a score.",
        "": "The blind is lifted. A slip is corrected with a reason, and reported.",
    },
}  # fmt: skip
"""What is said of a part that may not be changed, by state; "" stands for every other state."""


def stage(folder: Path) -> Stage:
    """See where a trial stands, from its files but never from its key.

    A folder that cannot be read is "broken", with the problems.
    """
    try:
        text = read_folder(folder, without=KEY)
        trial = text.trial
    except TrialError as error:
        return Stage(folder=folder, state="broken", problems=error.problems)
    answers = text.tables.answers
    scores = scores_by_cup(trial, answers, [attribute.name for attribute in trial.attributes])
    servings, jars = text.tables.servings, text.tables.batches
    state = _state(folder, text, scores)
    uncoded = sum(map(len, answers)) if state == "never coded" else 0
    rows = [row for _, row in jars.rows()] if jars else []
    return Stage(
        folder=folder, state=state, trial=trial, seal=text.seal, text=text.toml, files=text.files,
        made=frozenset(row.get("variant", "") for row in rows if row.get("batch")),
        unweighed=any(map(_lacks_a_weight, rows)),
        scored=uncoded or len(scores),
        cups=len(served_units(trial, servings)) if servings else uncoded or len(scores),
        sheets=(folder / "sheets" / "table.html").is_file(),
    )  # fmt: skip


def _lacks_a_weight(row: Mapping[str, str]) -> bool:
    """Whether a jar has some of its weights, in whatever unit, and not all."""
    from blindspoon.batches.log import unit_of  # noqa: PLC0415 - not where nothing was made

    units = (unit_of(name) for name, text in row.items() if text)
    there = _WEIGHTS & {unit.column for unit in units if unit}
    return 0 < len(there) < len(_WEIGHTS)


def _state(folder: Path, text: FolderText, scores: Scores) -> State:
    seal = text.seal
    if seal is None:  # without a score, a drawing that was stopped: it is drawn again as it was
        served, scored = text.tables.servings, text.tables.scores
        coded = served is not None or any("code" in table.columns for table in scored)
        plain = any("right" in table.columns for table in text.tables.choices)
        return "planned" if not (scores or plain) else "never sealed" if coded else "never coded"
    if seal.over or (seal.lift and not standing(text).waiting):
        return "published" if (published_at(folder) / "START.html").is_file() else "lifted"
    if seal.closed:
        return "closed"
    memory = remembered(folder)
    return "tasting" if scores or memory.session or memory.joined else "sealed"


STORY = ("title", "question", "product", "host", "licence", "dates", "story", "photos", "address",
         "tasters_shown")  # fmt: skip
"""Of a trial, what is never sealed."""


def touched(old: Trial, new: Trial) -> list[Part]:
    """Name what has to be open for one trial to become another; its story always is."""
    views: dict[Part, Callable[[Trial], object]] = {"served": _read, "rule": _sealed}
    return [part for part, view in views.items() if view(old) != view(new)]


def _read(trial: Trial) -> object:
    scored = [(attribute.label, attribute.low, attribute.high) for attribute in trial.attributes]
    return trial.product, trial.tasting.allergens, trial.tasting.cleanser, scored


def _sealed(trial: Trial) -> Trial:
    """Give a trial without its story, and without what is called otherwise or read."""
    words: dict[str, Any] = dict.fromkeys(("label", "low", "high", "less", "more"), "")
    story: dict[str, Any] = dict.fromkeys(STORY, "")
    return replace(
        trial,
        **story,
        tasting=replace(trial.tasting, allergens="", cleanser=""),
        variants=tuple(replace(variant, label="", method="") for variant in trial.variants),
        attributes=tuple(replace(attribute, **words) for attribute in trial.attributes),
    )
