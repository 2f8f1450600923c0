"""Drawing the blind of a trial folder: codes, orders, the seal and the sheets, written once."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import numpy as np

from blindspoon import files
from blindspoon.care import caution
from blindspoon.delimited import write_csv
from blindspoon.errors import DesignError, Problem
from blindspoon.files import FolderText
from blindspoon.made import make_up
from blindspoon.scores import check_scores
from blindspoon.seal import FILE, Seal, key_fingerprint, key_rows, parse_seal, rule_fingerprint
from blindspoon.serving import (
    ServingPlan,
    add_taster,
    draw,
    plan_from_rows,
    request_for,
    taster_stream,
)
from blindspoon.sheets import print_sheets
from blindspoon.sheets.labels import Paper
from blindspoon.tables import TextTable
from blindspoon.trial import Trial
from blindspoon.trial_file import parse_trial

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
    text = files.read_folder(folder)
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
    files.make_files(folder, {**_tables(plan), FILE: seal.to_toml().encode()})
    return plan


def add_late(folder: Path, name: str, today: datetime.date) -> ServingPlan:
    """Add a taster to a blind that was drawn; nobody else's cups change.

    Raises
    ------
    TrialError
        If no blind was drawn, its tables have problems, or there is a taster of that name.
    """
    text = files.read_folder(folder)
    trial, before = _drawn(text)
    plan = add_taster(before, name, taster_stream(trial.seed, name))
    contents = _tables(plan)
    seal = parse_seal(text.seal or "")
    if seal is not None:
        kept = seal.with_late(name, today, key_fingerprint(plan.key_rows()[1:]))
        contents[FILE] = kept.to_toml().encode()
    for file, content in contents.items():  # the key first: a cup without a serving harms nobody
        files.write_file_atomically(folder / file, content)
    return plan


def write_sheets(folder: Path, paper: Paper, labels: str | None) -> tuple[Path, ...]:
    """Print the sheets of the blind that was drawn into sheets/ of the trial folder.

    Raises
    ------
    TrialError
        If no blind was drawn, or the sheets cannot be written.
    """
    text = files.read_folder(folder)
    trial, plan = _drawn(text)
    made, _ = make_up(trial, text.table("batches.csv"), text.table("readings.csv"))
    sheets = print_sheets(
        trial,
        plan,
        paper=paper,
        label_stock=labels,
        portion_g=trial.tasting.portion_g,
        cautions=[caution(each) for each in made.cautions if not each.general] if made else (),
    )
    for name, content in sheets.items():
        files.write_file_atomically(folder / "sheets" / name, content)
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
    return {name: write_csv(each).encode() for name, each in rows.items()}


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
