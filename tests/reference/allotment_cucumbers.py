"""Invents the demonstration trial; nothing in it was tasted by anybody.

``python tests/reference/allotment_cucumbers.py FOLDER`` writes the tables of
``trials/allotment-cucumbers``: scores from a fixed seed, and a blind drawn, sealed and lifted by
Blindspoon on invented days. trial.toml, batches.csv and readings.csv are written by hand. The
effects below, and the seed, were chosen so that the trial shows each kind of verdict and a few
flaws of a real evening: a spilt cup, forgotten cells, and a taster who uses only the middle half
of the scale.
"""

from __future__ import annotations

import csv
import datetime
import sys
from pathlib import Path

import numpy as np

from blindspoon.drawing import draw_blind
from blindspoon.lifting import lift_blind

VARIANTS = ("plain", "cool-cellar", "vine-leaf", "calcium", "old-brine")
BATCHES = ("jar 1", "jar 2", "jar 3", "jar 4", "jar 5")
ATTRIBUTES = ("saltiness", "sourness", "ferment", "texture")
TASTERS = tuple(f"T{number:02d}" for number in range(1, 13))
SESSIONS = ("1", "2")
DRAWN, LIFTED = datetime.date(2026, 9, 4), datetime.date(2026, 9, 20)

# Typical scores of the control, then what each variant adds to them, in points.
BASE = {"saltiness": 5.4, "sourness": 5.2, "ferment": 4.6, "texture": 4.8}
EFFECT = {
    "saltiness": (0.0, 0.1, 0.0, 0.3, 0.1),
    "sourness": (0.0, -1.3, 0.0, -0.2, 0.6),
    "ferment": (0.0, -1.1, 0.3, -0.2, 1.5),
    "texture": (0.0, 1.5, 0.1, 2.3, -0.5),
}
TASTER_SD = {"saltiness": 0.8, "sourness": 0.9, "ferment": 1.1, "texture": 0.9}
TASTER_VARIANT_SD = {"saltiness": 0.25, "sourness": 0.1, "ferment": 0.6, "texture": 0.3}
CUP_SD = {"saltiness": 0.6, "sourness": 0.45, "ferment": 0.9, "texture": 0.75}

REMARKS = {
    ("1", "T02", "calcium"): "Snaps. Closest to a fresh one.",
    ("1", "T07", "old-brine"): "smells of the cellar, in a good way",
    ("1", "T11", "cool-cellar"): "milder",
    ("2", "T04", "calcium"): "crunch!",
    ("2", "T06", "plain"): "hollow in the middle",
    ("2", "T12", "old-brine"): "fizzy, sharp",
}
SPILT = ("2", "T09", "vine-leaf")
FORGOTTEN = {("1", "T03", "old-brine", "ferment"), ("2", "T10", "plain", "saltiness")}
HALF_SCALE = "T05"


def orders(rng: np.random.Generator) -> list[list[int]]:
    """Twelve serving orders: the ten rows of a Williams design for five, and two more."""
    first = [0, 1, 4, 2, 3]
    rows = [[(cup + shift) % 5 for cup in first] for shift in range(5)]
    rows += [row[::-1] for row in rows]
    rows += rows[:2]
    relabel = rng.permutation(5)
    return [[int(relabel[cup]) for cup in rows[row]] for row in rng.permutation(len(rows))]


def tables(seed: int) -> dict[str, list[list[str]]]:
    """Every table of the folder as rows of text."""
    rng = np.random.default_rng(seed)
    servings = [["session", "taster", "position", "code"]]
    key = [["session", "taster", "code", "variant", "batch"]]
    scores = [["session", "taster", "code", *ATTRIBUTES, "comment"]]
    habit = {name: rng.normal(0, TASTER_SD[name], len(TASTERS)) for name in ATTRIBUTES}
    liking = {
        name: rng.normal(0, TASTER_VARIANT_SD[name], (len(TASTERS), 5)) for name in ATTRIBUTES
    }
    for session in SESSIONS:
        plan = orders(rng)
        for number, taster in enumerate(TASTERS):
            codes = rng.choice(np.arange(100, 1000), 5, replace=False)
            for place, (variant, code) in enumerate(zip(plan[number], codes, strict=True), start=1):
                name = VARIANTS[variant]
                servings.append([session, taster, str(place), str(code)])
                key.append([session, taster, str(code), name, BATCHES[variant]])
                cells = [
                    cell(rng, session, number, variant, attribute, habit, liking)
                    for attribute in ATTRIBUTES
                ]
                remark = REMARKS.get((session, taster, name), "")
                if (session, taster, name) == SPILT:
                    cells, remark = ["" for _ in cells], "spilt before I could taste it"
                scores.append([session, taster, str(code), *cells, remark])
    return {"servings.csv": servings, "key.csv": key, "scores.csv": scores}


def cell(
    rng: np.random.Generator,
    session: str,
    number: int,
    variant: int,
    attribute: str,
    habit: dict[str, np.ndarray],
    liking: dict[str, np.ndarray],
) -> str:
    """One score in steps of half a point, or nothing where the taster forgot."""
    middle = BASE[attribute] + EFFECT[attribute][variant]
    score = middle + habit[attribute][number] + liking[attribute][number, variant]
    score += rng.normal(0, CUP_SD[attribute])
    if TASTERS[number] == HALF_SCALE:
        score = 5 + (score - 5) / 2
    if (session, TASTERS[number], VARIANTS[variant], attribute) in FORGOTTEN:
        return ""
    return f"{np.clip(round(score * 2) / 2, 0, 10):g}"


def write(folder: Path, seed: int = 20261258) -> None:
    """Write the three tables, as of a trial that Blindspoon did not draw."""
    for name, rows in tables(seed).items():
        save(folder / name, rows)


def tasted_blind(folder: Path, seed: int = 20261258) -> None:
    """Draw the blind as a host does, give each cup the scores of `tables`, and lift it."""
    made = tables(seed)
    cups = {
        (session, taster, code): variant for session, taster, code, variant, _ in made["key.csv"]
    }
    head, *rows = made["scores.csv"]
    given = {(row[0], row[1], cups[*row[:3]]): row[3:] for row in rows}
    plan = draw_blind(folder, DRAWN)
    served = [
        [cup.session, cup.taster, cup.code, *given[cup.session, cup.taster, cup.variant]]
        for cup in plan.servings
    ]
    save(folder / "scores.csv", [head, *served])
    lift_blind(folder, LIFTED, lambda _: "helper")


def save(path: Path, rows: list[list[str]]) -> None:
    """Write a table as CSV."""
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)


if __name__ == "__main__":
    tasted_blind(Path(sys.argv[1]))
