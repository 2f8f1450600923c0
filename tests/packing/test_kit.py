"""A reader repeats a trial with nothing but the kit."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from blindspoon.analysis import analyse
from blindspoon.batches.differences import recipes
from blindspoon.batches.log import build_log
from blindspoon.errors import ScoreError
from blindspoon.examine import examine
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.packing.kit import kit_files
from blindspoon.packing.package import data_package

TRIALS = sorted(path.parent for path in Path(__file__).parents[2].glob("trials/*/scores.csv"))


@pytest.fixture(scope="module", params=TRIALS, ids=lambda folder: folder.name)
def analysis(request, analysis_of):
    return analysis_of(request.param.name)


@pytest.fixture(scope="module")
def kit(analysis):
    return kit_files(analysis.trial, analysis.table, analysis.made)


def written(files, folder):
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    return folder


def test_the_folder_has_nothing_to_mend_but_the_missing_scores(kit, tmp_path):
    folder = written(kit, tmp_path / "kit")
    assert not examine(folder).problems
    assert not examine(folder / "drawn").problems
    with pytest.raises(ScoreError, match="no row has a score"):
        analyse(folder / "drawn")


def scored(rows, trial):
    """The rows of a table of cups, with a score by chance for each."""
    rng = np.random.default_rng(5)
    for row in rows:
        for attribute in trial.attributes:
            scale = attribute.scale
            step = scale.step or 1.0
            places = round((scale.high - scale.low) / step)
            row[attribute.name] = f"{scale.low + step * rng.integers(0, places + 1):g}"
    return sheet_of(rows)


def sheet_of(rows):
    sheet = io.StringIO()
    writer = csv.DictWriter(sheet, rows[0])
    writer.writeheader()
    writer.writerows(rows)
    return sheet.getvalue()


def table_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_the_drawn_folder_is_compared_once_it_is_scored(analysis, kit, tmp_path):
    folder = written(kit, tmp_path / "kit") / "drawn"
    rows = table_of(kit["drawn/scores.csv"].decode())
    (folder / "scores.csv").write_text(scored(rows, analysis.trial))
    if analysis.trial.course:  # its days want the dates of the repeat
        batches = table_of(kit["drawn/batches.csv"].decode())
        for days, row in zip((14, 3, 7, 14, 28), batches, strict=True):
            row |= {"started": f"2027-01-{31 - days:02}", "finished": "2027-01-31"}
        (folder / "batches.csv").write_text(sheet_of(batches))
        text = (folder / "trial.toml").read_text()
        dated = "[[session]]\ndate = 2027-02-01\n"
        (folder / "trial.toml").write_text(text.replace("[[session]]\n", dated))
    again = analyse(folder)
    assert len(again.table.tasters) == len(analysis.table.tasters)
    assert again.table.sessions == analysis.table.sessions
    assert again.table.balanced
    assert len(again.comparisons) == len(analysis.comparisons)
    assert again.trial.decision == replace(analysis.trial.decision, declared=None)


def test_amounts_that_were_not_weighed_yet_say_so_beside_them_and_check_says_it_again(
    kit, analysis, tmp_path
):
    rows = table_of(kit["batches.csv"].decode())
    planned = [row for row in rows if any(row[name] for name in row if name.endswith("_g"))]
    assert list(rows[0])[:3] == ["batch", "variant", "note"]
    assert all(row["note"].startswith("planned, not weighed") for row in planned)
    assert bool(planned) == (analysis.made is not None)
    folder = written(kit, tmp_path / "kit")
    said = [note.text for note in examine(folder).notes if "planned, not weighed" in note.text]
    assert len(said) == bool(planned)
    for row in rows:
        row["note"] = ""
    (folder / "batches.csv").write_text(sheet_of(rows))
    assert not [note for note in examine(folder).notes if "planned, not weighed" in note.text]


COMMANDS = re.compile(r"<pre>(.*?)</pre>", re.DOTALL)


@pytest.fixture
def unpacked(tmp_path, analysis_of):
    """What a reader of the smallest trial has: kit and data, the rule declared by them."""
    small = analysis_of(TRIALS[2].name)
    written(kit_files(small.trial, small.table, small.made), tmp_path / "kit")
    package = data_package(small.trial, small.tables, folder=small.folder)
    written(package, tmp_path / "data")
    plan = tmp_path / "kit" / "trial.toml"
    plan.write_text(plan.read_text().replace("# declared", "declared"))
    return tmp_path


def test_every_command_of_the_page_works_as_it_stands(unpacked, blindspoon, analysis_of):
    page = (unpacked / "kit" / "do-it-yourself.html").read_text()
    lines = [line for block in COMMANDS.findall(page) for line in block.splitlines()]
    assert lines[:2] == ["blindspoon blind kit", "blindspoon collect kit --lan"]
    for line in lines:
        said = line
        if said.endswith("--lan"):  # serves until it is ended; here a spreadsheet has the scores
            cups = table_of((unpacked / "kit" / "servings.csv").read_text())
            (unpacked / "sheet.csv").write_text(scored(cups, analysis_of(TRIALS[2].name).trial))
            said = "blindspoon collect kit --from sheet.csv"
        yes = ["--yes"] * ("lift" in said)  # a person is asked
        done = blindspoon(*said.split()[1:], *yes, cwd=unpacked)
        assert done.returncode == 0, f"{line}: {done.stderr}"
    assert "blind" in (unpacked / "reports" / "kit" / "index.html").read_text()


def test_a_course_is_not_told_to_be_pooled(analysis, kit):
    page = kit["do-it-yourself.html"].decode()
    assert ("blindspoon compare data kit" in page) == (analysis.trial.course is None)


def test_only_what_differed_besides_the_method_is_to_be_avoided(analysis, kit):
    page = kit["do-it-yourself.html"].decode()
    differs = analysis.made.differs if analysis.made else ()
    also = [analysis.trial.variant(it.variant).label for it in differs if it.undeclared]
    assert re.findall("“([^”]*)” in the first trial: ", page) == also


def test_the_rule_waits_for_a_date_of_the_readers_own(kit):
    text = kit["trial.toml"].decode()
    assert parse_trial(text).decision.declared is None
    mine = parse_trial(text.replace("# declared", "declared"))
    assert mine.decision.declared is not None


def test_a_repeat_has_codes_and_a_seed_of_its_own(analysis, kit):
    again = parse_trial(kit["trial.toml"].decode())
    assert again.seed != analysis.trial.seed
    assert again.host == ""
    assert all(session.date is None for session in again.sessions)


def test_only_the_key_the_pouring_sheet_and_the_recipe_name_what_is_in_a_cup(analysis, kit):
    label = analysis.trial.variants[1].label.encode()
    kept = "\N{NO-BREAK SPACE}".encode()
    naming = {name for name, content in kit.items() if label in content.replace(kept, b" ")}
    assert naming == {
        *("trial.toml", "drawn/trial.toml", "do-it-yourself.html", "drawn/sheets/pouring.html")
    }


TRIAL = parse_trial(
    """
    trial = { title = "Crisp cucumbers", control = "plain" }
    scale = { low = 0, high = 10 }
    attribute = [{ name = "texture" }]
    variant = [{ name = "plain" }, { name = "oak" }, { name = "lost" }]
    """
)


def logged(text):
    return build_log(TRIAL, read_table(text, "batches.csv"))[0]


def test_two_batches_count_alike_and_their_words_are_both_told():
    log = logged(
        b"batch,variant,produce_g,water_g,salt_g,leaf\n"
        b"a,plain,500,475,25,none\nb,plain,2000,1850,150,one\n"
    )
    plain, *_ = recipes(TRIAL, log, 1000)
    assert plain.grams["salt_g"] == pytest.approx((25 + 37.5) / 2)
    assert sum(plain.grams.values()) == pytest.approx(1000)
    assert plain.others == {"leaf": "none, one"}
    assert plain.made_g == pytest.approx((1000 + 4000) / 2)


def test_what_is_not_meant_to_differ_is_weighed_as_for_the_control():
    salty = replace(TRIAL.variants[2], name="lost", differs=("salt",))
    trial = replace(TRIAL, variants=(*TRIAL.variants[:2], salty))
    log = logged(
        b"batch,variant,produce_g,water_g,salt_g,tannin_g\n"
        b"a,plain,500,475,25,0\nb,oak,520,452,28,3\nc,lost,500,450,50,0\n"
    )
    plain, oak, lost = recipes(trial, log, 1000)
    assert oak.grams == plain.grams
    assert lost.grams["salt_g"] == pytest.approx(50)
    leafy = replace(TRIAL.variants[1], differs=("tannin_g",))
    trial = replace(trial, variants=(TRIAL.variants[0], leafy, salty))
    assert recipes(trial, log, 1000)[1].grams["tannin_g"] == pytest.approx(3)


def test_a_variant_with_an_unknown_mass_has_no_grams_unless_those_of_the_control_will_do():
    log = logged(b"batch,variant,produce_g,water_g,salt_g\na,plain,500,475,25\nb,oak,500,,25\n")
    assert [each.variant for each in recipes(TRIAL, log, 1000) if each.grams] == ["plain"]
    for factor, alike in (("temperature_c", True), ("salt", False)):
        oak = replace(TRIAL.variants[1], differs=(factor,))
        trial = replace(TRIAL, variants=(TRIAL.variants[0], oak))
        plain, oak = recipes(trial, log, 1000)
        assert (oak.grams == plain.grams, oak.made_g) == (alike, None)


def test_a_repeat_asks_at_each_session_what_the_first_one_asked(analysis_of):
    demo = analysis_of(TRIALS[0].name)
    first, second = demo.trial.sessions
    asked = replace(demo.trial, sessions=(first, replace(second, not_asked=("saltiness",))))
    again = parse_trial(kit_files(asked, demo.table, demo.made)["trial.toml"].decode())
    assert [it.not_asked for it in again.sessions] == [(), ("saltiness",)]


def test_a_repeat_has_cups_for_every_variant_though_few_came(analysis_of):
    demo = analysis_of(TRIALS[0].name)
    few = replace(demo.table, tasters=demo.table.tasters[:1])
    asked = replace(demo.trial, tasting=replace(demo.trial.tasting, servings=2))
    files = kit_files(asked, few, demo.made)
    again = parse_trial(files["trial.toml"].decode())
    assert len(again.tasting.tasters) == 2  # four variants beside the control, in two sittings


def test_masses_of_a_large_jar_are_written_out(analysis_of):
    demo = analysis_of(TRIALS[0].name)
    kit = kit_files(demo.trial, demo.table, demo.made, jar_g=30_000)
    plain = table_of(kit["batches.csv"].decode())[0]
    weighed = [plain[name] for name in ("produce_g", "water_g", "salt_g")]
    assert "e" not in "".join(weighed)
    assert sum(map(float, weighed)) == pytest.approx(30_000, abs=1)


def test_the_page_scales_to_the_jar_and_puts_the_cautions_first(analysis_of):
    demo = analysis_of(TRIALS[0].name)
    page = kit_files(demo.trial, demo.table, demo.made, jar_g=500)["do-it-yourself.html"].decode()
    assert page.index("First, the cautions") < page.index('id="make"') < page.index('id="serve"')
    plain = re.search(r"<th scope=\"row\">Plain brine</th>(.*?)</tr>", page, re.DOTALL)[1]
    cells = re.findall(r"<td>(.*?)</td>", plain)
    jar = demo.made.log.batches[0]
    share = 500 / (jar.produce_g + jar.water_g + jar.salt_g)
    assert cells[:3] == [
        f"{jar.produce_g * share:.0f}",
        f"{jar.water_g * share:.0f}",
        f"{jar.salt_g * share:.1f}",
    ]
    assert "cooler" in page
    assert "http" not in page
