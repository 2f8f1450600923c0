"""Invents the trial of carrots over days; nothing in it was tasted by anybody.

``python tests/reference/carrot_days.py FOLDER`` draws, seals and lifts the blind of
``trials/carrot-days`` on invented days, and writes scores.csv in between from a fixed seed.
Sourness rises and levels off, crunch falls late; one cup was spilt. Scatter and seed were chosen so
that both ends of the bracket show. trial.toml, batches.csv and readings.csv are written by hand.
"""

from __future__ import annotations

import csv
import datetime
import sys
from pathlib import Path

import numpy as np

from blindspoon.drawing import draw_blind
from blindspoon.lifting import lift_blind

DRAWN, LIFTED = datetime.date(2026, 10, 22), datetime.date(2026, 11, 21)
# Typical scores, in points, then how far tasters and their cups scatter.
TYPICAL = {
    "sourness": {"usual": 6.4, "days-3": 3.2, "days-7": 5.0, "days-14": 6.4, "days-28": 6.5},
    "crunch": {"usual": 7.4, "days-3": 8.0, "days-7": 7.8, "days-14": 7.2, "days-28": 5.4},
}
TASTER_SD, OPINION_SD, CUP_SD = 0.9, 0.35, 0.6
REMARKS = {
    ("T02", "days-28"): "properly sour, a bit bendy",
    ("T05", "days-14"): "this is the one I would put on the table",
    ("T09", "usual"): "sour, clean, still snaps",
    ("T11", "days-3"): "a salty carrot",
}
SPILT = ("T07", "days-7")
SEED = 20261120


def tasted_blind(folder: Path) -> None:
    """Draw the blind as a host does, score every cup, and lift it."""
    plan = draw_blind(folder, DRAWN)
    rng = np.random.default_rng(SEED)
    habit = {t: rng.normal(0, TASTER_SD, len(TYPICAL)) for t in plan.request.tasters}
    given: dict[tuple[str, str], list[str]] = {}
    for taster in plan.request.tasters:
        for variant in plan.request.variants:
            middle = np.array([typical[variant] for typical in TYPICAL.values()])
            scatter = rng.normal(0, np.hypot(OPINION_SD, CUP_SD), len(TYPICAL))
            points = np.clip(np.round(2 * (middle + habit[taster] + scatter)) / 2, 0, 10)
            given[taster, variant] = [f"{point:g}" for point in points]
    given[SPILT] = ["", ""]
    remarks = REMARKS | {SPILT: "spilt before I could taste it"}
    rows = [
        [cup.session, cup.taster, cup.code, *given[cup.taster, cup.variant],
         remarks.get((cup.taster, cup.variant), "")]
        for cup in plan.servings
    ]  # fmt: skip
    with (folder / "scores.csv").open("w", newline="", encoding="utf-8") as file:
        head = ["session", "taster", "code", *TYPICAL, "comment"]
        csv.writer(file, lineterminator="\n").writerows([head, *rows])
    lift_blind(folder, LIFTED, lambda _: "helper")


if __name__ == "__main__":
    tasted_blind(Path(sys.argv[1]))
