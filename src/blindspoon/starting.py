"""A new trial folder from a commented template."""

from __future__ import annotations

import datetime
import secrets
from importlib import resources
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
    kept = resources.files("blindspoon") / "starter"
    contents = {name: (kept / name).read_bytes() for name in TEMPLATES}
    filled = contents["trial.toml"].decode().replace("{today}", str(today))
    seed = str(secrets.randbelow(10**8))
    contents["trial.toml"] = filled.replace("{seed}", seed).encode()
    files.make_files(folder, contents)
    return TEMPLATES
