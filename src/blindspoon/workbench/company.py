"""Who tastes and how often, and what they can show: worked out beside the pages."""

import tomllib
from collections.abc import Iterable

from flask import request
from markupsafe import Markup
from werkzeug.wrappers import Response

from blindspoon.errors import TrialError
from blindspoon.files.edits import add, put, take_out
from blindspoon.files.schema import as_date
from blindspoon.files.trial_toml import parse_trial
from blindspoon.scores.standing import too_few_rounds, too_few_sets
from blindspoon.serving.plan import request_for
from blindspoon.stage import Stage
from blindspoon.starting import day_of, number_of, tasters_of, tasters_told
from blindspoon.trial import Trial
from blindspoon.wording import count, spelled
from blindspoon.workbench.app import UNSENT, Form, Workbench
from blindspoon.workbench.jobs import Job, Moved
from blindspoon.workbench.phrases import REMEDIES, beside

FILE = "trial.toml"
CHANCES = "Working out what they can show"
QUICK, FINE = 200, 2000
"""Simulated trials: enough for a first look, and what "blindspoon size" takes at most."""
MOST = 30  # sessions in the form
NAMES, CUPS, SESSIONS = "tasting.tasters", "tasting.servings", "sessions"
DAYS = tuple(f"session[{place}].date" for place in range(1, MOST + 1))


def add_to(bench: Workbench) -> None:
    def work_out(found: Stage, trials: int) -> Job:
        seen = bench.seen(found, [FILE])
        return bench.jobs.run(
            CHANCES, found.folder, lambda moved: _chances(found, trials, moved), seen
        )

    @bench.get("tasters")
    def page(found: Stage, typed: Form = UNSENT, code: int = 200, **more: object) -> Response:
        seen = bench.seen(found, [FILE])
        planned = found.state == "planned"
        job = bench.jobs.last(CHANCES, found.folder) if planned else None
        waits = planned and found.plan.tasting.tasters and code == 200
        if waits and (job is None or job.seen != seen):
            job = work_out(found, QUICK)
        if job and not job.ended and "change" in request.args:
            job = None  # who writes is not renewed
        draft = _draft(found.plan) | dict(typed)
        number = number_of(draft[SESSIONS]) or 1
        least = 2 if planned else 1
        shown = range(1, 1 + min(MOST, max(least, int(number))))
        blank = {f"session[{place}].date": "" for place in shown}
        own = {"job": job, "seen": seen, "shown": shown, "typed": blank | draft, "fine": FINE}
        return bench.page("company.html.j2", found, "tasters", code, **own | more)

    def save(found: Stage, form: Form, places: Iterable[str], what: str) -> Response:
        typed = {place: form[place] for place in places if place in form}
        merged = bench.merge(form, found, [FILE], typed, lambda stage: _draft(stage.plan))
        typed = merged.values
        if merged.theirs:
            return page(found, typed, 409, faults=merged.faults, theirs=merged.theirs)
        whole = _draft(found.plan) | typed
        faults = _faults(whole)
        try:
            new = found.text if faults else _edited(found.text, whole)
            trial = parse_trial(new)
            if whole[CUPS] and not found.blind:
                request_for(trial)
        except TrialError as error:
            faults = beside(error.problems, typed)
        if faults:
            return page(found, typed, 422, faults=faults)
        said = f"{what} are saved."
        return bench.save(found, {FILE: new.encode()}, what, said, "tasters")

    @bench.post("tasters")
    def all_of_it(found: Stage, form: Form) -> Response:
        bench.see(found, "rule")
        return save(found, form, (NAMES, CUPS, SESSIONS, *DAYS), "The tasters")

    @bench.post("tasters/days")
    def days(found: Stage, form: Form) -> Response:
        """Date the sessions that are drawn; the sheets say their days."""
        if not found.blind:
            return bench.go(found, "tasters")
        return save(found, form, DAYS, "The days")

    @bench.post("tasters/finer")
    def finer(found: Stage, _: Form) -> Response:
        if found.state == "planned":
            work_out(found, FINE)
        return bench.go(found, "tasters")

    @bench.post("tasters/stop")
    def stop(found: Stage, _: Form) -> Response:
        bench.jobs.stop(CHANCES, found.folder)
        return bench.go(found, "tasters")


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


def _chances(found: Stage, trials: int, moved: Moved) -> dict[str, object]:
    """Simulate this panel among others, and say and draw what they can show."""
    from blindspoon import planning  # noqa: PLC0415
    from blindspoon.simulate.chances import chances_chart  # noqa: PLC0415 - brings in scipy
    from blindspoon.simulate.size_results import A_ROUND  # noqa: PLC0415

    plan = found.plan
    if not plan.primary_attributes and (plan.course or not plan.attributes):
        first, in_vain = planning.hope(plan).sentences, too_few_sets(plan)
        _, *sized = planning.size_exactly(found.folder)
        rest = [text for one in sized if one for text in one.sentences if text not in first]
        undrawn = {"assumptions": (), "title": "", "trials": FINE}
        return undrawn | {"in_vain": in_vain, "first": first, "rest": rest}
    planned, rounds = len(plan.tasting.tasters), len(plan.sessions) or 1
    alone, least = planned == 1, max(planned, 3)  # two are too few to simulate
    trial, sizing = planning.size_folder(
        found.folder,
        trials=trials,
        jobs=1,
        tasters=() if alone else sorted({6, 12, 24, least}),
        sessions=() if alone else sorted({1, 2, rounds}),
        progress=moved,
    )
    chart = chances_chart(sizing, trial)
    own = (
        f"{count(rounds, 'round')}:" if alone else f"{count(least, 'taster')} in {spelled(rounds)} "
    )
    theirs = [text for text in sizing.sentences if text.startswith((own, A_ROUND))]
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
