"""The shelf, the help and the end; a new trial by seven questions, and the yes to its rule."""

import secrets

from flask import redirect, request
from werkzeug.wrappers import Response

from blindspoon import starting
from blindspoon.errors import TrialFileError
from blindspoon.files import disk, durable, own_state
from blindspoon.files.edits import put
from blindspoon.stage import Stage, stage
from blindspoon.trial import today
from blindspoon.workbench.app import Form, Workbench
from blindspoon.workbench.phrases import beside

EXAMPLE = "example"
OWN = "own"


def add_to(bench: Workbench) -> None:
    """Register the addresses."""
    app = bench.app
    ready = [(row.name, row.label, "") for row in starting.known_attributes()]
    labels = {label: name for name, label, _ in ready}
    begun: dict[str, tuple[str, dict[str, bytes]]] = {}  # by the form that it was begun with

    @app.get("/")
    def shelf() -> Response:
        return bench.page(
            "shelf.html.j2",
            stages=[stage(folder) for folder in disk.trials_in(bench.shelf).values()],
            example=(bench.shelf / EXAMPLE).exists(),
            shelf=str(bench.shelf),
        )

    @app.post("/example")
    def example() -> Response:
        if not (bench.shelf / EXAMPLE).exists():  # else it was asked for twice
            disk.make_files(bench.shelf / EXAMPLE, disk.example())
        bench.say("The example is on the shelf. All of it is invented.")
        return redirect("/", 303)

    @app.get("/help")
    def help_() -> Response:
        return bench.page("help.html.j2")

    @app.post("/starter")
    def starter() -> Response:
        bench.say(f"The starter is there: {own_state.put_starter(bench.shelf)}.")
        return redirect("/", 303)

    @app.post("/close")
    def close() -> Response:
        bench.close()
        return bench.page("closed.html.j2", shelf=bench.shelf)

    @bench.get("", broken=True)
    def where(found: Stage) -> Response:
        return bench.page("where.html.j2", found)

    def page(typed: Form, faults: dict[str, str], code: int = 200) -> Response:
        plans = {name: stage(folder) for name, folder in disk.trials_in(bench.shelf).items()}
        return bench.page(
            "start.html.j2",
            code=code,
            typed=typed,
            faults=faults,
            questions={question.key: question for question in starting.QUESTIONS},
            ready=ready,
            odd=starting.ODD,
            chosen=[labels.get(word, word) for word in _chosen(typed)],
            earlier={name: found.title for name, found in plans.items() if found.trial},
        )

    @app.get("/new")
    def new() -> Response:
        like = request.args.get("like", "")
        trial = bench.stage(like).trial if like else None
        first = {"decision.margin": "1", starting.SCORED: "texture\nsourness\nsaltiness"}
        return page(starting.answers_like(trial) if trial else first, {})

    @app.post("/new")
    def begin() -> Response:
        answers = {**request.form, starting.SCORED: "\n".join(_chosen(request.form))}
        faults, files = _unsaid(answers), dict[str, bytes]()
        try:
            files = starting.new_files(answers, today())
        except TrialFileError as error:
            faults |= beside(error.problems, {*answers, starting.SCORED, "changes"})
        if faults:
            return page(answers, faults, 422)
        taken = [path.name for path in bench.shelf.iterdir()]
        once = answers.get("once") or secrets.token_hex(8)
        name, made = begun.get(once, ("", {}))
        if name not in taken:
            name = starting.short_name(answers["trial.product"], taken, "trial")
            disk.make_files(bench.shelf / name, files)
        elif not durable.write(bench.shelf / name, files, "The seven answers", made):
            told = "It was on the shelf already; change it here."
            return bench.go(bench.stage(name), "question", told)
        begun[once] = name, files
        bench.say("It is on the shelf.", back=False)
        return redirect(f"/t/{name}/rule", 303)

    @bench.get("rule")
    def rule(found: Stage) -> Response:
        told = starting.rule_in_words(found.plan), starting.rule_beside(found.plan)
        seen, locked = bench.seen(found, ["trial.toml"]), found.locked("rule")
        return bench.page("rule.html.j2", found, "question", rule=told, locked=locked, seen=seen)

    @bench.post("rule")
    def say_yes(found: Stage, form: Form) -> Response:
        bench.see(found, "rule")
        seen = bench.seen(found, ["trial.toml"])
        if form.get("seen", seen) != seen:
            return bench.go(found, "rule", "The rule was changed meanwhile: read it as it is now.")
        files = {"trial.toml": put(found.text, "decision.declared", today()).encode()}
        path = "jars" if found.unmade else ""
        return bench.save(found, files, "Your yes to the rule", "Your rule is dated today.", path)


def _unsaid(form: Form) -> dict[str, str]:
    """Ask for the host's own words where they are to decide."""
    asked = form.get("primary") == OWN and not form.get("scored.own", "").strip()
    return {"scored.own": "It answers your question, so write what it is."} if asked else {}


def _chosen(form: Form) -> list[str]:
    """Give what is scored, what decides first; the host's own words at their place."""
    lists = getattr(form, "getlist", None)
    if lists is None:
        return starting.lines_of(form.get(starting.SCORED, ""))
    if form.get("primary") == starting.ODD:
        return [starting.ODD]
    own = form.get("scored.own", "").strip()
    chosen = [*lists(starting.SCORED), *([own] if own else [])]
    primary = own if form.get("primary") == OWN else form.get("primary", "")
    first = [primary] if primary else []
    return [*first, *(name for name in chosen if name != primary)]
