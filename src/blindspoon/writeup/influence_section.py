"""What the answer hangs on: which verdicts move under which alternative."""

from __future__ import annotations

from collections.abc import Iterator

from blindspoon import wording
from blindspoon.findings.sensitivity import Influence, Name, Outcome
from blindspoon.findings.verdict import PROCEDURES, in_a_word
from blindspoon.trial import Trial
from blindspoon.wording import sentence
from blindspoon.writeup.section import PageSection
from blindspoon.writeup.writers import DASH, Table, to_csv

SAME = "the same"

MOST_NAMED = 3
"""Tasters, or verdicts, that a sentence or a cell names; more are counted."""

MOST_ROWS = 30
"""Verdicts in the table; tables/influence.csv has all."""

MOST_FIRM = 16
"""Verdicts that never move and are named; more are counted."""

COLUMNS = [
    *("alternative", "left_out", "attribute", "variant", "verdict"),
    *("direction", "difference", "p_adjusted", "changed", "reason"),
]
NAMES: tuple[Name, ...] = ("taster", "session", "procedure", "ordinal", "position")
Moves = tuple[tuple[str, Outcome], ...]


def influence_section(
    trial: Trial, influence: Influence, *, shown: bool = True
) -> PageSection | None:
    """Make the part of the page about what each verdict hangs on.

    Parameters
    ----------
    shown : bool
        Whether tasters are named, by their pseudonyms; otherwise each is "one taster".

    Returns
    -------
    PageSection or None
        None where nothing was compared.
    """
    if not influence.declared:
        return None
    primary = trial.decision.primary
    ordered = sorted(influence.declared, key=lambda outcome: outcome.attribute not in primary)
    keys = {key for name in NAMES for key in influence.moved(name)}
    moved = [outcome for outcome in ordered if outcome.key in keys]
    firm = [outcome for outcome in ordered if outcome.key not in keys]
    table = _table(trial, influence, moved, shown=shown)
    return PageSection(
        name="influence",
        head="What the answer hangs on",
        paragraphs=(
            _tasters(trial, influence, ordered, shown=shown),
            *_others(trial, firm, moved, said=any(_says(influence, name) for name in NAMES)),
        ),
        tables=() if table is None else (table,),
        points=tuple(_methods(trial, influence)),
        files=(("tables/influence.csv", influence_csv(influence, shown=shown)),),
    )


def influence_csv(influence: Influence, *, shown: bool = True) -> str:
    """One row a verdict and alternative."""
    rows = influence.to_rows(shown=shown)
    return to_csv(COLUMNS, ([row[column] for column in COLUMNS] for row in rows))


def _tasters(trial: Trial, influence: Influence, ordered: list[Outcome], *, shown: bool) -> str:
    """Say which verdicts hang on a single taster: those of primary attributes first."""
    alternatives = influence.of("taster")
    if not alternatives:
        return next(lost.reason for lost in influence.not_done if lost.name == "taster")
    moved = influence.moved("taster")
    by_many = {key for key, moves in moved.items() if 2 * len(moves) > len(alternatives)}
    by_few = {key: moves for key, moves in moved.items() if key not in by_many}
    primary = [outcome for outcome in ordered if outcome.attribute in trial.decision.primary]
    groups = [group for group in (primary, ordered[len(primary) :]) if group]
    said = [_group(trial, group, by_few, shown=shown, whole=len(groups) == 1) for group in groups]
    many = _named(trial, [outcome for outcome in ordered if outcome.key in by_many])
    is_fragile = "is fragile" if len(by_many) == 1 else "are fragile"
    numbers = (
        f"{many} {is_fragile}: leaving out any one of more than half the tasters changes "
        f"{'it' if len(by_many) == 1 else 'them'}."
    )
    return " ".join([*said, numbers] if by_many else said)


def _group(
    trial: Trial,
    group: list[Outcome],
    moved: dict[tuple[str, str], Moves],
    *,
    shown: bool,
    whole: bool,
) -> str:
    labels = dict.fromkeys(_label(trial, outcome) for outcome in group)
    place = "" if whole and len(labels) > 1 else f" on {_few([*labels])}"
    hanging = [outcome for outcome in group if outcome.key in moved]
    if not hanging:
        return f"No verdict{place} hangs on a single taster."
    if len(hanging) == 1:
        return _one(trial, hanging[0], moved[hanging[0].key], shown=shown)
    many, of = wording.spelled(len(hanging)), wording.spelled(len(group))
    said = f"{many} of the {of} verdicts{place} hang on a single taster"
    return sentence(f"{said}: {_named(trial, hanging)}")


def _one(trial: Trial, declared: Outcome, moves: Moves, *, shown: bool) -> str:
    """Say how one verdict changes without one taster or another."""
    who = _who([left_out for left_out, _ in moves], shown=shown)
    words = dict.fromkeys(_would(trial, outcome) for _, outcome in moves)
    label = trial.variant(declared.variant).label
    return f"Without {who}, “{label}” {wording.listing(words, 'or')} on {_label(trial, declared)}."


def _who(tasters: list[str], *, shown: bool) -> str:
    many = len(tasters)
    if shown and many <= MOST_NAMED:
        return wording.listing(tasters, "or")
    return "one taster" if many == 1 else f"any one of {wording.spelled(many)} tasters"


def _would(trial: Trial, outcome: Outcome) -> str:
    if outcome.verdict == "open":
        return "would not be settled"
    return f"would be {word(trial, outcome)}{' within the margin' * (outcome.verdict == 'alike')}"


def _says(influence: Influence, name: Name) -> bool:
    """Whether an alternative gave any verdict at all."""
    return any(outcome.verdict for made in influence.of(name) for outcome in made.outcomes)


def _others(
    trial: Trial, firm: list[Outcome], moved: list[Outcome], *, said: bool
) -> Iterator[str]:
    """Say what never moves, and what the table leaves out; nothing where no alternative says."""
    total = len(firm) + len(moved)
    if not said:
        return
    if not moved:
        one, all_of = "The one verdict stays", f"All {wording.spelled(total)} verdicts stay"
        yield f"{one if total == 1 else all_of} the same under every alternative below."
    elif not firm:
        yield "Every verdict moves under some alternative; the table shows which."
    else:
        yield f"These never move: {'; '.join(_firm(trial, firm))}."
    if len(moved) > MOST_ROWS:
        yield (
            f"The table shows the first {MOST_ROWS} verdicts that move; tables/influence.csv has "
            f"all {len(moved)}."
        )


def _firm(trial: Trial, firm: list[Outcome]) -> Iterator[str]:
    """List the verdicts by attribute: by name where they are few, else counted."""
    for attribute in dict.fromkeys(outcome.attribute for outcome in firm):
        here = [outcome for outcome in firm if outcome.attribute == attribute]
        names = [
            f"“{trial.variant(outcome.variant).label}” ({word(trial, outcome)})" for outcome in here
        ]
        counted = wording.count(len(here), "verdict")
        said = wording.listing(names) if len(firm) <= MOST_FIRM else counted
        yield f"on {_label(trial, here[0])}, {said}"


def _table(
    trial: Trial, influence: Influence, moved: list[Outcome], *, shown: bool
) -> Table | None:
    """Set the verdicts that move against the alternatives that were taken."""
    if not moved:
        return None
    taken = [name for name in NAMES if influence.of(name)]
    rows = []
    for outcome in moved[:MOST_ROWS]:
        cells = [_cell(trial, influence, name, outcome, shown=shown) for name in taken]
        head = f"{trial.variant(outcome.variant).label}, {_label(trial, outcome)}"
        rows.append((head, (word(trial, outcome), *cells)))
    return Table(
        name="moves",
        caption="Verdicts that move",
        head="Variant and attribute",
        columns=("As declared", *(_head(trial, name) for name in taken)),
        rows=tuple(rows),
        stacked=True,
        quiet=SAME,
    )


def _cell(trial: Trial, influence: Influence, name: Name, declared: Outcome, *, shown: bool) -> str:
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
            without = f" without {_who(names, shown=shown)}"
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


def _few(items: list[str]) -> str:
    """List a few, and count the rest."""
    if len(items) <= MOST_NAMED + 1:
        return wording.listing(items)
    return wording.listing(
        [*items[:MOST_NAMED], f"{wording.spelled(len(items) - MOST_NAMED)} others"]
    )


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
    for name in NAMES:
        silent = [outcome.reason for made in influence.of(name) for outcome in made.outcomes]
        if name not in reasons and silent and not _says(influence, name):
            yield f"{_SILENT.get(name, _head(trial, name))}: not done.", silent[0]
        elif name not in reasons:
            yield f"{_head(trial, name)}.", _MADE[name]
        elif name != "taster":
            yield f"{_head(trial, name)}: not done.", reasons[name]


_SILENT: dict[Name, str] = {"procedure": "By the other procedure"}
"""Heads of alternatives without a verdict; which procedure decides depends on what could be."""


_MADE: dict[Name, str] = {
    "taster": "The comparison that decides, made again without each taster in turn, by the same "
    "rule (leaving out one case at a time: R. D. Cook, 1977, Technometrics 19:15–18). Fewer "
    "scores make an interval wider. A verdict that moves without any one of many tasters hangs "
    "on how many there were, and one that moves without a certain taster hangs on that taster.",
    "session": "The same, without each session in turn.",
    "procedure": "What the comparison that does not decide says of the same scores.",
    "ordinal": "The scores taken as steps of which only the order counts (cumulative logit model: "
    "P. McCullagh, 1980, J. R. Stat. Soc. B 42:109–142). It can show a difference, and never "
    "that there is none worth minding, so “alike” and “not settled” stand unless it shows one. It "
    "allows for tasters who score high or low, not for those who see one variant otherwise, and so "
    "over several sessions it shows one too readily.",
    "position": "The mixed model, made again without the place of the cup in its order.",
}
