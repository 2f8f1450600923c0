"""What else differs: every variant's batches against the control's, factor by factor."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from blindspoon.batches.factors import Factor, declares, factor_values, unknown_factors
from blindspoon.batches.log import Batch, BatchLog, Value
from blindspoon.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A factor in which a variant's batches and the control's are not alike.

    Parameters
    ----------
    factor : str
    control_value, variant_value : float or str
        Means of numbers; words, joined by commas where batches have several.
    control_range, variant_range : tuple of float or None
        Lowest and highest over several batches; None for words and single batches.
    amount : float or None
        Variant minus control, in `unit`; None for words.
    unit : str
    declared : bool
        Whether trial.toml says that the variant is meant to differ in it.
    """

    factor: str
    control_value: Value
    variant_value: Value
    control_range: tuple[float, float] | None
    variant_range: tuple[float, float] | None
    amount: float | None
    unit: str
    declared: bool

    def to_row(self) -> dict[str, object]:
        """Give every field by its name, for tables and JSON."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatDiffers:
    """A variant against the control.

    Parameters
    ----------
    variant : str
    batches, control_batches : int
        How many were made of each; 0 where batches.csv has none.
    differences : tuple of Difference
        The declared ones first, else in the order of the factors.
    alike : tuple of str
        Factors that are alike within their tolerance.
    not_known : tuple of str
        Factors of which a batch of either lacks a value, so that nothing can be said.
    declared_but_alike : tuple of str
        What the variant is meant to differ in, and does not.
    not_recorded : tuple of str
        What it is meant to differ in, and batches.csv does not record.
    """

    variant: str
    batches: int
    control_batches: int
    differences: tuple[Difference, ...]
    alike: tuple[str, ...]
    not_known: tuple[str, ...]
    declared_but_alike: tuple[str, ...]
    not_recorded: tuple[str, ...]

    @property
    def undeclared(self) -> tuple[Difference, ...]:
        """What a difference in taste may be blamed on, besides the method."""
        return tuple(each for each in self.differences if not each.declared)

    def to_row(self) -> dict[str, object]:
        """Give every field by its name, for tables and JSON."""
        row = {name: getattr(self, name) for name in self.__slots__}
        return {**row, "differences": [each.to_row() for each in self.differences]}


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Factors that always change together, so that no tasting can tell them apart.

    Parameters
    ----------
    factors : tuple of str
        Two or more.
    variants : tuple of str
        Those whose batches they set apart from the control's.
    """

    factors: tuple[str, ...]
    variants: tuple[str, ...]

    def to_row(self) -> dict[str, object]:
        """Give every field by its name, for tables and JSON."""
        return {"factors": [*self.factors], "variants": [*self.variants]}


def what_differs(trial: Trial, log: BatchLog) -> tuple[WhatDiffers, ...]:
    """Hold every variant against the control on every factor.

    Parameters
    ----------
    trial : Trial
    log : BatchLog

    Returns
    -------
    tuple of WhatDiffers
        One a variant that is not the control, in the order of trial.toml.

    Notes
    -----
    Numbers of several batches are compared by their means, words by the sets of them. A factor
    that no batch has a value of is left out.

    Examples
    --------
    >>> from blindspoon.trial_file import parse_trial
    >>> trial = parse_trial('''
    ... trial = { title = "Crisp cucumbers", control = "plain" }
    ... scale = { low = 0, high = 10 }
    ... attribute = [{ name = "texture" }]
    ... variant = [{ name = "plain" }, { name = "oak", differs = ["leaf"] }]
    ... ''')
    >>> jars = (Batch(name="1", variant="plain", line=2, temperature_c=20, own={"leaf": "none"}),
    ...         Batch(name="2", variant="oak", line=3, temperature_c=16, own={"leaf": "oak"}))
    >>> log = BatchLog(batches=jars, readings={}, columns=frozenset({"temperature_c"}),
    ...     own=("leaf",), quantities=(), first_tasted=None, last_tasted=None)
    >>> found = what_differs(trial, log)[0].differences
    >>> [(each.factor, each.amount, each.declared) for each in found]
    [('leaf', None, True), ('temperature_c', -4.0, False)]
    """
    values = factor_values(log)
    return tuple(
        _what_differs(trial, log, values, variant.name)
        for variant in trial.variants
        if variant.name != trial.control
    )


def moving_together(trial: Trial, log: BatchLog) -> tuple[Together, ...]:
    """Find factors that part all batches of the trial in the same way.

    Returns
    -------
    tuple of Together
        Only factors that vary and of which every batch has a value.

    Notes
    -----
    Numbers within a factor's tolerance of their neighbour are one level. Two factors with the
    same levels in the same batches are completely confounded: R. A. Fisher 1935, The Design of
    Experiments, chapter VII.
    """
    partings: dict[tuple[int, ...], list[str]] = {}
    for factor, values in factor_values(log).items():
        known = [value for value in values if value is not None]
        if len(known) == len(values):
            levels = _levels(factor, known)
            if len(set(levels)) > 1:
                partings.setdefault(levels, []).append(factor.name)
    control = [batch.variant == trial.control for batch in log.batches]
    return tuple(
        Together(factors=tuple(names), variants=_set_apart(log, levels, control))
        for levels, names in partings.items()
        if len(names) > 1
    )


def _what_differs(
    trial: Trial,
    log: BatchLog,
    values: Mapping[Factor, tuple[Value | None, ...]],
    variant: str,
) -> WhatDiffers:
    of_variant = [row for row, batch in enumerate(log.batches) if batch.variant == variant]
    of_control = [row for row, batch in enumerate(log.batches) if batch.variant == trial.control]
    differences: list[tuple[Factor, Difference]] = []
    alike: list[Factor] = []
    not_known: list[Factor] = []
    for factor, column in values.items() if of_variant and of_control else ():
        ours = [value for row in of_variant if (value := column[row]) is not None]
        theirs = [value for row in of_control if (value := column[row]) is not None]
        if len(ours) < len(of_variant) or len(theirs) < len(of_control):
            not_known.append(factor)
        elif factor.alike(_level(theirs), _level(ours)):
            alike.append(factor)
        else:
            declared = declares(trial, variant, factor)
            differences.append((factor, _difference(factor, theirs, ours, declared=declared)))
    met = [factor for factor, _ in differences]
    return WhatDiffers(
        variant=variant,
        batches=len(of_variant),
        control_batches=len(of_control),
        differences=tuple(sorted((d for _, d in differences), key=lambda each: not each.declared)),
        alike=tuple(factor.name for factor in alike),
        not_known=tuple(factor.name for factor in not_known),
        declared_but_alike=tuple(
            name
            for name in trial.variant(variant).differs
            if _any_answers(alike, name) and not _any_answers(met, name)
        ),
        not_recorded=tuple(each[1] for each in unknown_factors(trial, log) if each[0] == variant),
    )


def _any_answers(factors: Sequence[Factor], name: str) -> bool:
    return any(factor.answers_to(name) for factor in factors)


def _difference(
    factor: Factor, control: Sequence[Value], variant: Sequence[Value], *, declared: bool
) -> Difference:
    theirs, ours = _level(control), _level(variant)
    numeric = not isinstance(theirs, str) and not isinstance(ours, str)
    return Difference(
        factor=factor.name,
        control_value=theirs,
        variant_value=ours,
        control_range=_range(control),
        variant_range=_range(variant),
        amount=float(ours) - float(theirs) if numeric else None,
        unit=factor.unit,
        declared=declared,
    )


def _level(values: Sequence[Value]) -> Value:
    """Mean of numbers; words joined, each once."""
    numbers = [value for value in values if not isinstance(value, str)]
    if len(numbers) == len(values):
        return sum(numbers) / len(numbers)
    return ", ".join(sorted({str(value) for value in values}))


def _range(values: Sequence[Value]) -> tuple[float, float] | None:
    numbers = [value for value in values if not isinstance(value, str)]
    if len(values) < 2 or len(numbers) < len(values):
        return None
    return min(numbers), max(numbers)


def _levels(factor: Factor, values: Sequence[Value]) -> tuple[int, ...]:
    """Give every batch the number of its level of a factor, by first appearance."""
    chains: dict[Value, Value] = {}
    for value in sorted(set(values), key=lambda each: (isinstance(each, str), each)):
        last = next(reversed(chains), None)
        near = last is not None and factor.alike(last, value)
        chains[value] = chains[last] if near and last is not None else value
    order: dict[Value, int] = {}
    return tuple(order.setdefault(chains[value], len(order)) for value in values)


def _set_apart(log: BatchLog, levels: Sequence[int], control: Sequence[bool]) -> tuple[str, ...]:
    usual = {level for level, own in zip(levels, control, strict=True) if own}
    pairs: Iterator[tuple[Batch, int]] = zip(log.batches, levels, strict=True)
    return tuple(dict.fromkeys(batch.variant for batch, level in pairs if level not in usual))
