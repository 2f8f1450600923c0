"""A score that was misread, found after lifting: corrected with a reason, and reported."""

from __future__ import annotations

from werkzeug.wrappers import Response

from blindspoon.collect.ballots import read_answer
from blindspoon.files import disk
from blindspoon.files.schema import CORRECTIONS
from blindspoon.files.seal import cup_of, number_text
from blindspoon.files.table_edit import edit_table
from blindspoon.files.text_table import TextTable, read_table, write_csv
from blindspoon.stage import Stage
from blindspoon.workbench.app import UNSENT, Form, Workbench
from blindspoon.workbench.phrases import told

FILE = "corrections.csv"
HEADER = write_csv([[column.name for column in CORRECTIONS]]).encode()


def add_to(bench: Workbench) -> None:
    """Register the addresses."""

    @bench.get("findings/slip")
    def ask(found: Stage, form: Form = UNSENT, faults: Form = UNSENT) -> Response:
        if found.state not in ("lifted", "published"):
            return bench.go(found, "findings")
        sessions = [(it.name, found.plan.session_label(it.name)) for it in found.plan.sessions]
        return bench.page(
            "slip.html.j2", found, "findings", 422 if faults else 200, typed=form, faults=faults,
            sessions=sessions or [("1", "")], who=[(name, name) for name in found.tasters],
            scored=[(it.name, it.label) for it in found.plan.attributes],
        )  # fmt: skip

    @bench.post("findings/slip")
    def correct(found: Stage, form: Form) -> Response:
        scored = {attribute.name: attribute for attribute in found.plan.attributes}
        attribute, place = scored.get(form.get("attribute", "")), _cup(found, form)
        if found.state not in ("lifted", "published") or attribute is None:
            return ask(found)
        answer, problems = read_answer([attribute], {attribute.name: form.get("new", "")}, FILE)
        faults = {"new": told(problems[0])} if problems else {}
        if not form.get("reason"):
            faults["reason"] = "Say why; the findings print it."
        if place is None:
            faults["code"] = "No cup with this code was scored by them in that session."
            return ask(found, form, faults)
        table, row, was = place
        cell, new = number_text(was.get(attribute.name, ""), table), answer.scores[0]
        if cell == new and not faults:
            faults["new"] = "This stands there already."
        if faults:
            return ask(found, form, faults)
        list_ = found.files.get(FILE, HEADER)
        comma = read_table(list_, FILE).decimal_comma
        said = {key: form.get(key, "") for key in ("session", "taster", "code", "reason")}
        said |= {"attribute": attribute.name, "was": _text(cell, comma), "new": _text(new, comma)}
        cells = {(row, attribute.name): _text(new, table.decimal_comma)}
        files = {table.file: edit_table(found.files[table.file], table.file, cells)}
        files[FILE] = edit_table(list_, FILE, {}, [said])
        return bench.save(found, files, "A score corrected", "The score is corrected.", "findings")


def _cup(found: Stage, form: Form) -> tuple[TextTable, int, dict[str, str]] | None:
    """Find the row of a cup, and its table."""
    wanted = tuple(form.get(key, "") for key in ("session", "taster", "code"))
    for table in disk.read_folder(found.folder, without=disk.KEY).tables.scores:
        for number, (_, row) in enumerate(table.rows()):
            if cup_of(found.plan, row) == wanted:
                return table, number, dict(row)
    return None


def _text(number: str, decimal_comma: bool) -> str:
    return number.replace(".", ",") if decimal_comma else number
