"""What was made -> what to weigh for a jar of the reader's size."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from blindspoon.batches.differences import STANDARD, declares
from blindspoon.batches.log import Batch, BatchLog
from blindspoon.batches.strengths import ingredient, strengths
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

    `jar_g` is what the reader's jar is to hold: produce, water, salt, acid and sugar together, in
    grams. In the order of the trial; a variant of which a mass is not known is left out. Several
    batches of a variant count alike: the mean of their shares is taken. What a variant is not
    meant to differ in is weighed as for the control, so that one thing changes at a time.

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
    made = [found for found in strengths(log) if found.variant == variant]
    totals = [found.everything_g for found in made if found.everything_g is not None]
    days = [found.fermented_days for found in made if found.fermented_days is not None]
    if not batches or len(totals) < len(batches):
        return None
    names = [f"{name}_g" for name in INGREDIENTS if f"{name}_g" in log.columns]
    names += [name for name in log.own if _is_mass(name, batches)]
    filled = list(zip(batches, totals, strict=True))
    return Recipe(
        variant=variant,
        grams={
            name: jar_g * _mean([_mass(log, batch, name) / total for batch, total in filled])
            for name in names
        },
        others=dict(_others(log, batches, names)),
        days=_mean(days) if len(days) == len(batches) else None,
        made_g=_mean(totals),
    )


def _is_mass(name: str, batches: Sequence[Batch]) -> bool:
    """Whether a factor of the host's own is a mass, so that it grows with the jar."""
    values = [batch.own.get(name) for batch in batches]
    return name.endswith("_g") and not any(isinstance(value, str) for value in values)


def _mass(log: BatchLog, batch: Batch, name: str) -> float:
    if name in log.own:
        return float(batch.own.get(name, 0.0))
    return ingredient(log, batch, name.removesuffix("_g")) or 0.0


def _others(
    log: BatchLog, batches: Sequence[Batch], weighed: Sequence[str]
) -> Iterator[tuple[str, str]]:
    """Give what is not weighed as the host wrote it, each value once."""
    for name in ("acid", "starter", "vessel", "temperature_c", *log.own):
        if name not in weighed:
            own = name in log.own
            values = [batch.own.get(name) if own else getattr(batch, name) for batch in batches]
            known = [value for value in values if value not in (None, "")]
            told = [value if isinstance(value, str) else f"{value:g}" for value in known]
            if told:
                yield name, ", ".join(dict.fromkeys(told))


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)
