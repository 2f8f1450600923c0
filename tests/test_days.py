"""Courses from plan to blind: the three designs, jars of later days, and dates that are told."""

import datetime
import re
from pathlib import Path

import pytest

from blindspoon.drawing import add_more, draw_again, draw_blind, write_sheets
from blindspoon.files.text_table import write_csv
from blindspoon.serving.plan import ServingPlan

HEAD = """
trial = { title = "Carrots", control = "usual", seed = 5, product = "carrots" }
course = { over = "fermented_days", attribute = "sourness" }
decision = { margin = 1.0 }
scale = { low = 0, high = 10, step = 1 }
attribute = [{ name = "sourness" }]
tasting = { tasters = 6 }
"""
TODAY = datetime.date(2026, 10, 20)
EVENINGS = ("2026-10-27", "2026-10-31", "2026-11-07")


def folder(to: Path, variants: str, sessions: tuple[str, ...], jars: list[str]) -> Path:
    """Write a trial folder; a jar is "name variant started finished"."""
    dated = ", ".join(f'{{ name = "{n}", date = {day} }}' for n, day in enumerate(sessions, 1))
    (to / "trial.toml").write_text(f"{HEAD}\nvariant = [{variants}]\nsession = [{dated}]\n")
    rows = [["batch", "variant", "started", "finished"], *(jar.split(",") for jar in jars)]
    (to / "batches.csv").write_text(write_csv(rows))
    return to


def poured(plan: ServingPlan) -> dict[str, set[tuple[str, str | None]]]:
    cups: dict[str, set[tuple[str, str | None]]] = {}
    for cup in plan.servings:
        cups.setdefault(cup.session, set()).add((cup.variant, cup.batch))
    return cups


@pytest.fixture
def evenings(tmp_path):
    """One food on two evenings, a jar an evening, beside one control kept cold."""
    variants = '{ name = "usual" }, { name = "carrots" }'
    jars = ["jar 0,usual,2026-09-01,2026-09-15", "jar 1,carrots,2026-10-24,2026-10-27",
            "jar 2,carrots,2026-10-24,2026-10-31"]  # fmt: skip
    return folder(tmp_path, variants, EVENINGS[:2], jars), jars


def test_several_ages_in_one_sitting_are_drawn_beside_a_hidden_control(tmp_path):
    ages = (f'{{ name = "d-{day}", series = "carrots" }}' for day in (3, 7, 14))
    jars = [f"jar {n},d-{n},2026-10-24,2026-10-{24 + n}" for n in (3, 7)]
    variants = ", ".join(['{ name = "usual" }', *ages])
    made = folder(tmp_path, variants, EVENINGS[2:], [*jars, "jar 14,d-14,2026-10-24,2026-11-07"])
    plan = draw_blind(made, TODAY)
    assert plan.balance[0].positions.high - plan.balance[0].positions.low <= 1
    assert {cup.variant for cup in plan.servings} == {"usual", "d-3", "d-7", "d-14"}
    assert ("usual", None) in poured(plan)["1"]  # not made yet, and drawn all the same


@pytest.mark.parametrize("written", ["{0}-{1}-{2}", "{2}.{1}.{0}", "{0}/{1}/{2}"])
def test_each_evening_is_poured_from_the_jar_of_its_day(evenings, written):
    table = evenings[0] / "batches.csv"
    days = re.compile(r"(\d{4})-(\d\d)-(\d\d)")
    table.write_text(days.sub(lambda day: written.format(*day.groups()), table.read_text()))
    cups = poured(draw_blind(evenings[0], TODAY))
    assert cups["1"] == {("usual", "jar 0"), ("carrots", "jar 1")}
    assert cups["2"] == {("usual", "jar 0"), ("carrots", "jar 2")}


def test_a_jar_that_was_not_made_yet_is_drawn_when_its_day_comes_under_new_codes(evenings):
    made, jars = evenings
    before = draw_blind(made, TODAY)
    variants = '{ name = "usual" }, { name = "carrots" }'
    folder(made, variants, EVENINGS, [*jars, "jar 3,carrots,2026-10-24,2026-11-07"])
    after = add_more(made, TODAY)
    assert after.servings[: len(before.servings)] == before.servings
    assert poured(after)["3"] == {("usual", "jar 0"), ("carrots", "jar 3")}
    for taster in after.request.tasters:
        codes = [cup.code for cup in after.servings if cup.taster == taster]
        assert len(codes) == len(set(codes))
    (made / "key.csv").unlink()
    assert "key.csv" in draw_again(made)  # the seal proves it, the later evening with it


def test_without_a_control_that_stays_the_same_evenings_are_drawn_too(tmp_path):
    variants = '{ name = "usual" }, { name = "carrots" }'
    plan = draw_blind(folder(tmp_path, variants, EVENINGS, []), TODAY)
    assert {cup.batch for cup in plan.servings} == {None}
    assert len(plan.servings) == 6 * 2 * 3


def test_days_to_come_stand_on_the_checklist(evenings):
    made, _ = evenings
    draw_blind(made, TODAY)
    write_sheets(made, "a4", None)
    told = (made / "sheets" / "checklist.html").read_text("utf-8")
    assert "31 October 2026.</strong> Bring jar 2 to the tasting." in told
    assert "jar 0" not in told  # it was put away before the codes were drawn
