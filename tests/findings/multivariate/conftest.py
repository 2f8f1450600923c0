"""Scores of several attributes, made up with a known profile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.compare import compare_trial
from blindspoon.findings.comparison import AttributeResult
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial


@pytest.fixture
def draw() -> Callable[..., np.ndarray]:
    """Scores of shape (tasters, variants, attributes) around a profile, none missing."""

    def scores(seed, tasters, profile, *, noise=1.0, correlation=0.0, lost=0.0):
        rng, profile = np.random.default_rng(seed), np.asarray(profile, float)
        shape = (tasters, *profile.shape)
        shared = rng.normal(size=(*shape[:2], 1)) * np.sqrt(correlation)
        own = rng.normal(size=shape) * np.sqrt(1 - correlation)
        level = rng.normal(0, 1.5, (tasters, 1, profile.shape[1]))
        made = 5 + level + profile + noise * (shared + own)
        made[rng.random(shape) < lost] = np.nan
        return made

    return scores


def plan(variants: int, attributes: int, decision: str = "") -> Trial:
    """A trial without a primary attribute, unless its rule names one."""
    made = parse_trial(
        'trial = { title = "Crisp?", control = "v0", seed = 11 }\nscale = { low = 0, high = 10 }\n'
        + decision
        + "attribute = ["
        + ", ".join(f'{{ name = "a{at}" }}' for at in range(attributes))
        + "]\n"
        + "".join(f'[[variant]]\nname = "v{at}"\n' for at in range(variants))
    )
    return replace(made, attributes=tuple(replace(each, margin=1.0) for each in made.attributes))


def table(scores: np.ndarray) -> ScoreTable:
    """One cup a taster and variant."""
    tasters, variants, attributes = scores.shape
    taster, variant = (each.ravel() for each in np.indices((tasters, variants)))
    none = np.zeros_like(taster)
    return ScoreTable(
        tasters=tuple(f"T{at}" for at in range(tasters)),
        sessions=("1",),
        taster=taster,
        session=none,
        variant=variant,
        batch=none - 1,
        batches=(),
        position=none,
        scores=scores.reshape(-1, attributes),
        coded=True,
        balanced=False,
        remarks=(),
        left_out=(),
    )


@pytest.fixture
def trial_of() -> Callable[..., tuple[Trial, ScoreTable, tuple[AttributeResult, ...]]]:
    """Make a trial, its table and its comparisons of scores (tasters, variants, attributes)."""

    def make(scores, decision=""):
        trial, scored = plan(scores.shape[1], scores.shape[2], decision), table(scores)
        return trial, scored, compare_trial(trial, scored)

    return make
