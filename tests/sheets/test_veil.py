"""Variants are named on the pouring sheet and nowhere else, whatever the host wrote."""

import html
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindspoon.files.trial_toml import parse_trial
from blindspoon.serving.draw import draw
from blindspoon.serving.plan import request_for
from blindspoon.sheets.pouring import heading, tells, veiled
from blindspoon.sheets.printing import print_sheets
from blindspoon.trial import Attribute, Scale, Tasting, Trial, Variant

TRIAL = parse_trial("""
trial = { title = "Cucumbers", control = "plain", product = "cucumbers" }
scale = { low = 0, high = 10, step = 1 }
attribute = [{ name = "texture" }]
variant = [{ name = "plain" }, { name = "cool-cellar", label = "Cellar at 14 °C" }]
tasting = { tasters = 3, cleanser = "water and a plain cracker" }
""")


@pytest.mark.parametrize(
    "text",
    [
        "Which of four changes to a plain brine?",
        "PLAIN",
        "complaints",
        "the cool cellar",
        "Cool–Cellar",
        "cool_cellar",
        "a cellar at 14 °C",
        "pláin",
        "PLA\N{LATIN SMALL LETTER DOTLESS I}N",
        "\N{FULLWIDTH LATIN SMALL LETTER P}lain",
    ],
)
def test_a_name_is_found_in_any_case_punctuation_and_width(text):
    assert tells(text, TRIAL)


@pytest.mark.parametrize("text", ["", "cucumbers", "a cool jar from the cellar", "14 °C"])
def test_other_texts_tell_nothing(text):
    assert not tells(text, TRIAL)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("water and crackers", False),
        ("mustard, celery", False),
        ("like B", True),
        ("b-side", True),
        ("塩水", True),
        ("τῃ ψῃ".upper(), True),  # which writes the iota that small letters have below
    ],
)
def test_a_name_of_one_letter_is_told_where_it_stands_alone(text, told):
    lettered = tuple(Variant(name=name, label=name) for name in ("a", "b", "塩", "τῃ ψῃ"))
    assert tells(text, replace(TRIAL, variants=lettered)) == told


def test_tasters_read_the_product_and_never_the_title():
    assert heading(TRIAL) == "Tasting of cucumbers"
    assert heading(replace(TRIAL, product="plain cucumbers")) == "Tasting"
    assert heading(replace(TRIAL, product="")) == "Tasting"


def test_a_cleanser_that_holds_a_name_is_left_out():
    assert veiled(TRIAL.tasting.cleanser, TRIAL, "a rinse") == "a rinse"
    assert veiled("", TRIAL, "a rinse") == "a rinse"
    assert veiled("water", TRIAL, "a rinse") == "water"


NAMES = st.from_regex(r"zq[a-z0-9]{1,5}(-[a-z0-9]{1,5})?", fullmatch=True)
LETTERS = st.text(st.characters(categories=("L", "N", "P", "S", "Zs")), max_size=20)
CASES = st.sampled_from([str.lower, str.upper, str.title, str.swapcase])


@st.composite
def trials(make) -> Trial:
    """A trial whose title, question, product and cleanser may hold the names of variants."""
    names = make(st.lists(NAMES, min_size=2, max_size=5, unique=True))
    labels = [f"Zqx{number} {make(LETTERS)}".strip() for number in range(len(names))]

    def text() -> str:
        told = make(st.sampled_from(["", *names, *labels, *(n.replace("-", " ") for n in names)]))
        return make(st.sampled_from(["", "Brine: "])) + make(CASES)(told) + make(LETTERS)

    scale = Scale(low=0, high=make(st.sampled_from([5, 10, 100])), step=1)
    attribute = Attribute(
        name="t",
        label="Crunch",
        low="soft",
        high="hard",
        less="",
        more="",
        scale=scale,
        margin=None,
    )
    return replace(
        TRIAL,
        title=text() or "T",
        question=text(),
        product=text(),
        control=names[0],
        attributes=(attribute,),
        variants=tuple(
            Variant(name=name, label=label, method=f"zqmethod {name}", differs=())
            for name, label in zip(names, labels, strict=True)
        ),
        tasting=Tasting(
            tasters=tuple(f"T{k}" for k in range(make(st.integers(1, 4)))),
            servings=None,
            codes=make(st.sampled_from(["per taster", "per session"])),
            cleanser=text(),
            rest=text(),
            consent=text(),
        ),
    )


@given(trial=trials(), warm_up=st.booleans(), controls=st.sampled_from([1, 2]))
def test_variants_and_batches_are_named_on_the_pouring_sheet_only(trial, warm_up, controls):
    batches = {trial.control: ["zqjar one", "zqjar two"]}
    served = replace(trial.tasting, controls=controls, warm_up=warm_up)
    request = request_for(replace(trial, tasting=served), batches)
    pages = print_sheets(trial, draw(request, np.random.default_rng(3)))
    read = {name: html.unescape(page.decode()).casefold() for name, page in pages.items()}
    pouring = read.pop("pouring.html")
    assert all(variant.label.casefold() in pouring for variant in trial.variants)
    assert "zqjar" in pouring
    for name, page in read.items():
        assert not re.findall(r"zq\S*", page), name
        for variant in trial.variants:
            assert variant.label.casefold() not in page, name
