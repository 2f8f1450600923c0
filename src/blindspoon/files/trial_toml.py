"""The text of trial.toml -> `Trial`, every key checked and every default filled in; and back."""

import hashlib
import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields, replace
from functools import lru_cache, partial
from typing import Any, TypeVar, get_args

from blindspoon.errors import TrialFileError, did_you_mean, in_order, quoted, some_of
from blindspoon.files.schema import COLUMNS
from blindspoon.files.text_table import tidied
from blindspoon.files.toml import Range, Section, read_toml
from blindspoon.trial import (
    DEFAULT_REST,
    METHODS,
    Attribute,
    Choice,
    Course,
    Decision,
    Language,
    Over,
    Photo,
    Scale,
    Session,
    Side,
    Tasting,
    Trial,
    Variant,
    default_tasters,
)

FILE = "trial.toml"

_Reader = Callable[[Section, str], Any]
_Keys = Mapping[str, _Reader]
"""Keys of a section in the order in which they are written, and how each is read."""


def _number(allowed: Range, default: float | None = None) -> _Reader:
    return partial(Section.number, allowed=allowed, default=default)


def _whole(allowed: Range, default: int | None = None) -> _Reader:
    return partial(Section.whole, allowed=allowed, default=default)


def _one_of(*words: str) -> _Reader:
    return partial(Section.choice, options=words)


_SEED = Range("a seed is a whole number from 0 to 2^63 - 1", lambda n: 0 <= n < 2**63)
_ABOVE_ZERO = Range("it is a number above 0", lambda x: x > 0)
_ALPHA = Range("alpha lies between 0 and 0.5", lambda x: 0 < x < 0.5)
_BETA = Range("beta lies between 0 and 0.5", lambda x: 0 < x < 0.5)
_ANY = Range("it is a finite number", lambda _: True)
_STEP = Range("a step is 0 (any number) or above", lambda x: x >= 0)
_CUPS = Range("a taster gets 1 to 999 cups", lambda n: 1 <= n <= 999)
_CONTROLS = Range("the control is served once or twice", lambda n: n in (1, 2))
_SETS = Range("a taster gets 1 to 40 sets", lambda n: 1 <= n <= 40)
_SHARE = Range("it is a share between 0 and 1", lambda x: 0 < x < 1)
_TESTS = Range("a number of tests is 1 to 1,000,000", lambda n: 1 <= n <= 1_000_000)
_TASTERS = Range("a number of tasters is 1 to 9999", lambda n: 1 <= n <= 9999)

_COLUMN = r"[a-z][a-z0-9_]{0,59}"
_COLUMN_RULE = (
    "it begins with a lower-case letter and has lower-case letters, digits and underscores,"
    " 60 at most"
)
_text, _texts = Section.text, Section.texts
_name: _Reader = partial(
    Section.name,
    pattern=r"[a-z0-9-]{1,60}",
    allowed="it has lower-case letters, digits and hyphens, 60 at most",
)

_ABOUT: _Keys = {
    "title": Section.required_text, "question": _text, "product": _text,
    "control": Section.required_text, "host": _text, "licence": _text, "dates": _text,
    "seed": _whole(_SEED),
}  # fmt: skip
_DECISION: _Keys = {
    "declared": Section.date, "primary": _texts, "alpha": _number(_ALPHA, 0.05),
    "by": _one_of("mixed", "ranks"), "tasters": _whole(_TASTERS),
    "looks": partial(Section.rising, allowed=_TASTERS, most=5),
}  # fmt: skip
_ATTRIBUTE: _Keys = {
    "name": partial(Section.name, pattern=_COLUMN, allowed=_COLUMN_RULE), "label": _text,
    "low": _text, "high": _text, "less": _text, "more": _text, "margin": _number(_ABOVE_ZERO),
}  # fmt: skip
_CHOICE: _Keys = {
    "sets": _whole(_SETS, 1), "attribute": _text, "expect": _one_of("either", "more", "less"),
    "ask": _one_of("difference", "alike"), "can_tell": _number(_SHARE, 0.3),
    "tests": _whole(_TESTS), "rule": _one_of("fixed", "sequential"), "beta": _number(_BETA),
}  # fmt: skip
_COURSE: _Keys = {
    "over": _one_of(*get_args(Over)), "attribute": _text, "side": _one_of(*get_args(Side)),
    "accept": _text, "half": _number(_SHARE, 0.5), "same_control": Section.flag,
}  # fmt: skip
_VARIANT: _Keys = {
    "name": _name, "label": _text, "method": _text, "differs": _texts, "series": _text,
}  # fmt: skip
_SESSION: _Keys = {"name": _name, "label": _text, "date": Section.date, "not_asked": _texts}
_TASTING: _Keys = {
    "servings": _whole(_CUPS), "codes": _one_of("per taster", "per session"), "cleanser": _text,
    "rest": partial(_text, default=DEFAULT_REST), "controls": _whole(_CONTROLS, 1),
    "warm_up": Section.flag, "portion_g": _number(_ABOVE_ZERO), "allergens": _text,
    "consent": _text, "language": _one_of(*get_args(Language)),
}  # fmt: skip
PICTURE = re.compile(r"(?i)[^/\\:]+\.(jpe?g|png|webp)")  # the name of a file in photos
_PHOTO: _Keys = {"file": Section.required_text, "alt": Section.required_text, "variant": _text}


def _read(section: Section, keys: _Keys) -> dict[str, Any]:
    return {key: read(section, key) for key, read in keys.items()}


@lru_cache(maxsize=16)  # reading a folder and most of its readers ask for the same text
def parse_trial(text: str) -> Trial:
    """Read trial.toml, whose keys are listed in ``docs/reference/trial-folder.md``.

    With every default filled in; where there is no ``seed`` it is made from the title. Raises
    TrialFileError with every problem of the file.

    >>> trial = parse_trial('''
    ... trial = { title = "Crisp cucumbers", control = "plain" }
    ... scale = { low = 0, high = 10 }
    ... attribute = [{ name = "texture" }]
    ... variant = [{ name = "plain" }, { name = "oak-leaf" }]
    ... ''')
    >>> trial.variants[1].label, trial.attributes[0].scale.high, trial.decision.by
    ('Oak leaf', 10.0, 'mixed')
    """
    root = read_toml(text, FILE)
    trial_section, rule = root.section("trial"), root.section("decision")
    about, decision = _read(trial_section, _ABOUT), _read(rule, _DECISION)
    choice = _choice(root.section("choice")) if "choice" in root else None
    asked, course = [key for key in ("choice",) if choice], ["course"] * ("course" in root)
    margin, primary = rule.number("margin", _ABOVE_ZERO), decision["primary"]
    attributes = _attributes(root, margin, [*asked, *course], least=0 if choice else 1)
    variants = _named(root, "variant", lambda it: Variant(**_labelled(it, _VARIANT)), least=2)
    if about["seed"] is None:
        about["seed"] = int.from_bytes(hashlib.sha256(about["title"].encode()).digest()[:4])
    control = about["control"]
    about["control"] = names_by_label(variants).get(control.casefold(), control)
    decision["primary"] = primary or (() if attributes else tuple(asked))
    trial = Trial(
        **about,
        decision=Decision(**decision),
        attributes=attributes,
        variants=variants,
        sessions=_named(root, "session", lambda it: Session(**_read(it, _SESSION))),
        tasting=_tasting(root.section("tasting")),
        **_published(root.section("publish")),
        story=root.section("story").text("text"),
        photos=tuple(map(_photo, root.sections("photo"))),
        choice=choice,
        course=_course(root.section("course"), attributes, primary) if course else None,
    )
    names = [variant.name for variant in variants]
    known = [*asked, *(attribute.name for attribute in attributes)]
    if choice and choice.how.words and len(names) > 2:
        allowed = f"{choice.method} holds one against the control"
        root.refuse(
            "choice", f"{len(names)} variants", allowed, "Take another method, or one variant"
        )
    _see_known(root, "photo", [photo.variant for photo in trial.photos], names)
    _see_known(trial_section, "control", [trial.control], names)
    _see_known(rule, "primary", trial.decision.primary, [*course, *known])
    for variant in variants:
        if variant.series and (variant.name == trial.control or not course):
            allowed = "a series is of variants, the control apart, and is for [course]"
            root.refuse("variant", f"{variant.name} has a series", allowed)
    for session in trial.sessions:
        _see_known(root, "session.not_asked", session.not_asked, known)
    root.close()
    if root.problems:
        raise TrialFileError(in_order(root.problems))
    return trial


def names_by_label(parts: Sequence[Attribute | Variant | Session]) -> dict[str, str]:
    """Give the name that each label stands for, both in small letters; labels of two are none."""
    labels = [tidied(part.label).casefold() for part in parts]
    names, times = [part.name for part in parts], Counter(labels)
    by_label = {label: name for label, name in zip(labels, names, strict=True) if times[label] == 1}
    by_label.pop("", None)
    return by_label | {name: name for name in names}


_Named = TypeVar("_Named", Attribute, Variant, Session)


def _named(
    root: Section, key: str, read: Callable[[Section], _Named], least: int = 0
) -> tuple[_Named, ...]:
    """Read an array of tables, each with a name of its own."""
    sections = root.sections(key)
    parts = tuple(map(read, sections))
    if len(parts) < least:
        found, allowed = f"trial.toml lists {len(parts)} [[{key}]]", f"{least} or more are needed"
        root.complain("missing-section", key, found, allowed, f"Add [[{key}]] with its name")
    names = [part.name for part in parts]
    for place, (section, name) in enumerate(zip(sections, names, strict=True)):
        if name and name in names[:place]:
            found = f"{quoted(name)} stands above already"
            section.complain("repeated-name", "name", found, "every name stands once", "Rename one")
    return parts


def _labelled(section: Section, keys: _Keys) -> dict[str, Any]:
    """Read keys; where there is no label, it is the name in words."""
    values = _read(section, keys)
    words = re.sub("[_-]", " ", values["name"])
    return values | {"label": values["label"] or words[:1].upper() + words[1:]}


def _scale(section: Section) -> Scale:
    section.require("low", "high")
    low, high = (section.number(key, _ANY) for key in ("low", "high"))
    step = section.number("step", _STEP) or 0.0
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


def _attributes(
    root: Section, margin: float | None, asked: Sequence[str], least: int
) -> tuple[Attribute, ...]:
    shared = root.section("scale")
    default = _scale(shared) if "scale" in root else None
    taken = {*COLUMNS, *asked}

    def read(section: Section) -> Attribute:
        values, own, scale = _labelled(section, _ATTRIBUTE), section.section("scale"), default
        if values["name"] in taken:
            found = f"{values['name']} is a column of its own"
            allowed = "an attribute has another name"
            section.complain("bad-name", "name", found, allowed, "Rename it")
        if "scale" in section:
            scale = _scale(own)
        elif scale is None:
            section.require("scale")
        values["margin"] = values["margin"] or margin
        return Attribute(**values, scale=scale or Scale(low=0.0, high=1.0))

    return _named(root, "attribute", read, least=least)


def _tasting(section: Section) -> Tasting:
    if section.holds("tasters", int):
        tasters = default_tasters(section.whole("tasters", _TASTERS) or 0)
    else:
        tasters = section.texts("tasters")
    return Tasting(tasters=tasters, **_read(section, _TASTING))


def _choice(section: Section) -> Choice:
    section.require("method")
    method = section.choice("method", tuple(METHODS))
    ways = {"expect": _one_of("more", "less")} if method == "three-afc" else {}
    choice = Choice(method=method, **_read(section, {**_CHOICE, **ways}))
    directed, sequential = method in ("paired", "three-afc"), choice.rule == "sequential"
    if directed and not choice.attribute:
        found, allowed = f"{method} has no attribute", "it asks which cup has more of something"
        section.complain("missing-key", "attribute", found, allowed, 'Write attribute = "sourness"')
    for key in () if directed else ("attribute", "expect"):
        if key in section:
            section.refuse(key, f"{key} stands with {method}", "it is for paired and three-afc")
    if sequential and (choice.how.words or choice.two_sided):
        allowed = "it needs one chance of guessing, one-sided"
        section.refuse("rule", f"{method} is sequential", allowed)
    if sequential and choice.tests is None:
        found, allowed = "there is no number of tests", "the sequential rule ends at one"
        section.complain("missing-key", "tests", found, allowed, "Write the most that there may be")
    return choice


def _course(section: Section, attributes: Sequence[Attribute], primary: Sequence[str]) -> Course:
    scored = {attribute.name: attribute for attribute in attributes}
    first = [*(name for name in primary if name in scored), *scored, ""]
    reach: Any = _target(section, "reach")
    keep = _target(section, "keep")
    if keep is True:
        keep = "control" if reach is None else reach
    reach = "control" if reach is None and keep is None else reach
    values = _read(section, _COURSE)
    name = values["attribute"] = values["attribute"] or first[0]
    course = Course(**values, reach=reach, keep=keep)
    level, column = course.level, course.accept
    _see_known(section, "attribute", [name], list(scored))
    if course.reach is not None and course.keep not in (None, course.reach):
        allowed = "what is reached is what is to be kept"
        section.refuse("keep", "reach and keep differ", allowed, "Write keep = true")
    if "side" in section and level is None:
        section.refuse("side", "side stands without a number", "the control has no side")
    if name in scored:
        margin, scale = scored[name].margin, scored[name].scale
        if level is None and margin is None:
            found, allowed = f"{name} has no margin", "like the control means within its margin"
            section.complain("missing-key", "attribute", found, allowed, "Write its margin")
        if level is not None and not scale.low < level < scale.high:
            found = f"{level:g} is off the scale of {name}"
            allowed = f"it goes from {scale.low:g} to {scale.high:g}"
            key = "reach" if "reach" in section else "keep"
            section.complain("off-scale", key, found, allowed, "Write a number between")
    taken = {*scored, "choice", "course", *COLUMNS}
    if column and (not re.fullmatch(_COLUMN, column) or column in taken):
        section.complain("bad-name", "accept", quoted(column), _COLUMN_RULE, "Rename it")
    return course


def _target(section: Section, key: str) -> Any:  # noqa: ANN401 - a Target, or true
    """Read "control" or a number of points; true where it is kept."""
    if section.holds(key, str):
        return section.choice(key, ("control",))
    if section.holds(key, bool) and key == "keep":
        return section.flag(key) or None
    return section.number(key, _ANY)


def _published(section: Section) -> dict[str, Any]:
    shown, address = section.flag("tasters", default=True), section.text("address")
    if address and not re.fullmatch(r"https?://[^\s\"<>]+", address):
        allowed = "an address begins with https:// and has no blanks"
        section.refuse("address", quoted(address), allowed, "Correct it")
    return {"tasters_shown": shown, "address": f"{address.rstrip('/')}/" if address else ""}


def _photo(section: Section) -> Photo:
    photo = Photo(**_read(section, _PHOTO))
    if photo.file and not PICTURE.fullmatch(photo.file):
        allowed = "it is the name of a .jpg, .png or .webp in the folder photos"
        section.refuse("file", quoted(photo.file), allowed, "Write its name alone")
    return photo


def _see_known(section: Section, key: str, names: Sequence[str], known: Sequence[str]) -> None:
    for name in names:
        if name and name not in known:
            found = f"{quoted(name)} is not known{did_you_mean(name, known)}"
            allowed = f"trial.toml lists {some_of(known, 20) or 'none'}"
            section.complain("unknown-name", key, found, allowed, "Name one of them")


def trial_text(trial: Trial) -> str:
    """Write trial.toml, with the keys that say something; `parse_trial` gives an equal trial.

    Comments of an earlier file are not in it.
    """
    import tomlkit  # noqa: PLC0415 - only where a trial is written

    bare = Decision(declared=None, primary=(), alpha=0.05, by="mixed")
    ruled = replace(trial.decision, share=1.0) != bare or any(it.margin for it in trial.attributes)
    scales, tasters = {it.scale for it in trial.attributes}, trial.tasting.tasters
    panel = len(tasters) if tasters == default_tasters(len(tasters)) else tasters

    def attribute(part: Attribute) -> dict[str, Any]:
        scale = tomlkit.inline_table()
        scale.update(_kept(part.scale, Scale.__slots__))
        return _kept(part, _ATTRIBUTE) | ({"scale": scale} if len(scales) > 1 else {})

    document = {
        "trial": _kept(trial, _ABOUT),
        "decision": _kept(trial.decision, _DECISION) if ruled else {},
        "scale": _kept(next(iter(scales)), Scale.__slots__) if len(scales) == 1 else {},
        "attribute": [attribute(part) for part in trial.attributes],
        "choice": _unusual(trial.choice),
        "course": _unusual(trial.course),
        "variant": [_kept(variant, _VARIANT) for variant in trial.variants],
        "session": [_kept(session, _SESSION) for session in trial.sessions],
        "tasting": ({"tasters": panel} if tasters else {}) | _kept(trial.tasting, _TASTING),
        "publish": _kept(trial, ("address",)) | ({} if trial.tasters_shown else {"tasters": False}),
        "story": {"text": trial.story} if trial.story else {},
        "photo": [_kept(photo, _PHOTO) for photo in trial.photos],
    }
    return tomlkit.dumps({name: section for name, section in document.items() if section})


def _kept(part: object, names: Iterable[str]) -> dict[str, Any]:
    """Take what says something, for blanks are the defaults; whole numbers without a point."""
    pairs = ((name, getattr(part, name)) for name in names)
    return {
        name: int(value) if isinstance(value, float) and value.is_integer() else value
        for name, value in pairs
        if value not in ("", (), None)
    }


def _unusual(part: Choice | Course | None) -> dict[str, Any]:
    """Take what is not the default; and what is reached, for `keep` without it is another thing."""
    keys = fields(part) if part else ()
    return _kept(
        part, [it.name for it in keys if it.name == "reach" or getattr(part, it.name) != it.default]
    )
