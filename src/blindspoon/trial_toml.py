"""`Trial` -> the text of a trial.toml that reads as the same trial."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterable, Iterator

from blindspoon.trial import Attribute, Decision, Scale, Tasting, Trial, default_tasters

Value = str | float | bool | datetime.date | tuple[str, ...] | None


def trial_text(trial: Trial) -> str:
    r"""Write trial.toml.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    str
        TOML 1.0. ``parse_trial`` of it gives an equal trial; comments of an earlier file are
        not in it.

    Examples
    --------
    >>> from blindspoon.trial_file import parse_trial
    >>> trial = parse_trial('''
    ... trial = { title = "Crisp", control = "plain" }
    ... scale = { low = 0, high = 10 }
    ... attribute = [{ name = "texture" }]
    ... variant = [{ name = "plain" }, { name = "oak" }]
    ... ''')
    >>> parse_trial(trial_text(trial)) == trial
    True
    """
    return (
        "\n\n".join("\n".join(section) for section in _sections(trial) if len(section) > 1) + "\n"
    )


def _sections(trial: Trial) -> Iterator[list[str]]:
    about = ("title", "question", "product", "control", "host", "licence", "dates", "seed")
    yield _section("[trial]", ((name, getattr(trial, name)) for name in about))
    yield _decision(trial.decision, trial.attributes)
    scales = {attribute.scale for attribute in trial.attributes}
    shared = next(iter(scales)) if len(scales) == 1 else None
    if shared is not None:
        yield ["[scale]", *_scale(shared)]
    for attribute in trial.attributes:
        yield _attribute(attribute, own_scale=shared is None)
    for variant in trial.variants:
        fields = ("name", "label", "method", "differs")
        yield _section("[[variant]]", ((name, getattr(variant, name)) for name in fields))
    for session in trial.sessions:
        yield _section("[[session]]", (("name", session.name), ("date", session.date)))
    yield _tasting(trial.tasting)
    if not trial.tasters_shown:
        yield ["[publish]", "tasters = false"]


def _section(head: str, pairs: Iterable[tuple[str, Value]]) -> list[str]:
    """Write the keys that say something; blanks and empty lists are the defaults."""
    return [
        head,
        *(f"{key} = {_value(value)}" for key, value in pairs if value not in ("", (), None)),
    ]


def _value(value: Value) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case float() if value.is_integer():
            return str(int(value))
        case int() | float() | datetime.date():
            return str(value)
        case tuple():
            return f"[{', '.join(map(_value, value))}]"
        case _:
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _decision(decision: Decision, attributes: tuple[Attribute, ...]) -> list[str]:
    """Write the rule where there is one; the margins stand with the attributes."""
    pairs = [("declared", decision.declared), ("primary", decision.primary)]
    declared = [*pairs, ("alpha", decision.alpha), ("by", decision.by)]
    bare = decision == Decision(declared=None, primary=(), alpha=0.05, by="mixed")
    ruled = not bare or any(attribute.margin is not None for attribute in attributes)
    return _section("[decision]", declared) if ruled else []


def _scale(scale: Scale) -> list[str]:
    return [f"{name} = {_value(getattr(scale, name))}" for name in ("low", "high", "step")]


def _attribute(attribute: Attribute, *, own_scale: bool) -> list[str]:
    fields = ("name", "label", "low", "high", "less", "more", "margin")
    lines = _section("[[attribute]]", ((name, getattr(attribute, name)) for name in fields))
    own = f"scale = {{ {', '.join(_scale(attribute.scale))} }}"
    return [*lines, own] if own_scale else lines


def _tasting(tasting: Tasting) -> list[str]:
    numbered = tasting.tasters and tasting.tasters == default_tasters(len(tasting.tasters))
    fields = ("servings", "codes", "cleanser", "rest", "controls", "warm_up", "portion_g")
    return _section(
        "[tasting]",
        (
            ("tasters", len(tasting.tasters) if numbered else tasting.tasters),
            *((name, getattr(tasting, name)) for name in (*fields, "allergens", "consent")),
        ),
    )
