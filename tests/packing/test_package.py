"""The data of a trial as a Data Package that others can read, and compare again."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
from pathlib import Path

import jsonschema
import pandas
import pytest

from blindspoon.analysis import analyse, compose_report
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.packing.kit import kit_files
from blindspoon.packing.package import corrections_resource, data_package, results_package
from blindspoon.writeup.records import trial_record

TESTS = Path(__file__).parents[1]
TRIALS = sorted(path.parent for path in TESTS.parent.glob("trials/*/scores.csv"))
# Data Package 2.0, datapackage.org/profiles/2.0/datapackage.json, annotations left out.
PROFILE = json.loads((TESTS / "data" / "data_package_2_0_profile.json").read_text())


def packed(analysis, **changes):
    return data_package(analysis.trial, analysis.tables, folder=analysis.folder, **changes)


def written(files, folder):
    folder.mkdir()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return folder


@pytest.fixture(scope="module", params=TRIALS, ids=lambda folder: folder.name)
def analysis(request, analysis_of):
    return analysis_of(request.param.name)


def problems(descriptor):
    return [error.message for error in jsonschema.Draft7Validator(PROFILE).iter_errors(descriptor)]


def test_the_descriptor_fits_the_published_profile(analysis):
    descriptor = json.loads(packed(analysis)["datapackage.json"])
    assert not problems(descriptor)
    assert descriptor["$schema"].endswith("/2.0/datapackage.json")
    assert problems(descriptor | {"licenses": [{"title": "neither name nor path"}]})


def test_every_table_is_as_described(analysis):
    files = packed(analysis)
    for resource in json.loads(files["datapackage.json"])["resources"]:
        content = files[resource["path"]]
        assert resource["bytes"] == len(content)
        assert resource["hash"] == f"sha256:{hashlib.sha256(content).hexdigest()}"
        table = pandas.read_csv(io.BytesIO(content), dtype=str, keep_default_na=False)
        fields = resource["schema"]["fields"]
        assert list(table.columns) == [field["name"] for field in fields]
        for field in fields:
            check_column(table[field["name"]], field)
        key = resource["schema"].get("primaryKey")
        assert key is None or not table.duplicated(key).any()
        assert key or resource["name"] in ("readings", "corrections") or "code" not in table


@pytest.fixture(scope="module")
def results(analysis):
    """The tables of results, and their descriptor."""
    files = compose_report(analysis).files
    made = results_package(analysis.trial, files, folder=analysis.folder)
    return dict(files), json.loads(made["datapackage.json"])


def test_every_column_of_the_results_is_described_and_holds_what_it_says(results):
    files, descriptor = results
    assert not problems(descriptor)
    assert {f"tables/{resource['path']}" for resource in descriptor["resources"]} == {*files}
    for resource in descriptor["resources"]:
        content = files[f"tables/{resource['path']}"]
        table = pandas.read_csv(io.StringIO(content), dtype=str, keep_default_na=False)
        fields = resource["schema"]["fields"]
        assert list(table.columns) == [field["name"] for field in fields]
        for field in fields:
            assert len(field["description"]) > 5, field
            check_column(table[field["name"]], field)


def check_column(cells, field):
    """Read a column by its declared type with pandas, and hold it against its constraints."""
    told = cells[cells != ""]
    limits = field.get("constraints", {})
    if field["type"] in ("number", "integer"):
        numbers = pandas.to_numeric(told)
        assert (numbers >= limits.get("minimum", -1e9)).all()
        assert (numbers <= limits.get("maximum", 1e9)).all()
        assert field["type"] == "number" or (numbers % 1 == 0).all()
    elif field["type"] == "boolean":
        assert told.isin([*field["trueValues"], *field["falseValues"]]).all()
    elif field["type"] == "date":
        pandas.to_datetime(told, format="%Y-%m-%d")
    assert told.isin(limits["enum"]).all() if "enum" in limits else True


def test_the_folder_gives_the_same_comparison(analysis, tmp_path):
    again = analyse(written(packed(analysis), tmp_path / "data"))
    assert again.trial == analysis.trial
    assert trial_record(again)["comparisons"] == trial_record(analysis)["comparisons"]


def test_whether_they_would_have_it_goes_out_too(tmp_path):
    folder = shutil.copytree(TESTS.parent / "trials/carrot-days", tmp_path / "carrots")
    for name, put in (("trial.toml", "[course]\naccept = 'would_eat'"), ("scores.csv", "")):
        text = (folder / name).read_text(encoding="utf-8")
        head, *rows = text.splitlines()
        cells = "\n".join([f"{head},would_eat", *(f"{row},yes" for row in rows)])
        text = text.replace("[course]", put) if put else cells
        (folder / name).write_text(text, encoding="utf-8")
    analysis = analyse(folder)
    again = analyse(written(packed(analysis), tmp_path / "data"))
    assert again.table.accepted.tolist() == analysis.table.accepted.tolist()
    kit = kit_files(analysis.trial, analysis.table, analysis.made)
    assert kit["drawn/scores.csv"].splitlines()[0].endswith(b",would_eat,comment")


TRIAL = """
trial = { title = "Crisp | cucumbers", control = "plain", licence = "ask me first" }
scale = { low = -5, high = 5 }
attribute = [{ name = "texture" }]
variant = [{ name = "plain" }, { name = "oak" }]
"""


@pytest.fixture
def named(tmp_path):
    """Names, decimal commas, a formula in a comment and a column that the host kept for herself."""
    folder = tmp_path / "Named trial"
    folder.mkdir()
    (folder / "trial.toml").write_text(TRIAL)
    rows = ["taster;variant;texture;phone;comment"]
    for place, name in enumerate(("Ottoline", "Wenceslas", "Philippa")):
        rows.append(f"{name};plain;-1,5;0171 555;=1+1")
        rows.append(f"{name};oak;{place},25;0171 555;")
    (folder / "scores.csv").write_text("\n".join(rows))
    return analyse(folder)


def test_names_and_private_columns_stay_at_home(named, tmp_path):
    files = packed(named)
    whole = b"".join(files.values()).decode()
    for private in ("Ottoline", "Wenceslas", "Philippa", "0171"):
        assert private not in whole
    assert "-1.5,'=1+1" in files["scores.csv"].decode()
    assert analyse(written(files, tmp_path / "data")).results == named.results


def test_a_table_without_session_or_places_reads_as_the_others_do(tmp_path):
    (tmp_path / "trial.toml").write_text(TRIAL)
    head = "taster,session,variant,position,texture\n"
    first = "".join(f"T{t},1,plain,1,4\nT{t},1,oak,2,{t}\n" for t in range(3))
    more = "".join(f"T{t},plain,4\nT{t},oak,{t - 1}\n" for t in range(3, 6))
    (tmp_path / "scores.csv").write_text(head + first)
    (tmp_path / "ballots").mkdir()
    (tmp_path / "ballots" / "late.csv").write_text(f"taster,variant,texture\n{more}")
    analysis = analyse(tmp_path)
    again = analyse(written(packed(analysis), tmp_path / "data"))
    assert again.results == analysis.results
    assert again.table.position.tolist() == analysis.table.position.tolist()


def test_corrected_scores_with_a_decimal_comma_are_those_of_the_published_scores():
    text = b"taster;code;attribute;was;new;reason\nT1;137;texture;8,5;;misread, by me\n"
    table = read_table(text, "corrections.csv")
    _, made = corrections_resource(parse_trial(TRIAL), table)
    assert made.endswith(b'T1,137,texture,8.5,,"misread, by me"\n')


def test_a_licence_of_the_hosts_own_words_is_kept(named):
    files = packed(named)
    descriptor = json.loads(files["datapackage.json"])
    assert not problems(descriptor)
    assert descriptor["licenses"] == [{"path": "README.md", "title": "ask me first"}]
    assert descriptor["name"] == "named-trial"
    assert "Licence: ask me first." in files["README.md"].decode()
    assert r"Crisp \| cucumbers" in files["README.md"].decode()


def test_no_column_and_no_word_of_the_host_is_a_formula_in_data_or_kit(named, tmp_path):
    made = "batch,variant,produce_g,water_g,salt_g,vessel,started,=1+1\n"
    made += "j1,plain,500,450,22,@jar,7.9.2026,x\nj2,oak,500,450,22,\uff20jar,2026-09-07,-y\n"
    folder = tmp_path / "Named trial"
    (folder / "batches.csv").write_text(made, encoding="utf-8")
    found = analyse(folder)
    files = packed(found)
    tables = {it["name"]: it for it in json.loads(files["datapackage.json"])["resources"]}
    head, *rows = csv.reader(io.StringIO(files["batches.csv"].decode()))
    assert [field["name"] for field in tables["batches"]["schema"]["fields"]] == head
    assert {row[head.index("started")] for row in rows} == {"2026-09-07"}
    kit = kit_files(found.trial, found.table, found.made)["batches.csv"]
    cells = [cell for row in (head, *rows, *csv.reader(io.StringIO(kit.decode()))) for cell in row]
    assert {"'=1+1", "'@jar", "'\uff20jar", "'-y"} <= {*cells}
    assert not [cell for cell in cells if cell[:1] in ("=", "+", "-", "@")]
