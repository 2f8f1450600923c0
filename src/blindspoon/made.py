"""What was made, put together: strengths, what else differs, cautions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from blindspoon import blame, care, wording
from blindspoon.batches.amounts import Amounts, NoAmounts, amounts
from blindspoon.batches.cautions import Caution, cautions
from blindspoon.batches.differences import Together, WhatDiffers, moving_together, what_differs
from blindspoon.batches.log import BatchLog
from blindspoon.batches.read import build_log
from blindspoon.batches.strengths import Strengths, strengths
from blindspoon.errors import Note
from blindspoon.tables import TextTable
from blindspoon.trial import Trial
from blindspoon.verdict import Verdict

Record = dict[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """Everything that batches.csv and readings.csv tell of a trial.

    Parameters
    ----------
    log : BatchLog
    strengths : tuple of Strengths
        One a batch.
    amounts : tuple of Amounts or NoAmounts
        What brings each batch to the control's salt and acid.
    differs : tuple of WhatDiffers
        One a variant that is not the control.
    together : tuple of Together
        Factors that change together over the whole trial.
    cautions : tuple of Caution
    """

    log: BatchLog
    strengths: tuple[Strengths, ...]
    amounts: tuple[Amounts | NoAmounts, ...]
    differs: tuple[WhatDiffers, ...]
    together: tuple[Together, ...]
    cautions: tuple[Caution, ...]

    def to_record(self) -> Record:
        """Give everything but the log, ready for JSON."""
        return {
            name: [each.to_row() for each in getattr(self, name)]
            for name in ("strengths", "amounts", "differs", "together", "cautions")
        }


def make_up(
    trial: Trial,
    batches: TextTable | None,
    readings: TextTable | None,
    cups: Sequence[TextTable | None] = (),
) -> tuple[Made | None, tuple[Note, ...]]:
    """Read what was made, and work out what follows from it.

    Parameters
    ----------
    trial : Trial
    batches, readings : TextTable or None
        None where there is no such file.
    cups : sequence of TextTable or None
        Tables whose column ``batch`` names what was tasted.

    Returns
    -------
    made : Made or None
        None where there is no batches.csv, or it has no rows yet.
    notes : tuple of Note

    Raises
    ------
    ScoreError
        With every problem of these tables.
    """
    if batches is None or not (len(batches) or batches.problems):
        return None, ()
    log, notes = build_log(trial, batches, readings, [table for table in cups if table])
    made = Made(
        log=log,
        strengths=strengths(log),
        amounts=amounts(trial, log),
        differs=what_differs(trial, log),
        together=moving_together(trial, log),
        cautions=cautions(log),
    )
    return made, notes


def soften(verdicts: tuple[Verdict, ...], made: Made | None) -> tuple[Verdict, ...]:
    """Say beside each verdict what else set its batch apart from the control's."""
    if made is None:
        return verdicts
    what = {each.variant: each for each in made.differs}
    return tuple(
        replace(each, because=blame.softened(each.because, each.kind, what.get(each.variant)))
        for each in verdicts
    )


def differences_in_words(trial: Trial, made: Made) -> Iterator[str]:
    """Say of each variant what it was meant to differ in, and what else differed; sentences."""
    for what in made.differs:
        label = f"“{trial.variant(what.variant).label}”"
        if what.batches and what.control_batches:
            declared = [blame.in_words(each) for each in what.differences if each.declared]
            meant = f"as declared, {wording.listing(declared)}; " if declared else ""
            also = blame.also_differed(what) or "nothing else that was written down differs"
            yield f"{label}: {meant}{also}."
        yield from blame.remarks(trial, what)
    yield from (blame.inseparable(trial, each) for each in made.together)


def cautions_in_words(made: Made | None) -> tuple[tuple[str, str], ...]:
    """Give each caution and its sources."""
    found = () if made is None else made.cautions
    return tuple((care.caution(each), care.sources(each)) for each in found)


def weakened(trial: Trial, made: Made | None, verdicts: tuple[Verdict, ...]) -> str:
    """Name the variants found different whose batches also differed otherwise; a sentence.

    Blank where there is none.
    """
    found = {each.variant for each in verdicts if each.kind in ("different", "slight")}
    named = [
        f"“{trial.variant(what.variant).label}” in "
        + wording.listing(blame.factor_name(each.factor) for each in what.undeclared)
        for what in (made.differs if made else ())
        if what.undeclared and what.variant in found
    ]
    return f"Not only the method differed: {wording.listing(named)} too." if named else ""
