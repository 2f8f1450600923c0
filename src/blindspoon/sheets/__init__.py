"""What is printed for the day: checklist, pouring sheet, tray cards, cup labels and ballots."""
