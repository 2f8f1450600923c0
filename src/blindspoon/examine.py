"""Everything that can be said of a trial folder before the blind is lifted.

What each problem means and what to do: errors.md, which docs/reference/errors.md repeats.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from blindspoon import wording
from blindspoon.batches import summary
from blindspoon.batches.cautions import given_away
from blindspoon.batches.strengths import age_cups, days_in_brief
from blindspoon.collect.sitting import remembered
from blindspoon.errors import (
    DesignError,
    Note,
    Problem,
    Rule,
    ScoreError,
    TrialError,
    TrialFileError,
    some_of,
)
from blindspoon.files import shipped
from blindspoon.files.photographs import photographs
from blindspoon.files.text_table import FolderTables, TextTable
from blindspoon.files.trial_folder import read_folder, read_photos
from blindspoon.scores.pseudonyms import name_notes
from blindspoon.scores.score_table import check_scores
from blindspoon.scores.standing import correction_problems, standing, too_few_sets
from blindspoon.serving.plan import foretold, jars_of, request_for
from blindspoon.stats.results import records_frame
from blindspoon.trial import Trial

if TYPE_CHECKING:
    import pandas as pd


def explanations() -> dict[str, str]:
    """Give the explanation of every problem by its slug, in the order of the page.

    >>> print(explanations()["no-rows"][:48])
    `servings.csv` or `key.csv` has only its header.
    """
    page = re.sub(r"^## .*\n", "", shipped.text("errors.md"), flags=re.MULTILINE)
    _, *entries = re.split(r"^### ", page, flags=re.MULTILINE)
    slugs, _, texts = zip(*(entry.partition("\n") for entry in entries), strict=True)
    return dict(zip(slugs, map(str.strip, texts), strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class Examination:
    """What can be said of a trial folder before the blind is lifted.

    Parameters
    ----------
    problems : tuple of Problem
        What has to be put right before anything is compared.
    notes : tuple of Note
        What is worth knowing: scores that are missing, columns that are not used, and what else
        differs between the batches.
    cautions : tuple of (str, str)
        What to look at before anyone tastes, and its source; they block nothing.
    """

    problems: tuple[Problem, ...]
    notes: tuple[Note, ...]
    cautions: tuple[tuple[str, str], ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """Lay out everything, a row each: kind, file, line and text."""
        from blindspoon.writeup.writers import plain  # noqa: PLC0415

        rows = [
            *(("problem", found.file, found.line, plain(str(found))) for found in self.problems),
            *(("note", found.file, found.line, plain(found.text)) for found in self.notes),
            *(("caution", None, None, plain(text)) for text, _ in self.cautions),
        ]
        columns = ("kind", "file", "line", "text")
        found = records_frame([dict(zip(columns, row, strict=True)) for row in rows], columns)
        return found.astype({"line": "Int64"})


def examine(folder: Path) -> Examination:
    """Check a trial folder without looking up a single cup in the key; see `api.check`."""
    text = read_folder(folder)
    tables = text.tables
    try:
        trial = text.trial
    except TrialError as error:
        read = filter(None, (*tables.answers, tables.servings, tables.key))
        unread = (problem for table in read for problem in table.problems)
        return Examination(problems=(*error.problems, *unread), notes=text.notes)
    wrong, noted = check_scores(trial, tables)
    more, known, cautions = _made(trial, tables)
    problems, notes = [*wrong, *more], [*noted, *known]
    if tables.corrections is not None:
        problems += correction_problems(trial, tables.corrections)
    scored = any(map(len, tables.answers))
    if not scored and text.files.keys().isdisjoint(("key.csv", "servings.csv", "seal.toml")):
        try:  # whether the blind can be drawn
            request_for(trial, batches=tables.batches)
        except DesignError as error:
            problems += error.problems
    notes += [*standing(text).notes, *name_notes(trial, tables)]
    jars = jars_of(tables.key) or jars_of(tables.batches)
    said = (*foretold(trial, jars), *_undrawn(trial, tables.key), *doubts(trial, scored=scored))
    notes += [Note(file="trial.toml", text=text) for text in said]
    notes += [Note(file="ballots", text=text) for text in _on_other_days(folder, trial)]
    photos = read_photos(folder, [photo.file for photo in trial.photos])
    lacking = photographs(trial, photos)[1]
    notes += [Note(file="photos", text=said.rstrip(".")) for said in lacking]
    early = {"no-scores", "no-age"} if any(p.slug == "no-scores" for p in problems) else set[str]()
    waiting = [problem for problem in problems if problem.slug in early]
    awaited = (Note(file=problem.file, text=problem.found) for problem in waiting)
    return Examination(
        problems=tuple(problem for problem in problems if problem not in waiting),
        notes=(*text.notes, *notes, *awaited),
        cautions=cautions,
    )


MANY_CUPS = 7
"""From as many at one sitting on they are questioned; common practice, no source."""


def doubts(trial: Trial, *, scored: bool = False) -> Iterator[str]:
    """Ask about what a host may not have meant; of what tasters read, only until it is `scored`."""
    for attribute in trial.attributes:
        low, high, margin = attribute.scale.low, attribute.scale.high, attribute.margin
        if margin is not None and attribute.wide:
            yield (
                f"{attribute.label}: a margin of {margin:g} on a scale from {low:g} to {high:g} "
                f"calls variants alike that are {margin:g} points apart: would so much really not "
                "matter to you?"
            )
    for parts in (trial.variants, trial.attributes):
        labels = [part.label.casefold() for part in parts]
        for label in dict.fromkeys(label for label in labels if labels.count(label) > 1):
            same = [part for part in parts if part.label.casefold() == label]
            names = some_of((part.name for part in same), 5)
            yield f"{names} are all called “{same[0].label}”: no page tells them apart"
    bare = [attribute.label for attribute in trial.attributes if not attribute.low + attribute.high]
    if bare and not scored:
        yield (
            f"{some_of(bare, 5)}: no words say which end of the scale is which, and some will "
            "take the lowest number for the best; write a word for either end"
        )
    recipes = [trial.product, *(f"{row.label}; {row.method}" for row in trial.variants)]
    named = given_away(trial.tasting.allergens)
    unnamed = [what for what in given_away("; ".join(recipes)) if what not in named]
    if unnamed and not scored:
        yield (
            f"what is made speaks of {wording.listing(unnamed)}, of which tasters are told nothing "
            "before the first cup: write it under “What may make somebody ill” (allergens)"
        )
    if (few := too_few_sets(trial)) and not scored:
        yield few
    cups = trial.tasting.servings or len(trial.variants) + trial.tasting.controls - 1
    if trial.attributes and cups >= MANY_CUPS and not scored:
        yield (
            f"{cups} cups at one sitting tire the tongue: let each taster have fewer, of which the "
            "control is one (common practice, no source)"
        )


def _undrawn(trial: Trial, key: TextTable | None) -> Iterator[str]:
    """Name the variants that were listed after the cups were dealt out."""
    drawn = key.columns["variant"].texts if key and "variant" in key.columns else ()
    late = [f"“{variant.label}”" for variant in trial.variants if variant.name not in drawn]
    if drawn and late:
        yield (
            f"no cup was drawn of {some_of(late, 5)}, so nobody tastes it in this trial; before "
            'any score "blind --take-back" and a new drawing bring it in'
        )


def _on_other_days(folder: Path, trial: Trial) -> Iterator[str]:
    """Say which session was answered on another day than its own, as far as phones noted it."""
    answered = remembered(folder).days
    for session in trial.sessions:
        days = [day for name, day in answered if name == session.name]
        if session.date and days and days != [session.date.isoformat()]:
            yield (
                f"session {session.name} is dated {session.date}, and phones answered on "
                f"{wording.listing(days)}: correct the date, or tell in the story who tasted later"
            )


def what_was_made(folder: Path) -> tuple[Trial, summary.Made, tuple[Note, ...]]:
    """Read what was made, whether or not anybody tasted it. TrialError where nothing was."""
    text = read_folder(folder)
    trial = text.trial
    made, notes = summary.make_up(trial, text.tables.batches, text.tables.readings)
    if made is None:
        remedy = "Write down what you made, or what you are about to make"
        rule = Rule("nothing-made", "it has a row for each jar or vessel", remedy)
        raise TrialFileError([rule.broken("no batch is written down", "batches.csv")])
    return trial, made, notes


def _made(
    trial: Trial, tables: FolderTables
) -> tuple[tuple[Problem, ...], tuple[Note, ...], tuple[tuple[str, str], ...]]:
    cups = (tables.key, *tables.scores)
    try:
        made, notes = summary.make_up(trial, tables.batches, tables.readings, cups)
    except TrialError as error:
        return error.problems, (), ()
    ages, undated = None, tuple[Problem, ...]()
    if trial.course:
        try:
            ages = age_cups(trial, made.log if made else None, cups)
        except ScoreError as error:
            undated = error.problems
    if made is None:
        return undated, notes, ()
    said = [*summary.differences_in_words(trial, made, ask=True)]
    lacks = {*summary.unweighed_in_words(trial, made, ask=True)}
    counted = days_in_brief(trial, ages) if ages else ()
    differs = (Note(file="batches.csv", text=text, gap=text in lacks) for text in (*said, *counted))
    return undated, (*notes, *differs), summary.cautions_in_words(made)
