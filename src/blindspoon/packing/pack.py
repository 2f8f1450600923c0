"""Everything that a host sends out, in one folder and one zip file."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from blindspoon.analysis import compose_report, to_record
from blindspoon.files import disk
from blindspoon.findings.comparison import Analysis
from blindspoon.findings.further import study_further

LONG_AGO = (1980, 1, 1, 0, 0, 0)
"""The date of every file in the zip, so that the same trial gives the same bytes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """What was written: the folder and the zip file beside it."""

    folder: Path
    zipped: Path


def publish(analysis: Analysis, to: Path, *, jar_g: float) -> Published:
    """Write all forms of a trial's writeup, replacing earlier ones whole or not at all.

    Parameters
    ----------
    to : Path
        The trial's own folder, and its zip file, lie in it.
    jar_g : float
        Grams that a jar of the reader's is to hold.

    Raises
    ------
    TrialFileError
        If they could not be written; earlier ones are still there.
    """
    made = pack(analysis, jar_g=jar_g)
    target = to / analysis.folder
    disk.write_folder_atomically(target, made)
    zipped = target.with_name(f"{analysis.folder}.zip")
    disk.write_file_atomically(zipped, zip_of(analysis.folder, made))
    return Published(folder=target, zipped=zipped)


def pack(analysis: Analysis, *, jar_g: float) -> dict[str, bytes]:
    """Make every file: the page, the same for paper and for a blog, figures, data and the kit.

    Returns
    -------
    dict of str to bytes
        By path: ``index.html``, ``print.html``, ``writeup.md``, ``figures/`` (print, video, posts
        and the frames of a reveal), ``tables/``, ``verify.py`` (checks them with other libraries),
        ``data/`` (a Data Package that `compare` reads) and ``kit/`` (to repeat the trial).
    """
    from blindspoon.charts.posts import figure_files  # noqa: PLC0415 - matplotlib, for PNG
    from blindspoon.packing.kit import kit_files  # noqa: PLC0415 - jinja2, and the drawing of orders
    from blindspoon.packing.package import data_package  # noqa: PLC0415
    from blindspoon.writeup.methods import software  # noqa: PLC0415
    from blindspoon.writeup.page import page, render, writeup  # noqa: PLC0415

    further = study_further(analysis)
    content = compose_report(analysis, further)
    trial, table, made = analysis.trial, analysis.table, analysis.made
    data = data_package(
        trial,
        analysis.tables,
        folder=analysis.folder,
        software=software(),
        seal=analysis.standing.published,
    )
    kit = kit_files(trial, table, made, jar_g=jar_g)
    source = ". ".join((*content.byline, "Made with Blindspoon."))
    return {
        **render(content),
        **dict(figure_files(content.pictures, question=content.question, source=source)),
        "print.html": page(content, paper=True).encode(),
        "writeup.md": writeup(content).encode(),
        "verify.py": disk.shipped("verify.py").encode(),
        "tables/comparisons.json": json.dumps(
            to_record(analysis, further), allow_nan=False
        ).encode(),
        **{f"data/{name}": file for name, file in data.items()},
        **{f"kit/{name}": file for name, file in kit.items()},
    }


def zip_of(folder: str, contents: Mapping[str, bytes]) -> bytes:
    """Zip files under one folder; the same files give the same bytes.

    Examples
    --------
    >>> made = zip_of("trial", {"index.html": b"page"})
    >>> zipfile.ZipFile(io.BytesIO(made)).namelist()
    ['trial/index.html']
    """
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        for name, content in contents.items():
            entry = zipfile.ZipInfo(f"{folder}/{name}", LONG_AGO)
            entry.external_attr = 0o644 << 16
            entry.compress_type = (
                zipfile.ZIP_STORED if name.endswith(".png") else zipfile.ZIP_DEFLATED
            )
            archive.writestr(entry, content)
    return whole.getvalue()
