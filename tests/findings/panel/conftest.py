"""Tables of scores made from arrays, without the files of a trial."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from blindspoon.findings.compare import compare_trial
from blindspoon.findings.panel import AttributePanel, study_panel
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Attribute, Decision, Scale, Tasting, Trial, Variant

SCALE = Scale(low=0, high=10)


def trial_of(variants: int) -> Trial:
    """A trial of one attribute with that many variants; the first is the control."""
    return Trial(
        title="A trial",
        question="",
        product="",
        host="",
        licence="",
        dates="",
        control="v0",
        seed=1,
        decision=Decision(declared=None, primary=(), alpha=0.05, by="mixed"),
        attributes=(
            Attribute(
                name="texture",
                label="Texture",
                low="",
                high="",
                less="",
                more="",
                scale=SCALE,
                margin=None,
            ),
        ),
        variants=tuple(
            Variant(name=f"v{k}", label=f"V {k}", method="", differs=()) for k in range(variants)
        ),
        sessions=(),
        tasting=Tasting(tasters=(), servings=None, codes="per taster", cleanser=""),
    )


def table_of(
    taster, variant, score, *, session=None, position=None, batch=None, labels=None
) -> ScoreTable:
    """A table of one attribute from columns that are counted from 0, positions from 1."""
    taster, variant = np.asarray(taster), np.asarray(variant)
    zeros = np.zeros(taster.size, np.int64)
    session = zeros if session is None else np.asarray(session)
    batch = zeros - 1 if batch is None else np.asarray(batch)
    return ScoreTable(
        tasters=labels or tuple(f"T{k + 1:02}" for k in range(taster.max() + 1)),
        sessions=tuple(str(k + 1) for k in range(session.max() + 1)),
        taster=taster,
        session=session,
        variant=variant,
        batch=batch,
        batches=tuple(f"jar {k}" for k in range(batch.max() + 1)),
        position=zeros if position is None else np.asarray(position),
        scores=np.asarray(score, np.float64)[:, None],
        coded=True,
        balanced=False,
        remarks=(),
        left_out=(),
    )


@pytest.fixture(scope="session")
def study() -> Callable[..., AttributePanel]:
    """Study the tasters of a table made from columns."""

    def made(taster, variant, score, **columns) -> AttributePanel:
        trial = trial_of(int(np.max(variant)) + 1)
        table = table_of(taster, variant, score, **columns)
        return study_panel(trial, table, compare_trial(trial, table)).attributes[0]

    return made


@pytest.fixture(scope="session")
def of_means(study) -> Callable[..., AttributePanel]:
    """Study tasters who scored each variant once: an array of tasters by variants."""

    def made(means, **columns) -> AttributePanel:
        means = np.asarray(means, np.float64)
        taster, variant = (each.ravel() for each in np.indices(means.shape))
        return study(taster, variant, means.ravel(), **columns)

    return made
