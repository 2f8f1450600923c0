"""The verbs. Nothing else prints; problems of a folder end here with exit code 1."""

from __future__ import annotations

import codecs
import errno
import io
import sys
from collections.abc import Sequence
from pathlib import Path

import click

from blindspoon.cli import after, before, say
from blindspoon.errors import TrialError
from blindspoon.version import __version__

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
    from blindspoon.files.own_state import Door, own_secret  # noqa: PLC0415
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
    from blindspoon.files.trial_folder import trials_in  # noqa: PLC0415
    from blindspoon.stage import STATES, stage  # noqa: PLC0415

    found = [stage(folder) for folder in trials_in(shelf).values()]
    for trial in found:
        called = STATES[trial.state].called
        click.echo(f"{trial.folder}: {trial.title}\n  {called}. {trial.sentence}")
        click.echo(f"  Next: {trial.follows()}")
    if not found:
        click.echo('No trial is in this folder. Start one: "blindspoon new FOLDER".')
    click.echo('From pages in the browser: "blindspoon open". All verbs: "blindspoon --help".')


class InOrder(click.Group):
    """Verbs in the order of the work, in the help too."""

    def list_commands(self, _context: click.Context) -> list[str]:
        return list(self.commands)


@click.group(
    cls=InOrder,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    invoke_without_command=True,
)
@click.version_option(__version__, message="blindspoon %(version)s")
@click.pass_context
def commands(context: click.Context) -> None:
    """Blind side-by-side tastings of home-made food, from the plan to an honest writeup.

    FOLDER is a trial folder: trial.toml and the tables beside it. Without a command, it says where
    the trials in this folder stand.
    """
    if context.invoked_subcommand is None:
        where_trials_stand(Path())


for verb in (
    open_, before.new, before.batches, before.size, before.blind, after.collect, after.check,
    after.close, after.lift, after.compare, after.report, after.publish, after.explain,
):  # fmt: skip
    commands.add_command(verb)


_NEAREST = dict(zip("−‑–…“”‘’→", "---.\"\"''>", strict=True))  # noqa: RUF001 - seen apart


def _nearest(error: UnicodeError) -> tuple[str, int]:
    """Give what a terminal can show for what it cannot: a plain minus for a minus."""
    if isinstance(error, UnicodeDecodeError):  # typed
        return "\N{REPLACEMENT CHARACTER}", error.end
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lost = error.object[error.start : error.end]
    return "".join(_NEAREST.get(letter, "?") for letter in lost), error.end


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command; leave with 0 done, 1 the user's files, 2 usage, 130 stopped.

    Into a file or another program everything goes as UTF-8, whatever the system's own encoding is;
    a name in another one goes as it is. A terminal of fewer letters gets what is nearest.
    """
    sys.stdin = sys.stdin or io.StringIO()  # None where it is closed
    codecs.register_error("nearest", _nearest)
    for stream in (sys.stdin, sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.isatty():
            stream.reconfigure(errors="nearest")
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(encoding="utf-8", errors="surrogateescape")
    try:
        commands.main(args=arguments, prog_name="blindspoon", standalone_mode=False)
    except TrialError as error:
        say.problems(error.problems)
        sys.exit(1)
    except click.exceptions.Exit as leave:
        sys.exit(leave.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        sys.exit(130)
    except OSError as error:
        if error.errno == errno.ENOSPC:  # every file of a trial says this of itself, in `files`
            click.echo("The disk is full: not all of the output was written.", err=True)
        else:
            from blindspoon.files.disk import cannot  # noqa: PLC0415 - only where it is said

            where = error.filename or "The folder or the output"
            click.echo(f"{where}: {cannot('used', error)}.", err=True)
        sys.exit(1)
