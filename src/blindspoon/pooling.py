"""Several trial folders -> one pool: each is read and compared by itself, then all together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from blindspoon import files
from blindspoon.errors import DesignError, Problem, TrialError
from blindspoon.kitchens import Kitchen, Pool, matching_problems, pool
from blindspoon.pipeline import analyse


def pool_folders(folders: Sequence[Path]) -> Pool:
    """Read the repeats of a trial from several kitchens and pool them.

    Parameters
    ----------
    folders : sequence of Path
        Two trial folders or more; the rule of the first decides.

    Raises
    ------
    TrialError
        With every problem of every folder, or everything that keeps them from being pooled.
    """
    kitchens, problems = list[Kitchen](), list[Problem]()
    for folder, name in zip(folders, kitchen_names(folders), strict=True):
        try:
            kitchens.append(_kitchen(folder, name))
        except TrialError as error:
            problems += [_in_folder(folder, each) for each in error.problems]
    if problems:
        raise TrialError(problems)
    apart = matching_problems(kitchens)
    if apart:
        raise DesignError(apart)
    return pool(kitchens)


def kitchen_names(folders: Sequence[Path]) -> tuple[str, ...]:
    """Name kitchens by their folders; by the path as given where two would be called the same.

    Examples
    --------
    >>> kitchen_names([Path("trials/oak"), Path("trials/mill")])
    ('oak', 'mill')
    >>> kitchen_names([Path("oak/pickles"), Path("mill/pickles")])
    ('oak/pickles', 'mill/pickles')
    """
    names = tuple(folder.resolve().name for folder in folders)
    if len(set(names)) == len(names):
        return names
    return tuple(folder.as_posix() for folder in folders)


def draw_forest(found: Pool, target: Path) -> None:
    """Write the chart of the first primary attribute, as PNG or as SVG by the file's ending.

    Raises
    ------
    DesignError
        If there is nothing to draw.
    TrialFileError
        If it cannot be written.
    """
    from blindspoon import charts  # noqa: PLC0415 - brings in matplotlib
    from blindspoon.charts.forest import forest_chart  # noqa: PLC0415

    chart = forest_chart(found)
    if chart is None:
        raise DesignError([_nothing_to_draw(found)])
    draw = charts.png_file if target.suffix.lower() == ".png" else charts.svg_file
    files.write_file_atomically(target, draw(chart))


def _kitchen(folder: Path, name: str) -> Kitchen:
    found = analyse(folder)
    return Kitchen(
        name=name,
        fingerprint=found.fingerprint,
        trial=found.trial,
        table=found.table,
        results=found.results,
    )


def _in_folder(folder: Path, problem: Problem) -> Problem:
    """Say which folder a file is in; a problem of the folder itself says it already."""
    if problem.file == str(folder):
        return problem
    return replace(problem, file=str(folder / problem.file))


def _nothing_to_draw(found: Pool) -> Problem:
    return Problem(
        slug="nothing-pooled",
        file=found.kitchens[0].name,
        found="there is no pooled comparison to draw",
        allowed="a chart shows one variant or more that all kitchens scored",
        remedy="Look at what is not pooled, and why",
    )
