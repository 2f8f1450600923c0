"""The rule of a verdict: a difference, its margin and its error -> one of four kinds."""

from __future__ import annotations

from typing import Literal

from blindspoon.stats.results import Contrast, RankContrast

Kind = Literal["different", "slight", "alike", "open"]
KINDS: tuple[Kind, ...] = ("open", "alike", "different", "slight")
"""By whether it is shown to be alike, plus twice whether it is shown to differ."""
By = Literal["mixed", "ranks"]

NAMES: dict[Kind, str] = {
    "different": "different",
    "slight": "slightly different",
    "alike": "alike within the margin",
    "open": "not settled",
}
PROCEDURES: dict[By, str] = {"mixed": "the mixed model", "ranks": "the rank comparison"}


def kind_of(
    found: Contrast, *, margin: float | None, alpha: float, p_adjusted: float | None = None
) -> Kind:
    """Apply the rule to one procedure's finding.

    Without a margin, in points, nothing can be slight or alike. A `p_adjusted` over more than the
    variants of one attribute decides in place of the finding's own.

    Different by the adjusted p value; by ranks where the interval leaves zero out, which is the
    same test inverted, but for an estimate of zero: that is never different. Alike and slight by
    two one-sided tests at alpha: the simultaneous interval at level 1 - 2 alpha lies inside the
    margin. D. J. Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657.
    """
    equivalence = found.equivalence_interval
    alike = margin is not None and equivalence is not None and equivalence.within(margin)
    differs = (found.p_adjusted if p_adjusted is None else p_adjusted) <= alpha
    if p_adjusted is None and isinstance(found, RankContrast) and found.interval is not None:
        differs = found.interval.excludes_zero()
    return KINDS[alike + 2 * differs]


def direction_of(kind: Kind | None, found: Contrast | None) -> int:
    """Give 1 or -1 for a difference that was shown towards more or less, otherwise 0."""
    if found is None or kind not in ("different", "slight"):
        return 0
    return -1 if found.difference < 0 else 1
