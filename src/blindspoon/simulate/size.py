"""Panels of many sizes, spread over the cores: the entry to sizing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from blindspoon.errors import DesignError, Rule
from blindspoon.findings.comparison import By
from blindspoon.simulate.panels import MOST, Question, size_panel
from blindspoon.simulate.situations import BOTH
from blindspoon.simulate.size_results import Sizing, Spread
from blindspoon.simulate.sizing_words import assumptions_of, sentences_of
from blindspoon.simulate.sweep import Progress, sweep
from blindspoon.trial import Attribute, Trial

TASTERS = (4, 5, 6, 8, 10, 12, 16, 20, 24, 32, 40)
SESSIONS = (1, 2, 3)
FEWEST = 100
SET_MARGIN = "Set margin in [decision] or in its [[attribute]]"


def size(  # noqa: PLR0913 - each is an option of the command
    trial: Trial,
    spread: Spread,
    *,
    tasters: Sequence[int] | None = None,
    sessions: Sequence[int] | None = None,
    trials: int | None = None,
    seed: int | None = None,
    n_jobs: int | None = None,
    progress: Progress | None = None,
    procedures: Sequence[By] = BOTH,
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
    trials : int, optional
        So many for each chance; by default as few as bring its Monte Carlo standard error to
        0.01, at most 2,500.
    seed : int, optional
        By default the trial's. The result is the same for any number of workers.
    n_jobs : int, optional
        Processes, as joblib counts them: -1 for all cores; None for one, or for what an
        enclosing ``joblib.parallel_config`` says.
    progress : callable, optional
        Called with the panels done and their number, first with 0.
    procedures : sequence of {"mixed", "ranks"}
        The one that decides among them.

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
    longest_first = sorted(panels, key=lambda panel: -panel[0] * panel[1])
    jobs = [(question, *panel, tuple(procedures)) for panel in longest_first]
    chances = sweep(size_panel, jobs, n_jobs, progress, "threads")
    found = dict(zip(longest_first, chances, strict=True))
    cells = tuple(cell for panel in panels for cell in found[panel])
    return Sizing(
        attribute=attribute.name, margin=question.margin, alpha=question.alpha,
        decided_by=trial.decision.by, variants=question.variants, spread=spread,
        trials=trials or MOST, seed=question.seed, cells=cells,
        assumptions=assumptions_of(trial, attribute, question),
        sentences=sentences_of(trial, attribute, question, cells),
    )  # fmt: skip


def sized_attribute(trial: Trial) -> Attribute:
    """Give the attribute that a trial is sized for: the first primary one, or the first."""
    primary = trial.primary_attributes
    return primary[0] if primary else trial.attributes[0]


def _question(
    trial: Trial, attribute: Attribute, spread: Spread, trials: int | None, seed: int
) -> Question:
    margin, span = attribute.margin, attribute.scale.high - attribute.scale.low
    if margin is None or 2 * margin > span:
        found = f"{attribute.name} has no margin"
        rule = Rule(
            "no-margin", "sizing needs the smallest difference that matters, in points", SET_MARGIN
        )
        if margin is not None:
            found = f"the margin of {attribute.name} is {margin:g} on a scale of {span:g}"
            rule = Rule(
                "wide-margin", "a margin is at most half the length of the scale", SET_MARGIN
            )
        raise DesignError([rule.broken(found, "trial.toml", column="margin")])
    if (trials is not None and trials < FEWEST) or seed < 0:
        raise ValueError(f"{FEWEST} trials or more and a seed of 0 or more are needed")
    return Question(
        variants=len(trial.variants), scale=attribute.scale, margin=margin,
        alpha=trial.share_of_alpha(attribute.name), spread=spread, trials=trials, seed=seed,
    )  # fmt: skip


def _sizes(
    given: Sequence[int] | None, usual: Iterable[int], planned: int, least: int
) -> list[int]:
    """Sort the sizes to try; those planned join the usual ones, where none are given."""
    if given is None:
        given = [*usual, planned] if planned >= least else [*usual]
    sizes = sorted({*given})
    if not sizes or sizes[0] < least:
        raise ValueError(f"sizes are whole numbers from {least}, not {sizes}")
    return sizes
