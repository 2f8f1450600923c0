from __future__ import annotations

from dataclasses import replace

import pytest

from blindspoon.charts.board import board_title, differences_chart, scores_title
from blindspoon.findings.comparison import NotCompared

LONG = [f"Brine number {n:02d}, oak and vine leaf, dill" for n in range(1, 13)]
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
            "The cool-cellar, vine-leaf, calcium and old-brine batches were crisper than plain "
            "brine",
        ),
        (
            "different different open open",
            "The cool-cellar and vine-leaf batches were crisper than plain brine",
        ),
        (
            "different -slight open open",
            "The cool-cellar batch was crisper than plain brine; the vine-leaf batch was slightly "
            "softer",
        ),
        (
            "alike alike alike alike",
            "The cool-cellar, vine-leaf, calcium and old-brine batches came within 1\xa0point of "
            "plain brine on texture",
        ),
        (
            "alike open open open",
            "The cool-cellar batch came within 1\xa0point of plain brine on texture",
        ),
        ("open open open open", "Nothing is settled on texture"),
    ],
)
def test_each_kind_of_result_names_its_variants(typical, kinds, expected):
    assert differences_chart(verdicts(typical, kinds.split())).title == expected


def test_one_variant_is_named(make):
    picture = make(shifts=(0.0, 2.0), labels=("Plain", "Oak leaf"))
    assert differences_chart(verdicts(picture, ["different"])).title == (
        "The oak-leaf batch was crisper than the plain batch"
    )
    assert differences_chart(verdicts(picture, ["open"])).title == (
        "Whether the oak-leaf batch differs from the plain batch on texture is not settled"
    )


def test_variants_made_several_times_are_not_called_batches(make):
    picture = make(shifts=(0.0, 2.0, 2.0), labels=("Plain", "Oak", "Vine"))
    picture = verdicts(replace(picture, names=replace(picture.names, noun="")), ["different"] * 2)
    assert differences_chart(picture).title == "Oak and vine were crisper than plain"


def test_without_comparatives_the_scale_gives_the_words(make):
    picture = make(
        shifts=(0.0, 2.0, -2.0), labels=("Plain", "Oak", "Vine"), words=("soft", "crisp", "", "")
    )
    assert differences_chart(verdicts(picture, ["different", "open"])).title == (
        "The oak batch scored higher (towards “crisp”) than the plain batch on texture"
    )
    assert differences_chart(verdicts(picture, ["open", "-slight"])).title == (
        "The vine batch scored slightly lower (towards “soft”) than the plain batch on texture"
    )


def test_of_many_long_names_a_title_has_the_first_and_a_count(make):
    picture = make(shifts=[0.25 * n - 1 for n in range(12)], labels=LONG)
    title = differences_chart(verdicts(picture, ["different"] * 11)).title
    assert title == (
        "The “Brine number 02, oak and vine leaf, dill” batch and ten other batches were crisper "
        "than the control"
    )


def test_one_taster_speaks_for_themselves(make):
    picture = make(tasters=1)
    assert differences_chart(picture).title == "To this taster, nothing is settled on texture"


def test_what_could_not_be_compared_is_no_finding(make):
    assert differences_chart(make(missing=(0,))).title == "Nothing could be compared on texture"


def test_scores_run_between_the_lowest_and_the_highest_mean(typical):
    means = {typical.names.short(typical.variants[k]): typical.means[:, k].mean() for k in range(5)}
    low, high = min(means, key=means.get), max(means, key=means.get)
    assert scores_title(typical) == (
        f"On average, texture ran from {means[low]:.1f} for {low} to {means[high]:.1f} for {high}"
    )


def test_one_mean_throughout(make):
    assert scores_title(make(constant=True)) == "On average, texture scored 5.0 throughout"


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        (
            "different open open open",
            "open -slight open open",
            "The cool-cellar and vine-leaf batches differed from plain brine in some way",
        ),
        (
            "different alike alike open",
            "alike alike open alike",
            "The cool-cellar batch differed from plain brine in some way; the vine-leaf batch came "
            "within the margin of it in all",
        ),
        (
            "alike alike alike alike",
            "alike alike alike open",
            "The cool-cellar, vine-leaf and calcium batches came within the margin of plain brine "
            "in all",
        ),
        (
            "open alike open open",
            "open open open alike",
            "None was shown to differ from plain brine on any attribute",
        ),
        ("open open open open", "open open open open", "Nothing is settled on any attribute"),
    ],
)
def test_the_board_names_what_differed_anywhere(attributes, first, second, expected):
    pictures = [
        verdicts(picture, kinds.split())
        for picture, kinds in zip(attributes, (first, second), strict=False)
    ]
    assert board_title(pictures) == expected


def test_all_alike_needs_all(attributes):
    picture = verdicts(attributes[0], ["alike"] * 4)
    gone = NotCompared(attribute=picture.attribute, variant=picture.variants[1], reason="")
    others = (gone, *picture.result.others[1:])
    picture = replace(picture, result=replace(picture.result, others=others))
    assert "cool-cellar" not in board_title([picture])


def test_no_title_claims_too_much(hard):
    titles = [differences_chart(hard).title, scores_title(hard), board_title([hard])]
    assert not [word for word in BANNED for title in titles if word in title.lower()]
    assert all(title[0].isupper() or title[0] == "“" for title in titles)
    assert not any(title.endswith(".") for title in titles)
