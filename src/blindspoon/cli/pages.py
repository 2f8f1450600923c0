"""The whole trial from a browser page; and where trials stand, for who types no verb."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

import click

HERE = "For this computer alone; open it here. Ctrl-C ends it."


@click.command("open")
@click.argument("shelf", type=click.Path(path_type=Path), default=".")
@click.option("--port", type=click.IntRange(1024, 65535), help="Port to listen on.")
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def open_(shelf: Path, port: int | None, no_browser: bool) -> None:
    """Do the whole trial in the browser, on this computer alone.

    SHELF is a folder with trial folders in it, by default the one you are in. Every verb goes on
    working beside the pages. Ctrl-C ends them, or the button on every page.
    """
    if not shelf.is_dir():
        raise click.BadParameter(f"there is no folder {shelf}.", param_hint="SHELF")
    from blindspoon.files.own_state import own_secret  # noqa: PLC0415
    from blindspoon.workbench.door import Door  # noqa: PLC0415
    from blindspoon.workbench.listening import running, serve  # noqa: PLC0415

    shelf, door = shelf.resolve(), Door(own_secret())

    def ready(address: str, said: str = HERE) -> None:
        click.echo(said, err=True)
        click.echo(f"{address}door/{door.new_pass(again=True)}")
        sys.stdout.flush()
        if not no_browser:
            import webbrowser  # noqa: PLC0415 - brings in subprocess

            webbrowser.open(f"{address}door/{door.new_pass()}")

    if there := running(shelf, door):
        ready(there, "It is open already, here:")
        return
    serve(shelf, door, port, ready)
    click.echo("Closed.", err=True)


def where_trials_stand(shelf: Path) -> None:
    """Print where the trials in a folder stand, and what comes next for each."""
    from blindspoon.files.disk import trials_in  # noqa: PLC0415
    from blindspoon.stage import IN_WORDS, NEXT_VERBS, stage  # noqa: PLC0415

    found = [stage(folder) for folder in trials_in(shelf).values()]
    for trial in found:
        click.echo(f"{trial.folder}: {trial.title}\n  {IN_WORDS[trial.state]}. {trial.sentence}")
        click.echo(
            f"  Next: {NEXT_VERBS[trial.state].format(folder=shlex.quote(f'{trial.folder}'))}"
        )
    if not found:
        click.echo('No trial is in this folder. Start one: "blindspoon new FOLDER".')
    click.echo('From pages in the browser: "blindspoon open". All verbs: "blindspoon --help".')
