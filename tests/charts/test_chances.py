"""The chart of chances, from cells made by hand: what it says, and where its marks lie."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest

from blindspoon.charts.chart import png_file, svg_file
from blindspoon.charts.lines import LARGE, RADIUS
from blindspoon.charts.scene import NARROW, WIDE, Box, Line, Marks, css_variables
from blindspoon.files.trial_toml import parse_trial
from blindspoon.simulate import size_results
from blindspoon.simulate.chances import chances_chart
from blindspoon.simulate.size_results import Chance, Sizing, SizingCell, Spread, times

TRIAL = """
trial = { title = "What keeps half-sour <cucumbers> crisp?", control = "plain" }
decision = { margin = 1 }
scale = { low = 0, high = 10, step = 0.5 }
attribute = [{ name = "texture", label = "Texture" }]
variant = [{ name = "plain" }, { name = "oak-leaf" }]
session = [{ name = "1" }, { name = "2" }]
tasting = { tasters = 12 }
"""
SIZES = (4, 5, 6, 8, 10, 12, 16, 20, 24, 32, 40)
SHEETS = pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])
Curve = Callable[[int, int], float]


def never(_tasters: int, _sessions: int) -> float:
    return 0.0


def always(_tasters: int, _sessions: int) -> float:
    return 1.0


def reached_by(enough: dict[int, int]) -> Curve:
    """Rise with the tasters, to exactly what is wanted at a number of them for each session."""
    return lambda t, s: min(1.0, 0.8 * t / enough[s]) if s in enough else 0.1


def sizing(
    once: Curve = never,
    twice: Curve = never,
    alike: Curve = never,
    *,
    sizes: tuple[int, ...] = SIZES,
    sessions: tuple[int, ...] = (1, 2, 3),
    margin: float = 1.0,
    se: float = 0.011,
    by: str = "mixed",
) -> Sizing:
    found = [
        SizingCell(
            tasters=t,
            sessions=s,
            procedure=procedure,
            chance_margin=Chance(once(t, s) if procedure == by else 0.5, se),
            chance_twice=Chance(twice(t, s) if procedure == by else 0.5, se),
            chance_alike=Chance(alike(t, s) if procedure == by else 0.5, se),
            chance_all_alike=Chance(0.0, se),
            chance_false=Chance(0.0, se),
            smallest_p=0.01,
            smallest_seen=None,
            not_seen="not asked",
        )
        for s in sessions
        for t in sizes
        for procedure in ("mixed", "ranks")
    ]
    return Sizing(
        attribute="texture",
        margin=margin,
        alpha=0.05,
        decided_by=by,
        variants=2,
        spread=Spread(residual_sd=1.2, taster_sd=1.1, taster_variant_sd=0.6, source="as given"),
        trials=2000,
        seed=1,
        cells=tuple(found),
        assumptions=(),
        sentences=(),
    )


USUAL = {
    "once": reached_by({1: 40, 2: 32, 3: 20}),
    "twice": reached_by({1: 12, 2: 8, 3: 6}),
    "alike": reached_by({2: 32, 3: 24}),
}
HARD = {
    "usual": sizing(**USUAL),
    "never": sizing(),
    "always": sizing(always, always, always),
    "one panel": sizing(sizes=(12,), sessions=(2,)),
    "one size": sizing(**USUAL, sizes=(12,)),
    "every size": sizing(**USUAL, sizes=tuple(range(3, 61))),
    "large panels": sizing(**USUAL, sizes=(3, 12, 1000, 100_000)),
    "many sessions": sizing(always, never, always, sessions=tuple(range(1, 15))),
    "long margin": sizing(**USUAL, margin=0.123456),
    "rounds": replace(
        sizing(lambda _, rounds: rounds / 30, sizes=(1,), sessions=(4, 6, 12, 24), by="ranks"),
        unit="round",
    ),
}


@pytest.fixture(scope="module")
def trial():
    return parse_trial(TRIAL)


@pytest.fixture(scope="module", params=list(HARD), ids=lambda name: name.replace(" ", "-"))
def scenes(request, trial):
    """Wide, narrow and framed, each of a hard case."""
    chart = chances_chart(HARD[request.param], trial)
    return [*(chart.lay(sheet).scene for sheet in (WIDE, NARROW)), chart.figure]


def marks(scene, kind: str) -> list[Marks]:
    """Marks on the lines of one kind; those beside names and the planned one stand alone."""
    return [s for s in scene.shapes if isinstance(s, Marks) and s.kind == kind and s.points[1:]]


def numbers(scene) -> dict[str, list[float]]:
    """Heights of the numbers up the side, by their text."""
    found: dict[str, list[float]] = {}
    for text in scene.texts:
        if text.anchor == "end" and text.text.isdigit():
            found.setdefault(text.text, []).append(text.y - 4)
    return found


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ")


@SHEETS
def test_every_panel_is_a_mark_at_the_height_of_its_chance(trial, sheet):
    case = sizing(**USUAL)
    scene = chances_chart(case, trial).lay(sheet).scene
    zero, ten = numbers(scene)["0"], numbers(scene)["10"]
    for sessions, kind in ((1, "ring"), (2, "disc"), (3, "diamond")):
        drawn = marks(scene, kind)
        assert len(drawn) == 3
        for place, (goal, each) in enumerate(zip(USUAL.values(), drawn, strict=True)):
            low, high = zero[place % len(zero)], ten[place % len(ten)]
            heights = [(low - y) / (low - high) for _, y in each.points]
            assert heights == pytest.approx([goal(t, sessions) for t in SIZES])


@SHEETS
def test_tasters_stand_in_equal_ratios(trial, sheet):
    scene = chances_chart(sizing(**USUAL), trial).lay(sheet).scene
    for each in marks(scene, "ring"):
        xs = [x for x, _ in each.points]
        slope, start = np.polyfit(np.log(SIZES), xs, 1)
        assert xs == pytest.approx(start + slope * np.log(SIZES), abs=1e-6)
        assert slope > 0


@SHEETS
def test_the_line_at_eight_times_in_ten_is_dashed(trial, sheet):
    scene = chances_chart(sizing(**USUAL), trial).lay(sheet).scene
    dashed = [s for s in scene.shapes if isinstance(s, Line) and s.dashed]
    assert len(dashed) == 3
    assert {line.points[0][1] for line in dashed} == set(numbers(scene)["8"])


@pytest.mark.parametrize("chance", [0.0, 0.04, 0.05, 0.26, 0.5, 0.849, 0.949, 0.95, 1.0])
def test_chances_are_said_as_the_sentences_say_them(trial, chance):
    said = times(chance)
    found = sizing(alike=lambda _t, _s: chance, sizes=(12,), sessions=(2,))
    attribute, cells = trial.attributes[0], [c for c in found.cells if c.procedure == "mixed"]
    question = size_results.Question(
        variants=2,
        scale=attribute.scale,
        margin=1.0,
        alpha=0.05,
        spread=found.spread,
        trials=2000,
        seed=1,
        places=1,
    )
    told = plain(" ".join(size_results.sentences_of(trial, attribute, question, cells)))
    assert f"A variant that does not differ would be shown alike within 1 point {said}." in told


@SHEETS
def test_the_planned_panel_is_the_large_mark_and_is_told_of(trial, sheet):
    scene = chances_chart(sizing(**USUAL), trial).lay(sheet).scene
    large = [s for s in scene.shapes if isinstance(s, Marks) and s.radius == LARGE]
    places = [each.points[SIZES.index(12)] for each in marks(scene, "disc")]
    assert [each.points[0] for each in large] == places
    words = [plain(text.text) for text in scene.texts]
    assert words.count("planned panel: about 3 times in 10") == 2
    assert words.count("planned panel: nearly always") == 1
    assert "The large mark is the planned panel: 12 tasters in two sessions." in " ".join(words)


def test_without_a_planned_panel_among_the_cells_there_is_no_such_mark(trial):
    scene = chances_chart(sizing(**USUAL, sizes=(4, 8, 40)), trial).lay(WIDE).scene
    assert max(s.radius for s in scene.shapes if isinstance(s, Marks)) <= RADIUS
    assert "planned" not in " ".join(text.text for text in scene.texts)


@SHEETS
def test_each_line_is_named_with_its_mark_in_every_panel(trial, sheet, box_of):
    scene = chances_chart(sizing(**USUAL), trial).lay(sheet).scene
    for name, kind in (("1 session", "ring"), ("2 sessions", "disc"), ("3 sessions", "diamond")):
        named = [text for text in scene.texts if text.text == name]
        assert len(named) == 3
        for text in named:
            beside = Box(text.x - 20, text.y - 12, text.x, text.y + 4)
            signs = [s for s in scene.shapes if isinstance(s, Marks) and len(s.points) == 1]
            assert [s.kind for s in signs if box_of(s).overlaps(beside)] == [kind]


@pytest.mark.parametrize(
    ("case", "title"),
    [
        (
            sizing(**USUAL),
            "On texture, to see a 1-point difference 8 times in 10 takes 40 tasters in one session,"
            " 32 tasters in two sessions or 20 tasters in three sessions",
        ),
        (
            sizing(reached_by({1: 16, 2: 16, 3: 8}), always),
            "On texture, to see a 1-point difference 8 times in 10 takes 16 tasters in one session "
            "or 8 tasters in three sessions",
        ),
        (
            sizing(reached_by({3: 24}), always, margin=0.5),
            "On texture, to see a 0.5-point difference 8 times in 10 takes 24 tasters in three "
            "sessions",
        ),
        (
            sizing(sessions=(1,)),
            "On texture, nothing tried here would see a 1-point difference even 1 time in 20",
        ),
    ],
    ids=["all", "no more sessions than help", "one", "none"],
)
def test_the_title_is_the_finding(trial, case, title):
    chart = chances_chart(case, trial)
    assert plain(chart.title) == title
    assert plain(chart.alt).startswith(title)


def test_a_chance_just_short_of_it_is_not_it(trial):
    short = chances_chart(sizing(lambda _t, _s: 0.7995, always), trial)
    assert "nothing tried here" in short.title


def test_the_procedure_that_decides_is_the_one_that_is_drawn(trial):
    chart = chances_chart(sizing(**USUAL, by="ranks"), trial)
    assert chart.title == chances_chart(sizing(**USUAL), trial).title
    key = " ".join(text.text for text in chart.figure.texts)
    assert "judged by the rank comparison." in key


def test_of_one_person_alone_rounds_are_counted(trial):
    planned = replace(trial, tasting=replace(trial.tasting, tasters=("Ada",)))
    chart = chances_chart(HARD["rounds"], replace(planned, sessions=trial.sessions[:1] * 6))
    assert chart.title.endswith("to see a 1-point difference 8 times in 10 takes 24 rounds")
    assert "the planned rounds: 6 rounds." in " ".join(text.text for text in chart.figure.texts)
    assert "panel" not in chart.alt


def test_the_alt_tells_all_three_findings(trial):
    alt = plain(chances_chart(sizing(**USUAL), trial).alt)
    assert alt.endswith(
        "8 times in 10 takes 32 tasters in two sessions or 24 tasters in three sessions. "
        "Line chart of the chances of panels of 4 to 40 tasters in 1 to 3 sessions."
    )
    assert alt.count("8 times in 10 takes") == 3


def test_the_figure_says_that_it_is_simulated_and_with_what_spread(trial):
    chart = chances_chart(sizing(**USUAL), trial)
    words = plain(" ".join(text.text for text in chart.figure.texts))
    assert "Source: simulated for “What keeps half-sour <cucumbers> crisp?”, not tasted." in words
    assert "1.20 from cup to cup, 1.10 between tasters, 0.60 in a taster’s own opinion" in words
    assert "variant (as given)." in words
    assert "2,000 simulated trials" in words


@pytest.mark.parametrize(("se", "said"), [(0.011, "0.1 in 10, too small"), (0.05, "0.5 in 10.")])
def test_the_simulations_own_error_is_told(trial, se, said):
    words = " ".join(text.text for text in chances_chart(sizing(se=se), trial).figure.texts)
    assert f"standard error is at most {said}" in plain(words)


def test_everything_lies_on_the_sheet_and_no_word_meets_another_a_line_or_a_mark(scenes, faults):
    assert [faults(scene) for scene in scenes] == [[]] * len(scenes)


def test_text_is_large_enough_for_a_phone(scenes):
    assert [scene.width for scene in scenes] == [720, 358, 768]
    assert min(text.size for scene in scenes for text in scene.texts) >= 11


@SHEETS
def test_marks_of_one_line_can_be_told_apart(trial, sheet):
    scene = chances_chart(sizing(**USUAL), trial).lay(sheet).scene
    for kind in ("ring", "disc", "diamond"):
        for each in marks(scene, kind):
            steps = [math.dist(one, other) for one, other in pairwise(each.points)]
            assert min(steps) > 2 * each.radius


def test_files_are_well_formed_and_the_same_every_time(trial):
    one, two = (chances_chart(sizing(**USUAL), trial) for _ in range(2))
    assert one == two
    for svg in (one.wide, one.narrow, svg_file(one)):
        root = ElementTree.fromstring(svg)  # noqa: S314 - our own text
        assert root.get("aria-label") == one.alt
    assert one.name == "texture-chances"
    png = png_file(one)
    assert png.startswith(b"\x89PNG")
    assert png == png_file(two)


def test_the_colours_are_those_of_the_page_and_carry_no_variant(trial):
    chances = chances_chart(sizing(**USUAL), trial)
    inks = {shape.ink for shape in chances.lay(WIDE).scene.shapes}
    assert inks <= {"ground", "ink", "soft", "people", "hair", "edge"}
    assert all(f"--bs-{ink}:" in css_variables(dark=True) for ink in inks)


def test_the_planned_number_of_sessions_stands_out(trial):
    case = sizing(**USUAL)
    lines = marks(chances_chart(case, trial).lay(WIDE).scene, "disc")
    assert {each.ink for each in lines} == {"ink"}
    elsewhere = replace(trial, sessions=trial.sessions[:1])
    lines = marks(chances_chart(case, elsewhere).lay(WIDE).scene, "disc")
    assert {each.ink for each in lines} == {"people"}
