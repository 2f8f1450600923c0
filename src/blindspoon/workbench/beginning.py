"""A new trial: seven questions, and the rule in a sentence to say yes to."""

from __future__ import annotations

from flask import redirect, request
from werkzeug.wrappers import Response

from blindspoon import starting
from blindspoon.errors import TrialFileError
from blindspoon.files import disk
from blindspoon.files.trial_edit import put
from blindspoon.stage import Stage, stage
from blindspoon.workbench.app import Form, Workbench, today
from blindspoon.workbench.phrases import beside

OWN = "own"


def add_to(bench: Workbench) -> None:
    """Register the addresses."""
    app = bench.app
    ready = starting.known_attributes()

    def page(typed: Form, faults: dict[str, str], code: int = 200) -> Response:
        plans = {name: stage(folder) for name, folder in disk.trials_in(bench.shelf).items()}
        earlier_ones = {name: found.title for name, found in plans.items() if found.trial}
        return bench.page(
            "start.html.j2",
            code=code,
            typed=typed,
            faults=faults,
            questions={question.key: question for question in starting.QUESTIONS},
            ready=ready,
            chosen=_chosen(typed),
            earlier=earlier_ones,
        )

    @app.get("/new")
    def new() -> Response:
        like = request.args.get("like", "")
        trial = bench.stage(like).trial if like else None
        first = {"decision.margin": "1", starting.SCORED: "texture\nsourness\nsaltiness"}
        return page(starting.answers_like(trial) if trial else first, {})

    @app.post("/new")
    def begin() -> Response:
        form = request.form
        answers = {**form, starting.SCORED: "\n".join(_chosen(form))}
        try:
            files = starting.new_files(answers, today())
        except TrialFileError as error:
            faults = beside(error.problems, {*answers, starting.SCORED, "changes"})
            return page(answers, faults, 422)
        taken = [path.name for path in bench.shelf.iterdir()]
        name = starting.short_name(answers["trial.product"], taken, "trial")
        disk.make_files(bench.shelf / name, files)
        bench.say("It is on the shelf.", back=False)
        return redirect(f"/t/{name}/rule", 303)

    @bench.get("rule")
    def rule(found: Stage) -> Response:
        return bench.page(
            "rule.html.j2",
            found,
            "question",
            rule=starting.rule_in_words(found.plan),
            beside=starting.rule_beside(found.plan),
            locked=found.locked("rule"),
        )

    @bench.post("rule")
    def say_yes(found: Stage, _: Form) -> Response:
        bench.see(found, "rule")
        dated = put(found.text, "decision.declared", today())
        bench.write(found, {"trial.toml": dated.encode()}, "Your yes to the rule")
        bench.say("Your rule is dated today.")
        return bench.go(found, "jars" if found.unmade else "")


def _chosen(form: Form) -> list[str]:
    """Give what is scored, what decides first; the host's own words at their place."""
    lists = getattr(form, "getlist", None)
    if lists is None:
        return starting.lines_of(form.get(starting.SCORED, ""))
    own = form.get("scored.own", "").strip()
    chosen = [*lists(starting.SCORED), *([own] if own else [])]
    primary = own if form.get("primary") == OWN else form.get("primary", "")
    first = [primary] if primary else []
    return [*first, *(name for name in chosen if name != primary)]
