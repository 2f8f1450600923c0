"""Kitchens made from scores in memory; nothing in them was tasted by anybody."""

from __future__ import annotations

import numpy as np
import pytest

from blindspoon.files.text_table import FolderTables, read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.compare import compare_trial
from blindspoon.findings.pool_checks import Kitchen
from blindspoon.scores.score_table import build_table
from blindspoon.scores.standing import Standing

RULE = 'decision = { declared = 2026-09-04, primary = ["texture"], margin = 1.0 }'
SCALE = "scale = { low = 0, high = 10 }"


def trial_text(variants, attributes, control, rule, scale):
    names = ", ".join(f'{{ name = "{name}" }}' for name in variants)
    scored = ", ".join(
        f'{{ name = "{name}", low = "soft", high = "crisp" }}' for name in attributes
    )
    head = f'trial = {{ title = "Crisp", control = "{control}", seed = 7 }}'
    return f"{head}\n{rule}\n{scale}\nattribute = [{scored}]\nvariant = [{names}]\n"


def build(
    name,
    *,
    variants=("plain", "oak", "cool"),
    attributes=("texture",),
    shifts=(0.0, 2.0, 0.0),
    tasters=8,
    seed=1,
    control="plain",
    rule=RULE,
    scale=SCALE,
    blank=(),
    noise=0.6,
):
    """A kitchen whose tasters score every variant once; `blank` variants have no score."""
    rng = np.random.default_rng(seed)
    text = trial_text(variants, attributes, control, rule, scale)
    scores = 4 + rng.normal(size=(tasters, 1, 1)) + np.array(shifts)[None, :, None]
    scores = scores + noise * rng.normal(size=(tasters, len(variants), len(attributes)))
    lines = [",".join(("taster", "variant", *attributes))]
    for taster in range(tasters):
        for place, variant in enumerate(variants):
            cells = ["" if variant in blank else f"{s:.2f}" for s in scores[taster, place].clip(0)]
            lines.append(",".join((f"T{taster + 1:02d}", variant, *cells)))
    trial = parse_trial(text)
    tables = FolderTables(scores=(read_table("\n".join(lines).encode(), "scores.csv"),))
    table, _ = build_table(trial, tables)
    return Kitchen(
        name=name, folder=name, fingerprint=f"{name}-{seed}", trial=trial, table=table,
        results=compare_trial(trial, table), made=None, notes=(), standing=Standing(),
        tables=tables,
    )  # fmt: skip


@pytest.fixture(scope="session")
def kitchen():
    """Build a kitchen from what is special in it."""
    return build


@pytest.fixture(scope="session")
def three():
    """Three kitchens of eight tasters that find much the same."""
    return [build(name, seed=seed) for seed, name in enumerate(("mill", "harbour", "hilltop"))]
