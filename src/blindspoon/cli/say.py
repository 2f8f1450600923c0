"""What the verbs say, and where: results on stdout, progress and messages on stderr.

Arguments and options that several verbs share.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from blindspoon.errors import together

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from blindspoon.errors import Note, Problem
    from blindspoon.stage import State


PATH = click.Path(path_type=Path)
FILE = click.Path(path_type=Path, dir_okay=False)
FOLDER = click.argument("folder", type=PATH)
FOLDERS = click.argument("folders", metavar="FOLDER...", nargs=-1, required=True, type=PATH)


class Verb(click.Command):
    """A verb that ends with what comes next for its folder, beside the result.

    That is read from the folder, unless it is known `then`: there may be many scores.
    """

    def __init__(self, name: str, *, then: State | None = None, **kept: Any) -> None:  # noqa: ANN401 - click knows them
        super().__init__(name, **kept)
        self.then = then

    def invoke(self, ctx: click.Context) -> None:
        """Run it, and say so unless something is wrong or a program reads it."""
        super().invoke(ctx)
        folders = ctx.params.get("folders") or (ctx.params["folder"],)
        if len(folders) == 1 and not ctx.params.get("as_json"):
            from blindspoon.stage import Stage, stage  # noqa: PLC0415

            found = Stage(folder=folders[0], state=self.then) if self.then else stage(folders[0])
            added = bool(ctx.params.get("add") or ctx.params.get("more"))
            told = found.follows(ctx.info_name or "", added=added)
            click.echo(f"Next: {told}", err=True)


verb = partial(click.command, cls=Verb)


def flag(name: str, told: str, variable: str | None = None) -> Callable[[Any], Any]:
    return click.option(name, *filter(None, [variable]), is_flag=True, help=told)


JSON = flag("--json", "Print JSON.", "as_json")

SHOWN = 100


@contextlib.contextmanager
def progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """Show a bar on a terminal's standard error, and one line elsewhere, both at once."""
    with click.progressbar(length=1, label=f"{label} ...", file=sys.stderr) as bar:

        def moved(done: int, of: int) -> None:
            bar.length = of
            bar.update(done - bar.pos)

        yield moved


def spaced(text: str) -> str:
    """Put plain spaces where a page has unbreakable ones."""
    return text.replace("\N{NO-BREAK SPACE}", " ")


def cautions(told: Sequence[tuple[str, str]]) -> None:
    for text, source in told:
        click.echo(spaced(f"caution: {text}" + (f" ({source})" if source else "")))


def addresses(joins: Sequence[str], host: str, *, lan: bool) -> None:
    """Print where tasters join, with a QR code for phones in a `lan`, and the host's address."""
    if lan:
        import segno  # noqa: PLC0415 - only where phones are let in

        code = io.StringIO()
        segno.make(joins[0], error="m", micro=False).terminal(out=code, compact=True)
        plain, qr = "NO_COLOR" in os.environ, code.getvalue()
        click.echo(qr if plain else click.style(qr, "bright_white", "black"))
        click.echo(f"For the tasters: {joins[0]}")
        for other in joins[1:]:
            click.echo(f"         or else: {other}")
        click.echo("Everybody in this network can open it, and what is sent is not encrypted.")
    else:
        click.echo(f"On this computer only (phones need --lan): {joins[0]}")
    click.echo(f"For you alone:   {host}\nCtrl-C ends it.")


def record(found: object) -> None:
    import json  # noqa: PLC0415 - only where it is asked for

    click.echo(spaced(json.dumps(found, indent=2, ensure_ascii=False, allow_nan=False)))


def summary(folder: Path, wrong: Sequence[Problem], noted: Sequence[Note]) -> str:
    """Count what `check` found, those of one cause once."""

    def many(messages: Sequence[Problem] | Sequence[Note], told: int, word: str) -> str:
        places = f" in {len(messages)} places" if told < len(messages) else ""
        return f"{told or 'no'} {word}{'' if told == 1 else 's'}{places}"

    told = many(wrong, len(together(wrong)), "problem")
    return f"{folder}: {told}, {many(noted, len(together(noted)), 'note')}."


def problems(found: Sequence[Problem], *, err: bool = True) -> None:
    """Print the problems, each with the command that explains it."""
    told = [f"{it}\n    more: blindspoon explain {it.slug}" for it in together(found)]
    _say_some(told, "more", err=err)


def notes(found: Sequence[Note]) -> None:
    _say_some([spaced(f"note: {note}") for note in together(found)], "more notes")


def _say_some(told: Sequence[str], more: str, *, err: bool = False) -> None:
    for text in told[:SHOWN]:
        click.echo(text, err=err)
    if len(told) > SHOWN:
        click.echo(f"... and {len(told) - SHOWN:,} {more}.", err=err)
