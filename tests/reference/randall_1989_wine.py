"""Makes ``trials/randall-1989-wine/scores.csv`` from the published data.

Source: J. H. Randall 1989, The analysis of sensory data by generalised linear model,
Biometrical Journal 31(7):781-793; re-analysed by G. Tutz and W. Hennevogl 1996, Computational
Statistics & Data Analysis 22:537-557. Nine judges scored two bottles of each of four white
wines for bitterness, 0 to 100; the wines were pressed cold or warm, with or without contact
between juice and skins.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

DATA = Path(__file__).parents[1] / "data" / "randall_1989_wine.csv"
SKINS = {"no": "free-run", "yes": "skin-contact"}


def write(folder: Path) -> None:
    """Write scores.csv, one row a bottle and judge."""
    with DATA.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    with (folder / "scores.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["taster", "variant", "batch", "bitterness"])
        for row in rows:
            variant = f"{row['temp']}-{SKINS[row['contact']]}"
            judge, bottle = f"judge {row['judge']}", f"bottle {row['bottle']}"
            writer.writerow([judge, variant, bottle, row["response"]])


if __name__ == "__main__":
    write(Path(sys.argv[1]))
