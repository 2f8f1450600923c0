"""What stands in the form of the question: filled from trial.toml, and written back into it."""

import re
import tomllib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Self

from blindspoon.errors import Problem, TrialFileError, quoted
from blindspoon.files.edits import add, put, take_out
from blindspoon.files.seal import rule_text
from blindspoon.files.trial_toml import FILE, parse_trial
from blindspoon.starting import (
    BLANK,
    SHARE,
    TWICE,
    asked_of,
    column_name,
    meant,
    names_of,
    number_at,
    number_of,
    rule_in_words,
    short_name,
)
from blindspoon.trial import Attribute, Trial, Variant

TEXTS = (
    "trial.title", "trial.question", "trial.host", "trial.licence", "trial.product",
    "tasting.allergens", "tasting.cleanser", "decision.by",
)  # fmt: skip
NUMBERS = (
    "decision.margin", "decision.alpha", "scale.low", "scale.high", "scale.step",
    "choice.sets", "choice.can_tell", "choice.tests",
)  # fmt: skip
USUAL = {"decision.alpha": "0.05", "decision.by": "mixed", "course.asks": "reach"}
PRIMARY = "decision.primary"
DAYS = ("course.over", "course.asks", "course.level", "course.same_control", "course.accept")
"""Whether and how it is asked over days: over which, "reach", "keep" or "both", a level, "yes"
where the control is the same at every session, and what is also asked by yes or no."""
DECIDES = "decides"
"""Of an attribute, and of the days, "yes" where it is ticked as what answers the question."""
FIELDS = (*TEXTS, *NUMBERS, f"course.{DECIDES}", *DAYS)
ROWS = {
    "variant": ("name", "label", "method", "differs", "series"),
    "attribute": ("name", "label", "low", "high", "less", "more", DECIDES),
}
"""What a row has of each kind of section that stands several times."""

Row = dict[str, str]


@dataclass(slots=True)
class QuestionForm:
    """What stands in the form: fields by place, and rows by kind.

    The name of a row is that of its section in trial.toml, and blank in a new one. A kind that the
    form does not hold, such as one that is sealed, is missing from `rows`.
    """

    fields: dict[str, str]
    rows: dict[str, list[Row]]

    @classmethod
    def from_toml(cls, text: str) -> Self:
        values, trial = tomllib.loads(text), parse_trial(text)
        fields = dict.fromkeys(FIELDS, "") | USUAL
        for place in (*TEXTS, *NUMBERS):
            part, key = place.split(".")
            fields[place] = _shown(values.get(part, {}).get(key)) or fields[place]
        if trial.choice:
            fields[SHARE] = f"{100 * trial.choice.can_tell:g}"
        primary = dict.fromkeys(trial.decision.primary, "yes")
        fields[f"course.{DECIDES}"] = primary.get("course", "")
        if course := trial.course:
            same, accept = "yes" if course.same_control else "", course.accept.replace("_", " ")
            days = (course.over, asked_of(course), _shown(course.level), same, accept)
            fields |= dict(zip(DAYS, days, strict=True))
        parts: dict[str, Sequence[Variant | Attribute]]
        parts = {"variant": trial.variants, "attribute": trial.attributes}
        rows = {
            kind: [
                {key: _shown(section.get(key)) for key in keys} | {"label": part.label}
                for section, part in zip(values.get(kind, []), parts[kind], strict=True)
            ]
            for kind, keys in ROWS.items()
        }
        for row in rows["attribute"]:
            row[DECIDES] = primary.get(row["name"], "")
        return cls(fields, rows)

    @classmethod
    def from_form(cls, form: Mapping[str, str]) -> Self:
        """Take what was sent, but for places that are no field."""
        fields, rows = {key: form[key] for key in form if key in FIELDS}, dict[str, list[Row]]()
        for kind, keys in ROWS.items():
            place = re.compile(rf"{kind}\[(\d{{1,4}})\]\.({'|'.join(keys)})")
            sent: dict[int, Row] = {}
            for at, text in ((place.fullmatch(key), text) for key, text in form.items()):
                if at:
                    sent.setdefault(int(at[1]), dict.fromkeys(keys, ""))[at[2]] = text
            if kind in form or f"{kind}[1].label" in form:
                rows[kind] = [sent[number] for number in sorted(sent)]
        return cls(fields, rows)

    @property
    def places(self) -> dict[str, str]:
        """Every text, by the name of its field."""
        numbered = (
            (f"{kind}[{number}]", row)
            for kind, rows in self.rows.items()
            for number, row in enumerate(rows, 1)
        )
        return self.fields | {
            f"{at}.{key}": text for at, row in numbered for key, text in row.items()
        }

    @property
    def names(self) -> dict[str, str]:
        """The names of all rows, by kind."""
        return {kind: " ".join(row["name"] for row in rows) for kind, rows in self.rows.items()}

    def row(self, kind: str, name: str) -> Row:
        """Give the row of a name; an empty one where there is none."""
        return next((row for row in self.rows.get(kind, ()) if row["name"] == name), {})

    def add(self, kind: str) -> None:
        if kind in ROWS:
            self.rows.setdefault(kind, []).append(dict.fromkeys(ROWS[kind], ""))

    def take_out(self, kind: str, number: str) -> None:
        """Take out a row, if there is one of this number."""
        rows = enumerate(self.rows.get(kind, []), 1)
        self.rows[kind] = [row for place, row in rows if f"{place}" != number]

    def drop_blank(self) -> None:
        """Take out new rows without a word."""
        for rows in self.rows.values():
            rows[:] = [row for row in rows if any((row | {DECIDES: ""}).values())]

    def filled_as(self, other: Self) -> dict[str, str]:
        """Give the texts of another form in the places of this one: rows are known by name."""
        rows = {
            kind: [other.row(kind, row["name"]) for row in rows] for kind, rows in self.rows.items()
        }
        return QuestionForm(other.fields, rows).places | other.names

    def take_rows(self, other: Self, kind: str) -> None:
        """Have the rows that another form has; those that both have stay as they are here."""
        rows = other.rows[kind]
        self.rows[kind] = [self.row(kind, row["name"]) or row for row in rows]

    def guess(self, saved: Self, made: Collection[str]) -> None:
        """Guess what a change differs in where it is new, or called otherwise than its guess.

        Not once a jar of it is written down, which has a line of that name.
        """
        for row in self.rows.get("variant", ()):
            before = saved.row("variant", row["name"]) or dict.fromkeys(row, "")
            labels = before["label"], row["label"]
            was, now = (_shown(meant(label)) if label else "" for label in labels)
            if row["differs"] == before["differs"] == was and row["name"] not in made:
                row["differs"] = now

    def written(self, text: str, *, sealed: bool = False) -> str:
        """Write it into trial.toml; a changed rule waits for another yes, until it is sealed.

        TrialFileError has every problem that it brings.
        """
        old, saved, problems = parse_trial(text), QuestionForm.from_toml(text), [*self._unnamed()]
        for kind, rows in self.rows.items():
            text = _with_rows(text, kind, rows, saved, old)
        for place, typed in self.fields.items():
            before, number = saved.fields[place], None
            if place in NUMBERS:
                number = number_at(place, typed)
            same = typed == before or (number is not None and number == number_at(place, before))
            if place in (*TEXTS, *NUMBERS) and not same:
                text = put(text, place, typed or None if number is None else number)
        days = {place: self.fields.get(place, saved.fields[place]) for place in DAYS}
        if days.items() - saved.fields.items():
            text = _with_days(text, days)
        primary = self._primary(text, old.decision.primary, over=days["course.over"])
        if set(primary) != set(old.decision.primary):
            text = put(text, PRIMARY, primary or None)
        try:
            new = parse_trial(text)
        except TrialFileError as error:
            problems += error.problems
        if problems:
            raise TrialFileError(problems)
        one, other = (
            (rule_text(trial), rule_in_words(trial), [row.name for row in trial.variants])
            for trial in (old, new)
        )
        return text if one == other or sealed else put(text, "decision.declared", None)

    def _primary(self, text: str, before: Sequence[str], over: str) -> list[str]:
        """Name what decides, of what there is in a trial.toml that has the rows."""
        names, decides = names_of(text, "attribute"), {*before}
        if "decision.margin" in self.fields:  # boxes that nobody ticked are not sent
            new = iter([row for row in self.rows.get("attribute", ()) if not row["name"]])
            rows = {name: self.row("attribute", name) or next(new, {}) for name in names}
            rows |= {"course": {DECIDES: self.fields.get(f"course.{DECIDES}", "")}}
            decides = decides & {"choice"} | {it for it in rows if rows[it].get(DECIDES)}
        return [it for it in (*names, *["course"] * bool(over), "choice") if it in decides]

    def _unnamed(self) -> Iterator[Problem]:
        """Tell of a food without a name, and of rows without one, or with that of another."""
        if self.fields.get("trial.product") == "":
            needed = BLANK._replace(allowed="tasters would read the title instead")
            yield needed.broken("no food is named", FILE, None, "trial.product")
        for kind, rows in self.rows.items():
            labels = [row["label"].casefold() for row in rows]
            for number, row in enumerate(rows, 1):
                place = f"{kind}[{number}].label"
                if not row["label"] and not row["name"]:
                    yield BLANK.broken("it has no name", FILE, None, place)
                elif row["label"].casefold() in labels[: number - 1]:
                    taken = f"{quoted(row['label'])} is the name of another one already"
                    twice = TWICE._replace(remedy="Give it its own")
                    yield twice.broken(taken, FILE, None, place)


def _with_rows(text: str, kind: str, rows: Sequence[Row], saved: QuestionForm, trial: Trial) -> str:
    """Take out sections that are no row, change those that are, and add new ones."""
    kept = [row["name"] for row in rows]
    for number, name in reversed([*enumerate(names_of(text, kind), 1)]):
        if name not in kept:
            text = take_out(text, kind, number)
    for row in rows:
        names, name, before = names_of(text, kind), row["name"], saved.row(kind, row["name"])
        if name not in names:
            make = short_name if kind == "variant" else column_name
            name = make(row["label"], names, f"{kind}-{len(names) + 1}")
            text = add(text, kind, {"name": name})
            names.append(name)
        for key in ROWS[kind][1:]:
            if key != DECIDES and row[key] != before.get(key, ""):
                value = _factors(trial, row[key]) if key == "differs" else row[key]
                text = put(text, f"{kind}[{names.index(name) + 1}].{key}", value or None)
    return text


def _with_days(text: str, days: Mapping[str, str]) -> str:
    """Write how it is asked over days, or that it is not."""
    over, asks, level, same, accept = (days[place] for place in DAYS)
    if not over:
        for number, _ in enumerate(names_of(text, "variant"), 1):
            text = put(text, f"variant[{number}].series", None)
        return put(text, "course", None)
    text = put(text, "course.over", over)
    text = put(text, "course.same_control", True if same else None)
    name = short_name(accept, [], "").replace("-", "_")
    text = put(text, "course.accept", name or None)
    target: str | float = "control" if not level else number_of(level) or level
    for key in ("reach", "keep"):
        text = put(text, f"course.{key}", target if asks in (key, "both") else None)
    return text


def _factors(trial: Trial, typed: str) -> list[str]:
    """Read what a variant differs in as it is shown, or in words of the host's own."""
    from blindspoon.batches.differences import STANDARD  # noqa: PLC0415
    from blindspoon.batches.summary import factor_name  # noqa: PLC0415

    listed = (name for variant in trial.variants for name in variant.differs)
    known = {factor_name(name): [name] for name in (*(it.name for it in STANDARD), *listed)}
    words = (word.strip().lower() for word in re.split("[,;\n]| and ", typed))
    names = (name for word in words if word for name in known.get(word) or meant(word))
    return list(dict.fromkeys(names))


def _shown(value: object) -> str:
    """Write a value of trial.toml as it stands in a field."""
    if isinstance(value, list):
        from blindspoon.batches.summary import factor_name  # noqa: PLC0415 - not at the start

        return ", ".join(map(factor_name, value))
    if isinstance(value, float) and value.is_integer():
        return f"{value:.0f}"
    return "" if value is None else str(value)
