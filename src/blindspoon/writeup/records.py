"""What was found as plain dictionaries: what ``compare --json`` prints, of one trial or of several.

The names of the fields are public; ``docs/reference/json.md`` lists them.
"""

from __future__ import annotations

from dataclasses import asdict

from blindspoon.findings.compare import with_days
from blindspoon.findings.comparison import Analysis
from blindspoon.findings.pool_checks import Pool, PooledAttribute
from blindspoon.stats.results import NoResult
from blindspoon.writeup.choices_section import choice_records
from blindspoon.writeup.course_tables import course_record
from blindspoon.writeup.tables import (
    ATTRIBUTE,
    COMPARISON,
    LEFT_OUT,
    MIXED,
    NAME,
    NOTE,
    RULE,
    TASTER_VARIANT,
    VARIANT,
)
from blindspoon.writeup.writers import Column, Record, named, record

DISAGREEMENT = named("f df_num df_den p_value")
POOLED_FIT = (
    *named("reml_criterion residual_sd taster_sd"),
    TASTER_VARIANT,
    *named("kitchen_variant_sd kitchen_difference_sd"),
    *NOTE,
)


def _disagreement(each: PooledAttribute) -> object:
    return each.fit if isinstance(each.fit, NoResult) else each.fit.disagreement


POOLED_ATTRIBUTE = (
    *RULE,
    Column("mixed", of=lambda each: each.fit, inner=POOLED_FIT),
    Column("disagreement", of=_disagreement, inner=DISAGREEMENT),
)
OWN = (Column("kitchen"), Column("alpha"), Column("mixed", inner=MIXED))
POOLED_COMPARISON = (
    NAME,
    VARIANT,
    Column("kitchens", of=lambda each: tuple(record(OWN, own) for own in each.own)),
    Column("pooled", inner=MIXED),
    Column("these_kitchens", of=lambda each: each.these, inner=MIXED),
    Column("verdict"),
    Column("because"),
)


def trial_record(analysis: Analysis) -> Record:
    """Everything that was found, ready for JSON.

    Returns
    -------
    dict
        Strings, finite numbers, None, lists and dictionaries only. A number that does not exist
        is None, and the reason stands beside it under the same name with ``_reason``.
    """
    trial, table, stands = analysis.trial, analysis.table, analysis.standing
    results = with_days(trial, table, analysis.results)
    return {
        "trial": {
            "title": trial.title,
            "control": trial.control,
            "variants": [variant.name for variant in trial.variants],
            "tasters": len(table.tasters) or max((f.tasters for f in analysis.choices), default=0),
            "sessions": len(table.sessions)
            or (len(table.choices.sessions) if table.choices else 0),
            "session_labels": {each.name: each.label for each in trial.sessions if each.label},
            "unit": results[0].unit if results else "taster",
            "alpha": trial.decision.alpha,
            "decided_by": results[0].by if results else "choice",
            "primary": list(trial.decision.primary),
        },
        "attributes": [
            record(ATTRIBUTE, result) | {"flags": [asdict(flag) for flag in result.flags]}
            for result in results
        ],
        "comparisons": [
            record((NAME, VARIANT, *COMPARISON), comparison)
            for result in results
            for comparison in result.comparisons
        ],
        "not_compared": [
            record((NAME, VARIANT, Column("reason")), lost)
            for result in results
            for lost in result.not_compared
        ],
        "left_out": [record(LEFT_OUT, lost) for lost in table.left_out],
        "seal": {
            "sealed": stands.seal and str(stands.seal.date),
            "lifted": stands.lift and str(stands.lift.date),
            "changed": list(stands.bent),
            "sentences": list(stands.told),
        },
        **({"choices": choice_records(analysis)} if trial.choice else {}),
        **(course_record(analysis) if trial.course else {}),
    }


def pool_record(pool: Pool) -> Record:
    """Everything that several kitchens found, ready for JSON; as `trial_record`."""
    rule = pool.first.decision
    return {
        "pooled": {
            "kitchens": [
                {
                    "kitchen": kitchen.name,
                    "title": kitchen.trial.title,
                    "tasters": len(kitchen.table.tasters),
                    "sessions": len(kitchen.table.sessions),
                    "fingerprint": kitchen.fingerprint,
                }
                for kitchen in pool.kitchens
            ],
            "control": pool.first.control,
            "variants": [variant.name for variant in pool.variants],
            "alpha": rule.alpha,
            "decided_by": "mixed",
            "primary": list(rule.primary),
            "remarks": [
                text.replace("\N{NO-BREAK SPACE}", " ") for text in (*pool.remarks, *pool.caveats)
            ],
        },
        "attributes": [record(POOLED_ATTRIBUTE, each) for each in pool.attributes],
        "comparisons": [
            record(POOLED_COMPARISON, comparison)
            for attribute in pool.attributes
            for comparison in attribute.comparisons
        ],
        "not_pooled": [asdict(lost) for lost in pool.not_pooled],
    }
