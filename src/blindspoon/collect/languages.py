"""What the pages say, in the language of the trial or of the phone; one TOML file a language."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources
from typing import Any, get_args

from flask import current_app, request

from blindspoon import wording
from blindspoon.collect.ballots import Ballot, Kind, Question, SetQuestion
from blindspoon.errors import Problem, shown
from blindspoon.trial import DEFAULT_REST, Attribute, Language

LANGUAGES: tuple[str, ...] = get_args(Language)[1:]
"""Names of the files in ``words``; English is first."""

_UNIT = r"\s*(?P<unit>min|s[eé]|s\b|sek)"
_AMOUNT = re.compile(rf"(?P<amount>\d+(?:[.,]\d+)?|\b(?:an?|one|eine?|une?|uno?)\b){_UNIT}", re.I)


class Words:
    """The words of one language, which is called as in HTML: "en".

    `texts` has a text by its name, or one for a single thing and one for several; ``script`` holds
    those of the scripts, ``sets`` and ``both`` those that are others for sets to choose from and
    where cups are scored beside them, ``answers`` what is chosen there in words, and ``asked``, but
    in English, what the methods ask of a set.

    >>> say = words_of("en")
    >>> say("cup_title", code="037"), say("cups", n=1), say("cups", n=4)
    ('Cup 037', '1 cup', '4 cups')
    """

    def __init__(self, language: str, texts: dict[str, Any], kind: Kind = "cups") -> None:
        self.language = language
        of_kind = texts.get(kind, {}) if kind != "cups" else {}
        self._texts = texts | of_kind
        script = texts["script"] | of_kind.get("script", {})
        script |= {"decimal": texts["decimal"], "answers": texts["answers"]}
        self.script = json.dumps(script, ensure_ascii=False)

    def __call__(self, text_name: str, /, **parts: object) -> str:
        """Give a text, filled in; `n` says how many things it is about. KeyError without one."""
        text = self._texts[text_name]
        if isinstance(text, list):
            text = text[parts["n"] != 1]
        return str(text.format(**parts))

    def __contains__(self, name: str) -> bool:
        return name in self._texts

    def of(self, kind: Kind) -> Words:
        return words_of(self.language, kind)

    def unit(self, ballot: Ballot, code: str) -> str:
        """Call a cup by its code; where there are sets, say which it is."""
        if ballot.kind == "cups":
            return code
        return self.of(ballot.part(code).kind)("cup_title", code=code)

    def label(self, question: Question, *, must: bool = True) -> str:
        """Give the label of an attribute; of sets, what their method asks, and that they `must`."""
        if not isinstance(question, SetQuestion):
            return question.label
        text, forced, choice = question.label, wording.MUST, question.choice
        if (asked := self._texts.get("asked")) is not None:
            parts = {name: asked[name][choice.expect == "less"] for name in ("more", "most")}
            parts |= {"label": choice.attribute, "attribute": choice.attribute.lower()}
            text, forced = str(asked[choice.method].format(**parts)), asked["must"]
        return f"{text} {forced}" if must else text

    def answer(self, text: str) -> str:
        """Write what was chosen of a set: a word, codes, or nothing."""
        return str(self._texts["answers"].get(text, text.replace("+", " + ")))

    def faults(
        self, problems: Iterable[Problem], questions: Iterable[Question], row: Mapping[str, str]
    ) -> dict[str, str]:
        """Say to people what is wrong with what they gave for a cup, by column."""
        scales = {it.name: it.scale for it in questions if isinstance(it, Attribute)}
        say, said = self.of("cups" if scales else "sets"), {}
        for problem in problems:
            column = problem.column or ""
            parts: dict[str, object] = {"typed": shown(row.get(column, ""), 20)}
            if column in scales:
                scale = scales[column]
                ends = {"low": scale.low, "high": scale.high, "step": scale.step}
                parts |= {name: say.number(f"{value:g}") for name, value in ends.items()}
            said[column] = say(problem.slug.replace("-", "_"), **parts)
        return said

    def number(self, text: object) -> str:
        """Write a number that is written with a point, as people write it; with a true minus."""
        return str(text).replace("-", "\N{MINUS SIGN}").replace(".", self("decimal"))

    def rest(self, rest: str) -> str:
        """Say how long to rest: the host's own words, or what is usual."""
        return self("rest_default") if rest == DEFAULT_REST else rest


@cache
def words_of(language: str, kind: Kind = "cups") -> Words:
    """Give the words of a language; those of English for one that is not known."""
    known = language if language in LANGUAGES else LANGUAGES[0]
    file = resources.files("blindspoon.collect") / "words" / f"{known}.toml"
    return Words(known, tomllib.loads(file.read_text(encoding="utf-8")), kind)


def spoken() -> Words:
    """Give the words of the page that is asked for: in the trial's language, or the phone's."""
    asked = current_app.config["LANGUAGE"] or request.accept_languages.best_match(LANGUAGES)
    return words_of(asked or LANGUAGES[0])


def seconds_of(rest: str) -> int:
    """Read how long a rest is; 0 where its words do not say it.

    >>> [seconds_of(rest) for rest in ("about a minute", "90 s", "1,5 Minuten", "a short while")]
    [60, 90, 90, 0]
    """
    found = _AMOUNT.search(rest)
    if not found:
        return 0
    amount = found["amount"].replace(",", ".")
    number = float(amount) if amount[0].isdigit() else 1.0
    return round(number * (60 if found["unit"].casefold() == "min" else 1))
