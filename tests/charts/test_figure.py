"""Charts of an exact size: nothing cut, nothing covered, large enough to read on a phone."""

from __future__ import annotations

import io
import re
import time
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from blindspoon.charts.board import board_chart, differences_chart, scores_chart
from blindspoon.charts.posts import ATTEMPTS, FORMATS, POSTED, figure_files, figure_of, png_series
from blindspoon.charts.posts import SIZES as EVERY_SIZE
from blindspoon.charts.scene import PALETTE, Marks

SOURCE = "12 tasters, 2 sessions, 19 September 2026. The allotment kitchen. Made with Blindspoon."
QUESTION = "Which of four changes to a plain brine can tasters notice once the jars are ready?"
SIZES = pytest.mark.parametrize("size", [size for size in FORMATS if size != "preview"])
LEAST = {"video": 26, "square": 28, "tall": 28, "preview": 16}
PIXELS = {
    "video": (1920, 1080),
    "square": (1080, 1080),
    "tall": (1080, 1920),
    "preview": (1200, 630),
}
SOFT = {"ink", "soft"}


@pytest.fixture(scope="module", params=[12, 40])
def twelve(request, make, several):
    """Both charts of twelve variants, with so many tasters."""
    shifts = tuple(0.25 * n - 1 for n in range(12))
    labels = tuple(f"Brine {n:02d}" for n in range(1, 13))
    picture = make(shifts=shifts, labels=labels, tasters=request.param, control=3)
    return [differences_chart(picture), board_chart(several(picture))]


@pytest.fixture(scope="module")
def chart(typical):
    return differences_chart(typical)


@pytest.fixture(scope="module")
def sized(chart):
    """The chart in every size for posts."""
    return {size: figure_of(chart, size, source=SOURCE, question=QUESTION) for size in FORMATS}


def head(figure):
    """Its title: all that is set bold in one size, the largest."""
    largest = max(text.size for text in figure.scene.texts)
    return [text for text in figure.scene.texts if text.size == largest]


def pixels(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)))


def attributes_of(svg: bytes) -> dict[str, str]:
    return dict(
        re.findall(r'([a-zA-Z-]+)="([^"]*)"', svg.decode().split("<svg", 1)[1].split(">")[0])
    )


def rgb(colour: str) -> list[int]:
    return [int(colour[at : at + 2], 16) for at in (1, 3, 5)]


@SIZES
def test_nothing_is_cut_or_covered_and_all_is_legible(hard, posted, size, faults):
    drawn = [figure_of(each, size, source=SOURCE, question=QUESTION) for each in posted]
    for each in filter(None, drawn):
        assert faults(each.scene) == [], each.name
        scale = each.width / each.scene.width
        assert min(text.size for text in each.scene.texts) * scale >= LEAST[size] - 1e-9
        assert {text.ink for text in each.scene.texts} <= SOFT
        assert ATTEMPTS[0].titles[-1] <= head(each)[0].size * scale + 1e-9
        assert each.scene.texts[-1].text != ""
    longest = max(len(variant.label) for variant in hard.variants)
    crowded = len(hard.variants) > 10 and longest > 30
    assert crowded or all(drawn), size


@SIZES
def test_twelve_variants_fit_every_size(twelve, size, faults):
    for each in twelve:
        drawn = figure_of(each, size, source=SOURCE, question=QUESTION)
        assert drawn is not None, each.name
        assert faults(drawn.scene) == []


def test_twelve_long_labels_fit_a_video_and_a_tall_post(make):
    shifts = tuple(0.25 * n - 1 for n in range(12))
    labels = tuple(f"Brine number {n:02d}, oak and vine leaf, dill" for n in range(1, 13))
    chart = differences_chart(make(shifts=shifts, labels=labels))
    fits = {size: figure_of(chart, size, source=SOURCE) is not None for size in FORMATS}
    assert fits == {"video": True, "tall": True, "square": False, "preview": True}


@pytest.mark.parametrize(
    ("size", "dark"), [("video", True), ("square", False), ("tall", False), ("preview", True)]
)
def test_the_png_has_its_exact_size_on_an_opaque_ground(sized, size, dark):
    image = pixels(replace(sized[size], dark=dark).png)
    assert (image.shape[1], image.shape[0]) == PIXELS[size]
    assert image.shape[2] == 3 or (image[..., 3] == 255).all()
    ground = rgb(PALETTE["ground"][dark])
    edge = [image[0], image[-1], image[:, 0], image[:, -1]]
    assert all((line[:, :3] == ground).all() for line in edge)
    painted = {colour[:3] for _, colour in Image.fromarray(image).getcolors(image.size)}
    inks = (tuple(rgb(PALETTE[ink][dark])) for ink in ("ink", "soft", "people", "v1"))
    assert painted.issuperset(inks)


@SIZES
def test_the_svg_has_its_exact_size_and_words_for_who_does_not_see_it(chart, size):
    drawn = replace(figure_of(chart, size, source=SOURCE), dark=True)
    root = attributes_of(drawn.svg)
    assert (int(root["width"]), int(root["height"])) == PIXELS[size]
    width, height = (float(side) for side in root["viewBox"].split()[2:])
    assert width / height == pytest.approx(PIXELS[size][0] / PIXELS[size][1], rel=1e-3)
    assert root["aria-label"] == drawn.alt
    assert drawn.alt.startswith("Dot plot of the differences of 12 tasters from the control on ")
    assert ", where " in drawn.alt
    assert PALETTE["ground"][0].encode() not in drawn.svg


@SIZES
def test_a_picture_says_finding_question_and_source(chart, size):
    drawn = figure_of(chart, size, source=SOURCE, question="What keeps them crisp?")
    assert " ".join(text.text for text in head(drawn)) == chart.title
    said = " ".join(text.text for text in drawn.scene.texts)
    assert SOURCE in said
    assert "What keeps them crisp?" in said
    titles = 48 <= head(drawn)[0].size * drawn.width / drawn.scene.width <= 64
    assert titles


@SIZES
def test_the_chart_uses_the_room(chart, size):
    drawn = figure_of(chart, size, source=SOURCE)
    title = max(text.box.bottom for text in head(drawn))
    source = min(text.box.top for text in drawn.scene.texts if text.text[:10] in SOURCE)
    body = [each.box for each in drawn.scene.shapes[1:] if title < each.box.top < source - 1]
    high = max(box.bottom for box in body) - min(box.top for box in body)
    assert high >= 0.85 * (source - title)
    wide = max(box.right for box in body) - min(box.left for box in body)
    assert wide >= 0.85 * drawn.scene.width


def test_few_variants_are_drawn_larger(make):
    few = make(shifts=(0.0, 2.0), labels=("Plain", "Oak"))
    many = make(shifts=tuple(0.2 * n for n in range(10)), labels=tuple("ABCDEFGHIJ"))
    scales = [
        each.width / each.scene.width
        for each in (figure_of(differences_chart(p), "video", source=SOURCE) for p in (few, many))
    ]
    assert scales[0] > 1.2 * scales[1]


def test_tasters_that_find_no_room_become_densities_and_alt_says_so(make):
    shifts = tuple(0.25 * n - 1 for n in range(12))
    picture = make(shifts=shifts, labels=tuple("ABCDEFGHIJKL"), tasters=40)
    drawn = figure_of(differences_chart(picture), "square", source=SOURCE)
    people = [each for each in drawn.scene.shapes if isinstance(each, Marks)]
    assert not [each for each in people if each.ink == "people"]
    assert drawn.alt.startswith("Density plot of ")
    said = " ".join(text.text for text in drawn.scene.texts)
    assert "Densities: the tasters’ differences from the A batch, in points." in said


def test_print_is_the_wide_chart_at_300_dots_an_inch(chart):
    drawn = figure_of(chart, "print", source=SOURCE)
    image = Image.open(io.BytesIO(drawn.png))
    assert image.size == (2400, round(drawn.scene.height * 300 / 96))
    assert image.info["dpi"] == pytest.approx((300, 300), abs=0.1)
    assert drawn.scene.width == chart.figure.width
    assert drawn.scene.texts[-1].text in SOURCE
    assert attributes_of(drawn.svg)["width"] == "768"


def test_a_series_is_the_same_as_each_alone(typical, sized):
    drawn = replace(sized["square"], width=540, height=540)  # half its size: a quarter of the work
    half = replace(drawn, scene=replace(drawn.scene, shapes=drawn.scene.shapes[:12]))
    other = figure_of(scores_chart(typical), "square", source=SOURCE)
    other = replace(other, width=540, height=540)
    assert list(png_series([half, drawn, other])) == [half.png, drawn.png, other.png]


def all_files(pictures, question):
    sized = (figure_files(pictures, size, question=question, source=SOURCE) for size in EVERY_SIZE)
    return {path: data for files in sized for path, data in files}


def test_all_files_have_their_places(make, several, monkeypatch):
    def sides(figures):
        return (f"{figure.width} x {figure.height}".encode() for figure in figures)

    monkeypatch.setattr("blindspoon.charts.posts.png_series", sides)
    monkeypatch.setattr("blindspoon.charts.posts.png_series", sides)
    pictures = several(make(shifts=(0.0, 2.0), labels=("Plain", "Oak")))
    one = all_files(pictures, QUESTION)
    names = ("texture-differences", "other-differences", "board")
    expected = {f"figures/{size}/{name}{end}" for size in POSTED for name in names
                for end in (".png", ".svg", "-dark.svg")}  # fmt: skip
    expected |= {f"figures/video/{name}-dark.png" for name in names}
    expected |= {f"figures/print/{name}.{end}" for name in names for end in ("png", "svg")}
    expected |= {f"figures/frames/{n:02d}.png" for n in range(1, 5)}
    expected |= {f"figures/frames/tall/{n:02d}.png" for n in range(1, 5)} | {"preview.png"}
    assert set(one) == expected
    for path, data in one.items():
        size = "preview" if path == "preview.png" else path.split("/")[1]
        if path.endswith(".png") and size in PIXELS:
            assert data.decode() == "{} x {}".format(*PIXELS[size])
        if path.endswith(".svg"):
            assert re.search(rb'aria-label="[A-Z][a-z ]+ of .+, where .+\."', data), path


@SIZES
def test_same_input_same_bytes(typical, size):
    one, two = (figure_of(scores_chart(typical), size, source=SOURCE) for _ in range(2))
    assert one == two
    assert one.svg == two.svg
    if size == "square":
        assert one.png == two.png


def test_a_trial_without_comparisons_has_only_its_scores(make):
    picture = make(missing=(0,))
    assert all_files([picture], "") == {}


def test_what_has_no_room_is_named_and_not_left_out(make, several):
    labels = ["Plain", *(f"{name} with a long label" * 2 for name in "ABCDEFGHIJK")]
    pictures = several(make(tasters=6, shifts=(0.0,) * 12, labels=labels))
    found = dict(figure_files(pictures, "square", question=QUESTION, source=SOURCE))
    lost = {path for path, data in found.items() if data is None}
    assert {"figures/square/texture-differences", "figures/square/board"} <= lost
    assert not any(f"{path}.png" in found for path in lost)


@pytest.mark.bench
def test_all_pictures_of_a_trial_take_less_than_five_seconds(attributes):
    start = time.process_time()
    made = all_files(attributes, QUESTION)
    assert len(made) > 70
    assert time.process_time() - start < 5
