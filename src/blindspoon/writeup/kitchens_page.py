"""What several kitchens found together -> a page of its own, from the parts of a trial's page."""

from dataclasses import dataclass, replace

from blindspoon import wording
from blindspoon.charts.board import POOLED, forest_chart, forest_title, in_kitchens
from blindspoon.charts.chart import Chart
from blindspoon.findings.comparison import name_all
from blindspoon.findings.pool_checks import Pool, PooledAttribute
from blindspoon.findings.verdict import clauses
from blindspoon.trial import Trial
from blindspoon.writeup.front import MOST_WORDS
from blindspoon.writeup.methods import software
from blindspoon.writeup.tables import MIXED, chosen, finer
from blindspoon.writeup.words import Points, html_page, paragraphs
from blindspoon.writeup.writers import Table, table_of

HEADS = {
    "difference": "Difference",
    "interval": "Interval",
    "equivalence_interval": "Interval for “alike”",
    "p_adjusted": "p, adjusted",
}
SHOWN = tuple(replace(column, head=HEADS[column.name]) for column in chosen(MIXED, *HEADS))
ONLY = "These kitchens only"


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledFinding:
    """What the page says of one attribute; no chart where nothing is pooled.

    The answer is the finding in a few sentences; `spread` says how far kitchens disagree, the
    sentence for everybody first. There is a table a variant of what each kitchen found.
    """

    found: PooledAttribute
    chart: Chart | None
    answer: str
    spread: tuple[str, ...]
    tables: tuple[Table, ...]


def pooled_findings(pool: Pool) -> tuple[PooledFinding, ...]:
    """Say everything about every attribute, the primary ones first."""
    return tuple(
        PooledFinding(
            found=found,
            chart=forest_chart(pool, found.attribute.name),
            answer=_answer(found, pool),
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
                        (ONLY, compared.these, found.attribute),
                    ],
                )
                for compared in found.comparisons
            ),
        )
        for found in pool.attributes
    )


def _answer(found: PooledAttribute, pool: Pool) -> str:
    """Say what was found, with sizes and with what came close unless that is long."""
    short = wording.sentence(forest_title(found, pool))
    if not found.comparisons:
        return short
    names = name_all(pool.variants, pool.first.control)
    first, *more = clauses(found.comparisons, names, sizes=True)
    told = " ".join(map(wording.sentence, (f"{in_kitchens(pool)}, {first}", *more)))
    return told if len(told.split()) <= MOST_WORDS else short


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
    trust: str
    picture: Chart | None
    weak: Points
    figures: tuple[Chart, ...]
    photos: tuple[()] = ()
    remarks: tuple[()] = ()
    advice: tuple[()] = ()
    sections: tuple[()] = ()

    @property
    def title(self) -> str:
        """What stands at the head."""
        return self.trial.title


def compose_kitchens(pool: Pool) -> KitchensContent:
    """Say everything that the page says."""
    findings = pooled_findings(pool)
    head, kitchens = findings[0], pool.kitchens
    lead = (
        "" if head.found.primary else "No kitchen’s rule was made for this, so take it as a lead. "
    )
    who = (f"{k.name}: {wording.count(len(k.table.tasters), 'taster')}" for k in kitchens)
    spread = f"{head.spread[0][:1].lower()}{head.spread[0][1:]}"
    spread = f"On {head.found.attribute.label.lower()}, {spread}"
    number = wording.capital(wording.spelled(len(kitchens)))
    held = (k.standing is not None and k.standing.seal and not k.standing.bent for k in kitchens)
    blind = ", all blind, under codes" if all(held) else ""
    return KitchensContent(
        pool=pool,
        trial=replace(pool.first, variants=pool.variants),
        findings=findings,
        question=f"{number} kitchens made the same and tasted it, each by themselves.",
        answer=lead + head.answer,
        spoken=lead + wording.sentence(forest_title(head.found, pool)),
        trust=f"{'; '.join(who)}{blind}. The rule is that of {kitchens[0].name}.",
        picture=head.chart,
        weak=tuple(("", text) for text in (*pool.caveats, spread, *pool.remarks)),
        figures=tuple(finding.chart for finding in findings if finding.chart),
    )


def kitchens_page(content: KitchensContent, *, paper: bool = False) -> str:
    """Fill the template, perhaps for paper only; all text of the hosts is escaped in it."""
    return html_page(
        "kitchens",
        content=content,
        pool=content.pool,
        paper=paper,
        control=content.trial.variant(content.trial.control).label,
        software=software(),
    )
