"""The findings as readers will see them, and all that is sent out."""

from __future__ import annotations

import mimetypes
from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from flask import abort, make_response, request
from werkzeug.wrappers import Response

from blindspoon.files import disk, durable
from blindspoon.files.table_edit import edit_table
from blindspoon.scores.pseudonyms import pseudonymise
from blindspoon.stage import Stage
from blindspoon.wording import capital, spelled
from blindspoon.workbench.app import Form, Workbench
from blindspoon.workbench.jobs import Job, Moved

if TYPE_CHECKING:
    from blindspoon.packing.pack import Published

LOOKED_AT = ("lifted", "published", "never coded", "never sealed")
"""States in which the scores may be looked at."""
FINDINGS, PUBLISH = "Working out what the scores show", "Writing everything"


def add_to(bench: Workbench) -> None:
    """Register the addresses."""

    def rendered(found: Stage) -> Job:
        """Give the job that renders the report of the folder as it is now."""
        now = disk.fingerprint(disk.read_folder(found.folder).files)
        job = bench.jobs.last(FINDINGS, found.folder)
        if job is None or (job.ended and job.seen != now):
            job = bench.jobs.run(FINDINGS, found.folder, lambda moved: _render(found, moved), now)
        return job

    @bench.get("findings")
    def findings(found: Stage) -> Response:
        job = rendered(found) if found.state in LOOKED_AT else None
        return bench.page("findings.html.j2", found, "findings", job=job)

    @bench.get("findings/report/")
    @bench.get("findings/report/<path:file>")
    def report(found: Stage, file: str = "index.html") -> Response:
        result = rendered(found).result if found.state in LOOKED_AT else None
        content = result.get(file) if isinstance(result, dict) else None
        if content is None:
            abort(404)
        return bench.framed(content) if file.endswith(".html") else _file(content, file)

    def ask(found: Stage, form: Form, code: int = 200, **faults: str) -> Response:
        job = bench.jobs.last(PUBLISH, found.folder)
        page = disk.published_page(found.folder)
        now = disk.fingerprint(disk.read_folder(found.folder).files).encode()
        return bench.page(
            "publish.html.j2",
            found,
            "publish",
            code,
            job=job,
            typed=form,
            faults=faults,
            may=found.state in LOOKED_AT,
            comments=list(_comments(found)) if found.state in LOOKED_AT else [],
            where=disk.published_at(found.folder),
            there=page is not None,
            changed=page is not None and now not in page,
        )

    @bench.get("publish")
    def publishing(found: Stage) -> Response:
        return ask(found, {})

    @bench.post("publish")
    def publish(found: Stage, form: Form) -> Response:
        if found.state not in LOOKED_AT:
            return ask(found, form, 409)
        jar, faults = form.get("jar", "").replace(",", ".").strip(), {}
        if not jar.replace(".", "", 1).isdigit() or not 1 <= float(jar) <= 1_000_000:
            faults["jar"] = "Give the grams as a number, such as 1000."
        if form.get("known") != "yes":
            faults["known"] = "Tell your tasters first; then say so here."
        if faults:
            return ask(found, form, 422, **faults)
        bench.jobs.run(
            PUBLISH,
            found.folder,
            lambda moved: _publish(found, float(jar), moved),
        )
        return bench.go(found, "publish")

    @bench.post("publish/comments")
    def leave_out(found: Stage, _: Form) -> Response:
        chosen = set(request.form.getlist("out"))
        if found.state not in LOOKED_AT or not chosen:
            return bench.go(found, "publish")
        cells: dict[str, dict[tuple[int, str], str]] = {}
        for comment in _comments(found):
            if comment.place in chosen:
                cells.setdefault(comment.file, {})[comment.row, "comment"] = ""
        files = {name: edit_table(found.files[name], name, out) for name, out in cells.items()}
        bench.write(found, files, "Comments left out")
        bench.say(f"{capital(spelled(len(chosen)))} left out of what goes out next.")
        return bench.go(found, "publish")

    @bench.post("publish/stop")
    def stop(found: Stage, _: Form) -> Response:
        bench.jobs.stop(PUBLISH, found.folder)
        return bench.go(found, "publish")

    @bench.get("publish/all.zip")
    def zipped(found: Stage) -> Response:
        target = disk.published_at(found.folder)
        if disk.published_page(found.folder) is None:
            abort(404)
        content = durable.read_file(target.with_name(f"{target.name}.zip"))
        response = _file(content, "all.zip")
        response.headers["Content-Disposition"] = "attachment"
        return response


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
    text = disk.read_folder(found.folder)
    tables = text.tables()
    _, out = pseudonymise(found.plan, tables)
    for own, table in zip(tables.answers, out.answers, strict=True):
        for number, (_, row) in enumerate(table.rows()):
            if row.get("comment"):
                yield Comment(own.file, number, row.get("taster", ""), row["comment"])


def _render(found: Stage, moved: Moved) -> dict[str, bytes]:
    from blindspoon.analysis import analyse, compose_report  # noqa: PLC0415 - takes a second
    from blindspoon.writeup.page import render  # noqa: PLC0415 - brings in matplotlib

    analysis = analyse(found.folder)
    moved(1, 3)
    content = compose_report(analysis)
    moved(2, 3)
    return render(content)


def _publish(found: Stage, jar_g: float, moved: Moved) -> Published:
    from blindspoon.analysis import analyse  # noqa: PLC0415 - takes a second
    from blindspoon.packing.pack import publish  # noqa: PLC0415 - brings in matplotlib

    to = disk.published_at(found.folder).parent
    return publish(analyse(found.folder), to, jar_g=jar_g, progress=moved)


def _file(content: bytes, name: str) -> Response:
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    return make_response(content, {"Content-Type": kind})
