"""Beside the steps: the shelf, a trial begun, what was written lately, a file that is broken."""

import difflib
import secrets
import tomllib
from collections.abc import Sequence
from dataclasses import replace

from flask import redirect, request
from werkzeug.wrappers import Response

from blindspoon import starting
from blindspoon.collect.security import wants_json
from blindspoon.errors import TrialError, TrialFileError
from blindspoon.files import disk, own_state, shipped, undo
from blindspoon.files.edits import put
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_folder import content_of, trials_in
from blindspoon.files.trial_toml import FILE, parse_trial
from blindspoon.stage import Part, Stage, stage, touched
from blindspoon.trial import today
from blindspoon.workbench.app import Form, Workbench
from blindspoon.workbench.phrases import beside
from blindspoon.workbench.question import read_back

EXAMPLE = "example"
OWN = "own"


def add_to(bench: Workbench) -> None:
    app = bench.app

    @app.get("/")
    def shelf() -> Response:
        return bench.page(
            "shelf.html.j2",
            stages=[stage(folder) for folder in trials_in(bench.shelf).values()],
            example=(bench.shelf / EXAMPLE).exists(),
            shelf=str(bench.shelf),
        )

    @app.post("/example")
    def example() -> Response:
        if not (bench.shelf / EXAMPLE).exists():  # else it was asked for twice
            disk.make_files(bench.shelf / EXAMPLE, shipped.example())
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
    def where(stage: Stage) -> Response:
        return bench.page("where.html.j2", stage)

    _add_new(bench)
    _add_lately(bench)


def _add_new(bench: Workbench) -> None:
    ready = [(it.name, it.label, f"{it.low} to {it.high}") for it in starting.known_attributes()]
    labels = {label: name for name, label, _ in ready}
    begun: dict[str, tuple[str, dict[str, bytes]]] = {}  # by the form that it was begun with

    def earlier(form: Form) -> str:
        """Give the trial.toml that a new one is to be like; blank where there is none."""
        name = form.get("like", "")
        folder = trials_in(bench.shelf).get(name)
        text = like.text if folder and (like := stage(folder)).trial else ""
        return put(text, "trial.host", None) if name == EXAMPLE else text

    def page(typed: Form, faults: dict[str, str], code: int = 200) -> Response:
        stages = {name: stage(folder) for name, folder in trials_in(bench.shelf).items()}
        text = earlier(typed)
        before = [row.label for row in parse_trial(text).attributes] if text else []
        return bench.page(
            "start.html.j2",
            code=code,
            typed=typed,
            faults=faults,
            ready=ready + [(label, label, "") for label in before if label not in labels],
            kinds=[(kind, label, "") for kind, label in starting.KINDS.items()],
            ages=starting.AGES,
            more_days=starting.DAYS[2:],
            chosen=[labels.get(it, it) for it in starting.lines_of(typed.get(starting.SCORED, ""))],
            earlier={name: it.title for name, it in stages.items() if it.trial},
            scale=tomllib.loads(text).get("scale", {"low": 0, "high": 10}),
        )

    @bench.app.get("/new")
    def new() -> Response:
        first = {"decision.margin": "1", starting.SCORED: "texture\nsourness\nsaltiness"}
        first |= {starting.ASKS: "scores"} | starting.OF_SETS
        like = {"like": request.args.get("like", "")}
        text = earlier(like)
        return page((starting.answers_like(parse_trial(text)) if text else first) | like, {})

    @bench.app.post("/new")
    @bench.once
    def begin() -> Response:
        scored = _chosen(request.form, request.form.getlist(starting.SCORED))
        answers = {**request.form, starting.SCORED: scored}
        faults, files = dict[str, str](), dict[str, bytes]()
        own = answers.get("primary") == OWN and answers.get(starting.ASKS) != "sets"
        if own and not answers.get("scored.own", "").strip():  # they decide in their own words
            faults["scored.own"] = "It answers your question, so write what it is."
        try:
            files = starting.new_files(answers, today(), like=earlier(answers))
        except TrialFileError as error:
            faults |= beside(error.problems, {*answers, starting.SCORED, "changes"})
        trial = parse_trial(files[FILE].decode()) if files else None
        if wants_json():
            return bench.checked(faults, read_back(trial))
        if faults or trial is None:
            return page(answers, faults, 422)
        taken = [path.name.lower() for path in bench.shelf.iterdir()]  # Pickles is pickles to some
        once = answers.get("once") or secrets.token_hex(8)
        name, made = begun.get(once, ("", {}))
        if name not in taken:
            name = starting.short_name(answers["trial.product"], taken, "trial")
            disk.make_files(bench.shelf / name, files)
        elif not undo.write(bench.shelf / name, files, "The seven answers", made):
            there = "It was on the shelf already; change it here."
            return bench.go(bench.stage(name), "question", there)
        begun[once] = name, files
        if allergens := trial.tasting.allergens:
            allergens = f" Tasters read, as before, that it may contain {allergens}."
        bench.say(f"It is on the shelf.{allergens}", back=False)
        return redirect(f"/t/{name}/rule", 303)


def _chosen(form: Form, ticked: Sequence[str]) -> str:
    """Give what is scored, what decides first, a line each; the host's own words at their place."""
    own = form.get("scored.own", "").strip()
    first = own if form.get("primary") == OWN else form.get("primary", "")
    return "\n".join(dict.fromkeys(filter(None, (first, *ticked, own))))


def _add_lately(bench: Workbench) -> None:
    @bench.get("lately", broken=True)
    def lately(stage: Stage) -> Response:
        changes = undo.changes(stage.folder)
        kept = {it.number: _why_kept(stage, it) for it in changes}
        return bench.page("lately.html.j2", stage, "lately", changes=changes, kept=kept)

    @bench.post("lately", broken=True)
    def take_back(stage: Stage, form: Form) -> Response:
        changes = {str(it.number): it for it in undo.changes(stage.folder)}
        change = changes.get(form.get("number", ""))
        why = "Nothing was taken back: its files were changed since."
        if change is None or not change.stands or (why := _why_kept(stage, change)):
            return bench.page("message.html.j2", stage, "lately", 409, text=why)
        done = undo.take_back(stage.folder, change.number)
        bench.print_again(stage)
        return bench.go(stage, "lately", f"Taken back: {done.what}.", back=True)

    @bench.get("mend", broken=True)
    def mend(stage: Stage) -> Response:
        good, now = _good(stage), content_of(stage.folder / FILE).decode(errors="replace")
        named = ("as it could be read", "now")
        lines = difflib.unified_diff(good.splitlines(), now.splitlines(), *named, lineterm="", n=1)
        return bench.page("mend.html.j2", stage, "mend", lines=list(lines), good=good)

    @bench.post("mend", broken=True)
    def put_back(stage: Stage, _: Form) -> Response:
        if (good := _good(stage)) and stage.state == "broken":
            what = "The version of trial.toml that could be read, put back"
            undo.write(stage.folder, {FILE: good.encode()}, what)
            done = "It is put back. The broken file is kept under “Written lately”."
            return bench.go(stage, "", done, back=True)
        return bench.go(stage)


def _why_kept(stage: Stage, change: undo.Change) -> str:
    """Say why a change may not be taken back now; empty where it may."""
    parts: list[Part] = []
    if stage.trial is None:
        return ""
    if before := change.files.get(FILE, (None, None))[0]:
        try:
            old = parse_trial(before.decode("utf-8-sig"))
        except (TrialError, UnicodeDecodeError):
            return stage.locked("rule")
        dates = {session.name: session.date for session in stage.trial.sessions}
        if stage.blind:
            dated = [replace(it, date=dates.get(it.name)) for it in old.sessions]
            old = replace(old, sessions=tuple(dated) or stage.trial.sessions[:1])
        parts += touched(old, stage.trial)
    if before := change.files.get("batches.csv", (None, None))[0]:
        names = [
            [(row.get("batch"), row.get("variant")) for _, row in read_table(data, "").rows()]
            for data in (before, stage.files.get("batches.csv", b""))
        ]
        parts += ["jar names"] * (names[0] != names[1])
    return next(filter(None, map(stage.locked, parts)), "")


def _good(stage: Stage) -> str:
    """Give trial.toml as it last could be read; blank where that is not known."""
    for change in undo.changes(stage.folder):
        for content in reversed(change.files.get(FILE, ())):
            try:
                text = (content or b"").decode("utf-8-sig")
                parse_trial(text)
            except (TrialError, UnicodeDecodeError):
                continue
            return text
    return ""
