"""The tables of results as a Data Package of their own: what each column of tables/ says."""

from collections.abc import Iterable
from pathlib import PurePosixPath

from blindspoon.packing.repeat import Record, cup_columns, package_files, table_record
from blindspoon.trial import Trial
from blindspoon.writeup.records import FILES
from blindspoon.writeup.writers import described


def results_package(
    trial: Trial, files: Iterable[tuple[str, str]], *, folder: str, software: str
) -> dict[str, bytes]:
    """Describe the CSV files of tables/ in ``datapackage.json``, for people in ``README.md``."""
    return package_files(
        "results",
        trial,
        [_resource(trial, PurePosixPath(path), text.encode()) for path, text in files],
        name=f"{folder}-results",
        description=f"What was found at a side-by-side tasting, in full. Made with {software}.",
    )


def _resource(trial: Trial, path: PurePosixPath, content: bytes) -> Record:
    if path.stem != "scores":
        title, columns = FILES[path.stem]
        return table_record(path.name, title, described(columns), content)
    known = {column.name: column for column in cup_columns(trial)}
    scored = (attribute.name for attribute in trial.attributes)
    cups = [known[name] for name in ("session", "taster", "variant", "batch", "position", *scored)]
    remark = known["comment"]._replace(name="remark")
    return table_record(path.name, "What was compared, a row a cup", [*cups, remark], content)
