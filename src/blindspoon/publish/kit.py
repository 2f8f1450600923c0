"""The files of a repeat: a page to follow, and a trial folder with everything but the scores.

What was made -> what to weigh for a jar of the reader's size.

The trial of a reader who repeats it: the same plan and rule, their own tasters and days.

The page "Do it yourself", as finished strings and then as HTML.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

import jinja2
import numpy as np

from blindspoon import wording
from blindspoon.batches import summary
from blindspoon.batches.differences import STANDARD, declares
from blindspoon.batches.entries import INGREDIENTS
from blindspoon.batches.log import Batch, BatchLog
from blindspoon.batches.strengths import ingredient
from blindspoon.batches.summary import Made
from blindspoon.charts.style import css_variables
from blindspoon.files.text_table import write_csv
from blindspoon.files.trial_toml import trial_text
from blindspoon.report import limits
from blindspoon.report.number_tables import NumberTable, blank_as_dash
from blindspoon.scores.score_table import ScoreTable
from blindspoon.serving.draw import draw
from blindspoon.serving.plan import ServingPlan
from blindspoon.serving.request import request_for
from blindspoon.sheets.printing import print_sheets
from blindspoon.trial import Session, Trial, default_tasters

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


def repeat_of(trial: Trial, table: ScoreTable) -> Trial:
    """Take over the plan, with as many tasters and sessions as there were.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable

    Returns
    -------
    Trial
        Without the host and the dates, and with a seed of its own, so that its codes and orders
        are not those of the first tasting.
    """
    seed = int.from_bytes(hashlib.sha256(f"repeat {trial.seed}".encode()).digest()[:4])
    tasting = replace(trial.tasting, tasters=default_tasters(len(table.tasters)))
    return replace(
        trial,
        host="",
        dates="",
        seed=seed,
        sessions=tuple(Session(name=name, date=None) for name in table.sessions),
        tasting=tasting,
    )


def draw_repeat(trial: Trial, made: Sequence[Recipe]) -> ServingPlan:
    """Draw codes and orders for a repeat.

    Raises
    ------
    DesignError
        If the design cannot be drawn.
    """
    request = request_for(
        trial,
        controls=trial.tasting.controls,
        warm_up=trial.tasting.warm_up,
        batches={each.variant: [jar_of(each.variant)] for each in made},
    )
    return draw(request, np.random.default_rng([trial.seed, 0]))


def jar_of(variant: str) -> str:
    """Name the reader's jar of a variant.

    Examples
    --------
    >>> jar_of("oak-leaf")
    'oak-leaf jar'
    """
    return f"{variant} jar"


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
        recipe=_page_recipe(trial, jars, jar_g) if jars else None,
        others=_page_others(trial, jars),
        serve=tuple(_serve(trial, plan)),
        orders=tuple(_orders(plan)),
        ballot=_ballot(trial),
        compare=tuple(_compare()),
    )
    template = _environment().get_template("kit.html.j2")
    light, dark = (css_variables(dark=dark) for dark in (False, True))
    return template.render(content=content, light=light, dark=dark).encode()


@cache
def _environment() -> jinja2.Environment:
    folders = ("publish/templates", "report/templates")
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
        also = summary.also_differed(what)
        if what.undeclared and also:
            label = trial.variant(what.variant).label
            yield f"“{label}” in the first trial: {also}. Avoid that, and keep it as the control."


def _page_recipe(trial: Trial, jars: Sequence[Recipe], jar_g: float) -> NumberTable:
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
    return HEADS.get(name) or f"{summary.factor_name(name).capitalize()}, g"


def _page_others(trial: Trial, jars: Sequence[Recipe]) -> NumberTable:
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
    return HEADS.get(name) or summary.factor_name(name).capitalize()


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


JAR_G = 1000.0
"""Grams that a jar holds, where the host says nothing else: about a litre."""


def kit_files(
    trial: Trial, table: ScoreTable, made: Made | None, *, jar_g: float = JAR_G
) -> dict[str, bytes]:
    """Make the files of a repeat.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
        Tells how many tasters and sessions there were.
    made : Made or None
        None where nothing was written down of the batches: there is then no batches.csv.
    jar_g : float
        Grams that a jar is to hold in all.

    Returns
    -------
    dict of str to bytes
        By path: ``do-it-yourself.html``, and a trial folder, ``trial.toml``, ``batches.csv``,
        ``servings.csv``, ``key.csv``, ``scores.csv`` with a row a cup and no score yet, and the
        sheets to print. Once scores stand in it, `compare` reads it.
    """
    again = repeat_of(trial, table)
    jars = recipes(trial, made.log, jar_g) if made else ()
    plan = draw_repeat(again, jars)
    sheets = print_sheets(again, plan, portion_g=again.tasting.portion_g)
    files = {
        "do-it-yourself.html": do_it_yourself(again, plan, jars, made, jar_g),
        "trial.toml": trial_text(again).encode(),
        "servings.csv": write_csv(plan.servings_rows()).encode(),
        "key.csv": write_csv(plan.key_rows()).encode(),
        "scores.csv": write_csv(_ballot_rows(again, plan)).encode(),
        **{f"sheets/{name}": content for name, content in sheets.items()},
    }
    return files | ({"batches.csv": write_csv(_batch_rows(jars)).encode()} if jars else {})


def _ballot_rows(trial: Trial, plan: ServingPlan) -> list[list[str]]:
    """Give each cup its row, to be keyed in from paper."""
    head, *rows = plan.servings_rows()
    session, taster, code = (head.index(name) for name in ("session", "taster", "code"))
    names = [attribute.name for attribute in trial.attributes]
    blank = [""] * (len(names) + 1)
    cups = [[row[session], row[taster], row[code], *blank] for row in rows]
    return [["session", "taster", "code", *names, "comment"], *cups]


def _batch_rows(jars: Sequence[Recipe]) -> list[list[str]]:
    """Write what is to be weighed; the days and the temperature are the reader's to fill in."""
    grams = list(dict.fromkeys(name for jar in jars for name in jar.grams))
    words = ("acid", "starter", "vessel")
    others = [name for name in words if any(name in jar.others for jar in jars)]
    own = dict.fromkeys(name for jar in jars for name in jar.others)
    others += [name for name in own if name not in (*words, "temperature_c")]
    rows = [
        [
            jar_of(jar.variant),
            jar.variant,
            *(f"{jar.grams[name]:.4g}" if name in jar.grams else "" for name in grams),
            *(jar.others.get(name, "") for name in others),
            *[""] * 4,
        ]
        for jar in jars
    ]
    days = ["started", "finished", "temperature_c", "note"]
    return [["batch", "variant", *grams, *others, *days], *rows]
