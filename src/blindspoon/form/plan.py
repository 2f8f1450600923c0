"""What the score page asks: whose cups, in which order, on which scales. Never what is in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from blindspoon.cups import Cups
from blindspoon.trial import Attribute, Scale, Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Cautions:
    """What tasters are told before the first cup, beside the usual cautions.

    Parameters
    ----------
    allergens : str
        What in the cups somebody may not tolerate: "mustard seed, garlic"; may be empty.
    consent : str
        Paragraphs of the host's own; may be empty.
    rest : str
        How long to wait between cups: "about a minute".
    """

    allergens: str = ""
    consent: str = ""
    rest: str = "about a minute"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that the pages say of a trial.

    Parameters
    ----------
    title : str
        For the host.
    food : str
        For the tasters, whom a title may tell too much: the product, or the title without one.
    attributes : tuple of Attribute
        At least one.
    sessions, tasters : tuple of str
        At least one each, in the order of trial.toml and of servings.csv.
    orders : mapping of (session, taster) to tuple of str
        Codes in the order of serving.
    cleanser : str
        May be empty.
    cautions : Cautions
    """

    title: str
    food: str
    attributes: tuple[Attribute, ...]
    sessions: tuple[str, ...]
    tasters: tuple[str, ...]
    orders: Mapping[tuple[str, str], tuple[str, ...]]
    cleanser: str
    cautions: Cautions


def make_plan(trial: Trial, served: Cups, cautions: Cautions) -> Plan:
    """Take from a trial and its servings.csv what the pages need.

    Parameters
    ----------
    trial : Trial
    served : Cups
        The rows of servings.csv, without problems.
    cautions : Cautions
    """
    rows = sorted(range(len(served)), key=lambda row: int(served.position[row]))
    orders: dict[tuple[str, str], tuple[str, ...]] = {}
    for row in rows:
        session, taster, code = served.texts(row)
        orders[session, taster] = (*orders.get((session, taster), ()), code)
    listed = [session.name for session in trial.sessions]
    found = dict.fromkeys((*listed, *served.session.texts))
    return Plan(
        title=trial.title,
        food=trial.product or trial.title,
        attributes=trial.attributes,
        sessions=tuple(name for name in found if any(name == key[0] for key in orders)),
        tasters=served.taster.texts,
        orders=orders,
        cleanser=trial.tasting.cleanser,
        cautions=cautions,
    )


def written(value: float) -> str:
    """Write a score as it stands in a ballot: with a point, and no more digits than it needs.

    Examples
    --------
    >>> written(7.0), written(6.5), written(-0.0)
    ('7', '6.5', '0')
    """
    return repr(float(value) + 0.0).removesuffix(".0")


def steps(scale: Scale) -> tuple[str, ...]:
    """Write every step of a scale; none where there are too many to be shown side by side.

    Examples
    --------
    >>> steps(Scale(low=1, high=3, step=0.5)), steps(Scale(low=0, high=100, step=1))
    (('1', '1.5', '2', '2.5', '3'), ())
    """
    return tuple(map(written, scale.side_by_side()))


def columns(count: int, widest: int = 7) -> int:
    """Give the steps rows of the same length, or nearly.

    Examples
    --------
    >>> [columns(count) for count in (5, 9, 11, 21)]
    [5, 5, 6, 7]
    """
    rows = -(-count // widest)
    return -(-count // max(rows, 1))
