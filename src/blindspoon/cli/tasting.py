"""While people taste: collect and check; and explain, for what they complain of."""

from functools import partial
from pathlib import Path

import click

from blindspoon.cli.say import (
    FILE,
    FOLDER,
    JSON,
    flag,
    say_addresses,
    say_cautions,
    say_json,
    say_notes,
    say_problems,
    summary,
)
from blindspoon.trial import today

UNBROKEN = "\N{NON-BREAKING HYPHEN}"


@click.command()
@FOLDER
@flag("--lan", "Let phones in your network open the page; it is not encrypted.")
@click.option("--port", type=click.IntRange(1024, 65534), help="Port to listen on.")
@click.option(
    "--from", "source", type=FILE, metavar="FILE",
    help="Add the scores of a spreadsheet, saved as CSV, instead.",
)  # fmt: skip
def collect(folder: Path, lan: bool, port: int | None, source: Path | None) -> None:
    """Open the tasting: scores from phones, or keyed in from paper.

    Ctrl-C ends it. Every answer that was acknowledged lies in ballots/.
    """
    from blindspoon.collect import opening  # noqa: PLC0415
    from blindspoon.collect.server import serve  # noqa: PLC0415
    from blindspoon.wording import count  # noqa: PLC0415

    say_notes(opening.after_lifting(folder))
    with opening.opened(folder) as sitting:
        if source is not None:
            addition = opening.plan_addition(folder, sitting, source)
            for line in addition.lines():
                click.echo(line)
            addition.add(sitting)
            present = f"; {addition.present} were there already" if addition.present else ""
            where = folder / "ballots"
            click.echo(f"Scores of {count(addition.cups, 'cup')} added to {where}{present}.")
            return
        chosen = {} if port is None else {"port": port}
        tell = partial(click.echo, err=True)
        tally = serve(sitting, lan=lan, ready=say_addresses, tell=tell, **chosen)
    click.echo(f"{tally} of {folder}.")


@click.command()
@FOLDER
@JSON
def check(folder: Path, as_json: bool) -> None:
    """Look for slips and gaps while nobody knows what is what.

    Lists every problem of the folder at once, with what to do.
    """
    from dataclasses import asdict  # noqa: PLC0415

    from blindspoon.examine import examine  # noqa: PLC0415

    found = examine(folder)
    if as_json:
        say_json(asdict(found))
    else:
        say_problems(found.problems, err=False)
        say_notes(found.notes)
        say_cautions(found.cautions)
        click.echo(summary(folder, found.problems, found.notes))
    if found.problems:
        raise SystemExit(1)


@click.command()
@FOLDER
@flag("--reopen", "Open it again, while the blind is not lifted.")
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
    click.echo(f"Tasting closed: now check {folder}, then lift {folder}.")


@click.command()
@click.argument("slug", required=False)
def explain(slug: str | None) -> None:
    """Explain a problem: what it means, an example, and what to do.

    SLUG is the name that stands under the problem; without one, all names are listed.
    """
    from blindspoon.errors import did_you_mean  # noqa: PLC0415
    from blindspoon.examine import explanations  # noqa: PLC0415

    known = explanations()
    if slug is None:
        click.echo("\n".join(known))
    elif slug in known:
        text = f"{slug}\n\n{known[slug]}".replace("-", UNBROKEN)  # a name is copied whole
        wrapped = click.wrap_text(text, 80, preserve_paragraphs=True)
        click.echo(wrapped.replace(UNBROKEN, "-"))
    else:
        hint = did_you_mean(slug, known)
        raise click.BadParameter(f"no problem has this name{hint}.", param_hint=f"'{slug}'")
