"""Several folders pooled, as a user types it. The kitchens are invented, as the demo is."""

from __future__ import annotations

import importlib.util
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner

import blindspoon as bs
from blindspoon.analysis import analyse, kitchen_names, pool_folders
from blindspoon.cli import commands, main
from blindspoon.cli.printed import comparison_table, pooled_table
from blindspoon.errors import DesignError, TrialError
from blindspoon.examine import explanations
from blindspoon.packing.pack import file_names
from blindspoon.writeup.kitchens import compose_kitchens
from blindspoon.writeup.templating import paragraphs
from tests.conftest import rows as rows_of
from tests.conftest import spoil

ROOT = Path(__file__).parents[1]
CUCUMBERS = ROOT / "trials" / "allotment-cucumbers"
NAMES = ("allotment", "harbour", "hilltop")


def generator():
    path = ROOT / "tests" / "reference" / "allotment_cucumbers.py"
    spec = importlib.util.spec_from_file_location("allotment_cucumbers", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Two attributes of the demo trial in three kitchens whose jars came out a little different."""
    root, demo = tmp_path_factory.mktemp("kitchens"), generator()
    text = (CUCUMBERS / "trial.toml").read_text(encoding="utf-8")
    parts = re.split(r"(?=^\[\[)", text, flags=re.MULTILINE)
    text = "".join(part for part in parts if not re.search('"(sourness|ferment)"', part))
    demo.ATTRIBUTES = ("saltiness", "texture")
    usual = demo.EFFECT
    for number, name in enumerate(NAMES):
        rng = np.random.default_rng(number)
        shifts = {each: rng.normal(0, 0.3, 5) for each in usual}
        demo.EFFECT = {
            each: tuple(
                e + (shifts[each][place] if place else 0) for place, e in enumerate(effects)
            )
            for each, effects in usual.items()
        }
        folder = root / name
        folder.mkdir()
        (folder / "trial.toml").write_text(text, encoding="utf-8")
        demo.write(folder, seed=100 + number)
    return root


@pytest.fixture
def kitchens(made, tmp_path):
    """Copies of the three that a test may spoil."""
    return [Path(shutil.copytree(made / name, tmp_path / name)) for name in NAMES]


@pytest.fixture(scope="module")
def found(made):
    return pool_folders([made / name for name in NAMES])


def run(*arguments):
    return CliRunner().invoke(commands, ["compare", *map(str, arguments)])


def test_one_folder_is_compared_as_ever(made):
    analysis = analyse(made / "harbour")
    assert run(made / "harbour").stdout == comparison_table(analysis) + "\n"


def test_the_table_has_every_kitchen_and_both_claims_in_80_columns(found):
    table = pooled_table(found)
    assert max(map(len, table.splitlines())) <= 80
    for words in (*NAMES, "kitchens like these", "these kitchens only"):
        assert len(re.findall(rf"^    {words} .*\d", table, re.MULTILINE)) == 8
    assert table.index("Texture (primary") < table.index("Saltiness (exploratory")
    assert re.search(r"kitchens like these +\+2\.\d .* different$", table, re.MULTILINE)
    assert len(re.findall("Between kitchens: SD of a difference", table)) == 2


def test_the_table_stays_narrow_whatever_the_names(kitchens):
    moved = [
        folder.rename(folder.with_name(f"{folder.name} " + "long " * 8)) for folder in kitchens
    ]
    for folder in moved:
        spoil(folder / "trial.toml", 'label = "Calcium"', f'label = "{"Calcium chloride " * 6}"')
    lines = pooled_table(pool_folders(moved)).splitlines()
    assert max(map(len, lines)) <= 80
    assert any("…" in line for line in lines)


@pytest.fixture(scope="module")
def record(made):
    return json.loads(run(*(made / name for name in NAMES), "--json").output)


def test_json_gives_what_the_pool_holds(record, found):
    assert [each["kitchen"] for each in record["pooled"]["kitchens"]] == list(NAMES)
    compared = [each for attribute in found.attributes for each in attribute.comparisons]
    for said, each in zip(record["comparisons"], compared, strict=True):
        assert said["pooled"]["difference"] == each.pooled.difference
        assert said["these_kitchens"]["se"] == each.these.se
        assert [own["mixed"]["t"] for own in said["kitchens"]] == [o.mixed.t for o in each.own]


def test_the_frame_has_no_column_that_is_always_empty(found):
    frame = bs.Pooled(pool=found).to_frame()
    assert len(frame) == len(found.attributes) * 4
    assert not frame.isna().all().any()


def test_the_reference_names_every_field_and_slug(record):
    words = set(re.findall(r"[a-z_]+", (ROOT / "docs/reference/json.md").read_text("utf-8")))
    assert set(fields(record)) <= words
    source = (ROOT / "src/blindspoon/findings/pool_checks.py").read_text("utf-8")
    slugs = {*re.findall(r'Rule\(\s*"([a-z-]+)"', source)}
    assert len(slugs) == 6
    assert slugs <= set(explanations())


def fields(value):
    if isinstance(value, dict):
        for name, below in value.items():
            yield name.removesuffix("_reason")
            yield from fields(below)
    elif isinstance(value, list):
        for below in value:
            yield from fields(below)


def test_nothing_pooled_is_said(kitchens):
    scores = kitchens[1] / "scores.csv"
    plain = [row.split(",") for row in (kitchens[1] / "key.csv").read_text("utf-8").splitlines()]
    cups = {tuple(row[:3]) for row in plain if row[3] == "plain"}
    rows = [row.split(",") for row in scores.read_text("utf-8").splitlines()]
    kept = [[*row[:3], "", "", ""] if tuple(row[:3]) in cups else row for row in rows]
    scores.write_text("\n".join(map(",".join, kept)), "utf-8")
    found = pool_folders(kitchens)
    assert "No variant but the control was scored in all kitchens" in pooled_table(found)
    page = compose_kitchens(found)
    assert page.answer == (
        "In kitchens like these three, nothing could be pooled on texture. No variant but the "
        "control was scored in all kitchens."
    )


def test_problems_of_all_folders_are_listed_with_their_folder(kitchens):
    spoil(kitchens[0] / "scores.csv", ",6,", ",61,")
    spoil(kitchens[2] / "trial.toml", 'control = "plain"', 'control = "plane"')
    with pytest.raises(TrialError) as caught:
        pool_folders([*kitchens, kitchens[0].with_name("nowhere")])
    files = [problem.file for problem in caught.value.problems]
    assert files == [
        f"{kitchens[0]}/scores.csv",
        f"{kitchens[2]}/trial.toml",
        str(kitchens[0].with_name("nowhere")),
    ]


def test_what_does_not_fit_together_ends_with_1(kitchens, capsys):
    spoil(kitchens[1] / "trial.toml", "high = 10", "high = 20")
    again = shutil.copytree(kitchens[0], kitchens[0].with_name("again"))
    with pytest.raises(SystemExit) as leave:
        main(["compare", *map(str, kitchens), str(again)])
    said = capsys.readouterr().err
    assert leave.value.code == 1
    assert "again: it holds the same trial as allotment" in said
    assert said.count("blindspoon explain other-scale") == 2


def test_a_folder_given_twice_is_refused(made):
    with pytest.raises(DesignError, match="it holds the same trial as"):
        pool_folders([made / "harbour", made / "harbour"])


def test_a_variant_of_one_kitchen_only_is_listed(kitchens):
    text = (kitchens[1] / "trial.toml").read_text("utf-8")
    more = '\n[[variant]]\nname = "oak"\n\n[[session]]\nname = "1"'
    (kitchens[1] / "trial.toml").write_text(
        text.replace('\n[[session]]\nname = "1"', more, 1), "utf-8"
    )
    table = pooled_table(pool_folders(kitchens))
    assert table.endswith("Not pooled:\n  oak: Only harbour made it.")


def test_the_answer_names_the_catch_and_no_scatter_is_no_number(kitchens):
    for folder in kitchens:
        shutil.copy(CUCUMBERS / "batches.csv", folder)
    content = compose_kitchens(pool_folders(kitchens))
    assert content.answer.endswith("One catch: calcium differed in more than was meant.")
    for finding in content.findings:
        still = replace(finding.found.fit, kitchen_variant_sd=0.0)
        assert paragraphs("spread", fit=still, digits=2)[0].startswith("Kitchens scatter no more")


def test_what_is_not_pooled_stands_open_on_the_page_under_its_label(kitchens, blindspoon, tmp_path):
    toml = kitchens[1] / "trial.toml"
    toml.write_text(toml.read_text("utf-8").replace('"old-brine"', '"older-brine"'), "utf-8")
    key = kitchens[1] / "key.csv"
    key.write_text(key.read_text("utf-8").replace("old-brine", "older-brine"), "utf-8")
    done = blindspoon("report", "--pool", *kitchens, "--to", tmp_path)
    page = Path(done.stdout.removeprefix("Report written: ").strip()).read_text()
    front = page.split('id="record"')[0]
    assert "Old brine: not pooled. Only allotment and hilltop made it." in front


def test_rules_that_differ_are_said_above_the_table(kitchens):
    spoil(kitchens[1] / "trial.toml", "margin = 1.0", "margin = 0.5")
    table = " ".join(pooled_table(pool_folders(kitchens)).split())
    assert "The rule of allotment decides; harbour declared 0.5 points as the margin" in table


def test_what_weakens_a_single_kitchen_is_said_above_the_table(made):
    table = " ".join(pooled_table(pool_folders([CUCUMBERS, made / "harbour"])).split())
    assert "harbour: Nothing was sealed, so nothing shows that it was tasted blind." in table
    assert (
        "In allotment-cucumbers, jars differed in more than was meant: “Calcium” was also" in table
    )


def test_kitchens_of_one_name_are_told_apart():
    assert kitchen_names([Path("a/pickles"), Path("b/pickles")]) == ("a/pickles", "b/pickles")


def test_folders_of_kitchens_differ_on_every_system():
    kitchens = [SimpleNamespace(name=name) for name in ("Anna K", "Anna-K", "anna-k", "🥒", "樽")]
    names = file_names(SimpleNamespace(kitchens=kitchens))
    assert names == ["Anna-K", "Anna-K-2", "anna-k-2-2", "kitchen", "樽"]


def test_kitchens_go_by_their_hosts_where_all_declare_another(kitchens):
    host = '\nhost = "The allotment kitchen (invented)"'
    hosts = [f"Kitchen of {name}" for name in ("Ada", "Ben", "Cy")]
    for folder, name in zip(kitchens, hosts, strict=True):
        spoil(folder / "trial.toml", host, f'\nhost = "{name}"')
    assert [kitchen.name for kitchen in pool_folders(kitchens).kitchens] == hosts


def test_kitchens_have_a_page_with_all_that_was_found(made, found, blindspoon, tmp_path):
    done = blindspoon("report", "--pool", *(made / name for name in NAMES), "--to", tmp_path)
    assert done.returncode == 0, done.stderr
    page = Path(done.stdout.removeprefix("Report written: ").strip()).read_text()
    for attribute in found.attributes:
        for comparison in attribute.comparisons:
            assert f'id="{attribute.attribute.name}-{comparison.variant.name}"' in page
    assert "In kitchens like these three, " in page.split('class="answer"')[1][:60]
    assert "points out of 10" in page.split('class="answer"')[1].split("</p>")[0]
    assert "all blind, under codes" not in page  # none of them was sealed
    assert "From kitchen to kitchen a difference scatters by" in page
    assert "On texture, from kitchen to kitchen a difference scatters by" in page
    assert "Interval for “alike”" in page
    assert "Kitchens like these: each variant from its differences in the kitchens" in page
    assert not re.search(r'(?:src|href)="(?!#)', page)
    assert "<h1>Fermented cucumbers, tasted in three kitchens</h1>" in page


def test_kitchens_are_sent_out_with_a_post_with_what_to_say_and_with_their_data(kitchens, tmp_path):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("blindspoon.packing.pack.draw", lambda *_: ({}, ()))
        for folder in kitchens:
            shutil.copy(CUCUMBERS / "batches.csv", folder)
        packed = bs.pool(*kitchens).publish(tmp_path, jar_g=500).folder
    for name in ("blog.md", "say.md"):
        text = (packed / name).read_text(encoding="utf-8")
        assert "plain" in text.lower(), name
        assert "****" not in text, name
    camera = (packed / "say.md").read_text(encoding="utf-8").split("## ")[1]
    assert len(re.findall(r"\.(?=\s)", camera)) == 2  # sentences
    assert "the cautions, to be read first" in (packed / "blog.md").read_text(encoding="utf-8")
    folders = sorted((packed / "data").iterdir())
    assert len(folders) == len(kitchens)
    assert bs.read(folders[0]).compare().comparisons
    assert bs.check(packed / "kit").problems == ()
    page = (packed / "kit" / "do-it-yourself.html").read_text(encoding="utf-8")
    assert "blindspoon blind kit" in page
    assert "Grams for a jar of 500\N{NO-BREAK SPACE}g in all" in page
    beside = " ".join(f"data/{folder.name}" for folder in folders)
    assert f"blindspoon compare {beside} kit" in page
    guide = (packed / "START.html").read_text(encoding="utf-8")
    assert 'href="kit/do-it-yourself.html"' in guide
    assert "each column described in README.md" in guide
    described = json.loads((packed / "tables/datapackage.json").read_text("utf-8"))["resources"]
    meant = (packed / "tables/README.md").read_text("utf-8")
    for table in described:  # every column of every file is described, in its order
        names = [field["name"] for field in table["schema"]["fields"]]
        rows = rows_of(packed / "tables" / table["path"])
        assert list(rows[0]) == names
        assert all(f"| {name.replace('_', chr(92) + '_')} |" in meant for name in names)
    assert len(rows_of(packed / "tables/kitchens.csv")) == len(kitchens) * len(
        rows_of(packed / "tables/comparisons.csv")
    )
    assert "There is no verify.py here" in meant


@pytest.mark.parametrize(
    ("sealed", "words"),
    [
        ("", "; not shown to be blind."),
        ("k", "; not all are shown to be blind."),
        ("krk", ", all blind, under codes."),  # as the page of the one whose rule was changed says
    ],
)
def test_kitchens_are_called_as_blind_as_each_is_by_itself(found, analysis_of, sealed, words):
    kept = analysis_of(CUCUMBERS.name).standing
    standings = {"k": kept, "r": replace(kept, facts=(("new rule", "To 2."),))}
    kitchens = [
        replace(kitchen, standing=standings.get(how, kitchen.standing))
        for kitchen, how in zip(found.kitchens, f"{sealed:3}", strict=True)
    ]
    assert compose_kitchens(replace(found, kitchens=tuple(kitchens))).tasted.endswith(words)


def test_one_kitchen_is_no_pool(kitchens, blindspoon):
    done = blindspoon("report", "--pool", kitchens[0])
    assert done.returncode == 2
    assert "takes two folders or more" in done.stderr
