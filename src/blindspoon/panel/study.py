"""Trial and scores -> what is known of the tasters."""

from __future__ import annotations

import numpy as np

from blindspoon.compare.results import AttributeResult, MixedFit, NoResult
from blindspoon.panel.agreement import concordance, correlations, intraclass
from blindspoon.panel.cells import Cells, gather
from blindspoon.panel.discrimination import discrimination, interaction
from blindspoon.panel.order_effects import Sittings, carry_over, position_effect, seat
from blindspoon.panel.repeatability import control_pair, own_repeatability, repeatability
from blindspoon.panel.results import MOST_TASTERS, AttributePanel, Panel, TasterReview
from blindspoon.panel.usage import scale_use
from blindspoon.scores import FloatArray, IntArray, ScoreTable
from blindspoon.trial import Scale, Trial

TOO_MANY = NoResult(f"Not listed above {MOST_TASTERS} tasters.")


def study_panel(trial: Trial, table: ScoreTable, results: tuple[AttributeResult, ...]) -> Panel:
    r"""Study the tasters: scale use, repeatability, agreement, discrimination, order effects.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
        Its tasters are described under the labels that they have there.
    results : tuple of AttributeResult
        In the order of ``trial.attributes``; they tell whether a comparison allowed for places.

    Notes
    -----
    The terms are those of ISO 11132 and ISO 8586; docs/reference/measures.md has every formula. The
    cost is linear in the scores.

    Examples
    --------
    >>> from blindspoon.compare.family import compare_trial
    >>> from blindspoon.delimited import read_table
    >>> from blindspoon.scores import build_table
    >>> from blindspoon.trial_file import parse_trial
    >>> trial = parse_trial('''
    ... trial = { title = "Crisp cucumbers", control = "plain" }
    ... scale = { low = 0, high = 10 }
    ... attribute = [{ name = "texture" }]
    ... variant = [{ name = "plain" }, { name = "oak" }, { name = "dill" }]
    ... ''')
    >>> rows = b"taster,variant,texture\nT1,plain,5\nT1,oak,7\nT1,dill,6\n"
    >>> rows += b"T2,plain,3\nT2,oak,8\nT2,dill,3\n"
    >>> table, _ = build_table(trial, [read_table(rows, "scores.csv")])
    >>> (texture,) = study_panel(trial, table, compare_trial(trial, table)).attributes
    >>> round(texture.concordance.w, 2), texture.repeatability.reason
    (0.93, 'No taster scored a variant twice.')
    """
    sittings = seat(table)
    return Panel(
        tasters=len(table.tasters),
        attributes=tuple(
            _attribute(trial, table, index, result, sittings)
            for index, result in enumerate(results)
        ),
    )


def _attribute(
    trial: Trial, table: ScoreTable, index: int, result: AttributeResult, sittings: Sittings
) -> AttributePanel:
    given, scale = table.scores[:, index], trial.attributes[index].scale
    scored = np.isfinite(given)
    score, taster, variant = given[scored], table.taster[scored], table.variant[scored]
    cells = gather(score, taster, variant, len(table.tasters), len(trial.variants))
    names = tuple(each.name for each in trial.variants)
    position, first = position_effect(given, table.variant, len(names), sittings)
    return AttributePanel(
        attribute=result.attribute,
        primary=result.primary,
        scale_use=scale_use(score, scale),
        repeatability=repeatability(cells, table, scored),
        controls=control_pair(given, table, trial.control_index),
        concordance=concordance(cells.complete),
        intraclass=intraclass(cells.complete),
        interaction=interaction(cells, score, taster, variant),
        position=position,
        first_cup=first,
        position_in_model=isinstance(result.mixed, MixedFit) and result.mixed.note.position,
        carry_over=carry_over(given, table.variant, names, sittings),
        tasters=_reviews(table, cells, score, taster, scale),
    )


def _reviews(
    table: ScoreTable, cells: Cells, score: FloatArray, taster: IntArray, scale: Scale
) -> tuple[TasterReview, ...] | NoResult:
    if len(table.tasters) > MOST_TASTERS:
        return TOO_MANY
    with_others = correlations(cells)
    reviews = []
    for place, label in enumerate(table.tasters):
        use = scale_use(score[taster == place], scale)
        if isinstance(use, NoResult):
            continue
        reviews.append(
            TasterReview(
                taster=label,
                scale_use=use,
                repeatability_sd=own_repeatability(cells, place),
                repeatability_df=int(cells.df[place]),
                correlation=with_others[place],
                discrimination=discrimination(cells, place),
            )
        )
    return tuple(reviews)
