"""The verbs. The only module that prints, and the only one that catches `TrialError`."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from blindspoon import __version__
from blindspoon.errors import Note, Problem, TrialError

if TYPE_CHECKING:
    from collections.abc import Sequence

SHOWN = 100
FOLDER = click.argument("folder", type=click.Path(path_type=Path))
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a table.")


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80})
@click.version_option(__version__, message="blindspoon %(version)s")
def commands() -> None:
    """Blind side-by-side tastings of home-made food, from the plan to an honest writeup.

    FOLDER is a trial folder: trial.toml and the tables beside it.
    """


@commands.command()
@FOLDER
@JSON
def check(folder: Path, as_json: bool) -> None:
    """List everything that can be said before the blind is lifted.

    Every problem of the folder is listed at once: where it is, what was found, what is allowed
    and what to do. Exits 1 if there is one.
    """
    from dataclasses import asdict  # noqa: PLC0415

    from blindspoon.examine import examine  # noqa: PLC0415

    found = examine(folder)
    if as_json:
        _say_json(asdict(found))
    else:
        _say_problems(found.problems, err=False)
        _say_notes(found.notes)
        click.echo(_summary(folder, len(found.problems), len(found.notes)))
    if found.problems:
        raise SystemExit(1)


@commands.command()
@FOLDER
@JSON
def compare(folder: Path, as_json: bool) -> None:
    """Compare every variant with the control on every attribute."""
    from blindspoon.pipeline import analyse  # noqa: PLC0415
    from blindspoon.records import trial_record  # noqa: PLC0415
    from blindspoon.terminal import comparison_table  # noqa: PLC0415

    found = analyse(folder)
    parts = (found.trial, found.table, found.results, found.verdicts)
    if as_json:
        _say_json(trial_record(*parts))
    else:
        click.echo(comparison_table(*parts))


@commands.command()
@click.argument(
    "folders", metavar="FOLDER...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option(
    "--to",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("reports"),
    show_default=True,
    help="Where the reports are kept, a folder a trial.",
)
def report(folders: Sequence[Path], to: Path) -> None:
    """Write the writeup: reports/TRIAL/index.html with its figures and tables.

    An existing report of the same trial is replaced whole, or not at all.
    """
    from blindspoon.pipeline import analyse, write_report  # noqa: PLC0415

    for folder in folders:
        page = write_report(analyse(folder), to)
        click.echo(f"Report written: {page}")


def _say_json(record: object) -> None:
    click.echo(json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False))


def _summary(folder: Path, problems: int, notes: int) -> str:
    def many(number: int, word: str) -> str:
        return f"{number or 'no'} {word}{'' if number == 1 else 's'}"

    return f"{folder}: {many(problems, 'problem')}, {many(notes, 'note')}."


def _say_problems(problems: Sequence[Problem], *, err: bool = True) -> None:
    for problem in problems[:SHOWN]:
        click.echo(f"{problem}\n    see docs/reference/errors.md#{problem.slug}", err=err)
    if len(problems) > SHOWN:
        click.echo(f"... and {len(problems) - SHOWN:,} more.", err=err)


def _say_notes(notes: Sequence[Note]) -> None:
    for note in notes[:SHOWN]:
        click.echo(f"note: {note}")
    if len(notes) > SHOWN:
        click.echo(f"... and {len(notes) - SHOWN:,} more notes.")


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command; leave with 0 done, 1 the user's files, 2 usage, 130 stopped."""
    try:
        commands.main(args=arguments, prog_name="blindspoon", standalone_mode=False)
    except TrialError as error:
        _say_problems(error.problems)
        sys.exit(1)
    except click.exceptions.Exit as leave:
        sys.exit(leave.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        sys.exit(130)
    except BrokenPipeError:
        # The reader of a pipe (head, less) went away: nothing more can be said to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
