"""What to try next follows from what was found."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from blindspoon.analysis import analyse
from blindspoon.findings.verdict_in_words import farthest_apart
from blindspoon.packing.kit import kit_files
from blindspoon.stats.several_tests import Bracket
from blindspoon.writeup.batches_section import recipe_table
from blindspoon.writeup.front import advice, weaknesses
from blindspoon.writeup.limits import MOST_STEPS, next_steps
from blindspoon.writeup.records import trial_record
from blindspoon.writeup.templating import points
from tests.writeup.conftest import part

TRIALS = Path(__file__).parents[2] / "trials"


def heads(content):
    return [head for head, _ in part(content, "next").points]


def test_steps_are_few_and_never_twice(every_content):
    for name, content in every_content.items():
        found = heads(content)
        assert len(found) <= MOST_STEPS, name
        assert len(found) == len(set(found)), name


def test_what_is_open_asks_for_tasters_and_what_is_settled_does_not(content_of):
    assert not [head for head in heads(content_of("all alike")) if head.startswith("Ask again")]
    text = dict(part(content_of("nothing differs"), "next").points)
    asked = [value for head, value in text.items() if head.startswith("Ask again about")]
    assert asked
    assert len(asked) == 1
    assert re.search(r"is alike, a .+ of about \d+ people \(\d+ to \d+\) would show it", asked[0])


def test_a_lone_taster_is_told_to_ask_others(content_of):
    assert "Ask other people." in heads(content_of("one taster, many rounds"))


def test_a_rule_is_asked_for_only_where_there_is_none(content_of):
    assert "Declare the rule." in heads(content_of("no decision"))
    assert "Declare a margin." in heads(content_of("no margin"))
    assert not {"Declare the rule.", "Declare a margin."} & set(heads(content_of("usual")))


def test_codes_batches_and_sittings_are_asked_for_where_they_lack(content_of):
    assert "Serve under codes." in heads(content_of("uncoded"))
    assert "Serve under codes." not in heads(content_of("usual"))
    assert "Make each several times." in heads(content_of("usual"))
    assert "Make each several times." not in heads(content_of("several batches"))
    assert "Taste twice." in heads(content_of("several batches"))
    assert "Taste twice." not in heads(content_of("replicates"))


@pytest.fixture(scope="module")
def demo(analysis_of):
    return analysis_of("allotment-cucumbers")


def test_batches_that_differ_otherwise_come_first(demo):
    head, text = next_steps(demo)[0]
    assert head == "Change one thing in the calcium jar."
    assert "with the control’s temperature" in text


def test_batches_that_differ_in_the_same_share_a_step(demo):
    (calcium,) = [each for each in demo.made.differs if each.undeclared]
    others = (variant.name for variant in demo.trial.variants if variant.name != "plain")
    made = replace(demo.made, differs=tuple(replace(calcium, variant=name) for name in others))
    found = [head for head, _ in next_steps(replace(demo, made=made))]
    (level,) = [head for head in found if head.startswith("Change one thing")]
    assert level == ("Change one thing in the cool-cellar, calcium, old-brine and vine-leaf jars.")


def test_the_number_of_tasters_is_that_of_the_table(content_of):
    content = content_of("nothing differs")
    rows = part(content, "unsettled").tables[0].rows
    (text,) = [text for head, text in part(content, "next").points if head.startswith("Ask again")]
    number = re.search(r"about (\d+) people", text)[1]
    assert any(row[-1].startswith(f"about {number} ") for _, row in rows)


def test_of_what_is_open_on_an_attribute_the_one_that_takes_fewest_people_is_asked_for(content_of):
    analysis = content_of("nothing differs").analysis
    texture, *rest = analysis.results
    cool, *others = texture.others
    surer = replace(cool, mixed=replace(cool.mixed, se=0.8 * cool.mixed.se))
    results = (replace(texture, others=(surer, *others)), *rest)
    told = dict(next_steps(replace(analysis, results=results)))
    assert "If cool cellar is alike, a new tasting" in told["Ask again about texture."]


def test_more_batches_are_asked_for_before_more_tasters(content_of):
    found = heads(content_of("nothing differs"))
    order = [
        found.index(head) for head in ("Make each several times.", "Taste twice.") if head in found
    ]
    asked = next(place for place, head in enumerate(found) if head.startswith("Ask again"))
    assert order == sorted(order)
    assert all(place < asked for place in order)


def meant(demo, **factors):
    """The demonstration, with what each variant is meant to differ in, and nothing else."""
    (some,) = [each for each in demo.made.differs if each.undeclared]
    made = {
        name: tuple(replace(some.undeclared[0], factor=each, declared=True) for each in those)
        for name, those in factors.items()
    }
    differs = tuple(replace(some, variant=name, differences=those) for name, those in made.items())
    return replace(demo, made=replace(demo.made, differs=differs))


def test_a_square_of_two_factors_is_completed(demo):
    both = ("salt", "age")
    three = dict(next_steps(meant(demo, calcium=both, **{"old-brine": ("age",)})))
    assert "Make one that differs in salt alone" in three["Take salt and age apart."]
    two = dict(next_steps(meant(demo, calcium=both)))
    assert "in salt alone and one in age alone" in two["Take salt and age apart."]
    alike = replace(meant(demo, calcium=both), results=())
    assert not [head for head, _ in next_steps(alike) if head.startswith("Take")]
    whole = meant(demo, calcium=both, **{"old-brine": ("age",), "vine-leaf": ("salt",)})
    assert not [head for head, _ in next_steps(whole) if head.startswith("Take")]


def opposite_evenings(folder, sessions=""):
    """Write a folder in which oak was two points crisper at first, and two softer at last."""
    plan = (
        "trial = { title = 'Crisp?', control = 'plain', seed = 1 }\n"
        "decision = { declared = 2026-09-04, primary = ['texture'], margin = 1 }\n"
        "scale = { low = 0, high = 10 }\nattribute = [{ name = 'texture' }]\n"
        "variant = [{ name = 'plain' }, { name = 'oak', label = 'Oak' }]\n"
    )
    lines = ["session,taster,variant,texture"]
    for session, taster, variant in itertools.product((1, 2), range(8), ("plain", "oak")):
        moved = (4 * (session == 1) - 2) * (variant == "oak")
        score = 5 + moved + (taster + session * (variant == "oak")) % 3 / 2
        lines.append(f"{session},T{taster},{variant},{score}")
    (folder / "trial.toml").write_text(plan + sessions)
    (folder / "scores.csv").write_text("\n".join(lines))
    return analyse(folder)


def test_sittings_that_disagree_are_said_and_no_panel_is_asked_to_settle_them(tmp_path):
    analysis = opposite_evenings(tmp_path)
    (oak,) = analysis.comparisons
    assert oak.verdict == "open"
    found = [head for head, _ in next_steps(analysis)]
    assert "Find out what changed between the sittings." in found
    assert not [head for head in found if head.startswith("Ask again")]
    text = dict(weaknesses(analysis, None))["The sittings disagreed."]
    assert re.search(
        r"on texture, in points: \d\.\d more at the first, \d\.\d less at the last", text
    )


def test_a_session_is_called_by_its_label(tmp_path):
    named = "session = [{ name = '1', label = 'Friday evening' }, { name = '2' }]\n"
    analysis = opposite_evenings(tmp_path, named)
    text = dict(weaknesses(analysis, None))["The sittings disagreed."]
    assert re.search(r"more at the first \(Friday evening\), \d\.\d less at the last", text)
    record = trial_record(analysis)
    assert record["trial"]["session_labels"] == {"1": "Friday evening"}
    assert "at the first (Friday evening)" in record["comparisons"][0]["because"]


def test_a_difference_of_nothing_is_neither_more_nor_less(tmp_path):
    (texture,) = opposite_evenings(tmp_path).trial.attributes
    said = farthest_apart(((-0.5, "the first"), (0.01, "the last (Sunday)")), texture)
    assert said == "0.5 less at the first, 0.0 at the last (Sunday)"


@pytest.mark.parametrize(("scored", "said"), [(108, False), (107, True)])
def test_cups_that_nobody_scored_weaken_the_answer_from_a_tenth_on(demo, scored, said):
    lift = replace(demo.standing.lift, scored=scored, cups=120)
    seal = replace(demo.standing.seal, lifted=(lift,))
    found = dict(weaknesses(replace(demo, standing=replace(demo.standing, seal=seal)), None))
    assert ("Cups are missing." in found) == said


def test_changes_that_cannot_be_told_apart_are_one_point_those_that_were_not_meant_first(demo):
    assert dict(weaknesses(demo, None))["More than one change."] == (
        "The calcium jar was higher in calcium by 1.3\xa0g and 3\xa0°C cooler; the cool-cellar jar "
        "was 6\xa0°C cooler and started 7\xa0days earlier: we can’t say which change mattered."
    )


def test_what_was_not_meant_came_on_top_of_what_the_variant_is(demo):
    differs = [it for it in demo.differs if it.variant == "calcium"]
    slipped = replace(differs[0], differences=differs[0].undeclared)
    alone = replace(demo, made=replace(demo.made, differs=(slipped,)))
    assert dict(weaknesses(alone, None))["More than one change."] == (
        "The calcium jar was also 3\xa0°C cooler: we can’t say which change mattered."
    )


def test_what_nobody_set_out_to_ask_is_advice_as_a_lead_only(demo):
    told = dict(advice(demo))
    assert told["Crisper?"] == "Calcium, by 2.2 points, or cool cellar, by 1.7 points."
    assert told["Less sour?"] == "As a lead: cool cellar, by 1.5 points."
    rule = replace(demo.trial.decision, primary=())  # then the answer says so of all
    undeclared = replace(demo, trial=replace(demo.trial, decision=rule))
    assert dict(advice(undeclared))["Less sour?"] == "Cool cellar, by 1.5 points."


def test_two_questions_are_both_and_a_missing_cup_is_one(analysis_of):
    analysis = analysis_of("allotment-cucumbers")
    two = replace(analysis, results=analysis.results[:2])
    assert not [text for _, text in advice(two) if "all two" in text]
    lift = replace(analysis.standing.seal.lifted[-1], scored=1)
    seal = replace(analysis.standing.seal, lifted=(lift,))
    weak = weaknesses(replace(analysis, standing=replace(analysis.standing, seal=seal)), None)
    assert dict(weak)["Cups are missing."] == "1 of the 120 to be served has a score."


def test_a_bar_in_a_name_parts_nothing():
    bracket = Bracket(after=None, by=3.0)
    course = SimpleNamespace(over="fermented_days")
    found = SimpleNamespace(label="A | B", course=course, reached=bracket, kept=None)
    (head, text), _ = points("days_advice", asked=[found, found], it="it")
    assert head == "A | B: Open it after 3 days of fermenting."
    assert text == "Read the pH first."


def test_a_variant_is_left_out_on_what_was_asked_unless_something_else_may_hide_a_difference(demo):
    one = demo.results[:1]
    assert {it.verdict for it in one[0].others} == {"alike"}
    label = one[0].attribute.label.lower()
    ((head, text),) = advice(replace(demo, results=one))
    assert text.endswith(f"within the margin on {label}.")
    assert "alcium" not in head  # its jar was cooler too, which may hide a difference


def test_of_much_advice_what_to_leave_out_is_still_told(demo):
    one = demo.results[0]
    up, down, *alike = one.others
    turned = [
        replace(it, verdict="different", mixed=replace(it.mixed, difference=way))
        for it, way in ((up, 2.0), (down, -2.0))
    ]
    some = replace(one, others=(*turned, *alike))
    told = advice(replace(demo, results=(some,) * 3))
    assert [text.startswith("Leave") for _, text in told] == [False] * 4 + [True]


def test_a_recipe_has_no_column_of_what_nobody_wrote_down(demo):
    jars = [replace(jar, finished=None, temperature_c=None) for jar in demo.made.log.batches]
    made = replace(demo.made, log=replace(demo.made.log, batches=tuple(jars)))
    table = recipe_table(demo.trial, made)
    assert table.columns == ("Produce", "Water", "Salt", "Calcium")
    assert {len(cells) for _, cells in table.rows} == {4}


def test_a_jar_with_a_weight_forgotten_is_made_as_the_control_or_left_out_by_name(demo):
    def with_forgotten(*variants):
        jars = [
            replace(it, salt_g=None if it.variant in variants else it.salt_g)
            for it in demo.made.log.batches
        ]
        made = replace(demo.made, log=replace(demo.made.log, batches=tuple(jars)))
        return recipe_table(demo.trial, made)

    whole, cool, calcium = (
        with_forgotten(),
        with_forgotten("cool-cellar"),
        with_forgotten("calcium"),
    )
    assert cool == whole  # it changes the warmth, and nothing that is weighed
    assert "Calcium" not in dict(calcium.rows)
    assert calcium.caption.endswith(", but for “Calcium”, of which not every weight is written")


def test_a_recipe_of_a_course_has_the_warmth_of_each_jar_not_that_of_the_cold_control(analysis_of):
    days = analysis_of("carrot-days")
    log, control = days.made.log, days.trial.control
    cold = [replace(it, temperature_c=5.0 * (it.variant == control) or 20.0) for it in log.batches]
    made = replace(days.made, log=replace(log, batches=tuple(cold)))
    ages = tuple(replace(it, differs=("age",), method="") for it in days.trial.variants)
    table = recipe_table(replace(days.trial, variants=ages), made)
    warmth = [cells[table.columns.index("°C")] for _, cells in table.rows]
    assert (warmth[0], set(warmth[1:])) == ("5", {"20"})


def test_a_recipe_shows_a_change_that_is_neither_weighed_nor_told_in_a_method(demo):
    bare = [replace(it, method="") if it.name == "vine-leaf" else it for it in demo.trial.variants]
    table = recipe_table(replace(demo.trial, variants=tuple(bare)), demo.made)
    place = table.columns.index("Leaf")
    leaf = {label: cells[place] for label, cells in table.rows}
    assert leaf.pop("Vine leaf") == "1 vine leaf in 1,187\xa0g"  # 1186.5 g in its jar
    assert set(leaf.values()) == {"none"}
    assert "Leaf" not in recipe_table(demo.trial, demo.made).columns  # its method says it


def test_a_recipe_has_no_column_that_only_marks_the_variant_of_that_label(demo):
    bare = [replace(it, differs=("Vine leaf",)) for it in demo.trial.variants[1:]]
    bare = [replace(demo.trial.variants[0], method=""), *(replace(it, method="") for it in bare)]
    marked = {it.name: "yes" if it.name == "vine-leaf" else "no" for it in bare}
    jars = [replace(it, own={"Vine leaf": marked[it.variant]}) for it in demo.made.log.batches]
    log = replace(demo.made.log, batches=tuple(jars), own=("Vine leaf",))
    trial, made = replace(demo.trial, variants=tuple(bare)), replace(demo.made, log=log)
    assert "Vine leaf" not in recipe_table(trial, made).columns
    two = replace(log, batches=(*jars[:-1], replace(jars[-1], own={"Vine leaf": "yes"})))
    assert "Vine leaf" in recipe_table(trial, replace(made, log=two)).columns
    kit = kit_files(trial, demo.table, made)["do-it-yourself.html"].decode()
    assert "<span>yes</span>" not in kit


def test_points_are_parted_from_one_another(analysis_of, further_of):
    name = "allotment-cucumbers"
    demo, influence = analysis_of(name), further_of(name).influence
    bare = replace(demo, standing=replace(demo.standing, seal=None), made=None)
    told = weaknesses(bare, influence)
    heads = [head for head, _ in told]
    assert heads[-3:] == ["One verdict is fragile.", "A second method differs.", "Nothing sealed."]
    assert not [text for _, text in told if "|" in text]
