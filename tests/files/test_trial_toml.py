"""What is written reads as the same trial."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindspoon.files.trial_toml import parse_trial, trial_text
from blindspoon.trial import (
    Attribute,
    Course,
    Decision,
    Photo,
    Scale,
    Session,
    Tasting,
    Trial,
    Variant,
)

TRIALS = Path(__file__).parents[2] / "trials"


@pytest.mark.parametrize("folder", sorted(TRIALS.iterdir()), ids=lambda folder: folder.name)
def test_the_trials_of_the_repository_read_as_before(folder):
    trial = parse_trial((folder / "trial.toml").read_text(encoding="utf-8"))
    assert parse_trial(trial_text(trial)) == trial


letters = st.characters(exclude_categories=["C", "Zl", "Zp"])
text = st.text(letters, max_size=12).map(str.strip)
texts = st.one_of(text, st.just('a "quoted"\n\tline \\ of 2'))
number = st.floats(0.25, 50).map(lambda value: round(value, 3))
names = st.lists(
    st.from_regex(r"[a-z][a-z0-9]{0,9}", fullmatch=True), unique=True, min_size=2, max_size=4
)
scales = st.builds(Scale, low=st.integers(-5, 0).map(float), high=st.just(10.0))


@st.composite
def trials(draw):
    variants, attributes = draw(names), [f"a_{name}" for name in draw(names)]
    ruled = draw(st.booleans())
    return Trial(
        title=draw(text.filter(bool)),
        question=draw(texts),
        product=draw(texts),
        host=draw(texts),
        licence=draw(texts),
        dates=draw(texts),
        control=variants[0],
        seed=draw(st.integers(0, 2**63 - 1)),
        decision=Decision(
            declared=draw(st.dates()) if ruled else None,
            primary=tuple(attributes[:1]) if ruled else (),
            alpha=draw(st.sampled_from([0.05, 0.01])),
            by=draw(st.sampled_from(["mixed", "ranks"])),
        ),
        attributes=tuple(
            Attribute(
                name=name,
                label=draw(text.filter(bool)),
                low=draw(text),
                high=draw(text),
                less=draw(text),
                more=draw(text),
                scale=draw(scales),
                margin=draw(number) if ruled else None,
            )
            for name in attributes
        ),
        variants=tuple(
            Variant(name=name, label=draw(text.filter(bool)), method=draw(texts), differs=())
            for name in variants
        ),
        sessions=(Session(name="1", date=draw(st.none() | st.dates())),),
        tasting=Tasting(
            tasters=draw(st.sampled_from([(), ("T01", "T02"), ("Ida", "Bo")])),
            servings=draw(st.none() | st.integers(2, 9)),
            codes=draw(st.sampled_from(["per taster", "per session"])),
            cleanser=draw(texts),
            warm_up=draw(st.booleans()),
            portion_g=draw(st.none() | number),
        ),
        tasters_shown=draw(st.booleans()),
        story=draw(st.sampled_from(["", "One.\n\nTwo."])),
        photos=draw(st.sampled_from([(), (Photo(file="a b.JPG", alt="x", variant=variants[0]),)])),
        address=draw(st.sampled_from(["", "https://example.org/pickles/"])),
        course=draw(st.none() | courses(attributes[0])),
    )


def courses(attribute):
    return st.builds(
        Course,
        attribute=st.just(attribute),
        reach=st.sampled_from([None, 2.0]),
        keep=st.just(2.0),
        accept=st.sampled_from(["", "would_eat"]),
        same_control=st.booleans(),
    )


@given(trials())
def test_any_trial_comes_back(trial):
    assert parse_trial(trial_text(trial)) == trial


def test_dates_are_dates():
    parsed = parse_trial((TRIALS / "allotment-cucumbers" / "trial.toml").read_text())
    assert tomllib.loads(trial_text(parsed))["session"][0]["date"] == datetime.date(2026, 9, 19)
