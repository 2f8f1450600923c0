import re

import pytest

from blindspoon.wording import sentence
from blindspoon.writeup.front import MOST_WORDS, short_answer

NAMES = ["usual", "twelve variants", "two primary"]


@pytest.mark.parametrize(
    "effects", [(2.2, 0.6, 0.0, -1.9), (0.0,) * 4, (9.0, -9.0, 5.0, -5.0), (0.1, 0.1, 3.0, 3.0)]
)
@pytest.mark.parametrize("name", [*NAMES, "no decision", "by ranks", "one taster", "no margin"])
def test_the_short_answer_is_short_and_holds_no_p_value(content_of, name, effects):
    changes = {} if name == "twelve variants" else {"effects": effects}
    text = content_of(name, **changes).answer
    assert 5 < len(text.split()) < 60
    assert not re.search(r"\bp\b|alpha", text)
    assert text.endswith(".")


def test_sizes_are_given_with_the_names(content_of):
    text = content_of("everything differs").answer
    assert text.startswith(
        "The vine-leaf and cool-cellar batches were crisper than plain brine, by 4.8 and 3.8 "
        "points out of 10. The calcium and old-brine batches were softer, by "
    )


def test_an_answer_on_many_attributes_names_what_differs_before_it_only_counts(analysis_of):
    demo = analysis_of("allotment-cucumbers")
    text = short_answer(demo, demo.results)
    assert "The calcium and cool-cellar jars were crisper than plain brine." in text
    assert "The board has the rest." in text
    assert len(text.split()) <= MOST_WORDS


def test_what_is_not_settled_is_not_called_alike(content_of):
    text = content_of("nothing differs").answer
    assert text.startswith("On texture, nothing is settled: none of four could be told from plain")
    assert "came within" not in text


def test_what_is_not_settled_of_several_is_not_said_of_one_against_another(content_of):
    text = content_of("usual", effects=(3.0, 0.5, -0.6), tasters=7, remarks=()).answer
    assert "batches differ from plain brine is not settled" in text


def test_what_lies_within_the_margin_came_within_it_of_the_control(content_of):
    text = content_of("all alike").answer
    assert text == (
        "The cool-cellar, vine-leaf, old-brine and calcium batches came within 1\xa0point of plain "
        "brine on texture."
    )


def test_long_names_give_way_to_the_first_and_how_many_others(content_of):
    text = content_of("twelve variants", attributes=("texture",), primary=("texture",)).answer
    assert "“Brine of 10 in the coldest cellar of all” batch and four other batches were" in text
    assert "by up to " in text


def test_a_verdict_that_the_second_procedure_does_not_share_says_so_in_its_sentence(content_of):
    content = content_of("usual")
    cells = [cell for board in content.boards for _, row in board.rows for cell in row]
    assert [note for cell in cells for note in cell.notes] == ["not settled by ranks"]
    weak = dict(content.weak)
    assert weak["A second method differs."] == (
        "It would call one verdict otherwise, as the board says."
    )


def test_a_second_method_that_could_not_differ_otherwise_is_no_objection(content_of):
    weak = dict(content_of("usual", tasters=5, remarks=()).weak)
    said = weak["A second method differs."]
    assert said.endswith("from so few scores it could call nothing different.")


def test_one_taster_is_spoken_of_as_one(content_of):
    content = content_of("one taster")
    assert content.answer.startswith("To this taster, ")
    assert content.trust.startswith("One person tasted one batch of each.")


def test_without_a_rule_the_answer_says_so(content_of):
    assert content_of("no decision").answer.startswith(
        "No rule was written down before the tasting, so take all of this as a lead. "
    )


def test_several_batches_are_not_called_this_batch(content_of):
    content = content_of("several batches")
    assert "batch" not in content.answer
    assert "Twelve people tasted two batches of each." in content.trust


def test_one_batch_of_each_is_said(content_of):
    text = content_of("usual").trust
    assert text.startswith("Twelve people tasted one batch of each, in two sittings.")


def test_a_tasting_that_was_not_shown_to_be_blind_says_so_at_the_top(content_of):
    assert "Not shown to be blind: no codes are recorded." in content_of("uncoded").trust
    assert "their key was not sealed" in content_of("usual").trust


def test_a_name_in_capitals_keeps_them_where_it_stands_after_a_comma(content_of):
    names = ("IPA brine", "Cool cellar", "Vine leaf", "Old brine")
    text = content_of("everything differs", by="ranks", batches=2, labels=names).answer
    assert re.match(r"In these batches, .*\bIPA brine\b", text)
    lone = content_of("by ranks", batches=2, labels=names, effects=(4.0,)).answer
    assert lone.startswith("In these batches, IPA brine was crisper")


def test_a_count_of_one_comparison_is_singular(content_of):
    label = " ".join(["a very long name of one single jar"] * 8)
    text = content_of("one variant", labels=(label,)).answer
    assert text == "Of 1 comparison, 1 was different; the board names each."


def test_what_could_not_be_compared_is_said(content_of):
    assert "could not be compared" in content_of("all missing but two").answer


def test_words_of_the_scale_are_used_where_there_are_no_comparatives(content_of):
    content = content_of("one variant", attributes=("sourness",), primary=("sourness",))
    assert "scored higher (towards “very sour”) than plain brine on sourness" in content.answer


def test_the_whole_trial_is_counted_where_nothing_else_is_short_enough(content_of):
    names = tuple(" ".join([f"Label {k} of a brine"] * 10) for k in range(4))
    made = content_of("two primary", labels=names, noise=0.3, effects=(2.2, 0.4, 0.0, -1.9))
    kinds = [it.verdict for result in made.analysis.results for it in result.comparisons]
    assert kinds.count("slight") == 1
    assert made.answer == (
        "Of 8 comparisons, 3 were different and 5 were within the margin; the board names each."
    )


def test_what_goes_one_way_on_two_attributes_is_told_once_with_both_numbers(content_of):
    text = content_of("two primary", moved=2, effects=(3.0,)).answer
    assert re.fullmatch(
        r"The cool-cellar batch was crisper and saltier than plain brine, by \d\.\d and \d\.\d "
        r"points out of 10\.",
        text,
    )


def test_where_one_of_two_variants_goes_both_ways_every_sentence_names_its_attribute(content_of):
    kinds = {"attributes": ("sourness", "smell"), "primary": ("sourness", "smell")}
    text = content_of("usual", **kinds, moved=2, effects=(3.0, 0.6), seed=1).answer
    assert text.count("cool-cellar") == 1
    assert " on sourness (towards “very sour”) and smell, by " in text
    assert re.search(r"vine-leaf batch .* on (sourness and )?smell", text)


def test_several_variants_have_their_numbers_attribute_by_attribute(content_of):
    text = content_of("two primary", moved=2, effects=(5.0, 2.5), noise=0.4).answer
    sizes = r"by 5\.\d and 2\.\d points, and by [45]\.\d and 2\.\d points out of 10\."
    assert re.fullmatch(
        f"The cool-.* batches were crisper and saltier than plain brine, {sizes}", text
    )


def test_what_is_open_or_alike_on_two_attributes_is_told_once(content_of):
    kinds = {"primary": ("texture", "saltiness")}
    assert content_of("all alike", **kinds).answer.endswith("plain brine on texture and saltiness.")
    text = content_of("nothing differs", **kinds).answer
    assert text.startswith("On texture and saltiness, nothing is settled: none of four could")


def test_a_catch_is_told_of_what_was_found_different_alone(analysis_of):
    demo, caught = analysis_of("allotment-cucumbers"), set()
    for result in demo.results:
        differs = any(it.differs for it in result.comparisons if it.variant.name == "calcium")
        assert ("One catch: the calcium jar" in short_answer(demo, [result])) is differs
        caught.add(differs)
    assert caught == {True, False}


@pytest.mark.parametrize(
    ("text", "expected"), [("one is open", "One is open."), ("it ends here.", "It ends here.")]
)
def test_a_sentence_has_a_capital_and_one_stop(text, expected):
    assert sentence(text) == expected
