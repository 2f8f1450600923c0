"""Tables of the documentation, made from the code: columns of the trial folder, batches, JSON."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import fields, is_dataclass
from functools import cache, partial
from typing import NamedTuple, get_args, get_origin, get_type_hints

from blindspoon.batches import cautions as safety
from blindspoon.batches.differences import SHARE, STANDARD, BatchFactor
from blindspoon.batches.log import DENSITY, GRAMS, MILLILITRES
from blindspoon.batches.strengths import EQUIVALENT_MASS, acid_of
from blindspoon.batches.summary import Made
from blindspoon.examine import Examination
from blindspoon.files import schema
from blindspoon.findings.further import FurtherAnalyses, Joint
from blindspoon.findings.panel import Panel
from blindspoon.findings.sensitivity import Influence
from blindspoon.simulate.exact_size import ChoiceSizing, CourseSizing
from blindspoon.simulate.size_results import Sizing
from blindspoon.stats.results import Interval, NoResult
from blindspoon.wording import sentence
from blindspoon.writeup import asked_columns, records
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


Shape = Sequence[Column] | type
"""Columns, which say what each means, or a dataclass, whose docstring does."""


class Placed(NamedTuple):
    """An object of a JSON value: where it stands, what it is about, and its fields.

    `names` are those of a dataclass; of columns each has a line with what it means.
    """

    at: str
    about: str
    names: tuple[str, ...]
    lines: tuple[str, ...]


def placed(at: str, shape: Shape, about: str = "") -> Iterator[Placed]:
    """Find an object and those within, but for the ones that `OBJECTS` has by themselves."""
    if isinstance(shape, type):
        said = re.sub(r"\n\n *Parameters\n.*", "", shape.__doc__ or "", flags=re.DOTALL)
        said = re.sub(r"\bNone\b", "null", said)
        about, *lines = (" ".join(it.split()) for it in re.split(r"^ *- ", said, flags=re.M))
        below = [*_fields(shape)]
        yield Placed(at, about, tuple(name for names, *_ in below for name in names), tuple(lines))
        inner = [
            (f"{names[0]}{many}", kind, "")
            for names, many, kinds in below
            if len(names) == 1
            for kind in kinds
        ]
    else:
        lines = [
            f"`{it.name}`{' (not always)' * it.optional}{it.said and f': {it.said}'}"
            for it in shape
        ]
        yield Placed(at, about, (), tuple(lines))
        inner = [(f"{it.name}{'' if it.parts else '[]'}", it.inner, it.said) for it in shape]
    listed = {place for places in OBJECTS.values() for place, _ in places}
    for name, within, about in inner:
        place = f"{at}.{name}".lstrip(".")
        if within and place not in listed:
            yield from placed(place, within, about)


def _fields(made: type) -> Iterator[tuple[tuple[str, ...], str, list[type]]]:
    """Give the names of each field in JSON, "[]" for a list, and the dataclasses that it holds."""
    kinds = get_type_hints(made)
    for field in fields(made):
        kind, usual = kinds[field.name], (field.metadata.get("name") or field.name,)
        many = "[]" if tuple in map(get_origin, (kind, *get_args(kind))) else ""
        yield RENAMED.get((made, field.name), usual), many, [*_dataclasses(kind)]


def _dataclasses(kind: object) -> Iterator[type]:
    if isinstance(kind, type) and is_dataclass(kind) and kind not in (NoResult, Interval):
        yield kind
    for part in get_args(kind):
        yield from _dataclasses(part)


def objects(page: str) -> Iterator[str]:
    """List objects and their fields; those that have the same fields in one place."""
    found = [part for at, shape in OBJECTS[page] for part in placed(at, shape)]
    while found:
        _, _, names, lines = found[0]
        same = [part for part in found if part[2:] == (names, lines)]
        found = [part for part in found if part not in same]
        names = names or tuple(_name(line) for line in lines if line in _everywhere())
        places = ", ".join(f"`{part.at}`" if part.at else "the object" for part in same)
        told = [", ".join(f"`{name}`" for name in names)] * bool(names)
        about = "; ".join(dict.fromkeys(part.about for part in same if part.about))
        told += filter(None, [sentence(about) if names and about else about])
        yield f"- **{places}**{': ' * bool(told)}{'. '.join(told)}"
        own = (line for line in lines if line not in _everywhere())
        yield from (f"  - {line.removesuffix(VERDICTS)}" for line in own)


VERDICTS = "; open means not settled; one of different, slight, alike, open"
"""What the page says once."""


@cache
def _everywhere() -> tuple[str, ...]:
    """Give the lines that three objects have or more, one a name."""
    parts = (part for shapes in OBJECTS.values() for it in shapes for part in placed(*it))
    counted = Counter(line for part in parts for line in part.lines if not part.names)
    often = [line for line, times in counted.most_common() if times > 2]
    return tuple({_name(line): line for line in often[::-1]}.values())[::-1]


def _name(line: str) -> str:
    return line.split("`")[1]


def everywhere() -> Iterator[str]:
    yield from (f"- {line}" for line in sorted(_everywhere()))


RENAMED: dict[tuple[type, str], tuple[str, ...]] = {
    (FurtherAnalyses, "joint"): ("together",),
    (Panel, "tasters"): ("level", "tasters"),
    (Influence, "declared"): (),
    (Influence, "alternatives"): ("outcomes",),
    (Made, "log"): (),
    (Sizing, "foretold"): ("choice", "course"),
    (ChoiceSizing, "choice"): ("method", "can_tell", "allowed"),
    (ChoiceSizing, "rows"): ("tests",),
    (CourseSizing, "course"): ("attribute", "over", "level"),
}
"""What stands in JSON in place of a field of a dataclass, where that has another name or none."""
OBJECTS: dict[str, list[tuple[str, Shape]]] = {
    "compared": [("", records.ANALYSIS), ("", FurtherAnalyses)],
    "chosen": [("choices[]", asked_columns.CHOICE)],
    "followed": [("course[]", asked_columns.COURSE)],
    "tasters": [("panel", Panel)],
    "influenced": [("influence", Influence), ("influence.outcomes[]", result_columns.OUTCOME)],
    "together": [
        ("together", Joint),
        ("together.correlations[]", result_columns.PAIR),
        ("together.overall.comparisons[]", result_columns.OVERALL),
    ],
    "pooled": [("", records.POOL)],
    "checked": [("", Examination)],
    "made": [("", Made)],
    "sized": [("", Sizing), ("choice", ChoiceSizing), ("course", CourseSizing)],
}


MADE: dict[str, Callable[[], Iterable[str]]] = {
    "units": units,
    "acids": acids,
    "factors": factors,
    "cautions": cautions,
    **{name.removesuffix(".csv"): partial(columns, name) for name in TABLES},
    "everywhere": everywhere,
    **{name: partial(objects, name) for name in OBJECTS},
}
