"""Rows of text -> one table of scores, checked, typed and with the blind lifted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blindspoon.arrays import FloatArray, IntArray
from blindspoon.errors import Note, Problem, Rule, ScoreError
from blindspoon.files.text_table import FolderTables, TextColumn
from blindspoon.scores.crosscheck import Cups, number_rows, strays
from blindspoon.scores.ledger import Ledger, open_ledger
from blindspoon.scores.sets import ChoiceTable, judge_picks, set_notes
from blindspoon.trial import Trial

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """What a taster wrote beside a cup."""

    session: str
    taster: str
    variant: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreTable:
    """Every scored serving of a trial, one row each; n servings.

    - `taster`, `session`, `variant`, `batch`, shape (n,): positions in the labels and
      ``Trial.variants``; -1 where no batch is named
    - `position`, shape (n,): place of the cup in its taster's session, from 1; 0 if not known
    - `scores`, shape (n, n_attributes): NaN where no score was given
    - `balanced`: whether every taster was to get every variant that was served, each as often as
      anyone, in each of their sessions, with positions known and each variant in each position
      equally often, give or take one a cup of it, within each session
    - `left_out`: what takes no part in the comparison, and why, in the order of the files
    - `accepted`, shape (n,): 1 where the taster would have it, 0 where not, NaN where that was not
      answered; None where it was not asked
    """

    tasters: tuple[str, ...]
    sessions: tuple[str, ...]
    taster: IntArray
    session: IntArray
    variant: IntArray
    batch: IntArray
    batches: tuple[str, ...]
    position: IntArray
    scores: FloatArray
    coded: bool
    balanced: bool
    remarks: tuple[Remark, ...]
    left_out: tuple[Note, ...]
    choices: ChoiceTable | None = None
    accepted: FloatArray | None = None

    def batches_tasted(self, variants: int) -> IntArray:
        named = self.batch >= 0
        pairs = self.variant[named] * len(self.batches) + self.batch[named]
        tasted = np.bincount(pairs, minlength=variants * len(self.batches)) > 0
        counts: IntArray = tasted.reshape(variants, len(self.batches)).sum(axis=1)
        return counts

    def to_frame(self, trial: Trial) -> pd.DataFrame:
        """Lay out the scores, a row a cup; see `api.TrialFolder.scores`."""
        import pandas as pd  # noqa: PLC0415 - only where a frame is asked for

        columns = {
            name: pd.Series(np.array(texts, object)[place], dtype="str")
            for name, texts, place in (
                ("session", self.sessions, self.session),
                ("taster", self.tasters, self.taster),
                ("variant", [variant.name for variant in trial.variants], self.variant),
                ("batch", [*self.batches, None], self.batch),  # -1 is the last: none is named
            )
        }
        position = pd.Series(self.position, dtype="Int64").where(self.position > 0)
        scores = zip((attribute.name for attribute in trial.attributes), self.scores.T, strict=True)
        return pd.DataFrame({**columns, "position": position, **dict(scores)})


def unblind(cups: Cups, key: Cups, variants: Sequence[str]) -> tuple[IntArray, TextColumn]:
    """Look up what was in each cup. Nothing else lifts the blind.

    All codes are in the key, and `variants` those of the trial in their order. Gives the position
    in them of each cup, and its batch, blank where the key names none; shape (n,) both.
    """
    rows = cups.match(key)
    places = key.tables[0].columns["variant"].places_in(variants)
    return places[rows], TextColumn(key.batch.texts, key.batch.codes[rows])


def check_scores(
    trial: Trial, tables: FolderTables
) -> tuple[tuple[Problem, ...], tuple[Note, ...]]:
    """Say everything that can be said before the blind is lifted.

    Of the key only its own columns are checked, that it knows the codes that are served, and that
    the cups of a set belong together.
    """
    ledger = open_ledger(trial, tables)
    if ledger.problems:
        return ledger.problems, (*ledger.notes, *ledger.absences)
    table, problems = _choices(trial, ledger)
    known = () if table is None or problems else set_notes(trial, table)
    return tuple(problems), (*ledger.notes, *ledger.absences, *known)


def build_table(trial: Trial, tables: FolderTables) -> tuple[ScoreTable, tuple[Note, ...]]:
    """Check the tables of a trial and lift the blind: the only way to a `ScoreTable`.

    The notes are what is worth knowing and is not in ``table.left_out``. Raises ScoreError with
    every problem of all tables.
    """
    ledger = open_ledger(trial, tables)
    problems = ledger.problems
    if ledger.coded and ledger.key is None and (ledger.picks or len(ledger.scored)):
        found = "the scores are for codes, and there is no key.csv"
        problems = (*problems, _NO_KEY.broken(found, "key.csv"))
    chosen, wrong = (None, []) if problems else _choices(trial, ledger)
    if problems or wrong:
        raise ScoreError(problems or wrong)
    scored, plan = ledger.scored, ledger.plan
    served = scored if plan is None else plan
    variant, batch = _contents(trial, ledger, served)
    cup = np.arange(len(scored)) if plan is None else scored.match(plan)
    given = np.asarray(np.isfinite(ledger.points).any(axis=1))
    given &= ~strays(batch, variant)[cup]
    if trial.attributes and not given.any():
        found = "no cup that names its batch has a score"
        raise ScoreError([_NO_NAMED.broken(found, "key.csv")])
    taster, session = (
        column if given.all() else column.keep(given) for column in (scored.taster, scored.session)
    )
    batches = TextColumn(batch.texts, batch.codes[cup]).keep(given)
    named = np.array([bool(text) for text in batches.texts], np.bool_)
    table = ScoreTable(
        tasters=taster.texts,
        sessions=session.texts,
        taster=taster.codes,
        session=session.codes,
        variant=variant[cup][given],
        batch=np.where(named, np.cumsum(named) - 1, -1)[batches.codes],
        batches=tuple(text for text in batches.texts if text),
        position=served.position[cup][given],
        scores=ledger.points[given],
        coded=ledger.coded,
        balanced=_is_balanced(served, variant),
        remarks=tuple(_remarks(trial, scored, variant[cup])),
        left_out=(*ledger.absences, *_never_tasted(trial, variant[cup][given])),
        choices=chosen,
        accepted=ledger.accepted[given] if trial.course and trial.course.accept else None,
    )
    return table, ledger.notes


_NO_NAMED = Rule(
    "no-scores",
    "cups without a batch are left out beside others of their variant that name theirs",
    "Name the batch of the cups that were scored",
)


_NO_KEY = Rule(
    "missing-file",
    "key.csv says which variant a code stands for",
    'Put it back, or write it with "blind" before the tasting',
)


def _contents(trial: Trial, ledger: Ledger, served: Cups) -> tuple[IntArray, TextColumn]:
    variants = [variant.name for variant in trial.variants]
    if ledger.key is not None:
        return unblind(served, ledger.key, variants)
    return served.name.places_in(variants), served.batch


def _choices(trial: Trial, ledger: Ledger) -> tuple[ChoiceTable | None, list[Problem]]:
    """Say which answers to sets were right, and which sets are none."""
    if ledger.picks is None or ledger.key is None:
        return ledger.choices, []
    variant, _ = _contents(trial, ledger, ledger.picks.cups)
    return judge_picks(trial, ledger.picks, variant)


def _is_balanced(cups: Cups, variant: IntArray) -> bool:
    """Tell whether positions can be told apart from variants, as `ScoreTable.balanced` says."""
    there, variant = np.unique(variant, return_inverse=True)  # one never served changes nothing
    variants = there.size
    sittings, sitting = np.unique(number_rows(cups.session, cups.taster), return_inverse=True)
    served = np.bincount(sitting * variants + variant, minlength=sittings.size * variants)
    each = served[:variants]
    size = int(each.sum())
    known = (cups.position > 0) & (cups.position <= size)
    even = each.size and each.min() > 0 and (served.reshape(-1, variants) == each).all()
    if not (even and known.all()):
        return False
    places = (cups.session.codes * variants + variant) * size + cups.position - 1
    often = np.bincount(places, minlength=len(cups.session.texts) * variants * size)
    return bool((np.ptp(often.reshape(-1, variants, size), axis=2) <= each).all())


def _remarks(trial: Trial, scored: Cups, variant: IntArray) -> Iterator[Remark]:
    row = 0
    for table in scored.tables:
        comments = table.column("comment")
        for place in np.flatnonzero(comments.filled).tolist():
            session, taster, _ = scored.texts(row + place)
            yield Remark(
                session=session,
                taster=taster,
                variant=trial.variants[variant[row + place]].name,
                text=comments.at(place),
            )
        row += len(table)


def _never_tasted(trial: Trial, variant: IntArray) -> Iterator[Note]:
    for place, other in enumerate(trial.variants if trial.attributes else ()):
        if not (variant == place).any():
            yield Note(file="trial.toml", text=f"no cup of {other.name} has a score")
