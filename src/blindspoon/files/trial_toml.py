"""The text of trial.toml -> `Trial`, every key checked and every default filled in; and back."""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from typing import Literal, cast

from blindspoon.errors import TrialFileError, did_you_mean, in_order, quoted, some_of
from blindspoon.files.schema import SCORES
from blindspoon.files.toml import Range, Section, read_toml
from blindspoon.trial import (
    Attribute,
    Decision,
    Scale,
    Session,
    Tasting,
    Trial,
    Variant,
    default_tasters,
)


def parse_trial(text: str, file: str = "trial.toml") -> Trial:
    """Read trial.toml.

    Parameters
    ----------
    text : str
        The whole file: TOML 1.0. Its keys are listed in ``docs/reference/trial-folder.md``.
    file : str
        Name that messages give it.

    Returns
    -------
    Trial
        With every default filled in. Where there is no ``seed`` it is made from the title.

    Raises
    ------
    TrialFileError
        With every problem of the file.

    Examples
    --------
    >>> trial = parse_trial('''
    ... trial = { title = "Crisp cucumbers", control = "plain" }
    ... scale = { low = 0, high = 10 }
    ... attribute = [{ name = "texture" }]
    ... variant = [{ name = "plain" }, { name = "oak-leaf" }]
    ... ''')
    >>> trial.variants[1].label, trial.attributes[0].scale.high, trial.decision.by
    ('Oak leaf', 10.0, 'mixed')
    """
    root = read_toml(text, file)
    about, rule = root.section("trial"), root.section("decision")
    title = about.required_text("title")
    trial = Trial(
        title=title,
        question=about.text("question"),
        product=about.text("product"),
        host=about.text("host"),
        licence=about.text("licence"),
        dates=about.text("dates"),
        control=about.required_text("control"),
        seed=_seed(about, title),
        decision=_decision(rule),
        attributes=_attributes(root, rule.number("margin", _ABOVE_ZERO)),
        variants=_variants(root),
        sessions=_sessions(root),
        tasting=_tasting(root.section("tasting")),
        tasters_shown=_tasters_shown(root.section("publish")),
    )
    _see_known(about, "control", [trial.control], [v.name for v in trial.variants])
    _see_known(rule, "primary", trial.decision.primary, [a.name for a in trial.attributes])
    for section in (about, rule, root):
        section.close()
    if root.problems:
        raise TrialFileError(in_order(root.problems))
    return trial


_SEED = Range("a seed is a whole number from 0 to 2^63 - 1", lambda n: 0 <= n < 2**63)
_ABOVE_ZERO = Range("it is a number above 0", lambda x: x > 0)
_ALPHA = Range("alpha lies between 0 and 0.5", lambda x: 0 < x < 0.5)
_ANY = Range("it is a finite number", lambda _: True)
_STEP = Range("a step is 0 (any number) or above", lambda x: x >= 0)
_CUPS = Range("a taster gets 1 to 999 cups", lambda n: 1 <= n <= 999)
_CONTROLS = Range("the control is served once or twice", lambda n: n in (1, 2))
_TASTERS = Range("a number of tasters is 1 to 9999", lambda n: 1 <= n <= 9999)

_ATTRIBUTE_NAME = r"[a-z][a-z0-9_]{0,59}"
_ATTRIBUTE_RULE = (
    "it begins with a lower-case letter and has lower-case letters, digits and underscores,"
    " 60 at most"
)
_NAME = r"[a-z0-9-]{1,60}"
_NAME_RULE = "it has lower-case letters, digits and hyphens, 60 at most"


def _seed(about: Section, title: str) -> int:
    """Read the seed, or make one from the title that is the same on every machine."""
    seed = about.whole("seed", _SEED)
    if seed is not None:
        return seed
    return int.from_bytes(hashlib.sha256(title.encode()).digest()[:4])


def _label(name: str) -> str:
    words = name.replace("_", " ").replace("-", " ")
    return words[:1].upper() + words[1:]


def _decision(rule: Section) -> Decision:
    return Decision(
        declared=rule.date("declared"),
        primary=rule.texts("primary"),
        alpha=rule.number("alpha", _ALPHA) or 0.05,
        by=cast("Literal['mixed', 'ranks']", rule.choice("by", ("mixed", "ranks"))),
    )


def _scale(section: Section) -> Scale:
    section.require("low", "high")
    low = section.number("low", _ANY)
    high = section.number("high", _ANY)
    step = section.number("step", _STEP) or 0.0
    section.close()
    if low is None or high is None:
        return Scale(low=0.0, high=1.0)
    if low >= high:
        found = f"low is {low:g} and high is {high:g}"
        section.complain("scale", "", found, "low is less than high", "Correct them")
    elif step and abs((high - low) / step - round((high - low) / step)) > 1e-6:
        found = f"step {step:g} does not divide {low:g} to {high:g}"
        allowed = "a whole number of steps leads from low to high"
        section.complain("scale", "step", found, allowed, "Correct one of them")
    return Scale(low=low, high=high, step=step)


def _attributes(root: Section, margin: float | None) -> tuple[Attribute, ...]:
    shared = root.section("scale")
    default = _scale(shared) if "scale" in root else None
    sections = root.sections("attribute")
    attributes = tuple(_attribute(section, default, margin, root) for section in sections)
    _see_some(root, "attribute", len(attributes), 1)
    _see_distinct(sections, [attribute.name for attribute in attributes])
    return attributes


def _attribute(
    section: Section, default: Scale | None, margin: float | None, root: Section
) -> Attribute:
    name = section.name(_ATTRIBUTE_NAME, _ATTRIBUTE_RULE)
    if name in {column.name for column in SCORES}:
        found, allowed = f"{name} is a column of its own", "an attribute has another name"
        section.complain("bad-name", "name", found, allowed, "Rename it")
    own = section.section("scale")
    scale = _scale(own) if "scale" in section else default
    if scale is None:
        section.require("scale")
    own_margin = section.number("margin", _ABOVE_ZERO)
    attribute = Attribute(
        name=name,
        label=section.text("label", _label(name)),
        low=section.text("low"),
        high=section.text("high"),
        less=section.text("less"),
        more=section.text("more"),
        scale=scale or Scale(low=0.0, high=1.0),
        margin=(own_margin or margin) if "decision" in root else None,
    )
    section.close()
    return attribute


def _variants(root: Section) -> tuple[Variant, ...]:
    sections = root.sections("variant")
    variants = tuple(_variant(section) for section in sections)
    _see_some(root, "variant", len(variants), 2)
    _see_distinct(sections, [variant.name for variant in variants])
    return variants


def _variant(section: Section) -> Variant:
    name = section.name(_NAME, _NAME_RULE)
    variant = Variant(
        name=name,
        label=section.text("label", _label(name)),
        method=section.text("method"),
        differs=section.texts("differs"),
    )
    section.close()
    return variant


def _sessions(root: Section) -> tuple[Session, ...]:
    sections = root.sections("session")
    sessions = tuple(_session(section) for section in sections)
    _see_distinct(sections, [session.name for session in sessions])
    return sessions


def _session(section: Section) -> Session:
    session = Session(name=section.name(_NAME, _NAME_RULE), date=section.date("date"))
    section.close()
    return session


def _tasting(section: Section) -> Tasting:
    if section.holds("tasters", int):
        count = section.whole("tasters", _TASTERS) or 0
        tasters = default_tasters(count)
    else:
        tasters = section.texts("tasters")
    codes = section.choice("codes", ("per taster", "per session"))
    tasting = Tasting(
        tasters=tasters,
        servings=section.whole("servings", _CUPS),
        codes=cast("Literal['per taster', 'per session']", codes),
        cleanser=section.text("cleanser"),
        rest=section.text("rest", "about a minute"),
        controls=cast("Literal[1, 2]", section.whole("controls", _CONTROLS, 1)),
        warm_up=section.flag("warm_up"),
        portion_g=section.number("portion_g", _ABOVE_ZERO),
        allergens=section.text("allergens"),
        consent=section.text("consent"),
    )
    section.close()
    return tasting


def _tasters_shown(section: Section) -> bool:
    shown = section.flag("tasters", default=True)
    section.close()
    return shown


def _see_some(root: Section, key: str, count: int, least: int) -> None:
    if count < least:
        found = f"trial.toml lists {count} [[{key}]]"
        allowed = f"{least} or more are needed"
        root.complain("missing-section", key, found, allowed, f"Add [[{key}]] with its name")


def _see_distinct(sections: Sequence[Section], names: Sequence[str]) -> None:
    for place, (section, name) in enumerate(zip(sections, names, strict=True)):
        if name and name in names[:place]:
            found = f"{quoted(name)} stands above already"
            section.complain("repeated-name", "name", found, "every name stands once", "Rename one")


def _see_known(section: Section, key: str, names: Sequence[str], known: Sequence[str]) -> None:
    for name in names:
        if name and name not in known:
            found = f"{quoted(name)} is not known{did_you_mean(name, known)}"
            allowed = f"trial.toml lists {some_of(known, 20) or 'none'}"
            section.complain("unknown-name", key, found, allowed, "Name one of them")


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
    >>> from blindspoon.files.trial_toml import parse_trial
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
    yield _written_decision(trial.decision, trial.attributes)
    scales = {attribute.scale for attribute in trial.attributes}
    shared = next(iter(scales)) if len(scales) == 1 else None
    if shared is not None:
        yield ["[scale]", *_written_scale(shared)]
    for attribute in trial.attributes:
        yield _written_attribute(attribute, own_scale=shared is None)
    for variant in trial.variants:
        fields = ("name", "label", "method", "differs")
        yield _section("[[variant]]", ((name, getattr(variant, name)) for name in fields))
    for session in trial.sessions:
        yield _section("[[session]]", (("name", session.name), ("date", session.date)))
    yield _written_tasting(trial.tasting)
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


def _written_decision(decision: Decision, attributes: tuple[Attribute, ...]) -> list[str]:
    """Write the rule where there is one; the margins stand with the attributes."""
    pairs = [("declared", decision.declared), ("primary", decision.primary)]
    declared = [*pairs, ("alpha", decision.alpha), ("by", decision.by)]
    bare = decision == Decision(declared=None, primary=(), alpha=0.05, by="mixed")
    ruled = not bare or any(attribute.margin is not None for attribute in attributes)
    return _section("[decision]", declared) if ruled else []


def _written_scale(scale: Scale) -> list[str]:
    return [f"{name} = {_value(getattr(scale, name))}" for name in ("low", "high", "step")]


def _written_attribute(attribute: Attribute, *, own_scale: bool) -> list[str]:
    fields = ("name", "label", "low", "high", "less", "more", "margin")
    lines = _section("[[attribute]]", ((name, getattr(attribute, name)) for name in fields))
    own = f"scale = {{ {', '.join(_written_scale(attribute.scale))} }}"
    return [*lines, own] if own_scale else lines


def _written_tasting(tasting: Tasting) -> list[str]:
    numbered = tasting.tasters and tasting.tasters == default_tasters(len(tasting.tasters))
    fields = ("servings", "codes", "cleanser", "rest", "controls", "warm_up", "portion_g")
    return _section(
        "[tasting]",
        (
            ("tasters", len(tasting.tasters) if numbered else tasting.tasters),
            *((name, getattr(tasting, name)) for name in (*fields, "allergens", "consent")),
        ),
    )
