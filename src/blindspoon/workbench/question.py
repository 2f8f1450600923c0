"""The question: everything of trial.toml that a host decides, as one form."""

import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from flask import request
from werkzeug.wrappers import Response

from blindspoon.collect.security import wants_json
from blindspoon.errors import Problem, TrialError, TrialFileError, quoted
from blindspoon.files.edits import add, put, take_out
from blindspoon.files.seal import rule_text
from blindspoon.files.trial_toml import parse_trial
from blindspoon.stage import Part, Stage
from blindspoon.starting import (
    BLANK,
    TWICE,
    column_name,
    meant,
    names_of,
    number_of,
    rule_beside,
    rule_in_words,
    short_name,
)
from blindspoon.trial import Trial, today
from blindspoon.workbench.app import Form, Workbench
from blindspoon.workbench.phrases import beside

FILE = "trial.toml"

TEXTS = (
    "trial.title", "trial.question", "trial.host", "trial.licence", "trial.product",
    "tasting.allergens", "tasting.cleanser", "decision.by",
)  # fmt: skip
NUMBERS = (
    "decision.margin", "decision.alpha", "scale.low", "scale.high", "scale.step",
    "choice.sets", "choice.can_tell", "choice.tests",
)  # fmt: skip
PRIMARY = "decision.primary"
DAYS = ("course.over", "course.asks", "course.level", "course.same_control", "course.accept")
"""Whether and how it is asked over days: over which, "reach", "keep" or "both", a level, "yes"
where the control is the same at every session, and what is also asked by yes or no."""
FIELDS = (*TEXTS, *NUMBERS, PRIMARY, *DAYS)
ROWS = {
    "variant": ("label", "method", "differs", "series"),
    "attribute": ("label", "low", "high", "less", "more"),
}
"""The fields of a section that stands several times."""
STORY = ("title", "question", "product", "host", "licence", "dates", "story", "photos", "address",
         "tasters_shown")  # fmt: skip
"""Of a trial, what is never sealed."""
WAITS = "The rule can be said once everything is put right."

Draft = dict[str, str]
"""What stands in the form, by place; the name of a section that is there already under ".name"."""


def add_to(bench: Workbench) -> None:
    """Register the addresses."""

    @bench.get("question")
    def page(found: Stage, draft: Draft | None = None, code: int = 200, **more: object) -> Response:
        draft = _draft(found.text, rows=draft is None) | (draft or {})
        for kind in ROWS:  # every field has a text
            draft = _replaced(draft, kind, _rows(draft, kind))
        own: dict[str, object] = {
            "typed": draft,
            "scale": (draft["scale.low"], draft["scale.high"]),
            "numbers": {kind: range(1, len(_rows(draft, kind)) + 1) for kind in ROWS},
            "locked": {part: found.locked(part) for part in ("served", "rule")},
            "rule": rule_in_words(found.plan),
            "waits": WAITS,
            "seen": bench.seen(found, [FILE]),
        }
        return bench.page("question.html.j2", found, "question", code, **own | more)

    @bench.post("question")
    def save(found: Stage, form: Form) -> Response:
        text, draft = found.text, _typed(form)
        go, _, rest = form.get("go", "").partition(" ")
        if go in ("add", "out"):
            rows = _with_rows(draft, go, rest)
            try:
                new = _edited(text, draft if go == "add" else rows)
                rule = rule_in_words(parse_trial(new))
            except TrialError:
                rule = WAITS
            return page(found, rows, rule=rule, unsaved=True)
        draft, clash = bench.meet(
            form, found, [FILE], draft | _kinds(draft), lambda it: _beside(draft, _draft(it.text))
        )
        draft = _settled(draft, _draft(text))
        if clash:
            return page(found, draft, 409, **clash)
        draft |= {} if found.locked("rule") else dict(_guessed(draft, found))
        try:
            new = _edited(text, draft, sealed=bool(found.locked("rule")))
            trial = parse_trial(new)
        except TrialError as error:
            faults = beside(error.problems, {*draft, *ROWS, PRIMARY})
            if wants_json():
                return bench.checked(faults, {"rule-so-far": WAITS})
            return page(found, draft, 422, faults=faults)
        for part in touched(found.plan, trial):
            bench.see(found, part)
        if wants_json():
            return bench.checked({}, {"rule-so-far": rule_in_words(trial)})
        path = "rule" if not trial.decision.declared else _onward(found)
        path = path if found.state == "planned" else ""
        files = {FILE: new.encode()}
        return bench.save(found, files, "The question", "The question is saved.", path)

    _add_rule(bench)


def _add_rule(bench: Workbench) -> None:
    """Register the rule in a sentence, and the host's yes to it."""

    @bench.get("rule")
    def rule(found: Stage) -> Response:
        told = rule_in_words(found.plan), rule_beside(found.plan)
        seen, locked = bench.seen(found, [FILE]), found.locked("rule")
        return bench.page("rule.html.j2", found, "question", rule=told, locked=locked, seen=seen)

    @bench.post("rule")
    def say_yes(found: Stage, form: Form) -> Response:
        bench.see(found, "rule")
        seen = bench.seen(found, [FILE])
        if form.get("seen", seen) != seen:
            return bench.go(found, "rule", "The rule was changed meanwhile: read it as it is now.")
        files = {FILE: put(found.text, "decision.declared", today()).encode()}
        told = "Your rule is dated today."
        return bench.save(found, files, "Your yes to the rule", told, _onward(found))


def _onward(found: Stage) -> str:
    return "jars" if found.unmade else "codes" if found.tasters else "tasters"


def _draft(text: str, *, rows: bool = True) -> Draft:
    """Fill the form from trial.toml, with its sections that stand several times or without."""
    values, trial = tomllib.loads(text), parse_trial(text)
    parts = ((place, *place.split(".")) for place in FIELDS)
    draft = {place: _shown(values.get(part, {}).get(key)) for place, part, key in parts}
    draft["decision.alpha"] = draft["decision.alpha"] or "0.05"
    draft["decision.by"] = draft["decision.by"] or "mixed"
    labels = {row.name: row.label for row in trial.variants}
    labels |= {row.name: row.label for row in trial.attributes}
    for kind, fields in ROWS.items() if rows else ():
        for number, row in enumerate(values.get(kind, []), 1):
            own = {field: _shown(row.get(field)) for field in fields} | {"name": row["name"]}
            own["label"] = own["label"] or labels[row["name"]]
            draft |= {f"{kind}[{number}].{field}": value for field, value in own.items()}
    draft[PRIMARY], course = " ".join(sorted({*trial.decision.primary} - {"choice"})), trial.course
    asks = [name for name in ("reach", "keep") if course and getattr(course, name) is not None]
    which = "both" if len(asks) == 2 else "".join(asks)
    same = "yes" if course and course.same_control else ""
    accept = course.accept.replace("_", " ") if course else ""
    shown = course and (course.over, which, _shown(course.level), same, accept)
    return draft | dict(zip(DAYS, shown or ("", "reach", "", "", ""), strict=True))


def _typed(form: Form) -> Draft:
    """Take what was sent, but for places that are no field, and new sections without a word.

    Boxes that nobody ticked are not sent: the margin beside them tells that they were there.
    """
    fields = {field for row in ROWS.values() for field in row}
    places = re.compile(rf"({'|'.join(ROWS)})\[\d{{1,4}}\]\.(name|{'|'.join(fields)})")
    draft = {key: text for key, text in form.items() if key in FIELDS or places.fullmatch(key)}
    chosen = request.form.getlist(PRIMARY)
    if chosen or "decision.margin" in form:
        draft[PRIMARY] = " ".join(sorted(chosen))
    for kind in ROWS:
        for number, row in reversed([*enumerate(_rows(draft, kind), 1)]):
            if not any(row.values()):
                draft = _with_rows(draft, "out", f"{kind} {number}")
    return draft


def _rows(draft: Draft, kind: str) -> list[Draft]:
    """Take the sections of a kind out of a draft, by field."""
    found = (re.match(rf"{kind}\[(\d{{1,4}})\]", key) for key in draft)
    numbers = sorted({int(match[1]) for match in found if match})
    names = ("name", *ROWS[kind])
    return [{name: draft.get(f"{kind}[{n}].{name}", "") for name in names} for n in numbers]


def _with_rows(draft: Draft, go: str, rest: str) -> Draft:
    """Add a section to the form, or take one out of it; nothing is saved by that."""
    kind, _, place = rest.partition(" ")
    if kind not in ROWS:
        return draft
    rows = _rows(draft, kind)
    number = next((n for n in range(1, len(rows) + 1) if place == f"{n}"), 0)
    chosen = draft.get(PRIMARY, "").split()
    if go == "add":
        rows.append(dict.fromkeys(("name", *ROWS[kind]), ""))
    elif number:
        if kind == "attribute":  # those behind it move up
            moved = {f"{n}": f"{n - (n > number)}" for n in range(1, len(rows) + 1) if n != number}
            gone = (place, rows[number - 1]["name"])
            chosen = [moved.get(tick, tick) for tick in chosen if tick not in gone]
        del rows[number - 1]
    return _replaced(draft, kind, rows) | {PRIMARY: " ".join(chosen)}


def _replaced(draft: Draft, kind: str, rows: Sequence[Draft]) -> Draft:
    """Lay other sections of a kind into a draft."""
    others = {key: text for key, text in draft.items() if not key.startswith(f"{kind}[")}
    new = {f"{kind}[{n}].{f}": text for n, row in enumerate(rows, 1) for f, text in row.items()}
    return others | new


def _kinds(draft: Draft) -> Draft:
    """Name the sections of each kind that the form holds."""
    held = (kind for kind in ROWS if f"{kind}[1].label" in draft)
    return {kind: " ".join(row["name"] for row in _rows(draft, kind)) for kind in held}


def _beside(draft: Draft, other: Draft) -> Draft:
    """Lay another draft beside the places of this one; sections are known by their names."""
    found = {place: text for place, text in other.items() if "[" not in place} | _kinds(other)
    for kind in ROWS:
        rows = {row["name"]: row for row in _rows(other, kind)}
        for number, row in enumerate(_rows(draft, kind), 1):
            known = rows.get(row["name"], {})
            found |= {f"{kind}[{number}].{field}": text for field, text in known.items()}
    return found


def _settled(draft: Draft, now: Draft) -> Draft:
    """Take the sections of a kind as they stand now, where they and not the host's are wanted."""
    for kind, there in _kinds(now).items():
        wanted = draft.pop(kind, None)
        if wanted == there != _kinds(draft)[kind]:
            rows = {row["name"]: row for row in _rows(draft, kind)}
            draft = _replaced(draft, kind, [rows.get(it["name"], it) for it in _rows(now, kind)])
    return draft


def touched(old: Trial, new: Trial) -> list[Part]:
    """Name what has to be open for one trial to become another; its story always is."""
    parts: tuple[Part, ...] = ("served", "rule")
    pairs = zip(parts, _parts(old), _parts(new), strict=True)
    return [part for part, one, other in pairs if one != other]


def _parts(trial: Trial) -> tuple[object, Trial]:
    """Give what tasters read, and what is sealed: the trial without that and without its story."""
    read = [(it.label, it.low, it.high) for it in trial.attributes]
    words: dict[str, Any] = dict.fromkeys(("label", "low", "high", "less", "more"), "")
    story: dict[str, Any] = dict.fromkeys(STORY, "")
    sealed = replace(
        trial,
        **story,
        tasting=replace(trial.tasting, allergens="", cleanser=""),
        variants=tuple(replace(it, label="", method="") for it in trial.variants),
        attributes=tuple(replace(it, **words) for it in trial.attributes),
    )
    return (trial.product, trial.tasting.allergens, trial.tasting.cleanser, read), sealed


def _edited(text: str, draft: Draft, *, sealed: bool = False) -> str:
    """Write a draft into trial.toml; a rule that changes waits for another yes, until it is sealed.

    TrialFileError has every problem that the draft brings.
    """
    old, now, problems = parse_trial(text), _draft(text), list[Problem]()
    if not draft.get("trial.product", "x"):
        needed = BLANK._replace(allowed="tasters would read the title instead")
        problems.append(needed.broken("no food is named", FILE, None, "trial.product"))
    for kind in _kinds(draft):
        problems += _unnamed(kind, draft)
        text = _with_sections(text, kind, draft)
    for place, typed in draft.items():
        if place in TEXTS and typed != now[place]:
            text = put(text, place, typed or None)
        elif place in NUMBERS and not _alike(typed, now[place]):
            value = number_of(typed)
            text = put(text, place, typed or None if value is None else value)
    asked = {place: draft.get(place, now[place]) for place in DAYS}
    if asked.items() - now.items():
        text = _with_days(text, asked)
    names = names_of(text, "attribute")
    pairs = zip(names, _rows(draft, "attribute"), strict=False)  # new ones are last in both
    added = {f"{n}": name for n, (name, row) in enumerate(pairs, 1) if not row["name"]}
    ticked = {added.get(tick, tick) for tick in draft.get(PRIMARY, "").split()}
    chosen = [name for name in names if name in ticked]
    chosen += ["course"] * ("course" in ticked and bool(draft.get("course.over")))
    chosen += ["choice"] * ("choice" in old.decision.primary)
    if PRIMARY in draft and set(chosen) != set(old.decision.primary):
        text = put(text, PRIMARY, chosen or None)
    try:
        new = parse_trial(text)
    except TrialFileError as error:
        raise TrialFileError([*problems, *error.problems]) from None
    if problems:
        raise TrialFileError(problems)
    one, other = (
        (rule_text(trial), rule_in_words(trial), [row.name for row in trial.variants])
        for trial in (old, new)
    )
    return text if one == other or sealed else put(text, "decision.declared", None)


def _with_days(text: str, asked: Draft) -> str:
    """Write how it is asked over days, or that it is not."""
    if not asked["course.over"]:
        for number, _ in enumerate(names_of(text, "variant"), 1):
            text = put(text, f"variant[{number}].series", None)
        return put(text, "course", None)
    typed = asked["course.level"]
    target: str | float = "control" if not typed else number_of(typed) or typed
    text = put(text, "course.over", asked["course.over"])
    text = put(text, "course.same_control", True if asked["course.same_control"] else None)
    accept = short_name(asked["course.accept"], [], "").replace("-", "_")
    text = put(text, "course.accept", accept or None)
    for name in ("reach", "keep"):
        wanted = asked["course.asks"] in (name, "both")
        text = put(text, f"course.{name}", target if wanted else None)
    return text


def _guessed(draft: Draft, found: Stage) -> Iterator[tuple[str, str]]:
    """Guess what a change differs in where it is new, or has another name than its guess was of.

    Not once a jar of it is written down, which has a line of that name.
    """
    before = {row["name"]: row for row in _rows(_draft(found.text), "variant")}
    for number, row in enumerate(_rows(draft, "variant"), 1):
        was = before.get(row["name"], dict.fromkeys(row, ""))
        one, new = (_shown(meant(it["label"]) if it["label"] else []) for it in (was, row))
        if row["differs"] == was["differs"] == one and row["name"] not in found.made:
            yield f"variant[{number}].differs", new


def _factors(text: str, typed: str) -> list[str]:
    """Read what a variant differs in as it is shown, or in words of the host's own."""
    from blindspoon.batches.differences import STANDARD  # noqa: PLC0415
    from blindspoon.batches.summary import factor_name  # noqa: PLC0415

    own = (name for variant in parse_trial(text).variants for name in variant.differs)
    known = {factor_name(name): [name] for name in (*(it.name for it in STANDARD), *own)}
    words = (word.strip().lower() for word in re.split("[,;\n]| and ", typed))
    found = (name for word in words if word for name in known.get(word) or meant(word))
    return list(dict.fromkeys(found))


def _unnamed(kind: str, draft: Draft) -> Iterator[Problem]:
    """Name the sections that have no name, or that of another one."""
    labels = [row["label"].casefold() for row in _rows(draft, kind)]
    for number, row in enumerate(_rows(draft, kind), 1):
        place = f"{kind}[{number}].label"
        if not row["label"] and not row["name"]:
            yield BLANK.broken("it has no name", FILE, None, place)
        elif row["label"].casefold() in labels[: number - 1]:
            found = f"{quoted(row['label'])} is the name of another one already"
            twice = TWICE._replace(remedy="Give it its own")
            yield twice.broken(found, FILE, None, place)


def _with_sections(text: str, kind: str, draft: Draft) -> str:
    """Take out sections that are not in the draft, change those that are, and add new ones."""
    rows, shown = _rows(draft, kind), _rows(_draft(text), kind)
    kept = [row["name"] for row in rows if row["name"]]
    for number in range(len(shown), 0, -1):
        if shown[number - 1]["name"] not in kept:
            text = take_out(text, kind, number)
    before = {row["name"]: row for row in shown}
    for row in rows:
        names, name = names_of(text, kind), row["name"]
        if name not in names:
            make = short_name if kind == "variant" else column_name
            name = make(row["label"], names, f"{kind}-{len(names) + 1}")
            text = add(text, kind, {"name": name})
            names.append(name)
        number = names.index(name) + 1
        for field in ROWS[kind]:
            if row[field] != before.get(name, {}).get(field, ""):
                value = _factors(text, row[field]) if field == "differs" else row[field]
                text = put(text, f"{kind}[{number}].{field}", value or None)
    return text


def _alike(one: str, other: str) -> bool:
    """Tell whether two texts are the same, or the same number."""
    values = number_of(one), number_of(other)
    return one == other or (values[0] is not None and values[0] == values[1])


def _shown(value: object) -> str:
    """Write a value of trial.toml as it stands in a field."""
    if isinstance(value, list):
        from blindspoon.batches.summary import factor_name  # noqa: PLC0415 - not at the start

        return ", ".join(map(factor_name, value))
    if isinstance(value, float) and value.is_integer():
        return f"{value:.0f}"
    return "" if value is None else str(value)
