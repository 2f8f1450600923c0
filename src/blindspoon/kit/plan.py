"""The trial of a reader who repeats it: the same plan and rule, their own tasters and days."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from blindspoon.kit.recipe import Recipe
from blindspoon.scores import ScoreTable
from blindspoon.serving import ServingPlan, draw, request_for
from blindspoon.trial import Session, Trial, default_tasters


def repeat_of(trial: Trial, table: ScoreTable) -> Trial:
    """Take over the plan, with as many tasters and sessions as there were.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable

    Returns
    -------
    Trial
        Without the host and the dates, and with a seed of its own, so that its codes and orders
        are not those of the first tasting.
    """
    seed = int.from_bytes(hashlib.sha256(f"repeat {trial.seed}".encode()).digest()[:4])
    tasting = replace(trial.tasting, tasters=default_tasters(len(table.tasters)))
    return replace(
        trial,
        host="",
        dates="",
        seed=seed,
        sessions=tuple(Session(name=name, date=None) for name in table.sessions),
        tasting=tasting,
    )


def draw_repeat(trial: Trial, made: Sequence[Recipe]) -> ServingPlan:
    """Draw codes and orders for a repeat.

    Raises
    ------
    DesignError
        If the design cannot be drawn.
    """
    request = request_for(
        trial,
        controls=trial.tasting.controls,
        warm_up=trial.tasting.warm_up,
        batches={each.variant: [jar_of(each.variant)] for each in made},
    )
    return draw(request, np.random.default_rng([trial.seed, 0]))


def jar_of(variant: str) -> str:
    """Name the reader's jar of a variant.

    Examples
    --------
    >>> jar_of("oak-leaf")
    'oak-leaf jar'
    """
    return f"{variant} jar"
