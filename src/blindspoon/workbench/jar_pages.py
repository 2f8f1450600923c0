"""The jars: what went in, when and where, what was measured, and whether it was the point."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from flask import abort
from werkzeug.wrappers import Response

from blindspoon import wording
from blindspoon.collect.security import wants_json
from blindspoon.errors import Problem, TrialError, TrialFileError
from blindspoon.files import shipped
from blindspoon.files.edits import edit_table, put
from blindspoon.files.schema import BATCHES, as_date, may_be_grouped
from blindspoon.files.text_table import TextTable, read_table
from blindspoon.files.trial_toml import names_by_label
from blindspoon.stage import Stage
from blindspoon.starting import DATE, day_of, number_of, short_name
from blindspoon.trial import Variant
from blindspoon.workbench.app import Form, Workbench
from blindspoon.workbench.phrases import beside, of_jars, of_jars_and_fields

FILES = ("batches.csv", "readings.csv", "trial.toml")
READ = ("date", "ph", "temperature_c", "note")
_NUMBERS = ("mass", "temperature", "ph")
_KINDS = {column.name: column.kind for column in BATCHES}
_MASS = r"([\d.,]+)\s*([a-z]+)\.?\s*"
_UNITS = {"gram": "g", "ounce": "oz", "lb": "lb", "pound": "lb", "cup": "cups", "quart": "qt",
          "litre": "l", "liter": "l"}  # fmt: skip
HOT = 45  # °C, above which °F may be meant: common practice, no source
OWN_NAME, OWN_VALUE = "own.name", "own.value"


class JarForm(NamedTuple):
    """One jar as it stands in the folder."""

    variant: Variant
    row: int | None  # of batches.csv, from 0; None for one that is not written down
    cells: dict[str, str]  # by column, and "readings[1].ph"
    readings: list[int]  # rows of readings.csv, in the order of the form


class JarsSaid(NamedTuple):
    """What can be said of the jars of a folder, or the problems for which nothing can."""

    problems: tuple[Problem, ...]
    own: dict[str, str]  # what the host's own columns are called
    salt: dict[str, str]  # in all, by jar
    lacks: dict[str, str]  # by jar, why that is not known
    adds: dict[str, str]  # by jar, what would make it as salty as the control
    unmeant: dict[str, dict[str, str]]  # by variant and column, what else it differs in
    differs: list[str]
    cautions: Sequence[tuple[str, str]]

    def worked(self, name: str) -> str:
        """Say how salty a jar is, and what would make it as salty as the control."""
        if name not in self.salt:
            return ""
        if salt := self.salt[name]:
            return f"{salt} salt. {self.adds.get(name, '')}".strip()
        not_yet = "How salty it is cannot be worked out yet"
        return ": ".join(filter(None, (not_yet, self.lacks[name]))) + "."

    def asked(self, found: Stage, jar: JarForm) -> dict[str, str]:
        """Ask of each difference that was not meant whether it belongs to the change."""
        known = jar.row is not None and not found.locked("rule")
        return self.unmeant.get(jar.variant.name, {}) if known else {}


def add_to(bench: Workbench) -> None:
    @bench.get("jars")
    def jars(found: Stage) -> Response:
        rows = enumerate(_batches(found, _files(found)).rows(), 1)
        jars = _said(found)
        return bench.page(
            "jars.html.j2", found, "jars", jars=jars, rows={n: row for n, (_, row) in rows},
            problems=of_jars(jars.problems, found.files),
            labels={variant.name: variant.label for variant in found.plan.variants},
        )  # fmt: skip

    @bench.get("jars/<which>")
    def page(
        found: Stage, which: str, jar: JarForm | None = None, code: int = 200, **more: object
    ) -> Response:
        jars, jar = _said(found), jar or _jar(found, which)
        own: dict[str, object] = {
            "which": which,
            "jar": jar,
            "typed": jar.cells,
            "seen": bench.seen(found, FILES),
            "asked": jars.asked(found, jar),
            "worked": jars.worked(jar.cells["batch"]),
            "names": jars.own,
        }
        return bench.page("jar.html.j2", found, "jars", code, **own | more)

    @bench.post("jars/<which>")
    def save(found: Stage, form: Form, which: str) -> Response:
        def at(it: Stage) -> JarForm:
            return _jar(it, _which(it, form, which))

        which = _which(found, form, which)
        jar, before = at(found), bench.filled_from(form)
        form = _moved(form, at(before), jar) if before else form
        places = {*jar.cells, OWN_NAME, OWN_VALUE}
        typed = {place: text for place, text in form.items() if place in places}
        merged = bench.merge(form, found, FILES, typed, lambda it: at(it).cells)
        typed = merged.values
        if merged.theirs:
            return page(
                found, which, jar, 409,
                typed=jar.cells | typed, faults=merged.faults, theirs=merged.theirs,
            )  # fmt: skip
        name = typed.get("batch", jar.cells["batch"])
        out = form.get("go") == "out" and jar.row is not None
        if out or (jar.row is not None and name != jar.cells["batch"]):
            bench.see(found, "jar names")
        try:
            files = _edited(found, jar, typed, out=out) | _meant(found, jar, form)
            said = _said(found, files)
            days = [it for it in typed if it in ("started", "finished") or it.endswith("].date")]
            far = {it: f"{DATE.remedy}." for it in days if typed[it] and not day_of(typed[it])}
            faults = {} if out else far | beside(_own(said.problems, files, name), places)
            worked = "" if faults else said.worked(name)
        except TrialError as error:
            faults, worked = beside(error.problems, places), ""
        if wants_json():
            return bench.checked(faults, {"worked": worked} if worked else {})
        if jar.row is None and all(text == jar.cells.get(it, "") for it, text in typed.items()):
            faults["produce_g"] = "Nothing is written of this jar yet."
        blank = [place for place in (OWN_NAME, OWN_VALUE) if not typed.get(place)]
        if len(blank) == 1 and not out:
            faults[blank[0]] = "Write both what it is and how much, or neither."
        if faults:
            return page(found, which, jar, 422, typed=jar.cells | typed, faults=faults)
        told = f"{wording.capital(name)} is {'taken out' if out else 'written down'}"
        more = " What is printed does not say so yet." if found.takes_scores else ""
        if jar.row is None and jar.variant.name in found.made:
            told += f", one more of “{jar.variant.label}”"
            more = " No cup that is drawn comes from it." if found.blind else ""
        if not out and (warm := number_of(typed.get("temperature_c", "")) or 0) > HOT:
            more += f" {warm:g} °C is hot. If it is °F, write {warm:g} F."
        return bench.save(found, files, told, f"{told}.{more}", "jars")


def _files(found: Stage) -> dict[str, bytes]:
    """Give the three files; a table that is not there is as a new trial has it."""
    files = dict(found.files)
    for name in FILES[:2]:
        files.setdefault(name, shipped.text(f"starter/{name}").encode())
    return {name: files[name] for name in FILES}


def _batches(found: Stage, files: Mapping[str, bytes]) -> TextTable:
    """Read the table of jars; the label of a variant means its name, as in every folder."""
    table = read_table(files["batches.csv"], "batches.csv")
    columns, names = dict(table.columns), names_by_label(found.plan.variants)
    if "variant" in columns:
        columns["variant"] = columns["variant"].renamed(names)
    return replace(table, columns=columns)


def _said(found: Stage, files: Mapping[str, bytes] | None = None) -> JarsSaid:
    """Make up what can be read in these files, or in those of the folder."""
    from blindspoon.batches import summary  # noqa: PLC0415 - at the first jar, not at the start

    files = files or _files(found)
    batches, readings = _batches(found, files), read_table(files["readings.csv"], "readings.csv")
    own = {name: wording.capital(summary.factor_name(name)) for name in _own_lines(found, batches)}
    made, problems = None, tuple[Problem, ...]()
    try:
        made, _ = summary.make_up(found.plan, batches, readings)
    except TrialError as error:
        problems = error.problems
    if made is None:
        return JarsSaid(problems, own, {}, {}, {}, {}, [], ())
    made = replace(made, differs=tuple(it for it in made.differs if it.variant in found.made))
    salt = {it.batch: it.salt_percent for it in made.strengths}
    adds = {it.batch: summary.what_to_add(found.plan, it) for it in made.to_match}
    return JarsSaid(
        problems=(),
        own=own,
        salt={
            name: "" if percent is None else f"{wording.number(percent, 2)}{wording.NO_BREAK}%"
            for name, percent in salt.items()
        },
        lacks={it.batch: it.unknown.get("everything_g", "") for it in made.strengths},
        adds={name: wording.capital(text.partition(": ")[2]) for name, text in adds.items()},
        unmeant={
            what.variant: {it.factor: summary.in_words(it) for it in what.undeclared}
            for what in made.differs
        },
        differs=[*map(of_jars_and_fields, summary.differences_in_words(found.plan, made))],
        cautions=summary.cautions_in_words(made),
    )


def _own_lines(found: Stage, table: TextTable) -> list[str]:
    """List the host's own columns: those in use, and what changes are meant to differ in."""
    from blindspoon.batches.differences import own_points  # noqa: PLC0415 - not at the start

    used = [name for name in table.columns if any(table.cells(name))]
    meant = [name for name in own_points(found.plan) if re.fullmatch(r"\w+", name)]
    return [name for name in dict.fromkeys([*used, *meant]) if name not in _KINDS]


def _jar(found: Stage, which: str) -> JarForm:
    """Find a jar by its row, from 1, or begin one of a variant ("new-plain"); 404 otherwise."""
    files, names = _files(found), {variant.name: variant for variant in found.plan.variants}
    table, readings = _batches(found, files), read_table(files["readings.csv"], "readings.csv")
    if table.problems:
        raise TrialFileError(table.problems)
    lines = _own_lines(found, table)
    rows, known = [row for _, row in table.rows()], dict.fromkeys([*_KINDS, *lines], "")
    row = _row(which)
    if row is not None and 0 <= row < len(rows) and rows[row].get("variant") in names:
        cells = known | rows[row]
        variant = names[cells["variant"]]
    elif which.startswith("new-") and which[4:] in names:
        row, variant = None, names[which[4:]]
        taken = {row.get("batch", "") for row in rows}
        number = next(n for n in range(1, len(rows) + 2) if f"jar {n}" not in taken)
        points = {name for other in names.values() for name in other.differs}
        own = {it: "yes" if it in variant.differs else "no" for it in lines if it in points}
        if any("starter" in other.differs for other in names.values()):
            own["starter"] = "" if "starter" in variant.differs else "none"
        known |= dict.fromkeys(table.columns, "") | own
        cells = known | {"batch": f"jar {number}", "variant": variant.name}
    else:
        abort(404)
    del cells["variant"]
    read = [row for _, row in readings.rows()]
    mine = [n for n, it in enumerate(read) if it.get("batch") == cells["batch"]]
    for number, it in enumerate([*(read[n] for n in mine), {}], 1):
        cells |= {f"readings[{number}].{name}": it.get(name, "") for name in READ}
    for place in ("started", "finished", *(key for key in cells if key.endswith("].date"))):
        cells[place] = str(as_date(cells[place]) or cells[place])  # as a field for a day takes it
    return JarForm(variant, row, cells, mine)


def _row(which: str) -> int | None:
    return int(which) - 1 if which.isdecimal() and which.isascii() and len(which) < 6 else None


def _which(found: Stage, form: Form, which: str) -> str:
    """Find the row of a jar again where rows moved; one that is gone is begun anew."""
    table = read_table(_files(found)["batches.csv"], "batches.csv")
    names, was = [row.get("batch") for _, row in table.rows()], form.get("was")
    row = _row(which)
    if was is None or row is None or names[row : row + 1] == [was]:
        return which
    return str(names.index(was) + 1) if was in names else f"new-{form.get('of')}"


def _moved(form: Form, before: JarForm, now: JarForm) -> Form:
    """Put a new reading behind those that were written meanwhile."""
    last, room = (f"readings[{len(jar.readings) + 1}]." for jar in (before, now))
    new = {key: form.get(f"{last}{key}", "") for key in READ}
    if last == room or not any(new.values()):
        return form
    kept = {place: text for place, text in form.items() if not place.startswith(last)}
    return kept | {f"{room}{key}": text for key, text in new.items()}


def _edited(found: Stage, jar: JarForm, typed: Mapping[str, str], *, out: bool) -> dict[str, bytes]:
    """Write what was typed into batches.csv and readings.csv, or take the jar out of both."""
    files = _files(found)
    if out:
        rows = {"batches.csv": [jar.row or 0], "readings.csv": jar.readings}
        return files | {it: edit_table(files[it], it, {}, (), gone) for it, gone in rows.items()}
    batches, readings = (read_table(files[name], name) for name in FILES[:2])
    name = typed.get("batch", jar.cells["batch"])
    row = {
        place: _cell(text, place, batches)
        for place, text in typed.items()
        if not place.startswith(("readings[", "own."))
        and (jar.row is None or text != jar.cells[place])
    }
    if typed.get(OWN_NAME) and typed.get(OWN_VALUE):
        column = short_name(typed[OWN_NAME], [], "own").replace("-", "_")
        row[f"own_{column}" if column in _KINDS else column] = typed[OWN_VALUE]
    if jar.row is None:
        whole = {key: text for key, text in row.items() if text or key in batches.columns}
        cells, new = {}, [{"batch": name} | whole | {"variant": jar.variant.name}]
    else:
        cells, new = {(jar.row, key): text for key, text in row.items()}, []
    files["batches.csv"] = edit_table(files["batches.csv"], "batches.csv", cells, new)
    changed: dict[tuple[int, str], str] = {}
    added: list[dict[str, str]] = []
    for number, place in enumerate([*jar.readings, -1], 1):
        keys = {key: f"readings[{number}].{key}" for key in READ}
        now = {
            key: _cell(typed[at], key, readings)
            for key, at in keys.items()
            if at in typed and typed[at] != jar.cells[at]
        }
        if place < 0 and now:
            added = [{"batch": name} | now]
        elif place >= 0:
            renamed = {"batch": name} if name != jar.cells["batch"] else {}
            changed |= {(place, key): text for key, text in (now | renamed).items()}
    files["readings.csv"] = edit_table(files["readings.csv"], "readings.csv", changed, added)
    return files


def _cell(text: str, column: str, table: TextTable) -> str:
    """Write a number with a point where the file's separator is a comma; °C for °F, g for oz."""
    from blindspoon.batches.log import celsius  # noqa: PLC0415 - at a jar, not at the start

    kind = (_KINDS | {"ph": "ph"}).get(column, "")
    warm = re.fullmatch(r"(.+?)\s*°?\s*F", text) if kind == "temperature" else None
    if warm and (value := number_of(warm[1])) is not None:
        text = f"{celsius(value):.1f}"
    elif kind == "mass" and (value := _grams(text.lower(), column)) is not None:
        text = f"{value:.1f}"
    value = number_of(text) if kind in _NUMBERS else None
    if value is None or table.decimal_comma:
        return text
    return text.replace(".", ",") if may_be_grouped(text) else f"{value:.12g}"  # so it is asked


def _grams(text: str, column: str) -> float | None:
    """Add up a mass with its units; None without, or where they do not tell what it weighs."""
    from blindspoon.batches.log import unit_of  # noqa: PLC0415

    name, grams = column.removesuffix("_g"), list[float]()
    for number, word in re.findall(_MASS, text) if re.fullmatch(f"(?:{_MASS})+", text) else ():
        unit = unit_of(f"{name}_{_UNITS.get(word.rstrip('s'), word)}")
        value = None if may_be_grouped(number) else number_of(number)
        if value is None or unit is None or (unit.rough and name != "water"):
            return None
        grams.append(unit.convert(value))
    return sum(grams) if grams else None


def _own(problems: tuple[Problem, ...], files: Mapping[str, bytes], name: str) -> Iterator[Problem]:
    """Take the problems of one jar, by the fields of its page; those of others wait for theirs."""
    lines = {table: [line for line, row in read_table(files[table], table).rows()
                     if row.get("batch") == name] for table in FILES[:2]}  # fmt: skip
    for problem in problems:
        mine = lines.get(problem.file, [])
        if problem.line not in mine:
            continue
        if problem.file == "readings.csv":
            number = mine.index(problem.line) + 1
            yield replace(problem, column=f"readings[{number}].{problem.column or 'date'}")
        else:
            yield replace(problem, column=problem.column or "batch")


def _meant(found: Stage, jar: JarForm, form: Form) -> dict[str, bytes]:
    """Write into trial.toml what else a variant is meant to differ in, as far as it was asked."""
    chosen = [key for key, text in form.items() if key.startswith("differs.") and text == "yes"]
    asked = _said(found).asked(found, jar) if chosen else {}
    points = [key[8:] for key in chosen if key[8:] in asked]
    if not points:
        return {}
    number = [variant.name for variant in found.plan.variants].index(jar.variant.name) + 1
    new = put(found.text, f"variant[{number}].differs", [*jar.variant.differs, *points])
    return {"trial.toml": new.encode()}
