"""What a trial found, as pandas frames: for notebooks, and for the second opinion."""

from __future__ import annotations

import numpy as np
import pandas as pd

from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial


def scores_frame(trial: Trial, table: ScoreTable) -> pd.DataFrame:
    """Lay out the scores, a row a cup in the order of the files.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable

    Returns
    -------
    DataFrame
        Columns session, taster, variant and batch (text; batch missing where none is named),
        position (a whole number, missing where it is not known) and one a attribute, in points,
        NaN where nobody gave a score.
    """
    labels = {
        "session": (table.sessions, table.session),
        "taster": (table.tasters, table.taster),
        "variant": ([variant.name for variant in trial.variants], table.variant),
        "batch": ([*table.batches, None], table.batch),  # -1 is the last: none is named
    }
    columns = {name: np.array(texts, object)[place] for name, (texts, place) in labels.items()}
    position = pd.Series(table.position, dtype="Int64").where(table.position > 0)
    scores = zip((attribute.name for attribute in trial.attributes), table.scores.T, strict=True)
    return pd.DataFrame({**columns, "position": position, **dict(scores)})
