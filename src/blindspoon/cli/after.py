"""From the tasting on: collect, check, close and explain; lift, compare, report and publish."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, get_args

import click

from blindspoon.cli import say
from blindspoon.trial import Pourer, today

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from blindspoon.packing.pack import Published


@say.verb()
@say.FOLDER
@say.flag("--lan", "Let phones in your network open the page; it is not encrypted.")
@click.option("--port", type=click.IntRange(1024, 65534), help="Port to listen on.")
@click.option(
    "--from", "source", type=click.File("rb"), metavar="FILE",
    help="Add the scores of a spreadsheet, saved as CSV, instead.",
)  # fmt: skip
def collect(folder: Path, lan: bool, port: int | None, source: BinaryIO | None) -> None:
    """Open the tasting: scores from phones, or keyed in from paper.

    Ctrl-C ends it. Every answer that was acknowledged lies in ballots/.
    """
    from blindspoon.collect import opening  # noqa: PLC0415
    from blindspoon.collect.server import serve  # noqa: PLC0415
    from blindspoon.errors import shown  # noqa: PLC0415
    from blindspoon.files.text_table import read_table  # noqa: PLC0415
    from blindspoon.wording import count  # noqa: PLC0415

    say.notes(opening.after_lifting(folder))
    with opening.opened(folder) as sitting:
        if source is not None:
            table = read_table(source.read(), shown(Path(source.name).name, 200))
            addition = opening.plan_addition(folder, sitting, table)
            for line in addition.lines():
                click.echo(line)
            addition.add(sitting)
            present = f"; {addition.present} were there already" if addition.present else ""
            where = folder / "ballots"
            click.echo(f"Scores of {count(addition.cups, 'cup')} added to {where}{present}.")
            return
        chosen = {} if port is None else {"port": port}
        ready, tell = partial(say.addresses, lan=lan), partial(click.echo, err=True)
        tally = serve(sitting, lan=lan, ready=ready, tell=tell, **chosen)
    click.echo(f"{tally} of {folder}.")


@say.verb()
@say.FOLDER
@say.JSON
def check(folder: Path, as_json: bool) -> None:
    """Look for slips and gaps while nobody knows what is what.

    Lists every problem of the folder at once, with what to do.
    """
    from dataclasses import asdict  # noqa: PLC0415

    from blindspoon.examine import examine  # noqa: PLC0415

    found = examine(folder)
    if as_json:
        say.record(asdict(found))
    else:
        say.problems(found.problems, err=False)
        say.notes(found.notes)
        say.cautions(found.cautions)
        click.echo(say.summary(folder, found.problems, found.notes))
        if found.problems:
            click.echo("Next: mend the problems, named first, and check again", err=True)
    if found.problems:
        raise SystemExit(1)


@say.verb()
@say.FOLDER
@say.flag("--reopen", "Open it again, while the blind is not lifted.")
def close(folder: Path, reopen: bool) -> None:
    """Close the tasting: nothing is scored until it is opened again.

    Nobody is added either.
    """
    from blindspoon import lifting  # noqa: PLC0415

    if reopen:
        was = lifting.reopen_tasting(folder)
        click.echo("The tasting is open again." if was else "The tasting was open.")
        return
    lifting.close_tasting(folder, today())
    click.echo("Tasting closed.")


@click.command()
@click.argument("slug", required=False)
def explain(slug: str | None) -> None:
    """Explain a problem: what it means, an example, and what to do.

    SLUG is the name that stands under the problem; without one, all names are listed.
    """
    from blindspoon.errors import did_you_mean  # noqa: PLC0415
    from blindspoon.examine import explanations  # noqa: PLC0415
    from blindspoon.writeup.writers import filled  # noqa: PLC0415

    known = explanations()
    if slug is None:
        click.echo("\n".join(known))
    elif slug in known:
        parts = known[slug].split("\n\n")
        told = (filled(it.strip(), indent=it[: -len(it.lstrip())]) for it in parts)
        click.echo("\n\n".join([slug, *told]))
    else:
        hint = did_you_mean(slug, known)
        raise click.BadParameter(f"no problem has this name{hint}.", param_hint=f"'{slug}'")


def _kept_in(folder: str, told: str) -> Callable[[Any], Any]:
    kind = click.Path(path_type=Path, file_okay=False)
    return click.option("--to", type=kind, default=Path(folder), show_default=True, help=told)


POOL = say.flag("--pool", "One page of all: a trial in several kitchens.", "together")


POURERS = click.Choice(get_args(Pourer))
WHO_POURED = "Who poured: a helper who did not taste, two for each other, or one taster"


@say.verb()
@say.FOLDER
@say.flag("--yes", "Do not ask.")
@say.flag("--last", "End here, though the rule has another look: nobody is added.")
@click.option("--poured", type=POURERS, help=f"{WHO_POURED}; to be put right, too.")
def lift(folder: Path, yes: bool, last: bool, poured: Pourer | None) -> None:
    """Lift the blind, once: find out what was in which cup.

    That ends the tasting. Lists what is missing and asks; keeps a record in seal.toml. Until then
    compare, report and publish refuse a sealed folder.
    """
    from blindspoon.lifting import Lifting, correct_pourer, lift_blind  # noqa: PLC0415

    if poured and correct_pourer(folder, poured, today()):
        click.echo("The blind was lifted before. Who poured is noted, and what was said then.")
        return

    def agreed(found: Lifting) -> Pourer | None:
        for line in found.lines():
            click.echo(line)
        asked = not (poured or yes)
        who = click.prompt(f"{WHO_POURED}?", "unknown", type=POURERS) if asked else poured
        price = "A taster or session added after this makes it exploratory. " * found.lift.last
        return (who or "unknown") if yes or click.confirm(f"{price}Lift it?") else None

    found = lift_blind(folder, today(), agreed, last=last)
    click.echo("Blind lifted." if found.recorded else "Nothing was lifted.")


@say.verb(then="lifted")
@say.FOLDERS
@say.JSON
@say.flag("--verify", "Compute it again with statsmodels and scipy; exit with 1 if they differ.")
def compare(folders: Sequence[Path], as_json: bool, verify: bool) -> None:
    """Say which changes made a difference, and how large.

    Several folders are one trial in several kitchens: they are pooled, and the rule of the first
    decides.
    """
    from blindspoon import api  # noqa: PLC0415

    if verify:
        from blindspoon.verify import in_words, unlike  # noqa: PLC0415

        if as_json:
            raise click.UsageError("--verify prints a table: leave out --json.")
        tables = [api.compare(folder).verify() for folder in folders]
        for folder, table in zip(folders, tables, strict=True):
            click.echo(f"{folder}:\n" * (len(folders) > 1) + in_words(table))
        sys.exit(any(len(unlike(table)) for table in tables))
    from blindspoon.cli import printed  # noqa: PLC0415

    found = api.pool(*folders) if len(folders) > 1 else api.compare(folders[0])
    if as_json:
        say.record(found.to_record())
    elif isinstance(found, api.Compared):
        click.echo(printed.comparison_table(found.analysis))
    else:
        click.echo(printed.pooled_table(found.pool))


@say.verb(then="lifted")
@say.FOLDERS
@_kept_in("reports", "Where the reports are kept.")
@POOL
def report(folders: Sequence[Path], to: Path, together: bool) -> None:
    """Write the findings as a page, with charts and tables.

    It is reports/TRIAL/index.html, and replaces an earlier report of the same trial.
    """
    from blindspoon import api  # noqa: PLC0415

    if together:
        click.echo(f"Report written: {api.pool(*kitchens(folders)).report(to)}")
        return
    for folder in apart(folders):
        page = api.report(folder, to, tell=lambda text: click.echo(f"note: {text}"))
        click.echo(f"Report written: {page}")


@say.verb(then="published")
@say.FOLDERS
@_kept_in("published", "Where it is written.")
@click.option(
    "--jar", type=click.FloatRange(min=1, max=1_000_000), default=1000, show_default=True,
    metavar="GRAMS", help="Scale the recipes to a reader's jar.",
)  # fmt: skip
@POOL
def publish(folders: Sequence[Path], to: Path, jar: float, together: bool) -> None:
    """Write all that is sent out: page, pictures, data, and a kit.

    In a folder and as one zip file; START.html there says what each file is for.
    """
    from blindspoon import api  # noqa: PLC0415

    if together:
        found = api.pool(*kitchens(folders))
        with say.progress("Publishing") as moved:
            written = found.publish(to, moved, jar_g=jar)
        say_published(written)
        return
    for folder in apart(folders):
        with say.progress(f"Publishing {folder}") as moved:
            written = api.publish(folder, to, jar_g=jar, progress=moved)
        say_published(written)


def kitchens(folders: Sequence[Path]) -> Sequence[Path]:
    if len(folders) < 2:
        raise click.UsageError("--pool takes two folders or more.")
    return folders


def apart(folders: Sequence[Path]) -> Sequence[Path]:
    """See that no two are called the same: what is written of one would replace the other's."""
    names = [path.name for path in {folder.resolve() for folder in folders}]
    for name in names:
        if names.count(name) > 1:
            raise click.UsageError(f"Two folders are called {name}: give each its own --to.")
    return folders


def say_published(written: Published) -> None:
    for text in written.lacking:
        click.echo(f"note: {text}")
    click.echo(f"Published: {written.folder / 'START.html'} says what is what")
    click.echo(f"In one file: {written.zipped}")
