"""What is printed for the day: checklist, pouring sheet, tray cards, cup labels and ballots."""

from blindspoon.sheets.labels import LABEL_STOCKS, LabelStock
from blindspoon.sheets.page import print_sheets
from blindspoon.sheets.veil import telling_words

__all__ = ["LABEL_STOCKS", "LabelStock", "print_sheets", "telling_words"]
