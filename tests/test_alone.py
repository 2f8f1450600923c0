"""One person alone, eight rounds, from the draw to the report. The scores are invented."""

from __future__ import annotations

import csv
import dataclasses
import datetime
import io
import json
import shutil

import numpy as np
import pytest
from click.testing import CliRunner

from blindspoon.analysis import analyse, compose_report
from blindspoon.cli import commands
from blindspoon.drawing import draw_blind
from blindspoon.errors import ScoreError
from blindspoon.files.trial_folder import read_folder
from blindspoon.lifting import lift_blind
from blindspoon.planning import hope, size_folder
from blindspoon.scores.standing import too_few_rounds
from blindspoon.stats.rounds import compare_rounds
from blindspoon.writeup.limits import next_steps
from blindspoon.writeup.records import trial_record

ROUNDS = 8
EFFECTS = {"plain": 0.0, "cool": 2.5, "leaf": 0.0, "calcium": -2.5}
TOML = """\
[trial]
title = "Crisp cucumbers, for one"
question = "Which changes does one taster notice? (invented)"
control = "plain"
host = "An invented kitchen"
seed = 12

[decision]
declared = 2026-09-04
primary = ["texture"]
margin = 1.0
by = "mixed"

[scale]
low = 0
high = 10
step = 0.5

[tasting]
tasters = ["Ada"]

[[attribute]]
name = "texture"
label = "Texture"
low = "soft"
high = "crisp"
less = "softer"
more = "crisper"

[[attribute]]
name = "saltiness"
label = "Saltiness"
"""


def toml():
    labels = {"plain": "Plain brine", "cool": "Cool cellar", "leaf": "Vine leaf"}
    variants = [
        f'[[variant]]\nname = "{name}"\nlabel = "{labels.get(name, name.title())}"\n'
        for name in EFFECTS
    ]
    sessions = [
        f'[[session]]\nname = "{number}"\ndate = {datetime.date(2026, 9, 9 + number)}\n'
        for number in range(1, ROUNDS + 1)
    ]
    return "\n".join([TOML, *variants, *sessions])


def rows(path):
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def score(folder, noise=0.6):
    """Score every cup: its effect, a tongue that tires over the row, and chance."""
    rng = np.random.default_rng(5)
    inside = {(row["session"], row["code"]): row["variant"] for row in rows(folder / "key.csv")}
    lines = ["session,taster,code,texture,saltiness"]
    for row in rows(folder / "servings.csv"):
        effect = EFFECTS[inside[row["session"], row["code"]]]
        drift = 0.3 * int(row["position"]) + rng.normal(0, noise)
        texture = np.clip(np.round(2 * (4.5 + effect + drift)) / 2, 0, 10)
        salt = np.round(2 * rng.uniform(3, 7)) / 2
        lines.append(f"{row['session']},Ada,{row['code']},{texture:g},{salt:g}")
    (folder / "scores.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture(scope="session")
def alone(tmp_path_factory):
    """The folder of one person, drawn and scored."""
    folder = tmp_path_factory.mktemp("alone") / "for-one"
    folder.mkdir()
    (folder / "trial.toml").write_text(toml(), encoding="utf-8")
    draw_blind(folder, datetime.date(2026, 9, 8))
    score(folder)
    lift_blind(folder, datetime.date(2026, 9, 18), lambda _: "taster")
    return folder


@pytest.fixture
def own(alone, tmp_path):
    """A copy to change."""
    return shutil.copytree(alone, tmp_path / "for-one")


@pytest.fixture(scope="session")
def found(alone):
    """What is found in it."""
    return record(alone)


def run(*arguments):
    done = CliRunner().invoke(commands, [str(each) for each in arguments])
    assert done.exit_code == 0, done.output
    return done.stdout


def one_order(folder):
    """Serve every round in the order of the first."""
    inside = {(row["session"], row["code"]): row["variant"] for row in rows(folder / "key.csv")}
    first = {"plain": 1, "cool": 2, "leaf": 3, "calcium": 4}
    lines = ["session,taster,position,code"]
    for row in rows(folder / "servings.csv"):
        place = first[inside[row["session"], row["code"]]]
        lines.append(f"{row['session']},{row['taster']},{place},{row['code']}")
    (folder / "servings.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def record(folder):
    found = analyse(folder)
    return trial_record(found)


def test_rounds_of_one_person_come_to_verdicts(found):
    kinds = {each["variant"]: each["verdict"] for each in found["comparisons"]
             if each["attribute"] == "texture"}  # fmt: skip
    assert (kinds["cool"], kinds["calcium"]) == ("different", "different")
    assert found["not_compared"] == []


def test_json_says_that_rounds_are_the_unit_and_ranks_decide(alone):
    found = json.loads(run("compare", alone, "--json"))
    assert (found["trial"]["unit"], found["trial"]["decided_by"]) == ("round", "ranks")
    assert (found["trial"]["tasters"], found["trial"]["sessions"]) == (1, ROUNDS)
    first = found["comparisons"][0]
    assert (first["tasters"], first["rounds"], first["mixed"]) == (1, ROUNDS, None)
    assert "two tasters" in first["mixed_reason"]
    assert first["ranks"]["method"] in ("exact", "sampled")
    assert found["attributes"][0]["friedman"]["rounds"] == ROUNDS


def test_a_panel_has_no_rounds_in_its_json(printed):
    assert printed["trial"]["unit"] == "taster"
    assert not any("rounds" in each for each in printed["comparisons"])


def test_the_terminal_names_rounds_and_the_taster(alone):
    text = run("compare", alone)
    assert "1 taster, 8 rounds and 4 variants." in text
    flowing = " ".join(text.split())
    assert "The rank comparison decides" in flowing
    assert "The answer is about this taster." in flowing
    assert max(map(len, text.splitlines())) <= 80


def test_sentences_speak_of_this_taster(found):
    because = [each["because"] for each in found["comparisons"]]
    assert all(each.startswith("To this taster, ") for each in because)


def report(folder, to):
    run("report", folder, "--to", to)
    return (to / folder.name / "index.html").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def page(alone, tmp_path_factory):
    return report(alone, tmp_path_factory.mktemp("reports"))


@pytest.mark.parametrize(
    "words",
    [
        "To this taster, over eight rounds, the cool-cellar",
        "One person tasted one batch of each, in eight rounds.",
        "1 taster, 8 rounds, 32 cups",
        "Small: rounds’ differences from",
        "The answer is about this one taster, on these days.",
        "One person tasted alone, and a mixed model needs two, so the rank comparison decides",
        "Fisher, R. A. 1935",
        "The order of the cups is recorded for every round",
        "Rank comparison within rounds",
        "Taste more rounds of",
    ],
)
def test_the_page_says_what_the_claim_is_about(page, words):
    assert words in page


def test_the_page_speaks_of_no_panel(page):
    for words in (
        ": not done.",
        "Dunnett",
        "Kenward",
        "More tasters make",
        "one taster’s difference",
    ):
        assert words not in page


def test_a_margin_that_moved_makes_it_a_lead_and_the_cups_no_less_blind(own):
    text = (own / "trial.toml").read_text("utf-8")
    (own / "trial.toml").write_text(text.replace("margin = 1.0", "margin = 2.0"), "utf-8")
    content = compose_report(analyse(own))
    assert "from 1 to 2. So all of this is exploratory." in content.answer
    assert content.analysis.blinding == "blind"
    assert content.trust.endswith("the rule was changed since.")
    key = (own / "key.csv").read_text("utf-8")
    (own / "key.csv").write_text(
        key.replace(",cool", ",x").replace(",leaf", ",cool").replace(",x", ",leaf")
    )
    assert analyse(own).blinding == "not shown"


def test_the_same_order_in_each_round_is_refused(own, tmp_path):
    one_order(own)
    found = record(own)
    assert found["comparisons"] == []
    assert {each["reason"] for each in found["not_compared"]} == {
        "The control and this variant stood in the same order in every round, so a difference "
        "cannot be told from the place in the order."
    }
    assert found["attributes"][0]["friedman"] is None
    assert run("compare", own).count("not compared") == 6
    assert "stood in the same order in every round" in report(own, tmp_path / "reports")


def test_without_positions_nobody_can_see_that_rounds_were_shuffled(own):
    inside = {(row["session"], row["code"]): row["variant"] for row in rows(own / "key.csv")}
    scored = rows(own / "scores.csv")
    lines = ["session,taster,variant,texture,saltiness"]
    lines += [
        f"{r['session']},Ada,{inside[r['session'], r['code']]},{r['texture']},{r['saltiness']}"
        for r in scored
    ]
    for name in ("servings.csv", "key.csv", "seal.toml"):
        (own / name).unlink()
    (own / "scores.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    reasons = {each["reason"] for each in record(own)["not_compared"]}
    assert len(reasons) == 1
    assert "is not recorded for every round" in reasons.pop()


def reversed_rows(folder, rounds):
    """Write scores.csv with a position column that turns the order of some rounds."""
    planned = {
        (row["session"], row["code"]): row["position"] for row in rows(folder / "servings.csv")
    }
    lines = ["session,taster,code,position,texture,saltiness"]
    for row in rows(folder / "scores.csv"):
        place = int(planned[row["session"], row["code"]])
        place = 5 - place if row["session"] in rounds else place
        cells = (row["session"], "Ada", row["code"], str(place), row["texture"], row["saltiness"])
        lines.append(",".join(cells))
    (folder / "scores.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def test_a_position_beside_the_score_takes_the_place_of_the_planned_one(own):
    planned = analyse(own).table
    reversed_rows(own, {"1", "2"})
    tasted = analyse(own).table
    turned = np.isin(np.array(planned.sessions)[planned.session], ["1", "2"])
    np.testing.assert_array_equal(
        tasted.position, np.where(turned, 5 - planned.position, planned.position)
    )


def test_the_order_after_shuffling_is_written_as_it_was_tasted(own):
    planned = [row["code"] for row in rows(own / "servings.csv") if row["session"] == "2"]
    tasted = [
        planned[2],
        planned[0],
        planned[3],
        planned[1],
    ]
    key = (own / "key.csv").read_bytes()
    said = run("blind", own, "--tasted", " ".join(tasted))
    assert "Order of round 2 written" in said  # which round it is the codes tell
    after = {row["code"]: int(row["position"]) for row in rows(own / "servings.csv")
             if row["session"] == "2"}  # fmt: skip
    assert sorted(after, key=after.get) == tasted
    assert (own / "key.csv").read_bytes() == key
    assert record(own)["seal"]["changed"] == []
    for wrong in (tasted[0], "", " ".join(tasted * 2)):
        done = CliRunner().invoke(commands, ["blind", str(own), "--tasted", wrong])
        assert "are not the cups of " in str(done.exception)
        assert "and last a cup that was not" in str(done.exception)


def test_one_person_is_told_before_a_cup_that_no_day_will_be_told(tmp_path):
    course = '\n[course]\nover = "fermented_days"\nattribute = "texture"\nreach = "control"\n'
    asked = toml().replace('primary = ["texture"]', 'primary = ["course"]') + course
    (tmp_path / "trial.toml").write_text(asked, encoding="utf-8")
    words = "One person alone is told no day and no trend, which take two."
    for verb in ("size", "check", "blind"):
        assert words in " ".join(run(verb, tmp_path).split())
    run("blind", tmp_path, "--add", "Zoe")
    asked = asked.replace('["Ada"]', '["Ada", "Zoe"]')
    (tmp_path / "trial.toml").write_text(asked, encoding="utf-8")
    assert words not in " ".join(run("check", tmp_path).split())


def test_one_order_a_round_has_no_balance_and_the_next_verb_can_be_pasted(tmp_path, monkeypatch):
    (tmp_path / "for one").mkdir()
    (tmp_path / "for one" / "trial.toml").write_text(toml(), encoding="utf-8")
    said = run("blind", tmp_path / "for one")
    assert "Session 1:" not in said
    assert "All sessions" not in said  # rounds are shuffled freely, and nothing is to be even
    monkeypatch.chdir(tmp_path)
    said = run()
    assert "\"blindspoon collect 'for one'\"" in said
    assert "on your own, checklist.html says how" in said  # no helper reads helper.html


@pytest.mark.parametrize(("rounds", "told"), [(1, True), (5, True), (6, False)])
def test_fewer_than_six_rounds_can_show_nothing_and_check_and_blind_say_so(tmp_path, rounds, told):
    kept = toml().split("[[session]]")
    (tmp_path / "trial.toml").write_text("[[session]]".join(kept[: rounds + 1]), encoding="utf-8")
    words = "can show no difference in fewer than 6 rounds"
    for verb in ("check", "blind"):
        assert (words in run(verb, tmp_path)) is told
    run("blind", tmp_path, "--add", "Zoe")
    assert words not in run("check", tmp_path)
    assert (words in " ".join(hope(read_folder(tmp_path).trial).sentences)) is told


def test_two_primary_attributes_take_a_seventh_round(own):
    trial = read_folder(own).trial
    both = tuple(dataclasses.replace(trial.attributes[0], name=name) for name in ("a", "b"))
    ruled = dataclasses.replace(trial.decision, primary=("a", "b"))
    six = dataclasses.replace(trial, attributes=both, decision=ruled, sessions=trial.sessions[:6])
    assert "in fewer than 7 rounds, and 6 are listed" in too_few_rounds(six, {"Ada"})
    assert "may be added" in too_few_rounds(six, {"Ada"})
    assert "may be added" not in too_few_rounds(six, {"Ada"}, lifted=True)


@pytest.mark.parametrize(("rounds", "told"), [(5, True), (6, False)])
def test_rounds_that_were_listed_and_not_tasted_do_not_count_and_lift_says_so(own, rounds, told):
    (own / "seal.toml").write_text((own / "seal.toml").read_text("utf-8").split("[[lift")[0])
    head, *lines = (own / "scores.csv").read_text("utf-8").splitlines()
    kept = [line for line in lines if int(line.split(",")[0]) <= rounds]
    (own / "scores.csv").write_text("\n".join([head, *kept]), "utf-8")
    words = "can show no difference in fewer than 6 rounds, and 5 are scored; more may be added"
    assert (words in " ".join(run("check", own).split())) is told
    asked = lift_blind(own, datetime.date(2026, 9, 18), lambda _: None)
    assert (words in " ".join(asked.lines())) is told


@pytest.mark.parametrize(("rounds", "can"), [(5, False), (6, True)])
def test_the_smallest_p_is_above_alpha_with_five_rounds_only(own, rounds, can):
    (own / "seal.toml").unlink()
    for name in ("servings.csv", "key.csv", "scores.csv"):
        head, *lines = (own / name).read_text("utf-8").splitlines()
        kept = [line for line in lines if int(line.split(",")[0]) <= rounds]
        (own / name).write_text("\n".join([head, *kept]), "utf-8")
    least = [each["ranks"]["smallest_p"] for each in record(own)["comparisons"]]
    assert (min(least) <= 0.05) is can
    steps = " ".join(text for _, text in next_steps(analyse(own)))
    assert ("no difference in fewer than 6 rounds, and 5 are scored." in steps) is not can


def test_a_round_that_is_corrected_in_part_is_a_problem(own):
    planned = rows(own / "servings.csv")[0]
    given = rows(own / "scores.csv")
    lines = ["session,taster,code,texture,saltiness"]
    lines += [f"{r['session']},Ada,{r['code']},{r['texture']},{r['saltiness']}" for r in given[1:]]
    (own / "scores.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    ballot = f"session,taster,code,position,texture,saltiness\n1,Ada,{planned['code']},2,5,5\n"
    (own / "ballots").mkdir()
    (own / "ballots" / "1-Ada.csv").write_text(ballot, encoding="utf-8")
    with pytest.raises(ScoreError, match="position 2 of Ada in session 1 is that of servings"):
        analyse(own)


def test_a_cup_scored_twice_is_still_found_where_positions_are_given(own):
    reversed_rows(own, {"1"})
    first = rows(own / "scores.csv")[0]
    with (own / "scores.csv").open("a", encoding="utf-8") as file:
        file.write(f"1,Ada,{first['code']},9,5,5\n")
    with pytest.raises(ScoreError, match="a taster scores a cup once"):
        analyse(own)


def test_size_answers_for_rounds_and_is_what_the_comparison_of_rounds_shows(tmp_path):
    two = TOML + '[[variant]]\nname = "plain"\n[[variant]]\nname = "leaf"\n'
    (tmp_path / "trial.toml").write_text(two, encoding="utf-8")
    options = {"sessions": (4, 6, 12), "trials": 400, "jobs": 1}
    _, found = size_folder(tmp_path, **options)
    assert [(cell.tasters, cell.sessions) for cell in found.cells] == [(1, 4), (1, 6), (1, 12)]
    assert found.spread.taster_variant_sd == 0  # nobody else’s opinion
    # Of n rounds that all go one way, two in 2^n signs are as far out: arithmetic.
    assert [cell.smallest_p for cell in found.cells] == [2 ** (1 - n) for n in (4, 6, 12)]
    assert (
        "With 4 rounds or fewer the rank comparison can show no difference, whatever the scores."
        in found.sentences
    )
    with (tmp_path / "trial.toml").open("a", encoding="utf-8") as file:
        file.writelines(f'[[session]]\nname = "{n}"\n' for n in range(1, 13))
    _, planned = size_folder(tmp_path, **options)  # what the listed rounds can do is said
    seen = planned.cells[2].smallest_seen
    assert f"12 rounds: about 8 times in 10 you would see a {seen:.1f}-point" in (
        " ".join(planned.sentences)
    )
    rng, shown = np.random.default_rng(2), 0
    for _ in range(40):  # two points apart, the same scatter, through the comparison itself
        leaf = np.concatenate([rng.permutation(2) for _ in range(12)])
        score = np.round(2 * (5 + 2 * (leaf - 0.5) + rng.normal(0, 1.2, 24))) / 2
        rounds, places = np.repeat(np.arange(12), 2), np.tile([1, 2], 12)
        kinds = {"control": 0, "n_variants": 2, "alpha": 0.05, "rng": rng}
        (contrast,) = compare_rounds(score, rounds, leaf, places, **kinds)
        shown += getattr(contrast, "p_adjusted", 1) <= 0.05
    chance = found.cells[2].chance_twice
    assert abs(shown / 40 - chance.value) < 4 * (chance.se**2 + 0.06**2) ** 0.5
