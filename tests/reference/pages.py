"""Tables of the documentation, made from the code: columns of the trial folder, batches, JSON."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial

from blindspoon.batches import cautions as safety
from blindspoon.batches.differences import SHARE, STANDARD, BatchFactor
from blindspoon.batches.log import DENSITY, GRAMS, MILLILITRES
from blindspoon.batches.strengths import EQUIVALENT_MASS, acid_of
from blindspoon.files import schema
from blindspoon.writeup import asked_columns
from blindspoon.writeup import columns as result_columns
from blindspoon.writeup.writers import Column

LEAST, MOST = safety.SALT_RANGE
FERMENTED = "produce without added acid,"

WHEN: dict[str, str] = {
    "ph-not-read": "no pH up to the first day of tasting",
    "ph-above-limit": f"the last pH before the first cup is above {safety.PH_LIMIT:g}",
    "ph-not-falling": f"it began above {safety.PH_LIMIT:g} and did not fall",
    "ph-rising": f"the last is more than {safety.PH_RISE:g} above the lowest",
    "ph-read-early": f"the last pH is more than {safety.FRESH_DAYS} days older than the tasting",
    "salt-low": f"{FERMENTED} below {LEAST:g} % of produce and water",
    "salt-high": f"{FERMENTED} above {MOST:g} %",
    "unsalted": f"{FERMENTED} no salt",
    "alcohol": f"{safety.ALCOHOL_LIMIT:g} % vol or more, at most",
    "pressure": "always; names jars whose vessel closes (clip, screw, bottle ...)",
    "vacuum": "a vessel that is a bag, or a vessel or note that says vacuum",
    "mould": "always; names jars with a note of mould, slime or a smell",
    "allergens": "always",
    "local-rules": "always",
}


def fill(text: str) -> str:
    """Put the tables into a page, between their marks."""

    def between(mark: re.Match[str]) -> str:
        name = mark[1]
        made = "\n".join(MADE[name]())
        return f"<!--{name}-->\n\n{made}\n\n<!--/{name}-->"

    return re.sub(r"<!--(\w+)-->\n.*?<!--/\1-->", between, text, flags=re.DOTALL)


def units() -> Iterator[str]:
    for unit, grams in GRAMS.items():
        if unit != "g":
            source = ", NIST Handbook 44" if unit in ("oz", "lb") else ""
            yield f"- `..._{unit}` to `..._g`: {grams:.12g} g{source}"
    yield "- `temperature_f` to `temperature_c`: (°F − 32) / 1.8"
    for name, density in DENSITY.items():
        exact = ("ml", "l", "qt") if name == "water" else ()
        rough = [unit for unit in MILLILITRES if unit not in exact]
        for kind, note in ((exact, ""), (rough, ", with a note")):
            if kind:
                columns = ", ".join(f"`{name}_{unit}`" for unit in kind)
                yield f"- {columns} to `{name}_g`: {density:.3g} g/ml{note}"


def acids() -> Iterator[str]:
    pure = [name for name in EQUIVALENT_MASS if name != "acetic acid"]
    for name in (*pure, "lactic acid 80 %", "vinegar 5 %", "none"):
        citric = acid_of(name).citric_per_g
        assert citric is not None
        yield f"- {name}: {citric:.3f} g"


def factors() -> Iterator[str]:
    yield "| factor | alike up to | declared in `differs` as |\n| --- | --- | --- |"
    for factor in STANDARD:
        names = ", ".join(f"`{name}`" for name in (factor.name, *factor.also))
        yield f"| {factor.name} | {_room(factor)} | {names} |"
    own = "your own column, numbers with a unit (`calcium_g`, `cut_mm`)"
    yield f"| {own} | {100 * SHARE:g} % of the larger | its name |"
    yield "| your own column, all else | the same | its name |"


def _room(factor: BatchFactor) -> str:
    unit = "percentage points" if factor.unit == "%" else factor.unit
    return f"{factor.tolerance:g} {unit}" if factor.tolerance else "the same words"


def cautions() -> Iterator[str]:
    for kind in safety.CAUTIONS:
        yield f"- `{kind}`: {WHEN[kind]}"


def columns(table: str) -> Iterator[str]:
    for column in TABLES[table]:
        if column.read != "never" and column.name != "session":
            told = HOLDS.get(column.kind, ""), NEEDED.get(column.needed, "")
            said = "; ".join(filter(None, told))
            name = f"**`{column.name}`**" if column.needed == "always" else f"`{column.name}`"
            yield f"- {name}{f' ({said})' if said else ''}: {column.meaning}"


HOLDS = {  # of others the page says it, or the column's own name
    "name": "name",
    "made": "name of a batch in batches.csv",
    "position": f"whole number from 1 to {schema.POSITION_LIMIT}",
    "score": "number on the scale",
    "date": "year-month-day",
    "count": "whole number from 0 to 1,000,000",
    "yes-no": "yes or no",
    "kind": "same or different, or a or not-a",
}
NEEDED = {
    "coded": "needed with codes",
    "uncoded": "needed without codes",
    "per taster": "needed with codes per taster",
    "several sets": "needed with several sets",
    "two kinds": "needed without codes",
}

_CHOSEN = {column.name: column for column in (*schema.CHOICE_COUNTS, *schema.CHOICES_KNOWN)}
TABLES = {
    "scores.csv": (*schema.SCORES, schema.ATTRIBUTE),
    "servings.csv": schema.SERVINGS,
    "key.csv": schema.KEY,
    "choices.csv": (
        *(
            column._replace(needed="coded" if column.name == "answer" else column.needed)
            for column in schema.CHOICES
        ),
        *(_CHOSEN[name]._replace(needed="uncoded") for name in ("variant", "right")),
        _CHOSEN["served"],
        _CHOSEN["tests"]._replace(needed="never"),
    ),
    "batches.csv": schema.BATCHES,
    "readings.csv": schema.READINGS,
    "corrections.csv": schema.CORRECTIONS,
}


Placed = tuple[str, str, Sequence[Column]]  # where an object stands, what it is about, its fields


def placed(at: str, columns: Sequence[Column], about: str = "") -> Iterator[Placed]:
    yield at, about, columns
    for it in columns:
        if it.inner:
            yield from placed(f"{at}.{it.name}{'' if it.parts else '[]'}", it.inner, it.said)


def objects(page: str) -> Iterator[str]:
    """List objects and their fields; those that have the same fields in one place."""
    found = [part for at, columns in OBJECTS[page].items() for part in placed(at, columns)]
    while found:
        *_, columns = found[0]
        same = [part for part in found if part[2] == columns]
        found = [part for part in found if part[2] != columns]
        about = "; ".join(dict.fromkeys(about for _, about, _ in same if about))
        yield f"- **{', '.join(f'`{at}`' for at, *_ in same)}**{about and f': {about}'}"
        for it in columns:
            if it.only != "csv":
                yield f"  - `{it.name}`{it.said and f': {it.said}'}"


OBJECTS = {
    "compared": {
        "attributes[]": result_columns.ATTRIBUTE,
        "comparisons[]": result_columns.COMPARED,
        "not_compared[]": result_columns.NOT_COMPARED,
        "left_out[]": result_columns.LEFT_OUT,
    },
    "chosen": {"choices[]": asked_columns.CHOICE},
    "followed": {"course[]": asked_columns.COURSE},
    "influenced": {"influence.outcomes[]": result_columns.OUTCOME},
    "together": {
        "together.correlations[]": result_columns.PAIR,
        "together.overall.comparisons[]": result_columns.OVERALL,
    },
    "pooled": {
        "attributes[]": result_columns.POOLED_ATTRIBUTE,
        "comparisons[]": result_columns.POOLED_COMPARISON,
    },
}


MADE: dict[str, Callable[[], Iterable[str]]] = {
    "units": units,
    "acids": acids,
    "factors": factors,
    "cautions": cautions,
    **{name.removesuffix(".csv"): partial(columns, name) for name in TABLES},
    **{name: partial(objects, name) for name in OBJECTS},
}
