"""Panels of many sizes, spread over the cores: the entry to sizing.

What sizing found, and what it took for granted, in plain sentences.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from joblib import Parallel, delayed  # type: ignore[import-untyped]

from blindspoon import wording
from blindspoon.errors import DesignError, Problem
from blindspoon.findings.verdict import PROCEDURES
from blindspoon.simulate.cells import WANTED, Question, size_panel
from blindspoon.simulate.size_results import Chance, Sizing, SizingCell, Spread
from blindspoon.trial import Attribute, Trial

Cells = Sequence[SizingCell]

HARDLY = 0.05
"""A chance below which a panel is said to be unable to show something."""


def assumptions_of(trial: Trial, attribute: Attribute, question: Question) -> tuple[str, ...]:
    """List what was taken for granted.

    Returns
    -------
    tuple of str
        Whole sentences.
    """
    spread, scale = question.spread, attribute.scale
    digits = wording.digits_for(scale) + 1
    cup, taster, own = (
        wording.number(sd, digits)
        for sd in (spread.residual_sd, spread.taster_sd, spread.taster_variant_sd)
    )
    step = f", in steps of {wording.plain(scale.step)}" if scale.step else ""
    found = [
        f"Spread of the scores: {spread.source}. Standard deviations in points: {cup} from cup to"
        f" cup, {taster} between tasters, {own} in a taster's own opinion of a variant.",
        f"Scores run from {wording.plain(scale.low)} to {wording.plain(scale.high)}{step}; true"
        " differences lie across the middle of the scale, and scatter is normal.",
        "Every taster gets every variant once a session, in orders balanced for position;"
        " position itself has no effect, but the mixed model allows for one.",
        f"One variant differs from the control and the {_others(question)}, or nothing differs;"
        f" decided at alpha {question.alpha:g} as the report will decide it.",
    ]
    cups = trial.tasting.servings
    if cups is not None and cups < question.variants:
        found.append(
            f"trial.toml plans {wording.count(cups, 'cup')} a taster and session, fewer than the"
            f" {question.variants} variants: expect less than is promised here."
        )
    return tuple(found)


def _others(question: Question) -> str:
    others = question.variants - 2
    return f"{wording.spelled(others)} other{'s' * (others != 1)} equal it" if others else "rest"


def sentences_of(
    trial: Trial, attribute: Attribute, question: Question, cells: Cells
) -> tuple[str, ...]:
    """Say what the panels can hope for, by the procedure that decides.

    Returns
    -------
    tuple of str
        Whole sentences: what it takes, what the planned panel can do, and what cannot be done.
    """
    deciding = [cell for cell in cells if cell.procedure == trial.decision.by]
    return (
        *_needed(attribute, question, deciding),
        *_of_one_panel(trial, attribute, question, deciding),
        *_cannot(attribute, question, deciding),
        *_rank_floor(question, [cell for cell in cells if cell.procedure == "ranks"]),
    )


def _needed(attribute: Attribute, question: Question, cells: Cells) -> list[str]:
    """Say what panel it takes to see the margin, twice the margin, and to show alike."""
    margin = wording.plain(question.margin)
    twice = wording.plain(2 * question.margin)
    goals: list[tuple[str, Callable[[SizingCell], Chance]]] = [
        (f"see a {margin}-point difference", lambda cell: cell.chance_margin),
        (f"see a {twice}-point difference", lambda cell: cell.chance_twice),
        (
            f"show a variant that does not differ alike within {wording.margin(attribute)}",
            lambda cell: cell.chance_alike,
        ),
    ]
    return [_takes(goal, chance, cells) for goal, chance in goals]


def _takes(goal: str, chance: Callable[[SizingCell], Chance], cells: Cells) -> str:
    enough = [
        min((cell for cell in row if chance(cell).value >= WANTED), key=_tasters, default=None)
        for row in _by_sessions(cells)
    ]
    panels = [_panel(cell) for cell in enough if cell is not None]
    if panels:
        return f"To {goal} 8 times in 10 takes {wording.listing(panels, 'or')}."
    best = max(cells, key=lambda cell: chance(cell).value)
    return (
        f"No panel tried here would {goal} 8 times in 10; {_panel(best)} would do so"
        f" {_times(chance(best).value)}."
    )


def _of_one_panel(
    trial: Trial, attribute: Attribute, question: Question, cells: Cells
) -> list[str]:
    """Say what the planned panel can do; where none is planned, one of about a dozen."""
    planned = len(trial.tasting.tasters)
    tasters = min({cell.tasters for cell in cells}, key=lambda t: abs(t - (planned or 12)))
    rows = [cell for cell in cells if cell.tasters == tasters]
    chosen = [cell for cell in rows if cell.sessions == len(trial.sessions)] or rows
    return [_can(attribute, question, cell) for cell in chosen]


def _can(attribute: Attribute, question: Question, cell: SizingCell) -> str:
    who = _panel(cell, ", ")
    alike = f"alike within {wording.margin(attribute)}"
    others = question.variants - 1
    whole = "both of them" if others == 2 else f"all {wording.spelled(others)}"
    every = f", {whole} {_times(cell.chance_all_alike.value)}"
    if cell.smallest_seen is None:
        seen = cell.not_seen
    else:
        digits = max(1, wording.digits_for(attribute.scale))
        size = wording.number(cell.smallest_seen.difference, digits)
        seen = f"about 8 times in 10 you would see a {size}-point difference"
    return (
        f"{who}: {seen}; where nothing differs, a given variant would be shown {alike}"
        f" {_times(cell.chance_alike.value)}{every if others > 1 else ''}."
    )


def _cannot(attribute: Attribute, question: Question, cells: Cells) -> list[str]:
    """Name the panels that can hardly show a difference of one margin, or alike."""
    margin = wording.plain(question.margin)
    goals: list[tuple[str, Callable[[SizingCell], Chance]]] = [
        (f"see a {margin}-point difference", lambda cell: cell.chance_margin),
        (f"show variants alike within {wording.margin(attribute)}", lambda c: c.chance_alike),
    ]
    said = []
    for goal, chance in goals:
        limits = [_last_unable(row, chance) for row in _by_sessions(cells)]
        panels = [_up_to(cell) for cell in limits if cell is not None]
        if panels:
            said.append(
                f"Panels that can hardly ever {goal} (less than 1 time in 20):"
                f" {wording.listing(panels)}."
            )
    return said


def _last_unable(row: Cells, chance: Callable[[SizingCell], Chance]) -> SizingCell | None:
    """Largest panel up to which none reaches the chance."""
    last = None
    for cell in row:
        if chance(cell).value >= HARDLY:
            break
        last = cell
    return last


def _rank_floor(question: Question, cells: Cells) -> list[str]:
    unable = [cell.tasters for cell in cells if (cell.smallest_p or 0) > question.alpha]
    if not unable:
        return []
    who = wording.count(max(unable), "taster")
    alpha = f"{question.alpha:.3g}".removeprefix("0")
    return [f"With {who} or fewer {PROCEDURES['ranks']} cannot reach {alpha} whatever they say."]


def _by_sessions(cells: Cells) -> list[list[SizingCell]]:
    """Rows of cells with the same sessions, tasters rising."""
    return [
        sorted((cell for cell in cells if cell.sessions == s), key=_tasters)
        for s in sorted({cell.sessions for cell in cells})
    ]


def _tasters(cell: SizingCell) -> int:
    return cell.tasters


def _panel(cell: SizingCell, link: str = " in ") -> str:
    """Name a panel: "12 tasters in two sessions"."""
    sessions = f"{wording.spelled(cell.sessions)} session{'s' * (cell.sessions > 1)}"
    return f"{wording.count(cell.tasters, 'taster')}{link}{sessions}"


def _up_to(cell: SizingCell) -> str:
    return _panel(cell).replace("tasters", "tasters or fewer", 1)


def _times(chance: float) -> str:
    """Write a chance as people say it.

    Examples
    --------
    >>> _times(0.02), _times(0.43), _times(0.97)
    ('less than 1 time in 20', 'about 4 times in 10', 'nearly always')
    """
    if chance < HARDLY:
        return "less than 1 time in 20"
    if chance >= 0.95:
        return "nearly always"
    tenths = max(1, min(9, round(10 * chance)))
    return f"about {wording.count(tenths, 'time')} in 10"


TASTERS = (4, 5, 6, 8, 10, 12, 16, 20, 24, 32, 40)
SESSIONS = (1, 2, 3)
TRIALS = 2000
FEWEST = 100

Progress = Callable[[int, int], None]


def size(
    trial: Trial,
    spread: Spread,
    *,
    tasters: Sequence[int] | None = None,
    sessions: Sequence[int] | None = None,
    trials: int = TRIALS,
    seed: int | None = None,
    n_jobs: int | None = None,
    progress: Progress | None = None,
) -> Sizing:
    """Simulate trials of this design with panels of several sizes, and judge them.

    Parameters
    ----------
    trial : Trial
        Gives the number of variants, alpha, and the scale and margin of the attribute: the first
        primary one, or the first.
    spread : Spread
        In points of that attribute.
    tasters, sessions : sequence of int, optional
        Sizes to try, at least 3 tasters; by default 4 to 40 tasters and 1 to 3 sessions, and
        what trial.toml plans.
    trials : int
        A cell; the Monte Carlo standard error of a chance is at most 0.5 / sqrt(trials).
    seed : int, optional
        By default the trial's. The result is the same for any number of workers.
    n_jobs : int, optional
        Processes, as joblib counts them: -1 for all cores; None for one, or for what an
        enclosing ``joblib.parallel_config`` says.
    progress : callable, optional
        Called with the panels done and their number, first with 0.

    Returns
    -------
    Sizing

    Raises
    ------
    DesignError
        Where the attribute has no margin, or twice the margin does not fit on the scale.
    ValueError
        Where sizes or trials are out of range.

    Examples
    --------
    >>> from blindspoon.simulate.size_results import common_practice
    >>> from blindspoon.files.trial_toml import parse_trial
    >>> trial = parse_trial('''
    ... trial = { title = "Crisp cucumbers", control = "plain" }
    ... decision = { margin = 2 }
    ... scale = { low = 0, high = 10, step = 1 }
    ... attribute = [{ name = "texture" }]
    ... variant = [{ name = "plain" }, { name = "oak-leaf" }]
    ... ''')
    >>> found = size(trial, common_practice(trial.attributes[0].scale), tasters=[5, 12],
    ...              sessions=[1], trials=200)
    >>> found.cell(5, 1, "ranks").smallest_p, found.cell(5, 1, "ranks").chance_twice.value
    (0.0625, 0.0)
    >>> found.cell(12, 1, "mixed").chance_margin.value > 0.8
    True
    """
    attribute = sized_attribute(trial)
    question = _question(trial, attribute, spread, trials, trial.seed if seed is None else seed)
    panels = [
        (t, s)
        for s in _sizes(sessions, SESSIONS, len(trial.sessions), least=1)
        for t in _sizes(tasters, TASTERS, len(trial.tasting.tasters), least=3)
    ]
    cells = _simulate(question, panels, n_jobs, progress)
    return Sizing(
        attribute=attribute.name,
        margin=question.margin,
        alpha=question.alpha,
        decided_by=trial.decision.by,
        variants=question.variants,
        spread=spread,
        trials=trials,
        seed=question.seed,
        cells=cells,
        assumptions=assumptions_of(trial, attribute, question),
        sentences=sentences_of(trial, attribute, question, cells),
    )


def sized_attribute(trial: Trial) -> Attribute:
    """Give the attribute that a trial is sized for: the first primary one, or the first."""
    primary = trial.decision.primary
    return trial.attribute(primary[0]) if primary else trial.attributes[0]


def _question(
    trial: Trial, attribute: Attribute, spread: Spread, trials: int, seed: int
) -> Question:
    problem = _unfit_margin(attribute)
    if problem is not None:
        raise DesignError([problem])
    if trials < FEWEST or seed < 0:
        raise ValueError(f"{FEWEST} trials or more and a seed of 0 or more are needed")
    return Question(
        variants=len(trial.variants),
        scale=attribute.scale,
        margin=attribute.margin or 0.0,
        alpha=trial.share_of_alpha(attribute.name),
        spread=spread,
        trials=trials,
        seed=seed,
    )


def _unfit_margin(attribute: Attribute) -> Problem | None:
    span = attribute.scale.high - attribute.scale.low
    if attribute.margin is None:
        found, slug = f"{attribute.name} has no margin", "no-margin"
        allowed = "sizing needs the smallest difference that matters, in points"
    elif 2 * attribute.margin > span:
        found = f"the margin of {attribute.name} is {attribute.margin:g} on a scale of {span:g}"
        allowed, slug = "a margin is at most half the length of the scale", "wide-margin"
    else:
        return None
    remedy = "Set margin in [decision] or in its [[attribute]]"
    return Problem(
        slug=slug,
        file="trial.toml",
        column="margin",
        found=found,
        allowed=allowed,
        remedy=remedy,
    )


def _sizes(
    given: Sequence[int] | None, usual: Iterable[int], planned: int, least: int
) -> list[int]:
    """Sort the sizes to try; those planned join the usual ones, where none are given."""
    sizes = sorted(
        {*usual, *([planned] if planned >= least else [])} if given is None else {*given}
    )
    if not sizes or sizes[0] < least:
        raise ValueError(f"sizes are whole numbers from {least}, not {sizes}")
    return sizes


def _simulate(
    question: Question,
    panels: list[tuple[int, int]],
    n_jobs: int | None,
    progress: Progress | None,
) -> tuple[SizingCell, ...]:
    """Hand the panels to the workers, the longest first, and put the cells in order."""
    report = progress or (lambda _done, _all: None)
    report(0, len(panels))
    found = {}
    longest_first = sorted(panels, key=lambda panel: -panel[0] * panel[1])
    workers = Parallel(n_jobs=n_jobs, return_as="generator_unordered")
    for done, cells in enumerate(
        workers(delayed(size_panel)(question, *panel) for panel in longest_first), 1
    ):
        found[cells[0].tasters, cells[0].sessions] = cells
        report(done, len(panels))
    return tuple(cell for panel in panels for cell in found[panel])
