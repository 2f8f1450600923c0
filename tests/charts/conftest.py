"""Outcomes made from random numbers: charts ask for no more than what a picture holds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest

from blindspoon.charts.board import (
    AttributeOutcome,
    board_chart,
    differences_chart,
    differences_plot,
    scores_chart,
    scores_plot,
)
from blindspoon.charts.chart import Chart
from blindspoon.charts.scene import (
    NARROW,
    WIDE,
    Area,
    Box,
    Line,
    Marks,
    Scene,
    Shape,
    Text,
    css_variables,
    face_css,
)
from blindspoon.findings.comparison import AttributeResult, Comparison, NotCompared
from blindspoon.findings.naming import name_all
from blindspoon.findings.rule import kind_of
from blindspoon.stats.results import (
    Interval,
    MixedContrast,
    NoResult,
    RankContrast,
)
from blindspoon.trial import Attribute, Scale, Variant

WHOLE = Scale(low=0, high=10, step=1)
NONE = NoResult("not asked for")


@dataclass(frozen=True, kw_only=True)
class Case:
    """What a picture is made from; `shifts` are the true differences, the control's is 0."""

    tasters: int = 12
    shifts: tuple[float, ...] = (0.0, 2.2, 1.4, 0.1, -1.6)
    labels: tuple[str, ...] = ("Plain brine", "Cool cellar", "Vine leaf", "Calcium", "Old brine")
    spread: float = 1.3
    scale: Scale = WHOLE
    margin: float | None = 1.0
    missing: tuple[int, ...] = ()
    lost: float = 0.0
    name: str = "texture"
    label: str = "Texture"
    words: tuple[str, str, str, str] = ("soft", "crisp", "softer", "crisper")
    control: int = 0
    primary: bool = True
    seed: int = 1
    by: str = "mixed"
    disputed: tuple[int, ...] = ()
    constant: bool = False


def scores(case: Case) -> np.ndarray:
    rng, scale = np.random.default_rng(case.seed), case.scale
    middle, unit = (scale.low + scale.high) / 2, (scale.high - scale.low) / 10
    if case.constant:
        return np.full((case.tasters, len(case.shifts)), middle)
    taster = rng.normal(0, 1.2, (case.tasters, 1))
    noise = rng.normal(0, case.spread, (case.tasters, len(case.shifts)))
    values = middle + unit * (taster + noise + np.array(case.shifts))
    if scale.step:
        values = np.round(values / scale.step) * scale.step
    values = np.clip(values, scale.low, scale.high)
    values[:, list(case.missing)] = np.nan
    values[rng.random(values.shape) < case.lost] = np.nan
    return values


def comparison(
    case: Case, attribute: Attribute, variant: Variant, means: np.ndarray, place: int
) -> Comparison | NotCompared:
    """Compare as a paired t would; only the shape of the numbers matters here."""
    difference = means[:, place] - means[:, case.control]
    difference = difference[np.isfinite(difference)]
    if difference.size == 0:
        return NotCompared(attribute=attribute, variant=variant, reason="")
    centre = float(difference.mean())
    error = float(difference.std(ddof=1) / difference.size**0.5) if difference.size > 1 else 0.0
    reach = 2.9 if difference.size > 6 else 9.0
    unclear = difference.size < 2 or error == 0
    result = MixedContrast(
        variant=place,
        difference=centre,
        se=error,
        df=11.0,
        t=0.0,
        p_value=0.5,
        p_adjusted=0.01 if abs(centre) > reach * error else 0.4,
        interval=Interval(centre - reach * error, centre + reach * error),
        equivalence_interval=Interval(centre - 0.85 * reach * error, centre + 0.85 * reach * error),
    )
    ranks = RankContrast(
        variant=place,
        tasters=difference.size,
        zero_differences=0,
        shift=centre,
        interval=None,
        equivalence_interval=None,
        p_value=0.5,
        p_adjusted=0.5,
        smallest_p=0.5,
        method="exact",
    )
    found = Comparison(
        attribute=attribute,
        variant=variant,
        tasters=difference.size,
        servings=difference.size,
        mean_control=float(np.nanmean(means[:, case.control])),
        mean_variant=float(np.nanmean(means[:, place])),
        mixed=NONE if unclear else result,
        ranks=ranks,
        by=case.by,
    )
    decides = found.found
    kind = "open" if decides is None else kind_of(decides, margin=case.margin, alpha=0.05)
    other = ("open" if kind != "open" else "different") if place in case.disputed else kind
    return replace(found, verdict=kind, verdict_by_other=other)


def build(case: Case) -> AttributeOutcome:
    means = scores(case)
    low, high, less, more = case.words
    attribute = Attribute(
        name=case.name,
        label=case.label,
        low=low,
        high=high,
        less=less,
        more=more,
        scale=case.scale,
        margin=case.margin,
    )
    variants = tuple(
        Variant(name=f"v{place}", label=case.labels[place], method="", differs=())
        for place in range(len(case.shifts))
    )
    return AttributeOutcome(
        variants=variants,
        control=case.control,
        means=means,
        result=AttributeResult(
            attribute=attribute,
            primary=case.primary,
            alpha=0.05,
            friedman=NONE,
            mixed=NONE,
            others=tuple(
                comparison(case, attribute, variant, means, place)
                for place, variant in enumerate(variants)
                if place != case.control
            ),
            by=case.by,
            unit="round" if case.tasters == 1 else "taster",
        ),
        names=name_all(variants, variants[case.control].name, "batch"),
        source="“What keeps half-sour cucumbers crisp?”, invented, 2026-09-19",
    )


LONG = tuple(f"Brine number {n:02d}, oak and vine leaf, dill" for n in range(1, 13))
MANY = tuple(0.25 * n - 1 for n in range(12))
HARD = {
    "typical": Case(),
    "twelve long": Case(shifts=MANY, labels=LONG, control=3),
    "forty": Case(tasters=40),
    "one taster": Case(tasters=1),
    "two tasters": Case(tasters=2, shifts=(0.0, 1.0), labels=("A", "B")),
    "hundred": Case(scale=Scale(low=0, high=100, step=1), margin=10.0, tasters=24),
    "no step": Case(scale=Scale(low=0, high=10), margin=None),
    "crowd": Case(tasters=100_000, spread=1.0),
    "forty-one": Case(tasters=41),
    "missing": Case(missing=(2,), lost=0.15),
    "no control": Case(missing=(0,)),
    "nothing": Case(missing=(0, 1, 2, 3, 4)),
    "constant": Case(constant=True),
    "constant crowd": Case(constant=True, tasters=500),
    "ranks": Case(by="ranks", tasters=5),
    "alike": Case(shifts=(0.0, 0.1, 0.0, 3.0, 0.4), spread=0.4, tasters=16),
    "words": Case(
        label="How salty <it> is & $why$",
        words=("not salty in the least, as fresh as water", "far too salty to eat more", "", ""),
        labels=(
            "塩水 きゅうり 対照",
            "Рассол <b>",
            "50 % & $x$",
            'Ærø\'s "jar"',
            "Donaudampfschifffahrtsgesellschaftsgurke",
        ),
    ),
}


def doubled(picture: AttributeOutcome) -> list[AttributeOutcome]:
    """Repeat a picture under another name, exploratory, before it."""
    attribute = replace(picture.attribute, name="other", label="Ferment character")
    result = replace(picture.result, primary=False, attribute=attribute)
    return [replace(picture, result=result), picture]


def four(picture: AttributeOutcome) -> list[AttributeOutcome]:
    """Repeat a picture under four attributes' names, with words from short to long."""
    words = (("soft", "crisp"), ("", ""), ("like fresh", "fully fermented"), ("0", "strong " * 4))
    return [
        named(picture, name=f"a{n}", label=f"Trait {n}", low=a, high=b)
        for n, (a, b) in enumerate(words)
    ]


def named(picture: AttributeOutcome, **words: str) -> AttributeOutcome:
    """Give the attribute of a picture other words."""
    attribute = replace(picture.attribute, **words)
    return replace(picture, result=replace(picture.result, attribute=attribute))


@pytest.fixture(scope="session", params=list(HARD), ids=lambda name: name.replace(" ", "-"))
def hard(request) -> AttributeOutcome:
    """Each of the cases that a chart has to bear."""
    return build(HARD[request.param])


@pytest.fixture(scope="session")
def typical() -> AttributeOutcome:
    """Twelve tasters, five variants, a scale of 0 to 10."""
    return build(Case())


@pytest.fixture(scope="session")
def charts(hard) -> list[Chart]:
    """Both charts of a hard case."""
    return [differences_chart(hard), scores_chart(hard)]


@pytest.fixture(scope="session")
def posted(hard, charts) -> list[Chart]:
    """What is made of a hard case in sizes for posts: a chart and the board."""
    return [charts[0], board_chart(doubled(hard))]


@pytest.fixture(scope="session")
def scenes(hard, charts) -> dict[str, Scene]:
    """Every drawing of a hard case, by name."""
    plots = {"differences": differences_plot(hard), "scores": scores_plot(hard)}
    sheets = {"wide": WIDE, "narrow": NARROW}
    drawn = {f"{name} {at}": plots[name].lay(sheets[at]).scene for name in plots for at in sheets}
    drawn["figure"] = charts[0].figure
    return drawn


@pytest.fixture(scope="session")
def attributes(typical) -> list[AttributeOutcome]:
    """Four attributes of one trial."""
    return four(typical)


@pytest.fixture(scope="session")
def several() -> Callable[[AttributeOutcome], list[AttributeOutcome]]:
    """Make two attributes of one picture."""
    return doubled


@pytest.fixture(scope="session")
def renamed() -> Callable[..., AttributeOutcome]:
    """Give the attribute of a picture other words."""
    return named


@pytest.fixture(scope="session")
def make() -> Callable[..., AttributeOutcome]:
    """Build a picture from the fields of a case."""
    return lambda **fields: build(Case(**fields))


def _box(shape: Shape) -> Box:
    """Find the rectangle that a shape fills."""
    if isinstance(shape, Text):
        return shape.box
    xs, ys = zip(*shape.points, strict=True)
    across = down = shape.radius if isinstance(shape, Marks) else 0.0
    if isinstance(shape, Line):  # across or upright, cut off square at its ends
        half = shape.width / 2
        across, down = (0.0, half) if ys[0] == ys[1] else (half, 0.0)
    return Box(min(xs) - across, min(ys) - down, max(xs) + across, max(ys) + down)


@pytest.fixture(scope="session")
def box_of() -> Callable[[Shape], Box]:
    """Find the rectangle that a shape fills."""
    return _box


def _parts(shape: Shape) -> list[Box]:
    """Boxes of what may strike a word: a line, or each mark; areas lie behind."""
    if isinstance(shape, Marks):
        r = shape.radius
        return [Box(x - r, y - r, x + r, y + r) for x, y in shape.points]
    return [] if isinstance(shape, Area | Text) else [_box(shape)]


def _meeting(ones: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Which boxes, shape (n, 4), share more than an edge with which others, shape (m, 4)."""
    one, other = ones[:, None], others[None]
    within = (one[..., :2] < other[..., 2:]) & (other[..., :2] < one[..., 2:])
    return within.all(axis=2)


@pytest.fixture(scope="session")
def faults() -> Callable[[Scene], list[object]]:
    """List what is cut, and the words that lie on others, on lines or on marks."""

    def find(scene: Scene) -> list[object]:
        boxes = np.array([_box(shape) for shape in scene.shapes])
        beyond = (boxes[:, :2] < -0.01) | (boxes[:, 2:] > (scene.width + 0.01, scene.height + 0.01))
        out = [shape for shape, cut in zip(scene.shapes, beyond.any(axis=1), strict=True) if cut]
        words = np.array([text.box for text in scene.texts]).reshape(-1, 4)
        parts = [(shape, box) for shape in scene.shapes for box in _parts(shape)]
        others = np.array([box for _, box in parts]).reshape(-1, 4)
        on_words = np.argwhere(np.triu(_meeting(words, words), 1))
        struck = np.argwhere(_meeting(words, others))
        texts = scene.texts
        found = [(texts[one], texts[other]) for one, other in on_words]
        return [*out, *found, *((texts[one], parts[other][0]) for one, other in struck)]

    return find


OVERLAPS = """
() => [...document.querySelectorAll('svg')].flatMap((svg, n) => {
  const frame = svg.getBoundingClientRect();
  const texts = [...svg.querySelectorAll('text')]
    .map(t => ({words: t.textContent, box: t.getBoundingClientRect()}));
  const cut = ({box}) => box.left < frame.left - 1 || box.right > frame.right + 1
    || box.top < frame.top - 2 || box.bottom > frame.bottom + 2;
  const meet = (b, c) => b.left < c.right - 1 && c.left < b.right - 1
    && b.top < c.bottom - 4 && c.top < b.bottom - 4;
  const pairs = texts.flatMap((one, i) => texts.slice(i + 1).map(other => [one, other]));
  return [
    ...texts.filter(cut).map(t => `${n} cut: ${t.words}`),
    ...pairs.filter(([a, b]) => meet(a.box, b.box))
      .map(([a, b]) => `${n}: ${a.words} | ${b.words}`),
  ];
})
"""


@pytest.fixture
def covered(screen):
    """Texts of charts that a browser cuts off, or lets run into one another."""

    def covered(charts):
        svgs = "".join(f"<p>{svg}</p>" for chart in charts for svg in (chart.wide, chart.narrow))
        colours = f"<style>{face_css()}:root{{{css_variables(dark=False)}}}</style>"
        return screen(colours + svgs, {"width": 1000, "height": 900}).evaluate(OVERLAPS)

    return covered
