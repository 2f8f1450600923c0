"""Dates of a course on the checklist and in a calendar file, held to the rules of RFC 5545."""

import datetime
import re
from collections.abc import Iterator
from dataclasses import replace

import pytest

from blindspoon.batches.log import Batch
from blindspoon.files.trial_toml import parse_trial
from blindspoon.sheets.printing import calendar, reminders
from blindspoon.trial import Session

TRIAL = parse_trial("""
trial = { title = "Carrots", control = "usual", product = "carrots; 3 % salt, garlic", seed = 7 }
scale = { low = 0, high = 10, step = 1 }
attribute = [{ name = "sourness" }]
variant = [{ name = "usual" }, { name = "early", label = "Three days" }]
session = [{ name = "1", date = 2026-11-21 }]
tasting = { tasters = 4 }
""")
LONG = "Krug mit Möhren – ganz hinten, links; der mit dem blauen Deckel \\ neben dem Sellerie"


def jar(name, line, started, finished):
    day = datetime.date.fromisoformat
    return Batch(
        name=name, variant="early", line=line, started=day(started), finished=day(finished), own={}
    )


JARS = (
    jar("jar 1", 2, "2026-10-24", "2026-10-27"),
    jar(LONG, 3, "2026-10-24", "2026-11-21"),
    jar("three days", 4, "2026-10-24", "2026-10-27"),
)
STAMP = datetime.date(2026, 10, 22)


@pytest.fixture(scope="module")
def lines() -> list[str]:
    """Content lines as RFC 5545, 3.1 unfolds them: CRLF and one blank are taken out."""
    data = calendar(TRIAL, reminders(TRIAL, JARS), STAMP)
    assert data.endswith(b"\r\n")
    assert b"\n" not in data.replace(b"\r\n", b"")
    return data.replace(b"\r\n ", b"").decode().split("\r\n")[:-1]


def events(lines) -> Iterator[list[str]]:
    starts = [place for place, line in enumerate(lines) if line == "BEGIN:VEVENT"]
    for start in starts:
        yield lines[start : lines.index("END:VEVENT", start) + 1]


def test_what_is_to_be_done_is_listed_by_day_and_tells_no_variant():
    found = reminders(TRIAL, JARS)
    assert [f"{day}: {text}" for day, text in found] == [
        f"2026-10-24: start jar 1, {LONG} and the jar of line 4 of batches.csv",
        "2026-10-27: move jar 1 and the jar of line 4 of batches.csv to the cold",
        f"2026-11-21: bring {LONG} to the tasting",
        "2026-11-21: session 1: read the pH, taste",
    ]


def test_no_line_is_longer_than_75_octets_and_no_letter_is_cut():
    # RFC 5545, 3.1: "SHOULD NOT be longer than 75 octets, excluding the line break"
    physical = calendar(TRIAL, reminders(TRIAL, JARS), STAMP).split(b"\r\n")
    assert max(map(len, physical)) <= 75
    assert any(line.startswith(b" ") for line in physical)
    assert all(line.decode() is not None for line in physical)


def test_components_are_whole_and_nested(lines):
    # RFC 5545, 3.4 and 3.6: VERSION and PRODID once; every BEGIN has its END
    assert (lines[0], lines[1], lines[-1]) == ("BEGIN:VCALENDAR", "VERSION:2.0", "END:VCALENDAR")
    assert sum(line.startswith("PRODID:") for line in lines) == 1
    open_ones: list[str] = []
    for line in lines:
        name, _, value = line.partition(":")
        if name == "BEGIN":
            open_ones.append(value)
        elif name == "END":
            assert open_ones.pop() == value
    assert not open_ones


def test_every_event_has_what_must_stand_in_it_once(lines):
    # RFC 5545, 3.6.1: UID and DTSTAMP are required and stand once; DTSTART without METHOD
    found = [*events(lines)]
    assert len(found) == 4
    for event in found:
        for name in ("UID", "DTSTAMP", "DTSTART"):
            assert sum(bool(re.match(rf"{name}[;:]", line)) for line in event) == 1
        assert "DTSTAMP:20261022T000000Z" in event  # 3.8.7.2: in UTC
        assert any(re.fullmatch(r"DTSTART;VALUE=DATE:\d{8}", line) for line in event)
    assert len({line for event in found for line in event if line.startswith("UID:")}) == 4


def test_text_is_escaped(lines):
    # RFC 5545, 3.3.11: backslash, semicolon and comma are escaped, the colon is not
    told = [line.partition(":")[2] for line in lines if line.startswith(("SUMMARY", "DESCRIPTION"))]
    assert any(r"links\; der" in text and r"Deckel \\ neben" in text for text in told)
    assert r"Tasting of carrots\; 3 % salt\, garlic" in told
    assert all(re.fullmatch(r"(?:[^\\;,]|\\[\\;,nN])*", text) for text in told)


def test_an_alarm_is_complete(lines):
    # RFC 5545, 3.6.6: what a displayed alarm needs; 3.8.6.3: it counts from DTSTART
    for event in events(lines):
        alarm = event[event.index("BEGIN:VALARM") : event.index("END:VALARM")]
        assert {line.partition(":")[0] for line in alarm} == {
            "BEGIN", "ACTION", "DESCRIPTION", "TRIGGER",
        }  # fmt: skip
        assert "TRIGGER:PT9H" in alarm


def test_a_moved_day_keeps_its_uid(lines):
    # RFC 5545, 3.8.4.7: persistent, so that a calendar moves the event
    later = (jar("jar 1", 2, "2026-10-25", "2026-10-28"), *JARS[1:])
    moved = calendar(TRIAL, reminders(TRIAL, later), STAMP).decode()
    sitting = [*events(lines)][-1]
    assert next(line for line in sitting if line.startswith("UID:")) in moved


def test_sessions_of_one_label_are_two_events_and_a_label_that_tells_is_none():
    dated = [datetime.date(2026, 11, day) for day in (21, 28, 30)]
    labels = ("evening", "evening", "three days only")
    sessions = tuple(
        Session(name=f"{n}", date=day, label=label)
        for n, (day, label) in enumerate(zip(dated, labels, strict=True), 1)
    )
    trial = replace(TRIAL, sessions=sessions)
    found = reminders(trial, ())
    assert [text for _, text in found] == [
        *["evening: read the pH, taste"] * 2,
        "session 3: read the pH, taste",
    ]
    data = calendar(trial, found, STAMP).decode()
    assert len(set(re.findall(r"UID:(\S+)", data))) == 3
