import re

import pytest

from blindspoon.writeup.words import sentence

NAMES = ["usual", "nothing differs", "everything differs", "twelve variants", "two primary"]


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
        "On texture, the “Cool cellar” and “Vine leaf” batches were crisper than the control, by "
        "about "
    )
    assert " The “Old brine” and “Calcium” batches were softer, by about " in text


def test_what_is_not_settled_is_not_called_alike(content_of):
    text = content_of("nothing differs").answer
    assert text.startswith("On texture, nothing is settled: none of the four batches could be told")
    assert "alike for our purpose" not in text


def test_what_lies_within_the_margin_is_alike_for_our_purpose(content_of):
    text = content_of("all alike").answer
    assert "were within 1\xa0point of the control, so alike for our purpose" in text


def test_long_names_give_way_to_counts(content_of):
    text = content_of("twelve variants").answer
    assert "Brine of" not in text
    assert "of eleven batches were" in text


def test_a_verdict_that_the_second_procedure_does_not_share_says_so_in_its_sentence(content_of):
    content = content_of("usual")
    cells = [cell for board in content.boards for _, row in board.rows for cell in row]
    disputed = [cell.other for cell in cells if cell.other]
    assert disputed == ["not settled by ranks"]
    assert "“Vine leaf” (not settled by ranks)" in content.answer


def test_one_taster_is_spoken_of_as_one(content_of):
    text = content_of("one taster").answer
    assert text.startswith("To this taster, ")
    assert text.endswith("by one person.")


def test_without_a_rule_the_answer_says_so(content_of):
    assert content_of("no decision").answer.endswith("No rule was declared before tasting.")


def test_several_batches_are_not_called_this_batch(content_of):
    text = content_of("several batches").answer
    assert "batch “" not in text
    assert "” batch" not in text
    assert "Two batches of each were tasted, by 12 people." in text


def test_one_batch_of_each_is_said(content_of):
    assert "One batch of each was tasted, by 12 people." in content_of("usual").answer


def test_what_could_not_be_compared_is_said(content_of):
    assert "could not be compared" in content_of("all missing but two").answer


def test_words_of_the_scale_are_used_where_there_are_no_comparatives(content_of):
    content = content_of("one variant", attributes=("sourness",), primary=("sourness",))
    assert "scored higher (towards “very sour”) than the control" in content.answer


def test_the_whole_trial_is_counted_where_nothing_else_is_short_enough(content_of):
    names = tuple(f"An exceedingly long label of a brine, number {k}" for k in range(4))
    labels = content_of(
        "two primary", labels=names, attributes=("texture", "saltiness", "sourness")
    )
    assert len(labels.answer.split()) < 60


@pytest.mark.parametrize(
    ("text", "expected"), [("one is open", "One is open."), ("it ends here.", "It ends here.")]
)
def test_a_sentence_has_a_capital_and_one_stop(text, expected):
    assert sentence(text) == expected
