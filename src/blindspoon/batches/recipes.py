"""What was made -> what to weigh for a jar of the reader's size."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from blindspoon.batches.differences import STANDARD, declares
from blindspoon.batches.log import Batch, BatchLog
from blindspoon.batches.strengths import ingredient
from blindspoon.batches.units import INGREDIENTS
from blindspoon.trial import Trial

MIXED = ("salt", "acid", "kind of acid", "sugar", "produce")
"""Factors of which a change shifts the shares of everything in the jar."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """One variant, for one jar.

    Parameters
    ----------
    variant : str
    grams : mapping of str to float
        By column of batches.csv: what to weigh, in grams. All of them together, additions of the
        host's own apart, fill the jar.
    others : mapping of str to str
        By column of batches.csv: what is not weighed (vessel, temperature, a leaf), as the host
        wrote it; where batches differ, each.
    days : float or None
        Started to finished, the mean of the batches.
    made_g : float
        What the host's jar of this variant held in all; the mean of the batches.
    """

    variant: str
    grams: dict[str, float]
    others: dict[str, str]
    days: float | None
    made_g: float


def recipes(trial: Trial, log: BatchLog, jar_g: float) -> tuple[Recipe, ...]:
    r"""Scale what was made to a jar.

    Parameters
    ----------
    trial : Trial
    log : BatchLog
    jar_g : float
        Grams that the reader's jar is to hold: produce, water, salt, acid and sugar together.

    Returns
    -------
    tuple of Recipe
        In the order of the trial; a variant of which a mass is not known is left out. Several
        batches of a variant count alike: the mean of their shares is taken. What a variant is
        not meant to differ in is weighed as for the control, so that one thing changes at a time.

    Examples
    --------
    >>> from blindspoon.batches.read import build_log
    >>> from blindspoon.files.text_table import read_table
    >>> from blindspoon.files.trial_toml import parse_trial
    >>> trial = parse_trial('''
    ... trial = { title = "Crisp cucumbers", control = "plain" }
    ... scale = { low = 0, high = 10 }
    ... attribute = [{ name = "texture" }]
    ... variant = [{ name = "plain" }, { name = "oak" }]
    ... ''')
    >>> rows = b"batch,variant,produce_g,water_g,salt_g,tannin_g\na,plain,500,475,25,2\n"
    >>> log, _ = build_log(trial, read_table(rows, "batches.csv"))
    >>> made, = recipes(trial, log, 500)
    >>> made.grams
    {'produce_g': 250.0, 'water_g': 237.5, 'salt_g': 12.5, 'tannin_g': 1.0}
    """
    found = [_recipe(log, variant.name, jar_g) for variant in trial.variants]
    control = found[trial.control_index]
    return tuple(
        recipe if control is None else _like_the_control(trial, recipe, control)
        for recipe in found
        if recipe is not None
    )


def _like_the_control(trial: Trial, recipe: Recipe, control: Recipe) -> Recipe:
    """Take the control's grams of what the variant is not meant to differ in."""
    fills = {f"{name}_g" for name in INGREDIENTS}
    mixed = any(
        factor.name in MIXED and declares(trial, recipe.variant, factor) for factor in STANDARD
    )
    meant = trial.variant(recipe.variant).differs
    own = {name for name in recipe.grams if (mixed if name in fills else name in meant)}
    grams = {
        name: (recipe if name in own else control).grams.get(name, 0.0) for name in recipe.grams
    }
    return replace(recipe, grams=grams)


def _recipe(log: BatchLog, variant: str, jar_g: float) -> Recipe | None:
    batches = log.of_variant(variant)
    totals = [_total(log, batch) for batch in batches]
    known = [total for total in totals if total is not None]
    if not batches or len(known) < len(batches):
        return None
    names = [f"{name}_g" for name in INGREDIENTS if f"{name}_g" in log.columns]
    names += [name for name in log.own if _weighed(name, batches)]
    return Recipe(
        variant=variant,
        grams={
            name: jar_g
            * _mean([_mass(log, b, name) / t for b, t in zip(batches, known, strict=True)])
            for name in names
        },
        others=dict(_others(log, batches, names)),
        days=_days(batches),
        made_g=_mean(known),
    )


def _total(log: BatchLog, batch: Batch) -> float | None:
    """Sum what fills the jar; None where a part is not known."""
    parts = [ingredient(log, batch, name) for name in INGREDIENTS]
    known = [part for part in parts if part is not None]
    return sum(known) if len(known) == len(parts) and sum(known) > 0 else None


def _weighed(name: str, batches: Sequence[Batch]) -> bool:
    """Whether a factor of the host's own is a mass, so that it grows with the jar."""
    return name.endswith("_g") and all(
        isinstance(batch.own.get(name, 0.0), float | int) for batch in batches
    )


def _mass(log: BatchLog, batch: Batch, name: str) -> float:
    if name in log.own:
        return float(batch.own.get(name, 0.0))
    return ingredient(log, batch, name.removesuffix("_g")) or 0.0


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _others(
    log: BatchLog, batches: Sequence[Batch], weighed: Sequence[str]
) -> Iterator[tuple[str, str]]:
    for name in ("acid", "starter", "vessel", "temperature_c", *log.own):
        if name not in weighed:
            values = [
                batch.own.get(name) if name in log.own else getattr(batch, name)
                for batch in batches
            ]
            told = dict.fromkeys(_shown(value) for value in values if value not in (None, ""))
            if told:
                yield name, ", ".join(told)


def _shown(value: float | str | None) -> str:
    return f"{value:g}" if isinstance(value, float | int) else str(value)


def _days(batches: Sequence[Batch]) -> float | None:
    spans = [
        float((batch.finished - batch.started).days)
        for batch in batches
        if batch.started is not None and batch.finished is not None
    ]
    return _mean(spans) if len(spans) == len(batches) else None
