"""The chart of several kitchens, from pools made of random numbers."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from blindspoon.charts.posts import Captions, shared_files
from blindspoon.charts.scene import NARROW, WIDE, Area, Line, Marks, Scene
from blindspoon.files.trial_toml import parse_trial
from blindspoon.findings.pool_checks import Kitchen, Own, Pool, PooledAttribute, PooledComparison
from blindspoon.findings.rule import kind_of
from blindspoon.scores.standing import Standing
from blindspoon.stats.results import Interval, MixedContrast, NoResult
from blindspoon.writeup.kitchens import forest_of, forest_plot, forest_title

SHEETS = pytest.mark.parametrize("sheet", [WIDE, NARROW], ids=["wide", "narrow"])
NONE = NoResult("not asked for")


def contrast(centre, half):
    return MixedContrast(
        variant=1,
        difference=centre,
        se=half / 2,
        df=9.0,
        t=2 * centre / half,
        p_value=0.5,
        p_adjusted=0.01 if abs(centre) > half else 0.4,
        interval=Interval(centre - half, centre + half),
        equivalence_interval=Interval(centre - 0.8 * half, centre + 0.8 * half),
    )


def build(
    shifts=(2.0, 0.1, -1.5, 0.8),
    kitchens=("mill", "harbour", "hilltop"),
    labels=None,
    half=0.5,
    margin=1.0,
    lost=(),
    scale="{ low = 0, high = 10 }",
    primary=True,
):
    """A pool of one attribute; `lost` are kitchens without a result of their own."""
    rng = np.random.default_rng(3)
    names = [f"v{place}" for place in range(len(shifts) + 1)]
    labels = labels or ["Plain brine", *(f"Brine {place}" for place in range(1, len(names)))]
    made = ", ".join(
        f'{{ name = "{n}", label = "{x}" }}' for n, x in zip(names, labels, strict=True)
    )
    rule = ', primary = ["texture"]' if primary else ""
    trial = parse_trial(
        'trial = { title = "What keeps them crisp?", control = "v0" }\n'
        f"decision = {{ declared = 2026-09-04{rule} }}\n"
        f'scale = {scale}\nattribute = [{{ name = "texture", low = "soft", high = "crisp", '
        f'less = "softer", more = "crisper" }}]\nvariant = [{made}]\n'
    )
    attribute = replace(trial.attributes[0], margin=margin)
    comparisons = []
    for name, shift in zip(names[1:], shifts, strict=True):
        own = [
            Own(
                kitchen=kitchen,
                alpha=0.05,
                mixed=NONE if kitchen in lost else contrast(shift + 0.3 * rng.normal(), 0.8),
            )
            for kitchen in kitchens
        ]
        pooled = contrast(shift, half)
        kind = kind_of(pooled, margin=margin, alpha=0.05)
        comparisons.append(
            PooledComparison(
                attribute=attribute,
                variant=trial.variant(name),
                own=tuple(own),
                pooled=pooled,
                these=contrast(shift, half / 2),
                verdict=kind,
                because="",
            )
        )
    shown = PooledAttribute(
        attribute=attribute, primary=primary, alpha=0.05, fit=NONE, comparisons=tuple(comparisons)
    )
    return Pool(
        kitchens=tuple(
            Kitchen(
                name=name,
                folder="",
                fingerprint=name,
                trial=trial,
                table=None,
                results=(),
                made=None,
                notes=(),
                standing=Standing(),
                tables=None,
            )
            for name in kitchens
        ),
        variants=trial.variants,
        attributes=(shown,),
        not_pooled=(),
        remarks=(),
    )


LONG = [f"Brine number {n:02d}, oak and vine leaf, dill" for n in range(13)]
PLACES = tuple(f"the community kitchen at the harbour, {n}" for n in "ABCDEFGH")
HARD = {
    "typical": build(),
    "twelve long": build(tuple(0.4 * n - 2 for n in range(12)), PLACES, LONG),
    "three wide": build((1.5,), ("a", "b", "c"), half=9.0),
    "no margin": build(margin=None, primary=False),
    "hundred": build((20.0, -3.0), scale="{ low = 0, high = 100 }", margin=10.0, half=4.0),
    "lost": build(lost=("harbour",)),
    "words": build(labels=["<b>", "塩水", "Ærø's", "50 % & $x$", "x" * 40]),
}


def forest(pool):
    return forest_plot(pool, pool.attributes[0])


def of(scene, kind, ink):
    return [shape for shape in scene.shapes if isinstance(shape, kind) and shape.ink == ink]


def to_points(scene):
    """Read the axis from its ends: where the tick at zero and the next one are."""
    ticks = [s.points[0][0] for s in scene.shapes if is_tick(s)]
    numbers = [t.text for t in scene.texts if t.text.lstrip("+−").replace(".", "").isdigit()]
    values = [float(text.replace("−", "-")) for text in numbers[-len(ticks) :]]
    slope, start = np.polyfit(ticks, values, 1)
    return lambda x: start + slope * np.asarray(x)


def is_tick(shape):
    if not isinstance(shape, Line):
        return False
    upright = shape.points[0][0] == shape.points[1][0]
    return upright and shape.points[1][1] - shape.points[0][1] == pytest.approx(4)


@SHEETS
def test_a_panel_a_variant_a_row_a_kitchen_and_the_pooled_one(sheet):
    pool = HARD["typical"]
    texts = [text.text for text in forest(pool).lay(sheet).scene.texts]
    for name in ("mill", "harbour", "hilltop", "Kitchens like these"):
        assert texts.count(name) == 4
    assert [each for each in texts if each.startswith("Brine")] == [
        f"Brine {n}" for n in range(1, 5)
    ]


@SHEETS
def test_marks_and_intervals_lie_where_the_numbers_are(sheet):
    pool = HARD["typical"]
    scene = forest(pool).lay(sheet).scene
    read = to_points(scene)
    for number, comparison in enumerate(pool.attributes[0].comparisons, 1):
        found = [own.mixed for own in comparison.own] + [comparison.pooled]
        marks = of(scene, Marks, f"v{number}")
        assert [mark.kind for mark in marks] == ["disc", "disc", "disc", "diamond"]
        assert [float(read(mark.points[0][0])) for mark in marks] == pytest.approx(
            [each.difference for each in found], abs=1e-6
        )
        bars = of(scene, Line, f"v{number}")
        wanted = [each.interval for each in found]
        if comparison.verdict == "alike":
            wanted[-1] = comparison.pooled.equivalence_interval
        for bar, interval in zip(bars, wanted, strict=True):
            ends = read([bar.points[0][0], bar.points[1][0]])
            assert ends == pytest.approx([interval.low, interval.high], abs=1e-6)


@SHEETS
def test_margin_and_zero_run_through_every_row(sheet):
    pool = HARD["typical"]
    scene = forest(pool).lay(sheet).scene
    read = to_points(scene)
    bands = of(scene, Area, "band")
    assert len(bands) == 16
    for band in bands:
        ends = read([x for x, _ in band.points])
        assert (ends.min(), ends.max()) == pytest.approx((-1, 1), abs=1e-6)
    zeros = [line.points[0][0] for line in of(scene, Line, "ink")]
    assert read(zeros) == pytest.approx([0] * 16, abs=1e-6)


@SHEETS
def test_an_interval_that_goes_on_ends_in_an_arrow(sheet):
    pool = HARD["three wide"]
    scene = forest(pool).lay(sheet).scene
    assert len(of(scene, Area, "v1")) == 2  # both ends of the pooled interval


def test_a_kitchen_without_a_result_keeps_its_row():
    scene = forest(HARD["lost"]).lay(WIDE).scene
    assert sum(text.text == "no result" for text in scene.texts) == 4
    assert len(of(scene, Marks, "v1")) == 3


@pytest.mark.parametrize("case", HARD)
@SHEETS
def test_nothing_overlaps_and_nothing_is_cut(case, sheet, faults):
    scene = forest(HARD[case]).lay(sheet).scene
    assert faults(scene) == []
    assert min(text.size for text in scene.texts) >= 11


def test_the_title_states_the_finding():
    pool = HARD["typical"]
    assert forest_title(pool.attributes[0], pool).replace("\N{NO-BREAK SPACE}", " ") == (
        "In kitchens like these three, “Brine 1” and “Brine 4” were crisper than “Plain brine”; "
        "“Brine 3” was softer"
    )


@pytest.mark.parametrize(
    ("shifts", "half", "end"),
    [
        ((0.1,), 0.5, "“Brine 1” came within 1 point of “Plain brine” on texture"),
        ((0.1, 0.0), 3.0, "nothing is settled on texture"),
        ((0.1,), 3.0, "whether “Brine 1” differs from “Plain brine” on texture is not settled"),
        ((0.4, 2.0), 0.3, "“Brine 2” was crisper than “Plain brine”; “Brine 1” was slightly"),
        ((0.4,), 0.3, "“Brine 1” was slightly crisper than “Plain brine”"),
        ((2.0, 2.1, 2.2), 0.5, "“Brine 3”, “Brine 2” and “Brine 1” were crisper than “Plain"),
        ((-2.0, 0.0), 0.9, "“Brine 1” was softer than “Plain brine”; “Brine 2” came within"),
    ],
)
def test_titles_of_other_findings(shifts, half, end):
    pool = build(shifts, half=half)
    title = forest_title(pool.attributes[0], pool).replace("\N{NO-BREAK SPACE}", " ")
    assert title.startswith(f"In kitchens like these three, {end}")


def test_its_name_alt_and_source():
    chart = forest_of(HARD["typical"], HARD["typical"].attributes[0])
    assert chart.name == "texture-kitchens"
    assert chart.alt.endswith("Forest plot of what 3 kitchens found on texture.")
    under = " ".join(text.text for text in chart.figure.texts[-2:])
    assert under.endswith("“What keeps them crisp?”, tasted in mill, harbour and hilltop")


def test_four_variants_share_out_the_pictures_of_posts_and_video(monkeypatch):
    pool = HARD["typical"]
    (found,) = pool.attributes
    drawn = list[Scene]()
    monkeypatch.setattr("blindspoon.charts.png.png", lambda scene, **_: drawn.append(scene))
    made = shared_files(4, partial(forest_of, pool, found), "video", Captions(""))
    paths = [path for path, _ in made]
    ends = ("-1.png", "-1-dark.png", "-2.png", "-2-dark.png")
    assert paths == [f"figures/video/texture-kitchens{end}" for end in ends]
    last = " ".join(text.text for text in drawn[-1].texts)
    assert "Brine 4" in last
    assert "Brine 1" not in last


def test_a_part_of_an_attribute_does_not_say_that_nothing_is_settled():
    pool = build((0.1, 0.0, 3.0), half=2.0)
    found = pool.attributes[0]
    title = forest_title(replace(found, comparisons=found.comparisons[:2]), pool)
    assert "“Brine 1”" in title
    assert "nothing is settled" not in title


@pytest.mark.browser
def test_no_text_is_cut_or_covered_in_a_browser(covered):
    assert covered([forest_of(pool, pool.attributes[0]) for pool in HARD.values()]) == []


def test_of_the_rows_of_a_variant_the_pooled_one_stands_out():
    texts = forest(HARD["typical"]).lay(NARROW).scene.texts
    bold = [text.text for text in texts if text.bold]
    assert bold[1::3] == ["Kitchens like these"] * (
        len(bold) // 3
    )  # after the name of each variant


@SHEETS
def test_a_pooled_diamond_that_is_not_settled_is_hollow(sheet):
    pool = build(half=1.2)
    scene = forest(pool).lay(sheet).scene
    kinds = [it.verdict for it in pool.attributes[0].comparisons]
    inside = [mark for mark in of(scene, Marks, "ground") if mark.kind == "diamond"]
    assert "open" in kinds
    assert len(inside) == len(kinds) + kinds.count("open")
    assert "Hollow: not settled." in " ".join(text.text for text in scene.texts)
