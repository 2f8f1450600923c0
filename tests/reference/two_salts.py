"""Invents the trial of two salts; nothing in it was tasted by anybody.

``python tests/reference/two_salts.py FOLDER`` draws, seals and lifts the blind of
``trials/two-salts`` on invented days, and writes choices.csv in between: everybody picks one cup of
three at random. The seed was chosen so that as many are right as luck brings on average.
trial.toml, batches.csv and readings.csv are written by hand.
"""

from __future__ import annotations

import csv
import datetime
import sys
from pathlib import Path

import numpy as np

from blindspoon.drawing import draw_blind
from blindspoon.lifting import lift_blind

DRAWN, LIFTED = datetime.date(2026, 10, 2), datetime.date(2026, 10, 17)
REMARKS = {("T03", "1"): "no idea, guessed", ("T08", "2"): "a little sharper?"}
SEED = 20261014


def tasted_blind(folder: Path) -> None:
    """Draw the blind as a host does, let everybody guess, and lift it."""
    rng = np.random.default_rng(SEED)
    sets: dict[tuple[str, str], list[str]] = {}
    for cup in draw_blind(folder, DRAWN).servings:
        sets.setdefault((cup.taster, cup.set), []).append(cup.code)
    rows = [
        ["1", taster, number, str(rng.choice(codes)), REMARKS.get((taster, number), "")]
        for (taster, number), codes in sets.items()
    ]
    rows.sort(key=lambda row: row[1:3])
    with (folder / "choices.csv").open("w", newline="", encoding="utf-8") as file:
        head = ["session", "taster", "set", "answer", "comment"]
        csv.writer(file, lineterminator="\n").writerows([head, *rows])
    lift_blind(folder, LIFTED, lambda _: "helper")


if __name__ == "__main__":
    tasted_blind(Path(sys.argv[1]))
