from blindspoon.writeup.front import ALONG
from blindspoon.writeup.page import page


def cells_of(content):
    return {
        (head, label): cell
        for board in content.boards
        for head, row in board.rows
        for label, cell in zip(board.columns, row, strict=True)
    }


def test_a_head_of_columns_is_explained_also_where_nothing_was_asked_beforehand(content_of):
    content = content_of("no decision")
    assert {label for board in content.boards for label, _ in board.groups} == {ALONG}
    assert any(text.startswith(ALONG) for text in content.legend)


def test_primary_attributes_come_first_and_are_set_apart(content_of):
    content = content_of("usual", attributes=("saltiness", "texture"))
    (board,) = content.boards
    assert (board.primary, board.columns) == (1, ("Texture", "Saltiness"))
    assert '<th scope="col" role="columnheader" class="edge">Saltiness</th>' in page(content)


def test_the_control_has_no_row(content_of):
    (board,) = content_of("usual").boards
    assert [head for head, _ in board.rows] == ["Cool cellar", "Vine leaf", "Old brine", "Calcium"]


def test_a_cell_has_a_word_a_size_and_a_mark(content_of):
    cell = cells_of(content_of("everything differs"))["Cool cellar", "Texture"]
    assert (cell.kind, cell.word, cell.size) == ("different", "crisper", "+3.8")
    assert cell.mark.startswith("<svg")
    assert cells_of(content_of("everything differs"))["Calcium", "Texture"].word == "softer"


def test_a_small_difference_is_slight(content_of):
    content = content_of("everything differs", effects=(0.5, 0.5, -0.5, -0.5), noise=0.2)
    cells = cells_of(content)
    assert cells["Cool cellar", "Texture"].word == "slightly crisper"
    assert "slightly crisper" in content.answer


def test_every_kind_has_its_word(content_of):
    assert {cell.word for cell in cells_of(content_of("all alike")).values()} == {"alike"}
    assert {cell.word for cell in cells_of(content_of("nothing differs")).values()} == {
        "not settled"
    }
    lost = [cell for cell in cells_of(content_of("all missing but two")).values() if not cell.mark]
    assert "not compared" in {cell.word for cell in lost}


def test_many_attributes_make_a_second_board(content_of):
    names = tuple(f"smell_{k}" for k in range(7))
    content = content_of("usual", attributes=names, primary=names[:1])
    assert [len(board.columns) for board in content.boards] == [4, 3]
    assert content.boards[1].primary == 0
    assert len(cells_of(content)) == 4 * 7


def test_one_attribute_is_not_told_twice_but_where_a_mark_says_more(content_of):
    alone = content_of("usual", attributes=("texture",), noise=0.4)
    assert alone.boards == ()
    assert 'href="#board"' not in page(alone)
    shaky = content_of("usual", attributes=("texture",), kept=4)
    assert any(cell.notes or not cell.mark for cell in cells_of(shaky).values())


def test_an_answer_that_leaves_the_rest_says_where_it_is(content_of):
    long = content_of("twelve variants", attributes=("texture",), primary=("texture",))
    assert "picture" in long.answer
    assert "board" not in long.answer
