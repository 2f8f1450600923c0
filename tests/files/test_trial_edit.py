"""Changes of trial.toml and of tables: what was asked for, and nothing else."""

from __future__ import annotations

import csv
import io
import random
import tomllib
from itertools import cycle
from pathlib import Path

import pytest

from blindspoon.errors import TrialFileError
from blindspoon.files import shipped
from blindspoon.files.edits import add, edit_table, put, take_out
from blindspoon.files.text_table import read_table

TRIALS = Path(__file__).parents[2] / "trials"
TEXTS = [
    shipped.text("starter/trial.toml").replace("{seed}", "3").replace("{today}", "2026-09-04"),
    *((path / "trial.toml").read_text("utf-8") for path in sorted(TRIALS.iterdir())),
]
TEXTS.append(f'{TEXTS[0]}\n[[session]]\nname = "late"  # listed where the file ends\n')
PLACES = ("trial.host", "trial.title", "decision.margin", "publish.address", "story.text")
TEXT = ['a "b"', "ü # x", "l\nm", "", " [x] "]


def comments(text):
    return [line for line in text.splitlines() if line.lstrip().startswith("#")]


def change(rng, text):
    """One change by chance, and the values that must come of it (by tomllib)."""
    kind = rng.choice(["variant", "attribute", "session"])
    wanted = tomllib.loads(text)
    rows, number = wanted.setdefault(kind, []), rng.randint(1, 3)
    match rng.choice(["add", "out", "put", "key"]):
        case "add":
            rows.append({"name": f"n{rng.randrange(99)}", "label": rng.choice(TEXT)})
            return add(text, kind, rows[-1]), wanted
        case "out" if number <= len(rows):
            del rows[number - 1]
            return take_out(text, kind, number), wanted
        case "put" if number <= len(rows):
            rows[number - 1]["label"] = rng.choice(TEXT)
            return put(text, f"{kind}[{number}].label", rows[number - 1]["label"]), wanted
        case _:
            section, key = rng.choice(PLACES).split(".")
            wanted.setdefault(section, {})[key] = rng.choice([*TEXT, 3.5, 7])
            return put(text, f"{section}.{key}", wanted[section][key]), wanted


@pytest.mark.parametrize(
    ("text", "ends"), [(TEXTS[0], "\r\n"), *zip(TEXTS, cycle(["\n", "\r\n"]), strict=False)]
)
def test_random_changes_leave_every_comment_and_value_else(text, ends):
    rng = random.Random(len(text))  # noqa: S311 - no secret
    text = text.replace("\n", ends)
    for _ in range(30):
        new, wanted = change(rng, text)
        assert {k: v for k, v in tomllib.loads(new).items() if v} == {
            k: v for k, v in wanted.items() if v
        }
        assert len(comments(new)) >= len(comments(text)) - 1  # one may become the line it offers
        assert ends == "\n" or "\n" not in new.replace("\r\n", "")
        text = new


def test_a_line_that_is_offered_is_used_and_a_remark_stays():
    text = put(TEXTS[0], "decision.declared", tomllib.loads("d = 2026-10-01")["d"])
    assert "\ndeclared = 2026-10-01        # when this is your rule" in text
    assert put(TEXTS[0], "trial.title", "New").count("\n") == TEXTS[0].count("\n")


def test_what_would_move_other_text_is_refused():
    text = 'trial.title = "x"\n[story]\ntext = """\n[decision]\n"""\n'
    with pytest.raises(TrialFileError, match="would move other text"):
        put(text, "decision.margin", 1)


CELLS = ["a", "b c", 'q"q', "x,y", "7,5", "", "ü", "l\nm", " pad ", "none"]


@pytest.mark.parametrize("seed", range(30))
def test_random_changes_of_tables_leave_every_other_cell(seed):
    rng = random.Random(seed)  # noqa: S311 - no secret
    separator, ends, names = rng.choice(",;\t"), rng.choice(["\n", "\r\n"]), ["batch", "ph", "note"]
    made = io.StringIO(newline="")
    writer = csv.writer(made, delimiter=separator, lineterminator=ends)
    writer.writerows([names, *[["jar", *rng.choices(CELLS, k=2)] for _ in range(4)]])
    data = rng.choice([b"", b"\xef\xbb\xbf"]) + made.getvalue().encode()
    new = edit_table(data, "t.csv", {(1, "note"): "mine"}, [{"batch": "last", "own": "x"}], [3])
    old = [row for _, row in read_table(data, "t.csv").rows()]
    old[1]["note"] = "mine"
    expected = [row | {"own": ""} for row in old[:3]]
    expected.append({"batch": "last", "ph": "", "note": "", "own": "x"})
    assert [row for _, row in read_table(new, "t.csv").rows()] == expected
    assert new[:3] == data[:3]
    assert edit_table(data, "t.csv", {}) == data


def test_a_blank_line_of_a_table_stays_and_is_no_row():
    data = b"sep=;\nbatch;ph\n\njar 1;3,9\n;\njar 2;4\n"
    changed = edit_table(data, "t.csv", {(1, "ph"): "3,8"}, [{"batch": "b"}], [0])
    assert changed == b"sep=;\nbatch;ph\n\n;\njar 2;3,8\nb;\n"
    with pytest.raises(TrialFileError, match="do not pair up"):
        edit_table(b'batch;ph\n"jar 1;3,9\n', "t.csv", {(0, "ph"): "4"})
