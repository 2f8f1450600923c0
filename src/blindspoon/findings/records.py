"""What several kitchens found, as plain dictionaries: what ``compare A B --json`` prints.

The names of its fields are public; ``docs/reference/json.md`` lists them.

What a trial found, as plain dictionaries: the object that ``compare --json`` prints.

The names of its fields are public; ``docs/reference/json.md`` lists them. A number that does
not exist is None, and the reason stands beside it under the same name with ``_reason``.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from blindspoon.findings.comparison import AttributeResult, Comparison
from blindspoon.findings.pool_checks import (
    Disagreement,
    Kitchen,
    Own,
    Pool,
    PooledAttribute,
    PooledComparison,
    PooledFit,
)
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.results import (
    Friedman,
    Interval,
    MixedContrast,
    MixedFit,
    NoResult,
    RankContrast,
)
from blindspoon.trial import Trial

Record = dict[str, Any]

TOO_FEW = "too few tasters scored both for an interval at this level"
TOO_FEW_ROUNDS = "too few rounds have scores of both for an interval at this level"
NO_REPLICATES = "no taster scored a variant twice"
ONE_BATCH = "no variant was tasted from several batches"


def trial_record(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> Record:
    """Everything that was found, ready for JSON.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
    results : tuple of AttributeResult

    Returns
    -------
    dict
        Strings, finite numbers, None, lists and dictionaries only.
    """
    return {
        "trial": _trial(trial, table, results),
        "attributes": [_attribute(result) for result in results],
        "comparisons": [
            comparison_record(each) for result in results for each in result.comparisons
        ],
        "not_compared": [
            {
                "attribute": each.attribute.name,
                "variant": each.variant.name,
                "reason": each.reason,
            }
            for result in results
            for each in result.not_compared
        ],
        "left_out": [
            {"file": each.file, "line": each.line, "reason": each.reason} for each in table.left_out
        ],
    }


def _trial(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> Record:
    return {
        "title": trial.title,
        "control": trial.control,
        "variants": [variant.name for variant in trial.variants],
        "tasters": len(table.tasters),
        "sessions": len(table.sessions),
        "unit": results[0].unit,
        "alpha": trial.decision.alpha,
        "decided_by": results[0].by,
        "primary": list(trial.decision.primary),
    }


def _attribute(result: AttributeResult) -> Record:
    return {
        "attribute": result.attribute.name,
        "primary": result.primary,
        "margin": result.attribute.margin,
        "alpha": result.alpha,
        **_or_reason("friedman", result.friedman),
        **_or_reason("mixed", result.mixed),
        "flags": [
            {"kind": flag.kind, "variant": flag.variant, "value": flag.value}
            for flag in result.flags
        ],
    }


def comparison_record(comparison: Comparison) -> Record:
    """Write one variant against the control on one attribute."""
    return {
        "attribute": comparison.attribute.name,
        "variant": comparison.variant.name,
        "tasters": comparison.tasters,
        **_rounds(comparison.rounds),
        "servings": comparison.servings,
        "mean_control": comparison.mean_control,
        "mean_variant": comparison.mean_variant,
        **_or_reason("mixed", comparison.mixed),
        **_or_reason("ranks", comparison.ranks),
        "verdict": comparison.verdict,
        "because": comparison.because,
    }


def _or_reason(
    name: str, result: Friedman | MixedFit | MixedContrast | RankContrast | NoResult
) -> Record:
    match result:
        case NoResult():
            return {name: None, f"{name}_reason": result.reason}
        case Friedman():
            return {name: friedman_record(result)}
        case MixedFit():
            return {name: fit_record(result)}
        case MixedContrast():
            return {name: mixed_record(result)}
        case RankContrast():
            return {name: ranks_record(result)}


def friedman_record(result: Friedman) -> Record:
    """Write the rank test that all variants are alike."""
    return {
        "statistic": result.statistic,
        "df": result.df,
        "p_value": result.p_value,
        "tasters": result.tasters,
        **_rounds(result.rounds),
        "form": result.form,
    }


def fit_record(fit: MixedFit) -> Record:
    """Write the mixed model of one attribute."""
    return {
        "f": fit.f,
        "df_num": fit.df_num,
        "df_den": fit.df_den,
        "p_value": fit.p_value,
        "reml_criterion": fit.reml_criterion,
        "residual_sd": fit.residual_sd,
        "taster_sd": fit.taster_sd,
        **_number("taster_variant_sd", fit.taster_variant_sd, NO_REPLICATES),
        **_number("batch_sd", fit.batch_sd, ONE_BATCH),
        "position": fit.note.position,
        "at_zero": list(fit.note.at_zero),
        "converged": fit.note.converged,
    }


def mixed_record(contrast: MixedContrast) -> Record:
    """Write one variant against the control by the mixed model."""
    return {
        "difference": contrast.difference,
        "se": contrast.se,
        "df": contrast.df,
        "t": contrast.t,
        "p_value": contrast.p_value,
        "p_adjusted": contrast.p_adjusted,
        "interval": _ends(contrast.interval),
        "equivalence_interval": _ends(contrast.equivalence_interval),
    }


def ranks_record(contrast: RankContrast) -> Record:
    """Write one variant against the control by signed ranks."""
    too_few = TOO_FEW_ROUNDS if contrast.rounds else TOO_FEW
    return {
        "shift": contrast.shift,
        **_number("interval", _ends(contrast.interval), too_few),
        **_number("equivalence_interval", _ends(contrast.equivalence_interval), too_few),
        "p_value": contrast.p_value,
        "p_adjusted": contrast.p_adjusted,
        "smallest_p": contrast.smallest_p,
        "method": contrast.method,
        "zero_differences": contrast.zero_differences,
    }


def _rounds(rounds: int) -> Record:
    """Count the rounds where one person tasted alone."""
    return {"rounds": rounds} if rounds else {}


def _number(name: str, value: float | list[float] | None, reason: str) -> Record:
    return {name: None, f"{name}_reason": reason} if value is None else {name: value}


def _ends(interval: Interval | None) -> list[float] | None:
    return None if interval is None else [interval.low, interval.high]


def pool_record(pool: Pool) -> Record:
    """Everything that was found, ready for JSON.

    Returns
    -------
    dict
        Strings, finite numbers, None, lists and dictionaries only. A number that does not
        exist is None, and the reason stands beside it under the same name with ``_reason``.
    """
    rule = pool.first.decision
    return {
        "pooled": {
            "kitchens": [_kitchen(kitchen) for kitchen in pool.kitchens],
            "control": pool.first.control,
            "variants": [variant.name for variant in pool.variants],
            "alpha": rule.alpha,
            "decided_by": "mixed",
            "primary": list(rule.primary),
            "remarks": [remark.replace("\N{NO-BREAK SPACE}", " ") for remark in pool.remarks],
        },
        "attributes": [_record_attribute(each) for each in pool.attributes],
        "comparisons": [_comparison(each) for a in pool.attributes for each in a.comparisons],
        "not_pooled": [asdict(each) for each in pool.not_pooled],
    }


def _kitchen(kitchen: Kitchen) -> Record:
    return {
        "kitchen": kitchen.name,
        "title": kitchen.trial.title,
        "tasters": len(kitchen.table.tasters),
        "sessions": len(kitchen.table.sessions),
        "fingerprint": kitchen.fingerprint,
    }


def _record_attribute(each: PooledAttribute) -> Record:
    apart = each.fit if isinstance(each.fit, NoResult) else each.fit.disagreement
    return {
        "attribute": each.attribute.name,
        "primary": each.primary,
        "margin": each.attribute.margin,
        "alpha": each.alpha,
        **_record_or_reason("mixed", each.fit),
        **_record_or_reason("disagreement", apart),
    }


def _comparison(each: PooledComparison) -> Record:
    return {
        "attribute": each.attribute,
        "variant": each.variant,
        "kitchens": [_own(own) for own in each.own],
        **_record_or_reason("pooled", each.pooled),
        **_record_or_reason("these_kitchens", each.these),
        "verdict": each.verdict,
        "because": each.because,
    }


def _own(own: Own) -> Record:
    return {"kitchen": own.kitchen, "alpha": own.alpha, **_record_or_reason("mixed", own.mixed)}


def _record_or_reason(
    name: str, found: PooledFit | Disagreement | MixedContrast | NoResult
) -> Record:
    match found:
        case NoResult():
            return {name: None, f"{name}_reason": found.reason}
        case PooledFit():
            return {name: _fit(found)}
        case Disagreement():
            return {name: asdict(found)}
        case MixedContrast():
            return {name: mixed_record(found)}


def _fit(fit: PooledFit) -> Record:
    replicates = (
        {} if fit.taster_variant_sd is not None else {"taster_variant_sd_reason": NO_REPLICATES}
    )
    return {
        "reml_criterion": fit.reml_criterion,
        "residual_sd": fit.residual_sd,
        "taster_sd": fit.taster_sd,
        "taster_variant_sd": fit.taster_variant_sd,
        **replicates,
        "kitchen_variant_sd": fit.kitchen_variant_sd,
        "kitchen_difference_sd": fit.kitchen_difference_sd,
        "position": fit.note.position,
        "at_zero": list(fit.note.at_zero),
        "converged": fit.note.converged,
    }
