"""All attributes together in tables: on the page, and in full for scripts."""

from __future__ import annotations

from collections.abc import Iterator

from blindspoon import wording
from blindspoon.compare.results import NoResult
from blindspoon.joint.correlations import AttributePair, Correlation
from blindspoon.joint.overall import Overall, OverallComparison
from blindspoon.joint.plane import Map
from blindspoon.joint.study import Joint
from blindspoon.report.numbers import DASH, NumberTable
from blindspoon.report.tables import Cell, to_csv
from blindspoon.trial import Trial
from blindspoon.verdict import NAMES, Verdict


def joint_tables(
    trial: Trial, joint: Joint, verdicts: tuple[Verdict, ...]
) -> Iterator[NumberTable]:
    """Make the tables of the page."""
    if isinstance(joint.overall, Overall):
        yield _overall_table(trial, joint.overall, verdicts)
    if isinstance(joint.map, Map):
        yield _places_table(trial, joint.map)
        yield _loadings_table(trial, joint.map)
    if not isinstance(joint.correlations, NoResult):
        yield _correlations_table(trial, joint.correlations)


def _overall_table(trial: Trial, overall: Overall, verdicts: tuple[Verdict, ...]) -> NumberTable:
    alone = {(each.attribute, each.variant): each.kind for each in verdicts}
    rows = []
    for each in overall.comparisons:
        label = trial.attribute(each.attribute).label
        kinds = (
            alone.get((each.attribute, each.variant)),
            overall.verdict(each),
        )
        cells = (
            trial.variant(each.variant).label,
            *(DASH if p is None else wording.p_cell(p) for p in (each.mixed_p, each.ranks_p)),
            *(DASH if kind is None else NAMES[kind] for kind in kinds),
        )
        rows.append((label, cells))
    return NumberTable(
        name="together-overall",
        caption="Every difference held against all attributes",
        head="Attribute",
        columns=("Variant", "p, mixed model", "p, ranks", "By itself", "Over all attributes"),
        rows=tuple(rows),
    )


def _places_table(trial: Trial, drawn: Map) -> NumberTable:
    digits = wording.digits_for(trial.attributes[0].scale) + 1 if drawn.in_points else 1
    rows = []
    for place in drawn.places:
        long, short, turned = place.ellipse()
        sizes = (wording.number(each, digits) for each in (place.x, place.y, long, short))
        rows.append((trial.variant(place.variant).label, (*sizes, wording.number(turned, 0))))
    return NumberTable(
        name="together-places",
        caption="Where the variants lie on the map",
        head="Variant",
        columns=("Across", "Up", "Half length", "Half width", "Turned, degrees"),
        rows=tuple(rows),
        notes=(
            f"In {drawn.unit}, from the mean of all variants. Half length and half width are those "
            "of the ellipse; its length is turned from the axis across towards the axis up.",
        ),
    )


def _loadings_table(trial: Trial, drawn: Map) -> NumberTable:
    return NumberTable(
        name="together-map",
        caption="What the axes of the map are made of",
        head="Attribute",
        columns=("Across", "Up"),
        rows=tuple(
            (
                trial.attribute(name).label,
                (wording.number(loading, 2), wording.number(drawn.up.loadings[name], 2)),
            )
            for name, loading in drawn.across.loadings.items()
        ),
        notes=("Loadings; their squares add up to 1 down each column.",),
    )


def _correlations_table(trial: Trial, pairs: tuple[AttributePair, ...]) -> NumberTable:
    reasons = {
        found.reason
        for pair in pairs
        for found in (pair.within, pair.between)
        if isinstance(found, NoResult)
    }
    rows = []
    for pair in pairs:
        one, two = (trial.attribute(name).label for name in (pair.first, pair.second))
        cells = (*_correlation_cells(pair.within), *_correlation_cells(pair.between))
        rows.append((f"{one} and {two.lower()}", cells))
    return NumberTable(
        name="together-correlations",
        caption="How attributes go together",
        head="Attributes",
        columns=(
            "Within variants",
            "Interval within",
            "Pairs",
            "Between variants",
            "Interval between",
            "Variants",
        ),
        rows=tuple(rows),
        notes=("The intervals have level 95 %, each by itself.", *sorted(reasons)),
    )


def _correlation_cells(found: Correlation | NoResult) -> tuple[str, str, str]:
    if isinstance(found, NoResult):
        return DASH, DASH, DASH
    interval = DASH
    if found.interval is not None:
        digits = wording.telling_digits(found.interval, [0.0], 2)
        interval = " to ".join(wording.number(end, digits) for end in found.interval)
    return wording.number(found.r, 2), interval, f"{found.pairs:,}"


def joint_files(joint: Joint) -> tuple[tuple[str, str], ...]:
    """Write everything in full: path under the report's folder, and text."""
    return (
        ("tables/correlations.csv", correlations_csv(joint.correlations)),
        ("tables/map.csv", map_csv(joint.map)),
        ("tables/overall.csv", overall_csv(joint.overall)),
    )


def correlations_csv(pairs: tuple[AttributePair, ...] | NoResult) -> str:
    """One row a pair of attributes and a question."""
    columns = ["first", "second", "question", "r", "interval_low", "interval_high", "pairs", "df"]
    if isinstance(pairs, NoResult):
        return to_csv([*columns, "reason"], [[*[None] * len(columns), pairs.reason]])
    rows: list[list[Cell]] = []
    for pair in pairs:
        for question, found in (
            ("within variants", pair.within),
            ("between variants", pair.between),
        ):
            head: list[Cell] = [pair.first, pair.second, question]
            if isinstance(found, NoResult):
                rows.append([*head, *[None] * 5, found.reason])
            else:
                low, high = found.interval or (None, None)
                rows.append([*head, found.r, low, high, found.pairs, found.df, None])
    return to_csv([*columns, "reason"], rows)


def map_csv(drawn: Map | NoResult) -> str:
    """One row a variant with its place and ellipse, then one an attribute with its loadings."""
    columns = ["kind", "name", "x", "y", "half_length", "half_width", "turned_degrees", "reason"]
    if isinstance(drawn, NoResult):
        return to_csv(columns, [["none", None, *[None] * 5, drawn.reason]])
    rows: list[list[Cell]] = []
    for place in drawn.places:
        long, short, degrees = place.ellipse()
        rows.append(["variant", place.variant, place.x, place.y, long, short, degrees, None])
    for name, loading in drawn.across.loadings.items():
        rows.append(["attribute", name, loading, drawn.up.loadings[name], *[None] * 4])
    rows.append(["share", None, drawn.across.share, drawn.up.share, *[None] * 4])
    return to_csv(columns, rows)


def overall_csv(overall: Overall | NoResult) -> str:
    """One row a variant and attribute."""
    columns = ["attribute", "variant", "mixed_p", "mixed_verdict", "ranks_p", "ranks_verdict"]
    if isinstance(overall, NoResult):
        return to_csv([*columns, "reason"], [[*[None] * 6, overall.reason]])
    return to_csv([*columns, "reason"], [_overall_row(each) for each in overall.comparisons])


def _overall_row(each: OverallComparison) -> list[Cell]:
    mixed: list[Cell] = [each.mixed_p, each.mixed_verdict]
    return [each.attribute, each.variant, *mixed, each.ranks_p, each.ranks_verdict, None]
