"""A new trial folder from a commented template."""

from __future__ import annotations

import datetime
import secrets
from pathlib import Path

from blindspoon import files

TEMPLATES = ("trial.toml", "batches.csv", "readings.csv")


def start(folder: Path, today: datetime.date) -> tuple[str, ...]:
    """Write the files of a new trial.

    Parameters
    ----------
    folder : Path
        Made if there is none.
    today : date
        The day on which the rule is declared; the host may change it.

    Returns
    -------
    tuple of str
        Names of the files.

    Raises
    ------
    TrialFileError
        If one of the files exists, or the folder cannot be written: nothing is written then.
    """
    texts = {name: files.shipped(f"starter/{name}") for name in TEMPLATES}
    filled = texts["trial.toml"].replace("{today}", str(today))
    texts["trial.toml"] = filled.replace("{seed}", str(secrets.randbelow(10**8)))
    files.make_files(folder, {name: text.encode() for name, text in texts.items()})
    return TEMPLATES
