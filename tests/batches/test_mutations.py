"""Whatever stands in the tables, it is read, or every problem is named; nothing is raised."""

from __future__ import annotations

from hypothesis import event, given
from hypothesis import strategies as st

from blindspoon.batches.cautions import caution, cautions
from blindspoon.batches.differences import amounts, what_differs
from blindspoon.batches.log import build_log
from blindspoon.batches.strengths import strengths
from blindspoon.batches.summary import remarks, softened, what_to_add
from blindspoon.errors import ScoreError
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_toml import parse_trial

TRIAL = parse_trial(
    'trial = { title = "t", control = "plain" }\nscale = { low = 0, high = 10 }\n'
    'attribute = [{ name = "salt" }]\nsession = [{ name = "1", date = 2026-09-19 }]\n'
    'variant = [{ name = "plain" }, { name = "oak", differs = ["leaf", "age", "salt"] }]\n'
)
NUMBERS = ["0", "20", "18.9", "", "5"]
DAYS = ["2026-09-01", "2026-09-05", ""]
GOOD = {
    "batch": ["a", "b", "c", "d"],
    "variant": ["plain", "oak"],
    "date": ["2026-09-05", "2026-09-18"],
    "ph": ["3.6", "5", "4.6", ""],
    **{f"{name}_g": NUMBERS for name in ("salt", "acid", "sugar")},
    **{name: ["600", "400", "1e-3", ""] for name in ("produce_g", "water_g")},
    **dict.fromkeys(("temperature_c", "temperature_f", "brix", "cut_mm"), NUMBERS),
    **dict.fromkeys(("started", "finished"), DAYS),
    "acid": ["vinegar 5 %", "vinegar", "none", "citric acid", "whey", ""],
    "vessel": ["clip jar", "crock", ""],
    "leaf": ["none", "oak", "2", ""],
    "note": ["", "mould"],
    "salt_oz": [""],
    "salt_tbsp": [""],
}
WILD = sorted({text for texts in GOOD.values() for text in texts} | {"-1", "1e6", "46", "x"})


@st.composite
def tables(draw, columns, first):
    more = draw(st.lists(st.sampled_from(columns), max_size=9, unique=True))
    names = [*first, *(name for name in more if name not in first)]
    wild = draw(st.booleans())
    rows = [
        [draw(st.sampled_from(WILD if wild else GOOD[name])) for name in names]
        for _ in range(draw(st.integers(0, 4)))
    ]
    if not wild:
        rows = list({row[0]: row for row in rows}.values()) if "date" not in names else rows
    return "\n".join(",".join(row) for row in [names, *rows]).encode()


def logged(batches, readings):
    try:
        return build_log(TRIAL, batches, readings)[0], ()
    except ScoreError as error:
        return None, error.problems


@given(
    batches=tables([*GOOD], ["batch", "variant"]),
    readings=tables(["ph", "temperature_c", "brix", "note"], ["batch", "date"]),
)
def test_nothing_is_raised_and_nothing_is_lost(batches, readings):
    pair = read_table(batches, "batches.csv"), read_table(readings, "readings.csv")
    log, problems = logged(*pair)
    assert all(problem.line or problem.column for problem in problems)
    event("problems" if problems else "sound")
    if problems:
        return
    assert len(log.batches) == len(pair[0])
    assert sum(map(len, log.readings.values())) == len(pair[1])
    said = [softened("x.", "different", each) for each in what_differs(TRIAL, log)]
    said += [text for each in what_differs(TRIAL, log) for text in remarks(TRIAL, each)]
    said += [what_to_add(TRIAL, each) for each in amounts(TRIAL, log)]
    said += [caution(each) for each in cautions(log)]
    assert all(text.endswith(".") for text in said)
    assert not any("nan" in text.split() or "None" in text for text in said)
    assert len(strengths(log)) == len(log.batches)
