"""What comes with the package: texts, the finished trial, and what a new one begins with."""

import datetime
import secrets
from importlib import resources
from pathlib import Path


def content(name: str) -> bytes:
    return (resources.files("blindspoon") / name).read_bytes()


def text(name: str) -> str:
    """Read a text that comes with the package, such as "errors.md"."""
    return content(name).decode()


def example() -> dict[str, bytes]:
    """Read the finished trial that is shipped with the package, by name of the file.

    Its home is ``trials/allotment-cucumbers`` of the repository; a wheel has a copy.
    """
    copy = resources.files("blindspoon") / "example"
    home = Path(__file__).parents[3] / "trials" / "allotment-cucumbers"
    files = (file for file in (copy if copy.is_dir() else home).iterdir() if file.is_file())
    return {file.name: file.read_bytes() for file in sorted(files, key=lambda file: file.name)}


def starter(today: datetime.date, seed: int | None = None) -> dict[str, str]:
    """Give the texts of a new trial, with this day for its rule, and a seed, by default by chance.

    That of trial.toml is commented; the tables have their headers.
    """
    seed = secrets.randbelow(10**8) if seed is None else seed
    toml = text("starter/trial.toml").replace("{today}", str(today)).replace("{seed}", str(seed))
    tables = ("batches.csv", "readings.csv")
    return {"trial.toml": toml, **{name: text(f"starter/{name}") for name in tables}}
