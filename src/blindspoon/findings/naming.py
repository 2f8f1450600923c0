"""What variants are called in a sentence: by their labels, and by what they were made in."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from blindspoon import wording
from blindspoon.batches.log import NOUNS
from blindspoon.batches.summary import Made
from blindspoon.scores.score_table import ScoreTable
from blindspoon.trial import Trial, Variant

PLAIN = re.compile(r"[^\W\d_]+(?:[ -][^\W\d_]+){0,2}")
"""A label of one to three words, which a sentence can use without quotation marks."""
NO_NOUN = re.compile(r"(as|at|for|from|half|in|like|my|no|on|our|than|the|with|without)\b", re.I)
"""What begins like this is no name for a food in the middle of a sentence: “As always”."""
INNER = str.maketrans("“”", "\N{LEFT SINGLE QUOTATION MARK}’")  # quotation marks within others
LONGEST = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """What the variants of one trial are called; `plain` if no label needs quotation marks.

    The noun is that of what each was made in; empty where several kitchens made them. So many named
    `batches` were tasted of the variant that has most; 1 where none is named. `these` is "in these
    jars" where ranks speak of several each and cannot speak of the method.
    """

    plain: bool
    noun: str
    control: Variant
    batches: int = 1
    these: str = ""

    @property
    def nouns(self) -> str:
        return NOUNS.get(self.noun, "")

    @property
    def bare(self) -> bool:
        """Whether a variant, tasted from several, is named without the noun."""
        return not self.noun or self.batches > 1

    @property
    def of_methods(self) -> bool:
        """Whether what decides is held against how far batches of one variant differ."""
        return self.batches > 1 and not self.these

    def short(self, variant: Variant) -> str:
        """Call a variant by its label, as it stands in the middle of a sentence.

        >>> leaf = Variant(name="leaf", label="Vine leaf")
        >>> Naming(plain=True, noun="jar", control=leaf).short(leaf)
        'vine leaf'
        """
        if not self.plain:
            return f"“{variant.label.translate(INNER)}”"
        kept = variant.name[:1].isupper() or variant.label[1:2].isupper() or not variant.label[1:]
        return variant.label if kept else variant.label[:1].lower() + variant.label[1:]

    def subject(self, variants: Sequence[Variant], others: int = 0) -> str:
        """Name one variant or several, and how many others.

        >>> cool, leaf = (Variant(name=it, label=it) for it in ("cool cellar", "leaf jar"))
        >>> names = Naming(plain=True, noun="jar", control=cool)
        >>> names.subject([cool, leaf]), names.subject([leaf], 3)
        ('the cool-cellar and leaf jars', 'the leaf jar and three other jars')
        >>> replace(names, plain=False).subject([leaf])
        '“leaf jar”'
        """
        named = [self.short(variant) for variant in variants]
        have_noun = not self.plain and all(self._ending.search(it.label) for it in variants)
        if self.bare or have_noun:
            more = [f"{wording.spelled(others)} other{'s' if others > 1 else ''}"] * bool(others)
            return wording.listing([*named, *more])
        if self.plain:  # a “Leaf jar” is a jar already
            named = [self._ending.sub("", name).replace(" ", "-") for name in named]
        noun = self.noun if len(named) == 1 else self.nouns
        text = f"the {wording.listing(named)} {noun}"
        other = f" and {wording.spelled(others)} other {self.nouns if others > 1 else self.noun}"
        return text + (other if others else "")

    @property
    def like(self) -> str:
        """Name the control, to compare with it; one whose name is long is only the control."""
        if len(self.control.label) > LONGEST:
            return "the control"
        several = " " in self._ending.sub("", self.control.label)
        bare = self.bare or not self.plain or several
        return self.short(self.control) if bare else self.subject([self.control])

    @property
    def _ending(self) -> re.Pattern[str]:
        return re.compile(rf" {self.noun}$", re.IGNORECASE)


def naming(trial: Trial, table: ScoreTable, made: Made | None) -> Naming:
    names = name_all(trial.variants, trial.control, made.log.noun if made else "batch")
    batches = int(table.batches_tasted(len(trial.variants)).max())
    if made and not table.taster.size:  # of sets it is not recorded which batches were tasted
        batches = max(len(made.log.of_variant(variant.name)) for variant in trial.variants)
    if batches < 2:
        return names
    by_ranks = trial.decision.by == "ranks" or len(table.tasters) == 1
    return replace(names, batches=batches, these=f"in these {names.nouns}" * by_ranks)


def name_all(variants: Sequence[Variant], control: str, noun: str = "") -> Naming:
    """Settle what variants are called that were made in `noun`.

    >>> usual, oak = (Variant(name=it, label=it) for it in ("As always", "Oak"))
    >>> name_all([usual, oak], "As always").like, name_all([oak, usual], "Oak").like
    ('“As always”', '“Oak”')
    """
    labels = [variant.label for variant in variants]
    return Naming(
        plain=all(
            PLAIN.fullmatch(label) and not NO_NOUN.match(label) and len(label) <= LONGEST
            for label in labels
        ),
        noun=noun,
        control=next(variant for variant in variants if variant.name == control),
    )
