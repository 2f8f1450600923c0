"""Charts of an exact size: nothing cut, nothing covered, large enough to read on a phone."""

from __future__ import annotations

import io
import time

import numpy as np
import pytest
from PIL import Image

from blindspoon.analysis import analyse
from blindspoon.charts.board import board_chart, differences_chart
from blindspoon.charts.picks import picks_chart
from blindspoon.charts.png import png
from blindspoon.charts.posts import FORMATS, TITLES, Captions, figure_files, picture_of
from blindspoon.charts.scene import NARROW, PALETTE, WIDE, Marks

SOURCE = "12 tasters, 2 sessions, 19 September 2026. The allotment kitchen. Made with Blindspoon."
QUESTION = "Which of four changes to a plain brine can tasters notice once the jars are ready?"
CAPTIONS = Captions(SOURCE, QUESTION)
SIZES = pytest.mark.parametrize("size", FORMATS)
LEAST = {"video": 26, "square": 28, "tall": 28}
PIXELS = {"video": (1920, 1080), "square": (1080, 1080), "tall": (1080, 1920)}
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
    return {size: picture_of(chart, size, CAPTIONS) for size in FORMATS}


def head(figure):
    """Its title: all that is set bold in one size, the largest."""
    largest = max(text.size for text in figure.texts)
    return [text for text in figure.texts if text.size == largest]


def pixels(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)))


def rgb(colour: str) -> list[int]:
    return [int(colour[at : at + 2], 16) for at in (1, 3, 5)]


@SIZES
def test_nothing_is_cut_or_covered_and_all_is_legible(hard, posted, size, faults):
    drawn = [picture_of(each, size, CAPTIONS) for each in posted]
    for each in filter(None, drawn):
        assert faults(each) == []
        scale = FORMATS[size].width / each.width
        assert min(text.size for text in each.texts) * scale >= LEAST[size] - 1e-9
        assert {text.ink for text in each.texts} <= SOFT
        assert TITLES[-1] <= head(each)[0].size * scale + 1e-9
        assert each.texts[-1].text != ""
    longest = max(len(variant.label) for variant in hard.variants)
    crowded = len(hard.variants) > 10 and longest > 30
    assert crowded or drawn[0], size  # a board can be shared out


@SIZES
def test_twelve_variants_fit_every_size_and_on_a_board_all_but_a_square(twelve, size, faults):
    for each in twelve[: 1 + (size != "square")]:
        drawn = picture_of(each, size, CAPTIONS)
        assert drawn is not None, each.name
        assert faults(drawn) == []


def test_twelve_long_labels_fit_a_video_and_a_tall_post(make):
    shifts = tuple(0.25 * n - 1 for n in range(12))
    labels = tuple(f"Brine number {n:02d}, oak and vine leaf, dill" for n in range(1, 13))
    chart = differences_chart(make(shifts=shifts, labels=labels))
    fits = {size: picture_of(chart, size, Captions(SOURCE)) is not None for size in FORMATS}
    assert fits == {"video": True, "tall": True, "square": False}


@pytest.mark.parametrize("tests", [(24,) * 9, (24, 30, 60), (200, 3)])
def test_answers_to_sets_of_cups_fit_every_size(tests, tmp_path, faults):
    text = 'trial = { title = "T", control = "v0" }\nchoice = { method = "triangle" }\n'
    names = [f"v{place}" for place in range(len(tests) + 1)]
    text += "".join(
        f'[[variant]]\nname = "{name}"\nlabel = "Brine {name}, oak and dill"\n' for name in names
    )
    rows = [f"{name},{n},{n // 2}" for name, n in zip(names[1:], tests, strict=True)]
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    (tmp_path / "choices.csv").write_text("\n".join(["variant,tests,right", *rows]), "utf-8")
    found = analyse(tmp_path)
    chart = picks_chart(found.choices, found.names, SOURCE)
    drawn = [picture_of(chart, size, CAPTIONS) for size in FORMATS]
    for scene in (chart.lay(WIDE).scene, chart.lay(NARROW).scene, *drawn):
        assert faults(scene) == []


@pytest.mark.parametrize(("size", "dark"), [("video", True), ("square", False), ("tall", False)])
def test_the_png_has_its_exact_size_on_an_opaque_ground(sized, size, dark):
    image = pixels(png(sized[size], width=FORMATS[size].width, dark=dark))
    assert (image.shape[1], image.shape[0]) == PIXELS[size]
    assert image.shape[2] == 3 or (image[..., 3] == 255).all()
    ground = rgb(PALETTE["ground"][dark])
    edge = [image[0], image[-1], image[:, 0], image[:, -1]]
    assert all((line[:, :3] == ground).all() for line in edge)
    painted = {colour[:3] for _, colour in Image.fromarray(image).getcolors(image.size)}
    inks = (tuple(rgb(PALETTE[ink][dark])) for ink in ("ink", "soft", "people", "v1"))
    assert painted.issuperset(inks)


@SIZES
def test_a_picture_says_finding_question_and_source(chart, size):
    drawn = picture_of(chart, size, Captions(SOURCE, "What keeps them crisp?"))
    assert " ".join(text.text for text in head(drawn)) == chart.title
    said = " ".join(text.text for text in drawn.texts)
    assert SOURCE in said
    assert "What keeps them crisp?" in said
    titles = 48 <= head(drawn)[0].size * FORMATS[size].width / drawn.width <= 64
    assert titles


@SIZES
def test_the_chart_uses_the_room(chart, size, box_of):
    drawn = picture_of(chart, size, Captions(SOURCE))
    title = max(text.box.bottom for text in head(drawn))
    source = min(text.box.top for text in drawn.texts if text.text[:10] in SOURCE)
    body = [box for box in map(box_of, drawn.shapes[1:]) if title < box.top < source - 1]
    high = max(box.bottom for box in body) - min(box.top for box in body)
    assert high >= 0.85 * (source - title)
    wide = max(box.right for box in body) - min(box.left for box in body)
    assert wide >= 0.85 * drawn.width


def test_few_variants_are_drawn_larger(make):
    few = make(shifts=(0.0, 2.0), labels=("Plain", "Oak"))
    many = make(shifts=tuple(0.2 * n for n in range(10)), labels=tuple("ABCDEFGHIJ"))
    widths = [
        picture_of(differences_chart(p), "video", Captions(SOURCE)).width for p in (few, many)
    ]
    assert widths[1] > 1.2 * widths[0]


def test_tasters_that_find_no_room_become_densities(make):
    shifts = tuple(0.25 * n - 1 for n in range(12))
    picture = make(shifts=shifts, labels=tuple("ABCDEFGHIJKL"), tasters=40)
    drawn = picture_of(differences_chart(picture), "square", Captions(SOURCE))
    people = [each for each in drawn.shapes if isinstance(each, Marks)]
    assert not [each for each in people if each.ink == "people"]
    said = " ".join(text.text for text in drawn.texts)
    assert "Densities: tasters’ differences from the A batch, in points." in said


def all_files(pictures, question):
    captions = Captions(SOURCE, question)
    return dict(each for size in FORMATS for each in figure_files(pictures, size, captions))


def test_all_files_have_their_places(make, several, monkeypatch):
    monkeypatch.setattr("blindspoon.charts.png.png", lambda *_, **__: b"drawn")
    pictures = several(make(shifts=(0.0, 2.0), labels=("Plain", "Oak")))
    names = ("texture-differences", "other-differences", "board")
    expected = {f"figures/{size}/{name}.png" for size in FORMATS for name in names}
    expected |= {f"figures/video/{name}-dark.png" for name in names}
    expected |= {f"figures/frames/{n:02d}.png" for n in range(1, 5)}
    expected |= {f"figures/frames/tall/{n:02d}.png" for n in range(1, 5)}
    files = all_files(pictures, QUESTION)
    assert files == dict.fromkeys(expected, b"drawn")
    assert next(iter(files)) == "figures/video/texture-differences.png"  # the primary one


def test_a_trial_without_comparisons_has_only_its_scores(make):
    picture = make(missing=(0,))
    assert all_files([picture], "") == {}


def test_what_has_no_room_is_named_and_not_left_out(make, several):
    labels = ["Plain", *(f"{name} with a long label" * 2 for name in "ABCDEFGHIJK")]
    pictures = several(make(tasters=6, shifts=(0.0,) * 12, labels=labels))
    found = dict(figure_files(pictures, "square", CAPTIONS))
    lost = {path for path, data in found.items() if data is None}
    assert {"figures/square/texture-differences", "figures/square/board"} <= lost
    assert not any(f"{path}.png" in found for path in lost)


@pytest.mark.bench
def test_all_pictures_of_a_trial_take_less_than_five_seconds(attributes):
    start = time.process_time()
    made = all_files(attributes, QUESTION)
    assert len(made) > 30
    assert time.process_time() - start < 5
