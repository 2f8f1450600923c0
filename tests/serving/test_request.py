"""What cannot be drawn is refused, with all its reasons and what to do."""

import dataclasses
import datetime

import pytest

from blindspoon.errors import DesignError
from blindspoon.serving.plan import ServingRequest, check_request, request_for
from blindspoon.trial import Attribute, Decision, Scale, Session, Tasting, Trial, Variant


def request(**changes):
    given = {
        "control": "plain",
        "others": ("dill", "leaf", "cellar"),
        "tasters": ("T01", "T02", "T03", "T04"),
        "cups": 4,
    }
    return ServingRequest(**(given | changes))


def fill(kind, **given):
    """A value of a frozen class; fields that this test says nothing about are empty."""
    rest = {field.name: "" for field in dataclasses.fields(kind) if field.name not in given}
    return kind(**given, **rest)


def trial(servings=None, sessions=("1", "2"), tasters=("Ada", "Ben", "Cem"), controls=1):
    names = ("dill", "plain", "leaf")
    return fill(
        Trial,
        control="plain",
        seed=1,
        decision=fill(Decision, declared=None, primary=(), alpha=0.05, by="mixed"),
        attributes=(fill(Attribute, name="texture", scale=Scale(low=0, high=10), margin=None),),
        variants=tuple(fill(Variant, name=name, differs=()) for name in names),
        sessions=tuple(Session(name=name, date=datetime.date(2026, 9, 19)) for name in sessions),
        tasting=fill(
            Tasting,
            tasters=tasters,
            servings=servings,
            codes="per session",
            controls=controls,
            warm_up=False,
        ),
    )


def test_a_request_takes_its_parts_from_the_trial():
    found = request_for(trial(), {"plain": ["jar 1", "jar 2"]})
    assert found.variants == ("plain", "dill", "leaf")
    assert (found.tasters, found.sessions) == (("Ada", "Ben", "Cem"), ("1", "2"))
    assert (found.cups, found.controls, found.codes) == (3, 1, "per session")
    assert found.batches == {"plain": ["jar 1", "jar 2"]}
    assert (found.complete, found.alone, found.warm_up) == (True, False, False)


def test_a_second_control_is_one_more_cup_where_servings_are_not_given():
    assert request_for(trial(controls=2)).cups == 4
    assert request_for(trial(servings=3, controls=2)).cups == 3


def test_a_session_that_is_not_listed_is_the_only_one():
    assert request_for(trial(sessions=())).sessions == ("1",)


@pytest.mark.parametrize(
    ("changes", "slug", "message"),
    [
        ({"tasters": ()}, "no-tasters", r"no tasters; at least one is needed .* under \[tasting\]"),
        ({"cups": 5}, "too-many-servings", "5 servings .* there are 4 to serve.*Write 4 or fewer"),
        (
            {"cups": 6, "controls": 2},
            "too-many-servings",
            "there are 5 to serve: the control twice",
        ),
        (
            {"cups": 1},
            "too-few-servings",
            "1 servings .* the control and one other.*Write 2 or more",
        ),
        ({"cups": 2, "controls": 2}, "too-few-servings", "the control twice and one other"),
        (
            {"cups": 2, "tasters": ("T01",)},
            "too-few-servings",
            "1 tray cannot hold all 3 variants .* takes 3 trays",
        ),
    ],
)
def test_what_does_not_fit_is_refused(changes, slug, message):
    with pytest.raises(DesignError, match=message) as error:
        check_request(request(**changes))
    assert [problem.slug for problem in error.value.problems] == [slug]
    assert error.value.problems[0].file == "trial.toml"


def test_all_problems_are_told_at_once():
    with pytest.raises(DesignError, match="no tasters") as error:
        check_request(request(tasters=(), cups=9))
    assert len(error.value.problems) == 2


def test_more_variants_than_codes_are_refused():
    others = tuple(f"v{number}" for number in range(900))
    with pytest.raises(DesignError, match="862 three-digit codes"):
        check_request(request(others=others, cups=901))
    with pytest.raises(DesignError, match="862 three-digit codes"):
        check_request(request(others=others, cups=451, codes="per session"))


def test_a_trial_whose_servings_do_not_fit_is_refused():
    with pytest.raises(DesignError, match="4 servings for each taster and session"):
        request_for(trial(servings=4))
