"""The chart of readings, from logs made by hand: what it says, and where its marks lie."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from blindspoon.batches.log import build_log
from blindspoon.charts.axis import apart
from blindspoon.charts.chart import png_file, svg_file
from blindspoon.charts.jars import LIMIT_WORDS, readings_chart, readings_of
from blindspoon.charts.scene import NARROW, WIDE, Line, Marks
from blindspoon.files.text_table import table_of
from blindspoon.files.trial_toml import parse_trial

SHEETS = pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])
FELL = {"plain": (6.1, 4.7, 3.6), "oak": (5.9, 4.4, 3.8), "cool": (6.2, 5.3, 4.5)}
LONG = "Brine number {1:02d}, oak and vine leaf, dill"


def trial(names, label="{0} <brine>"):
    head = 'trial = { title = "Crisp?", control = "plain" }\ntasting = { tasters = 3 }\n'
    head += 'scale = { low = 0, high = 10 }\nattribute = [{ name = "texture" }]\n'
    labels = [label.format(name, at) for at, name in enumerate(names, 1)]
    pairs = zip(names, labels, strict=True)
    return parse_trial(
        head + "".join(f'[[variant]]\nname = "{n}"\nlabel = "{t}"\n' for n, t in pairs)
    )


def log(ph, *, started="2026-09-05", temperature=False, variants=None):
    """One jar a variant, read every third day; jars without values are never read."""
    of = variants or {name: name for name in ph}
    made = [{"batch": f"jar {n}", "variant": of[n], "started": started} for n in ph]
    read = [
        {
            "batch": f"jar {name}",
            "date": f"2026-09-{5 + 3 * at:02d}",
            "ph": str(value),
            "temperature_c": str(20 - at) if temperature else "",
        }
        for name, values in ph.items()
        for at, value in enumerate(values)
    ]
    names = list(dict.fromkeys(of.values()))
    tables = table_of("batches.csv", made), table_of("readings.csv", read) if read else None
    return build_log(trial(names if names[1:] else [*names, "oak"]), *tables)[0]


def chart(ph, **more):
    return readings_chart(log(ph, **more), trial(list(ph)))


def many():
    names = ["plain", *(f"v{n}" for n in range(1, 12))]
    return {name: (6.0, 4.0 + (at % 2), 3.6) for at, name in enumerate(names)}


HARD = {
    "usual": (log(FELL, temperature=True), trial(FELL)),
    "twelve long": (log(many(), temperature=True), trial(many(), LONG)),
    "one reading": (log({"plain": (4.6,), "oak": ()}), trial(["plain", "oak"])),
    "wild": (log({"plain": (0.0, 14.0), "oak": (5.0,)}), trial(["plain", "oak"])),
    "several jars": (
        log(
            {"plain": (6, 3.7), "a": (6, 3.6), "b": (6, 3.6), "cool": (5, 4)},
            variants={"plain": "plain", "a": "oak", "b": "oak", "cool": "cool"},
        ),
        trial(FELL),
    ),
    "no start": (log(FELL, started=""), trial(FELL)),
}


@pytest.fixture(params=list(HARD), ids=lambda name: name.replace(" ", "-"))
def scenes(request):
    made, of = HARD[request.param]
    drawn = [readings_of(made, of).lay(sheet).scene for sheet in (WIDE, NARROW)]
    return [*drawn, readings_chart(made, of).figure]


def height(scene, number: str) -> float:
    return next(t.y - 4 for t in scene.texts if t.anchor == "end" and t.text == number)


@SHEETS
def test_every_reading_is_a_mark_at_its_height_and_day(sheet):
    scene = readings_of(log(FELL), trial(FELL)).lay(sheet).scene
    four, six = height(scene, "4"), height(scene, "6")
    drawn = [s for s in scene.shapes if isinstance(s, Marks) and len(s.points) == 3]
    read = [[4 + 2 * (four - y) / (four - six) for _, y in each.points] for each in drawn]
    rounded = {tuple(round(value, 9) for value in each) for each in read}
    assert rounded == set(FELL.values())
    zeros, sixes = ([t.x for t in scene.texts if t.text == day] for day in "06")
    panels = [panel for panel in zip(zeros, sixes[-2:], strict=True) for _ in range(2)]
    for each, (zero, six_days) in zip(
        sorted(drawn, key=lambda m: m.points[0]), panels, strict=True
    ):
        days = [6 * (x - zero) / (six_days - zero) for x, _ in each.points]
        assert days == pytest.approx([0, 3, 6])


@SHEETS
def test_the_limit_is_a_dashed_line_with_its_number_and_words(sheet):
    scene = readings_of(log(FELL, temperature=True), trial(FELL)).lay(sheet).scene
    dashed = [s for s in scene.shapes if isinstance(s, Line) and s.dashed]
    assert [line.points[0][1] for line in dashed] == [height(scene, "4.6")] * 2
    four, six = height(scene, "4"), height(scene, "6")
    assert (four - dashed[0].points[0][1]) / (four - six) == pytest.approx(0.3)
    assert LIMIT_WORDS in " ".join(text.text for text in scene.texts)


@SHEETS
def test_each_panel_says_whose_it_is_and_what_was_read(sheet):
    scene = readings_of(log(FELL, temperature=True), trial(FELL)).lay(sheet).scene
    words = " ".join(text.text for text in scene.texts)
    assert words.count("oak <brine>") == words.count("cool <brine>") == 2
    assert words.count("Temperature, °C") == 2
    assert "Grey, with diamonds: plain <brine>." in words
    assert "Across: days since the jar was started." in words
    assert "Temperature" not in str(readings_of(log(FELL), trial(FELL)).lay(sheet).scene)


def test_a_tenth_of_a_degree_is_no_slope():
    panel = readings_of(log({"plain": (6.0,), "oak": (6.0,)}, temperature=True), trial(FELL))
    numbers = [text.text for text in panel.lay(WIDE).scene.texts if text.anchor == "end"]
    assert [number for number in numbers if float(number) > 15] == ["18", "19", "20", "21", "22"]


def test_several_jars_of_the_control_are_named_for_the_title_may_name_one():
    of = {"plain": "plain", "b": "plain", "oak": "oak"}
    made, names = (
        log({"plain": (6, 4.8), "b": (6, 4), "oak": (5, 4)}, variants=of),
        ["plain", "oak"],
    )
    said = " ".join(text.text for text in readings_of(made, trial(names)).lay(WIDE).scene.texts)
    assert "Grey, with diamonds: plain <brine> (jar plain and jar b)." in said


@SHEETS
def test_each_variant_has_a_panel_with_the_control_in_grey_behind_it(sheet):
    scene = readings_of(log(many() | {"v3": ()}), trial(many())).lay(sheet).scene
    marks = [s for s in scene.shapes if isinstance(s, Marks)]
    assert [(m.kind, m.ink) for m in marks] == [("diamond", "people"), ("disc", "ink")] * 10
    heads = [text.text for text in scene.texts if text.bold]
    assert heads == [f"v{n} <brine>" for n in range(1, 12) if n != 3]
    shapes = {tuple(shape(m)) for m in marks if m.kind == "diamond"}
    assert len(shapes) == 1, "the control looks the same in all panels: same scales"


def shape(marks):
    x, y = marks.points[0]
    return [(round(a - x, 6), round(b - y, 6)) for a, b in marks.points]


@SHEETS
def test_batches_of_one_variant_are_named_in_its_panel(sheet):
    scene = readings_of(*HARD["several jars"]).lay(sheet).scene
    words = [text.text for text in scene.texts]
    assert (words.count("jar a"), words.count("jar b"), words.count("jar cool")) == (1, 1, 0)
    starts, ends = ([text.x for text in scene.texts if text.text == day] for day in "03")
    assert ends[0] - starts[0] == pytest.approx(ends[1] - starts[1]), "same scales"


def test_batches_of_one_variant_are_told_apart():
    made = log({"a": (3.6,), "b": (3.7,)}, variants={"a": "plain", "b": "plain"})
    labels = [track.label for track in readings_of(made, trial(["plain", "oak"])).ph]
    assert labels == ["plain <brine>, jar a (control)", "plain <brine>, jar b (control)"]


@pytest.mark.parametrize(
    ("ph", "title"),
    [
        (FELL, "Every jar was last read at pH 4.6 or below"),
        ({"plain": (4.6,), "oak": (3.9,)}, "Every jar was last read at pH 4.6 or below"),
        (FELL | {"cool": (3.9, 4.61)}, "“cool <brine>” was last read above pH 4.6"),
        (
            {"plain": (5.0,), "oak": (4.9,), "cool": ()},
            "“plain <brine>” and “oak <brine>” were last read above pH 4.6; not every jar was read",
        ),
        (
            FELL | {"raw": ()},
            "Not every jar was read for pH; all that were stood at 4.6 or below at last",
        ),
        (
            dict.fromkeys(("plain", "a", "b", "c", "d"), (5.0,)) | {"d": (4.0,)},
            "Four of five jars were last read above pH 4.6",
        ),
    ],
)
def test_the_title_is_the_finding(ph, title):
    found = chart(ph)
    assert found.title == title
    assert title[1:] in found.alt
    assert "safe" not in (found.alt + found.wide).lower()


def test_without_a_reading_of_ph_there_is_no_chart():
    assert chart({"plain": (), "oak": ()}) is None
    assert chart({"plain": ("",), "oak": ("",)}, temperature=True) is None


def test_days_are_counted_from_the_first_reading_where_the_start_is_not_known():
    known, unknown = (readings_of(log(FELL, started=s), trial(FELL)) for s in ("2026-09-01", ""))
    known_days, days = ([day for day, _ in it.ph[0].points] for it in (known, unknown))
    assert (known_days, known.across) == ([4, 7, 10], "days since the jar was started")
    assert days == [0, 3, 6]
    assert unknown.across == "days since the jar was first read"


def test_everything_lies_on_the_sheet_and_can_be_read(scenes, faults):
    assert [scene.width for scene in scenes] == [720, 358, 768]
    for scene in scenes:
        assert min(text.size for text in scene.texts) >= 11
        assert faults(scene) == []


def test_names_that_would_meet_move_apart():
    assert apart([50, 50, 95], [20, 20, 20], (0, 100)) == [50, 70, 90]


def test_files_are_the_same_every_time():
    one, two = chart(FELL, temperature=True), chart(FELL, temperature=True)
    assert one == two
    assert one.name == "readings"
    for svg in (one.wide, one.narrow, svg_file(one)):
        assert ElementTree.fromstring(svg).get("aria-label") == one.alt  # noqa: S314 - our own text
    assert png_file(one) == png_file(two)
