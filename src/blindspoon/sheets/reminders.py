"""What is to be done on which day of a course, for the checklist and for a calendar file."""

import datetime
import uuid
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from blindspoon import wording
from blindspoon.batches.log import Batch
from blindspoon.sheets.pouring import heading, tells, veiled
from blindspoon.trial import Trial

MOST_OCTETS = 75  # in a line of a calendar file
HOUR = 9
"""When a calendar reminds of a day."""


class Reminder(NamedTuple):
    """A thing to do on a day, in words that name no variant."""

    day: datetime.date
    text: str


def reminders(trial: Trial, batches: Sequence[Batch]) -> tuple[Reminder, ...]:
    """List what is to be done, by day: jars to start and to move to the cold, and sessions."""
    tasted = {session.date for session in trial.sessions}
    todo: dict[tuple[datetime.date, str], list[str]] = {}
    for batch in batches:
        # A name that tells a variant would tell it to whoever sees the calendar.
        told = tells(batch.name, trial)
        jar = f"the jar of line {batch.line} of batches.csv" if told else batch.name
        ended = "bring {} to the tasting" if batch.finished in tasted else "move {} to the cold"
        for day, what in ((batch.started, "start {}"), (batch.finished, ended)):
            if day is not None:
                todo.setdefault((day, what), []).append(jar)
    found = [
        Reminder(day, what.format(wording.listing(jars))) for (day, what), jars in todo.items()
    ]
    for session in trial.sessions:
        label = veiled(session.label, trial, f"session {session.name}")
        if session.date:
            found.append(Reminder(session.date, f"{label}: read the pH, taste"))
    return tuple(sorted(found, key=lambda reminder: reminder.day))


def calendar(trial: Trial, found: Sequence[Reminder], stamp: datetime.date) -> bytes:
    """Write reminders as a calendar file that says it was made on `stamp`.

    The same bytes for the same plan. RFC 5545: lines end in CRLF and are folded at 75 octets (3.1),
    text is escaped (3.3.11), an event without an end takes the whole day (3.6.1), an alarm counts
    from its beginning (3.8.6.3). An event keeps its UID when its day is moved, so that a calendar
    moves it and adds no second one (3.8.4.7).
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Blindspoon//Reminders//EN"]
    met = Counter[str]()
    for day, text in found:
        again = f":{met[text]}" * (text in met)  # sessions may have one label
        met[text] += 1
        own = uuid.uuid5(uuid.NAMESPACE_URL, f"blindspoon:{trial.seed}:{text}{again}")
        summary = _escaped(text[:1].upper() + text[1:])
        lines += [
            "BEGIN:VEVENT",
            f"UID:{own}",
            f"DTSTAMP:{stamp:%Y%m%d}T000000Z",
            f"DTSTART;VALUE=DATE:{day:%Y%m%d}",
            f"SUMMARY:{summary}",
            f"DESCRIPTION:{_escaped(heading(trial))}",
            "TRANSP:TRANSPARENT",
            "BEGIN:VALARM",
            "ACTION:DISPLAY",
            f"DESCRIPTION:{summary}",
            f"TRIGGER:PT{HOUR}H",
            "END:VALARM",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    folded = list[bytes]()
    for line in lines:  # each piece has 75 octets at most, and no letter is cut
        piece = b""
        for data in map(str.encode, line):
            if len(piece) + len(data) > MOST_OCTETS:
                folded.append(piece)
                piece = b" "
            piece += data
        folded.append(piece)
    return b"".join(piece + b"\r\n" for piece in folded)


def _escaped(text: str) -> str:
    for mark in "\\;,":
        text = text.replace(mark, f"\\{mark}")
    return text.replace("\n", "\\n")
