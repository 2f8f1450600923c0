"""What can be wrong with a trial folder, and how it is said.

TrialError
    Everything the user can put right. It carries every problem found, not only the first.
    ├── TrialFileError   trial.toml, or a file that is missing or cannot be read
    ├── ScoreError       scores.csv, ballots, servings.csv, key.csv
    ├── DesignError      a design that cannot be drawn or compared
    └── FormError        the score page

Whoever reads several files gathers their problems; commands and pages tell them. Every other
exception is a bug and keeps its traceback.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, TypeVar

LISTED = 1000  # rows with one and the same problem that are told apart; those beyond are counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing to put right: where it is, what was found, what is allowed, what to do.

    The `slug` names its kind, a heading of ``errors.md``. The `file` is a path relative to the
    trial folder, its `line` counted from 1; a problem of the whole file has none. The last three
    are parts of a sentence, without a full stop.
    """

    slug: str
    file: str
    line: int | None = None
    column: str | None = None
    found: str
    allowed: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.where}: {self.found}; {self.allowed}. {self.remedy}."

    @property
    def where(self) -> str:
        """File, line and column in words."""
        line = "" if self.line is None else f" line {self.line}"
        word = "key" if self.file.endswith(".toml") else "column"
        column = "" if self.column is None else f", {word} {self.column}"
        return f"{self.file}{line}{column}"


class Rule(NamedTuple):
    """What has to hold, and what to do where it does not: the parts of a `Problem`.

    >>> rule = Rule("blank-cell", "every row has a code", "Write it")
    >>> print(rule.broken("a blank cell", "key.csv", 4, "code"))
    key.csv line 4, column code: a blank cell; every row has a code. Write it.
    """

    slug: str
    allowed: str
    remedy: str

    def broken(
        self, found: str, file: str, line: int | None = None, column: str | None = None
    ) -> Problem:
        """Say what was found instead, and where."""
        return Problem(file=file, line=line, column=column, found=found, **self._asdict())


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something worth knowing that blocks nothing, such as a column that is not used.

    Those of one `cause` are told together; blank where it stands alone. There is a `gap` where a
    score, an answer, a taster or a weight is missing that may still come in.
    """

    file: str
    line: int | None = None
    text: str
    cause: str = ""
    gap: bool = False

    def __str__(self) -> str:
        line = "" if self.line is None else f" line {self.line}"
        return f"{self.file}{line}: {self.text}"


class TrialError(Exception):
    """Problems in the user's files, all of them at once.

    Parameters
    ----------
    problems : sequence of Problem
        At least one, in the order in which they are to be shown.
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type["TrialError"], tuple[Sequence[Problem]]]:
        """Copy and pickle it with its problems, of which the text is made again."""
        return type(self), (self.problems,)


class TrialFileError(TrialError):
    """trial.toml does not say what it must, or a file cannot be read."""


class ScoreError(TrialError):
    """The tables of the folder do not fit trial.toml or one another."""


class DesignError(TrialError):
    """The design cannot be drawn or compared."""


class FormError(TrialError):
    """The score page cannot be served."""


def problems_of_rows(rows: Sequence[int], make: Callable[[int], Problem]) -> list[Problem]:
    """Make one problem for each row; rows beyond `LISTED` share a last one that counts them.

    >>> def blank(row):
    ...     return Problem(slug="blank-cell", file="key.csv", line=row, found="a blank cell",
    ...                    allowed="a code is needed", remedy="Write it")
    >>> [problem.line for problem in problems_of_rows([4, 7], blank)]
    [4, 7]
    >>> str(problems_of_rows(range(2, 100_002), blank)[-1])
    'key.csv line 1002: a blank cell, and 98,999 rows more like it; a code is needed. Write it.'
    """
    made = [make(int(row)) for row in rows[: LISTED + 1]]
    beyond = len(rows) - LISTED - 1
    if beyond > 0:
        made[-1] = replace(made[-1], found=f"{made[-1].found}, and {beyond:,} rows more like it")
    return made


def in_order(problems: Iterable[Problem], files: Iterable[str] = ()) -> tuple[Problem, ...]:
    """Sort problems by file and line; files not given follow in order of first appearance."""
    found = list(problems)
    places = {file: n for n, file in enumerate(dict.fromkeys([*files, *(p.file for p in found)]))}
    return tuple(sorted(found, key=lambda problem: (places[problem.file], problem.line or 0)))


APART = 3
"""Messages of one cause that are told one by one; of more, the first stands for all."""

Message = TypeVar("Message", Problem, Note)


def together(messages: Sequence[Message]) -> list[Message]:
    """Make one message of those of one cause, with their count and their first places.

    One cause is one finding in one column, or more than `APART` findings there; of notes, what
    their `cause` says.

    >>> rule = Rule("unknown-variant", "it is plain or oak", "Correct it")
    >>> print(*together([rule.broken('"aok" is not known', "key.csv", n) for n in (2, 5, 9)]))
    key.csv line 2: "aok" is not known (3 times: also lines 5, 9); it is plain or oak. Correct it.
    """
    causes: dict[tuple[str, ...], list[Message]] = {}
    for message in messages:
        if isinstance(message, Problem):
            cause = (message.slug, message.column or "")
        else:
            cause = (message.cause, "") if message.cause else (message.file, message.text)
        causes.setdefault(cause, []).append(message)
    return [one for alike in causes.values() for one in _by_finding(alike)]


def _by_finding(alike: Sequence[Message]) -> Iterator[Message]:
    """Tell messages of one cause: by their findings where these are few, else all as one."""
    findings: dict[str, list[Message]] = {}
    for message in alike:
        found = message.found if isinstance(message, Problem) else message.text
        findings.setdefault(found, []).append(message)
    few = len(findings) <= APART
    for first, *others in findings.values() if few else [list(alike)]:
        if not others:
            yield first
            continue
        here = all(other.file == first.file and other.line for other in others)
        files = [file for file in dict.fromkeys(it.file for it in others) if file != first.file]
        places = some_of([f"{other.line}" for other in others] if here else files, 5)
        also = f"also {'lines ' if here and len(others) > 1 else 'line ' if here else ''}"
        where = f": {also}{places}" if places else ""
        more = f" ({len(others) + 1} {'times' if few else 'like it'}{where})"
        if isinstance(first, Problem):
            yield replace(first, found=first.found + more)
        else:
            yield replace(first, text=first.text + more)


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """End a sentence with the known word that looks most like this one, if any does.

    >>> did_you_mean("textur", ["texture", "salt"]), did_you_mean("taster", ["TASTER", "CODE"])
    (' (did you mean "texture"?)', ' (did you mean "TASTER"?)')
    >>> did_you_mean("colour", ["texture", "salt"])
    ''
    """
    import difflib  # noqa: PLC0415 - only where something is misspelt

    words = {it.casefold(): it for it in known}
    close = difflib.get_close_matches(word[:80].casefold(), words, n=1)
    return f" (did you mean {quoted(words[close[0]])}?)" if close else ""


def twins(names: Iterable[str]) -> list[str]:
    """Ask about names that differ in capitals and blanks alone, of which one may be a slip.

    >>> twins(["Ada", "Ben", "ada"])
    ['Ada, ada are taken for two: where they are one, spell both alike']
    """
    alike: dict[str, list[str]] = {}
    for name in names:
        alike.setdefault("".join(name.casefold().split()), []).append(name)
    slips = (some_of(map(shown, same)) for same in alike.values() if len(same) > 1)
    return [f"{same} are taken for two: where they are one, spell both alike" for same in slips]


def some_of(words: Iterable[str], most: int = 8) -> str:
    """Join words with commas; of more than `most`, the rest is counted.

    >>> some_of(["a", "b", "c"], most=2)
    'a, b and 1 more'
    """
    listed = list(words)
    rest = f" and {len(listed) - most:,} more" if len(listed) > most else ""
    return ", ".join(listed[:most]) + rest


def shown(text: str, most: int = 40) -> str:
    r"""Show a text of the user's in a message: on one line, and not too long.

    >>> print(shown("crisp\nand sour"))
    crisp\nand sour
    """
    cut = text if len(text) <= most else f"{text[: most - 1]}\u2026"
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in cut)


def quoted(text: str) -> str:
    """Do as `shown`, in quotation marks."""
    return f'"{shown(text)}"'
