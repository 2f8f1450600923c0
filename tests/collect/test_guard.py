"""Who may talk to the score page, and what no page may hold."""

import re
from pathlib import Path

import pytest

from blindspoon.collect import opening
from blindspoon.collect.security import HEADERS, only_for_hosts

KEY_WORDS = ("oak-leaf", "Oak leaf", "plain", "Plain", "cool-cellar", "Cool cellar", "jar 1")


def crawl(client, start):
    """Every page that can be reached by links from some pages, with its text."""
    found, waiting = {}, list(start)
    while waiting:
        path = waiting.pop()
        if path in found:
            continue
        reply = client.get(path, follow_redirects=True)
        found[path] = reply.text
        waiting += re.findall(r'(?:href|action|data-\w+|src)="(/[^"]*)"', reply.text)
    return found


def test_no_page_names_a_variant_and_the_key_is_never_opened(folder, both_pages, monkeypatch):
    opened = []
    for name in ("read_bytes", "open"):
        kept = getattr(Path, name)

        def note(self, *rest, kept=kept, **more):
            opened.append(self.name)
            return kept(self, *rest, **more)

        monkeypatch.setattr(Path, name, note)
    with opening.opened(folder) as sitting:
        for taster in sitting.plan.tasters:
            sitting.agree("1", taster)
        client = both_pages(sitting).test_client()
        links = [f"/t/{sitting.taster_link(name)}" for name in sitting.plan.tasters]
        pages = crawl(client, ["/", f"/h/{sitting.host_link}", *links])
    assert len(pages) > 20
    assert not [(path, word) for path, page in pages.items() for word in KEY_WORDS if word in page]
    assert "trial.toml" in opened
    assert "key.csv" not in opened


def test_the_score_page_works_where_the_key_is_locked_away(folder):
    (folder / "key.csv").unlink()
    (folder / "key.csv").mkdir()  # cannot be read as a file
    with opening.opened(folder) as sitting:
        assert len(sitting.ballots) == 3


def test_the_source_of_the_form_knows_no_variants():
    import blindspoon.collect  # noqa: PLC0415

    for path in Path(blindspoon.collect.__file__).parent.rglob("*.*"):
        if path.suffix in (".py", ".j2", ".js"):
            text = path.read_text(encoding="utf-8")
            assert not re.search(r"\.variants?\b|\.control\b|key\.csv|unblind", text), path.name


def test_a_taster_s_pages_hold_nothing_of_others(client, sitting, phone):
    for taster, words in (("T01", "mine alone"), ("T02", "not yours")):
        phone(taster).answer(1, texture="7", comment=words)
    pages = crawl(client, [f"/t/{sitting.taster_link('T01')}"])
    text = re.sub(r"[\w-]{12,}", "", "".join(pages.values()))  # links may hold any three letters
    assert "mine alone" in text
    assert sitting.host_link not in "".join(pages.values())
    assert not [word for word in ("not yours", "290", "705", "T02") if word in text]


def test_every_reply_carries_the_headers(client, sitting):
    for path in ("/", "/nothing", f"/h/{sitting.host_link}", "/favicon.ico"):
        headers = client.get(path).headers
        assert {name: headers[name] for name in HEADERS} == HEADERS
        assert headers["Cache-Control"] == "no-store"
    policy = HEADERS["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy


def test_pages_hold_no_script_or_style_of_their_own(client, sitting, phone):
    phone("T01")
    pages = crawl(client, ["/", f"/h/{sitting.host_link}", f"/t/{sitting.taster_link('T01')}"])
    for page in pages.values():
        if page.startswith("<!doctype"):
            assert not re.search(r"<script(?! src=)|<style| style=| on\w+=|javascript:", page)


@pytest.mark.parametrize(
    ("headers", "code"),
    [
        ({}, 303),
        ({"Origin": "http://localhost"}, 303),
        ({"Origin": "http://192.0.2.66"}, 403),
        ({"Origin": "https://localhost"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "same-origin"}, 303),
        ({"Content-Type": "text/plain"}, 415),
        ({"Content-Type": "multipart/form-data; boundary=x"}, 415),
    ],
)
def test_a_form_of_another_site_is_turned_away(client, fields, headers, code):
    form = fields(client.get("/").text) | {"name": "T01"}
    body = "&".join(f"{name}={value}" for name, value in form.items())
    kind = {"Content-Type": "application/x-www-form-urlencoded"}
    assert client.post("/join", data=body, headers=kind | headers).status_code == code


@pytest.mark.parametrize("ticket", ["", "x", "ä", None])
def test_a_form_without_its_ticket_is_turned_away(client, ticket):
    form = {"name": "T01"} if ticket is None else {"name": "T01", "ticket": ticket}
    assert client.post("/join", data=form).status_code == 403


def test_the_ticket_of_one_link_does_not_open_another(phone, client, fields):
    vera, tom = phone("T01"), phone("T02")
    form = fields(vera.read(f"{vera.place}1")) | {"code": "512", "texture": "7"}
    assert client.post(f"{tom.place}1", data=form).status_code == 403


def test_only_the_addresses_of_the_page_are_answered():
    def app(environ, start):
        start("200 OK", [])
        return [b"in"]

    guarded = only_for_hosts(app, lambda: {"127.0.0.1:8765"})

    def ask(host):
        said = []
        environ = {} if host is None else {"HTTP_HOST": host}
        guarded(environ, lambda status, _: said.append(status))
        return said[0][:3]

    assert ask("127.0.0.1:8765") == "200"
    for host in ("evil.example", "127.0.0.1", "127.0.0.1:8765.evil.example", "", None):
        assert ask(host) == "421"


@pytest.mark.parametrize(
    "path",
    [
        "/trial.toml", "/key.csv", "/../key.csv", "/%2e%2e/key.csv", "/static/score.css",
        "/templates/cup.html.j2", "/.blindspoon/collect.json", "/t/", "/h/", "/ballots/1-T01.csv",
        "/t/..%2f..%2fkey.csv", "/%00", "/" + "9" * 6000, "/..\\key.csv",
    ],
)  # fmt: skip
def test_nothing_but_the_pages_is_served(client, path):
    assert client.get(path).status_code == 404


@pytest.mark.parametrize("place", ["0", "4", "-1", "9" * 5000, "1.0", "٣", "%00", "a"])
def test_a_cup_that_is_not_there_is_no_error_of_ours(client, phone, place):
    vera = phone("T01")
    assert client.get(f"{vera.place}{place}").status_code == 404


@pytest.mark.parametrize("turn", ["x", "-1", "9" * 5000, "٣", "1e3", ""])
def test_an_odd_turn_is_no_error_of_ours(phone, turn, rows):
    assert phone("T01").answer(1, texture="7", Turn=turn).status_code == 303
    assert rows()[0]["texture"] == "7"


def test_a_body_too_large_is_refused(phone):
    assert phone("T01").answer(1, comment="x" * 70_000).status_code == 413


def test_markup_in_names_and_comments_stays_text(folder, both_pages):
    name = "<script>alert(1)</script>"
    for file in ("servings.csv", "key.csv"):
        path = folder / file
        path.write_text(path.read_text().replace("T01", name))
    with opening.opened(folder) as sitting:
        client = both_pages(sitting).test_client()
        pages = crawl(client, ["/", f"/h/{sitting.host_link}"])
    assert not [path for path, page in pages.items() if "<script>alert" in page]
    assert "&lt;script&gt;alert(1)" in pages["/"]
