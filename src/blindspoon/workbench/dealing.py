"""Codes drawn and sealed, or taken back; sheets printed, the pouring sheet asked for."""

import contextlib
import re
from pathlib import Path

from flask import abort
from werkzeug.wrappers import Response

from blindspoon.drawing import draw_blind, foresee, take_back, write_sheets
from blindspoon.errors import Problem, TrialError
from blindspoon.files import disk
from blindspoon.files.durable import DurableFolder
from blindspoon.scores.standing import too_few_rounds
from blindspoon.serving.plan import ServingPlan
from blindspoon.sheets.pouring import LABEL_STOCKS, Paper
from blindspoon.stage import Stage
from blindspoon.starting import rule_beside, rule_in_words
from blindspoon.trial import today
from blindspoon.wording import sentence
from blindspoon.workbench.app import UNSENT, Form, Workbench
from blindspoon.workbench.phrases import of_jars

TELLING = re.compile(r"helper\.html|(added/[^/]+/)?pouring\.html|both-taste/bowls\.html")
"""Sheets that say what is in a cup."""

SEALED = ("trial.toml", "batches.csv")  # what is read before the codes are drawn

PAPER = ".blindspoon/paper"
"""The paper, and the labels where they are not the usual ones, that the host chose last."""

STOCKS = {
    name: f"{stock.count} on a sheet, {stock.width:.0f} × {stock.height:.0f} mm"
    for name, stock in LABEL_STOCKS.items()
}


def add_to(bench: Workbench) -> None:
    """Register the addresses."""
    known: dict[Path, tuple[str, ServingPlan | None, tuple[Problem, ...]]] = {}

    def foreseen(found: Stage) -> tuple[ServingPlan | None, tuple[Problem, ...]]:
        """See how the cups would be dealt, or what is in the way; drawn once a change."""
        now = disk.fingerprint(disk.read_folder(found.folder).files)
        if known.get(found.folder, ("",))[0] != now:
            try:
                known[found.folder] = now, foresee(found.folder), ()
            except TrialError as error:
                known[found.folder] = now, None, error.problems
        return known[found.folder][1:]

    @bench.get("codes")
    def ask(found: Stage, form: Form = UNSENT, code: int = 200, **faults: str) -> Response:
        from blindspoon.examine import doubts  # noqa: PLC0415 - not where the workbench starts

        plan, problems = foreseen(found) if found.state == "planned" else (None, ())
        balance = [part for part in plan.balance if part.session is not None] if plan else []
        rule = rule_in_words(found.plan), rule_beside(found.plan)
        own: dict[str, object] = {"plan": plan, "balance": balance, "problems": problems}
        own["first"] = of_jars(problems, found.files)
        in_vain = too_few_rounds(found.plan, found.plan.tasting.tasters)
        asked = [*filter(None, [in_vain]), *map(sentence, doubts(found.plan))] if plan else []
        own |= {"rule": rule, "seen": bench.seen(found, SEALED), "doubts": asked}
        return bench.page("codes.html.j2", found, "codes", code, typed=form, faults=faults, **own)

    @bench.post("codes")
    def draw(found: Stage, form: Form) -> Response:
        bench.see(found, "rule")
        if found.state != "planned":
            return ask(found, form, 409)
        seen = bench.seen(found, SEALED)
        if form.get("seen", seen) != seen:
            return ask(found, form, 409, mine="This was changed meanwhile: read it as it is now.")
        if form.get("mine") != "yes":
            return ask(found, form, 422, mine="Read the rule, and say here that it is yours.")
        draw_blind(found.folder, today(), declare=True)
        write_sheets(found.folder, *paper_of(found.folder))
        return bench.go(found, "sheets", "The codes are drawn, and the rule is sealed.")

    @bench.post("codes/back")
    def back(found: Stage, form: Form) -> Response:
        if found.state != "sealed":
            return ask(found, form, 409)
        if form.get("sure") != "yes":
            return ask(found, form, 422, sure="Throw away what was printed, and say so here.")
        bench.sittings.leave(found.folder)
        take_back(found.folder, today())
        return bench.go(found, "codes", "The drawing is taken back. The next one has other codes.")

    _add_sheets(bench)


def _add_sheets(bench: Workbench) -> None:
    """Register the sheets."""

    @bench.get("sheets")
    def sheets(found: Stage) -> Response:
        names = disk.sheets_in(found.folder)
        people = [(n, n[11:-5].replace("-", " ")) for n in names if n.startswith("tasters/")]
        added = [n[:-13] for n in names if re.fullmatch("added/[^/]+/ballots.html", n)]
        called = [re.sub(r"^added/(\d+-)?", "", at).replace("-", " ") for at in added]
        calendar = (found.folder / "sheets" / "calendar.ics").is_file()
        return bench.page(
            "sheets.html.j2", found, "sheets", names=names, people=people, stocks=STOCKS,
            added=list(zip(added, called, strict=True)), calendar=calendar,
            chosen=paper_of(found.folder),
        )  # fmt: skip

    @bench.post("sheets")
    def again(found: Stage, form: Form) -> Response:
        if not found.pouring:
            return bench.go(found, "sheets")
        chosen = f"{form.get('paper')} {form.get('labels')}"
        DurableFolder(found.folder).save(PAPER, chosen.encode())
        write_sheets(found.folder, *paper_of(found.folder))
        return bench.go(found, "sheets", "The sheets are written again.")

    @bench.get("sheets/calendar.ics")
    def days(found: Stage) -> Response:
        content = DurableFolder(found.folder).read("sheets/calendar.ics")
        if content is None:
            abort(404)
        named = {"Content-Disposition": 'attachment; filename="calendar.ics"'}
        return Response(content, mimetype="text/calendar", headers=named)

    @bench.get("sheets/<path:file>")
    def sheet(found: Stage, file: str) -> Response:
        if file not in disk.sheets_in(found.folder) or TELLING.fullmatch(file):
            abort(404)
        return bench.framed(DurableFolder(found.folder).read(f"sheets/{file}") or b"")

    @bench.post("sheets/pouring")
    def pouring(found: Stage, form: Form) -> Response:
        name = form.get("sheet", "helper.html")
        known = name in disk.sheets_in(found.folder) and TELLING.fullmatch(name)
        if form.get("pours") != "yes" or not known:
            return bench.go(found, "sheets", "Only who pours may see it. Say so first.")
        return bench.framed(DurableFolder(found.folder).read(f"sheets/{name}") or b"")


def paper_of(folder: Path) -> tuple[Paper, str | None]:
    """Give the paper and the labels that were chosen last; A4 with its larger labels at first."""
    paper, _, stock = (DurableFolder(folder).read(PAPER) or b"").decode().partition(" ")
    return "letter" if paper == "letter" else "a4", stock if stock in LABEL_STOCKS else None


def print_again(found: Stage) -> None:
    """Write the sheets again, while they are in use: they say what was changed.

    Not where a file is to be mended elsewhere: its own page says so.
    """
    if found.pouring:
        with contextlib.suppress(TrialError):
            write_sheets(found.folder, *paper_of(found.folder))
