"""A trial begun in a terminal, and where it stands."""

from __future__ import annotations

import datetime
from unittest.mock import Mock

import pytest
from click.testing import CliRunner

from blindspoon import starting
from blindspoon.cli import commands
from blindspoon.errors import TrialFileError
from blindspoon.files import edits
from blindspoon.files.disk import make_files
from blindspoon.files.trial_toml import parse_trial
from blindspoon.stage import stage
from blindspoon.starting import ASKS, SCORED, answers_like, new_files, rule_beside, rule_in_words


def test_seven_questions_in_a_terminal_and_where_the_trial_stands(tmp_path, monkeypatch):
    terminal = "click.testing._NamedTextIOWrapper.isatty"
    monkeypatch.setattr(terminal, lambda _: True, raising=False)
    monkeypatch.chdir(tmp_path)
    said = [
        *("half-sour cucumbers", "As always", "Oak leaf", "Three weeks in the cellar", ""),
        *("What keeps them crisp?", "", "Texture, snap", "", "a bit", "3", "", "17.10.2026", ""),
        *("0,5", "y"),  # asked again, as "a bit" is no number; and yes to the rule
    ]
    done = CliRunner().invoke(commands, ["new", "crisp"], input="\n".join(said) + "\n")
    assert done.exit_code == 0, done.output
    assert "“Three weeks in the cellar” is meant to differ in temperature." in done.output
    assert "luck alone would put either of the two" in " ".join(done.output.split())
    trial = parse_trial((tmp_path / "crisp" / "trial.toml").read_text("utf-8"))
    assert [attribute.name for attribute in trial.attributes] == ["texture", "snap"]
    assert (trial.attributes[0].margin, trial.variants[1].differs) == (0.5, ("oak_leaf",))
    assert trial.decision.declared is not None
    stands = CliRunner().invoke(commands, []).output
    assert "crisp: What keeps them crisp?\n  Planned. No jar is written down yet of" in stands
    assert '"blindspoon blind crisp"' in stands


def test_what_no_question_can_put_right_ends_them(tmp_path, monkeypatch):
    problem = starting.BLANK.broken("no scale", "trial.toml", None, "scale")
    refused = Mock(side_effect=[TrialFileError([problem]), AssertionError("asked again")])
    monkeypatch.setattr("click.testing._NamedTextIOWrapper.isatty", lambda _: True, raising=False)
    monkeypatch.setattr(starting, "new_files", refused)
    done = CliRunner().invoke(commands, ["new", str(tmp_path / "new")], input="\n" * 20)
    assert isinstance(done.exception, TrialFileError)


@pytest.mark.parametrize(
    ("answers", "asked", "rule"),
    [
        (
            ("Rock salt", "", "May I swap the salt?", "2", ""),
            {"choice": ("triangle", 2, 0.3), "course": None, "primary": ("choice",)},
            "So 4 sets can never come out as alike.",
        ),
        (  # the share is asked again, as everybody is no share
            ("Rock salt", "", "May I swap the salt?", "2", "100 %"),
            {"choice": ("triangle", 12, 0.4), "course": None, "primary": ("choice",)},
            "2 tasters in 1 session: 24 sets in all.",
        ),
        (
            ("7 days", "2 weeks", "", "When is it ready?", "3", "Sourness", "", "1"),
            {"choice": None, "course": ("fermented_days", "sourness"), "primary": ("course",)},
            "A jar is right if its sourness is within 1 point of",
        ),
    ],
)
def test_sets_and_ages_are_begun_in_a_terminal(tmp_path, monkeypatch, answers, asked, rule):
    terminal = "click.testing._NamedTextIOWrapper.isatty"
    monkeypatch.setattr(terminal, lambda _: True, raising=False)
    sets = {"": [""], "100 %": ["12", "40 %"]}.get(answers[-1], [])
    said = ["sauerkraut", "As always", *answers, "Ada, Ben", "", "", *sets, "y"]
    done = CliRunner().invoke(commands, ["new", str(tmp_path / "new")], input="\n".join(said))
    assert done.exit_code == 0, done.output
    assert rule in " ".join(done.output.split())
    assert " ".join(done.output.split()).count("An empty line ends") == 3 + bool(asked["course"])
    assert done.output.count("5. What difference") == 1 + ("100 %" in answers)
    assert ("Sets for each taster in a session" in done.output) == (asked["choice"] is not None)
    trial = parse_trial((tmp_path / "new" / "trial.toml").read_text("utf-8"))
    choice, course = trial.choice, trial.course
    assert asked == {
        "choice": choice and (choice.method, choice.sets, choice.can_tell),
        "course": course and (course.over, course.attribute),
        "primary": trial.decision.primary,
    }
    assert trial.tasting.tasters == ("Ada", "Ben")
    series = {variant.series for variant in trial.variants[1:]}
    assert series == ({"sauerkraut"} if course else {""})


TOLD = {
    "trial.product": "Kraut", "variant[1].label": "As always", "trial.title": "When?",
    SCORED: "Sourness\nTexture", "decision.margin": "0,5",
}  # fmt: skip


@pytest.mark.parametrize(
    ("asks", "changes", "over", "series"),
    [
        ("reach", "May\nJune", "fermented", "Kraut"),
        ("keep", "May\nJune", "age", "Kraut"),
        ("both", "May\nJune", "fermented", "Kraut"),
        ("reach", "May", "age", ""),  # one jar goes on ageing from evening to evening
    ],
)
def test_a_question_of_days_counts_them_as_its_jars_grow_old(asks, changes, over, series):
    files = new_files(TOLD | {ASKS: asks, "changes": changes}, datetime.date(2026, 9, 4), 1)
    trial = parse_trial(files["trial.toml"].decode())
    course, may = trial.course, trial.variants[1]
    assert (course.over, may.differs, may.series) == (f"{over}_days", (over,), series)
    assert (course.attribute, trial.decision.primary) == ("sourness", ("course",))
    assert [asks in (key, "both") for key in ("reach", "keep")] == [
        target == "control" for target in (course.reach, course.keep)
    ]
    assert answers_like(trial)[ASKS] == asks


def test_answers_of_sets_come_back_from_the_trial_that_they_made():
    told = TOLD | {ASKS: "sets", "changes": "Rock", "choice.can_tell": "25 %", "choice.sets": "3"}
    trial = parse_trial(new_files(told, datetime.date(2026, 9, 4), 1)["trial.toml"].decode())
    assert (trial.choice.can_tell, trial.choice.sets) == (0.25, 3)
    again = answers_like(trial)
    assert [again[key] for key in (ASKS, "choice.can_tell", "choice.sets")] == ["sets", "25", "3"]


def test_a_trial_like_an_earlier_one_keeps_its_recipes_and_takes_the_controls_from_the_form():
    told, day = TOLD | {"changes": "Dill"}, datetime.date(2026, 9, 4)
    first = new_files(told | {"variant[1].method": "2 % salt"}, day, 1)["trial.toml"].decode()
    first = edits.put(first, "variant[2].method", "A head of dill")
    second = new_files(told | {"variant[1].method": "3 % salt"}, day, 2, like=first)
    variants = parse_trial(second["trial.toml"].decode()).variants
    assert [it.method for it in variants] == ["3 % salt", "A head of dill"]


def test_a_trial_like_an_earlier_one_is_decided_as_that_was():
    told, day = TOLD | {"changes": "Dill"}, datetime.date(2026, 9, 4)
    first = new_files(told, day, 1)["trial.toml"].decode()
    first = edits.put(edits.put(first, "decision.alpha", 0.1), "decision.by", "ranks")
    second = new_files(told, day, 2, like=first)["trial.toml"].decode()
    decision = parse_trial(second).decision
    assert (decision.alpha, decision.by) == (0.1, "ranks")


@pytest.mark.parametrize(
    ("scored", "changes", "course"),
    [
        ("Sourness", "May\nJune", ("stored_days", 6.5, "at most")),
        ("Texture", "May\nJune", ("stored_days", None, "at least")),  # so many points of another
    ],
)
def test_a_trial_over_days_like_an_earlier_one_keeps_its_days_and_points(scored, changes, course):
    told, day = TOLD | {ASKS: "reach", "changes": "May"}, datetime.date(2026, 9, 4)
    first = new_files(told, day, 1)["trial.toml"].decode()
    for key, value in (("over", "stored_days"), ("reach", 6.5), ("side", "at most")):
        first = edits.put(first, f"course.{key}", value)
    told |= {SCORED: scored, "changes": changes}
    again = parse_trial(new_files(told, day, 2, like=first)["trial.toml"].decode())
    assert (again.course.over, again.course.level, again.course.side) == course
    assert again.variants[2].differs == ("age",)


def test_where_nothing_is_scored_no_margin_is_kept_that_the_form_had():
    told = {"trial.product": "kraut", "variant[1].label": "As always", "changes": "Rock salt"}
    told |= {"trial.title": "May I swap the salt?", ASKS: "sets", "decision.margin": "1"}
    files = new_files(told, datetime.date(2026, 9, 4), 1)
    assert "\nmargin" not in files["trial.toml"].decode()


@pytest.mark.parametrize(
    ("tasters", "sets", "who", "alike"),
    [
        ("1", 2, "this taster", "this taster can in fewer than 30 % of the sets"),
        ("2", 2, "these tasters", "these tasters can in fewer than 30 % of the sets"),
        ("24", 1, "some", "fewer than 30 % of tasters can"),
    ],
)
def test_the_rule_of_sets_has_a_share_of_tasters_only_where_each_has_one(tasters, sets, who, alike):
    text = (
        'trial = { title = "Salt?", control = "usual" }\ndecision = { primary = ["choice"] }\n'
        f'choice = {{ method = "triangle", sets = {sets} }}\ntasting = {{ tasters = {tasters} }}\n'
        'variant = [{ name = "usual" }, { name = "rock" }]'
    )
    rule = rule_in_words(parse_trial(text)).replace("\xa0", " ")
    assert f"We say that {who} can tell “Rock” from “Usual”" in rule
    assert f"alike if the answers show that {alike};" in rule


@pytest.mark.parametrize(
    ("looks", "said"),
    [
        ("fixed", "Nothing is said before 24 sets are answered, or the tasting has ended."),
        ("sequential", "We look after every set, of which at most 24 count."),
    ],
)
def test_the_rule_of_sets_says_when_it_is_applied(looks, said):
    text = (
        'trial = { title = "Salt?", control = "usual" }\ndecision = { primary = ["choice"] }\n'
        f'choice = {{ method = "triangle", tests = 24, rule = "{looks}" }}\n'
        'variant = [{ name = "usual" }, { name = "rock" }]'
    )
    assert rule_in_words(parse_trial(text)).endswith(said)


@pytest.mark.parametrize(("asked", "typed"), [("changes", "Rock\x07salt"), (SCORED, "Tex\x07ture")])
def test_what_no_trial_can_hold_leads_back_to_its_question(asked, typed):
    told = {"trial.product": "kraut", "variant[1].label": "As always", "trial.title": "May I?"}
    told |= {"changes": "Rock salt", SCORED: "Texture", "decision.margin": "1", asked: typed}
    with pytest.raises(TrialFileError) as caught:
        new_files(told, datetime.date(2026, 9, 4), 1)
    assert {problem.column for problem in caught.value.problems} == {asked}


@pytest.mark.parametrize(
    ("day", "is_"), [("17.10.2062", "is no day of these years"), ("abc", "is a text")]
)
def test_a_day_that_is_far_away_is_told_from_what_is_no_day(day, is_):
    told = {"trial.product": "kraut", "variant[1].label": "As always", "trial.title": "May I?"}
    told |= {"changes": "Rock salt", ASKS: "sets", "session[1].date": day}
    with pytest.raises(TrialFileError, match=f'"{day}" {is_}; a date is needed'):
        new_files(told, datetime.date(2026, 9, 4), 1)


@pytest.mark.parametrize(("typed", "says_yes"), [("y", True), ("n", False)])
def test_a_rule_without_a_date_is_said_before_the_codes_are_drawn(
    tmp_path, monkeypatch, typed, says_yes
):
    monkeypatch.setattr("click.testing._NamedTextIOWrapper.isatty", lambda _: True, raising=False)
    told = TOLD | {"changes": "Rock salt", "tasting.tasters": "Ada\nBen\nCleo"}
    make_files(tmp_path / "kraut", new_files(told, datetime.date(2026, 9, 4), 1))
    done = CliRunner().invoke(commands, ["blind", str(tmp_path / "kraut")], input=f"{typed}\n")
    assert "luck alone would put" in " ".join(done.output.split())
    assert "Is this your rule, from today?" in done.output
    trial = parse_trial((tmp_path / "kraut" / "trial.toml").read_text("utf-8"))
    assert (trial.decision.declared is not None) == says_yes


UP, BACK = "Counting up from the first day, we say ", "Counting back from the last, we say "


@pytest.mark.parametrize(
    ("course", "jars", "said"),
    [
        (
            "reach = 6.5",
            ["kraut"],
            "The days are days of fermenting. “Kraut” is right if its sourness is 6.5 points or "
            f"more. {UP}“not yet” as long as the scores show that it is not right. {BACK}“ready” "
            "as long as they show that it is.",
        ),
        (
            'over = "stored_days", keep = "control"',
            ["kraut", "old"],
            "The days are days in the cold. A jar is right if its sourness is within 1 point of "
            f"“Usual”. {UP}“still so” as long as the scores show that it is right. {BACK}“no "
            "longer” as long as they show that it is not.",
        ),
        (
            'reach = 1, keep = true, side = "at most"',
            ["kraut"],
            "The days are days of fermenting. “Kraut” is right if its sourness is 1 point or "
            f"less. {UP}“not yet” as long as the scores show that it is not right. {BACK}“no "
            "longer” as long as they show that. “Ready” is every day on which they show that it is "
            "right.",
        ),
    ],
)
def test_the_rule_of_days_says_what_is_right_and_what_a_day_is_called(course, jars, said):
    text = (
        'trial = { title = "When?", control = "usual" }\nscale = { low = 0, high = 10 }\n'
        f'decision = {{ primary = ["course"], margin = 1 }}\ncourse = {{ {course} }}\n'
        'attribute = [{ name = "sourness" }]\n'
        + "".join(f'[[variant]]\nname = "{name}"\n' for name in ["usual", *jars])
    )
    days = f"{said} Other days are not settled. Luck may fool us in one of 20 tastings."
    assert rule_in_words(parse_trial(text)).replace("\xa0", " ") == days
    also = text.replace(course, f'{course}, accept = "would_eat_it"')
    beside = "Beside that stands how many said yes to “Would eat it?”."
    assert rule_in_words(parse_trial(also)).replace("\xa0", " ") == f"{days} {beside}"


def test_what_is_followed_over_days_comes_first_where_another_trial_begins_like_it():
    trial = parse_trial(
        'trial = { title = "When?", control = "usual" }\nscale = { low = 0, high = 10 }\n'
        'decision = { primary = ["course"], margin = 1 }\n'
        'course = { attribute = "sourness", reach = "control" }\n'
        'attribute = [{ name = "saltiness" }, { name = "sourness" }]\n'
        'variant = [{ name = "usual" }, { name = "kraut" }]'
    )
    assert answers_like(trial)[SCORED] == "Sourness\nSaltiness"


@pytest.mark.parametrize(
    ("primary", "course", "out_of", "beside"),
    [
        ('"texture"', "", "19 tastings out of 20", "Aroma is scored as well. "),
        ('"texture", "aroma"', "", "39 tastings out of 40", ""),
        (
            '"texture"',
            'course = { attribute = "texture" }',
            "19 tastings out of 20",
            "Aroma and texture over days of fermenting are scored as well. ",
        ),
        ('"course"', 'course = { attribute = "aroma" }', "one of 20 tastings", "Texture is scored"),
    ],
)
def test_a_rule_says_how_often_luck_may_fool_it_and_what_it_leaves_out(
    primary, course, out_of, beside
):
    trial = parse_trial(
        f'trial = {{ title = "Crisp", control = "plain" }}\n{course}\n'
        f"decision = {{ primary = [{primary}], margin = 1 }}\nscale = {{ low = 0, high = 10 }}\n"
        'attribute = [{ name = "texture" }, { name = "aroma" }]\n'
        'variant = [{ name = "plain" }, { name = "oak" }]'
    )
    assert out_of in rule_in_words(trial)
    assert rule_beside(trial).startswith(beside)
    assert bool(rule_beside(trial)) == bool(beside)


def test_of_a_trial_that_was_tasted_without_codes_only_the_findings_are_left(uncoded, tmp_path):
    for name, data in uncoded.items():
        (tmp_path / name).write_bytes(data)
    found = stage(tmp_path)
    assert (found.state, found.next.name) == ("never coded", "findings")
    assert [step.mark for step in found.steps if step.note == "left out"] == ["done"] * 5
    assert (found.scored, found.cups) == (9, 9)


def test_what_is_scored_may_be_called_as_a_column_is():
    told = {"trial.product": "tasting menu", "variant[1].label": "As always", "changes": "New"}
    told |= {"trial.title": "?", SCORED: "Position\nToo sour\nToo-sour", "decision.margin": "1"}
    trial = parse_trial(new_files(told, datetime.date(2026, 9, 4), 1)["trial.toml"].decode())
    assert {(it.name, it.label) for it in trial.attributes} == {
        ("position_2", "Position"),
        ("too_sour", "Too sour"),
        ("too_sour_2", "Too-sour"),
    }


def test_what_is_typed_as_a_question_is_named_without_its_mark_and_percentages_are_salt():
    told = {"trial.product": "kraut", "variant[1].label": "2 %", "changes": "- 1,5 %\n\n• 3 %"}
    told |= {"trial.title": "How much salt?", SCORED: "good?", "decision.margin": "1"}
    trial = parse_trial(new_files(told, datetime.date(2026, 9, 4), 1)["trial.toml"].decode())
    assert [attribute.label for attribute in trial.attributes] == ["Good"]
    assert [variant.differs for variant in trial.variants] == [(), ("salt",), ("salt",)]
    assert [variant.label for variant in trial.variants] == ["2 %", "1,5 %", "3 %"]


def test_one_name_in_other_letters_is_asked_about_and_an_age_is_no_line_of_its_own():
    told = {"trial.product": "kraut", "variant[1].label": "As always", "changes": "Dill\ndill"}
    told |= {"trial.title": "?", SCORED: "texture", "decision.margin": "1"}
    with pytest.raises(TrialFileError, match='dill" stands twice'):
        new_files(told, datetime.date(2026, 9, 4), 1)
    files = new_files(told | {"changes": "7 days\n14 days"}, datetime.date(2026, 9, 4), 1)
    trial = parse_trial(files["trial.toml"].decode())
    assert [variant.differs for variant in trial.variants[1:]] == [("fermented",)] * 2
