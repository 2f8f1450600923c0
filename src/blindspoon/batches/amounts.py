"""What to weigh, or to add, so that every batch is as salty and sour as the control."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from blindspoon.batches.differences import ACID, SALT, declares
from blindspoon.batches.log import Batch, BatchLog, BatchResult
from blindspoon.batches.strengths import Acid, Strengths, acid_of, ingredient, strengths
from blindspoon.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Amounts(BatchResult):
    """How a batch is brought to the control's salt and acid; grams.

    Parameters
    ----------
    batch, variant : str
    salt_percent, citric_g_per_100_g : float
        The control's, as % and g in 100 g of everything; the mean of its batches.
    acid : str
        In which acid the grams are: the batch's own, else the control's; blank for none.
    weigh_salt_g, weigh_acid_g : float
        All the salt and acid for this produce, water and sugar, before anything is made.
    add_salt_g, add_acid_g, add_water_g : float
        What to add once it is made. Water only where it is too salty or too sour: what is in the
        jar cannot be taken out, only thinned, and then the other may have to follow.
    near : bool
        Whether salt and acid are within the tolerance of the factors of that name as it is.
    declared : tuple of str
        "salt", "acid": the variant is meant to differ in it, so that levelling it would undo
        what the trial is about.
    """

    batch: str
    variant: str
    salt_percent: float
    citric_g_per_100_g: float
    acid: str
    weigh_salt_g: float
    weigh_acid_g: float
    add_salt_g: float
    add_acid_g: float
    add_water_g: float
    near: bool
    declared: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoAmounts(BatchResult):
    """A batch that cannot be brought to the control's strength, and why."""

    batch: str
    variant: str
    reason: str


def amounts(trial: Trial, log: BatchLog) -> tuple[Amounts | NoAmounts, ...]:
    """Work out the amounts for every batch that is not of the control.

    Parameters
    ----------
    trial : Trial
    log : BatchLog

    Returns
    -------
    tuple of Amounts or NoAmounts
        In the order of the log.

    Notes
    -----
    With salt share s, acid share a (as citric acid) and c grams of citric acid in a gram of the
    acid, a jar of T grams holds sT salt, aT/c acid and T(1 - s - a/c) of all else. Before it is
    made, T follows from all else; afterwards, it is the smallest T at which neither the salt, the
    acid nor all else in the jar is too much, and the rest is added.
    """
    found = {known.batch: known for known in strengths(log)}
    target = _target(found[batch.name] for batch in log.of_variant(trial.control))
    return tuple(
        _amounts(trial, log, batch, target)
        for batch in log.batches
        if batch.variant != trial.control
    )


def _target(control: Iterable[Strengths]) -> tuple[float, float] | str:
    """Salt % and citric g in 100 g of the control; a reason where they are not known."""
    pairs = [(batch.salt_percent, batch.citric_g_per_100_g) for batch in control]
    known = [(salt, acid) for salt, acid in pairs if salt is not None and acid is not None]
    if not pairs:
        return "the control has no batch"
    if len(known) < len(pairs):
        return "the control's salt or acid is not known"
    salts, acids = zip(*known, strict=True)
    return sum(salts) / len(known), sum(acids) / len(known)


def _amounts(
    trial: Trial, log: BatchLog, batch: Batch, target: tuple[float, float] | str
) -> Amounts | NoAmounts:
    def none(reason: str) -> NoAmounts:
        return NoAmounts(batch=batch.name, variant=batch.variant, reason=reason)

    if isinstance(target, str):
        return none(target)
    parts = [ingredient(log, batch, name) for name in ("produce", "water", "sugar")]
    salt, sour_g = ingredient(log, batch, "salt"), ingredient(log, batch, "acid")
    rest = sum(part for part in parts if part is not None)
    if None in parts or salt is None or sour_g is None or not rest or "salt_g" not in log.columns:
        return none("a mass of it is not known")
    acid = _acid(trial, log, batch, sour_g, target[1])
    if isinstance(acid, str):
        return none(acid)
    return _solve(trial, batch, (rest, salt, sour_g), target, acid) or none(
        "the control has none of what is too much in it, so no addition brings them together"
    )


def _acid(trial: Trial, log: BatchLog, batch: Batch, grams: float, wanted: float) -> Acid | str:
    """Choose the acid that the grams are of; a reason where its strength is not known."""
    own = acid_of(batch.acid)
    if grams and (not batch.acid or not own.citric_per_g):
        return "how sour its acid is, is not known"
    if own.citric_per_g:
        return own
    if not wanted:
        return Acid(name="", citric_per_g=1.0)
    controls = (acid_of(jar.acid) for jar in log.of_variant(trial.control))
    return next(acid for acid in controls if acid.citric_per_g)


def _solve(
    trial: Trial,
    batch: Batch,
    masses: tuple[float, float, float],
    target: tuple[float, float],
    acid: Acid,
) -> Amounts | None:
    rest, salt, sour_g = masses
    salt_share, acid_share = target[0] / 100, target[1] / 100 / (acid.citric_per_g or 1.0)
    rest_share = 1 - salt_share - acid_share
    if rest_share <= 0 or (salt > 0 and not salt_share) or (sour_g > 0 and not acid_share):
        return None
    fresh = rest / rest_share
    total = rest + salt + sour_g
    made = max(fresh, *_totals(((salt, salt_share), (sour_g, acid_share))))
    return Amounts(
        batch=batch.name,
        variant=batch.variant,
        salt_percent=target[0],
        citric_g_per_100_g=target[1],
        acid=acid.name,
        weigh_salt_g=salt_share * fresh,
        weigh_acid_g=acid_share * fresh,
        add_salt_g=max(salt_share * made - salt, 0.0),
        add_acid_g=max(acid_share * made - sour_g, 0.0),
        add_water_g=max(rest_share * made - rest, 0.0),
        near=SALT.alike(100 * salt / total, target[0])
        and ACID.alike(100 * sour_g / total * (acid.citric_per_g or 1.0), target[1]),
        declared=tuple(part.name for part in (SALT, ACID) if declares(trial, batch.variant, part)),
    )


def _totals(parts: Iterable[tuple[float, float]]) -> Iterator[float]:
    """Smallest total at which a part is not more than its share; 0 where there is none of it."""
    return (mass / share if share else 0.0 for mass, share in parts)
