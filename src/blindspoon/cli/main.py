"""The group of all verbs, and the one place that turns an error into words and an exit code."""

from __future__ import annotations

import errno
import io
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from blindspoon.cli import after, before, pages, tasting
from blindspoon.cli.say import say_problems
from blindspoon.errors import TrialError
from blindspoon.version import __version__

if TYPE_CHECKING:
    from collections.abc import Sequence


class InOrder(click.Group):
    """Verbs in the order of the work, in the help too."""

    def list_commands(self, _context: click.Context) -> list[str]:
        """Give them as they were added."""
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
        pages.where_trials_stand(Path())


for verb in (
    pages.open_,
    before.new,
    before.batches,
    before.size,
    before.blind,
    tasting.collect,
    tasting.check,
    tasting.close,
    after.lift,
    after.compare,
    after.report,
    after.publish,
    tasting.explain,
    after.calibrate,
):
    commands.add_command(verb)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command; leave with 0 done, 1 the user's files, 2 usage, 130 stopped.

    Into a file or another program everything goes as UTF-8, whatever the system's own encoding is.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and not stream.isatty():
            stream.reconfigure(encoding="utf-8")
    try:
        commands.main(args=arguments, prog_name="blindspoon", standalone_mode=False)
    except TrialError as error:
        say_problems(error.problems)
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
        if error.errno != errno.ENOSPC:  # every file of a trial says this of itself, in `files`
            raise
        click.echo("The disk is full: not all of the output was written.", err=True)
        sys.exit(1)
