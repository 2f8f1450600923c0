"""Every verdict judged another way, and whether it is another verdict then."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

from blindspoon.compare.results import NoResult
from blindspoon.verdict import Kind

if TYPE_CHECKING:
    from blindspoon.compare.ordinal import OrdinalFit

ONE_TASTER = "one taster"

Name = Literal["taster", "session", "procedure", "ordinal", "position"]
Word = Kind | Literal["not_shown"]
Record = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One variant on one attribute, judged another way.

    Parameters
    ----------
    attribute, variant : str
        Names.
    verdict : {"different", "slight", "alike", "open", "not_shown"} or None
        "not_shown" is what ordered categories say where they show no difference; None where
        the alternative gives nothing to be judged.
    direction : {-1, 0, 1}
        Of a difference that is shown; otherwise 0.
    difference, p_adjusted : float or None
        In points, variant minus control; None where there is no such number.
    changed : bool
        Whether the verdict, or the direction of a difference, is another than declared.
    reason : str
        Why there is no result; otherwise empty.
    """

    attribute: str
    variant: str
    verdict: Word | None
    direction: int
    difference: float | None
    p_adjusted: float | None
    changed: bool
    reason: str

    @property
    def key(self) -> tuple[str, str]:
        """Attribute and variant."""
        return self.attribute, self.variant


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """The trial analysed another way.

    Parameters
    ----------
    name : {"taster", "session", "procedure", "ordinal", "position"}
        Without one taster; without one session; by the procedure that does not decide; the
        scores as ordered categories; without the place of the cup in the model.
    left_out : str
        The taster or the session; otherwise empty.
    outcomes : tuple of Outcome
        One a verdict that the alternative speaks of, in their order.
    """

    name: Name
    left_out: str
    outcomes: tuple[Outcome, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NotDone:
    """An alternative that was not taken, and why, as a sentence with its full stop."""

    name: Name
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """What the verdicts hang on.

    Parameters
    ----------
    declared : tuple of Outcome
        The verdicts as they stand.
    alternatives : tuple of Alternative
        Tasters first, in the order of ``ScoreTable.tasters``, then sessions, then methods.
    not_done : tuple of NotDone
    ordinal : tuple of (str, OrdinalFit or NoResult)
        The scores of each attribute with a verdict as ordered categories.
    variants : tuple of str
        Names of the trial's variants, in their order.
    """

    declared: tuple[Outcome, ...]
    alternatives: tuple[Alternative, ...]
    not_done: tuple[NotDone, ...]
    ordinal: tuple[tuple[str, OrdinalFit | NoResult], ...]
    variants: tuple[str, ...]

    def of(self, name: Name) -> tuple[Alternative, ...]:
        """Select the alternatives of one kind."""
        return tuple(each for each in self.alternatives if each.name == name)

    def moved(self, name: Name) -> dict[tuple[str, str], tuple[tuple[str, Outcome], ...]]:
        """Collect what one kind of alternative changes.

        Returns
        -------
        dict
            For each attribute and variant that moves, who or what was left out, and the outcome.
        """
        found: dict[tuple[str, str], tuple[tuple[str, Outcome], ...]] = {}
        for each in self.of(name):
            for outcome in each.outcomes:
                if outcome.changed:
                    found[outcome.key] = (*found.get(outcome.key, ()), (each.left_out, outcome))
        return found

    def to_rows(self, *, shown: bool = True) -> list[Record]:
        """Write one flat row an outcome.

        Parameters
        ----------
        shown : bool
            Whether tasters are named. If not, all are "one taster", and their rows are sorted by
            what they say, so that the order names nobody either.
        """
        rows = [
            {"alternative": each.name, "left_out": each.left_out or None, **asdict(outcome)}
            for each in self.alternatives
            for outcome in each.outcomes
        ]
        return rows if shown else _nameless(rows)

    def to_record(self, *, shown: bool = True) -> Record:
        """Write everything for JSON; `shown` as in `to_rows`."""
        return {
            "outcomes": [_with_reason(row) for row in self.to_rows(shown=shown)],
            "not_done": [
                {"alternative": each.name, "reason": each.reason} for each in self.not_done
            ],
            "ordinal": [
                {"attribute": attribute, **_fit_record(fit, self.variants)}
                for attribute, fit in self.ordinal
            ],
        }


def _nameless(rows: list[Record]) -> list[Record]:
    tasters = [row | {"left_out": ONE_TASTER} for row in rows if row["alternative"] == "taster"]
    tasters.sort(key=lambda row: [str(cell) for cell in row.values()])
    return [*tasters, *(row for row in rows if row["alternative"] != "taster")]


def _with_reason(row: Record) -> Record:
    """Set the reason beside what it explains, and only where there is one."""
    reason = row.pop("reason")
    return row | ({"verdict_reason": reason} if reason else {})


def _fit_record(fit: OrdinalFit | NoResult, variants: tuple[str, ...]) -> Record:
    """Write the cumulative logit model of one attribute."""
    if isinstance(fit, NoResult):
        return {"fit": None, "fit_reason": fit.reason}
    contrasts = [
        {
            "variant": variants[each.variant],
            "log_odds": each.log_odds,
            "se": each.se,
            "z": each.z,
            "p_value": each.p_value,
            "p_adjusted": each.p_adjusted,
            "interval": [each.interval.low, each.interval.high],
        }
        for each in fit.contrasts
    ]
    whole = {
        "levels": list(fit.levels),
        "grouped": fit.grouped,
        "thresholds": list(fit.thresholds),
        "taster_sd": fit.taster_sd,
        "log_likelihood": fit.log_likelihood,
    }
    return {"fit": whole | {"contrasts": contrasts}}
