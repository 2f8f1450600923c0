from __future__ import annotations

from dataclasses import replace

import pytest

from blindspoon.charts.titles import board_title, differences_title, scores_title
from blindspoon.findings.comparison import NotCompared

BANNED = ("significant", "proved", "no difference", "identical", "taste the same")


def verdicts(picture, kinds, others=None):
    """Give the variants these verdicts, and differences of +2 or, for a minus, -2."""
    others = others or {}
    compared = []
    for place, given in zip(picture.others, kinds, strict=True):
        name, sign = picture.variants[place].name, -2.0 if given.startswith("-") else 2.0
        kind = given.lstrip("-")
        old = next(each for each in picture.result.comparisons if each.variant.name == name)
        found = replace(old, verdict=kind, verdict_by_other=others.get(place, kind))
        compared.append(replace(found, mixed=replace(old.mixed, difference=sign)))
    return replace(picture, result=replace(picture.result, others=tuple(compared)))


@pytest.mark.parametrize(
    ("kinds", "expected"),
    [
        (
            "different different different different",
            "All four batches were crisper than the control",
        ),
        (
            "different different open open",
            "Two of four batches were crisper than the control; two are not settled",
        ),
        (
            "different -different open open",
            "One of four batches, “Cool cellar”, was crisper than the control; one was softer; "
            "two are not settled",
        ),
        (
            "-different -slight open open",
            "Two of four batches were softer than the control, one of them by less than "
            "1\xa0point; "
            "two are not settled",
        ),
        (
            "slight slight alike open",
            "Two of four batches were crisper than the control, by less than 1\xa0point; one was "
            "within 1\xa0point of it; one is not settled",
        ),
        (
            "different -slight -different -open",
            "Two of four batches were softer than the control, one of them by less than "
            "1\xa0point; "
            "one was crisper; one is not settled",
        ),
        (
            "alike alike alike alike",
            "All four batches were within 1\xa0point of the control on texture",
        ),
        (
            "alike open open open",
            "One of four batches, “Cool cellar”, was within 1\xa0point of the control on texture; "
            "three are not settled",
        ),
        ("open open open open", "Nothing is settled on texture"),
    ],
)
def test_each_kind_of_result_has_its_title(typical, kinds, expected):
    assert differences_title(verdicts(typical, kinds.split())) == expected


def test_one_variant_is_named(make):
    picture = make(shifts=(0.0, 2.0), labels=("Plain", "Oak leaf"))
    assert differences_title(verdicts(picture, ["different"])) == (
        "“Oak leaf” was crisper than the control"
    )
    assert differences_title(verdicts(picture, ["open"])) == "“Oak leaf” is not settled on texture"


def test_two_of_two_are_both(make):
    picture = make(shifts=(0.0, 2.0, 2.0), labels=("Plain", "Oak", "Vine"))
    picture = replace(verdicts(picture, ["different", "different"]), noun="variant")
    assert differences_title(picture) == "Both variants were crisper than the control"


def test_without_comparatives_the_scale_gives_the_words(make):
    picture = make(words=("soft", "crisp", "", ""))
    assert differences_title(verdicts(picture, ["different", "-different", "open", "open"])) == (
        "One of four batches, “Cool cellar”, scored higher on texture (towards “crisp”) than the "
        "control; one scored lower; two are not settled"
    )


def test_a_verdict_that_the_other_procedure_does_not_share_is_told(typical):
    picture = verdicts(typical, ["different", "different", "open", "open"], {1: "open"})
    assert differences_title(picture).endswith(
        "two are not settled; the rank comparison judges “Cool cellar” otherwise"
    )
    ranks = replace(picture, result=replace(picture.result, by="ranks"))
    assert differences_title(ranks).endswith("the mixed model judges “Cool cellar” otherwise")
    opened = verdicts(typical, ["open"] * 4, {1: "different", 2: "slight"})
    assert differences_title(opened) == (
        "Nothing is settled on texture; the rank comparison judges two of them otherwise"
    )


def test_a_slight_difference_is_a_difference_to_both(typical):
    picture = verdicts(typical, ["slight", "open", "open", "open"], {1: "different"})
    assert "otherwise" not in differences_title(picture)


def test_one_taster_speaks_for_themselves(make):
    picture = make(tasters=1)
    assert differences_title(picture) == "To this taster, nothing is settled on texture"


def test_what_could_not_be_compared_is_no_finding(make):
    assert differences_title(make(missing=(0,))) == "Nothing could be compared on texture"


def test_scores_run_between_the_lowest_and_the_highest_mean(typical):
    means = {typical.variants[k].label: typical.means[:, k].mean() for k in range(5)}
    low, high = min(means, key=means.get), max(means, key=means.get)
    title = f"On average, texture scored from {means[low]:.1f} (“{low}”) to {means[high]:.1f}"
    assert scores_title(typical) == f"{title} (“{high}”)"


def test_one_mean_throughout(make):
    assert scores_title(make(constant=True)) == "On average, texture scored 5.0 throughout"


@pytest.mark.parametrize(
    ("kinds", "expected"),
    [
        (["different", "open"], "Differences from the control were shown on trait 0; nothing is "
         "settled on trait 1"),
        (["different", "slight"], "Differences from the control were shown on trait 0 and trait 1"),
        (["alike", "open"], "All batches were within the margin on trait 0; nothing is settled on "
         "trait 1"),
        (["open", "open"], "Nothing is settled on trait 0 or trait 1"),
        (["different"] * 4, "Differences from the control were shown on all four attributes"),
        (["open"] * 4, "Nothing is settled on any attribute"),
    ],
)  # fmt: skip
def test_the_board_says_where_something_was_found(attributes, kinds, expected):
    pictures = [
        verdicts(picture, [kind] * 4) for picture, kind in zip(attributes, kinds, strict=False)
    ]
    assert board_title(pictures) == expected


def test_all_alike_needs_all(attributes):
    picture = verdicts(attributes[0], ["alike"] * 4)
    gone = NotCompared(attribute=picture.attribute, variant=picture.variants[1], reason="")
    others = (*picture.result.others, gone)
    picture = replace(picture, result=replace(picture.result, others=others))
    assert "All batches" not in board_title([picture])


def test_no_title_claims_too_much(hard):
    titles = [differences_title(hard), scores_title(hard), board_title([hard])]
    assert not [word for word in BANNED for title in titles if word in title.lower()]
    assert all(title[0].isupper() or title[0] == "“" for title in titles)
    assert not any(title.endswith(".") for title in titles)
