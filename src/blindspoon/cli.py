"""The verbs. The only module that prints, and the only one that catches `TrialError`."""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TextIO

import click

from blindspoon import __version__
from blindspoon.errors import Note, Problem, TrialError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from blindspoon.form import Addition, Addresses, Event

SHOWN = 100
FOLDER = click.argument("folder", type=click.Path(path_type=Path))
SD = click.FloatRange(min=0)
SIZE = click.IntRange(min=1)
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a table.")


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80})
@click.version_option(__version__, message="blindspoon %(version)s")
def commands() -> None:
    """Blind side-by-side tastings of home-made food, from the plan to an honest writeup.

    FOLDER is a trial folder: trial.toml and the tables beside it.
    """


@commands.command()
@FOLDER
def new(folder: Path) -> None:
    """Start a trial folder from a commented template.

    Writes trial.toml, batches.csv and readings.csv, and never over a file that is there.
    """
    from blindspoon.starting import start  # noqa: PLC0415

    start(folder, _today())
    click.echo(f"New trial: {folder / 'trial.toml'}. Change it to yours before anyone tastes.")


@commands.command()
@FOLDER
@JSON
def batches(folder: Path, as_json: bool) -> None:
    """Show the strengths of what is made, what equalises them, and what else differs.

    Reads batches.csv and readings.csv; nobody has to have tasted anything.
    """
    from blindspoon.examine import what_was_made  # noqa: PLC0415
    from blindspoon.terminal import batches_table  # noqa: PLC0415

    trial, made, notes = what_was_made(folder)
    if as_json:
        _say_json(made.to_record())
    else:
        click.echo(batches_table(trial, made))
        _say_notes(notes)


@commands.command()
@FOLDER
@click.option(
    "--like",
    type=click.Path(path_type=Path),
    help="Take the spread of the scores from an earlier trial folder.",
)
@click.option("--cup-sd", type=SD, help="Standard deviation from cup to cup, in points.")
@click.option("--taster-sd", type=SD, help="Standard deviation between tasters, in points.")
@click.option(
    "--opinion-sd",
    type=SD,
    help="Standard deviation of a taster's own opinion of a variant, in points.",
)
@click.option(
    "--tasters",
    type=SIZE,
    multiple=True,
    metavar="N",
    help="A number of tasters to try; may be repeated.",
)
@click.option(
    "--sessions",
    type=SIZE,
    multiple=True,
    metavar="N",
    help="A number of sessions to try; may be repeated.",
)
@click.option(
    "--trials",
    type=click.IntRange(100, 100_000),
    default=2000,
    show_default=True,
    help="Simulated trials for each number.",
)
@click.option("--jobs", type=int, default=-1, help="Processes; -1 is every core.  [default: -1]")
@click.option(
    "--chart",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a chart, as SVG or PNG by its ending.",
)
@JSON
def size(folder: Path, as_json: bool, chart: Path | None, **options: Any) -> None:  # noqa: ANN401 - SizeOptions knows them
    """Say how many tasters and sessions the question needs.

    Simulates trials of this design and judges them as the report will: the chance to show a
    difference of one margin and of two, and to show a variant alike when nothing differs.
    """
    from blindspoon.planning import SizeOptions, draw_chances, size_folder  # noqa: PLC0415
    from blindspoon.terminal import sizing_table  # noqa: PLC0415

    with _progress("Simulating") as progress:
        trial, sizing = size_folder(folder, SizeOptions(**options), progress)
    if as_json:
        _say_json(sizing.to_record())
    else:
        click.echo(sizing_table(trial, sizing))
    if chart is not None:
        draw_chances(trial, sizing, chart)
        click.echo(f"Chart written: {chart}", err=True)


@commands.command()
@FOLDER
@click.option("--add", metavar="TASTER", help="Add a late taster; nobody else's cups change.")
@click.option("--sheets", is_flag=True, help="Only print the sheets of the drawn blind again.")
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"]),
    default="a4",
    show_default=True,
    help="Paper of the sheets.",
)
@click.option(
    "--labels",
    metavar="STOCK",
    help="Stock of the cup labels: a4-21, a4-65, letter-30 or letter-80.",
)
def blind(
    folder: Path, add: str | None, sheets: bool, paper: Literal["a4", "letter"], labels: str | None
) -> None:
    """Draw codes and serving orders, and print the sheets.

    Writes servings.csv, key.csv, seal.toml and the sheets. Whoever tastes must see neither
    key.csv nor the pouring sheet. Refuses once a cup was scored, and never draws twice.
    """
    from blindspoon.drawing import add_late, draw_blind, write_sheets  # noqa: PLC0415
    from blindspoon.examine import examine  # noqa: PLC0415
    from blindspoon.sheets import LABEL_STOCKS  # noqa: PLC0415
    from blindspoon.terminal import balance_lines  # noqa: PLC0415

    if labels is not None and labels not in LABEL_STOCKS:
        allowed = ", ".join(LABEL_STOCKS)
        raise click.BadParameter(f"'{labels}' is not one of {allowed}.", param_hint="--labels")
    if not sheets:
        _say_cautions(examine(folder).cautions)
        plan = draw_blind(folder, _today()) if add is None else add_late(folder, add, _today())
        for line in (*balance_lines(plan.balance), *plan.notes):
            click.echo(line)
        click.echo(f"Blind drawn: keep {folder / 'key.csv'} from everybody who tastes.")
    for page in write_sheets(folder, paper, labels):
        click.echo(f"Sheet written: {page}")


@commands.command()
@FOLDER
@click.option(
    "--lan", is_flag=True, help="Let phones in your network open the page; it is not encrypted."
)
@click.option("--port", type=click.IntRange(1024, 65535), help="Port to listen on.")
@click.option(
    "--from",
    "source",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Add the scores of a spreadsheet's export instead.",
)
def collect(folder: Path, lan: bool, port: int | None, source: Path | None) -> None:
    """Serve the score page, for phones and for keying in paper ballots.

    Ctrl-C ends it. Every answer that was acknowledged lies in ballots/.
    """
    from blindspoon import form  # noqa: PLC0415
    from blindspoon.collect import opened  # noqa: PLC0415

    with opened(folder) as tasting:
        if source is not None:
            addition = tasting.plan(source)
            for line in addition.lines():
                click.echo(line)
            tasting.add(addition)
            click.echo(_added(addition, folder))
            return
        where = {} if port is None else {"port": port}
        tally = form.serve(tasting.desk, lan=lan, ready=_say_addresses, tell=_tell, **where)
    click.echo(f"{tally} of {folder}.")


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
        _say_cautions(found.cautions)
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


@commands.command()
@click.option("--trials", type=click.IntRange(8), default=2000, help="Trials a cell.  [2000]")
@click.option("--seed", type=SIZE, default=20260905, show_default=True, help="Of all draws.")
@click.option("--tasters", type=SIZE, multiple=True, help="A size of panel; may be repeated.")
@click.option("--only", multiple=True, metavar="SITUATION", help="One of them; may be repeated.")
@click.option("--jobs", type=int, default=-1, help="Processes; -1 is every core.  [default: -1]")
@click.option("--to", type=click.File("a+", "utf-8"), help="A page whose tables are renewed.")
@JSON
def calibrate(as_json: bool, to: TextIO | None, **options: Any) -> None:  # noqa: ANN401 - Asked knows them
    """Count how often the verdicts are right.

    Simulates complete trials in several situations, compares and judges them as real ones, and
    counts false alarms, coverage, differences found, and variants wrongly called alike.
    """
    from blindspoon.calibration.request import Asked, run  # noqa: PLC0415

    earlier = to.read() if to is not None and not to.seek(0) else ""
    with _progress("Simulating") as progress:
        found, page = run(Asked(**options, to=to.name if to else None), earlier, _today(), progress)
    if to is not None:
        to.truncate(0)
        to.write(page)
    if as_json or to is None:
        _say_json(found.to_record()) if as_json else click.echo(page, nl=False)


@commands.command()
@click.argument(
    "folders", metavar="FOLDER...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option(
    "--to",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("published"),
    show_default=True,
    help="Where it is written, a folder and a zip file a trial.",
)
@click.option(
    "--jar",
    type=click.FloatRange(min=1, max=1_000_000),
    default=1000,
    show_default=True,
    metavar="GRAMS",
    help="What the reader's jar holds, to which the recipes are scaled.",
)
def publish(folders: Sequence[Path], to: Path, jar: float) -> None:
    """Write all that is sent out: the writeup in every form, figures, data, a kit.

    The page, the same for paper and for a blog, figures for print, posts and video, the data as a
    Data Package, and a kit with which a reader repeats the trial; in a folder and as one zip file.
    """
    from blindspoon import publishing  # noqa: PLC0415
    from blindspoon.pipeline import analyse  # noqa: PLC0415

    for folder in folders:
        written = publishing.publish(analyse(folder), to, jar_g=jar)
        click.echo(f"Published: {written.folder / 'index.html'} and all beside it")
        click.echo(f"In one file: {written.zipped}")


@contextlib.contextmanager
def _progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """Show a bar on a terminal's standard error, and nothing elsewhere."""
    with click.progressbar(
        length=1, label=label, file=sys.stderr, hidden=not sys.stderr.isatty()
    ) as bar:

        def moved(done: int, of: int) -> None:
            bar.length = of
            bar.update(done - bar.pos)

        yield moved


def _spaced(text: str) -> str:
    """Put plain spaces where a page has unbreakable ones."""
    return text.replace("\N{NO-BREAK SPACE}", " ")


def _say_cautions(cautions: Sequence[tuple[str, str]]) -> None:
    for text, source in cautions:
        click.echo(_spaced(f"caution: {text}" + (f" ({source})" if source else "")))


def _tell(event: Event) -> None:
    click.echo(str(event), err=True)


def _say_addresses(addresses: Addresses) -> None:
    if addresses.lan:
        plain = "NO_COLOR" in os.environ
        click.echo(addresses.qr if plain else click.style(addresses.qr, "bright_white", "black"))
        click.echo(f"For the tasters: {addresses.join}")
        for other in addresses.others:
            click.echo(f"         or else: {other}")
        click.echo("Everybody in this network can open it, and what is sent is not encrypted.")
    else:
        click.echo(f"On this computer only (phones need --lan): {addresses.join}")
    click.echo(f"For you alone:   {addresses.host}\nCtrl-C ends it.")


def _added(addition: Addition, folder: Path) -> str:
    present = f"; {addition.present} were there already" if addition.present else ""
    return f"Scores of {len(addition.answers)} cups added to {folder / 'ballots'}{present}."


def _today() -> datetime.date:
    return datetime.datetime.now().astimezone().date()


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
        click.echo(_spaced(f"note: {note}"))
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
