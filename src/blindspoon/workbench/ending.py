"""A last look at slips and gaps, and lifting the blind."""

from __future__ import annotations

from werkzeug.wrappers import Response

from blindspoon.errors import Problem, TrialError
from blindspoon.lifting import Lifting, lift_blind
from blindspoon.stage import Stage
from blindspoon.workbench.app import Form, Workbench, today
from blindspoon.workbench.phrases import said

STEP_OF = {
    "trial.toml": "question",
    "batches.csv": "jars",
    "readings.csv": "jars",
    "photos": "publish",
    "seal.toml": "codes",
    "key.csv": "codes",
    "servings.csv": "codes",
}
"""Where a file is mended; scores are, at the tasting."""


def add_to(bench: Workbench) -> None:
    """Register the addresses."""

    @bench.get("look")
    def look(found: Stage) -> Response:
        from blindspoon.examine import examine  # noqa: PLC0415 - brings in what batches show

        known = examine(found.folder)
        problems = [(_step(problem.file), said(problem)) for problem in known.problems]
        notes = [(_step(note.file), str(note)) for note in known.notes]
        return bench.page(
            "look.html.j2", found, "look", problems=problems, notes=notes, cautions=known.cautions
        )

    def ask(found: Stage, form: Form, code: int = 200, fault: str = "") -> Response:
        lifting: Lifting | None = None
        problems: tuple[Problem, ...] = ()
        if found.state == "closed":
            try:
                lifting = lift_blind(found.folder, today(), lambda _: False)
            except TrialError as error:
                problems = error.problems
        return bench.page(
            "lift.html.j2",
            found,
            "lift",
            code,
            lifting=lifting,
            problems=[said(problem) for problem in problems],
            typed=form,
            faults={"finished": fault} if fault else {},
        )

    @bench.get("lift")
    def may_lift(found: Stage) -> Response:
        return ask(found, {})

    @bench.post("lift")
    def lift(found: Stage, form: Form) -> Response:
        if found.state != "closed":
            return ask(found, form, 409)
        if form.get("finished") != "yes":
            return ask(found, form, 422, "Lift it when everybody has finished; then say so here.")
        last = form.get("last") == "yes"
        done = lift_blind(found.folder, today(), lambda now: _told(now) == form["told"], last=last)
        if not done.recorded:
            return ask(found, form, 409, "Scores changed while you read this. Look again.")
        bench.sittings.leave(found.folder)
        bench.say("The blind is lifted.", back=False)
        return bench.go(found, "findings")


def _told(lifting: Lifting) -> str:
    """Tell what the host was told from anything else."""
    return f"{lifting.lift.scored}:{lifting.lift.scores}"


def _step(file: str) -> str:
    return STEP_OF.get(file, "tasting" if "scores" in file or "ballots" in file else "")
