"""Tasters' names -> pseudonyms, before anything is computed or written of them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from blindspoon.files.text_table import FolderTables, TextColumn, TextTable
from blindspoon.trial import Trial

LABEL = r"(?:[a-z]{0,2}|taster|judge|assessor|panell?ist|person)[ ._-]?\d{1,9}"
IMPERSONAL = re.compile(LABEL, re.IGNORECASE)
"""Labels that name nobody, such as T01, 7 and judge 3; they stay as they are."""
ALL_IMPERSONAL = re.compile(f"(?:{LABEL}\n)*", re.IGNORECASE)
"""The same for many labels at once, a line each."""


def pseudonyms(labels: Iterable[str], seed: int) -> dict[str, str]:
    """Give a pseudonym to every label that may be somebody's name.

    Parameters
    ----------
    labels : iterable of str
        Every taster's label; repeats and blanks do not count.
    seed : int
        Of the trial: the numbers are dealt by chance, so that they do not follow the names.

    Returns
    -------
    dict of str to str
        By label; empty where no label may be a name.

    Examples
    --------
    >>> pseudonyms(["T01", "T02"], 1), sorted(pseudonyms(["Ida", "Bo", "P01"], 1).values())
    ({}, ['P02', 'P03'])
    """
    known = sorted({label for label in labels if label})
    named = [label for label in known if not IMPERSONAL.fullmatch(label)]
    width = max(2, len(str(len(known))))
    free = (f"P{number:0{width}}" for number in range(1, 2 * len(known) + 1))
    taken = set(known)
    numbers = [number for number in free if number not in taken][: len(named)]
    dealt = np.random.default_rng([seed, len(named)]).permutation(len(named))
    return {label: numbers[place] for label, place in zip(named, dealt.tolist(), strict=True)}


def pseudonymise(trial: Trial, tables: FolderTables) -> tuple[Trial, FolderTables]:
    """Put pseudonyms for names into a trial and its tables.

    Parameters
    ----------
    trial : Trial
    tables : FolderTables

    Returns
    -------
    trial : Trial
    tables : FolderTables
        The same object where nothing may be a name. A ballot is called by its number, since its
        file may bear a name.
    """
    cups = (*tables.scores, tables.servings, tables.key, tables.corrections)
    told = [table for table in cups if table is not None]
    found = (table.columns["taster"].texts for table in told if "taster" in table.columns)
    told_of = (trial.tasting.tasters, *found)
    if all(ALL_IMPERSONAL.fullmatch("\n".join((*texts, ""))) for texts in told_of):
        return trial, tables
    names = pseudonyms((label for texts in told_of for label in texts), trial.seed)
    if not names:
        return trial, tables
    listed = tuple(names.get(label, label) for label in trial.tasting.tasters)
    ballots = (_renamed(table, names, number) for number, table in enumerate(tables.scores, 1))
    renamed = replace(
        tables,
        scores=tuple(ballots),
        servings=tables.servings and _renamed(tables.servings, names),
        key=tables.key and _renamed(tables.key, names),
        corrections=tables.corrections and _renamed(tables.corrections, names),
    )
    return replace(trial, tasting=replace(trial.tasting, tasters=listed)), renamed


def _renamed(table: TextTable, names: Mapping[str, str], number: int = 0) -> TextTable:
    file = f"ballots/ballot {number}" if table.file.startswith("ballots/") else table.file
    columns = dict(table.columns)
    if "taster" in columns:
        told = columns["taster"]
        columns["taster"] = TextColumn(tuple(names.get(t, t) for t in told.texts), told.codes)
    notes = tuple(replace(note, file=file) for note in table.notes)
    return replace(table, file=file, columns=columns, notes=notes)
