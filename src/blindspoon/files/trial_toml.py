"""The text of trial.toml -> `Trial`, every key checked and every default filled in; and back."""

from __future__ import annotations

import datetime
import hashlib
import json
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Literal, TypedDict, TypeVar, cast, get_args

from blindspoon.errors import TrialFileError, did_you_mean, in_order, quoted, some_of
from blindspoon.files.schema import CHOICES, SCORES
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
    Target,
    Tasting,
    Trial,
    Variant,
    default_tasters,
)


@lru_cache(maxsize=16)  # reading a folder and most of its readers ask for the same text
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
    about, rule, story = map(root.section, ("trial", "decision", "story"))
    title = about.required_text("title")
    hashed = hashlib.sha256(title.encode()).digest()
    choice = _choice(root.section("choice")) if "choice" in root else None
    asked = ("choice",) if choice else ()
    primary, course = rule.texts("primary"), ("course",) if "course" in root else ()
    attributes = _attributes(
        root, rule.number("margin", _ABOVE_ZERO), least=0 if choice else 1, taken=(*asked, *course)
    )
    scored = [attribute.name for attribute in attributes]
    variants = _named(root, "variant", _variant, least=2)
    by_label, control = names_by_label(variants), about.required_text("control")
    trial = Trial(
        title=title,
        question=about.text("question"),
        product=about.text("product"),
        host=about.text("host"),
        licence=about.text("licence"),
        dates=about.text("dates"),
        control=by_label.get(control.casefold(), control),
        seed=cast("int", about.whole("seed", _SEED, int.from_bytes(hashed[:4]))),
        decision=Decision(
            declared=rule.date("declared"),
            primary=primary or (() if attributes else asked),
            alpha=rule.number("alpha", _ALPHA) or 0.05,
            by=cast("Literal['mixed', 'ranks']", rule.choice("by", ("mixed", "ranks"))),
            tasters=rule.whole("tasters", _TASTERS),
            looks=rule.rising("looks", _TASTERS, 5),
        ),
        attributes=attributes,
        variants=variants,
        sessions=_named(root, "session", _session),
        tasting=_tasting(root.section("tasting")),
        **_published(root.section("publish")),
        story=story.text("text"),
        photos=tuple(map(_photo, root.sections("photo"))),
        choice=choice,
        course=_course(root.section("course"), attributes, primary) if course else None,
    )
    names = [variant.name for variant in trial.variants]
    if choice and choice.how.words and len(names) > 2:
        found, allowed = f"{len(names)} variants", f"{choice.method} holds one against the control"
        root.complain(
            "not-allowed", "choice", found, allowed, "Take another method, or one variant"
        )
    _see_known(root, "photo", [photo.variant for photo in trial.photos], names)
    _see_known(about, "control", [trial.control], names)
    known = [*asked, *scored]
    _see_known(rule, "primary", trial.decision.primary, [*course, *known])
    for variant in trial.variants:
        if variant.series and (variant.name == trial.control or not course):
            allowed = "a series is of variants, the control apart, and is for [course]"
            found = f"{variant.name} has a series"
            root.complain("not-allowed", "variant", found, allowed, "Take it out")
    for session in trial.sessions:
        _see_known(root, "session.not_asked", session.not_asked, known)
    for section in (about, rule, story, root):
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
_SETS = Range("a taster gets 1 to 40 sets", lambda n: 1 <= n <= 40)
_SHARE = Range("it is a share between 0 and 1", lambda x: 0 < x < 1)
_TESTS = Range("a number of tests is 1 to 1,000,000", lambda n: 1 <= n <= 1_000_000)
_TASTERS = Range("a number of tasters is 1 to 9999", lambda n: 1 <= n <= 9999)

_ATTRIBUTE_NAME = r"[a-z][a-z0-9_]{0,59}"
_ATTRIBUTE_RULE = (
    "it begins with a lower-case letter and has lower-case letters, digits and underscores,"
    " 60 at most"
)
_NAME = r"[a-z0-9-]{1,60}"
_NAME_RULE = "it has lower-case letters, digits and hyphens, 60 at most"


def _label(name: str) -> str:
    words = name.replace("_", " ").replace("-", " ")
    return words[:1].upper() + words[1:]


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


def names_by_label(parts: Sequence[Variant] | Sequence[Session]) -> dict[str, str]:
    """Give the name that each label stands for, both in small letters; labels of two are none."""
    times = Counter(part.label.casefold() for part in parts)
    by_label = {p.label.casefold(): p.name for p in parts if times[p.label.casefold()] == 1}
    by_label.pop("", None)
    return by_label | {part.name: part.name for part in parts}


_Named = TypeVar("_Named", Attribute, Variant, Session)


def _named(
    root: Section, key: str, read: Callable[[Section], _Named], least: int = 0
) -> tuple[_Named, ...]:
    """Read an array of tables, each with a name of its own."""
    sections = root.sections(key)
    found = []
    for section in sections:
        found.append(read(section))
        section.close()
    if len(found) < least:
        said, allowed = f"trial.toml lists {len(found)} [[{key}]]", f"{least} or more are needed"
        root.complain("missing-section", key, said, allowed, f"Add [[{key}]] with its name")
    names = [thing.name for thing in found]
    for place, (section, name) in enumerate(zip(sections, names, strict=True)):
        if name and name in names[:place]:
            said = f"{quoted(name)} stands above already"
            section.complain("repeated-name", "name", said, "every name stands once", "Rename one")
    return tuple(found)


def _attributes(
    root: Section, margin: float | None, least: int, taken: Sequence[str]
) -> tuple[Attribute, ...]:
    shared = root.section("scale")
    default = _scale(shared) if "scale" in root else None

    def read(section: Section) -> Attribute:
        return _attribute(section, default, margin, taken, ruled="decision" in root)

    return _named(root, "attribute", read, least=least)


def _attribute(
    section: Section,
    default: Scale | None,
    margin: float | None,
    taken: Sequence[str],
    *,
    ruled: bool,
) -> Attribute:
    name = section.name(_ATTRIBUTE_NAME, _ATTRIBUTE_RULE)
    if name in {*(column.name for column in (*SCORES, *CHOICES)), *taken}:
        found, allowed = f"{name} is a column of its own", "an attribute has another name"
        section.complain("bad-name", "name", found, allowed, "Rename it")
    own = section.section("scale")
    scale = _scale(own) if "scale" in section else default
    if scale is None:
        section.require("scale")
    own_margin = section.number("margin", _ABOVE_ZERO)
    return Attribute(
        name=name,
        label=section.text("label", _label(name)),
        low=section.text("low"),
        high=section.text("high"),
        less=section.text("less"),
        more=section.text("more"),
        scale=scale or Scale(low=0.0, high=1.0),
        margin=(own_margin or margin) if ruled else None,
    )


def _variant(section: Section) -> Variant:
    name = section.name(_NAME, _NAME_RULE)
    return Variant(
        name=name,
        label=section.text("label", _label(name)),
        method=section.text("method"),
        differs=section.texts("differs"),
        series=section.text("series"),
    )


def _session(section: Section) -> Session:
    name = section.name(_NAME, _NAME_RULE)
    return Session(
        name=name,
        date=section.date("date"),
        label=section.text("label"),
        not_asked=section.texts("not_asked"),
    )


def _tasting(section: Section) -> Tasting:
    if section.holds("tasters", int):
        tasters = default_tasters(section.whole("tasters", _TASTERS) or 0)
    else:
        tasters = section.texts("tasters")
    codes = section.choice("codes", ("per taster", "per session"))
    tasting = Tasting(
        tasters=tasters,
        servings=section.whole("servings", _CUPS),
        codes=cast("Literal['per taster', 'per session']", codes),
        cleanser=section.text("cleanser"),
        rest=section.text("rest", DEFAULT_REST),
        controls=cast("Literal[1, 2]", section.whole("controls", _CONTROLS, 1)),
        warm_up=section.flag("warm_up"),
        portion_g=section.number("portion_g", _ABOVE_ZERO),
        allergens=section.text("allergens"),
        consent=section.text("consent"),
        language=cast("Language", section.choice("language", get_args(Language))),
    )
    section.close()
    return tasting


def _choice(section: Section) -> Choice:
    section.require("method")
    method = section.choice("method", tuple(METHODS))
    attribute, directed = section.text("attribute"), method in ("paired", "three-afc")
    ways = ("more", "less") if method == "three-afc" else ("either", "more", "less")
    choice = Choice(
        method=method,
        sets=section.whole("sets", _SETS) or 1,
        attribute=attribute,
        expect=cast("Literal['either', 'more', 'less']", section.choice("expect", ways)),
        ask=cast("Literal['difference', 'alike']", section.choice("ask", ("difference", "alike"))),
        can_tell=section.number("can_tell", _SHARE) or 0.3,
        tests=section.whole("tests", _TESTS),
        rule=cast(
            "Literal['fixed', 'sequential']", section.choice("rule", ("fixed", "sequential"))
        ),
        beta=section.number("beta", _ALPHA),
    )
    if directed and not attribute:
        found, allowed = f"{method} has no attribute", "it asks which cup has more of something"
        section.complain("missing-key", "attribute", found, allowed, 'Write attribute = "sourness"')
    for key in () if directed else ("attribute", "expect"):
        if key in section:
            found, allowed = f"{key} stands with {method}", "it is for paired and three-afc"
            section.complain("not-allowed", key, found, allowed, "Take it out")
    if choice.rule == "sequential" and (choice.how.words or choice.two_sided):
        found, allowed = f"{method} is sequential", "it needs one chance of guessing, one-sided"
        section.complain("not-allowed", "rule", found, allowed, "Take it out")
    if choice.rule == "sequential" and choice.tests is None:
        found, allowed = "there is no number of tests", "the sequential rule ends at one"
        section.complain("missing-key", "tests", found, allowed, "Write the most that there may be")
    section.close()
    return choice


def _course(section: Section, attributes: Sequence[Attribute], primary: Sequence[str]) -> Course:
    scored = {attribute.name: attribute for attribute in attributes}
    first = [*(name for name in primary if name in scored), *scored, ""]
    reach, keep = _target(section, "reach"), _target(section, "keep")
    if keep is True:
        keep = "control" if reach is None else reach
    reach = "control" if reach is None and keep is None else reach
    course = Course(
        over=cast("Over", section.choice("over", get_args(Over))),
        attribute=section.text("attribute", first[0]),
        reach=cast("Target", reach),
        keep=cast("Target", keep),
        side=cast("Side", section.choice("side", get_args(Side))),
        accept=section.text("accept"),
        half=section.number("half", _SHARE) or 0.5,
        same_control=section.flag("same_control"),
    )
    name, level, column = course.attribute, course.level, course.accept
    _see_known(section, "attribute", [name], list(scored))
    if course.reach is not None and course.keep not in (None, course.reach):
        found, allowed = "reach and keep differ", "what is reached is what is to be kept"
        section.complain("not-allowed", "keep", found, allowed, "Write keep = true")
    if "side" in section and level is None:
        found, allowed = "side stands without a number", "the control has no side"
        section.complain("not-allowed", "side", found, allowed, "Take it out")
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
    taken = {*scored, "choice", "course", *(each.name for each in (*SCORES, *CHOICES))}
    if column and (not re.fullmatch(_ATTRIBUTE_NAME, column) or column in taken):
        section.complain("bad-name", "accept", quoted(column), _ATTRIBUTE_RULE, "Rename it")
    section.close()
    return course


def _target(section: Section, key: str) -> float | str | bool | None:
    """Read "control" or a number of points; true where it is kept."""
    if section.holds(key, str):
        return section.choice(key, ("control",))
    if section.holds(key, bool) and key == "keep":
        return section.flag(key) or None
    return section.number(key, _ANY)


class _Published(TypedDict):
    tasters_shown: bool
    address: str


def _published(section: Section) -> _Published:
    shown, address = section.flag("tasters", default=True), section.text("address")
    section.close()
    if address and not re.fullmatch(r"https?://[^\s\"<>]+", address):
        allowed = "an address begins with https:// and has no blanks"
        section.complain("not-allowed", "address", quoted(address), allowed, "Correct it")
    return {"tasters_shown": shown, "address": f"{address.rstrip('/')}/" if address else ""}


def _photo(section: Section) -> Photo:
    file = section.required_text("file")
    photo = Photo(file=file, alt=section.required_text("alt"), variant=section.text("variant"))
    section.close()
    if file and not re.fullmatch(r"(?i)[^/\\:]+\.(jpe?g|png|webp)", file):
        allowed = "it is the name of a .jpg, .png or .webp in the folder photos"
        section.complain("not-allowed", "file", quoted(file), allowed, "Write its name alone")
    return photo


def _see_known(section: Section, key: str, names: Sequence[str], known: Sequence[str]) -> None:
    for name in names:
        if name and name not in known:
            found = f"{quoted(name)} is not known{did_you_mean(name, known)}"
            allowed = f"trial.toml lists {some_of(known, 20) or 'none'}"
            section.complain("unknown-name", key, found, allowed, "Name one of them")


Value = str | float | bool | datetime.date | tuple[str, ...] | tuple[int, ...] | None


def trial_text(trial: Trial) -> str:
    r"""Write trial.toml.

    Returns
    -------
    str
        TOML 1.0. ``parse_trial`` of it gives an equal trial; comments of an earlier file are
        not in it.

    Examples
    --------
    >>> trial = parse_trial('''
    ... trial = { title = "Crisp", control = "plain" }
    ... scale = { low = 0, high = 10 }
    ... attribute = [{ name = "texture" }]
    ... variant = [{ name = "plain" }, { name = "oak" }]
    ... ''')
    >>> parse_trial(trial_text(trial)) == trial
    True
    """
    sections = ("\n".join(section) for section in _sections(trial) if len(section) > 1)
    return "\n\n".join(sections) + "\n"


def _sections(trial: Trial) -> Iterator[list[str]]:
    """Write each section, with the keys that say something; blanks are the defaults."""
    about = ("title", "question", "product", "control", "host", "licence", "dates", "seed")
    yield _section("[trial]", trial, about)
    bare = replace(trial.decision, share=1.0) == Decision(
        declared=None, primary=(), alpha=0.05, by="mixed"
    )
    if not bare or any(attribute.margin is not None for attribute in trial.attributes):
        yield _section(
            "[decision]", trial.decision, ("declared", "primary", "alpha", "by", "tasters", "looks")
        )
    scales = {attribute.scale for attribute in trial.attributes}
    if len(scales) == 1:
        yield ["[scale]", *_scale_lines(*scales)]
    for attribute in trial.attributes:
        fields = ("name", "label", "low", "high", "less", "more", "margin")
        own = f"scale = {{ {', '.join(_scale_lines(attribute.scale))} }}"
        yield _section("[[attribute]]", attribute, fields) + [own] * (len(scales) > 1)
    if trial.choice is not None:
        usual = Choice(method=trial.choice.method)
        told = [
            name for name in Choice.__slots__ if getattr(trial.choice, name) != getattr(usual, name)
        ]
        yield _section("[choice]", trial.choice, ("method", *told))
    if trial.course is not None:
        empty = Course(attribute="", reach=None)
        told = [n for n in Course.__slots__ if getattr(trial.course, n) != getattr(empty, n)]
        yield _section("[course]", trial.course, told)
    for variant in trial.variants:
        yield _section("[[variant]]", variant, ("name", "label", "method", "differs", "series"))
    for session in trial.sessions:
        yield _section("[[session]]", session, ("name", "label", "date", "not_asked"))
    tasters = trial.tasting.tasters
    numbered = tasters and tasters == default_tasters(len(tasters))
    head, *others = _section(
        "[tasting]",
        trial.tasting,
        ("servings", "codes", "cleanser", "rest", "controls", "warm_up", "portion_g",
         "allergens", "consent", "language"),
    )  # fmt: skip
    panel = [f"tasters = {len(tasters) if numbered else _value(tasters)}"] if tasters else []
    yield [head, *panel, *others]
    hidden = [] if trial.tasters_shown else ["tasters = false"]
    yield [*_section("[publish]", trial, ("address",)), *hidden]
    yield ["[story]", f"text = {_value(trial.story)}"] if trial.story else []
    for photo in trial.photos:
        yield _section("[[photo]]", photo, ("file", "alt", "variant"))


def _section(head: str, part: object, fields: Iterable[str]) -> list[str]:
    pairs = ((name, getattr(part, name)) for name in fields)
    return [head, *(f"{key} = {_value(value)}" for key, value in pairs if value not in _BLANK)]


_BLANK = ("", (), None)


def _scale_lines(scale: Scale) -> list[str]:
    return [f"{name} = {_value(getattr(scale, name))}" for name in ("low", "high", "step")]


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
