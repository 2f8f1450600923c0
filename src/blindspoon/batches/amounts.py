"""What to weigh or add: for batches as salty and sour as the control, and for a reader's jar."""

from dataclasses import dataclass, replace
from operator import truediv

from blindspoon.batches.differences import ACID, SALT, STANDARD, as_meant, declares
from blindspoon.batches.log import Batch, BatchLog
from blindspoon.batches.read import INGREDIENTS
from blindspoon.batches.strengths import acid_of, ingredient, mean_of, strengths
from blindspoon.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Amounts:
    """How a batch is brought to the control's salt and acid; grams.

    `salt_percent` and `citric_g_per_100_g` are the control's, of everything; the mean of its
    batches. `acid` is the one that the grams are of: the batch's own, else the control's; blank for
    none. Weigh them for this produce, water and sugar before anything is made, or add them once it
    is. Water only where it is too salty or too sour: what is in the jar cannot be taken out, only
    thinned, and then the other may have to follow. `near` is within the tolerance of the factors as
    it is. `declared` is "salt" or "acid" where the variant is meant to differ in it, so that
    levelling it would undo what the trial is about.
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
class NoAmounts:
    """A batch that cannot be brought to the control's strength, and why."""

    batch: str
    variant: str
    reason: str


def amounts(trial: Trial, log: BatchLog) -> tuple[Amounts | NoAmounts, ...]:
    """Work out the amounts for every batch that is not of the control.

    With salt share s, acid share a (as citric acid) and c grams of citric acid in a gram of the
    acid, a jar of T grams holds sT salt, aT/c acid and T(1 - s - a/c) of all else. Before it is
    made, T follows from all else; afterwards, it is the smallest T at which neither the salt, the
    acid nor all else in the jar is too much, and the rest is added.
    """
    control = [found for found in strengths(log) if found.variant == trial.control]
    salt, acid = mean_of(control, "salt_percent"), mean_of(control, "citric_g_per_100_g")
    target: tuple[float, float] | str = "the control has no batch"
    if control:
        blank = any(jar.salt_g and jar.water_g is None for jar in log.of_variant(trial.control))
        unknown = "the control's salt or acid is not known"
        unknown += "; write 0 where no water went in" * (blank and "water_g" in log.columns)
        target = unknown if salt is None or acid is None else (salt, acid)
    meant = as_meant(trial, log)
    return tuple(
        _amounts(meant, log, batch, target)
        for batch in log.batches
        if batch.variant != trial.control
    )


def _amounts(
    trial: Trial, log: BatchLog, batch: Batch, target: tuple[float, float] | str
) -> Amounts | NoAmounts:
    """Give the amounts of one batch, or the reason why there are none."""

    def none(reason: str) -> NoAmounts:
        return NoAmounts(batch=batch.name, variant=batch.variant, reason=reason)

    parts = [ingredient(log, batch, name) for name in ("produce", "water", "sugar")]
    salt, sour = ingredient(log, batch, "salt"), ingredient(log, batch, "acid")
    rest = sum(part for part in parts if part is not None)
    if isinstance(target, str):
        return none(target)
    if None in parts or salt is None or sour is None or not rest or "salt_g" not in log.columns:
        return none("a mass of it is not known")
    own = acid_of(batch.acid)
    if sour and not (batch.acid and own.citric_per_g):
        return none("how sour its acid is, is not known")
    controls = [acid_of(jar.acid) for jar in log.of_variant(trial.control)] if target[1] else []
    known = ((acid.name, acid.citric_per_g) for acid in (own, *controls) if acid.citric_per_g)
    name, citric_per_g = next(known, ("", 1.0))
    salt_share, acid_share = target[0] / 100, target[1] / 100 / citric_per_g
    rest_share = 1 - salt_share - acid_share
    if rest_share <= 0 or (salt > 0 and not salt_share) or (sour > 0 and not acid_share):
        lacking = "the control has none of what is too much in it"
        return none(f"{lacking}, so no addition brings them together")
    fresh, total = rest / rest_share, rest + salt + sour
    made = max(fresh, salt / (salt_share or 1.0), sour / (acid_share or 1.0))
    near_salt = SALT.alike(100 * salt / total, target[0])
    return Amounts(
        batch=batch.name,
        variant=batch.variant,
        salt_percent=target[0],
        citric_g_per_100_g=target[1],
        acid=name,
        weigh_salt_g=salt_share * fresh,
        weigh_acid_g=acid_share * fresh,
        add_salt_g=max(salt_share * made - salt, 0.0),
        add_acid_g=max(acid_share * made - sour, 0.0),
        add_water_g=max(rest_share * made - rest, 0.0),
        near=near_salt and ACID.alike(100 * sour / total * citric_per_g, target[1]),
        declared=tuple(part.name for part in (SALT, ACID) if declares(trial, batch.variant, part)),
    )


JAR_G = 1000.0  # grams that a reader's jar holds, where the host says nothing else: about a litre

MIXED = ("salt", "acid", "kind of acid", "sugar", "produce")
"""Factors of which a change shifts the shares of everything in the jar."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """One variant, for one jar.

    By column of batches.csv, `grams` are to be weighed (all together, additions of the host's own
    apart, they fill the jar), and `others` are what is not weighed (vessel, temperature, a leaf),
    as the host wrote it; where batches differ, each. `days` from start to finish and `made_g`, what
    the host's jar held in all, are means of the batches.
    """

    variant: str
    grams: dict[str, float]
    others: dict[str, str]
    days: float | None
    made_g: float


def recipes(trial: Trial, log: BatchLog, jar_g: float) -> tuple[Recipe, ...]:
    """Scale what was made to a jar.

    `jar_g` is what the reader's jar is to hold: produce, water, salt, acid and sugar together, in
    grams. In the order of the trial; a variant of which a mass is not known is left out. Several
    batches of a variant count alike: the mean of their shares is taken. What a variant is not
    meant to differ in is weighed as for the control, so that one thing changes at a time.
    """
    found = [_recipe(log, variant.name, jar_g) for variant in trial.variants]
    control, trial = found[trial.control_index], as_meant(trial, log)
    fills, scaled = {f"{name}_g" for name in INGREDIENTS}, list[Recipe]()
    for recipe in filter(None, found):
        changes = [factor for factor in STANDARD if declares(trial, recipe.variant, factor)]
        mixed = any(factor.name in MIXED for factor in changes)
        meant, grams = trial.variant(recipe.variant).differs, dict(recipe.grams)
        for name in grams:
            if control and not (mixed if name in fills else name in meant):
                grams[name] = control.grams.get(name, 0.0)
        scaled.append(replace(recipe, grams=grams))
    return tuple(scaled)


def _recipe(log: BatchLog, variant: str, jar_g: float) -> Recipe | None:
    batches = log.of_variant(variant)
    made = [found for found in strengths(log) if found.variant == variant]
    total = mean_of(made, "everything_g")
    if total is None:
        return None
    own = {name: [batch.own.get(name) for batch in batches] for name in log.own}
    weighed = {
        f"{name}_g": [ingredient(log, batch, name) or 0.0 for batch in batches]
        for name in INGREDIENTS
        if f"{name}_g" in log.columns
    }
    weighed |= {  # a mass of the host's own grows with the jar
        name: [float(value or 0.0) for value in column]
        for name, column in own.items()
        if name.endswith("_g") and not any(isinstance(value, str) for value in column)
    }
    others = {}
    for name in ("acid", "starter", "vessel", "temperature_c", *log.own):
        cells = own[name] if name in own else [getattr(batch, name) for batch in batches]
        told = [
            cell if isinstance(cell, str) else f"{cell:g}" for cell in cells if cell is not None
        ]
        if name not in weighed and any(told):
            others[name] = ", ".join(dict.fromkeys(filter(None, told)))
    totals = [found.everything_g or 0.0 for found in made]
    return Recipe(
        variant=variant,
        grams={
            name: jar_g * (sum(map(truediv, masses, totals)) / len(made))
            for name, masses in weighed.items()
        },
        others=others,
        days=mean_of(made, "fermented_days"),
        made_g=total,
    )
