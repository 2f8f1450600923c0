"""Folders that were right, damaged at random: each is a table or problems, never another error."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blindspoon.errors import Problem, TrialError
from blindspoon.files.trial_folder import read_folder
from blindspoon.scores.score_table import build_table, check_scores

CELLS = st.sampled_from(
    ["", " ", "0", "-1", "11", "7,5", "7.5", "1e999", "nan", "T01", "T99", "037", "37", "plain",
     "oak", "1", "2", '"', "\0", "\n", "a\nb", "\u2028", "x" * 100, "\u00e9", "1_0", "\u0663"]
)  # fmt: skip
BYTES = st.sampled_from(list(b'\x00\xff\n\r\t,;"[]=0a#\\\xef')) | st.integers(0, 255)

RELAXED = {"deadline": None, "suppress_health_check": [HealthCheck.function_scoped_fixture]}


def lines_of(data: bytes) -> list[bytes]:
    return data.splitlines(keepends=True)


def on_bytes(draw, data: bytes) -> bytes:
    place = draw(st.integers(0, max(len(data) - 1, 0)))
    change = draw(st.sampled_from(["byte", "truncate", "blank", "mark", "tail"]))
    tails = [b"\n\n", b",,,\n", b";\n", b'"', b"\x1a", b",,,,,,,,9"]
    return {
        "byte": data[:place] + bytes([draw(BYTES)]) + data[place + 1 :],
        "truncate": data[:place],
        "blank": b"",
        "mark": b"\xef\xbb\xbf" + data,
        "tail": data + draw(st.sampled_from(tails)),
    }[change]


def on_dialect(draw, data: bytes) -> bytes:
    separator = draw(st.sampled_from([b";", b"\t", b"|", b" ", b", "]))
    encoding = draw(st.sampled_from(["utf-16", "utf-16-le", "utf-32", "utf-8-sig", "latin-1"]))
    end = draw(st.sampled_from([b"\r\n", b"\r", b"\n\n", b""]))
    text = data.decode("utf-8", "replace")
    return draw(
        st.sampled_from(
            [
                data.replace(b",", separator),
                text.encode(encoding, "replace"),
                data.replace(b"\n", end),
                data.replace(b",", b";").replace(b".", b","),
            ]
        )
    )


def on_lines(draw, data: bytes) -> bytes:
    lines = lines_of(data) or [b""]
    line = draw(st.integers(0, len(lines) - 1))
    changes = [
        lines[:line] + lines[line + 1 :],
        [*lines[: line + 1], lines[line], *lines[line + 1 :]],
        [*lines[line:], *lines[:line]],
        [*lines[:line], b"\n", *lines[line:]],
    ]
    return b"".join(draw(st.sampled_from(changes)))


def on_cells(draw, data: bytes) -> bytes:
    rows = [line.rstrip(b"\n").split(b",") for line in lines_of(data) or [b""]]
    column = draw(st.integers(0, len(rows[0]) - 1))
    change = draw(st.sampled_from(["cell", "cell", "drop", "double", "column"]))
    if change == "cell":
        row = rows[draw(st.integers(0, len(rows) - 1))]
        row[min(column, len(row) - 1)] = draw(CELLS).encode()
    elif change == "drop":
        rows = [row[:column] + row[column + 1 :] for row in rows]
    elif change == "double":
        rows = [row[: column + 1] + row[column:] for row in rows]
    else:
        cell = draw(CELLS).encode()
        rows[1:] = [[*row[:column], cell, *row[column + 1 :]] for row in rows[1:]]
    return b"\n".join(b",".join(row) for row in rows) + b"\n"


@st.composite
def damage(draw, data: bytes) -> bytes:
    """One accident to a file."""
    return draw(st.sampled_from([on_bytes, on_dialect, on_lines, on_cells, on_cells]))(draw, data)


@st.composite
def damaged(draw, files: dict[str, bytes]) -> dict[str, bytes]:
    files = dict(files)
    for _ in range(draw(st.integers(1, 3))):
        name = draw(st.sampled_from(sorted(files)))
        if draw(st.integers(0, 15)) == 0 and len(files) > 1:
            del files[name]
        else:
            files[name] = draw(damage(files[name]))
    return files


def outcome(files: dict[str, bytes]):
    """Read a folder from disk; its table and notes, or its problems."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for name, data in files.items():
            (folder / name).parent.mkdir(exist_ok=True)
            (folder / name).write_bytes(data)
        try:
            text = read_folder(folder)
            trial = text.trial
            checked, _ = check_scores(trial, text.tables)
            table, _ = build_table(trial, text.tables)
        except TrialError as error:
            return error.problems
    assert checked == ()
    return trial, table


def assert_sensible(problems, files):
    assert problems
    for problem in problems:
        said = str(problem)
        assert all((problem.slug, problem.found, problem.allowed, problem.remedy))
        assert said.isprintable(), said
        assert not said.endswith("..")
        data = files.get(problem.file)
        if problem.line is not None:
            assert 1 <= problem.line <= len(data.replace(b"\r", b"\n").split(b"\n")) + 1


def assert_true_table(trial, table):
    n = table.taster.size
    assert n > 0
    assert np.isfinite(table.scores).any(axis=1).all()
    assert table.scores.shape == (n, len(trial.attributes))
    for place, attribute in enumerate(trial.attributes):
        column = table.scores[:, place]
        given_ = column[np.isfinite(column)]
        assert ((attribute.scale.low <= given_) & (given_ <= attribute.scale.high)).all()
    assert set(table.taster.tolist()) == set(range(len(table.tasters)))
    assert set(table.session.tolist()) == set(range(len(table.sessions)))
    assert set(table.batch.tolist()) - {-1} == set(range(len(table.batches)))
    assert (table.variant >= 0).all()
    assert (table.variant < len(trial.variants)).all()
    assert (table.position >= 0).all()


@pytest.fixture(params=["coded", "uncoded"])
def right(request):
    return request.getfixturevalue(request.param)


@given(data=st.data())
@settings(**RELAXED)
def test_a_damaged_folder_is_a_table_or_problems(right, data):
    files = data.draw(damaged(right))
    found = outcome(files)
    if isinstance(found[0], Problem):
        assert_sensible(found, files)
    else:
        assert_true_table(*found)


@given(data=st.data())
@settings(**RELAXED)
def test_a_lost_row_is_never_lost_silently(coded, data):
    name = data.draw(st.sampled_from(["scores.csv", "ballots/1-T03.csv"]))
    lines = lines_of(coded[name])
    rows = [k for k, line in enumerate(lines) if k and line.startswith(b"1,") and b'"' not in line]
    lost = data.draw(st.sampled_from(rows))
    coded = coded | {name: b"".join(lines[:lost] + lines[lost + 1 :])}
    _, table = outcome(coded)
    assert table.taster.size == 8
    assert [entry.file for entry in table.left_out] == ["servings.csv"]
