"""The blind of a folder: drawn once, added to, and printed."""

from __future__ import annotations

import datetime
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from blindspoon.errors import DesignError, Rule
from blindspoon.files import disk
from blindspoon.files.disk import FolderText
from blindspoon.files.seal import FILE, Seal, key_fingerprint, key_rows, parse_seal, rule_text
from blindspoon.files.text_table import TextTable, write_csv
from blindspoon.files.trial_toml import parse_trial
from blindspoon.scores.score_table import check_scores
from blindspoon.serving.draw import add_taster, draw, taster_stream
from blindspoon.serving.plan import ServingPlan, plan_from_rows
from blindspoon.serving.request import request_for
from blindspoon.trial import Trial

if TYPE_CHECKING:
    from blindspoon.sheets.paper import Paper

STREAM = 1000
"""Tells the drawing's random stream from the others that come from the trial's seed."""


def draw_blind(folder: Path, today: datetime.date, *, declare: bool = False) -> ServingPlan:
    """Draw codes and orders, and write servings.csv, key.csv and seal.toml.

    Parameters
    ----------
    folder : Path
        Holds trial.toml, and batches.csv where the batches are to be dealt out.
    today : date
        Stands in the seal.
    declare : bool
        Whether the rule is declared today, where trial.toml does not date it; the date is written
        there.

    Raises
    ------
    TrialError
        If the design cannot be drawn or is still that of the template, if a cup was scored
        already, or if one of the three files exists: nothing is written then.
    """
    text = disk.read_folder(folder)
    trial = parse_trial(text.trial)
    dated = declared_text(text.trial, today) if declare and not trial.decision.declared else None
    trial = parse_trial(dated) if dated else trial
    _see_own(trial)
    tasted = [table.file for table in text.scores if len(table)]
    if tasted:
        raise DesignError([_TASTED.broken("cups were scored already", file) for file in tasted])
    request = request_for(
        trial,
        controls=trial.tasting.controls,
        warm_up=trial.tasting.warm_up,
        batches=_batches(text.table("batches.csv")),
    )
    plan = draw(request, np.random.default_rng([trial.seed, STREAM]))
    key = key_fingerprint(plan.key_rows()[1:])
    seal = Seal(date=today, key=key, rule=rule_text(trial))
    disk.make_files(folder, {**_tables(plan), FILE: seal.to_toml().encode()})
    if dated:
        disk.write_file_atomically(folder / "trial.toml", dated.encode())
    return plan


def undeclared(folder: Path) -> str:
    """Say the rule that trial.toml has and does not date; empty where there is none, or a date."""
    trial = parse_trial(disk.read_folder(folder, without=disk.TABLES).trial)
    rule = rule_text(trial)
    if trial.decision.declared or not trial.decision.primary:
        return ""
    return "; ".join(f"{what}: {value}" for what, value in rule.items() if what != "declared date")


def declared_text(text: str, today: datetime.date) -> str:
    """Write the date of the rule into the text of trial.toml, and change nothing else.

    Raises
    ------
    DesignError
        If there is no line for it.
    """
    line = f"declared = {today}"
    dated, times = re.subn(
        r"^#[ \t]*declared[ \t]*=[^#\n]*", f"{line}  ", text, count=1, flags=re.M
    )
    if not times:
        dated = re.sub(r"^(\[decision\][^\n]*)$", rf"\1\n{line}", text, count=1, flags=re.M)
    if dated == text or parse_trial(dated).decision.declared != today:
        raise DesignError([_UNDATED.broken("the rule has no date", "trial.toml")])
    return dated


def _see_own(trial: Trial) -> None:
    """Refuse a trial that still says what the template says."""
    template = parse_trial(disk.shipped("starter/trial.toml").replace("{seed}", "1"))
    others = [variant for variant in template.variants if variant.name != template.control]
    told = {text for variant in others for text in (variant.label, variant.method)}
    same = [v for v in trial.variants if {v.label, v.method} & told]
    if same:
        raise DesignError(
            [_TEMPLATE.broken(f"a variant is still “{v.label}”", "trial.toml") for v in same]
        )


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
        kept = seal.with_added("taster", name, today, key_fingerprint(plan.key_rows()[1:]))
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
    from blindspoon.batches.cautions import caution  # noqa: PLC0415 - only where sheets are printed
    from blindspoon.batches.summary import make_up  # noqa: PLC0415
    from blindspoon.sheets.printing import print_sheets  # noqa: PLC0415

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
        raise DesignError([_UNDRAWN.broken("there is no such file", name) for name in missing])
    problems, _ = check_scores(trial, text.scores, servings, key)
    kept = [problem for problem in problems if problem.file in (servings.file, key.file)]
    if kept:
        raise DesignError(kept)
    only = trial.sessions[0].name if trial.sessions else "1"
    heading = ["session", "taster", "position", "code"]
    rows = ({"session": only} | row for _, row in servings.rows())
    served = [[row[name] for name in heading] for row in rows]
    sessions, tasters = (tuple(dict.fromkeys(row[place] for row in served)) for place in (0, 1))
    request = request_for(
        replace(trial, tasting=replace(trial.tasting, tasters=tasters)),
        controls=trial.tasting.controls,
        warm_up=trial.tasting.warm_up,
        sessions=sessions,
        batches=_batches(text.table("batches.csv")),
    )
    known = [["session", "taster", "code", "variant", "batch"], *key_rows(key)]
    return trial, plan_from_rows(request, [heading, *served], known)


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


_TEMPLATE = Rule(
    "still-template",
    "the cups are drawn for what you made",
    "Give the variant its label and its method",
)
_UNDATED = Rule("not-declared", "it is dated before anyone tastes", "Write declared = the day")
_TASTED = Rule(
    "already-tasted",
    "the blind is drawn before anyone tastes",
    "Start a new trial folder, or add a late taster with --add",
)
_UNDRAWN = Rule("not-drawn", "the blind is drawn first", 'Run "blindspoon blind FOLDER"')
