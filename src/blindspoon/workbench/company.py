"""Who tastes and how often, and what they can show: worked out beside the pages."""

import tomllib
from collections.abc import Iterable

from flask import request
from markupsafe import Markup
from werkzeug.wrappers import Response

from blindspoon.errors import TrialError
from blindspoon.files.edits import add, put, take_out
from blindspoon.files.schema import as_date
from blindspoon.files.trial_toml import FILE, parse_trial
from blindspoon.scores.standing import too_few_rounds, too_few_sets
from blindspoon.serving.plan import request_for
from blindspoon.stage import Stage
from blindspoon.starting import day_of, number_of, tasters_of, tasters_told
from blindspoon.trial import Trial
from blindspoon.wording import count, spelled
from blindspoon.workbench.app import UNSENT, Form, Workbench
from blindspoon.workbench.jobs import Job, Moved
from blindspoon.workbench.phrases import REMEDIES, beside

CHANCES = "Working out what they can show"
QUICK, FINE = 200, 2000
"""Simulated trials: enough for a first look, and what "blindspoon size" takes at most."""
MOST = 30  # sessions in the form
NAMES, CUPS, SESSIONS = "tasting.tasters", "tasting.servings", "sessions"
DAYS = tuple(f"session[{place}].date" for place in range(1, MOST + 1))


def add_to(bench: Workbench) -> None:
    def work_out(stage: Stage, trials: int) -> Job:
        seen = bench.seen(stage, [FILE])
        return bench.jobs.run(
            CHANCES, stage.folder, lambda moved: _chances(stage, trials, moved), seen
        )

    @bench.get("tasters")
    def page(stage: Stage, typed: Form = UNSENT, code: int = 200, **more: object) -> Response:
        seen = bench.seen(stage, [FILE])
        planned = stage.state == "planned"
        job = bench.jobs.last(CHANCES, stage.folder) if planned else None
        waits = planned and stage.plan.tasting.tasters and code == 200
        if waits and (job is None or job.seen != seen):
            job = work_out(stage, QUICK)
        if job and not job.ended and "change" in request.args:
            job = None  # who writes is not renewed
        draft = _draft(stage.plan) | dict(typed)
        number = number_of(draft[SESSIONS]) or 1
        least = 2 if planned else 1
        shown = range(1, 1 + min(MOST, max(least, int(number))))
        blank = {f"session[{place}].date": "" for place in shown}
        return bench.page(
            "company.html.j2", stage, "tasters", code,
            job=job, seen=seen, shown=shown, typed=blank | draft, fine=FINE, **more,
        )  # fmt: skip

    def save(stage: Stage, form: Form, places: Iterable[str], what: str) -> Response:
        typed = {place: form[place] for place in places if place in form}
        merged = bench.merge(form, stage, [FILE], typed, lambda it: _draft(it.plan))
        typed = merged.values
        if merged.theirs:
            return page(stage, typed, 409, faults=merged.faults, theirs=merged.theirs)
        filled = _draft(stage.plan) | typed
        faults = _faults(filled)
        try:
            new = stage.text if faults else _edited(stage.text, filled)
            trial = parse_trial(new)
            if filled[CUPS] and not stage.blind:
                request_for(trial)
        except TrialError as error:
            faults = beside(error.problems, typed)
        if faults:
            return page(stage, typed, 422, faults=faults)
        files = {FILE: new.encode()}
        return bench.save(stage, files, what, f"{what} are saved.", "tasters")

    @bench.post("tasters")
    def all_of_it(stage: Stage, form: Form) -> Response:
        bench.see(stage, "rule")
        return save(stage, form, (NAMES, CUPS, SESSIONS, *DAYS), "The tasters")

    @bench.post("tasters/days")
    def days(stage: Stage, form: Form) -> Response:
        """Date the sessions that are drawn; the sheets say their days."""
        if not stage.blind:
            return bench.go(stage, "tasters")
        return save(stage, form, DAYS, "The days")

    @bench.post("tasters/finer")
    def finer(stage: Stage, _: Form) -> Response:
        if stage.state == "planned":
            work_out(stage, FINE)
        return bench.go(stage, "tasters")

    @bench.post("tasters/stop")
    def stop(stage: Stage, _: Form) -> Response:
        bench.jobs.stop(CHANCES, stage.folder)
        return bench.go(stage, "tasters")


def _draft(trial: Trial) -> dict[str, str]:
    cups = trial.tasting.servings
    dates = enumerate(trial.sessions, 1)
    return {
        NAMES: tasters_told(trial.tasting.tasters),
        CUPS: "" if cups is None else str(cups),
        SESSIONS: str(len(trial.sessions) or 1),
    } | {f"session[{place}].date": str(session.date or "") for place, session in dates}


def _faults(form: Form) -> dict[str, str]:
    """Say what is wrong with numbers and days, before anything is written into a file."""
    faults = {}
    number = number_of(form.get(SESSIONS, ""))
    if not isinstance(number, int) or not 1 <= number <= MOST:
        faults[SESSIONS] = f"Write how many, in digits: 1 to {MOST}."
    cups = number_of(form.get(CUPS, ""))
    if form.get(CUPS, "").strip() and (not isinstance(cups, int) or cups < 2):
        faults[CUPS] = "Write how many cups, in digits: two at least, or leave it empty."
    if not form.get(NAMES, "").strip():
        faults[NAMES] = "Write their first names, one a line, or how many they are."
    for place, text in form.items():
        if place.startswith("session[") and text.strip() and day_of(text) is None:
            faults[place] = f"{REMEDIES['bad-date']}."
    return faults


def _edited(text: str, form: Form) -> str:
    """Write the form into trial.toml; TrialFileError where that would change anything else."""
    trial = parse_trial(text)
    if (names := tasters_of(form[NAMES])) != tasters_of(_draft(trial)[NAMES]):
        text = put(text, NAMES, names)
    cups = number_of(form.get(CUPS, ""))
    if cups != trial.tasting.servings:
        text = put(text, CUPS, cups)
    listed = tomllib.loads(text).get("session", [])
    wanted = int(number_of(form[SESSIONS]) or 1)
    for place in range(len(listed), wanted, -1):
        text = take_out(text, "session", place)
    for place in range(1, wanted + 1):
        day = as_date(form.get(f"session[{place}].date", ""))
        if place > len(listed) and (wanted > 1 or day):
            taken = {str(session.get("name")) for session in listed}
            free = map(str, range(place, place + len(taken) + 1))  # its place, or the next one
            text = add(text, "session", {"name": next(it for it in free if it not in taken)})
            listed = tomllib.loads(text)["session"]
        if place <= len(listed) and day != listed[place - 1].get("date"):
            text = put(text, f"session[{place}].date", day)
    return text


def _chances(stage: Stage, trials: int, moved: Moved) -> dict[str, object]:
    """Simulate this panel among others, and say and draw what they can show."""
    from blindspoon import planning  # noqa: PLC0415
    from blindspoon.simulate.chances import chances_chart  # noqa: PLC0415 - brings in scipy
    from blindspoon.simulate.size_results import A_ROUND  # noqa: PLC0415

    plan = stage.plan
    if not plan.primary_attributes and (plan.course or not plan.attributes):
        first, in_vain = planning.hope(plan).sentences, too_few_sets(plan)
        sized = planning.size_exactly(plan)
        rest = [text for one in sized if one for text in one.sentences if text not in first]
        undrawn = {"assumptions": (), "title": "", "trials": FINE}
        return undrawn | {"in_vain": in_vain, "first": first, "rest": rest}
    planned, rounds = len(plan.tasting.tasters), len(plan.sessions) or 1
    alone, least = planned == 1, max(planned, 3)  # two are too few to simulate
    trial, sizing = planning.size_folder(
        stage.folder,
        trials=trials,
        jobs=1,
        tasters=() if alone else sorted({6, 12, 24, least}),
        sessions=() if alone else sorted({1, 2, rounds}),
        progress=moved,
    )
    chart = chances_chart(sizing, trial)
    panel = f"{count(least, 'taster')} in {spelled(rounds)} "
    begins = (f"{count(rounds, 'round')}:" if alone else panel, A_ROUND)
    theirs = [text for text in sizing.sentences if text.startswith(begins)]
    short = "" if alone or planned == least else "Two are too few to work it out. "
    in_vain = too_few_rounds(plan, plan.tasting.tasters)
    return {
        "in_vain": in_vain,
        "first": [*(short + text for text in theirs), *filter(None, [in_vain]), *sizing.foretold],
        "rest": [text for text in sizing.sentences if text not in theirs],
        "assumptions": sizing.assumptions,
        "title": chart.title,
        "wide": Markup(chart.wide),  # noqa: S704 - drawn here
        "narrow": Markup(chart.narrow),  # noqa: S704
        "trials": trials,
    }
