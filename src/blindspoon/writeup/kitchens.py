"""What several kitchens found together: their page, from the parts of a trial's, and its chart."""

from dataclasses import dataclass, replace

from blindspoon import wording
from blindspoon.charts.axis import difference_axis, shaded_words
from blindspoon.charts.board import HOLLOW, title_of
from blindspoon.charts.chart import Chart
from blindspoon.charts.dots import Dot, DotPlot, Row
from blindspoon.charts.scene import MarkKind, variant_inks
from blindspoon.findings.naming import name_all
from blindspoon.findings.pool_checks import Own, Pool, PooledAttribute, PooledComparison
from blindspoon.findings.pooling import ONLY, OWN
from blindspoon.findings.rule import Kind
from blindspoon.findings.verdict_in_words import clauses, in_a_word
from blindspoon.stats.results import MixedContrast, NoResult, Unanimous
from blindspoon.trial import Trial
from blindspoon.writeup.batches_section import recipe_table
from blindspoon.writeup.columns import MIXED, difference, finer
from blindspoon.writeup.front import MOST_WORDS
from blindspoon.writeup.tables import chosen
from blindspoon.writeup.templating import Points, html_page, paragraphs
from blindspoon.writeup.writers import Table, table_of

HEADS = {
    "difference": "Difference",
    "interval": "Interval",
    "equivalence_interval": "Interval for “alike”",
    "p_adjusted": "p, adjusted",
}
SHOWN = tuple(replace(column, head=HEADS[column.name]) for column in chosen(MIXED, *HEADS))
THESE = "These kitchens only"


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledFinding:
    """What the page says of one attribute; no chart where nothing is pooled.

    `spread` says how far kitchens disagree, the sentence for everybody first. There is a table a
    variant of what each kitchen found.
    """

    found: PooledAttribute
    chart: Chart | None
    spread: tuple[str, ...]
    tables: tuple[Table, ...]


def _pooled_findings(pool: Pool) -> tuple[PooledFinding, ...]:
    """Say everything about every attribute, the primary ones first."""
    return tuple(
        PooledFinding(
            found=found,
            chart=forest_of(pool, found) if any(map(_drawn, found.comparisons)) else None,
            spread=paragraphs("spread", fit=found.fit, digits=finer(found.attribute)),
            tables=tuple(
                table_of(
                    f"{found.attribute.name}-{compared.variant.name}",
                    f"{found.attribute.label}: {compared.variant.label}",
                    "Kitchen",
                    SHOWN,
                    [
                        *((own.kitchen, own.mixed, found.attribute) for own in compared.own),
                        (POOLED, compared.pooled, found.attribute),
                        (THESE, compared.these, found.attribute),
                    ],
                    [
                        f"{own.kitchen}: {own.mixed.reason.rstrip('.')}{_exactly(own, found)}."
                        for own in compared.own
                        if isinstance(own.mixed, NoResult)
                    ],
                )
                for compared in found.comparisons
            ),
        )
        for found in pool.attributes
    )


def _exactly(own: Own, found: PooledAttribute) -> str:
    return f": {difference(own.exact.difference, found.attribute)}" if own.exact else ""


def _drawn(compared: PooledComparison) -> bool:
    found = (compared.deciding, *(own.mixed for own in compared.own))
    return any(isinstance(it, MixedContrast) for it in found)


def _answer(found: PooledAttribute, pool: Pool) -> str:
    """Say what was found, with sizes and what came close unless that is long, and what slipped."""
    short = wording.sentence(forest_title(found, pool))
    if isinstance(found.fit, NoResult):
        return f"{short} {found.fit.reason}"
    names = name_all(pool.variants, pool.first.control)
    first, *more = clauses([found.comparisons], names, sizes=True)
    caught = {what.variant for it in pool.kitchens for what in it.differs if what.undeclared}
    also = [it.variant for it in found.comparisons if it.direction and it.variant.name in caught]
    catch = [f"One catch: {names.subject(also)} differed in more than was meant."] * bool(also)
    told = " ".join(map(wording.sentence, (f"{_in_kitchens(pool)}, {first}", *more, *catch)))
    return told if len(told.split()) <= MOST_WORDS else " ".join((short, *catch))


@dataclass(frozen=True, slots=True, kw_only=True)
class KitchensContent:
    """What is said of several kitchens, in the parts of a trial's report that templates share.

    The trial is the one whose rule decides, with the variants that all kitchens made. Primary
    findings come first. `spoken` is the answer in one sentence; `weak` is what weakens single
    kitchens, how far they disagree, and what the claims are about. What is always empty are parts
    of each kitchen's own report.
    """

    pool: Pool
    trial: Trial
    findings: tuple[PooledFinding, ...]
    question: str
    answer: str
    spoken: str
    methods: tuple[str, ...]
    tasted: str
    picture: Chart | None
    weak: Points
    figures: tuple[Chart, ...]
    recipe: Table | None
    photos: tuple[()] = ()
    remarks: None = None
    advice: tuple[()] = ()
    sections: tuple[()] = ()

    @property
    def title(self) -> str:
        what = wording.capital(self.trial.product) or "The same"
        return f"{what}, tasted in {wording.spelled(len(self.pool.kitchens))} kitchens"

    @property
    def trust(self) -> str:
        first = self.pool.kitchens[0]
        dated = "" if first.trial.decision.declared else ", which did not date it"
        return f"{self.tasted} The rule is that of {first.name}{dated}."


def compose_kitchens(pool: Pool) -> KitchensContent:
    findings = _pooled_findings(pool)
    head, kitchens = findings[0], pool.kitchens
    spoken, answer = wording.sentence(forest_title(head.found, pool)), _answer(head.found, pool)
    if not head.found.primary:
        lead = "As a lead, for no kitchen’s rule was made for this: "
        spoken, answer = (f"{lead}{it[:1].lower()}{it[1:]}" for it in (spoken, answer))
    who = (f"{k.name}: {wording.count(len(k.table.tasters), 'taster')}" for k in kitchens)
    spread = f"{head.spread[0][:1].lower()}{head.spread[0][1:]}"
    spread = f"On {head.found.attribute.label.lower()}, {spread}"
    told = [spread] * (not isinstance(head.found.fit, NoResult))  # whose reason is in the answer
    number = wording.capital(wording.spelled(len(kitchens)))
    held = [kitchen.blinding for kitchen in kitchens]
    blind = f"; {'not' if {*held} == {'not shown'} else 'not all are'} shown to be blind"
    if "not shown" not in held:
        blind = f", all {'' if 'under codes' in held else 'blind, '}under codes"
    label = {"choice": "Sets of cups"}
    for k in kitchens[::-1]:
        label |= {it.name: it.label for it in k.trial.attributes}
        label |= {it.name: it.label for it in k.trial.variants}
    lost = [
        f"{' on '.join(label[it] for it in (gone.variant, gone.attribute) if it)}: not pooled. "
        f"{gone.reason}"
        for gone in pool.not_pooled
    ]
    about = (text for text in pool.remarks if text not in (ONLY, OWN))  # which the numbers say
    return KitchensContent(
        pool=pool,
        trial=replace(pool.first, variants=pool.variants),
        findings=findings,
        question=f"{number} kitchens made the same and tasted it, each by themselves.",
        answer=answer,
        spoken=spoken,
        methods=paragraphs(
            "pooled",
            control=pool.variant(pool.first.control).label,
            kitchens=len(kitchens),
            weighted=len(pool.variants) > 2,
            these=THESE,
            like=POOLED,
        ),
        tasted=f"{'; '.join(who)}{blind}.",
        picture=head.chart,
        weak=tuple(("", wording.dated(text)) for text in (*pool.caveats, *told, *lost, *about)),
        figures=tuple(finding.chart for finding in findings if finding.chart),
        recipe=recipe_table(pool.first, kitchens[0].made),
    )


def kitchens_page(content: KitchensContent, *, paper: bool = False) -> str:
    """Fill the template, perhaps for paper only; all text of the hosts is escaped in it."""
    return html_page("kitchens", content=content, paper=paper)


# Their chart --------------------------------------------------------------------------------


def forest_title(shown: PooledAttribute, pool: Pool) -> str:
    """State what was found in kitchens like these on one attribute, without a full stop.

    "In kitchens like these three, “Calcium” was crisper than the control; “Vine leaf” was within
    1 point of it".
    """
    names, compared = name_all(pool.variants, pool.first.control), shown.comparisons
    lost = not any(found.found for found in compared)
    nothing = "nothing is settled" if not lost else "nothing could be pooled"
    said = f"{nothing} on {shown.attribute.label.lower()}"
    some = len(compared) == 1 or 0 < len(compared) < len(pool.variants) - 1
    if not lost and (some or any(found.verdict != "open" for found in compared)):
        said = title_of(compared, names)
    return f"{_in_kitchens(pool)}, {said}"


def _in_kitchens(pool: Pool) -> str:
    """Say of which kitchens the verdicts speak."""
    number = len(pool.kitchens)
    like = f"kitchens like these {wording.spelled(number)}"
    return f"In {'these two kitchens' if number == 2 else like}"


BEYOND = 1.5
"""How far a pooled interval is drawn, in units of what the kitchens' own reach; then an arrow."""
POOLED, BOTH = "Kitchens like these", "These two kitchens"


def forest_of(pool: Pool, found: PooledAttribute, at: slice = slice(None)) -> Chart:
    """Draw each kitchen's difference and the pooled one on one attribute, a panel a variant."""
    shown = replace(found, comparisons=found.comparisons[at])
    kitchens = wording.count(len(pool.kitchens), "kitchen")
    titles = dict.fromkeys(f"“{kitchen.trial.title}”" for kitchen in pool.kitchens)
    names = wording.listing(kitchen.name for kitchen in pool.kitchens)
    return Chart(
        name=f"{shown.attribute.name}-kitchens",
        title=forest_title(shown, pool),
        data=f"what {kitchens} found on {shown.attribute.label.lower()}",
        lay=forest_plot(pool, shown).lay,
        source=f"{wording.listing(titles)}, tasted in {names}",
    )


def forest_plot(pool: Pool, shown: PooledAttribute) -> DotPlot:
    """Set the kitchens of each variant under its name, the pooled one last."""
    names, rows = [variant.name for variant in pool.variants], list[Row]()
    inks = variant_inks(len(names), names.index(pool.first.control))
    for compared in shown.comparisons:
        ink, head = inks[names.index(compared.variant.name)], compared.variant.label
        for it in compared.own:
            rows.append(_row(shown, it.kitchen, it.exact or it.mixed, ink, head=head))
            head = ""
        label = BOTH if compared.alone else POOLED
        rows.append(_row(shown, label, compared.deciding, ink, compared.verdict))
    dots = [dot for row in rows for dot in row.dots]
    seen = [dot.estimate for dot in dots if dot.estimate is not None]
    seen += [end for dot in dots if dot.mark == "disc" for end in _ends(dot)]
    reach = BEYOND * max(map(abs, [*seen, shown.attribute.margin or 0.0]))
    seen += [min(max(end, -reach), reach) for dot in dots for end in _ends(dot)]
    axis = difference_axis(shown.attribute, seen)
    whose = (POOLED, BOTH)[len(pool.kitchens) == 2].lower()
    text = (
        f"Dots: each kitchen’s own difference from its control, "
        f"“{pool.variant(pool.first.control).label}”, in points, with its own likely range. "
        f"Diamonds: {whose}, pooled, with theirs ({wording.percent(1 - shown.alpha)}"
    )
    if any(comparison.verdict == "alike" for comparison in shown.comparisons):
        text += f"; {wording.percent(1 - 2 * shown.alpha)} where alike"
    exploratory = "" if shown.primary else "Exploratory: not what the trials were made to answer."
    hollow = HOLLOW * any(dot.mark == "hollow diamond" for dot in dots)
    key = " ".join(filter(None, (f"{text}).", *shaded_words(shown.attribute), hollow, exploratory)))
    return DotPlot(axes=(axis,), rows=tuple(rows), key=(key, key), kind=("Forest plot", ""))


def _ends(dot: Dot) -> tuple[float, ...]:
    return (dot.interval.low, dot.interval.high) if dot.interval else ()


def _row(
    shown: PooledAttribute,
    label: str,
    found: MixedContrast | Unanimous | NoResult,
    ink: str,
    verdict: Kind | None = None,
    head: str = "",
) -> Row:
    """Draw what one kitchen found, or, where there is a verdict, what all come to."""
    up = not isinstance(found, NoResult) and found.difference > 0
    judged = (in_a_word(verdict, shown.attribute, up=up),) if verdict else ()
    if isinstance(found, NoResult):
        dot, notes = Dot(ink=ink), ("no result", *judged)
        return Row(label=label, dots=(dot,), notes=notes, head=head, bold=bool(verdict))
    interval, reach = None, "all agreed exactly"
    if isinstance(found, MixedContrast):
        alike = verdict == "alike"
        interval = found.equivalence_interval if alike else found.interval
        level = f", {wording.percent(1 - 2 * shown.alpha)}" * alike
        reach = f"{wording.span(interval, shown.attribute)}{level}"
    pooled: MarkKind = "hollow diamond" if verdict == "open" else "diamond"
    mark = pooled if verdict else "disc"
    dot = Dot(estimate=found.difference, interval=interval, ink=ink, mark=mark)
    notes = (wording.estimate(found, shown.attribute), reach, *judged)
    return Row(label=label, dots=(dot,), notes=notes, head=head, bold=bool(verdict))
