"""The files of the package: datapackage.json, the tables, trial.toml and a dictionary."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Sequence

from blindspoon.package.columns import Record
from blindspoon.package.resources import Resource, cups_resource, made_resource
from blindspoon.report.markdown import inline
from blindspoon.tables import FolderTables, TextTable
from blindspoon.trial import Trial
from blindspoon.trial_toml import trial_text

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
LICENCES = {
    "cc0-1.0": ("CC0-1.0", "https://creativecommons.org/publicdomain/zero/1.0/"),
    "cc-by-4.0": ("CC-BY-4.0", "https://creativecommons.org/licenses/by/4.0/"),
    "cc-by-sa-4.0": ("CC-BY-SA-4.0", "https://creativecommons.org/licenses/by-sa/4.0/"),
    "odbl-1.0": ("ODbL-1.0", "https://opendatacommons.org/licenses/odbl/1-0/"),
    "odc-by-1.0": ("ODC-BY-1.0", "https://opendatacommons.org/licenses/by/1-0/"),
    "pddl-1.0": ("PDDL-1.0", "https://opendatacommons.org/licenses/pddl/1-0/"),
}
"""Open Definition identifiers and addresses of licences that data is often published under."""
NO_LICENCE = "No licence was chosen, so ask the host before you use these data."


def data_package(
    trial: Trial, tables: FolderTables, *, folder: str, software: str
) -> dict[str, bytes]:
    """Make every file of the package.

    Parameters
    ----------
    trial : Trial
    tables : FolderTables
        Tasters under pseudonyms.
    folder : str
        Name of the trial folder; the package's name is made from it.
    software : str
        With its version, for the description.

    Returns
    -------
    dict of str to bytes
        By name in the package's folder: ``datapackage.json``, ``trial.toml``, ``README.md`` and
        the tables. `compare` reads the folder as a trial.

    Notes
    -----
    Data Package 2.0, datapackage.org. There is no date of making in it, so that the same trial
    gives the same bytes.
    """
    resources = tuple(_resources(trial, tables))
    files = {each.path: each.to_csv().encode() for each in resources}
    descriptor = {
        "$schema": PROFILE,
        "name": _slug(folder),
        "title": trial.title,
        "description": _description(trial, software),
        **_licences(trial.licence),
        **({"contributors": [{"title": trial.host}]} if trial.host else {}),
        "keywords": ["blind tasting", *([trial.product] if trial.product else [])],
        "resources": [_with_file(each.to_record(), files[each.path]) for each in resources],
    }
    return {
        "datapackage.json": (json.dumps(descriptor, indent=2, ensure_ascii=False) + "\n").encode(),
        "README.md": "\n".join(_readme(trial, resources)).encode(),
        "trial.toml": trial_text(trial).encode(),
        **files,
    }


def _resources(trial: Trial, tables: FolderTables) -> Iterator[Resource]:
    yield cups_resource("scores", trial, tables.scores)
    if tables.servings is not None:
        yield cups_resource("servings", trial, [tables.servings])
    if tables.key is not None:
        yield cups_resource("key", trial, [tables.key])
    for name in ("batches", "readings"):
        table: TextTable | None = getattr(tables, name)
        if table is not None and len(table):
            yield made_resource(name, table)


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9._-]+", "-", text.lower()).strip("-._") or "trial"


def _description(trial: Trial, software: str) -> str:
    question = f"{trial.question} " if trial.question else ""
    return (
        f"{question}Scores of a side-by-side tasting, with the plan and the key, so that the "
        f"comparison can be made again. Made with {software}."
    )


def _licences(text: str) -> Record:
    """Describe the licence; one that is not known is named as it is written, if it can be."""
    if text.lower() in LICENCES:
        name, path = LICENCES[text.lower()]
        return {"licenses": [{"name": name, "path": path}]}
    if re.fullmatch(r"[-a-zA-Z0-9._]+", text):
        return {"licenses": [{"name": text}]}
    return {"licenses": [{"path": "README.md", "title": text}]} if text else {}


def _with_file(record: Record, content: bytes) -> Record:
    digest = hashlib.sha256(content).hexdigest()
    return record | {"bytes": len(content), "hash": f"sha256:{digest}"}


def _readme(trial: Trial, resources: Sequence[Resource]) -> Iterator[str]:
    """Write the data dictionary for people."""
    yield f"# Data: {inline(trial.title)}\n"
    yield "`blindspoon compare` on this folder makes the comparison again. Tasters stand under"
    yield "pseudonyms. `trial.toml` is the plan with the rule that was to decide.\n"
    licence = f"Licence: {inline(trial.licence)}." if trial.licence else NO_LICENCE
    yield f"{licence}\n"
    for resource in resources:
        yield f"## {resource.path}\n\n{resource.title}.\n"
        yield "| column | type | meaning |\n|---|---|---|"
        for column in resource.columns:
            yield f"| {inline(column.name)} | {column.kind} | {inline(column.meaning)} |"
        yield ""
