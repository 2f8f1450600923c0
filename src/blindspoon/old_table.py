"""An old spreadsheet, a column a variant or a row a cup -> the files of a trial without codes."""

import csv
import io
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from pathlib import PurePath
from typing import NamedTuple

from blindspoon.errors import Rule, TrialFileError, quoted, shown, some_of
from blindspoon.files.schema import as_number
from blindspoon.files.text_table import separator_of, table_text, tidied, write_csv
from blindspoon.files.trial_toml import trial_text
from blindspoon.starting import column_name, short_name
from blindspoon.trial import Attribute, Decision, Scale, Session, Tasting, Trial, Variant
from blindspoon.wording import capital

TASTER = (
    "taster", "tasters", "name", "who", "person", "tester", "verkoster", "wer", "nom", "nombre", "",
)  # fmt: skip
SITTING = (
    "session", "sitting", "round", "evening", "date", "day", "abend", "sitzung", "runde", "datum",
    "tag", "séance", "jour", "soirée", "sesión", "ronda", "fecha", "día",
)  # fmt: skip
ATTRIBUTE = ("attribute", "question", "what", "property", "merkmal", "frage", "critère", "atributo")
VARIANT = (
    "variant", "variants", "jar", "brine", "recipe", "sample", "version", "variante", "glas",
    "rezept", "probe",
)  # fmt: skip
REMARK = (
    "comment", "comments", "note", "notes", "remark", "remarks", "position", "place", "batch",
    "bemerkung", "bemerkungen", "notiz", "notizen", "kommentar", "remarque", "remarques",
    "comentario", "nota", "notas", "nr", "nr.", "no.", "n°", "#", "id", "age", "alter", "âge",
    "edad", "timestamp", "zeitstempel", "horodateur",
)  # fmt: skip
SUMS = (
    "mean", "average", "sum", "total", "median", "sd", "mittelwert", "mittel", "durchschnitt",
    "summe", "gesamt", "moyenne", "somme", "media", "promedio", "suma",
)  # fmt: skip
"""What heads a column, or a row that is no taster, in small letters; in the languages of the page
that takes scores."""

HIGHS = (5.0, 7.0, 9.0, 10.0, 15.0, 20.0, 100.0)
"""Where scales usually end; common practice, no source."""

_NOT_A_TABLE = Rule(
    "no-old-table",
    "tasters stand under each other, and each variant has a column, or each cup a row",
    "Head the columns with taster and the variants",
)


class Score(NamedTuple):
    """One score as it stands in the file, every part of it as it was written."""

    attribute: str
    sitting: str
    taster: str
    variant: str
    points: float


def trial_from(data: bytes, file: str) -> tuple[dict[str, bytes], tuple[str, ...]]:
    """Write trial.toml and scores.csv for an old table; say what was guessed, and not taken over.

    It holds tables of one attribute each, one below the other, each under its name and with a
    column a variant; or one table with a column a variant and one that names the attribute; or a
    row a cup, with a column ``variant`` and one an attribute. A second row of a taster is a second
    session. The name of the `file` becomes the title. TrialFileError where there is no such table.
    """
    text, _ = table_text(data, shown(file))
    separator = separator_of(data)
    try:
        rows = [[*map(tidied, row)] for row in csv.reader(io.StringIO(text), delimiter=separator)]
    except csv.Error as error:  # a mark that is not closed makes one cell of the file
        raise TrialFileError([_NOT_A_TABLE.broken(str(error), shown(file))]) from error
    scores, unread = list[Score](), list[str]()
    for title, block in (part for whole in _blocks(rows) for part in _unmerged(*whole)):
        _read(scores, unread, title, block, shown(file), decimal_comma=separator != ",")
    if len({score.variant for score in scores}) < 2:
        found = f"no scores of two variants were found in its {len(rows)} rows"
        raise TrialFileError([_NOT_A_TABLE.broken(found, shown(file))])
    trial = _trial(PurePath(file).stem, scores)
    files = {
        "trial.toml": (_HEAD + trial_text(trial)).encode(),
        "scores.csv": write_csv(_cups(trial, scores)).encode(),
    }
    cups, people = {score[1:4] for score in scores}, {score.taster for score in scores}
    scale, control = trial.attributes[0].scale, trial.variant(trial.control).label
    said = [
        f"{len(cups)} cups of {len(people)} tasters, {len(trial.variants)} variants: "
        f"{some_of((quoted(variant.label) for variant in trial.variants), 20)}.",
        f"Guessed: the control is “{control}”.",
        f"Guessed: the scale runs from {scale.low:g} to {scale.high:g}.",
    ]
    if unread:
        said.append(f"Not taken over: {some_of(map(shown, dict.fromkeys(unread)), 20)}.")
    return files, tuple(said)


_HEAD = """\
# Made from an old table. The scale, its ends and the control were guessed from it: correct them.
# There is no [decision]: a rule that is written after the scores were seen is no rule.

"""


def _blocks(rows: Sequence[list[str]]) -> Iterator[tuple[str, list[list[str]]]]:
    """Part the tables of a file, each with the lone cell above it, if there is one."""
    title, block = "", list[list[str]]()
    for row in [*rows, []]:
        filled = [cell for cell in row if cell]
        if len(filled) > 1:
            block.append(row)
            continue
        if block:
            yield title, block
            title, block = "", []
        title = filled[0] if filled else title


def _unmerged(title: str, block: list[list[str]]) -> Iterator[tuple[str, list[list[str]]]]:
    """Part a table whose head has two rows, attributes above their variants, into one of each.

    A merged cell of a spreadsheet is, as CSV, its text and blanks after it.
    """
    width = max(map(len, block))
    above, below = ([*row, *[""] * (width - len(row))] for row in (*block, block[0])[:2])
    keys = {*TASTER, *SITTING} - {""}
    keyed = {n for n in range(width) if n == 0 or keys & {above[n].casefold(), below[n].casefold()}}
    spread = any(not above[n] and below[n] for n in range(width) if n not in keyed)
    named = below[0].casefold() in TASTER and not any(cell[:1].isdigit() for cell in below)
    if not (spread and named and len(block) > 2):
        yield title, block
        return
    parts, over = dict[str, list[int]](), ""
    for n in range(width):
        if n not in keyed and (above[n] or below[n]):
            over = above[n] or over
            parts.setdefault(over, []).append(n)
    for over, columns in parts.items():
        kept = [*sorted(keyed), *columns]
        rows = [[row[n] if n < len(row) else "" for n in kept] for row in block[2:]]
        yield over or title, [[below[n] or above[n] for n in kept], *rows]


def _read(
    scores: list[Score], unread: list[str], title: str, block: list[list[str]], file: str, *,
    decimal_comma: bool,
) -> None:  # fmt: skip
    """Read one table, whose first row heads the columns: scores, and what holds none."""
    heads = [cell.casefold() for cell in block[0]]
    taken = {*SITTING, *ATTRIBUTE, *VARIANT, *REMARK}
    first = next((n for n, head in enumerate(heads) if head not in taken), 0)
    cells = _column(block, first)
    if any(as_number(cell, decimal_comma=decimal_comma) is not None for cell in cells):
        first = 0
    tasters = (n for n, head in enumerate(heads) if head in TASTER)
    taster = min(tasters, key=lambda n: not heads[n], default=first)  # else one without a heading
    if heads[taster] not in TASTER and {*VARIANT} & {*heads}:
        beside = next(it for it in block[0] if it.casefold() in VARIANT)
        found = f"no column is headed taster beside {quoted(beside)}"
        raise TrialFileError([_NOT_A_TABLE.broken(found, file)])
    session, asked, variant = (
        next((n for n, head in enumerate(heads) if head in words and n != taster), None)
        for words in (SITTING, ATTRIBUTE, VARIANT)
    )
    own = {taster, session, asked, variant}
    about = title or (block[0][taster] if heads[taster] not in TASTER else "") or "score"
    times: Counter[tuple[str, ...]] = Counter()
    scored: dict[str, list[str]] = {}
    for n, head in enumerate(block[0]):
        cells, label = _column(block, n), capital(head)
        if n in own:
            continue
        if not head:
            unread += [f"column {n + 1}, which has no heading"] * any(cells)
            continue
        numbers = any(as_number(cell, decimal_comma=decimal_comma) is not None for cell in cells)
        if heads[n] in (*REMARK, *SUMS) or label in scored or not numbers:
            unread.append(head)
        else:
            scored[label] = cells
    texts = [
        [""] * len(block) if n is None else _column(block, n) for n in (session, asked, variant)
    ]
    for place, (who, *others) in enumerate(zip(_column(block, taster), *texts, strict=False)):
        if not who or who.casefold() in SUMS:
            lone = ", ".join(cell for cell in block[place + 1] if cell)
            unread.append(who or f"a row without a taster ({lone})")
            continue
        times[who, *others] += 1
        (sitting, what, which), nth = others, times[who, *others]
        when = f"{sitting} {nth}" if sitting and nth > 1 else sitting or str(nth)
        for label, cells in scored.items():
            points = as_number(cells[place], decimal_comma=decimal_comma)
            if points is not None:
                parts = (label, which) if variant is not None else (what or about, label)
                scores.append(Score(capital(parts[0]), when, who, capital(parts[1]), points))
            elif cells[place]:
                unread.append(f"{cells[place]} of {who}")


def _column(block: Sequence[Sequence[str]], n: int) -> list[str]:
    return [row[n] if n < len(row) else "" for row in block[1:]]


def _trial(title: str, scores: Sequence[Score]) -> Trial:
    """Guess the trial: the control is what is called plain or control, else the first variant."""
    variants = _named((score.variant for score in scores), short_name, "variant-")
    attributes = _named((score.attribute for score in scores), column_name, "attribute-")
    sessions = _named((score.sitting for score in scores), short_name, "")
    plain = ("plain", "control", "usual", "base", "standard")
    usual = (label for label in variants if any(word in label.casefold() for word in plain))
    scale = _scale([score.points for score in scores])
    return Trial(
        title=title or "An old table", control=variants[next(usual, next(iter(variants)))], seed=1,
        decision=Decision(declared=None, primary=(), alpha=0.05, by="mixed"),
        attributes=tuple(
            Attribute(name=name, label=label, scale=scale) for label, name in attributes.items()
        ),
        variants=tuple(Variant(name=name, label=label) for label, name in variants.items()),
        sessions=tuple(
            Session(name=name, date=None, label="" if label == name else label)
            for label, name in sessions.items()
        ),
        tasting=Tasting(tasters=(), servings=None, codes="per taster", cleanser=""),
    )  # fmt: skip


def _named(
    labels: Iterable[str], make: Callable[[str, Collection[str], str], str], otherwise: str
) -> dict[str, str]:
    """Give every label a name of its own."""
    names: dict[str, str] = {}
    for number, label in enumerate(dict.fromkeys(labels), 1):
        names[label] = make(label, names.values(), f"{otherwise}{number}")
    return names


def _scale(points: Sequence[float]) -> Scale:
    """Take the shortest usual scale that holds the points, and the coarsest of their steps."""
    high = next((end for end in HIGHS if end >= max(points)), max(points))
    low = min(points) if min(points) < 0 else 1.0 if min(points) >= 1 and high < 10 else 0.0
    step = next((step for step in (1.0, 0.5) if all(x % step == 0 for x in points)), 0.0)
    return Scale(low=low, high=high, step=step if step and (high - low) % step == 0 else 0.0)


def _cups(trial: Trial, scores: Sequence[Score]) -> Iterator[list[str]]:
    """Write the rows of scores.csv, a cup each."""
    names = {variant.label: variant.name for variant in trial.variants}
    sessions = {session.label or session.name: session.name for session in trial.sessions}
    cups: dict[tuple[str, str, str], dict[str, str]] = {}
    for score in scores:
        cup = (sessions[score.sitting], score.taster, names[score.variant])
        cups.setdefault(cup, {})[score.attribute] = f"{score.points:g}"
    yield ["session", "taster", "variant", *(attribute.name for attribute in trial.attributes)]
    for cup, given in cups.items():
        yield [*cup, *(given.get(attribute.label, "") for attribute in trial.attributes)]
