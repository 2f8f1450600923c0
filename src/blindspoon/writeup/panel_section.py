"""The tasters, in words, charts and tables: how far the evidence can lean on them.

The sentences stand in templates/tasters.txt.j2 and tasters_methods.txt.j2.
"""

from collections.abc import Iterable, Iterator
from operator import attrgetter

from blindspoon import wording
from blindspoon.charts.chart import source_of
from blindspoon.charts.tasters import alikeness_chart, places_chart, scale_use_chart
from blindspoon.findings.panel import COLUMNS, AttributePanel, Panel, long_rows
from blindspoon.stats.results import Interval, NoResult
from blindspoon.stats.two_way import LEVEL
from blindspoon.trial import Attribute, Trial
from blindspoon.writeup.tables import counted, difference, ends, points_cell, two
from blindspoon.writeup.words import PageSection, paragraphs, points
from blindspoon.writeup.writers import Column, Table, table_of, to_csv


def panel_section(trial: Trial, panel: Panel) -> PageSection | None:
    """Make the part of the page about the tasters; None where nothing was scored."""
    told, shown = answering(panel), trial.tasters_shown
    if not told:
        return None
    of_tasters = (scale_use_chart, alikeness_chart) if shown else ()
    charts = (
        draw(trial.attribute(found.attribute), found, source_of(trial))
        for found in told
        for draw in (*of_tasters, places_chart)
    )
    return PageSection(
        name="tasters",
        head="The tasters",
        role="Exploratory",
        paragraphs=_paragraphs(trial, panel),
        charts=tuple(filter(None, charts)),
        numbers=(
            *panel_tables(trial, panel),
            *places_tables(trial, told),
            *(taster_tables(trial, told) if shown else ()),
        ),
        points=points("tasters_methods"),
        files=(("tables/panel.csv", panel_csv(panel, shown=shown)),),
    )


def panel_csv(panel: Panel, *, shown: bool = True) -> str:
    """One row a number; a missing one has its reason."""
    record = panel.to_record(shown=shown)
    rows = (row for attribute in record["attributes"] for row in long_rows(attribute))
    return to_csv(COLUMNS, rows)


def answering(panel: Panel) -> tuple[AttributePanel, ...]:
    """Choose the attributes that are told of singly: the primary ones, else the first scored."""
    scored = [found for found in panel.attributes if not isinstance(found.scale_use, NoResult)]
    return tuple(found for found in scored if found.primary) or tuple(scored[:1])


# Words ------------------------------------------------------------------------------------------


def _paragraphs(trial: Trial, panel: Panel) -> tuple[str, ...]:
    every = [(trial.attribute(found.attribute), found) for found in panel.attributes]
    label = {attribute.name: attribute.label.lower() for attribute, _ in every}
    agreement = [(label[found.attribute], found.concordance) for found in panel.attributes]
    firsts = [(attribute, found.first_cup) for attribute, found in every]
    looked = [(a, first) for a, first in firsts if not isinstance(first, NoResult)]
    seen = [(a, first) for a, first in looked if first.interval.excludes_zero()]
    before = [(a, c.carry_over) for a, c in every if not isinstance(c.carry_over, NoResult)]
    asked = list[tuple[Attribute, AttributePanel, int, tuple[int, int] | None]]()
    for found in answering(panel):
        apart, attribute = None, trial.attribute(found.attribute)
        reviews = () if isinstance(found.tasters, NoResult) else found.tasters
        tests = [it.discrimination for it in reviews if not isinstance(it.discrimination, NoResult)]
        if len(tests) > 1:  # who told the variants apart beyond their own spread
            apart = sum(test.p_value < trial.decision.alpha for test in tests), len(tests)
        asked.append((attribute, found, wording.digits_for(attribute.scale), apart))
    alpha, names = trial.decision.alpha, {attribute.name for attribute, _ in seen}
    return paragraphs(
        "tasters",
        agreed=sorted(
            ((found.w, name) for name, found in agreement if not isinstance(found, NoResult)),
            reverse=True,
        ),
        not_agreed=_reasons(found for _, found in agreement),
        told=asked,
        alpha=alpha,
        level=wording.percent(LEVEL),
        looked=len(looked),
        not_looked=_reasons(first for _, first in firsts),
        seen=seen,
        before=len(before),
        felt=[a.label.lower() for a, carried in before if carried.test.p_value < alpha],
        in_model=all(found.position_in_model for a, found in every if a.name in names),
        shown=trial.tasters_shown,
        crowd=any(isinstance(found.tasters, NoResult) for found in panel.attributes),
    )


def _reasons(found: Iterable[object]) -> list[str]:
    """Give every reason once."""
    return list(dict.fromkeys(part.reason for part in found if isinstance(part, NoResult)))


# Tables -----------------------------------------------------------------------------------------

MOST_TASTERS = 40  # tasters in a table; tables/panel.csv has all
NINETY_FIVE = "95\u00a0% interval"


def _p(value: float, _: object) -> str:
    return wording.p_cell(value).replace(" ", wording.NO_BREAK)


def _ratio(name: str, head: str) -> Column:
    """Show a correlation with its interval; how far below zero one is says nothing."""

    def write(found: tuple[float, Interval], _: object) -> str:
        numbers = found[0], found[1].low, found[1].high
        texts = ("below 0" if it < 0 else wording.number(it, 2) for it in numbers)
        return "{} ({} to {})".format(*texts)

    return Column(name, head, write, of=attrgetter(name, f"{name}_interval"))


def _test_of(name: str) -> Column:
    """Take the test out of an effect of the order, which has effects too."""

    def of(each: AttributePanel) -> object:
        found = getattr(each, name)
        return found if isinstance(found, NoResult) else found.test

    return Column(name, of=of, inner=_f("Place: " if name == "position" else "Cup before: "))


def _f(before: str = "") -> tuple[Column, ...]:
    """Show an F test in three columns."""
    return (
        Column("f", f"{before}F", two),
        Column(
            "df",
            f"{before}df",
            lambda test, _: f"{wording.plain(test.df_num)}, {int(test.df_den):,}",
            of=lambda test: test,
        ),
        Column("p_value", f"{before}p", _p),
    )


AGREEMENT = (
    Column(
        "concordance",
        inner=(
            Column("tasters", "Tasters", counted),
            Column("w", "Kendall’s W", two),
            Column("p_value", "p", _p),
        ),
    ),
    Column(
        "intraclass",
        inner=(
            _ratio("consistency_single", "ICC(3,1)"),
            _ratio("consistency_mean", "ICC(3,k)"),
            _ratio("agreement_single", "ICC(2,1)"),
            _ratio("agreement_mean", "ICC(2,k)"),
        ),
    ),
    Column("interaction", inner=_f("Taster by variant: ")),
)
AGREEMENT_NOTE = (
    "95\u00a0% intervals in brackets. p by the chi-squared distribution, and by F for taster by "
    "variant: whether tasters see the variants differently by more than they scatter."
)
REPEATS = (
    Column(
        "repeatability",
        inner=(
            Column("tasters", "Tasters", counted),
            Column("sd", "SD", points_cell),
            Column("interval", NINETY_FIVE, ends),
            Column("df", "df", counted),
        ),
    ),
    Column(
        "controls",
        inner=(
            Column("mean_absolute", "Two controls apart", points_cell),
            Column(
                "difference",
                "Later minus earlier",
                lambda pair, it: f"{difference(pair.difference, it)} ({ends(pair.interval, it)})",
                of=lambda pair: pair,
            ),
        ),
    ),
)
ORDER = (
    _test_of("position"),
    Column(
        "first_cup",
        inner=(
            Column("effect", "First minus later", difference),
            Column("interval", NINETY_FIVE, ends),
        ),
    ),
    _test_of("carry_over"),
)
PLACE = (
    Column("cups", "Cups", counted),
    Column("effect", "Distance from the mean", difference),
    Column("interval", NINETY_FIVE, ends),
)
TASTER = (
    Column(
        "scale_use",
        inner=(
            Column("scores", "Scores", counted),
            Column("mean", "Mean", points_cell),
            Column("sd", "SD", points_cell),
            Column("lowest", "Lowest", lambda value, _: wording.plain(value)),
            Column("highest", "Highest", lambda value, _: wording.plain(value)),
            Column(
                "at_ends",
                "At the ends",
                lambda share, _: wording.percent(share),
                of=lambda use: use.at_low + use.at_high,
            ),
        ),
    ),
    Column("repeatability_sd", "Own repeats, SD", points_cell),
    Column("correlation", "Correlation with the others", two),
    Column("discrimination", inner=_f()),
)


def panel_tables(trial: Trial, panel: Panel) -> Iterator[Table]:
    """Make the tables in which every row is an attribute; a reason for gaps is told once."""
    found = [(trial.attribute(it.attribute), it) for it in panel.attributes]
    for name, caption, columns, *notes in (
        ("agreement", "Agreement between the tasters", AGREEMENT, AGREEMENT_NOTE),
        ("repeatability", "Repeatability, in points", REPEATS),
        ("order", "Order of the cups", ORDER),
    ):
        labels: dict[str, dict[str, None]] = {}
        for attribute, it in found:
            for part in (getattr(it, column.name) for column in columns):
                if isinstance(part, NoResult):
                    labels.setdefault(part.reason, {})[attribute.label] = None
        for reason, where in labels.items():
            everywhere = len(where) == len(found)
            notes.append(reason if everywhere else f"{wording.listing(where)}: {reason}")
        rows = ((attribute.label, it, attribute) for attribute, it in found)
        yield table_of(f"panel-{name}", caption, "Attribute", columns, rows, notes)


def places_tables(trial: Trial, found: Iterable[AttributePanel]) -> Iterator[Table]:
    """Make a table an attribute in which every row is a place in the order of the cups."""
    allowed = "Variants and the tasters’ levels are allowed for; each interval is on its own."
    for it in found:
        if not isinstance(it.position, NoResult):
            attribute = trial.attribute(it.attribute)
            name, caption = f"panel-places-{attribute.name}", "the place of the cup, in points"
            rows = [(effect.label, effect, attribute) for effect in it.position.effects]
            caption = f"{attribute.label}: {caption}"
            yield table_of(
                name, caption, "Cup", PLACE, rows, [allowed], (f"{attribute.name}-places",)
            )


def taster_tables(trial: Trial, found: Iterable[AttributePanel]) -> Iterator[Table]:
    """Make a table an attribute in which every row is a taster."""
    for it in found:
        if isinstance(it.tasters, NoResult) or not it.tasters:
            continue
        attribute, reviews = trial.attribute(it.attribute), it.tasters
        more = f"The first {MOST_TASTERS} of {len(reviews)}; tables/panel.csv has all."
        reasons = _reasons(
            part
            for review in reviews
            for part in (review.repeatability_sd, review.correlation, review.discrimination)
        )
        yield table_of(
            f"panel-tasters-{attribute.name}",
            f"{attribute.label}: the tasters",
            "Taster",
            TASTER,
            [(review.taster, review, attribute) for review in reviews[:MOST_TASTERS]],
            [*[more] * (len(reviews) > MOST_TASTERS), *reasons],
            (f"{attribute.name}-scale-use", f"{attribute.name}-tasters"),
        )
