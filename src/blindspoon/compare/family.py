"""Every variant against the control on every attribute, by both procedures."""

from __future__ import annotations

import numpy as np

from blindspoon.compare.friedman import friedman
from blindspoon.compare.mixed import compare_mixed
from blindspoon.compare.ranks import compare_ranks, taster_means
from blindspoon.compare.results import (
    AttributeResult,
    Comparison,
    MixedContrast,
    MixedFit,
    NoResult,
    NotCompared,
    RankContrast,
)
from blindspoon.scores import FloatArray, ScoreTable
from blindspoon.trial import Trial


def compare_trial(trial: Trial, table: ScoreTable) -> tuple[AttributeResult, ...]:
    """Compare every variant with the control on every attribute.

    Parameters
    ----------
    trial : Trial
        Gives the control, the seed of the sign flips and each attribute's share of alpha.
    table : ScoreTable

    Returns
    -------
    tuple of AttributeResult
        In the order of ``trial.attributes``. A variant that neither procedure could compare
        stands in ``not_compared`` with its reason, never among the comparisons.
    """
    return tuple(_compare_attribute(trial, table, index) for index in range(len(trial.attributes)))


def _compare_attribute(trial: Trial, table: ScoreTable, index: int) -> AttributeResult:
    attribute = trial.attributes[index]
    alpha = trial.share_of_alpha(attribute.name)
    score, control = table.scores[:, index], trial.control_index
    means = taster_means(
        score,
        table.taster,
        table.variant,
        n_tasters=len(table.tasters),
        n_variants=len(trial.variants),
    )
    mixed = compare_mixed(
        score,
        table.taster,
        table.variant,
        control=control,
        alpha=alpha,
        position=table.position if table.balanced else None,
        batch=table.batch if _several_batches(trial, table) else None,
    )
    rng = np.random.default_rng([trial.seed, index])
    ranks = compare_ranks(means, control=control, alpha=alpha, rng=rng)
    comparisons, not_compared = _pair_up(trial, index, table, means, mixed, ranks)
    return AttributeResult(
        attribute=attribute.name,
        primary=attribute.name in trial.decision.primary,
        margin=attribute.margin,
        alpha=alpha,
        friedman=friedman(means),
        mixed=mixed,
        comparisons=comparisons,
        not_compared=not_compared,
    )


def _several_batches(trial: Trial, table: ScoreTable) -> bool:
    """Whether any variant was tasted from more than one batch, every cup naming its batch."""
    named = bool(table.batch.size) and table.batch.min() >= 0
    return named and bool((table.batches_tasted(len(trial.variants)) > 1).any())


def _pair_up(
    trial: Trial,
    index: int,
    table: ScoreTable,
    means: FloatArray,
    mixed: MixedFit | NoResult,
    ranks: tuple[RankContrast | NoResult, ...],
) -> tuple[tuple[Comparison, ...], tuple[NotCompared, ...]]:
    attribute, control = trial.attributes[index].name, trial.control_index
    others = [position for position in range(len(trial.variants)) if position != control]
    scores = [_given(table, index, position) for position in range(len(trial.variants))]
    tasted = np.isfinite(means)
    comparisons, not_compared = [], []
    for position, by_ranks in zip(others, ranks, strict=True):
        by_mixed, name = _contrast(mixed, position), trial.variants[position].name
        if isinstance(by_mixed, NoResult) and isinstance(by_ranks, NoResult):
            reason = by_mixed.reason
            not_compared.append(NotCompared(attribute=attribute, variant=name, reason=reason))
            continue
        comparisons.append(
            Comparison(
                attribute=attribute,
                variant=name,
                tasters=int(np.sum(tasted[:, control] & tasted[:, position])),
                servings=scores[position].size,
                mean_control=float(scores[control].mean()),
                mean_variant=float(scores[position].mean()),
                mixed=by_mixed,
                ranks=by_ranks,
            )
        )
    return tuple(comparisons), tuple(not_compared)


def _given(table: ScoreTable, index: int, position: int) -> FloatArray:
    """Select the scores that a variant was given; some for each that could be compared."""
    scores = table.scores[table.variant == position, index]
    given: FloatArray = scores[np.isfinite(scores)]
    return given


def _contrast(mixed: MixedFit | NoResult, position: int) -> MixedContrast | NoResult:
    if isinstance(mixed, NoResult):
        return mixed
    found = [contrast for contrast in mixed.contrasts if contrast.variant == position]
    return found[0] if found else NoResult("Nobody scored this variant.")
