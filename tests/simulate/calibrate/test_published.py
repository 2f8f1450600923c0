"""The calibration that is published with the tool: whole, marked as it should be, and held."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pytest

from blindspoon.simulate import calibrate
from blindspoon.simulate.calibrate import LIMIT, Rate, is_assumed, is_beyond, pooled
from blindspoon.simulate.calibration_page import BEGIN, COLUMNS, END, PROCEDURES, SEED, Asked
from blindspoon.simulate.situations import SITUATIONS

PAGE = "docs/explanation/calibration.md"
BY_NAME = {name: by for by, name in PROCEDURES.items()}


@dataclass(frozen=True)
class Cell:
    """One number of the page, read back."""

    situation: str
    variants: int
    tasters: int
    procedure: str
    question: str
    truth: str
    rate: Rate
    bold: bool

    @property
    def wrong(self) -> float:
        return 1 - self.rate.value if self.question == "coverage" else self.rate.value

    @property
    def assumed(self) -> bool:
        return is_assumed(self.situation, self.truth, self.procedure)


@pytest.fixture(scope="module")
def text():
    whole = (Path(__file__).parents[3] / PAGE).read_text(encoding="utf-8")
    return whole[whole.index(BEGIN) : whole.index(END)]


@pytest.fixture(scope="module")
def made(text):
    found = re.search(
        r"Blindspoon (?P<version>\d+\.\d+\.\d+), (?P<date>\d{4}-\d\d-\d\d), seed (?P<seed>\d+), "
        r"(?P<trials>[\d,]+) trials a cell, (?P<minutes>\d+) minutes:\n\n"
        r"```sh\n(?P<command>.+)\n```",
        text,
    )
    return found.groupdict()


@pytest.fixture(scope="module")
def cells(text, made):
    asked = int(made["trials"].replace(",", ""))
    return [cell for name in re.findall(r"^### (\S+)$", text, re.M)
            for cell in section(text, name, asked)]  # fmt: skip


def section(text, name, asked):
    body = text.split(f"### {name}\n", 1)[1].split("\n###", 1)[0]
    for line in body.splitlines():
        words = [word.strip() for word in line.strip("| ").split("|")]
        if words[0].isdigit():
            variants, tasters = int(words[0]), int(words[1])
            for word, (_, question, truth) in zip(words[3:], COLUMNS, strict=True):
                if word != "–":
                    trials = asked >> ((tasters > 18) + (truth != "none"))
                    number, _, fewer = word.partition(" of ")
                    value, se = map(float, number.strip("*").split(" ± "))
                    trials = int(fewer.replace(",", "") or trials)
                    yield Cell(name, variants, tasters, BY_NAME[words[2]], question, truth,
                               Rate(value, se, trials), word.startswith("**"))  # fmt: skip


def test_it_says_how_it_was_made(made):
    trials = int(made["trials"].replace(",", ""))
    assert int(made["seed"]) == SEED
    assert made["command"] == Asked(trials=trials, to=PAGE).command()


def test_the_whole_grid_is_there(cells):
    panels = {(cell.situation, cell.variants, cell.tasters, cell.procedure) for cell in cells}
    assert panels == {
        (situation.name, variants, tasters, by)
        for situation in SITUATIONS
        for variants in calibrate.VARIANTS
        for tasters in calibrate.TASTERS
        for by in PROCEDURES
    }


def test_what_is_beyond_its_limit_is_bold_and_listed(text, cells):
    for cell in cells:
        near = [Rate(cell.rate.value + off, 0, cell.rate.trials) for off in (-0.0005, 0.0005)]
        marks = {is_beyond(cell.question, rate) for rate in near}
        assert cell.bold in marks, cell
    counts = re.findall(r"hold, (\d+) of [\d,]+ rates are beyond", text)
    listed = re.findall(r"^- .* in (\d+) of \d+ cells, ", text, re.M)
    assert sum(map(int, counts)) == sum(map(int, listed))
    shown = sum(cell.bold for cell in cells)  # false alike is shown for one truth of two
    assert shown <= sum(map(int, listed))


def test_monte_carlo_errors_are_those_of_the_shares(cells):
    for cell in cells:
        share = cell.rate.value
        error = (share * (1 - share) / cell.rate.trials) ** 0.5
        assert cell.rate.se == pytest.approx(error, abs=0.0012), cell


def test_limits_hold_where_assumptions_do(cells):
    held = [cell for cell in cells if cell.assumed and cell.question != "found"]
    beyond = [cell for cell in held if cell.bold]
    assert len(held) > 900
    assert len(beyond) <= 0.03 * len(held), beyond
    for cell in held:
        noise = (LIMIT * (1 - LIMIT) / cell.rate.trials) ** 0.5
        assert cell.wrong <= LIMIT + 4 * noise, cell


@pytest.mark.parametrize("question", ["false_alarm", "coverage", "false_alike"])
@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda each: each.name)
def test_limits_hold_over_the_panels_together(cells, situation, question):
    mine = [
        c for c in cells if (c.situation, c.question, c.assumed) == (situation.name, question, True)
    ]
    for by, truth in {(cell.procedure, cell.truth) for cell in mine}:
        rates = [cell.rate for cell in mine if (cell.procedure, cell.truth) == (by, truth)]
        assert not is_beyond(question, pooled(rates)), (by, truth)


def test_a_broken_assumption_shows(cells):
    rates = [
        cell.rate
        for cell in cells
        if (cell.situation, cell.procedure) == ("wide-control", "mixed")
        and cell.question == "false_alarm"
    ]
    assert pooled(rates).value > 0.07


def test_larger_panels_find_more(cells):
    for situation in SITUATIONS:
        for by in PROCEDURES:
            found = {
                cell.tasters: cell.rate.value
                for cell in cells
                if cell.question == "found"
                and (cell.situation, cell.procedure, cell.variants) == (situation.name, by, 4)
            }
            assert found[4] < found[12] < found[24]


@pytest.mark.slow
@pytest.mark.parametrize(("name", "tasters"), [("normal", 6), ("five-points", 8)])
def test_the_command_still_gives_these_numbers(cells, made, situation, name, tasters):
    again = calibrate.calibrate(
        trials=int(made["trials"].replace(",", "")), seed=int(made["seed"]), tasters=[tasters],
        variants=[4], situations=[situation(name)], n_jobs=-1,
    )  # fmt: skip
    fresh = {(cell.procedure, cell.truth): cell for cell in again.cells}
    mine = [c for c in cells if (c.situation, c.variants, c.tasters) == (name, 4, tasters)]
    assert mine
    for cell in mine:
        rate = getattr(fresh[cell.procedure, cell.truth], cell.question)
        # a verdict on the border may turn with the libraries
        assert cell.rate.value == pytest.approx(rate.value, abs=0.002), cell
