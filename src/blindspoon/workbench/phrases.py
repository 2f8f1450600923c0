"""Problems in the words of a page: what is wrong beside its field, and what to do there."""

import re
from collections.abc import Collection, Iterable, Mapping

from blindspoon.errors import Note, Problem
from blindspoon.files.text_table import read_table
from blindspoon.starting import DATE
from blindspoon.wording import capital, dated

REMEDIES = {
    "a number is needed": "Write digits, such as 1 or 0,5",
    "a whole number is needed": "Write digits only, such as 9",
    "a date is needed": DATE.remedy,
    "missing-section": "Add one more",
    "not-allowed": "Change it here",
    "bad-name": "Write a shorter one, on one line",
    "scale": "Put the smaller number first, and a step that leads from one to the other",
    "unknown-name": "Choose one of them",
    "not-a-number": "Write digits, such as 7 or 26,5",
    "not-a-number _g": "Write grams, such as 620 or 26,5, or as in 9 oz; weigh spoons and cups",
    "bad-date": DATE.remedy,
    "blank-cell": "Write it here",
    "after-tasting": "Correct the date, or that of the session, with the tasters",
    "reading-before-start": "Correct this date, or that of the jar",
    "absurd-temperature": "Correct it; in °F write it as in 72 F",
    "absurd-mass": "Correct it",
    "too-much-salt": "Correct the grams",
}
"""What to do on a page, by what is allowed or by the slug of the problem; else what the problem
itself says."""

_CLEAR = ("not-a-number", "bad-date", "batch-twice")
"""What is allowed is said by the remedy."""


def fault_of(problem: Problem) -> str:
    """Say a problem beside its field.

    >>> fault_of(Problem(slug="wrong-type", file="trial.toml", found='"a bit" is a text',
    ...              allowed="a number is needed", remedy="Write it without quotes"))
    '"a bit" is no number. Write digits, such as 1 or 0,5.'
    """
    mass = f"{problem.slug} _g" if f"{problem.column}".endswith("_g") else ""
    asked = (problem.allowed, mass, problem.slug)
    remedy = next((REMEDIES[it] for it in asked if it in REMEDIES), problem.remedy)
    if problem.column == "choice.can_tell":
        return "Write how many in a hundred, in digits: more than 0 and fewer than 100."
    if problem.slug == "blank-cell":
        return f"{capital(problem.allowed)}. {REMEDIES[problem.slug]}."
    if problem.found.endswith("is a text") and problem.allowed.endswith("is needed"):
        needed = problem.allowed.removesuffix(" is needed").removeprefix("a ")
        return f"{problem.found.removesuffix('is a text')}is no {needed}. {remedy}."
    allowed = "" if problem.slug in _CLEAR else f"; {problem.allowed}"
    found = re.sub(r"^trial\.toml lists (\d+) .*", r"listed here: \1", problem.found)
    found = re.sub(r"^batch (.*), after line \d+$", r"\1", found)
    found = re.sub("^([a-z]+)_[cg] is ", r"\1 is ", found)  # as the field is called
    return f"{capital(found)}{allowed}. {remedy}."


def at_place(problem: Problem) -> str:
    """Say where, what was found and what is allowed; a remedy would speak of files.

    A question that can be read is on the pages, and no file there.
    """
    if problem.file == "trial.toml" and problem.line is None:
        return f"{capital(problem.found)}; {problem.allowed}."
    place = problem.file if problem.line is None else f"{problem.file}, line {problem.line}"
    return f"{place}: {problem.found}; {problem.allowed}."


def of_jars(problems: Iterable[Problem], files: Mapping[str, bytes]) -> list[str]:
    """Say problems by the jar that they are of, not by its line."""
    jars: dict[tuple[str, int | None], str] = {
        (name, line): row.get("batch") or "A jar without a name"
        for name in ("batches.csv", "readings.csv")
        for line, row in read_table(files.get(name, b""), name).rows()
    }
    return [
        f"{jars[it.file, it.line]}: {fault_of(it)}" if (it.file, it.line) in jars else at_place(it)
        for it in problems
    ]


def of_jars_and_fields(text: str) -> str:
    """Call batches and columns as the pages do.

    >>> of_jars_and_fields("a blank acid_g is none; it is not written of every batch")
    'a blank acid is none; it is not written of every jar'
    """
    text = re.sub(r"\b(every|no) batch\b", r"\1 jar", re.sub(r"\b([a-z]+)_g\b", r"\1", text))
    return text.replace("its batches", "its jars")


def note_in_words(note: Note) -> str:
    """Say what is worth knowing, without the line of the file that it stands in."""
    text = re.sub("^there is neither scores.csv nor .*", "there is no score yet", note.text)
    text = re.sub(r"the point\? Then write .*", "the point?", text)  # a page of the jars asks it
    text = of_jars_and_fields(dated(text.replace("not listed here", "not on the list")))
    unread = re.sub("^(the file|this) is not read", f"{note.file} is not read", text)
    return unread if unread != text else capital(text)


def beside(problems: Iterable[Problem], places: Collection[str]) -> dict[str, str]:
    """Lay problems beside the fields of a form, by place; those of no field stand at "".

    A name that is made from a label is mended at the label; a section at its first field.
    """
    found: dict[str, str] = {}
    for problem in problems:
        place = problem.column or ""
        tries = (place, place.replace(".name", ".label"), f"{place}.label", f"{place}.low")
        where = next((it for it in tries if it in places), "")
        text = fault_of(problem) if where else f"{problem}"
        found[where] = f"{found[where]} {text}" if where in found else text
    return found


def within(faults: Mapping[str, str], *places: str) -> bool:
    """Tell whether a fault stands in a part of the form, which is opened then."""
    return any(place.startswith(places) for place in faults)
