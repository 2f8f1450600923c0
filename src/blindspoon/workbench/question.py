"""The question: everything of trial.toml that a host decides, and their yes to the rule."""

import contextlib

from werkzeug.wrappers import Response

from blindspoon.collect.security import wants_json
from blindspoon.errors import TrialError
from blindspoon.files.edits import put
from blindspoon.files.trial_toml import FILE, parse_trial
from blindspoon.stage import Stage, touched
from blindspoon.starting import KINDS, rule_beside, rule_in_words
from blindspoon.trial import Trial, today
from blindspoon.workbench.app import Form, Workbench
from blindspoon.workbench.phrases import beside
from blindspoon.workbench.question_form import PRIMARY, ROWS, QuestionForm


def add_to(bench: Workbench) -> None:
    @bench.get("question")
    def page(
        stage: Stage, typed: QuestionForm | None = None, code: int = 200, **more: object
    ) -> Response:
        form = QuestionForm.from_toml(stage.text)
        if typed:
            form = QuestionForm(form.fields | typed.fields, typed.rows)
        values: dict[str, object] = {
            "typed": form.places,
            "scale": (form.fields["scale.low"], form.fields["scale.high"]),
            "numbers": {kind: range(1, len(form.rows.get(kind, [])) + 1) for kind in ROWS},
            "locked": {part: stage.locked(part) for part in ("served", "rule")},
            "texts": read_back(None if more.get("faults") else stage.plan),
            "seen": bench.seen(stage, [FILE]),
            "kinds": KINDS,
        }
        return bench.page("question.html.j2", stage, "question", code, **values | more)

    @bench.post("question")
    def save(stage: Stage, form: Form) -> Response:
        typed = QuestionForm.from_form(form)
        go, _, row = form.get("go", "").partition(" ")
        kind, _, number = row.partition(" ")
        if go == "out":
            typed.take_out(kind, number)
        typed.drop_blank()
        if go in ("add", "out"):
            unsaved = None
            with contextlib.suppress(TrialError):
                unsaved = parse_trial(typed.written(stage.text))
            if go == "add":
                typed.add(kind)
            return page(stage, typed, texts=read_back(unsaved), unsaved=True)
        saved, locked = QuestionForm.from_toml(stage.text), bool(stage.locked("rule"))
        merged = bench.merge(
            form, stage, [FILE], typed.places | typed.names,
            lambda other: typed.filled_as(QuestionForm.from_toml(other.text)),
        )  # fmt: skip
        typed = QuestionForm.from_form(merged.values)
        for kind, names in saved.names.items():
            if merged.values.get(kind) == names != typed.names[kind]:
                typed.take_rows(saved, kind)
        if merged.theirs:
            return page(stage, typed, 409, faults=merged.faults, theirs=merged.theirs)
        if not locked:
            typed.guess(saved, stage.made)
        try:
            new = typed.written(stage.text, sealed=locked)
            trial = parse_trial(new)
        except TrialError as error:
            faults = beside(error.problems, {*typed.places, *ROWS, PRIMARY})
            if wants_json():
                return bench.checked(faults, read_back(None))
            return page(stage, typed, 422, faults=faults)
        for part in touched(stage.plan, trial):
            bench.see(stage, part)
        if wants_json():
            return bench.checked({}, read_back(trial))
        path = "rule" if not trial.decision.declared else _onward(stage)
        path = path if stage.state == "planned" else ""
        files = {FILE: new.encode()}
        return bench.save(stage, files, "The question", "The question is saved.", path)

    @bench.get("rule")
    def rule(stage: Stage) -> Response:
        from blindspoon.planning import hope  # noqa: PLC0415 - not where the workbench starts

        return bench.page(
            "rule.html.j2",
            stage,
            "question",
            rule=(rule_in_words(stage.plan), rule_beside(stage.plan)),
            hope=None if stage.locked("rule") else hope(stage.plan),
            locked=stage.locked("rule"),
            seen=bench.seen(stage, [FILE]),
        )

    @bench.post("rule")
    def say_yes(stage: Stage, form: Form) -> Response:
        bench.see(stage, "rule")
        seen = bench.seen(stage, [FILE])
        if form.get("seen", seen) != seen:
            return bench.go(stage, "rule", "The rule was changed meanwhile: read it as it is now.")
        files = {FILE: put(stage.text, "decision.declared", today()).encode()}
        what, done = "Your yes to the rule", "Your rule is dated today."
        return bench.save(stage, files, what, done, _onward(stage))


def _onward(stage: Stage) -> str:
    return "jars" if stage.unmade else "codes" if stage.tasters else "tasters"


def read_back(trial: Trial | None) -> dict[str, str]:
    """Say the rule, and what so many sets can show, by the part of a page that has it."""
    from blindspoon.planning import hope  # noqa: PLC0415 - as for the rule

    rule = rule_in_words(trial) if trial else "The rule can be said once everything is put right."
    sentences = hope(trial).sentences if trial and trial.choice else ()
    return {"rule-so-far": rule, "so-far": " ".join(sentences)}
