"""Refits without one taster, without one session, and by other methods."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from blindspoon.compare.results import AttributeResult, MixedFit, NoResult
from blindspoon.influence.judging import Study, declare, judged
from blindspoon.influence.results import Alternative, Influence, Name, NotDone, Outcome, Word
from blindspoon.scores import ScoreTable
from blindspoon.tables import BoolArray
from blindspoon.trial import Trial
from blindspoon.verdict import Verdict, deciding

if TYPE_CHECKING:
    from blindspoon.compare.ordinal import OrdinalContrast, OrdinalFit

MOST_TASTERS = 60
"""Tasters up to whom each is left out in turn; one of so many carries little of the answer."""

MOST_REFITS = 480
"""Refits of one attribute for all tasters, or all sessions; one takes a few milliseconds."""

MOST_SCORES = 4_000_000
"""Scores that one kind of alternative may refit in all; a million take about half a second."""


def study_influence(
    trial: Trial,
    table: ScoreTable,
    results: tuple[AttributeResult, ...],
    verdicts: tuple[Verdict, ...],
) -> Influence:
    """Judge every comparison again without one taster, without one session, and by other methods.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
    results : tuple of AttributeResult
        From `compare_trial`.
    verdicts : tuple of Verdict
        From `judge`, one a comparison.

    Returns
    -------
    Influence
        Without a taster or a session only the procedure that decides is made again, with the
        same model and the same chance. What would take too long is not done, and says so.

    Notes
    -----
    Leaving out one case at a time to see what an answer hangs on: R. D. Cook (1977),
    Technometrics 19:15-18. Where ranks decide and flips are sampled, a tenth of the samples is
    looked at first, and all of them where a verdict would change or an adjusted p value comes
    within four standard errors of alpha.
    """
    study = Study(trial, table, results, declare(trial, results, verdicts))
    fits = tuple((each.attribute, _ordinal(study, each)) for each in study.compared)
    made = (
        *_without_tasters(study),
        *_without_sessions(study),
        _other_procedure(study),
        _as_categories(study, fits),
        _without_position(study),
    )
    return Influence(
        declared=tuple(study.declared.values()),
        alternatives=tuple(each for each in made if isinstance(each, Alternative)),
        not_done=tuple(each for each in made if isinstance(each, NotDone)),
        ordinal=fits,
        variants=tuple(variant.name for variant in trial.variants),
    )


def _without_tasters(study: Study) -> Iterator[Alternative | NotDone]:
    present = np.unique(study.table.taster).tolist()
    reason = _too_many_tasters(study, len(present))
    if reason:
        yield NotDone(name="taster", reason=reason)
        return
    for taster in present:
        rows = study.table.taster != taster
        yield _left_out(study, "taster", study.table.tasters[taster], rows)


def _left_out(study: Study, name: Name, left_out: str, rows: BoolArray) -> Alternative:
    """Judge every attribute of some of the rows by the procedure that decides."""
    table = only(study.table, rows)
    outcomes = [outcome for each in study.compared for outcome in study.again(table, each)]
    return Alternative(name=name, left_out=left_out, outcomes=tuple(outcomes))


def _too_many_tasters(study: Study, tasters: int) -> str:
    if tasters < 2:
        return "There is one taster only, on whom everything hangs."
    refits = tasters * len(study.compared)
    if tasters > MOST_TASTERS:
        return (
            f"With {tasters:,} tasters one of them can hardly move an answer; each is left out in "
            f"turn up to {MOST_TASTERS} tasters."
        )
    return _too_much(study, refits)


def _too_much(study: Study, refits: int) -> str:
    """Say why so many refits of one attribute are too many, or return an empty string."""
    if refits <= MOST_REFITS and refits * study.table.taster.size <= MOST_SCORES:
        return ""
    return (
        f"It would take {refits:,} refits of {study.table.taster.size:,} cups; up to "
        f"{MOST_REFITS} refits, and {MOST_SCORES:,} cups in all, it is done."
    )


def _without_sessions(study: Study) -> Iterator[Alternative | NotDone]:
    present = np.unique(study.table.session).tolist()
    reason = _too_much(study, len(present) * len(study.compared))
    if len(present) < 2:
        reason = "There was one session only."
    elif any(each.unit == "round" for each in study.compared):
        reason = "Comparing the rounds of one taster again without each in turn takes too long."
    if reason:
        yield NotDone(name="session", reason=reason)
        return
    for session in present:
        rows = study.table.session != session
        yield _left_out(study, "session", study.table.sessions[session], rows)


def only(table: ScoreTable, rows: BoolArray) -> ScoreTable:
    """Keep some rows of a table; labels and what was planned stay.

    Parameters
    ----------
    table : ScoreTable
    rows : bool array, shape (n,)
    """
    return replace(
        table,
        taster=table.taster[rows],
        session=table.session[rows],
        variant=table.variant[rows],
        batch=table.batch[rows],
        position=table.position[rows],
        scores=table.scores[rows],
    )


def _other_procedure(study: Study) -> Alternative:
    """Take what the second procedure said already; where it has no result nothing changes."""
    outcomes = []
    for result in study.compared:
        for each in result.comparisons:
            contrast = each.ranks if deciding(study.trial, result) == "mixed" else each.mixed
            outcome = study.against(judged(result, each.variant, contrast))
            if isinstance(contrast, NoResult):
                outcome = replace(outcome, verdict=None, changed=False)
            outcomes.append(outcome)
    return Alternative(name="procedure", left_out="", outcomes=tuple(outcomes))


def _ordinal(study: Study, result: AttributeResult) -> OrdinalFit | NoResult:
    from blindspoon.compare.ordinal import compare_ordinal  # noqa: PLC0415 - start-up time

    scores = study.table.scores[:, study.index(result)]
    rows = (scores, study.table.taster, study.table.variant)
    return compare_ordinal(*rows, control=study.trial.control_index, alpha=result.alpha)


def _as_categories(
    study: Study, fits: tuple[tuple[str, OrdinalFit | NoResult], ...]
) -> Alternative | NotDone:
    reasons = [fit.reason for _, fit in fits if isinstance(fit, NoResult)]
    if len(reasons) == len(fits):
        reason = reasons[0] if reasons else "Nothing was compared."
        return NotDone(name="ordinal", reason=reason)
    outcomes = []
    for result, (_, fit) in zip(study.compared, fits, strict=True):
        found = {} if isinstance(fit, NoResult) else {each.variant: each for each in fit.contrasts}
        places = {variant.name: at for at, variant in enumerate(study.trial.variants)}
        for each in result.comparisons:
            contrast = found.get(places[each.variant])
            reason = fit.reason if isinstance(fit, NoResult) else "Nobody scored this variant."
            outcomes.append(_as_category(study, result, each.variant, contrast, reason))
    return Alternative(name="ordinal", left_out="", outcomes=tuple(outcomes))


def _as_category(
    study: Study,
    result: AttributeResult,
    variant: str,
    contrast: OrdinalContrast | None,
    reason: str,
) -> Outcome:
    """Say whether ordered categories show a difference; they cannot show that there is none."""
    differs = contrast is not None and contrast.p_adjusted <= result.alpha
    direction = int(np.sign(contrast.log_odds)) if contrast is not None and differs else 0
    verdict: Word | None = "different" if differs else "not_shown"
    return Outcome(
        attribute=result.attribute,
        variant=variant,
        verdict=None if contrast is None else verdict,
        direction=direction,
        difference=None,
        p_adjusted=None if contrast is None else contrast.p_adjusted,
        changed=contrast is not None
        and direction != study.declared[result.attribute, variant].direction,
        reason="" if contrast is not None else reason,
    )


def _without_position(study: Study) -> Alternative | NotDone:
    """Fit the mixed model without the place of the cup, where it was in the model."""
    if any(deciding(study.trial, each) == "ranks" for each in study.compared):
        reason = "The rank comparison decides, and the place of a cup has no part in it."
        return NotDone(name="position", reason=reason)
    placed = [
        each
        for each in study.compared
        if isinstance(each.mixed, MixedFit) and each.mixed.note.position
    ]
    reason = "The place of a cup was not in the model." if not placed else ""
    reason = reason or _too_much(study, len(placed))
    if reason:
        return NotDone(name="position", reason=reason)
    outcomes = [
        outcome for each in placed for outcome in study.by_mixed(study.table, each, position=False)
    ]
    return Alternative(name="position", left_out="", outcomes=tuple(outcomes))
