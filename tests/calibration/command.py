"""The command: its options, what it writes and what it prints."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from blindspoon.cli.say import FILE, JSON, progress, record
from blindspoon.files import disk
from blindspoon.trial import today
from tests.calibration.calibrate import SEED, TRIALS, calibrate, summary, tables, to_csv
from tests.calibration.course_rates import COURSES
from tests.calibration.situations import SITUATIONS

EVERY = {situation.name: situation for situation in (*SITUATIONS, *COURSES)}


@click.command()
@click.option(
    "--trials", type=click.IntRange(8), default=TRIALS, show_default=True,
    help="Simulated in each situation.",
)  # fmt: skip
@click.option(
    "--seed",
    type=click.IntRange(1),
    default=SEED,
    show_default=True,
    help="From which all is drawn.",
)
@click.option(
    "--tasters", type=click.IntRange(2), multiple=True, help="A size of panel; may be repeated."
)
@click.option(
    "--only", type=click.Choice([*EVERY]), default=[*EVERY], multiple=True,
    help="Only this situation; may be repeated.",
)  # fmt: skip
@click.option("--jobs", type=int, default=-1, show_default=True, help="-1 is every core.")
@click.option("--to", type=FILE, help="Write every rate as CSV, and print only the summary.")
@JSON
def main(
    trials: int, seed: int, tasters: Sequence[int], only: Sequence[str], jobs: int,
    to: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Count how often the verdicts are right.

    Simulates complete trials in several situations, the last of them over days, and judges them as
    real ones.
    """
    with progress("Simulating") as moved:
        found = calibrate(
            trials=trials, seed=seed, tasters=tasters, n_jobs=jobs, progress=moved,
            situations=[situation for name, situation in EVERY.items() if name in only],
        )  # fmt: skip
    if to is not None:
        disk.write_files_atomically({to: to_csv(found, today()).encode()})
    if as_json:
        record(found.to_record())
    else:
        click.echo((tables if to is None else summary)(found.rates), nl=False)
