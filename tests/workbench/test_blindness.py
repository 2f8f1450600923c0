"""Before the blind is lifted no page but the pouring sheet ties a code to what is in a cup."""

from __future__ import annotations

import csv
import html
import re

import pytest

PARTS = {
    "name": "crisp", "link": "crisp", "session": "1", "place": "1", "number": "1", "text": "x",
}  # fmt: skip


def readable(text):
    return html.unescape(re.sub(r"<[^>]*>", " ", text))


def addresses(rules, host, folder):
    """Every address that can be opened, with what this trial has for its parts."""
    sheets = [path.relative_to(folder / "sheets").as_posix() for path in folder.rglob("*.html")]
    for rule, address in rules(host):
        if "GET" not in rule.methods or rule.endpoint == "door":
            continue
        for file in sheets if "file" in rule.arguments else [""]:
            parts = PARTS | {"file": file}
            yield re.sub(
                r"<(?:\w+:)?(\w+)>", lambda found, own=parts: own.get(found[1], "1"), address
            )


@pytest.mark.parametrize("state", ["planned", "sealed", "tasting", "closed"])
def test_no_page_holds_a_code_together_with_what_is_in_the_cup(at, rules, state):
    host, folder = at(state)
    toml = (folder / "trial.toml").read_text("utf-8")
    telling = toml.replace("Which change keeps", "Does an oak leaf keep", 1)
    (folder / "trial.toml").write_text(telling, "utf-8")
    codes = set()
    if state != "planned":
        with (folder / "key.csv").open(encoding="utf-8") as file:
            codes = {row["code"] for row in csv.DictReader(file)}
    seen = 0
    for address in addresses(rules, host, folder):
        done = host.get(address)
        text = readable(done.get_data(as_text=True))
        assert done.status_code < 500, (address, text)
        named = re.search(r"oak.leaf|as always|jar (moss|fern)", text, re.IGNORECASE)
        assert not (named and codes & set(re.findall(r"\b\d{3}\b", text))), address
        seen += done.status_code == 200
    assert seen > 12


def test_only_who_says_that_they_pour_is_shown_the_pouring_sheet(at):
    host, _ = at("sealed")
    for file in ("pouring.html", "helper.html"):
        assert host.get(f"/t/crisp/sheets/{file}").status_code == 404
    assert host.post("/t/crisp/sheets/pouring").status_code == 303
    shown = host.post("/t/crisp/sheets/pouring", pours="yes")
    assert "Oak leaf" in shown.text
    assert shown.headers["Content-Security-Policy"].startswith("default-src 'none'; style-src")


def test_who_fills_bowls_for_two_sees_only_their_sheet_and_only_by_saying_so(at):
    host, folder = at("planned")
    toml = (folder / "trial.toml").read_text("utf-8")
    (folder / "trial.toml").write_text(toml.replace(', "Cleo", "Dev", "Eve", "Finn"', ""), "utf-8")
    host.post("/t/crisp/codes", mine="yes")
    bowls = "both-taste/bowls.html"
    assert "One taster’s ballots" in host.read("/t/crisp/sheets")
    assert f'{bowls}" target' not in (listed := host.read("/t/crisp/sheets"))
    assert f'value="{bowls}">Show the sheet of bowls: Ada<' in listed
    assert host.get(f"/t/crisp/sheets/{bowls}").status_code == 404
    assert "Oak leaf" in host.post("/t/crisp/sheets/pouring", pours="yes", sheet=bowls).text
    assert "Oak leaf" not in host.read("/t/crisp/sheets/both-taste/cups.html")


def test_the_key_is_no_page_whatever_is_asked_for(at):
    host, _ = at("sealed")
    for path in ("../key.csv", "..%2fkey.csv", "tasters/../../key.csv", "/etc/passwd"):
        assert host.get(f"/t/crisp/sheets/{path}").status_code in (303, 308, 404)
