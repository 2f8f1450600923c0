"""Trials written as CSV, so that one without some rows is read from the start."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest

from blindspoon.files.text_table import FolderTables, read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.compare import compare_trial
from blindspoon.findings.comparison import AttributeResult
from blindspoon.findings.sensitivity import Influence, study_influence
from blindspoon.scores.score_table import ScoreTable, build_table
from blindspoon.trial import Trial

VARIANTS = ("plain", "oak", "vine", "clay")
ATTRIBUTES = ("texture", "salt")
TOML = """
trial = { title = "Crisp cucumbers", control = "plain", seed = 7 }
decision = { declared = 2026-09-04, primary = ["texture"], by = "mixed", margin = 1 }
scale = { low = 0, high = 10 }
variant = [{ name = "plain" }, { name = "oak" }, { name = "vine" }, { name = "clay" }]
[[attribute]]
name = "texture"
less = "softer"
more = "crisper"
[[attribute]]
name = "salt"
"""


@dataclass(frozen=True)
class Cups:
    """A trial as rows: session, taster, place, variant, and a score an attribute."""

    rows: tuple[tuple[int, int, int, int, float, float], ...]
    by: str = "mixed"
    placed: bool = False

    def without(self, column: int, value: int) -> Cups:
        return replace(self, rows=tuple(row for row in self.rows if row[column] != value))

    @property
    def trial(self) -> Trial:
        return parse_trial(TOML.replace("mixed", self.by))

    @property
    def table(self) -> ScoreTable:
        place = "position," if self.placed else ""
        lines = [f"session,taster,{place}variant,{','.join(ATTRIBUTES)}"]
        for session, taster, at, variant, *scores in self.rows:
            cells = [str(session), f"T{taster:02}", *([str(at)] if self.placed else [])]
            cells += [VARIANTS[variant], *("" if np.isnan(s) else f"{s:g}" for s in scores)]
            lines.append(",".join(cells))
        return build_table(
            self.trial, FolderTables(scores=(read_table("\n".join(lines).encode(), "scores.csv"),))
        )[0]

    def judged(self, *, balanced: bool | None = None) -> tuple[AttributeResult, ...]:
        """The results of a trial read and compared from the start."""
        table = self.table
        if balanced is not None:
            table = replace(table, balanced=balanced)
        return compare_trial(self.trial, table)

    @cache  # noqa: B019 - a few small panels, and none of them changes
    def study(self) -> tuple[tuple[AttributeResult, ...], Influence]:
        trial, table = self.trial, self.table
        results = compare_trial(trial, table)
        return results, study_influence(trial, table, results)


@pytest.fixture(scope="session")
def cups() -> type[Cups]:
    return Cups


@pytest.fixture(scope="session")
def panel() -> Callable[..., Cups]:
    """Draw a trial in which oak is crisper; the second attribute tells nothing."""

    def draw(tasters, sessions=1, *, seed=1, effect=1.2, missing=0.0, noise=1.0, **options) -> Cups:
        rng = np.random.default_rng(seed)
        habit = rng.normal(0, 1, tasters)
        rows = []
        for session in range(1, sessions + 1):
            for taster in range(tasters):
                turned = np.roll([0, 1, 3, 2], taster + session)  # a place for each, in turn
                for place, variant in enumerate(turned.tolist(), 1):
                    raw = 5 + habit[taster] + noise * rng.normal(size=2)
                    raw[0] += effect * (variant == 1)
                    scores = np.round(2 * raw) / 2
                    scores[rng.random(2) < missing] = np.nan
                    rows.append((session, taster, place, variant, *np.clip(scores, 0, 10)))
        return Cups(tuple(rows), **options)

    return draw
