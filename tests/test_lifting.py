"""The blind has a moment: what a host may do before it, at it and after it."""

from __future__ import annotations

import csv
import json
import re

import pytest

import blindspoon as bs

TOML = """\
[trial]
title = "Crisp cucumbers"
control = "plain"
seed = 7
[decision]
declared = 2026-09-04
primary = ["texture"]
margin = 1.0
[scale]
low = 0
high = 10
step = 1
[[attribute]]
name = "texture"
[[attribute]]
name = "saltiness"
[[variant]]
name = "plain"
[[variant]]
name = "oak-leaf"
[tasting]
tasters = ["Ada", "Ben", "Cleo", "Dev", "Eve", "Finn"]
"""


def rows(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def taste(folder, who=None, name="scores.csv"):
    """Score the cups of some tasters, or of all; oak leaf is two points crisper."""
    inside = {(row["taster"], row["code"]): row["variant"] for row in rows(folder / "key.csv")}
    lines = ["session,taster,code,texture,saltiness"]
    for place, row in enumerate(rows(folder / "servings.csv")):
        taster, code = row["taster"], row["code"]
        if who is None or taster in who:
            texture = 4 + 2 * (inside[taster, code] == "oak-leaf") + place % 3 // 2
            lines.append(f"{row['session']},{taster},{code},{texture},{place % 5}")
    (folder / name).parent.mkdir(exist_ok=True)
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def change(path, before, after):
    text = path.read_text(encoding="utf-8")
    assert before in text
    path.write_text(text.replace(before, after, 1), encoding="utf-8")


def words(page):
    """The text of a page, without its tags."""
    return " ".join(re.sub(r"<[^>]*>", "", page.read_text(encoding="utf-8")).split())


@pytest.fixture
def folder(blindspoon, tmp_path):
    folder = tmp_path / "leaf"
    folder.mkdir()
    (folder / "trial.toml").write_text(TOML, encoding="utf-8")
    done = blindspoon("blind", folder)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture
def lifted(blindspoon, folder):
    taste(folder)
    done = blindspoon("lift", folder, "--yes")
    assert done.returncode == 0, done.stderr
    return folder


@pytest.mark.parametrize("verb", ["compare", "report", "publish"])
def test_nobody_looks_before_the_blind_is_lifted(blindspoon, folder, tmp_path, verb):
    taste(folder, who=("Ada", "Ben"))
    to = [] if verb == "compare" else ["--to", tmp_path / "out"]
    done = blindspoon(verb, folder, *to)
    assert (done.returncode, done.stdout) == (1, "")
    assert "the blind is not lifted yet" in done.stderr
    assert "blindspoon lift FOLDER" in done.stderr
    with pytest.raises(bs.TrialError, match="not lifted"):
        bs.read(folder)
    assert blindspoon("check", folder).returncode == 0


def test_what_is_missing_is_listed_and_no_is_taken_for_an_answer(blindspoon, folder):
    taste(folder, who=("Ada", "Ben"))
    before = (folder / "seal.toml").read_bytes()
    done = blindspoon("lift", folder)  # nobody answers
    assert done.returncode == 130
    assert "Eve scored nothing in session 1" in done.stdout
    assert "4 of 12 cups are scored, by 2 tasters." in done.stdout
    assert (folder / "seal.toml").read_bytes() == before
    assert not bs.lift(folder).recorded
    assert (folder / "seal.toml").read_bytes() == before


def test_the_lifting_is_recorded_once_and_then_all_goes_on(blindspoon, lifted, tmp_path):
    text = (lifted / "seal.toml").read_text(encoding="utf-8")
    assert re.search(r"\[\[lifted\]\]\ndate = \d{4}-\d\d-\d\d\ntasters = 6\nscored = 12\n", text)
    again = blindspoon("lift", lifted, "--yes")
    assert again.returncode == 1
    assert "it was lifted on" in again.stderr
    assert (lifted / "seal.toml").read_text(encoding="utf-8") == text
    found = json.loads(blindspoon("compare", lifted, "--json").stdout)
    assert found["seal"]["changed"] == []
    assert found["seal"]["sealed"] == found["seal"]["lifted"]
    page = words(bs.report(lifted, tmp_path / "out"))
    assert "Tasted blind, under codes." in page
    assert "with 12 of 12 cups scored by 6 tasters" in page


def test_a_late_friend_is_added_before_the_lifting_at_no_price(blindspoon, folder):
    taste(folder)
    assert blindspoon("blind", folder, "--add", "Gus").returncode == 0
    taste(folder)
    assert bs.lift(folder, yes=True).lift.tasters == 7
    printed = " ".join(blindspoon("compare", folder).stdout.split())
    assert "One taster was added on" in printed
    assert "primary" in printed
    assert "Gus" not in printed


def test_a_late_friend_after_the_lifting_makes_it_exploratory(blindspoon, lifted, tmp_path):
    done = blindspoon("blind", lifted, "--add", "Gus")
    assert done.returncode == 0
    assert "exploratory" in done.stdout + done.stderr
    taste(lifted, who=("Gus",), name="ballots/gus.csv")
    found = bs.compare(lifted).to_record()
    assert found["seal"]["changed"][0] == "After the blind was lifted one taster was added."
    assert not any(each["primary"] for each in found["attributes"])
    page = words(bs.report(lifted, tmp_path / "out"))
    assert "After the blind was lifted one taster was added. So all of this is" in page
    assert "Gus" not in page


def test_a_changed_margin_is_the_first_sentence_of_the_answer(blindspoon, lifted, tmp_path):
    change(lifted / "trial.toml", "margin = 1.0", "margin = 2.5")
    said = "margin of texture, saltiness from 1 to 2.5"
    assert said in blindspoon("check", lifted).stdout
    assert said in " ".join(blindspoon("compare", lifted).stdout.split())
    page = bs.report(lifted, tmp_path / "out").read_text(encoding="utf-8")
    answer = re.search(r'class="answer"[^>]*>(.*?)</p>', page, re.DOTALL)
    assert answer is not None, page[:2000]
    assert answer[1].strip().startswith("The rule was changed after it was sealed: margin of")


def test_swapped_codes_are_the_first_sentence_too(blindspoon, folder):
    lines = (folder / "key.csv").read_text("utf-8").splitlines()
    first, second = lines[1].rsplit(",", 1), lines[2].rsplit(",", 1)
    swapped = [f"{first[0]},{second[1]}", f"{second[0]},{first[1]}"]
    (folder / "key.csv").write_text("\n".join([lines[0], *swapped, *lines[3:]]), "utf-8")
    said = "The key is not the one that was sealed"
    assert said in blindspoon("check", folder).stdout
    taste(folder)
    done = blindspoon("lift", folder, "--yes")
    assert said in done.stdout
    assert said in bs.compare(folder).to_record()["seal"]["changed"][0]


def test_a_typing_error_found_later_is_listed_with_its_reason(blindspoon, lifted, tmp_path):
    session, taster, code, texture, salt = (lifted / "scores.csv").read_text().split()[3].split(",")
    line = f"{session},{taster},{code},{texture},{salt}"
    change(lifted / "scores.csv", line, line.replace(f"{code},{texture}", f"{code},9"))
    assert "does not say why" in blindspoon("check", lifted).stdout
    head = "session,taster,code,attribute,was,new,reason\n"
    row = f"{session},{taster},{code},texture,{texture},9,misread\n"
    (lifted / "corrections.csv").write_text(head + row)
    assert "does not say why" not in blindspoon("check", lifted).stdout
    page = words(bs.report(lifted, tmp_path / "out"))
    assert f"texture of cup {code} in session 1, from {texture} to 9 (misread)" in page
    assert bs.compare(lifted).to_record()["seal"]["changed"] == []


def test_nothing_is_lifted_that_was_not_sealed_or_is_not_right(blindspoon, folder):
    done = blindspoon("lift", folder, "--yes")
    assert done.returncode == 1
    assert "there is neither scores.csv nor a ballot" in done.stderr
    taste(folder)
    change(folder / "scores.csv", ",4,", ",44,")
    assert "off the scale" in blindspoon("lift", folder, "--yes").stderr
    (folder / "key.csv").rename(folder / "kept.csv")
    change(folder / "scores.csv", ",44,", ",4,")
    done = blindspoon("lift", folder, "--yes")
    assert "key.csv: there is no such file" in done.stderr
    (folder / "seal.toml").unlink()
    assert "no blind was sealed here" in blindspoon("lift", folder, "--yes").stderr


def test_a_reader_of_the_published_data_is_told_the_same(blindspoon, lifted, tmp_path):
    session, taster, code, texture, salt = (lifted / "scores.csv").read_text().split()[3].split(",")
    line = f"{session},{taster},{code},{texture},{salt}"
    change(lifted / "scores.csv", line, line.replace(f"{code},{texture}", f"{code},9"))
    row = f"{session},{taster},{code},texture,{texture},9,misread\n"
    (lifted / "corrections.csv").write_text("session,taster,code,attribute,was,new,reason\n" + row)
    first = blindspoon("compare", lifted).stdout
    assert "Corrected after the blind was lifted" in first
    data = bs.publish(lifted, tmp_path / "out").folder / "data"
    assert blindspoon("compare", data).stdout == first
    assert taster not in (data / "corrections.csv").read_text(encoding="utf-8")
    change(lifted / "trial.toml", "margin = 1.0", "margin = 2.5")
    data = bs.publish(lifted, tmp_path / "out").folder / "data"
    assert "margin of texture, saltiness from 1 to 2.5" in " ".join(
        blindspoon("compare", data).stdout.split()
    )
