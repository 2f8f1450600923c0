"""The chart of taste over measurement, from points made by hand."""

from __future__ import annotations

from functools import partial

import pytest

from blindspoon.batches.summary import TasteAgainst, TastePoint
from blindspoon.charts.chart import png_file
from blindspoon.charts.jars import lay_measured, measured_chart
from blindspoon.charts.scene import NARROW, WIDE, Line, Marks
from blindspoon.files.trial_toml import parse_trial

SHEETS = pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])
SALT, SCORES = (2.0, 2.5, 3.5), (4.0, 6.5, 5.0)


def trial(labels=("Plain", "Oak <leaf>", "Cool"), scale="low = 0, high = 10"):
    return parse_trial(
        f'trial = {{ title = "Salt?", control = "v0" }}\nscale = {{ {scale} }}\n'
        "tasting = { tasters = 3 }\n"
        'attribute = [{ name = "saltiness", label = "Saltiness", low = "none", high = "brine" }]\n'
        + "".join(
            f'[[variant]]\nname = "v{at}"\nlabel = "{label}"\n' for at, label in enumerate(labels)
        )
    )


def against(measured=SALT, perceived=SCORES, quantity="salt_percent", same=()):
    points = tuple(
        TastePoint(variant=f"v{at}", measured=x, perceived=y, tasters=8)
        for at, (x, y) in enumerate(zip(measured, perceived, strict=True))
    )
    return TasteAgainst(attribute="saltiness", quantity=quantity, points=points, same_strength=same)


LONG = tuple(f"Brine number {n:02d}, oak and vine leaf, dill" for n in range(1, 13))
HUNDRED = "low = 0, high = 100"
HARD = {
    "usual": (against(), trial()),
    "twelve long": (against((2.3,) * 12, (5.0,) * 12), trial(LONG)),
    "ends": (against((0.0, 40.0), (0.0, 100.0)), trial(LONG[:2], HUNDRED)),
    "pH": (against((3.5, 3.6, 3.9), quantity="last_ph", same=("v1",)), trial()),
    "acid": (against((0.0, 0.4, 0.4), quantity="citric_g_per_100_g"), trial()),
}


@pytest.fixture(params=list(HARD), ids=lambda name: name.replace(" ", "-"))
def scenes(request):
    drawn = [lay_measured(*HARD[request.param], sheet).scene for sheet in (WIDE, NARROW)]
    return [*drawn, measured_chart(*HARD[request.param]).figure]


def marks(scene) -> list[Marks]:
    """Marks in the plot: those on a ground of their own."""
    shapes = [shape for shape in scene.shapes if isinstance(shape, Marks)]
    grounds = {shape.points for shape in shapes if shape.ink == "ground"}
    return [shape for shape in shapes if shape.points in grounds and shape.ink != "ground"]


def test_numbers_across_are_no_finer_than_the_readings():
    scene = lay_measured(against((3.5, 3.6, 3.9), quantity="last_ph"), trial(), WIDE).scene
    across = [text.text for text in scene.texts if text.anchor == "middle" and "." in text.text]
    assert across == ["3.5", "3.6", "3.7", "3.8", "3.9"]


def words(scene) -> str:
    return " ".join(text.text for text in scene.texts)


@SHEETS
def test_every_variant_is_a_mark_at_its_strength_and_score(sheet):
    scene = lay_measured(against(), trial(), sheet).scene
    up = {t.text: t.y - 4 for t in scene.texts if t.anchor == "end"}
    across = {t.text: t.x for t in scene.texts if t.anchor == "middle"}
    left, right = min(across, key=float), max(across, key=float)
    unit = (across[right] - across[left]) / (float(right) - float(left))
    found = [
        (
            float(left) + (each.points[0][0] - across[left]) / unit,
            10 * (up["0"] - each.points[0][1]) / (up["0"] - up["10"]),
            each.kind,
        )
        for each in marks(scene)
    ]
    expected = [(2.5, 6.5, "disc"), (3.5, 5.0, "disc"), (2.0, 4.0, "diamond")]
    for got, want in zip(found, expected, strict=True):
        assert got[:2] == pytest.approx(want[:2])
        assert got[2] == want[2]


@SHEETS
def test_each_mark_is_named_and_the_caution_is_said(sheet):
    said = words(lay_measured(against(), trial(), sheet).scene)
    assert all(label in said for label in ("Plain (control)", "Oak <leaf>", "Cool"))
    assert "Exploratory: they are few, and no line is fitted." in said
    assert "0: none, 10: brine" in said


def leads(scene) -> list[Line]:
    centres = {point for it in scene.shapes if isinstance(it, Marks) for point in it.points}
    return [it for it in scene.shapes if isinstance(it, Line) and it.points[0] in centres]


@SHEETS
def test_names_stand_at_their_marks_and_no_line_looks_like_a_trend(sheet):
    scene = lay_measured(against(), trial(), sheet).scene
    assert leads(scene) == []
    at = {mark.points[0]: min(scene.texts, key=partial(distance, mark)) for mark in marks(scene)}
    assert [name.text for name in at.values()] == ["Oak <leaf>", "Cool", "Plain (control)"]


def distance(mark, text) -> float:
    (x, y), box = mark.points[0], text.box
    return max(box.left - x, x - box.right, 0) + max(box.top - y, y - box.bottom, 0)


@SHEETS
def test_what_leads_from_a_mark_to_a_name_far_off_can_be_seen(sheet):
    shapes = leads(lay_measured(*HARD["twelve long"], sheet).scene)
    assert shapes
    assert {lead.ink for lead in shapes} == {"edge"}  # three to one: test_palette


@pytest.mark.parametrize(
    ("quantity", "said", "name"),
    [
        ("salt_percent", "highest in salt, ", "saltiness-measured"),
        ("citric_g_per_100_g", "highest in added acid, ", "saltiness-measured"),
        ("last_ph", "highest in pH, ", "saltiness-measured-ph"),
    ],
)
def test_the_title_names_the_ends_and_the_name_is_its_own(quantity, said, name):
    chart = measured_chart(against(quantity=quantity), trial())
    assert chart.title == f"“Cool”, {said}scored 5.0 on saltiness; “Plain”, lowest, 4.0"
    assert chart.name == name


def test_no_variant_is_called_lowest_alone_that_shares_its_strength():
    title = measured_chart(against((2.0, 2.0, 1.0)), trial()).title
    assert title.startswith("“Plain”, among the highest in salt, scored 4.0 on saltiness; ")
    assert title.endswith("; “Cool”, lowest, 5.0")


def test_the_alt_tells_every_mark():
    alt = measured_chart(against(), trial()).alt
    assert alt.endswith("Scatter plot of perceived saltiness over measured salt.")
    assert "“Oak <leaf>” scored 6.5 points at 2.50 %" in alt
    sour = measured_chart(against(quantity="last_ph"), trial()).alt
    assert " and “Plain” scored 4.0 points at 2.0. Scatter" in sour


def test_strengths_that_count_as_equal_are_said_to_and_do_not_look_far_apart():
    near = against((2.0, 2.05, 1.95), same=("v1", "v2"))
    scene = lay_measured(near, trial(), WIDE).scene
    assert "As strong as the control, within 0.2 %: “Oak <leaf>” and “Cool”." in words(scene)
    xs = [each.points[0][0] for each in marks(scene)]
    wide = [each.points[0][0] for each in marks(lay_measured(against(), trial(), WIDE).scene)]
    assert max(xs) - min(xs) < 0.4 * (max(wide) - min(wide))
    one = lay_measured(against(same=("v2",)), trial(), WIDE).scene
    assert "As strong as the control, within 0.2 %: “Cool”." in words(one)


def test_everything_lies_on_the_sheet_and_can_be_read(scenes, faults):
    assert [scene.width for scene in scenes] == [720, 358, 768]
    for scene in scenes:
        assert min(text.size for text in scene.texts) >= 11
        assert faults(scene) == []


def test_the_same_input_gives_the_same_bytes():
    one, two = measured_chart(against(), trial()), measured_chart(against(), trial())
    assert one == two
    assert png_file(one) == png_file(two)
