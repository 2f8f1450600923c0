"""What the answer hangs on: which verdicts move under which alternative."""

from collections.abc import Collection, Iterator, Sequence
from functools import partial

from blindspoon import wording
from blindspoon.findings.sensitivity import Influence, Name, Outcome
from blindspoon.findings.verdict import PROCEDURES, in_a_word
from blindspoon.trial import Trial
from blindspoon.wording import count
from blindspoon.writeup.words import PageSection, paragraphs, points
from blindspoon.writeup.writers import DASH, Table, to_csv

SAME = "the same"

MOST_NAMED = 3  # tasters, or verdicts, that a sentence or a cell names; more are counted
MOST_ROWS = 30  # verdicts in the table; tables/influence.csv has all
MOST_FIRM = 16  # verdicts that never move and are named; more are counted

COLUMNS = [
    *("alternative", "left_out", "attribute", "variant", "verdict"),
    *("direction", "difference", "p_adjusted", "changed", "reason"),
]
NAMES: tuple[Name, ...] = ("taster", "session", "procedure", "ordinal", "position")
Moves = tuple[tuple[str, Outcome], ...]


def influence_section(trial: Trial, influence: Influence) -> PageSection | None:
    """Make the part of the page about what each verdict hangs on; None where nothing was compared.

    Tasters are named by their pseudonyms, or each is "one taster", as the trial has it.
    """
    if not influence.declared:
        return None
    primary = trial.decision.primary
    ordered = sorted(influence.declared, key=lambda outcome: outcome.attribute not in primary)
    keys = {key for name in NAMES for key in influence.moved(name)}
    moved, firm = [it for it in ordered if it.key in keys], dict[str, list[str]]()
    for it in ordered:
        if it.key not in keys:
            label = f"“{trial.variant(it.variant).label}” ({word(trial, it)})"
            firm.setdefault(_label(trial, it), []).append(label)
    few = len(ordered) - len(moved) <= MOST_FIRM
    alone = influence.moved("taster")
    by_many = {key for key, moves in alone.items() if 2 * len(moves) > len(influence.of("taster"))}
    said = any(_says(influence, name) for name in NAMES)
    lost = next((it.reason for it in influence.not_done if it.name == "taster"), "")
    return PageSection(
        name="influence",
        head="What the answer hangs on",
        paragraphs=paragraphs(
            "influence",
            turned=lost or [*_on_single_tasters(trial, ordered, alone, by_many)],
            named=partial(_named, trial),
            by_many=[it for it in ordered if it.key in by_many],
            said=said,
            total=len(ordered),
            firm=[
                f"on {on}, {wording.listing(labels) if few else count(len(labels), 'verdict')}"
                for on, labels in firm.items()
            ],
            moved=len(moved),
            most=MOST_ROWS,
        ),
        tables=(_table(trial, influence, moved),) if moved else (),
        points=tuple(_methods(trial, influence)) if said or not lost else (),
        files=(("tables/influence.csv", influence_csv(influence, shown=trial.tasters_shown)),),
    )


def influence_csv(influence: Influence, *, shown: bool = True) -> str:
    """One row a verdict and alternative."""
    rows = influence.to_rows(shown=shown)
    return to_csv(COLUMNS, ([row[column] for column in COLUMNS] for row in rows))


def _on_single_tasters(
    trial: Trial,
    ordered: list[Outcome],
    alone: dict[tuple[str, str], Moves],
    by_many: Collection[tuple[str, str]],
) -> Iterator[tuple[str, int, list[Outcome], dict[str, Sequence[str]]]]:
    """Say which verdicts hang on a single taster, those of primary attributes apart.

    On which attributes, how many there are, and which hang on one; of a single one, how it changes
    without whom.
    """
    parts = [
        [it for it in ordered if (it.attribute in trial.decision.primary) == first]
        for first in (True, False)
    ]
    groups = [part for part in parts if part]
    for group in groups:
        labels = [*dict.fromkeys(_label(trial, outcome) for outcome in group)]
        rest = len(labels) - MOST_NAMED
        if rest > 1:
            labels = [*labels[:MOST_NAMED], f"{wording.spelled(rest)} others"]
        place = "" if len(groups) == 1 and len(labels) > 1 else f" on {wording.listing(labels)}"
        hanging = [it for it in group if it.key in alone and it.key not in by_many]
        lone = dict[str, Sequence[str]]()
        if len(hanging) == 1:
            moves = alone[hanging[0].key]
            would = (
                "would not be settled"
                if it.verdict == "open"
                else f"would be {word(trial, it)}{' within the margin' * (it.verdict == 'alike')}"
                for _, it in moves
            )
            lone = {
                "who": _who(trial, [left_out for left_out, _ in moves]),
                "label": trial.variant(hanging[0].variant).label,
                "would": list(dict.fromkeys(would)),
                "on": _label(trial, hanging[0]),
            }
        yield place, len(group), hanging, lone


def _who(trial: Trial, tasters: list[str]) -> str:
    many = len(tasters)
    if trial.tasters_shown and many <= MOST_NAMED:
        return wording.listing(tasters, "or")
    return "one taster" if many == 1 else f"any one of {wording.spelled(many)} tasters"


def _says(influence: Influence, name: Name) -> bool:
    """Whether an alternative gave any verdict at all."""
    return any(outcome.verdict for made in influence.of(name) for outcome in made.outcomes)


def _table(trial: Trial, influence: Influence, moved: list[Outcome]) -> Table:
    """Set the verdicts that move against the alternatives that were taken."""
    taken = [name for name in NAMES if influence.of(name)]
    return Table(
        name="moves",
        caption="Verdicts that move",
        head="Variant and attribute",
        columns=("As declared", *(_head(trial, name) for name in taken)),
        rows=tuple(
            (
                f"{trial.variant(outcome.variant).label}, {_label(trial, outcome)}",
                (word(trial, outcome), *(_cell(trial, influence, name, outcome) for name in taken)),
            )
            for outcome in moved[:MOST_ROWS]
        ),
        stacked=True,
        quiet=SAME,
    )


def _cell(trial: Trial, influence: Influence, name: Name, declared: Outcome) -> str:
    """Say what a verdict becomes, and without whom."""
    spoken = (outcome for made in influence.of(name) for outcome in made.outcomes)
    if not any(outcome.key == declared.key and outcome.verdict is not None for outcome in spoken):
        return DASH
    changes: dict[str, list[str]] = {}
    for left_out, outcome in influence.moved(name).get(declared.key, ()):
        changes.setdefault(word(trial, outcome), []).append(left_out)
    said = []
    for text, names in changes.items():
        without = ""
        if name == "taster":
            without = f" without {_who(trial, names)}"
        elif name == "session":
            labels = [trial.session_label(session) or session for session in names]
            kind = "session " if labels == names else ""
            without = f" without {kind}{wording.listing(labels, 'or')}"
        said.append(text + without)
    return "; ".join(said) or SAME


def word(trial: Trial, outcome: Outcome) -> str:
    """Call an outcome what the board calls a verdict: "crisper", "slightly saltier", "alike"."""
    if outcome.verdict == "not_shown":
        return "not shown different"
    attribute = trial.attribute(outcome.attribute)
    return in_a_word(outcome.verdict or "open", attribute, up=outcome.direction > 0)


def _label(trial: Trial, outcome: Outcome) -> str:
    return trial.attribute(outcome.attribute).label.lower()


def _named(trial: Trial, outcomes: list[Outcome]) -> str:
    """Name verdicts by attribute: a few, and the number of the rest."""
    named: dict[str, list[str]] = {}
    shown = outcomes[: MOST_NAMED if len(outcomes) > MOST_NAMED + 1 else None]
    for outcome in shown:
        label = f"“{trial.variant(outcome.variant).label}”"
        named.setdefault(_label(trial, outcome), []).append(label)
    told = [f"{wording.listing(labels)} on {on}" for on, labels in named.items()]
    rest = len(outcomes) - len(shown)
    return wording.listing([*told, *[f"{wording.spelled(rest)} others"] * bool(rest)])


def _head(trial: Trial, name: Name) -> str:
    other = PROCEDURES["ranks" if trial.decision.by == "mixed" else "mixed"]
    heads: dict[Name, str] = {
        "taster": "Without one taster",
        "session": "Without one session",
        "procedure": f"By {other}",
        "ordinal": "As ordered categories",
        "position": "Without the place of the cup",
    }
    return heads[name]


def _methods(trial: Trial, influence: Influence) -> Iterator[tuple[str, str]]:
    """Say how each alternative was made, and why one was not."""
    reasons = {lost.name: lost.reason for lost in influence.not_done}
    made = dict(points("alternatives"))
    for name in NAMES:
        head = _head(trial, name)
        outcomes = [outcome for taken in influence.of(name) for outcome in taken.outcomes]
        if name not in reasons and outcomes and not _says(influence, name):
            if name == "procedure":  # which of the two decides depends on what could be
                head = "By the other procedure"
            yield f"{head}: not done.", outcomes[0].reason
        elif name not in reasons:
            yield f"{head}.", made[name]
        elif name != "taster":
            yield f"{head}: not done.", reasons[name]
