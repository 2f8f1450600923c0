"""How many tasters a trial folder needs: what `size` reads and writes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from blindspoon import files
from blindspoon.errors import DesignError, Problem
from blindspoon.pipeline import analyse
from blindspoon.sizing.results import Sizing
from blindspoon.sizing.spread import Spread, common_practice, spread_from
from blindspoon.sizing.sweep import Progress, size, sized_attribute
from blindspoon.trial import Trial
from blindspoon.trial_file import parse_trial


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeOptions:
    """What a host may choose beside trial.toml.

    Parameters
    ----------
    like : Path, optional
        An earlier trial folder, whose spread is taken; else common practice.
    cup_sd, taster_sd, opinion_sd : float, optional
        Standard deviations in points that replace those.
    tasters, sessions : sequence of int
        Sizes to try; the usual ones where empty.
    trials, jobs : int
        See `blindspoon.sizing.sweep.size`.
    """

    like: Path | None = None
    cup_sd: float | None = None
    taster_sd: float | None = None
    opinion_sd: float | None = None
    tasters: Sequence[int] = ()
    sessions: Sequence[int] = ()
    trials: int = 2000
    jobs: int | None = None


def size_folder(
    folder: Path, options: SizeOptions, progress: Progress | None = None
) -> tuple[Trial, Sizing]:
    """Simulate trials of the design of a folder.

    Parameters
    ----------
    folder : Path
        Holds trial.toml.
    options : SizeOptions
    progress : callable, optional
        Called with the panels done and their number.

    Raises
    ------
    TrialError
        If a folder has problems, the attribute has no margin, or nothing would scatter.
    """
    trial = parse_trial(files.read_folder(folder, without=files.TABLES).trial)
    try:
        found = size(
            trial,
            _spread(trial, options),
            tasters=options.tasters or None,
            sessions=options.sessions or None,
            trials=options.trials,
            n_jobs=options.jobs,
            progress=progress,
        )
    except ValueError as error:
        raise DesignError([_unfit(str(error))]) from error
    return trial, found


def draw_chances(trial: Trial, sizing: Sizing, target: Path) -> None:
    """Write the chart of what panels can hope for, as PNG or as SVG by the file's ending."""
    from blindspoon import charts  # noqa: PLC0415 - brings in matplotlib

    chart = charts.chances_chart(sizing, trial)
    draw = charts.png_file if target.suffix.lower() == ".png" else charts.svg_file
    files.write_file_atomically(target, draw(chart))


def _spread(trial: Trial, options: SizeOptions) -> Spread:
    attribute = sized_attribute(trial)
    spread = (
        common_practice(attribute.scale)
        if options.like is None
        else _spread_of(options.like, attribute.name)
    )
    given = {
        "residual_sd": options.cup_sd,
        "taster_sd": options.taster_sd,
        "taster_variant_sd": options.opinion_sd,
    }
    chosen = {name: value for name, value in given.items() if value is not None}
    if not chosen:
        return spread
    source = "as given" if len(chosen) == len(given) else f"{spread.source}, and as given"
    return Spread(**{**asdict(spread), **chosen, "source": source})


def _spread_of(folder: Path, attribute: str) -> Spread:
    earlier = analyse(folder)
    for result in earlier.results:
        if result.attribute == attribute:
            return spread_from(result, earlier.trial.title)
    raise DesignError(
        [_not_scored(folder, attribute, [each.attribute for each in earlier.results])]
    )


def _not_scored(folder: Path, attribute: str, scored: Sequence[str]) -> Problem:
    return Problem(
        slug="not-like",
        file=str(folder),
        column=attribute,
        found="the earlier trial did not score this attribute",
        allowed=f"it scored {', '.join(scored)}",
        remedy="Choose another trial, or give the spread with --cup-sd and --opinion-sd",
    )


def _unfit(found: str) -> Problem:
    return Problem(
        slug="not-sizable",
        file="trial.toml",
        found=found,
        allowed="sizing takes 3 tasters or more, 1 session or more and a spread above 0",
        remedy="Correct the option",
    )
