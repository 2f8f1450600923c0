"""Every variant against the control on every attribute, by both procedures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from blindspoon.arrays import FloatArray
from blindspoon.batches.ages import CupAges
from blindspoon.batches.summary import Made
from blindspoon.findings.comparison import AttributeResult, Comparison, NotCompared, Other, Unit
from blindspoon.findings.verdict import judge
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.flags import find_flags
from blindspoon.stats.friedman import friedman
from blindspoon.stats.mixed import compare_mixed, days_in_general
from blindspoon.stats.results import (
    Friedman,
    MixedContrast,
    MixedFit,
    NoResult,
    RankContrast,
    Unanimous,
)
from blindspoon.stats.rounds import compare_rounds
from blindspoon.stats.sign_flips import SAMPLES, settle_ties
from blindspoon.stats.signed_ranks import compare_ranks, taster_means
from blindspoon.stats.sittings import HeldSittings, compare_sittings
from blindspoon.stats.unanimity import rounded_to, unanimous
from blindspoon.trial import Trial


def compare_trial(
    trial: Trial,
    table: ScoreTable,
    made: Made | None = None,
    ages: CupAges | None = None,
    *,
    exploratory: bool = False,
) -> tuple[AttributeResult, ...]:
    """Compare every variant with the control on every attribute, and judge.

    Parameters
    ----------
    trial : Trial
        Gives the control, the seed of the sign flips, the rule and each attribute's share of alpha.
    made : Made, optional
        What was written down of the batches; its differences soften the sentences.
    ages : CupAges, optional
        Those of the cups, where they are asked about.
    exploratory : bool
        Whether no attribute is primary any more.

    Returns
    -------
    tuple of AttributeResult
        In the order of ``trial.attributes``. A variant that neither procedure could compare
        stands among the others with its reason, never among the comparisons. Where one
        person alone gave scores, only ranks compare, within that person's sessions, the rounds.
    """
    names = enumerate(variant.name for variant in trial.variants)
    aged = frozenset(place for place, name in names if ages and ages.moved(name))
    results = []
    for index in range(len(trial.attributes)):
        result = _compare_attribute(trial, table, index, primary=not exploratory)
        results.append(judge(trial, table, replace(result, aged=aged), made))
    return tuple(results)


def _compare_attribute(
    trial: Trial, table: ScoreTable, index: int, *, primary: bool
) -> AttributeResult:
    attribute, means = trial.attributes[index], means_of(trial, table, index)
    unit, mixed = unit_of(table), mixed_of(trial, table, index)
    by_rounds = unit == "round"
    ranks = rounds_of(trial, table, index) if by_rounds else ranks_of(trial, means, index)
    others = _pair_up(trial, index, table, means, mixed, ranks)
    compared = any(isinstance(other, Comparison) for other in others)
    return AttributeResult(
        attribute=attribute,
        primary=primary and attribute.name in trial.decision.primary,
        alpha=trial.share_of_alpha(attribute.name),
        friedman=_by_rounds(means, compared=compared) if by_rounds else friedman(means),
        mixed=mixed,
        others=others,
        by="ranks" if by_rounds else trial.decision.by,
        unit=unit,
        sittings=sittings_of(trial, table, index),
        flags=find_flags(
            means,
            table.scores[:, index],
            table.variant,
            names=[variant.name for variant in trial.variants],
            low=attribute.scale.low,
            high=attribute.scale.high,
        ),
    )


def with_days(
    trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]
) -> tuple[AttributeResult, ...]:
    """Add the intervals for days in general to what `compare_trial` found, for who prints them."""
    return tuple(_with_days(trial, table, result) for result in results)


def _with_days(trial: Trial, table: ScoreTable, result: AttributeResult) -> AttributeResult:
    if isinstance(result.mixed, NoResult):
        return result
    mixed = days_in_general(
        result.mixed,
        table.scores[:, trial.attributes.index(result.attribute)],
        table.taster,
        table.variant,
        table.session,
        control=trial.control_index,
        alpha=result.alpha,
        position=table.position if result.mixed.note.position else None,
    )
    variants = trial.variants
    others = tuple(
        replace(other, mixed=contrast_of(mixed, variants.index(other.variant)))
        if isinstance(other, Comparison)
        else other
        for other in result.others
    )
    return replace(result, mixed=mixed, others=others)


def sittings_of(trial: Trial, table: ScoreTable, index: int) -> HeldSittings | NoResult:
    """Hold the sittings of the attribute at `index` against one another."""
    return compare_sittings(
        table.scores[:, index],
        table.taster,
        table.session,
        table.variant,
        control=trial.control_index,
        n_variants=len(trial.variants),
        alpha=trial.share_of_alpha(trial.attributes[index].name),
        names=[trial.session_label(name) for name in table.sessions],
    )


def unit_of(table: ScoreTable) -> Unit:
    """Compare within tasters, or within the rounds of the only one."""
    return "round" if len(table.tasters) == 1 else "taster"


def means_of(trial: Trial, table: ScoreTable, index: int) -> FloatArray:
    """Average the scores of each variant on the attribute at `index`, a row a taster or round."""
    by_rounds = unit_of(table) == "round"
    return taster_means(
        table.scores[:, index],
        table.session if by_rounds else table.taster,
        table.variant,
        n_tasters=len(table.sessions if by_rounds else table.tasters),
        n_variants=len(trial.variants),
    )


def mixed_of(
    trial: Trial, table: ScoreTable, index: int, *, position: bool = True
) -> MixedFit | NoResult:
    """Fit the mixed model to the attribute at `index`, its place in ``trial.attributes``.

    With `position` the place of the cup is in it where orders were drawn balanced. Batches are
    where any variant was tasted from more than one; a variant that names none counts as one.
    """
    several = bool((table.batches_tasted(len(trial.variants)) > 1).any())
    return compare_mixed(
        table.scores[:, index],
        table.taster,
        table.variant,
        control=trial.control_index,
        alpha=trial.share_of_alpha(trial.attributes[index].name),
        position=table.position if position and table.balanced else None,
        batch=table.batch if several else None,
        session=table.session,
    )


def ranks_of(
    trial: Trial, means: FloatArray, index: int, *, samples: int = SAMPLES
) -> tuple[RankContrast | NoResult, ...]:
    """Compare the attribute at `index` by ranks, from `means_of`, with the trial's own chance."""
    return compare_ranks(
        means,
        control=trial.control_index,
        alpha=trial.share_of_alpha(trial.attributes[index].name),
        rng=np.random.default_rng([trial.seed, index]),
        samples=samples,
    )


def agreed_of(
    trial: Trial, table: ScoreTable, index: int, mixed: MixedFit | NoResult
) -> dict[str, Unanimous]:
    """Judge the variants by name where no taster's differences leave the mixed model a scatter."""
    if not isinstance(mixed, NoResult):
        return {}
    means, attribute = means_of(trial, table, index), trial.attributes[index]
    step = attribute.scale.step or rounded_to(table.scores[:, index])
    differences = settle_ties(means - means[:, [trial.control_index]])
    columns = {
        place: column[np.isfinite(column)]
        for place, column in enumerate(differences.T)
        if place != trial.control_index
    }
    columns = {place: column for place, column in columns.items() if column.size > 1}
    scatter = any(np.ptp(column) > 0 for column in columns.values())
    if scatter or step is None:
        return {}
    alpha, family = trial.share_of_alpha(attribute.name), len(columns)
    return {
        trial.variants[place].name: unanimous(column, place, step=step, alpha=alpha, family=family)
        for place, column in columns.items()
    }


def rounds_of(trial: Trial, table: ScoreTable, index: int) -> tuple[RankContrast | NoResult, ...]:
    """Compare the attribute at `index` over the rounds of the only taster."""
    return compare_rounds(
        table.scores[:, index],
        table.session,
        table.variant,
        table.position,
        control=trial.control_index,
        n_variants=len(trial.variants),
        alpha=trial.share_of_alpha(trial.attributes[index].name),
        rng=np.random.default_rng([trial.seed, index]),
    )


def _by_rounds(means: FloatArray, *, compared: bool) -> Friedman | NoResult:
    """Rank within rounds, if their orders allow any comparison."""
    if not compared:
        return NoResult("Nothing could be compared over the rounds.")
    found = friedman(means)
    if isinstance(found, NoResult):
        return NoResult("In every round all variants scored alike.")
    return replace(found, tasters=1, rounds=found.tasters)


def _pair_up(
    trial: Trial,
    index: int,
    table: ScoreTable,
    means: FloatArray,
    mixed: MixedFit | NoResult,
    ranks: tuple[RankContrast | NoResult, ...],
) -> tuple[Other, ...]:
    attribute, control = trial.attributes[index], trial.control_index
    places = [place for place in range(len(trial.variants)) if place != control]
    given = table.scores[:, index]
    scored = np.isfinite(given)
    scores = [given[scored & (table.variant == place)] for place in range(len(trial.variants))]
    tasted, alone = np.isfinite(means), unit_of(table) == "round"
    agreed = {} if alone else agreed_of(trial, table, index, mixed)
    others = list[Other]()
    for place, by_ranks in zip(places, ranks, strict=True):
        by_mixed, variant = contrast_of(mixed, place), trial.variants[place]
        if isinstance(by_mixed, NoResult) and isinstance(by_ranks, NoResult):
            reason = (by_ranks if alone else by_mixed).reason
            others.append(NotCompared(attribute=attribute, variant=variant, reason=reason))
            continue
        both = int(np.sum(tasted[:, control] & tasted[:, place]))
        others.append(
            Comparison(
                attribute=attribute,
                variant=variant,
                tasters=1 if alone else both,
                rounds=both if alone else 0,
                servings=scores[place].size,
                mean_control=float(scores[control].mean()),
                mean_variant=float(scores[place].mean()),
                mixed=by_mixed,
                ranks=by_ranks,
                by="ranks" if alone else trial.decision.by,
                unanimous=agreed.get(variant.name),
            )
        )
    return tuple(others)


def contrast_of(mixed: MixedFit | NoResult, position: int) -> MixedContrast | NoResult:
    """Find the contrast of the variant at `position`, or the reason why there is none."""
    if isinstance(mixed, NoResult):
        return mixed
    found = [contrast for contrast in mixed.contrasts if contrast.variant == position]
    return found[0] if found else NoResult("Nobody scored this variant.")
