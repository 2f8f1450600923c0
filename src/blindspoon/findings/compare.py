"""Every variant against the control on every attribute, by both procedures."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from blindspoon.arrays import BoolArray, FloatArray
from blindspoon.batches.strengths import CupAges
from blindspoon.batches.summary import Made
from blindspoon.findings.comparison import AttributeResult, Comparison, NotCompared, Other
from blindspoon.findings.naming import naming
from blindspoon.findings.verdict_in_words import say_verdict
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.assumptions import HeldSittings, compare_sittings, find_flags
from blindspoon.stats.mixed import compare_mixed, rounded_to, unanimous
from blindspoon.stats.results import MixedContrast, MixedFit, NoResult, RankContrast, Unanimous
from blindspoon.stats.rounds import compare_rounds
from blindspoon.stats.sign_flips import settle_ties
from blindspoon.stats.signed_ranks import compare_ranks, friedman
from blindspoon.stats.two_way import gather
from blindspoon.trial import Attribute, Trial


def compare_trial(
    trial: Trial,
    table: ScoreTable,
    made: Made | None = None,
    ages: CupAges | None = None,
    *,
    exploratory: bool = False,
) -> tuple[AttributeResult, ...]:
    """Compare every variant with the control on every attribute, and judge.

    If `exploratory`, no attribute is primary any more. Where one person alone gave scores, only
    ranks compare, within that person's sessions, the rounds.
    """
    names = enumerate(variant.name for variant in trial.variants)
    aged = frozenset(place for place, name in names if ages and ages.moved(name))
    results = []
    for index in range(len(trial.attributes)):
        scored = Scored(trial, table, index)
        attribute, by_rounds, mixed = scored.attribute, scored.by_rounds, scored.mixed(days=True)
        others, ranked = _pair_up(scored, mixed), friedman(scored.means)
        if by_rounds:  # ranked within rounds, if their orders allow any comparison
            if not any(isinstance(other, Comparison) for other in others):
                ranked = NoResult("Nothing could be compared over the rounds.")
            elif isinstance(ranked, NoResult):
                ranked = NoResult("In every round all variants scored alike.")
            else:
                ranked = replace(ranked, tasters=1, rounds=ranked.tasters)
        result = AttributeResult(
            attribute=attribute,
            primary=attribute.name in trial.decision.primary and not exploratory,
            alpha=scored.alpha,
            friedman=ranked,
            mixed=mixed,
            others=others,
            by="ranks" if by_rounds else trial.decision.by,
            unit="round" if by_rounds else "taster",
            sittings=scored.sittings(),
            aged=aged,
            flags=find_flags(
                scored.means,
                scored.score,
                table.variant,
                names=[variant.name for variant in trial.variants],
                low=attribute.scale.low,
                high=attribute.scale.high,
            ),
        )
        results.append(judge(trial, table, result, made))
    return tuple(results)


def judge(
    trial: Trial, table: ScoreTable, result: AttributeResult, made: Made | None = None
) -> AttributeResult:
    """Give every comparison of an attribute its verdict, by the rule of the trial, in words too."""
    differs = {it.variant: it for it in made.differs} if made else {}
    names = naming(trial, table, made)

    def with_verdict(other: Other) -> Other:
        if isinstance(other, NotCompared):
            return other
        verdict, by_other = (
            None if isinstance(contrast, NoResult) else result.kind_of(contrast)
            for contrast in other.contrasts
        )
        judged = replace(other, verdict=verdict or "open", verdict_by_other=by_other)
        what = differs.get(other.variant.name)
        return replace(judged, because=say_verdict(trial, result, judged, names, what))

    return replace(result, others=tuple(map(with_verdict, result.others)))


@dataclass(frozen=True)
class Scored:
    """The scores of one attribute, by its place, as every procedure takes them."""

    trial: Trial
    table: ScoreTable
    index: int

    @property
    def attribute(self) -> Attribute:
        return self.trial.attributes[self.index]

    @property
    def score(self) -> FloatArray:
        """In points, one a cup; NaN where none was given."""
        return self.table.scores[:, self.index]

    @property
    def alpha(self) -> float:
        """The attribute's share."""
        return self.trial.share_of_alpha(self.attribute.name)

    @property
    def by_rounds(self) -> bool:
        """Whether variants are compared within the rounds of the only taster."""
        return len(self.table.tasters) == 1

    @cached_property
    def means(self) -> FloatArray:
        """Each variant's mean scores, a row a taster or round."""
        table, alone, n = self.table, self.by_rounds, len(self.trial.variants)
        row, rows = (table.session, table.sessions) if alone else (table.taster, table.tasters)
        return gather(self.score, row, table.variant, len(rows), n).mean

    def sittings(self) -> HeldSittings | NoResult:
        return compare_sittings(
            self.score,
            self.table.taster,
            self.table.session,
            self.table.variant,
            control=self.trial.control_index,
            n_variants=len(self.trial.variants),
            alpha=self.alpha,
            names=[self.trial.session_label(name) for name in self.table.sessions],
        )

    def mixed(self, *, days: bool = False) -> MixedFit | NoResult:
        """Fit the mixed model, with places if orders are balanced, batches if any had several."""
        table = self.table
        several = bool((table.batches_tasted(len(self.trial.variants)) > 1).any())
        return compare_mixed(
            self.score,
            table.taster,
            table.variant,
            control=self.trial.control_index,
            alpha=self.alpha,
            position=table.position if table.balanced else None,
            batch=table.batch if several else None,
            session=table.session,
            days=days,
        )

    def ranks(self) -> tuple[RankContrast | NoResult, ...]:
        table, control, alpha = self.table, self.trial.control_index, self.alpha
        rng = np.random.default_rng([self.trial.seed, self.index])  # the trial's own chance
        if not self.by_rounds:
            return compare_ranks(self.means, control=control, alpha=alpha, rng=rng)
        return compare_rounds(
            self.score,
            table.session,
            table.variant,
            table.position,
            control=control,
            n_variants=len(self.trial.variants),
            alpha=alpha,
            rng=rng,
        )

    def agreed(self, mixed: MixedFit | NoResult) -> dict[str, Unanimous]:
        """Judge variants by name where no taster's differences leave the mixed model a scatter."""
        if not isinstance(mixed, NoResult):
            return {}
        means, control = self.means, self.trial.control_index
        step = self.attribute.scale.step or rounded_to(self.score)
        differences = settle_ties(means - means[:, [control]])
        columns = {
            place: column[np.isfinite(column)]
            for place, column in enumerate(differences.T)
            if place != control and np.isfinite(column).sum() > 1
        }
        scatter = any(np.ptp(column) > 0 for column in columns.values())
        if scatter or step is None:
            return {}
        return {
            self.trial.variants[place].name: unanimous(
                column, place, step=step, alpha=self.alpha, family=len(columns)
            )
            for place, column in columns.items()
        }


def _pair_up(scored: Scored, mixed: MixedFit | NoResult) -> tuple[Other, ...]:
    """Join what both procedures say of every variant but the control."""
    trial, control, alone = scored.trial, scored.trial.control_index, scored.by_rounds
    given, served = np.isfinite(scored.score), scored.table.variant
    scores = [scored.score[given & (served == place)] for place in range(len(trial.variants))]
    tasted, agreed = np.isfinite(scored.means), {} if alone else scored.agreed(mixed)
    places = [place for place in range(len(trial.variants)) if place != control]
    others = list[Other]()
    for place, by_ranks in zip(places, scored.ranks(), strict=True):
        by_mixed, variant = contrast_of(mixed, place), trial.variants[place]
        if isinstance(by_mixed, NoResult) and isinstance(by_ranks, NoResult):
            reason = (by_ranks if alone else by_mixed).reason
            lost = NotCompared(attribute=scored.attribute, variant=variant, reason=reason)
            others.append(lost)
            continue
        both = int(np.sum(tasted[:, control] & tasted[:, place]))
        others.append(
            Comparison(
                attribute=scored.attribute,
                variant=variant,
                tasters=1 if alone else both,
                rounds=both if alone else 0,
                servings=scores[place].size,
                mean_control=float(scores[control].mean()),
                mean_variant=float(scores[place].mean()),
                mixed=by_mixed,
                ranks=by_ranks,
                by="ranks" if alone else trial.decision.by,
                unanimous=agreed.get(variant.name),
            )
        )
    return tuple(others)


def contrast_of(mixed: MixedFit | NoResult, position: int) -> MixedContrast | NoResult:
    """Find the contrast of the variant at `position`, or the reason why there is none."""
    if isinstance(mixed, NoResult):
        return mixed
    found = [contrast for contrast in mixed.contrasts if contrast.variant == position]
    return found[0] if found else NoResult("Nobody scored this variant.")


def only(table: ScoreTable, rows: BoolArray) -> ScoreTable:
    """Keep some servings of a table; labels and what was planned stay."""
    cups = ("taster", "session", "variant", "batch", "position", "scores")
    return replace(table, **{name: getattr(table, name)[rows] for name in cups})
