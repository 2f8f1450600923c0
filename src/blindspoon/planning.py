"""Before the tasting: how many tasters it needs, and the blind, written once."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from blindspoon.analysis import analyse
from blindspoon.batches.cautions import caution
from blindspoon.batches.summary import make_up
from blindspoon.errors import DesignError, Problem
from blindspoon.files import disk
from blindspoon.files.disk import FolderText
from blindspoon.files.seal import (
    FILE,
    Seal,
    key_fingerprint,
    key_rows,
    parse_seal,
    rule_fingerprint,
)
from blindspoon.files.text_table import TextTable, write_csv
from blindspoon.files.trial_toml import parse_trial
from blindspoon.scores.score_table import check_scores
from blindspoon.serving.draw import add_taster, draw, taster_stream
from blindspoon.serving.plan import ServingPlan, plan_from_rows
from blindspoon.serving.request import request_for
from blindspoon.sheets.paper import Paper
from blindspoon.sheets.printing import print_sheets
from blindspoon.simulate.size import size, sized_attribute
from blindspoon.simulate.size_results import Sizing, Spread, common_practice, spread_from
from blindspoon.simulate.sweep import Progress
from blindspoon.trial import Trial

STREAM = 1000
"""Tells the drawing's random stream from the others that come from the trial's seed."""


def draw_blind(folder: Path, today: datetime.date) -> ServingPlan:
    """Draw codes and orders, and write servings.csv, key.csv and seal.toml.

    Parameters
    ----------
    folder : Path
        Holds trial.toml, and batches.csv where the batches are to be dealt out.
    today : date
        Stands in the seal.

    Raises
    ------
    TrialError
        If the design cannot be drawn, if a cup was scored already, or if one of the three files
        exists: nothing is written then.
    """
    text = disk.read_folder(folder)
    trial = parse_trial(text.trial)
    _see_untasted(text)
    request = request_for(
        trial,
        controls=trial.tasting.controls,
        warm_up=trial.tasting.warm_up,
        batches=_batches(text.table("batches.csv")),
    )
    plan = draw(request, np.random.default_rng([trial.seed, STREAM]))
    key = key_fingerprint(plan.key_rows()[1:])
    seal = Seal(date=today, key=key, rule=rule_fingerprint(trial))
    disk.make_files(folder, {**_tables(plan), FILE: seal.to_toml().encode()})
    return plan


def add_late(folder: Path, name: str, today: datetime.date) -> ServingPlan:
    """Add a taster to a blind that was drawn; nobody else's cups change.

    Raises
    ------
    TrialError
        If no blind was drawn, its tables have problems, or there is a taster of that name.
    """
    text = disk.read_folder(folder)
    trial, before = _drawn(text)
    plan = add_taster(before, name, taster_stream(trial.seed, name))
    contents = _tables(plan)
    seal = parse_seal(text.seal or "")
    if seal is not None:
        kept = seal.with_late(name, today, key_fingerprint(plan.key_rows()[1:]))
        contents[FILE] = kept.to_toml().encode()
    for file, content in contents.items():  # the key first: a cup without a serving harms nobody
        disk.write_file_atomically(folder / file, content)
    return plan


def write_sheets(folder: Path, paper: Paper, labels: str | None) -> tuple[Path, ...]:
    """Print the sheets of the blind that was drawn into sheets/ of the trial folder.

    Raises
    ------
    TrialError
        If no blind was drawn, or the sheets cannot be written.
    """
    text = disk.read_folder(folder)
    trial, plan = _drawn(text)
    made, _ = make_up(trial, text.table("batches.csv"), text.table("readings.csv"))
    sheets = print_sheets(
        trial,
        plan,
        paper=paper,
        label_stock=labels,
        portion_g=trial.tasting.portion_g,
        cautions=[caution(found) for found in made.cautions if not found.general] if made else (),
    )
    for name, content in sheets.items():
        disk.write_file_atomically(folder / "sheets" / name, content)
    return tuple(folder / "sheets" / name for name in sheets)


def _drawn(text: FolderText) -> tuple[Trial, ServingPlan]:
    """Read the plan that servings.csv and key.csv hold."""
    trial = parse_trial(text.trial)
    servings, key = text.table("servings.csv"), text.table("key.csv")
    if servings is None or key is None:
        missing = [name for name in ("servings.csv", "key.csv") if name not in text.files]
        raise DesignError([_undrawn(name) for name in missing])
    problems, _ = check_scores(trial, text.scores, servings, key)
    kept = [problem for problem in problems if problem.file in (servings.file, key.file)]
    if kept:
        raise DesignError(kept)
    served, known = _filled(trial, servings), key_rows(key)
    request = request_for(
        replace(
            trial,
            tasting=replace(trial.tasting, tasters=tuple(dict.fromkeys(r[1] for r in served))),
        ),
        controls=trial.tasting.controls,
        warm_up=trial.tasting.warm_up,
        sessions=tuple(dict.fromkeys(r[0] for r in served)),
        batches=_batches(text.table("batches.csv")),
    )
    heading = ["session", "taster", "code", "variant", "batch"]
    return trial, plan_from_rows(
        request, [["session", "taster", "position", "code"], *served], [heading, *known]
    )


def _filled(trial: Trial, servings: TextTable) -> list[list[str]]:
    only = trial.sessions[0].name if trial.sessions else "1"
    return [
        [row.get("session", only), row["taster"], row["position"], row["code"]]
        for _, row in servings.rows()
    ]


def _batches(table: TextTable | None) -> dict[str, list[str]]:
    """List the batches of each variant, as far as batches.csv names both."""
    found: dict[str, list[str]] = {}
    for _, row in table.rows() if table else ():
        if row.get("batch") and row.get("variant"):
            found.setdefault(row["variant"], []).append(row["batch"])
    return found


def _tables(plan: ServingPlan) -> dict[str, bytes]:
    rows = {"key.csv": plan.key_rows(), "servings.csv": plan.servings_rows()}
    return {name: write_csv(table).encode() for name, table in rows.items()}


def _see_untasted(text: FolderText) -> None:
    scored = [table.file for table in text.scores if len(table)]
    if scored:
        raise DesignError([_tasted(file) for file in scored])


def _tasted(file: str) -> Problem:
    return Problem(
        slug="already-tasted",
        file=file,
        found="cups were scored already",
        allowed="the blind is drawn before anyone tastes",
        remedy="Start a new trial folder, or add a late taster with --add",
    )


def _undrawn(file: str) -> Problem:
    return Problem(
        slug="not-drawn",
        file=file,
        found="there is no such file",
        allowed="the blind is drawn first",
        remedy='Run "blindspoon blind FOLDER"',
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeOptions:
    """What a host may choose beside trial.toml.

    Parameters
    ----------
    like : Path, optional
        An earlier trial folder, whose spread is taken; else common practice.
    cup_sd, taster_sd, opinion_sd : float, optional
        Standard deviations in points that replace those.
    tasters, sessions : sequence of int
        Sizes to try; the usual ones where empty.
    trials, jobs : int
        See `blindspoon.simulate.size.size`.
    """

    like: Path | None = None
    cup_sd: float | None = None
    taster_sd: float | None = None
    opinion_sd: float | None = None
    tasters: Sequence[int] = ()
    sessions: Sequence[int] = ()
    trials: int | None = None
    jobs: int | None = None


def size_folder(
    folder: Path, options: SizeOptions, progress: Progress | None = None
) -> tuple[Trial, Sizing]:
    """Simulate trials of the design of a folder.

    Parameters
    ----------
    folder : Path
        Holds trial.toml.
    options : SizeOptions
    progress : callable, optional
        Called with the panels done and their number.

    Raises
    ------
    TrialError
        If a folder has problems, the attribute has no margin, or nothing would scatter.
    """
    trial = parse_trial(disk.read_folder(folder, without=disk.TABLES).trial)
    try:
        found = size(
            trial,
            _spread(trial, options),
            tasters=options.tasters or None,
            sessions=options.sessions or None,
            trials=options.trials,
            n_jobs=options.jobs,
            progress=progress,
        )
    except ValueError as error:
        raise DesignError([_unfit(str(error))]) from error
    return trial, found


def draw_chances(trial: Trial, sizing: Sizing, target: Path) -> None:
    """Write the chart of what panels can hope for, as PNG or as SVG by the file's ending."""
    from blindspoon.charts.chances import chances_chart  # noqa: PLC0415
    from blindspoon.charts.chart import png_file, svg_file  # noqa: PLC0415 - brings in matplotlib

    chart = chances_chart(sizing, trial)
    draw = png_file if target.suffix.lower() == ".png" else svg_file
    disk.write_file_atomically(target, draw(chart))


def _spread(trial: Trial, options: SizeOptions) -> Spread:
    attribute = sized_attribute(trial)
    spread = (
        common_practice(attribute.scale)
        if options.like is None
        else _spread_of(options.like, attribute.name)
    )
    given = {
        "residual_sd": options.cup_sd,
        "taster_sd": options.taster_sd,
        "taster_variant_sd": options.opinion_sd,
    }
    chosen = {name: value for name, value in given.items() if value is not None}
    if not chosen:
        return spread
    source = "as given" if len(chosen) == len(given) else f"{spread.source}, and as given"
    return Spread(**{**asdict(spread), **chosen, "source": source})


def _spread_of(folder: Path, attribute: str) -> Spread:
    earlier = analyse(folder)
    for result in earlier.results:
        if result.attribute.name == attribute:
            return spread_from(result, earlier.trial.title)
    raise DesignError(
        [_not_scored(folder, attribute, [result.attribute.name for result in earlier.results])]
    )


def _not_scored(folder: Path, attribute: str, scored: Sequence[str]) -> Problem:
    return Problem(
        slug="not-like",
        file=str(folder),
        column=attribute,
        found="the earlier trial did not score this attribute",
        allowed=f"it scored {', '.join(scored)}",
        remedy="Choose another trial, or give the spread with --cup-sd and --opinion-sd",
    )


def _unfit(found: str) -> Problem:
    return Problem(
        slug="not-sizable",
        file="trial.toml",
        found=found,
        allowed="sizing takes 3 tasters or more, 1 session or more and a spread above 0",
        remedy="Correct the option",
    )
