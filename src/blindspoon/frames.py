"""What a trial found, as pandas frames: for notebooks, and for the second opinion."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial


def scores_frame(trial: Trial, table: ScoreTable) -> pd.DataFrame:
    """Lay out the scores, a row a cup; see `api.TrialFolder.scores`."""
    labels = {
        "session": (table.sessions, table.session),
        "taster": (table.tasters, table.taster),
        "variant": ([variant.name for variant in trial.variants], table.variant),
        "batch": ([*table.batches, None], table.batch),  # -1 is the last: none is named
    }
    columns = {
        name: pd.Series(np.array(texts, object)[place], dtype="str")
        for name, (texts, place) in labels.items()
    }
    position = pd.Series(table.position, dtype="Int64").where(table.position > 0)
    scores = zip((attribute.name for attribute in trial.attributes), table.scores.T, strict=True)
    return pd.DataFrame({**columns, "position": position, **dict(scores)})


def records_frame(
    records: Sequence[Mapping[str, Any]], columns: Sequence[str] = ()
) -> pd.DataFrame:
    """Lay out records as JSON has them, a row each; a nested field is named after its path.

    ``mixed.difference`` is column mixed_difference; the ends of the list ``mixed.interval`` are
    mixed_interval_low and mixed_interval_high. Where records may lack some, `columns` names all of
    them but the reasons.

    >>> records_frame([{"variant": "leaf", "mixed": {"interval": [0.5, 2.0]}}]).to_dict("records")
    [{'variant': 'leaf', 'mixed_interval_low': 0.5, 'mixed_interval_high': 2.0}]
    """
    frame = pd.json_normalize([_without_lists(record) for record in records], sep="_")
    reasons = (name for name in frame if name.endswith("_reason"))
    return frame.reindex(columns=[*columns, *reasons]) if columns else frame


def _without_lists(record: Mapping[str, Any]) -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for name, value in record.items():
        if isinstance(value, Mapping):
            flat[name] = _without_lists(value)
        elif isinstance(value, list) and len(value) == 2 and not isinstance(value[0], Mapping):
            flat[f"{name}_low"], flat[f"{name}_high"] = value
        else:
            flat[name] = value
    return flat
