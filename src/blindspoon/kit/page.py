"""The page "Do it yourself", as finished strings and then as HTML."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import jinja2

from blindspoon import blame, charts, wording
from blindspoon.kit.recipe import Recipe
from blindspoon.made import Made
from blindspoon.report import limits
from blindspoon.report.numbers import NumberTable, blank_as_dash
from blindspoon.serving import ServingPlan
from blindspoon.trial import Trial

NOT_A_RECIPE = (
    "The amounts are those that were weighed for this trial, brought to the size of your jar. "
    "Nobody tested them for safety. Keep to a tested recipe where the two differ."
)
HEADS = {
    "produce_g": "Produce, g",
    "water_g": "Water, g",
    "salt_g": "Salt, g",
    "acid_g": "Acid, g",
    "sugar_g": "Sugar, g",
    "temperature_c": "°C",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Instructions:
    """Everything that the page says, in the order of reading."""

    title: str
    lead: str
    cautions: tuple[tuple[str, str], ...]
    make: tuple[str, ...]
    recipe: NumberTable | None
    others: NumberTable
    serve: tuple[str, ...]
    orders: tuple[NumberTable, ...]
    ballot: NumberTable
    compare: tuple[str, ...]


def do_it_yourself(
    trial: Trial, plan: ServingPlan, jars: Sequence[Recipe], made: Made | None, jar_g: float
) -> bytes:
    """Write the page; it needs no other file, no network and no script.

    Parameters
    ----------
    trial : Trial
        The repeat's.
    plan : ServingPlan
        Drawn for it.
    jars : sequence of Recipe
        May be empty, where no masses were written down.
    made : Made or None
        For what else differed, and the cautions.
    jar_g : float
    """
    content = Instructions(
        title=f"Do it yourself: {trial.title}",
        lead=(
            "Everything that is needed to make the variants, taste them blind and find out whether "
            "what was found holds in your kitchen too."
        ),
        cautions=limits.cautions(made),
        make=tuple(_make(trial, jars, made, jar_g)),
        recipe=_recipe(trial, jars, jar_g) if jars else None,
        others=_others(trial, jars),
        serve=tuple(_serve(trial, plan)),
        orders=tuple(_orders(plan)),
        ballot=_ballot(trial),
        compare=tuple(_compare()),
    )
    template = _environment().get_template("kit.html.j2")
    light, dark = (charts.css_variables(dark=dark) for dark in (False, True))
    return template.render(content=content, light=light, dark=dark).encode()


@cache
def _environment() -> jinja2.Environment:
    folders = ("kit/templates", "report/templates")
    return jinja2.Environment(
        loader=jinja2.ChoiceLoader([jinja2.PackageLoader("blindspoon", each) for each in folders]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _make(trial: Trial, jars: Sequence[Recipe], made: Made | None, jar_g: float) -> Iterator[str]:
    control = trial.variant(trial.control).label
    yield (
        "Make the variants side by side from one lot of produce, so that all are ready on the day "
        f"of the tasting. “{control}” is the control: the others are it with one thing changed."
    )
    if jars:
        size = wording.grams(jar_g)
        yield f"For jars that hold {size} in all; double everything for one of twice the size."
        yield (
            "What a variant is not meant to differ in is weighed as for the control, though the "
            "first jars differed a little."
        )
        yield NOT_A_RECIPE
    else:
        yield "No masses were written down, so there is nothing to scale; the methods are below."
    for what in made.differs if made else ():
        also = blame.also_differed(what)
        if what.undeclared and also:
            label = trial.variant(what.variant).label
            yield f"“{label}” in the first trial: {also}. Avoid that, and keep it as the control."


def _recipe(trial: Trial, jars: Sequence[Recipe], jar_g: float) -> NumberTable:
    names = dict.fromkeys(name for jar in jars for name in jar.grams)
    used = [name for name in names if any(jar.grams.get(name) for jar in jars)]
    rows = tuple(
        (
            trial.variant(jar.variant).label,
            blank_as_dash(wording.kitchen(jar.grams.get(name, 0.0)) for name in used),
        )
        for jar in jars
    )
    return NumberTable(
        name="recipe",
        caption=f"To weigh for a jar of {wording.grams(jar_g)}",
        head="Variant",
        columns=tuple(_head(name) for name in used),
        rows=rows,
    )


def _head(name: str) -> str:
    return HEADS.get(name) or f"{blame.factor_name(name).capitalize()}, g"


def _others(trial: Trial, jars: Sequence[Recipe]) -> NumberTable:
    """Show the methods, and what is not weighed as it was in the first jars."""
    by_variant = {jar.variant: jar for jar in jars}
    names = list(dict.fromkeys(name for jar in jars for name in jar.others))
    rows = []
    for variant in trial.variants:
        jar = by_variant.get(variant.name)
        days = "" if jar is None or jar.days is None else wording.count(round(jar.days), "day")
        held = "" if jar is None else wording.grams(jar.made_g)
        own = [jar.others.get(name, "") if jar else "" for name in names]
        rows.append((variant.label, blank_as_dash([variant.method, held, days, *own])))
    return NumberTable(
        name="methods",
        caption="How the first jars were made",
        head="Variant",
        columns=("Method", "The jar held", "Time", *(_plain_head(name) for name in names)),
        rows=tuple(rows),
    )


def _plain_head(name: str) -> str:
    return HEADS.get(name) or blame.factor_name(name).capitalize()


def _serve(trial: Trial, plan: ServingPlan) -> Iterator[str]:
    request, tasting = plan.request, trial.tasting
    people = wording.count(len(request.tasters), "taster")
    sittings = wording.count(len(request.sessions), "sitting")
    yield (
        f"{people} and {sittings}, as in the first trial; each gets "
        f"{wording.count(request.cups, 'cup')} a sitting. Fewer tasters show less."
    )
    rest = f"with {tasting.rest} between cups"
    between = f"{tasting.cleanser} and {tasting.rest} between cups" if tasting.cleanser else rest
    yield (
        f"Whoever pours does not taste. Cups stand from left to right in the order of the table, "
        f"each under its code; {between}."
    )
    yield (
        "Codes and orders are drawn for you in servings.csv and key.csv, and the sheets folder has "
        "the pouring sheet, tray cards, labels and ballots to print. Nobody who tastes may see "
        "key.csv or the pouring sheet. For codes that nobody else has, delete servings.csv and "
        "key.csv, change the seed in trial.toml and run “blindspoon blind” on this folder."
    )


def _orders(plan: ServingPlan) -> Iterator[NumberTable]:
    """List each session's codes by taster, in serving order."""
    head, *rows = plan.servings_rows()
    at = {name: head.index(name) for name in head}
    for session in plan.request.sessions:
        of_session = [row for row in rows if row[at["session"]] == session]
        told: dict[str, list[str]] = {}
        for row in sorted(of_session, key=lambda row: int(row[at["position"]])):
            told.setdefault(row[at["taster"]], []).append(row[at["code"]])
        places = max(map(len, told.values()), default=0)
        yield NumberTable(
            name=f"orders-{session}",
            caption=f"Session {session}: codes in serving order",
            head="Taster",
            columns=tuple(f"Cup {place}" for place in range(1, places + 1)),
            rows=tuple((taster, blank_as_dash(codes)) for taster, codes in told.items()),
        )


def _ballot(trial: Trial) -> NumberTable:
    rows = tuple(
        (
            attribute.label,
            blank_as_dash(
                [
                    f"{wording.plain(attribute.scale.low)} {attribute.low}".strip(),
                    f"{wording.plain(attribute.scale.high)} {attribute.high}".strip(),
                    wording.plain(attribute.scale.step) if attribute.scale.step else "any number",
                    wording.margin(attribute),
                ]
            ),
        )
        for attribute in trial.attributes
    )
    return NumberTable(
        name="ballot",
        caption="What is scored of every cup",
        head="Attribute",
        columns=("From", "To", "Steps", "Margin that matters"),
        rows=rows,
    )


def _compare() -> Iterator[str]:
    yield (
        "Key the ballots into scores.csv, which has a row for every cup, or let phones do it with "
        "“blindspoon collect --lan” on this folder. Write into batches.csv what you really "
        "weighed, the days and the temperature."
    )
    yield (
        "“blindspoon compare” on this folder tells what your kitchen found; with the folder “data” "
        "of the first trial beside it, what both found together. “blindspoon report” writes it up."
    )
