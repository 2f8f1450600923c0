"""The rule, and the sentence that goes with each verdict."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blindspoon.findings.compare import judge
from blindspoon.findings.comparison import AttributeResult, Comparison
from blindspoon.findings.rule import kind_of
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.assumptions import Flag, HeldSittings
from blindspoon.stats.results import (
    FitNote,
    Interval,
    MixedContrast,
    MixedFit,
    NoResult,
    RankContrast,
)
from blindspoon.trial import Attribute, Decision, Scale, Tasting, Trial, Variant

ATTRIBUTE = Attribute(
    name="texture",
    label="Texture",
    low="soft",
    high="crisp",
    less="softer",
    more="crisper",
    scale=Scale(low=0, high=10, step=1),
    margin=1.0,
)
CLEAR = (1.84, 0.001, Interval(0.9, 2.7), Interval(1.0, 2.6))
SMALL = (0.5, 0.01, Interval(0.1, 0.9), Interval(0.14, 0.97))
CLOSE = (0.1, 0.9, Interval(-0.7, 0.9), Interval(-0.6, 0.8))
VAGUE = (0.4, 0.4, Interval(-0.8, 1.6), Interval(-0.6, 1.4))


def trial(by="mixed", attribute=ATTRIBUTE):
    names = [("plain", "Plain brine"), ("cool-cellar", "Cool cellar")]
    return Trial(
        title="Crisp?",
        question="",
        product="",
        host="",
        licence="",
        dates="",
        control="plain",
        seed=1,
        decision=Decision(declared=None, primary=("texture",), alpha=0.05, by=by),
        attributes=(attribute,),
        variants=tuple(Variant(name=n, label=lab, method="", differs=()) for n, lab in names),
        sessions=(),
        tasting=Tasting(tasters=(), servings=None, codes="per taster", cleanser=""),
    )


def table(batches=(0, 1)):
    n = len(batches) + 1
    return ScoreTable(
        tasters=("T1",),
        sessions=("1",),
        taster=np.zeros(n, dtype=np.int64),
        session=np.zeros(n, dtype=np.int64),
        variant=np.array([0] + [1] * len(batches)),
        batch=np.array([9, *batches]),
        batches=tuple(f"jar {number}" for number in range(10)),
        position=np.zeros(n, dtype=np.int64),
        scores=np.zeros((n, 1)),
        coded=True,
        balanced=False,
        remarks=(),
        left_out=(),
    )


def mixed(difference, p, interval, equivalence):
    return MixedContrast(
        variant=1,
        difference=difference,
        se=1.0,
        df=11.0,
        t=difference,
        p_value=p,
        p_adjusted=p,
        interval=interval,
        equivalence_interval=equivalence,
    )


def ranks(difference, p, interval, equivalence):
    return RankContrast(
        variant=1,
        tasters=12,
        zero_differences=0,
        shift=difference,
        interval=interval,
        equivalence_interval=equivalence,
        p_value=p,
        p_adjusted=p,
        smallest_p=0.0005,
        method="exact",
    )


def verdict(by_mixed, by_ranks, *, plan=None, scores=None, **more):
    plan = plan or trial()
    comparison = Comparison(
        attribute=plan.attributes[0],
        variant=plan.variants[1],
        tasters=12,
        servings=24,
        mean_control=4.0,
        mean_variant=5.0,
        mixed=by_mixed,
        ranks=by_ranks,
        by=plan.decision.by,
    )
    result = AttributeResult(
        attribute=plan.attributes[0],
        primary=True,
        alpha=0.05,
        friedman=NoResult("not asked"),
        mixed=NoResult("not asked"),
        others=(comparison,),
        by=plan.decision.by,
    )
    (found,) = judge(plan, scores or table(batches=(1,)), replace(result, **more)).others
    return found


def over_sittings(way, half=0.2, p_value=0.9, own=0.9):
    """Give what is held of two sittings, at which the variant had 0.7 more and 0.5 less."""
    fit = MixedFit(
        f=1.0,
        df_num=1.0,
        df_den=11.0,
        p_value=0.5,
        reml_criterion=1.0,
        residual_sd=1.0,
        taster_sd=1.0,
        taster_variant_sd=None,
        taster_session_sd=None,
        batch_sd=None,
        contrasts=(),
        note=FitNote(converged=True, at_zero=(), position=False, sittings=way),
    )
    held = HeldSittings(
        f=1.0,
        df_num=1.0,
        df_den=11.0,
        p_value=p_value,
        tasters=12,
        differences=np.array([[0.0, 0.7], [0.0, -0.5]]),
        half=np.array([[0.0, half], [0.0, half]]),
        own=np.array([1.0, own]),
        alpha=0.05,
        names=("the first", "the last"),
    )
    return {"mixed": fit, "sittings": held}


@pytest.mark.parametrize(
    ("numbers", "kind", "sentence"),
    [
        (
            CLEAR,
            "different",
            "The cool-cellar batch was crisper than plain brine, by 1.8 points "
            "(95\xa0% interval 0.9 to 2.7).",
        ),
        (
            SMALL,
            "slight",
            "The cool-cellar batch was slightly crisper than plain brine, by 0.5 points "
            "(95\xa0% interval 0.1 to 0.9): a difference, but of less than 1\xa0point.",
        ),
        (
            CLOSE,
            "alike",
            "The cool-cellar batch came within 1\xa0point of plain brine on texture "
            "(90\xa0% interval −0.6 to 0.8).",
        ),
        (
            VAGUE,
            "open",
            "Whether the cool-cellar batch differs from plain brine on texture is not settled: "
            "the difference could be anything from 0.8 less to 1.6 more.",
        ),
    ],
)
def test_each_verdict_has_its_sentence(numbers, kind, sentence):
    found = verdict(mixed(*numbers), ranks(*numbers))
    assert (found.verdict, found.verdict_by_other, found.because) == (kind, kind, sentence)


def test_a_dissenting_procedure_is_named_in_the_same_sentence():
    found = verdict(mixed(*CLEAR), ranks(*VAGUE))
    assert found.because.endswith(". The rank comparison would call it not settled.")
    found = verdict(mixed(*CLEAR), ranks(*VAGUE), plan=trial(by="ranks"))
    assert found.verdict == "open"
    assert found.because.endswith(". The mixed model would call it different.")


def test_where_the_deciding_procedure_has_no_result_nothing_is_settled():
    found = verdict(NoResult("One taster is not a panel."), ranks(*CLEAR))
    assert (found.verdict, found.verdict_by_other) == ("open", "different")
    assert "on texture is not settled. One taster is not a panel. The rank" in found.because


def test_without_a_margin_nothing_is_alike_or_slight():
    for numbers, kind in ((SMALL, "different"), (CLOSE, "open")):
        assert kind_of(mixed(*numbers), margin=None, alpha=0.05) == kind


UNTOLD = NoResult("Fewer than two sittings tell by themselves how far differences scatter.")


@pytest.mark.parametrize(
    ("numbers", "by", "result", "said"),
    [
        (CLEAR, "mixed", over_sittings("each"), ", on these days"),
        (CLEAR, "mixed", over_sittings("shared"), ", on the days on which both were tasted"),
        (CLEAR, "mixed", over_sittings("steady"), ", if these days differed in level only"),
        (CLEAR, "mixed", over_sittings("repeats"), ", if these days did not differ"),
        (CLEAR, "ranks", over_sittings("repeats"), ", on these days"),
        (CLOSE, "mixed", over_sittings("shared"), ", on the days on which both were tasted"),
        (CLOSE, "mixed", over_sittings("each") | {"sittings": UNTOLD}, ", on these days"),
        (VAGUE, "mixed", over_sittings("each"), ""),
        (CLEAR, "ranks", over_sittings("each") | {"unit": "round"}, ""),
    ],
)
def test_a_verdict_says_of_which_days_it_speaks(numbers, by, result, said):
    contrasts, plan = (mixed(*numbers), ranks(*numbers)), trial(by)
    whom = {name: value for name, value in result.items() if name == "unit"}
    bare = verdict(*contrasts, plan=plan, **whom).because
    assert verdict(*contrasts, plan=plan, **result).because == f"{bare[:-1]}{said}."


SINGLE = "On average it lies within the margin; a single sitting could be 2 points off."


@pytest.mark.parametrize(
    ("numbers", "result", "kind", "said"),
    [
        (CLOSE, over_sittings("each", half=2), "open", SINGLE),
        (SMALL, over_sittings("each", half=2), "different", SINGLE),
        (VAGUE, over_sittings("each", half=2), "open", ""),
        (CLEAR, over_sittings("each", p_value=0.04, own=0.9), "different", ""),
        (
            CLEAR,
            over_sittings("each", p_value=0.04, own=0.03),
            "different",
            "Differences moved from sitting to sitting (p = 0.040): 0.7 more at the first, "
            "0.5 less at the last.",
        ),
        (
            CLOSE,
            over_sittings("each") | {"aged": frozenset({1})},
            "open",
            "It was older from sitting to sitting, so look at its days one by one.",
        ),
    ],
)
def test_what_moved_from_sitting_to_sitting_is_said(numbers, result, kind, said):
    found = verdict(mixed(*numbers), ranks(*numbers), **result)
    assert found.verdict == kind
    assert found.because.replace("\xa0", " ").partition(". ")[2] == said


def test_of_two_flags_a_spread_is_the_reason():
    flags = [Flag(kind=kind, variant=name, value=2.0, tasters=12)
             for kind, name in (("spread", "plain"), ("low_end", "cool-cellar"))]  # fmt: skip
    found = verdict(mixed(*CLEAR), ranks(*VAGUE), flags=tuple(flags))
    assert "safer one here: the control’s scores spread" in found.because


@pytest.mark.parametrize(("adjusted", "word"), [(0.0625, "would"), (0.11, "could")])
def test_who_agree_settle_it_for_sure_unless_other_variants_share_the_p_value(adjusted, word):
    five = replace(ranks(*VAGUE), tasters=5, p_value=0.0625, p_adjusted=adjusted)
    found = verdict(mixed(*VAGUE), five, plan=trial(by="ranks"))
    assert found.because.endswith(f"Six who agree {word}.")


def test_a_p_value_of_just_alpha_is_different():
    for alpha in (0.05, 0.025, 0.03125):
        assert kind_of(ranks(1.0, alpha, None, None), margin=None, alpha=alpha) == "different"
        above = np.nextafter(alpha, 1)
        assert kind_of(ranks(1.0, above, None, None), margin=None, alpha=alpha) == "open"


def test_an_interval_that_ends_at_zero_does_not_exclude_it():
    for low, high in ((0.0, 1.0), (-1.0, 0.0), (-1.0, 1.0)):
        assert not Interval(low, high).excludes_zero()
    assert Interval(1e-9, 1.0).excludes_zero()
    assert Interval(-1.0, -1e-9).excludes_zero()


def test_a_shared_alpha_is_harder_to_meet():
    assert kind_of(ranks(1.0, 0.03, None, None), margin=None, alpha=0.05) == "different"
    assert kind_of(ranks(1.0, 0.03, None, None), margin=None, alpha=0.025) == "open"


def test_several_batches_let_the_sentence_speak_of_the_method():
    found = verdict(mixed(*CLEAR), ranks(*CLEAR), scores=table(batches=(1, 2)))
    assert found.because.startswith("Cool cellar was crisper")


def test_a_downward_difference_uses_the_other_word():
    down = (-1.84, 0.001, Interval(-2.7, -0.9), Interval(-2.6, -1.0))
    found = verdict(mixed(*down), ranks(*down))
    assert "was softer than plain brine, by 1.8 points" in found.because
    assert "−2.7 to −0.9" in found.because
