"""The protocol for one person who pours, shuffles and tastes, with or without a helper."""

from __future__ import annotations

from blindspoon.sheets.sources import Item

LEAD = (
    "You will know which jars there are; what you must not know is which cup is which. If you can "
    "tell the cups by eye or by smell, this does not blind you: have somebody help."
)

WITH_A_HELPER = (
    Item("Pour.", "The helper pours by the pouring sheet, out of your sight.", "4120"),
    Item("Serve.", "They put the cups on the tray in the order of the card, and keep silent."),
    Item("Score.", "Copy the code of each cup to the ballot, taste in that order, and score."),
    Item("Key.", "The helper keeps key.csv and the pouring sheet until the last round.", "13299"),
)

AFTER = (
    Item(
        "Keyed in.",
        "In scores.csv, by code. Where you shuffled, add a column “position”: 1 for the cup that"
        " you tasted first, and so on.",
    ),
    Item(
        "Checked.",
        "“blindspoon check FOLDER” has nothing left to say before you look at any result.",
    ),
    Item(
        "Rounds.",
        "Each on a day of its own if you can, each shuffled afresh. What comes out is"
        " about you, not about people.",
        "13299",
    ),
)


def by_oneself(clear: str) -> tuple[Item, ...]:
    """List the steps for nobody but oneself; `clear` is what clears the mouth."""
    return (
        Item(
            "Mark.",
            "Stick each label under the foot of a cup. Nothing on the side; all cups"
            " alike and not to be seen through.",
        ),
        Item(
            "Pour.",
            "By the pouring sheet, the same portion and temperature in each cup. Then put"
            " the sheet and key.csv away.",
            "4120",
        ),
        Item(
            "Shuffle.",
            "Shut your eyes and move the cups about, the tray too, until you cannot"
            " say which is which. Set them in a row.",
        ),
        Item(
            "Taste.",
            f"From left to right: {clear}, a rest, never less than 30 seconds, one cup, its"
            " scores. Turn none over.",
        ),
        Item(
            "Read.",
            "After the last score, turn the cups over in the same order and write each"
            " code on its line. No score changes now.",
        ),
    )
