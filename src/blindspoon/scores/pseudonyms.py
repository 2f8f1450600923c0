"""Tasters' names -> pseudonyms, before anything is computed or written of them."""

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from blindspoon.errors import Note, some_of
from blindspoon.files.text_table import FolderTables, TextColumn, TextTable
from blindspoon.files.toml import is_label
from blindspoon.trial import Attribute, Photo, Tasting, Trial, Variant

IMPERSONAL = re.compile(
    r"(?:[a-z]{0,2}|taster|judge|assessor|panell?ist|person)[ ._-]?\d{1,9}", re.IGNORECASE
)
"""Labels that name nobody, such as T01, 7 and judge 3; they stay as they are."""


def pseudonyms(labels: Iterable[str], seed: int) -> dict[str, str]:
    """Give a pseudonym to every label that may be somebody's name.

    The numbers are dealt by chance, from the seed of the trial, so that they do not follow the
    names. By label; empty where no label may be a name.

    >>> pseudonyms(["T01", "T02"], 1), sorted(pseudonyms(["Ida", "Bo", "P01"], 1).values())
    ({}, ['P02', 'P03'])
    """
    known = {label for label in labels if is_label(label)}
    named = sorted(label for label in known if not IMPERSONAL.fullmatch(label))
    if not named:
        return {}
    width = max(2, len(str(len(known))))
    free = (f"P{number:0{width}}" for number in range(1, 2 * len(known) + 1))
    numbers = [number for number in free if number not in known][: len(named)]
    dealt = np.random.default_rng([seed, len(named)]).permutation(len(named))
    return {label: numbers[place] for label, place in zip(named, dealt.tolist(), strict=True)}


def pseudonymise(trial: Trial, tables: FolderTables) -> tuple[Trial, FolderTables]:
    """Put pseudonyms for names into a trial and its tables, wherever a text has one.

    The same objects where nothing may be a name. A ballot is called by its number, since its file
    may bear a name. The host, who signs, keeps theirs.
    """
    names = _names(trial, tables)
    if not names:
        return trial, tables
    words = words_of(names)
    others = ("servings", "key", "batches", "readings", "corrections")
    renamed: dict[str, Any] = {
        name: _masked_table(table, names, words)
        for name in others
        if (table := getattr(tables, name))
    }
    scores, choices = (
        tuple(_masked_table(table, names, words, n) for n, table in enumerate(found, 1))
        for found in (tables.scores, tables.choices)
    )
    listed = tuple(names.get(label, label) for label in trial.tasting.tasters)
    hidden = _masked_trial(trial, words)
    return (
        replace(hidden, host=trial.host, tasting=replace(hidden.tasting, tasters=listed)),
        replace(tables, **renamed, scores=scores, choices=choices),
    )


def _names(trial: Trial, tables: FolderTables) -> dict[str, str]:
    """Give a pseudonym to every taster who is named; empty where nobody is."""
    cups = (*tables.scores, *tables.choices, tables.servings, tables.key, tables.corrections)
    found = (table.columns["taster"].texts for table in cups if table and "taster" in table.columns)
    return pseudonyms({*trial.tasting.tasters}.union(*found), trial.seed)


WORD = re.compile(r"[^\W_]+")
SMALL = frozenset({"and", "the", "von", "van", "der"})
FREE = ("comment", "note", "reason")  # columns in which a name may be written small
FIXED = ("session", "taster", "position", "code", "variant", "set", "answer")
FIXED_FIELDS = ("name", "tasters", "codes", "file", "variant")  # what is looked up by its text


def words_of(names: Mapping[str, str]) -> dict[str, str]:
    """Give the pseudonym of every word that may call a taster, in small letters.

    >>> words_of({"Aunt Vera": "P02", "Bo": "P01"})
    {'aunt': 'P02', 'vera': 'P02', 'bo': 'P01'}
    """
    found: dict[str, str] = {}
    for label, pseudonym in names.items():
        parts = WORD.findall(unicodedata.normalize("NFC", label))
        for part in parts:
            if (
                not part.isdigit()
                and len(part) >= min(3, 1 + len(parts))
                and part.casefold() not in SMALL
            ):
                found.setdefault(part.casefold(), pseudonym)
    return found


def masked(text: str, words: Mapping[str, str], *, small: bool = False) -> str:
    """Put pseudonyms for the names in a text, by `words_of`; a `small` one may begin so.

    >>> masked("Aunt Vera’s jar will do", {"aunt": "P02", "vera": "P02", "will": "P01"})
    'P02’s jar will do'
    """

    def instead(word: re.Match[str]) -> str:
        known = small or not word[0][0].islower()
        return words.get(word[0].casefold(), word[0]) if known else word[0]

    hidden = WORD.sub(instead, plain := unicodedata.normalize("NFC", text))
    return text if hidden == plain else re.sub(r"\b(P\d+)(?: \1\b)+", r"\1", hidden)


def masked_notes(notes: Iterable[Note], trial: Trial, tables: FolderTables) -> tuple[Note, ...]:
    """Put pseudonyms for the names in notes, such as that of a file that is not read."""
    notes = tuple(notes)
    words = words_of(_names(trial, tables)) if notes else {}
    return tuple(
        replace(note, file=masked(note.file, words, small=True), text=masked(note.text, words))
        for note in notes
    )


def name_notes(trial: Trial, tables: FolderTables) -> Iterator[Note]:
    """Name the lines whose texts hold a taster's name, and say what is published there."""
    hidden, other = pseudonymise(trial, tables)
    instead = "what is published has a pseudonym there"
    words = words_of(_names(trial, tables))
    tasters = trial.tasting.tasters
    if replace(hidden, tasting=replace(hidden.tasting, tasters=tasters)) != trial:
        yield Note(file="trial.toml", text=f"a text names a taster; {instead}")
    if masked(trial.host, words) != trial.host:
        yield Note(file="trial.toml", text="the host tastes too; the host’s name is published")
    for table, new in zip(_all(tables), _all(other), strict=True):
        rows = set[int]()
        for (name, column), hid in zip(table.columns.items(), new.columns.values(), strict=True):
            pairs = zip(column.texts, hid.texts, strict=True)
            changed = {told for told, said in pairs if told != said}
            rows |= set() if name == "taster" else set(column.rows_of(changed).tolist())
        if rows:
            lines = some_of((str(table.lines[row]) for row in sorted(rows)), 10)
            yield Note(file=table.file, text=f"a taster is named in line {lines}; {instead}")


def _all(tables: FolderTables) -> list[TextTable]:
    others = (tables.key, tables.batches, tables.readings, tables.corrections)
    return [*tables.scores, *tables.choices, *(table for table in others if table)]


def _masked_trial(trial: Trial, words: Mapping[str, str]) -> Trial:
    """Mask every text of a trial but its names of variants, attributes and sessions."""

    def hide(value: Any) -> Any:  # noqa: ANN401 - of any field of a trial
        match value:
            case str():
                return masked(value, words)
            case tuple():
                return tuple(map(hide, value))
            case Photo():
                file = masked(value.file, words, small=True)
                return replace(value, file=file, alt=masked(value.alt, words, small=True))
            case Attribute() | Variant() | Tasting():
                names = (name for name in value.__slots__ if name not in FIXED_FIELDS)
                return replace(value, **{name: hide(getattr(value, name)) for name in names})
            case _:
                return value

    texts = ("title", "question", "product", "dates", "attributes", "variants", "tasting")
    return replace(
        trial, **{name: hide(getattr(trial, name)) for name in (*texts, "story", "photos")}
    )


def _masked_table(
    table: TextTable, names: Mapping[str, str], words: Mapping[str, str], number: int = 0
) -> TextTable:
    file = f"ballots/ballot {number}" if table.file.startswith("ballots/") else table.file

    def hidden(name: str, column: TextColumn) -> TextColumn:
        if name == "taster":
            texts = tuple(names.get(text, text) for text in column.texts)
        elif name in FIXED:
            return column
        else:
            texts = tuple(masked(text, words, small=name in FREE) for text in column.texts)
        return TextColumn(texts, column.codes)

    columns = {masked(name, words): hidden(name, column) for name, column in table.columns.items()}
    notes = tuple(replace(note, file=file) for note in table.notes)
    return replace(table, file=file, columns=columns, notes=notes)
