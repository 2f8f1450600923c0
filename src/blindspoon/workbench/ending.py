"""The end: a last look, the blind lifted, the findings, a slip corrected, all that goes out."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, get_args

from flask import abort, request
from werkzeug.wrappers import Response

from blindspoon.collect.ballots import questions_of, read_answer
from blindspoon.collect.host_pages import SAY
from blindspoon.errors import Problem, TrialError
from blindspoon.files.edits import edit_table
from blindspoon.files.schema import CORRECTIONS, as_number
from blindspoon.files.seal import cup_of, number_text
from blindspoon.files.text_table import TextTable, read_table, write_csv
from blindspoon.files.trial_folder import (
    KEY,
    content_of,
    fingerprint,
    photos_in,
    published_at,
    published_in,
    read_folder,
)
from blindspoon.lifting import Lifting, correct_pourer, lift_blind
from blindspoon.scores.pseudonyms import pseudonymise
from blindspoon.stage import Stage
from blindspoon.trial import Pourer, today
from blindspoon.wording import capital, spelled
from blindspoon.workbench.app import UNSENT, Form, Workbench
from blindspoon.workbench.jobs import Job, Moved
from blindspoon.workbench.phrases import at_place, note_in_words

if TYPE_CHECKING:
    from blindspoon.packing.pack import Published

STEP_OF = {
    "trial.toml": "question",
    "batches.csv": "jars",
    "readings.csv": "jars",
    "photos": "publish",
    "ballots": "tasters",
    "seal.toml": "codes",
    "key.csv": "codes",
    "servings.csv": "codes",
}
"""Where a file is mended; scores are, at the tasting."""

FINDINGS, PUBLISH = "Working out what the scores show", "Writing everything"
CORRECTED = "corrections.csv"
GONE = "This file is not there any more. Publishing writes it all again."
TOLD = re.compile(r"^- `(.+)`: (.+)$", re.MULTILINE)  # of a picture, in say.md
HEADER = write_csv([[column.name for column in CORRECTIONS]]).encode()


def add_to(bench: Workbench) -> None:
    @bench.get("look")
    def look(found: Stage) -> Response:
        from blindspoon.examine import examine  # noqa: PLC0415 - brings in what batches show

        known = examine(found.folder)
        fill = "tasting" if found.blind else ""  # where a gap can still be filled
        steps = [_step(note.file) for note in known.notes]
        return bench.page(
            "look.html.j2", found, "look", cautions=known.cautions,
            problems=[(_step(problem.file), at_place(problem)) for problem in known.problems],
            notes=[  # who is out is said where they taste; of jars, what is missing, and the days
                (fill if note.gap and step != "jars" else step, note_in_words(note))
                for step, note in zip(steps, known.notes, strict=True)
                if (note.gap or found.plan.course if step == "jars"
                    else not (found.takes_scores and note.gap))
            ],
        )  # fmt: skip

    @bench.get("lift")
    def ask(found: Stage, form: Form = UNSENT, code: int = 200, **faults: str) -> Response:
        lifting: Lifting | None = None
        problems: tuple[Problem, ...] = ()
        if found.state == "closed":
            try:
                lifting = lift_blind(found.folder, today(), lambda _: None)
            except TrialError as error:
                problems = error.problems
        own = {"lifting": lifting, "problems": problems, "typed": form, "faults": faults}
        return bench.page("lift.html.j2", found, "lift", code, **own)

    @bench.post("lift")
    def lift(found: Stage, form: Form) -> Response:
        def agreed(lifting: Lifting) -> Pourer | None:
            seen = f"{lifting.lift.scored}:{lifting.lift.scores}" == form.get("told")
            return _pourer(form) if seen else None

        if found.state != "closed":
            return ask(found, form, 409)
        if form.get("finished") != "yes":
            wait = "Lift it when everybody has finished; then say so here."
            return ask(found, form, 422, finished=wait)
        bench.sittings.leave(found.folder)
        if not lift_blind(found.folder, today(), agreed, last=form.get("last") == "yes").recorded:
            changed = "Scores changed while you read this. Look again."
            return ask(found, form, 409, finished=changed)
        return bench.go(found, "findings", "The blind is lifted.")

    _add_findings(bench)
    _add_publishing(bench)
    _add_slips(bench)


def _add_findings(bench: Workbench) -> None:
    def rendered(found: Stage) -> Job:
        """Give the job that renders the report of the folder as it is now."""

        def render_it(moved: Moved) -> dict[str, bytes]:
            from blindspoon.analysis import analyse, compose_report  # noqa: PLC0415 - a second
            from blindspoon.writeup.page import render  # noqa: PLC0415 - brings in matplotlib

            analysis = analyse(found.folder)
            moved(1, 3)
            content = compose_report(analysis)
            moved(2, 3)
            return render(content)

        now = fingerprint(read_folder(found.folder).files)
        job = bench.jobs.last(FINDINGS, found.folder)
        if job is None or (job.ended and job.seen != now):
            job = bench.jobs.run(FINDINGS, found.folder, render_it, now)
        return job

    @bench.get("findings")
    def findings(found: Stage) -> Response:
        job = rendered(found) if found.open_to_look else None
        return bench.page("findings.html.j2", found, "findings", job=job)

    @bench.get("findings/report/")
    @bench.get("findings/report/<path:file>")
    def report(found: Stage, file: str = "index.html") -> Response:
        result = rendered(found).result if found.open_to_look else None
        content = result.get(file) if isinstance(result, dict) else None
        if content is None:
            abort(404)
        return bench.framed(content, file)


def _add_publishing(bench: Workbench) -> None:
    @bench.get("publish")
    def ask(found: Stage, form: Form = UNSENT, code: int = 200, **faults: str) -> Response:
        page, may = content_of(published_at(found.folder) / "index.html"), found.open_to_look
        now = fingerprint(read_folder(found.folder).files).encode()
        return bench.page(
            "publish.html.j2", found, "publish", code, typed=form, faults=faults, may=may,
            job=bench.jobs.last(PUBLISH, found.folder),
            comments=list(_comments(found) if may else ()),
            where=published_at(found.folder), there=bool(page),
            files=published_in(found.folder), post=_post(found),
            changed=bool(page) and now not in page,
            untold={*photos_in(found.folder)} - {it.file for it in found.plan.photos},
        )  # fmt: skip

    @bench.post("publish")
    def publish(found: Stage, form: Form) -> Response:
        if not found.open_to_look:
            return ask(found, form, 409)
        jar, faults = as_number(form.get("jar", "").strip(), decimal_comma=True), {}
        if jar is None or not 1 <= jar <= 1_000_000:
            faults["jar"] = "Give the grams as a number, such as 1000."
        if form.get("known") != "yes":
            faults["known"] = "Tell your tasters first; then say so here."
        if jar is None or faults:
            return ask(found, form, 422, **faults)

        def write(moved: Moved) -> Published:
            from blindspoon.analysis import analyse  # noqa: PLC0415 - takes a second
            from blindspoon.packing.pack import pack, write_pack  # noqa: PLC0415 - matplotlib

            made = pack(analyse(found.folder), jar_g=jar, progress=moved)
            return write_pack(made, published_at(found.folder))

        bench.jobs.run(PUBLISH, found.folder, write)
        return bench.go(found, "publish")

    @bench.post("publish/comments")
    def leave_out(found: Stage, _: Form) -> Response:
        chosen = set(request.form.getlist("out"))
        if not found.open_to_look or not chosen:
            return bench.go(found, "publish")
        cells: dict[str, dict[tuple[int, str], str]] = {}
        for comment in _comments(found):
            if comment.place in chosen:
                cells.setdefault(comment.file, {})[comment.row, "comment"] = ""
        files = {name: edit_table(found.files[name], name, out) for name, out in cells.items()}
        told = f"{capital(spelled(len(chosen)))} left out of what goes out next."
        return bench.save(found, files, "Comments left out", told, "publish")

    @bench.post("publish/stop")
    def stop(found: Stage, _: Form) -> Response:
        bench.jobs.stop(PUBLISH, found.folder)
        return bench.go(found, "publish")

    @bench.get("publish/all.zip")
    def zipped(found: Stage) -> Response:
        target = published_at(found.folder)
        response = sent(found, target.with_name(f"{target.name}.zip"))
        response.headers["Content-Disposition"] = "attachment"
        return response

    @bench.get("publish/written/<path:file>")
    def written(found: Stage, file: str) -> Response:
        known = file if file in published_in(found.folder) else ""
        return sent(found, published_at(found.folder) / known)

    def sent(found: Stage, file: Path) -> Response:
        content = content_of(file) if found.open_to_look else b""
        if not content:
            abort(bench.page("message.html.j2", found, "publish", 404, text=GONE))
        return bench.framed(content, file.name)


def _pourer(form: Form) -> Pourer:
    pourers = (it for it in get_args(Pourer) if it == form.get("poured"))
    return next(pourers, "unknown")


def _add_slips(bench: Workbench) -> None:
    @bench.get("findings/poured")
    def ask_who(found: Stage) -> Response:
        if found.seal is None or not found.seal.over:
            return bench.go(found, "findings")
        return bench.page("poured.html.j2", found, "findings")

    @bench.post("findings/poured")
    def say_who(found: Stage, form: Form) -> Response:
        noted = correct_pourer(found.folder, _pourer(form), today())
        return bench.go(found, "findings", "Who poured is noted." if noted else "")

    @bench.get("findings/slip")
    def ask(found: Stage, form: Form = UNSENT, faults: Form = UNSENT) -> Response:
        if not found.lifted:
            return bench.go(found, "findings")
        sessions = [(it.name, found.plan.session_label(it.name)) for it in found.plan.sessions]
        return bench.page(
            "slip.html.j2", found, "findings", 422 if faults else 200, typed=form, faults=faults,
            sessions=sessions or [("1", "")], who=[(name, name) for name in found.tasters],
            scored=[(it.name, it.label) for it in questions_of(found.plan, "")],
        )  # fmt: skip

    @bench.post("findings/slip")
    def correct(found: Stage, form: Form) -> Response:
        scored = {asked.name: asked for asked in questions_of(found.plan, "")}
        attribute, place = scored.get(form.get("attribute", "")), _cup(found, form)
        if not found.lifted or attribute is None:
            return ask(found)
        new_cells = {attribute.name: form.get("new", "")}
        answer, problems = read_answer([attribute], new_cells, CORRECTED)
        faults = {}  # in the order of the page
        if place is None:
            faults["code"] = "No cup with this code was scored by them in that session."
        if problems:
            faults["new"] = SAY.faults(problems, [attribute], new_cells)[attribute.name]
        if not form.get("reason"):
            faults["reason"] = "Say why; the findings print it."
        if place is None or faults:
            return ask(found, form, faults)
        table, row, was = place
        cell, new = number_text(was.get(attribute.name, ""), table), answer.scores[0]
        if cell == new:
            return ask(found, form, {"new": "This stands there already."})
        list_ = found.files.get(CORRECTED, HEADER)
        comma = read_table(list_, CORRECTED).decimal_comma
        said = {key: form.get(key, "") for key in ("session", "taster", "code", "reason")}
        said |= {"attribute": attribute.name, "was": _text(cell, comma), "new": _text(new, comma)}
        cells = {(row, attribute.name): _text(new, table.decimal_comma)}
        files = {table.file: edit_table(found.files[table.file], table.file, cells)}
        files[CORRECTED] = edit_table(list_, CORRECTED, {}, [said])
        return bench.save(found, files, "A score corrected", "The score is corrected.", "findings")


class Comment(NamedTuple):
    """What a taster wrote, as it goes out, and where it stands in the folder."""

    file: str
    row: int
    taster: str
    text: str

    @property
    def place(self) -> str:
        """What a box of the form sends."""
        return f"{self.file}:{self.row}"


def _comments(found: Stage) -> Iterator[Comment]:
    """List everything that tasters wrote, names of theirs under pseudonyms."""
    tables = read_folder(found.folder).tables
    _, out = pseudonymise(found.plan, tables)
    for own, table in zip(tables.answers, out.answers, strict=True):
        for number, (_, row) in enumerate(table.rows()):
            if row.get("comment"):
                yield Comment(own.file, number, row.get("taster", ""), row["comment"])


def _post(found: Stage) -> tuple[str, str] | None:
    """Find the first picture for posts in what is published, and the words that tell of it."""
    files = published_in(found.folder)
    said = content_of(published_at(found.folder) / "say.md").decode(errors="replace")
    for name, words in TOLD.findall(said):
        for path in (f"figures/square/{name}.png", f"figures/square/{name}-1.png"):
            if path in files:
                return path, re.sub(r"\\(\W)", r"\1", words)
    return None


def _step(file: str) -> str:
    return STEP_OF.get(file, "tasting" if "scores" in file or "ballots" in file else "")


def _cup(found: Stage, form: Form) -> tuple[TextTable, int, dict[str, str]] | None:
    wanted = tuple(form.get(key, "") for key in ("session", "taster", "code"))
    for table in read_folder(found.folder, without=KEY).tables.scores:
        for number, (_, row) in enumerate(table.rows()):
            if cup_of(found.plan, row) == wanted:
                return table, number, dict(row)
    return None


def _text(number: str, decimal_comma: bool) -> str:
    return number.replace(".", ",") if decimal_comma else number
