"""The seal of a drawn blind: what it notices, and what it does not mind."""

from __future__ import annotations

import datetime

import pytest

from blindspoon.files.seal import (
    Seal,
    key_fingerprint,
    key_rows,
    parse_seal,
    rule_fingerprint,
    seal_sentences,
)
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_toml import parse_trial

DAY = datetime.date(2026, 9, 4)
UNCHANGED = "The rule and the key are those that were sealed on 2026-09-04."
CHANGED = "Since they were sealed on 2026-09-04, {} changed."


def sealed(files) -> str:
    """The text of seal.toml for the files as they are."""
    key = key_fingerprint(key_rows(read_table(files["key.csv"], "key.csv")))
    rule = rule_fingerprint(parse_trial(files["trial.toml"].decode()))
    return Seal(date=DAY, key=key, rule=rule).to_toml()


def told(files, text) -> tuple[str, ...]:
    key = read_table(files["key.csv"], "key.csv")
    return seal_sentences(parse_trial(files["trial.toml"].decode()), key, text)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (b'control = "plain"', b'control = "oak-leaf"'),
        (b"margin = 1.0", b"margin = 2.0"),
        (b"high = 10", b"high = 9"),
        (b"step = 0.5", b"step = 0.25"),
        (b'primary = ["texture"]', b'primary = ["saltiness"]'),
        (b'name = "saltiness"', b'name = "sourness"'),
        (b"declared = 2026-09-04", b"declared = 2026-09-04\nalpha = 0.1"),
        (b"declared = 2026-09-04", b'declared = 2026-09-04\nby = "ranks"'),
    ],
)
def test_a_changed_rule_is_said(coded, before, after):
    text = sealed(coded)
    assert told(coded, text) == (UNCHANGED,)
    coded["trial.toml"] = coded["trial.toml"].replace(before, after)
    assert told(coded, text) == (CHANGED.format("the rule"),)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (b"T01,512,oak-leaf,jar 2", b"T01,512,oak-leaf,jar 9"),
        (b"T01,512,oak-leaf", b"T01,512,plain"),
        (b"T01,512", b"T01,513"),
        (b"1,T01,037,plain,jar 1\n", b""),
    ],
)
def test_a_changed_key_is_said(coded, before, after):
    text = sealed(coded)
    coded["key.csv"] = coded["key.csv"].replace(before, after)
    assert told(coded, text) == (CHANGED.format("the key"),)


def test_what_decides_nothing_may_change(coded):
    text = sealed(coded)
    coded["trial.toml"] = coded["trial.toml"].replace(b"cucumbers crisp", b"cucumbers snappy")
    head, *rows = coded["key.csv"].splitlines()
    coded["key.csv"] = b"\r\n".join([head, *reversed(rows)])
    assert told(coded, text) == (UNCHANGED,)


def test_every_late_taster_is_said(coded):
    seal = parse_seal(sealed(coded))
    for name in ("Zoe", "Uma"):
        seal = seal.with_late(name, datetime.date(2026, 9, 20), seal.key)
    assert told(coded, seal.to_toml()) == (
        UNCHANGED,
        "Added to the key afterwards: Zoe, 2026-09-20; Uma, 2026-09-20.",
    )


def test_a_damaged_seal_shows_nothing(coded):
    (sentence,) = told(coded, sealed(coded).replace("rule", "role"))
    assert "damaged" in sentence
    assert told(coded, None) == ()
