"""A trial begun with seven questions, asked by a page or in a terminal; its rule in a sentence."""

import datetime
import re
import tomllib
import unicodedata
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from blindspoon.errors import Problem, Rule, TrialFileError, quoted
from blindspoon.files import shipped
from blindspoon.files.edits import Value, add, put, take_out
from blindspoon.files.schema import COLUMNS, as_date, as_number
from blindspoon.files.trial_toml import FILE, parse_trial
from blindspoon.trial import Attribute, Course, Over, Trial, default_tasters, today
from blindspoon.wording import OVER, capital, listing, margin, would_have

BLANK = Rule("missing-key", "it is needed", "Write it here")
TWICE = Rule(
    "repeated-name",
    "ballots, jars and findings go by the name",
    "Give each its own, such as “Cut twice as thick”",
)
NUMBER = Rule("wrong-type", "a number is needed", "Write digits, such as 1 or 0,5")
DATE = Rule(
    "wrong-type",
    "a date is needed",
    "Write it as in 2026-10-17 or 17.10.2026, at most three years ahead",
)


class StartQuestion(NamedTuple):
    """A question of a new trial: what is asked, and a hint."""

    asked: str
    hint: str


SHARE = "choice.can_tell"
"""Key of the answer up to which share of tasters may be able to tell; it is typed in percent."""

QUESTIONS = {
    "trial.product": StartQuestion("What food is it?",
        "Tasters will read this, so leave out what you changed."),
    "variant[1].label": StartQuestion("What stays plain?",
        "Your recipe as you always make it. It is the control: every change is compared with it."),
    "changes": StartQuestion("What is changed?",
        "One line for each jar, as the findings will call it, and one change in each: then you "
        "will know what did it."),
    "trial.title": StartQuestion("What do you want to know?",
        "Your question, as you would ask a friend."),
    "decision.margin": StartQuestion("What difference would be too small to bother?",
        "If a jar scores higher or lower than your usual one by less than this, you would go on "
        "as always. One point is one number further on the ballot."),
    "tasting.tasters": StartQuestion("Who tastes?",
        "First names, one a line; yours too, if you taste. No names yet? Write how many, such as "
        "9."),
    "session[1].date": StartQuestion("When?",
        "At a second session the same people taste everything again, and smaller differences "
        "show. One person alone needs six sessions or more, which can be added later."),
    SHARE: StartQuestion("If fewer than this can tell, you go on as always",
        "So many tasters in a hundred."),
    "choice.sets": StartQuestion("Sets for each taster in a session",
        "A set is three cups, one of them different: which?"),
}  # fmt: skip
"""Seven questions, and two that are asked of sets only, by the key of the answer."""

DAYS = tuple(f"session[{number}].date" for number in range(1, 7))
"""Keys of the answers that are days of sessions, one or more each."""

ASKS = "asks"
"""Key of the answer that says what is asked: one of `KINDS`."""

KINDS = {
    "scores": "How much each change does",
    "sets": "Whether anybody can tell at all",
    "reach": "When it is ready",
    "keep": "Until when it stays good",
    "both": "When it is ready, and until when it stays good",
}
"""What may be asked: of scores, of sets of three cups, one of them different, or over days."""

AGES = (
    "If you ask on which day it is ready, or no longer good, write one line for each age, such as "
    "7 days; or one line for one jar that is tasted on several evenings."
)

OF_SETS = {SHARE: "30", "choice.sets": "2"}
"""What is answered of sets only, and usual: the share, and how many sets each gets in a session."""

SCORED = "scored"
"""Key of the answer that says what tasters score: names, or words of the host's own, a line each;
the first of them answers the question. Of sets it does not count."""

Answers = Mapping[str, str]

_FACTORS = {
    "salt": r"(?<!sea )(?<!rock )(?<!table )(?<!kosher )salt|% .*(salt|brine)|brine strength"
    r"|^\d+([.,]\d+)? ?%$",
    "temperature_c": r"cellar|cool|warm|cold|°|degrees|fridge|temperature",
    "fermented": r"longer|shorter|more days|fewer days|^\d+ (day|week|month)s?\b",
    "acid": r"vinegar|acid",
    "sugar": r"sugar|honey|sweet",
    "starter": r"brine from|old brine|starter|whey|culture",
    "vessel": r"crock|vessel|airlock|lid",
}
"""What a change is meant to differ in, by words of its name; else in a column of its own."""

_LIKE = {
    "trial": ("host", "licence"),
    "decision": ("alpha", "by"),
    "scale": ("low", "high", "step"),
    "tasting": ("allergens", "cleanser", "rest", "consent", "language"),
    "course": ("accept", "half", "same_control"),
    "attribute": ("low", "high", "less", "more"),
    "variant": ("method", "differs"),
}
"""What a trial keeps of an earlier one that it is like, besides its answers."""


def new_files(
    answers: Answers, today: datetime.date, seed: int | None = None, like: str = ""
) -> dict[str, bytes]:
    """Make the files of a new trial from answers, for which the rule may be said from `today`.

    The answers are by the keys of `QUESTIONS`, `SCORED`, `ASKS`, `OF_SETS` and `DAYS`; also
    "variant[1].method". One that is missing is blank, or usual. TrialFileError has a problem for
    each that will not do, its key as the column. Without a `seed` the trial draws from one by
    chance. `like` is the text of an earlier trial.toml.
    """
    from blindspoon.batches.differences import own_points  # noqa: PLC0415 - not at the start

    answers = OF_SETS | {key: text.strip() for key, text in answers.items() if text.strip()}
    changes, asks = lines_of(answers.get("changes", "")), answers.get(ASKS, "scores")
    typed = lines_of(answers.get(SCORED, "")) if asks != "sets" else []
    scored = [label.rstrip(" ?!.:") or label for label in typed]  # it stands within sentences
    problems = list(_unfit(answers, changes, asks, scored))
    if problems:
        raise TrialFileError(problems)
    days = [
        day for place in DAYS for text in lines_of(answers.get(place, "")) if (day := day_of(text))
    ]
    over_days, over = asks in ("reach", "keep", "both"), _over(asks, changes, like)
    point = ["fermented" if over == "fermented_days" else "age"]
    starter = shipped.starter(today, seed)
    text = _with_attributes(starter["trial.toml"], scored)
    for number in range(len(names_of(text, "variant")), 1, -1):
        text = take_out(text, "variant", number)
    names = [short_name(answers["variant[1].label"], [], "change-0")]
    for number, label in enumerate(changes, 1):
        names.append(short_name(label, names, f"change-{number}"))
        differs = point if over_days else meant(label)
        row: dict[str, Value] = {"name": names[-1], "label": label, "differs": differs}
        if over_days and len(changes) > 1:
            row["series"] = answers["trial.product"][:80]
        text = add(text, "variant", row)
    values: dict[str, Value | None] = {
        "variant[1].name": names[0],
        "variant[1].label": answers["variant[1].label"],
        "variant[1].method": answers.get("variant[1].method"),
        "trial.title": answers["trial.title"],
        "trial.question": None,
        "trial.product": answers["trial.product"],
        "trial.control": names[0],
        "decision.margin": number_of(answers["decision.margin"]) if scored else None,
        "tasting.tasters": tasters_of(answers.get("tasting.tasters", "")) or None,
        "session[1].date": days[0] if days else None,
    }
    if asks == "sets":
        values |= {"decision.primary": ["choice"], "choice.method": "triangle"}
        values["choice.sets"] = number_of(answers["choice.sets"])
        values[SHARE] = number_at(SHARE, answers[SHARE])
    if over_days:
        values["course.over"], values["decision.primary"] = over, ["course"]
        values["course.attribute"] = tomllib.loads(text)["decision"]["primary"][0]
        values |= {f"course.{key}": "control" for key in ("reach", "keep") if asks in (key, "both")}
    for place, value in values.items():
        text = put(text, place, value)
    for number, day in enumerate(days[1:], 2):
        text = add(text, "session", {"name": f"{number}", "date": day})
    try:
        text = _like(text, like) if like else text
        own = own_points(parse_trial(text))
    except TrialFileError as error:
        raise TrialFileError([_at_its_question(problem) for problem in error.problems]) from None
    return {
        "trial.toml": text.encode(),
        "batches.csv": (",".join([starter["batches.csv"].strip(), *own]) + "\n").encode(),
        "readings.csv": starter["readings.csv"].encode(),
    }


def _over(asks: str, changes: Sequence[object], like: str = "") -> Over:
    """Choose the days that are counted, as the host of an earlier trial did."""
    earlier = parse_trial(like) if like else None
    course = earlier and earlier.course
    if earlier and course and course.over != _over(asked_of(course), earlier.variants[1:]):
        return course.over
    # one jar goes on ageing from evening to evening, in the cold too
    return "fermented_days" if len(changes) > 1 and asks != "keep" else "age_days"


def _like(text: str, earlier: str) -> str:
    """Keep what an earlier trial has besides its answers, of what both have by the same label."""
    raw, old, new = tomllib.loads(earlier), parse_trial(earlier), parse_trial(text)
    once = ["trial", "decision", "scale", "tasting", *["course"] * (new.course is not None)]
    parts = [(part, part, raw.get(part, {})) for part in once]
    for kind in ("attribute", "variant"):
        known, mine = (
            [it.label.lower() for it in getattr(trial, f"{kind}s")] for trial in (old, new)
        )
        rows = dict(zip(known, raw.get(kind, []), strict=True))
        first = 1 if kind == "variant" else 0  # of the control the form has it
        for number, label in enumerate(mine[first:], first + 1):
            if label in rows:
                parts.append((kind, f"{kind}[{number}]", rows[label]))
    for kind, place, row in parts:
        for key in _LIKE[kind] if row else ():
            text = put(text, f"{place}.{key}", row.get(key))
    now, was = new.course, old.course
    if now and was and was.level is not None:
        labels = {trial.attribute(it.attribute).label for trial, it in ((new, now), (old, was))}
        if len(labels) == 1:  # so many points of something else say nothing
            asked = [key for key in ("reach", "keep") if getattr(now, key) is not None]
            for key, value in (dict.fromkeys(asked, was.level) | {"side": was.side}).items():
                text = put(text, f"course.{key}", value)
    return text


def _unfit(
    answers: Answers, changes: Sequence[str], asks: str, scored: Sequence[str]
) -> Iterator[Problem]:
    """Name the answers that will not do, before anything is made of them."""
    asked = {key: it.asked for key, it in QUESTIONS.items()} | {SCORED: "What is scored?"}
    needed: dict[str, tuple[object, str]] = {
        "trial.product": (answers.get("trial.product"), "the ballots name the food"),
        "variant[1].label": (answers.get("variant[1].label"), "every change is compared with it"),
        "changes": (changes, "there is one change at least"),
        "trial.title": (answers.get("trial.title"), "it is the title of what you find out"),
        SCORED: (scored or asks == "sets", "tasters score one thing at least"),
    }
    for place, (answer, why) in needed.items():
        if not answer:
            found = f"“{asked[place]}” has no answer"
            yield BLANK._replace(allowed=why).broken(found, FILE, None, place)
    labels = [label.casefold() for label in (answers.get("variant[1].label", ""), *changes)]
    for label in {it.casefold(): it for it in changes if labels.count(it.casefold()) > 1}.values():
        yield TWICE.broken(f"{quoted(label)} stands twice", FILE, None, "changes")
    for place in OF_SETS if asks == "sets" else ["decision.margin"] * bool(scored):
        text = answers.get(place, "")
        if number_at(place, text) is None:
            found = f"{quoted(text)} is a text" if text else "nothing is written here"
            yield NUMBER.broken(found, FILE, None, place)
    typed = [(place, day) for place in DAYS for day in lines_of(answers.get(place, ""))]
    for place, day in typed:
        if day_of(day) is None:
            is_ = "is no day of these years" if as_date(day) else "is a text"
            yield DATE.broken(f"{quoted(day)} {is_}", FILE, None, place)


def _at_its_question(problem: Problem) -> Problem:
    """Lead a problem of trial.toml to the question that it comes from."""
    place = problem.column or ""
    if re.match(r"variant\[([2-9]|\d\d)", place):
        return replace(problem, column="changes")
    return replace(problem, column=SCORED) if place.startswith("attribute") else problem


def _with_attributes(text: str, scored: Sequence[str]) -> str:
    """Keep what is scored, add the host's own, and let the first of them decide."""
    ready = {word: row.name for row in known_attributes() for word in (row.name, row.label.lower())}
    scored = list(dict.fromkeys(ready.get(label.lower(), label) for label in scored))
    listed, names = names_of(text, "attribute"), dict(ready)
    for label in scored:
        if label not in names:
            names[label] = column_name(label, names.values(), "own")
            shown = capital(label) if label.split(" ")[0].islower() else label
            text = add(text, "attribute", {"name": names[label], "label": shown})
    for number in range(len(listed), 0, -1):
        if listed[number - 1] not in scored:
            text = take_out(text, "attribute", number)
    return put(text, "decision.primary", [names[label] for label in scored[:1]])


def rule_in_words(trial: Trial) -> str:
    r"""Say the rule that decides, as it is written, in a sentence for who is to say yes to it.

    >>> trial = parse_trial('''
    ... trial = { title = "Crisp", control = "plain" }
    ... decision = { primary = ["texture"], margin = 1 }
    ... scale = { low = 0, high = 10 }
    ... attribute = [{ name = "texture" }]
    ... variant = [{ name = "plain" }, { name = "oak" }]
    ... ''')
    >>> print(rule_in_words(trial).replace("\xa0", " "))  # doctest: +NORMALIZE_WHITESPACE
    We call “Oak” different if its texture lies further from “Plain” than luck alone would put it in
    19 tastings out of 20; alike if the scores show that it lies within 1 point; slightly different,
    by too little to matter, if both; and not settled if neither.
    """
    from blindspoon.writeup.templating import paragraphs  # noqa: PLC0415 - not at the start

    attributes, primary = trial.primary_attributes, trial.decision.primary
    margins = [margin(attribute) for attribute in attributes[:1] if attribute.margin]
    if len({attribute.margin for attribute in attributes}) > 1:
        margins = [f"{margin(it)} of {it.label.lower()}" for it in attributes if it.margin]
    course = trial.course if "course" in primary else None
    return " ".join(
        paragraphs(
            "rule",
            trial=trial,
            attributes=attributes,
            others=[variant for variant in trial.variants if variant.name != trial.control],
            margins=margins,
            choice=trial.choice if "choice" in primary else None,
            course=course,
            followed=course and trial.attribute(course.attribute),
            over=course and OVER[course.over],
            yes_or_no=would_have(course),
            out_of=lambda name: round(1 / trial.share_of_alpha(name)),
        )
    )


def rule_beside(trial: Trial) -> str:
    """Say what else is scored, and what that is good for; empty where nothing is."""
    primary, course = trial.decision.primary, trial.course
    followed = [course.attribute] if course and "course" in primary else []
    rest = [a.label for a in trial.attributes if a.name not in (*primary, *followed)]
    if course and not followed:
        rest.append(f"{trial.attribute(course.attribute).label} over {OVER[course.over]}")
    if not rest or not primary:
        return ""
    is_are = "is" if len(rest) == 1 else "are"
    return (
        f"{listing([rest[0], *(label.lower() for label in rest[1:])])} {is_are} scored as well. "
        "Whatever that shows is an idea for next time, not the answer."
    )


def names_of(text: str, kind: str) -> list[str]:
    return [str(row.get("name", "")) for row in tomllib.loads(text).get(kind, [])]


def template() -> Trial:
    return parse_trial(shipped.text("starter/trial.toml").replace("{seed}", "1"))


def known_attributes() -> tuple[Attribute, ...]:
    """Give what tasters can score without a word more: the attributes of the template."""
    return template().attributes[::-1]


def answers_like(trial: Trial) -> dict[str, str]:
    """Give the answers that an earlier trial would have, but for its days."""
    others = [variant.label for variant in trial.variants if variant.name != trial.control]
    control, primary = trial.variant(trial.control), trial.decision.primary
    first = (*primary, trial.course.attribute if trial.course else "")
    attributes = sorted(trial.attributes, key=lambda attribute: attribute.name not in first)
    margin = attributes[0].margin if attributes else None
    choice, asks, of_sets = trial.choice, "scores", OF_SETS
    if trial.course:
        asks = asked_of(trial.course)
    elif choice and ("choice" in primary or not attributes):
        asks = "sets"
        of_sets = dict(zip(OF_SETS, (f"{100 * choice.can_tell:g}", f"{choice.sets}"), strict=True))
    return of_sets | {
        "trial.product": trial.product,
        "variant[1].label": control.label,
        "variant[1].method": control.method,
        "changes": "\n".join(others),
        "trial.title": trial.title,
        ASKS: asks,
        SCORED: "\n".join(attribute.label for attribute in attributes),
        "decision.margin": "" if margin is None else f"{margin:g}",
        "tasting.tasters": tasters_told(trial.tasting.tasters),
    }


def asked_of(course: Course) -> str:
    return "reach" if course.keep is None else "keep" if course.reach is None else "both"


def short_name(label: str, taken: Collection[str], otherwise: str) -> str:
    """Make the short name of a label: "Oak leaf" is "oak-leaf", or "oak-leaf-2".

    >>> short_name("Crème fraîche & dill", ["plain"], "change-1")
    'creme-fraiche-dill'
    >>> short_name("Oak leaf", ["oak-leaf"], ""), short_name("樽", [], "change-1")
    ('oak-leaf-2', 'change-1')
    >>> short_name("Aux", [], "")  # a folder that Windows cannot make
    'aux-2'
    """
    letters = unicodedata.normalize("NFKD", label).encode("ascii", "ignore").decode().lower()
    name = re.sub(r"[^a-z0-9]+", "-", letters).strip("-")[:40].strip("-") or otherwise
    numbers = (f"{name}-{number}" for number in range(2, len(taken) + 3))
    return next(it for it in (name, *numbers) if it not in taken and not _NO_FOLDER.fullmatch(it))


_NO_FOLDER = re.compile(r"con|prn|aux|nul|(com|lpt)\d")  # names that Windows keeps for itself


def column_name(label: str, taken: Collection[str], otherwise: str) -> str:
    """Make the name of what is scored, as `short_name` does; no other column has it.

    >>> column_name("2nd bite", [], "own"), column_name("Too-sour", ["too_sour"], "own")
    ('nd_bite', 'too_sour_2')
    """
    known = [name.replace("_", "-") for name in (*taken, *COLUMNS)]
    letters = short_name(label, [], "").lstrip("-0123456789")
    return short_name(letters, known, otherwise).replace("-", "_")


def meant(label: str) -> list[str]:
    """Guess what a change is meant to differ in: columns of batches.csv.

    >>> meant("Brine from the last good jar"), meant("Three weeks in the cellar"), meant("No dill")
    (['starter'], ['temperature_c'], ['dill'])
    >>> meant("2,5 %"), meant("Rock salt")  # how much, or of which kind
    (['salt'], ['rock_salt'])
    >>> meant("With a vine leaf")
    ['vine_leaf']
    """
    found = [name for name, words in _FACTORS.items() if re.search(words, label.lower())]
    thing = re.sub("^(with |without |more |less |no )?(an? |the )?", "", label.lower())
    return found or [short_name(thing, [], "change").replace("-", "_")]


def lines_of(text: str) -> list[str]:
    """Give the lines that hold something, without the marks of a list that was pasted."""
    lines = (re.sub(r"^[-*•–]\s+", "", line.strip()) for line in text.splitlines())
    return [line for line in lines if line]


def tasters_of(text: str) -> int | list[str]:
    r"""Read names, a line each or with commas or "and" between, or how many there are.

    >>> tasters_of("Ada, Ben\nCleo and Dev"), tasters_of("9")
    (['Ada', 'Ben', 'Cleo', 'Dev'], 9)
    """
    names = lines_of(re.sub("[,;&]| and ", "\n", text))
    return int(names[0]) if len(names) == 1 and names[0].isdecimal() else names


def tasters_told(names: tuple[str, ...]) -> str:
    r"""Write tasters as `tasters_of` reads them.

    >>> tasters_told(("T01", "T02")), tasters_told(("Ada", "Ben")), tasters_told(())
    ('2', 'Ada\nBen', '')
    """
    numbered = names and names == default_tasters(len(names))
    return str(len(names)) if numbered else "\n".join(names)


def number_of(text: str) -> float | None:
    """Read a number, with a point or a comma, in wide digits too; a whole one as such."""
    value = as_number(unicodedata.normalize("NFKC", text).strip(), decimal_comma=True)
    return int(value) if value is not None and value.is_integer() and abs(value) < 1e15 else value


def number_at(place: str, text: str) -> float | None:
    """Read the number of an answer: a share is typed in percent, with the sign or without.

    >>> number_at(SHARE, "30 %"), number_at(SHARE, "2,5"), number_at("choice.sets", "3")
    (0.3, 0.025, 3)
    """
    if place != SHARE:
        return number_of(text)
    percent = number_of(unicodedata.normalize("NFKC", text).strip().removesuffix("%"))
    return None if percent is None else percent / 100


def day_of(text: str) -> datetime.date | None:
    """Read a day as it is typed: 2062 is a slip, and so is 0026."""
    day = as_date(text)
    return day if day and -20 <= day.year - today().year <= 3 else None
