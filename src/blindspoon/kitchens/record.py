"""What several kitchens found, as plain dictionaries: what ``compare A B --json`` prints.

The names of its fields are public; ``docs/reference/json.md`` lists them.
"""

from __future__ import annotations

from dataclasses import asdict

from blindspoon.compare.results import MixedContrast, NoResult
from blindspoon.kitchens.results import (
    Disagreement,
    Kitchen,
    Own,
    Pool,
    PooledAttribute,
    PooledComparison,
    PooledFit,
)
from blindspoon.records import NO_REPLICATES, Record, mixed_record


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
        "attributes": [_attribute(each) for each in pool.attributes],
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


def _attribute(each: PooledAttribute) -> Record:
    apart = each.fit if isinstance(each.fit, NoResult) else each.fit.disagreement
    return {
        "attribute": each.attribute.name,
        "primary": each.primary,
        "margin": each.attribute.margin,
        "alpha": each.alpha,
        **_or_reason("mixed", each.fit),
        **_or_reason("disagreement", apart),
    }


def _comparison(each: PooledComparison) -> Record:
    return {
        "attribute": each.attribute,
        "variant": each.variant,
        "kitchens": [_own(own) for own in each.own],
        **_or_reason("pooled", each.pooled),
        **_or_reason("these_kitchens", each.these),
        "verdict": each.verdict,
        "because": each.because,
    }


def _own(own: Own) -> Record:
    return {"kitchen": own.kitchen, "alpha": own.alpha, **_or_reason("mixed", own.mixed)}


def _or_reason(name: str, found: PooledFit | Disagreement | MixedContrast | NoResult) -> Record:
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
