"""Pages before the tasting, asked for without a browser."""

from __future__ import annotations

import csv
import datetime
import errno
import html
import random
import re
import shutil
import time
from dataclasses import replace

import pytest

from blindspoon.collect import server
from blindspoon.collect.security import only_for_hosts
from blindspoon.drawing import draw_blind, write_sheets
from blindspoon.errors import FormError
from blindspoon.files import undo
from blindspoon.files.durable import DurableFolder
from blindspoon.files.own_state import Door
from blindspoon.files.trial_toml import parse_trial
from blindspoon.stage import stage
from blindspoon.trial import today
from blindspoon.workbench import company
from blindspoon.workbench.listening import serve
from tests.conftest import spoil
from tests.workbench.conftest import words

QUESTION, JAR = "/t/crisp/question", "/t/crisp/jars/2"


def fields(page):
    """What a browser would send of the form of a page."""
    found = {}
    for attributes in re.findall(r"<input ([^>]*)>", page.split("<main")[1]):
        pairs = dict(re.findall(r'([\w-]+)="([^"]*)"', attributes))
        chosen = pairs.get("type") not in ("radio", "checkbox") or " checked" in attributes
        if "name" in pairs and chosen:
            found[pairs["name"]] = html.unescape(pairs.get("value", ""))
    texts = re.findall(r'<textarea [^>]*name="([^"]*)"[^>]*>\n?([^<]*)', page)
    found |= {name: html.unescape(text) for name, text in texts}
    return {name: text for name, text in found.items() if name not in ("ticket", "number")}


def files(folder):
    return {path.name: path.read_bytes() for path in folder.glob("[!.]*.*")}


def test_a_form_that_was_not_changed_changes_no_byte(at):
    host, folder = at("planned")
    before = files(folder)
    for path in (QUESTION, JAR):
        assert host.post(path, **fields(host.read(path))).status_code == 303
    assert files(folder) == before | {"readings.csv": b"batch,date,ph,temperature_c,note\n"}


def test_a_day_written_with_points_fills_its_field_and_stays_as_it_was_written(at):
    host, folder = at("planned")
    rows = "batch,variant,started\nJar Moss,usual,1.9.2026\nJar Fern,oak-leaf,02.09.2026\n"
    (folder / "batches.csv").write_text(rows, "utf-8")
    form = fields(host.read(JAR))
    assert form["started"] in ("2026-09-01", "2026-09-02")
    assert host.post(JAR, **form | {"salt_g": "26"}).status_code == 303
    now = (folder / "batches.csv").read_text("utf-8")
    assert "1.9.2026" in now
    assert "02.09.2026" in now


def test_one_changed_field_is_one_changed_line(at):
    host, folder = at("planned")
    text = "# mine\n" + (folder / "trial.toml").read_text("utf-8").replace("label", "label ", 1)
    (folder / "trial.toml").write_text(text, "utf-8")
    host.post(QUESTION, **fields(host.read(QUESTION)) | {"variant[2].method": "One leaf"})
    new = (folder / "trial.toml").read_text("utf-8")
    assert set(new.splitlines()) - set(text.splitlines()) == {'method = "One leaf"'}
    assert "declared" in new
    host.post(QUESTION, **fields(host.read(QUESTION)) | {"attribute[1].label": "Fizz"})
    new = (folder / "trial.toml").read_text("utf-8")
    assert "declared" not in new  # another rule waits for another yes


def test_a_rule_is_said_without_what_was_just_taken_out(at):
    host, _ = at("planned")
    form = fields(host.read(QUESTION))
    more = {"attribute[2].name": "", "attribute[2].label": "Smell", "attribute[2].decides": "yes"}
    out = host.post(QUESTION, **form | more | {"go": "out attribute 1"})
    said = re.sub("<[^>]*>", " ", out.text).partition("What this rule says")[2]
    assert "its smell lies" in said
    assert "crunch" not in said


def test_what_was_typed_survives_a_change_from_elsewhere(at):
    host, folder = at("planned")
    form = fields(host.read(QUESTION)) | {"trial.title": "Mine"}
    other = (folder / "trial.toml").read_bytes().replace(b"Which change keeps", b"What keeps")
    (folder / "trial.toml").write_bytes(other)
    done = host.post(QUESTION, **form)
    assert done.status_code == 409
    assert "“What keeps cucumbers crisp?” stands there now" in html.unescape(done.text)
    assert fields(done.text)["trial.title"] == "Mine"
    assert (folder / "trial.toml").read_bytes() == other
    assert host.post(QUESTION, **fields(done.text)).status_code == 303
    assert stage(folder).title == "Mine"


def test_only_what_both_changed_is_asked_about_and_each_field_by_itself(at):
    host, folder = at("planned")
    mine = fields(host.read(QUESTION)) | {
        "trial.title": "Mine",
        "trial.host": "I",
        "scale.high": "9",
    }
    text = (folder / "trial.toml").read_text("utf-8").replace("Which change", "Theirs", 1)
    text = text.replace("[trial]", '[trial]\nhost = "They"\nlicence = "MIT"', 1)
    (folder / "trial.toml").write_text(text.replace("cucumbers", "gherkins"), "utf-8")
    done = host.post(QUESTION, **mine)
    assert done.status_code == 409
    asked = set(re.findall(r'name="pick\.([^"]*)"', done.text))
    assert asked == {"trial.title", "trial.host"}
    again = fields(done.text) | {"pick.trial.host": "theirs"}
    assert host.post(QUESTION, **again).status_code == 303
    now = stage(folder).plan
    assert (now.title, now.host, now.licence) == ("Mine", "They", "MIT")
    assert (now.product, now.attributes[0].scale.high) == ("half-sour gherkins", 9)


def test_ways_of_making_it_that_were_added_meanwhile_stay_or_are_asked_about(at):
    host, folder = at("planned")
    form = fields(host.read(QUESTION)) | {"variant[2].method": "Two leaves"}
    toml = (folder / "trial.toml").read_text("utf-8")
    more = toml.replace("[[variant]]", '[[variant]]\nname = "tea"\nlabel = "Tea"\n\n[[variant]]', 1)
    (folder / "trial.toml").write_text(more, "utf-8")
    new = {"variant[3].label": "Dill", "variant[3].method": "", "variant[3].name": ""}
    done = host.post(QUESTION, **form | new)
    assert done.status_code == 409
    assert "“tea usual oak-leaf” stands there now" in done.text
    assert host.post(QUESTION, **form).status_code == 303
    found = {it.name: it.method for it in stage(folder).plan.variants}
    assert found == {"tea": "", "usual": "", "oak-leaf": "Two leaves"}


def test_what_is_ticked_stays_ticked_where_something_to_score_was_added_elsewhere(at):
    host, folder = at("planned")
    new = {"attribute[2].label": "Fizz", "attribute[2].name": "", "attribute[2].decides": "yes"}
    form = fields(host.read(QUESTION)) | new
    del form["attribute[1].decides"]
    host.post(QUESTION, **form)
    assert stage(folder).plan.decision.primary == ("fizz",)
    toml = (folder / "trial.toml").read_text("utf-8")
    form = fields(host.read(QUESTION)) | {"attribute[1].decides": "yes"}
    del form["attribute[2].decides"]
    more = toml.replace("[[attribute]]", '[[attribute]]\nname = "salt"\n\n[[attribute]]', 1)
    (folder / "trial.toml").write_text(more, "utf-8")
    assert host.post(QUESTION, **form).status_code == 303
    assert stage(folder).plan.decision.primary == ("crunch",)


def test_a_jar_is_found_again_where_rows_moved_and_both_readings_stay(at):
    host, folder = at("planned")
    reading = {"readings[1].date": "2026-09-02", "readings[1].ph": "3,8"}
    form = fields(host.read(JAR)) | {"salt_g": "27"} | reading
    rows = (folder / "batches.csv").read_text("utf-8").replace("usual,600", "usual,650")
    head, *others = rows.splitlines()
    (folder / "batches.csv").write_text("\n".join([head, *reversed(others)]) + "\n", "utf-8")
    (folder / "readings.csv").write_text("batch,date,ph\nJar Fern,2026-09-01,4.1\n", "utf-8")
    assert host.post(JAR, **form).status_code == 303
    now = (folder / "batches.csv").read_text("utf-8").splitlines()[1:3]
    assert now == ["Jar Fern,oak-leaf,600,560,27", "Jar Moss,usual,650,560,26"]
    read = (folder / "readings.csv").read_text("utf-8").splitlines()[1:]
    assert read == ["Jar Fern,2026-09-01,4.1", "Jar Fern,2026-09-02,3.8"]


def test_one_more_thing_to_score_may_be_called_as_a_column_is(at):
    host, folder = at("planned")
    for number, label in enumerate(("Set", "2nd bite", "Too sour", "Too-sour"), 2):
        new = {f"attribute[{number}].label": label, f"attribute[{number}].name": ""}
        assert host.post(QUESTION, **fields(host.read(QUESTION)) | new).status_code == 303
    names = re.findall('name = "(.*)"\nlabel', (folder / "trial.toml").read_text("utf-8"))
    assert names[-6:-2] == ["set_2", "nd_bite", "too_sour", "too_sour_2"]


CHANGES = {
    "title": (QUESTION, {"trial.title": "New"}, "planned sealed tasting closed lifted"),
    "food": (QUESTION, {"trial.product": "pickles"}, "planned sealed"),
    "end word": (QUESTION, {"attribute[1].label": "Crunch", "attribute[1].low": "limp",
                            "attribute[1].high": "crisp", "attribute[1].name": "crunch"},
                 "planned sealed"),
    "margin": (QUESTION, {"decision.margin": "2"}, "planned"),
    "yes to the rule": ("/t/crisp/rule", {}, "planned"),
    "amount": (JAR, {"salt_g": "27"}, "planned sealed tasting closed lifted"),
    "reading": (JAR, {"readings[1].date": "2026-09-01", "readings[1].ph": "3,9"},
                "planned sealed tasting closed lifted"),
    "jar's name": (JAR, {"batch": "Jar Reed"}, "planned"),
    "jar taken out": (JAR, {"go": "out"}, "planned"),
}  # fmt: skip


@pytest.mark.parametrize("state", ["planned", "sealed", "tasting", "closed", "lifted"])
def test_each_part_is_changed_in_its_time_and_else_refused(at, state):
    host, folder = at(state)
    for what, (path, changed, when) in CHANGES.items():
        before = files(folder)
        done = host.post(path, **changed)
        open_now = state in when.split()
        assert (done.status_code, files(folder) != before) == (
            (303, True) if open_now else (409, False)
        ), what
        if open_now:
            undo.take_back(folder, undo.changes(folder)[0].number)


def test_sheets_say_what_tasters_read_as_it_is_now(at):
    host, folder = at("sealed")
    words = {"trial.product": "gherkins", "attribute[1].label": "Crunch",
             "attribute[1].low": "limp", "attribute[1].name": "crunch"}  # fmt: skip
    assert host.post(QUESTION, **words).status_code == 303
    ballots = (folder / "sheets/ballots.html").read_text("utf-8")
    assert "gherkins" in ballots.casefold()
    assert "limp" in ballots


def test_sheets_that_a_finished_trial_lacks_are_not_promised(at):
    host, folder = at("lifted")
    shutil.rmtree(folder / "sheets")
    page = host.read("/t/crisp/sheets")
    assert "nobody needs any now" in page
    assert "They are printed from the codes" not in page


def test_who_pours_reads_what_was_measured_after_the_codes_were_drawn(at):
    host, folder = at("sealed")
    new = {"readings[1].date": "2026-09-05", "readings[1].ph": "5.2", "note": "pink film"}
    assert host.post(JAR, **fields(host.read(JAR)) | new).status_code == 303
    assert "What is printed does not say so yet." in host.read("/t/crisp/jars")
    sheet = host.post("/t/crisp/sheets/pouring", pours="yes").text
    assert "above 4.6 (5.2)" in sheet
    assert "the notes mention mould" in sheet
    table = (folder / "batches.csv").read_text("utf-8")  # another jar that cannot be read
    (folder / "batches.csv").write_text(table.replace(",26", ",a pinch", 1), "utf-8")
    form = fields(host.read(JAR))
    assert host.post(JAR, **form | {"note": "no film"}).status_code == 303


def test_what_is_sealed_is_not_taken_back(at):
    host, folder = at("planned")
    host.post(QUESTION, **{"decision.margin": "2"})
    host.post(QUESTION, **{"trial.title": "New"})
    late, sealed = at("sealed")
    for path in (folder / ".blindspoon").rglob("*.json"):
        path.rename(sealed / path.name)
    (sealed / ".blindspoon" / "before").mkdir(parents=True)
    (sealed / "trial.toml").write_bytes((folder / "trial.toml").read_bytes())
    for path in sealed.glob("0*.json"):
        path.rename(sealed / ".blindspoon" / "before" / path.name)
    assert late.post("/t/crisp/lately", number="2").status_code == 303
    assert late.post("/t/crisp/lately", number="1").status_code in (409, 422)


def test_the_one_thing_to_score_that_is_taken_out_is_missed_and_not_kept_in_silence(at):
    host, _ = at("planned")
    page = host.post(QUESTION, **fields(host.read(QUESTION)), go="out attribute 1").text
    assert "The rule can be said once everything is put right." in page
    done = host.post(QUESTION, **fields(page))
    assert done.status_code == 422
    assert 'href="#attribute"' in done.text


def test_where_it_is_asked_who_can_tell_nothing_else_needs_a_score(at):
    host, folder = at("planned")
    toml = (folder / "trial.toml").read_text("utf-8")
    sets = 'primary = ["choice", "crunch"]\n[choice]\nmethod = "triangle"\nsets = 2\ncan_tell = 0.3'
    toml = toml.replace('primary = ["crunch"]', "").replace("margin = 1.0", sets)
    (folder / "trial.toml").write_text(toml, "utf-8")
    page = host.post(QUESTION, **fields(host.read(QUESTION)), go="out attribute 1").text
    assert host.post(QUESTION, **fields(page)).status_code == 303
    trial = parse_trial((folder / "trial.toml").read_text("utf-8"))
    assert (trial.attributes, trial.decision.primary) == ((), ("choice",))


def test_a_row_left_blank_is_taken_out_alone(at):
    host, _ = at("planned")
    tea = {"variant[3].name": "", "variant[3].label": "", "variant[4].name": "",
           "variant[4].label": "Tea"}  # fmt: skip
    page = host.post(QUESTION, **fields(host.read(QUESTION)), **tea, go="out variant 3").text
    assert fields(page)["variant[3].label"] == "Tea"


def test_what_is_taken_out_and_written_anew_is_written_whole(at):
    host, folder = at("planned")
    form = fields(host.read(QUESTION)) | {"variant[2].method": "One leaf"}
    assert host.post(QUESTION, **form).status_code == 303
    again = fields(host.read(QUESTION)) | {"variant[2].name": ""}
    assert host.post(QUESTION, **again).status_code == 303
    assert stage(folder).plan.variant("oak-leaf").method == "One leaf"


def test_faults_of_rows_and_of_numbers_are_told_together(at):
    host, _ = at("planned")
    form = fields(host.read(QUESTION)) | {"decision.margin": "a bit"}
    form |= {"variant[3].name": "", "variant[3].label": "Tea", "variant[3].series": "tea"}
    page = host.post(QUESTION, **form, **{"variant[3].differs": "tea"}).text
    assert 'href="#decision.margin"' in page


def test_what_is_ticked_stays_ticked_where_something_else_is_taken_out(at):
    host, _ = at("planned")
    form = fields(host.read(QUESTION)) | {"course.over": "age_days", "course.decides": "yes"}
    form |= {"attribute[2].name": "", "attribute[2].label": "Salt"}
    page = host.post(QUESTION, **form | {"go": "out attribute 2"}).text
    assert re.search(r'name="course.decides" value="yes"[^>]* checked', page)
    assert 'name="attribute[2].label"' not in page


def test_a_number_of_thousands_of_digits_is_no_bug(at):
    host, _ = at("planned")
    long = "9" * 5000
    form = fields(host.read(QUESTION))
    for more in ({"go": f"out variant {long}"}, {f"attribute[{long}].decides": "yes"}):
        assert host.post(QUESTION, **form | more).status_code in (200, 303), more
    assert host.post(f"/t/crisp/jars/{long}", was="Jar Moss").status_code == 404


def test_what_may_be_changed_after_sealing_may_be_taken_back(at):
    host, folder = at("sealed")
    before = (folder / "trial.toml").read_bytes()
    for number, place in enumerate(("trial.product", "variant[2].label", "attribute[1].low"), 1):
        new = fields(host.read(QUESTION)) | {place: "other"}
        assert host.post(QUESTION, **new).status_code == 303, place
        assert host.post("/t/crisp/lately", number=f"{2 * number - 1}").status_code == 303, place
        assert (folder / "trial.toml").read_bytes() == before


@pytest.mark.parametrize("state", ["planned", "sealed"])
def test_a_broken_file_is_named_and_put_back(at, state):
    host, folder = at(state)
    host.post(QUESTION, **{"trial.title": "Mine"})
    good = (folder / "trial.toml").read_bytes()
    (folder / "trial.toml").write_bytes(good.replace(b"[scale]", b"[scale"))
    assert host.read(QUESTION).count("trial.toml line") == 1
    assert "+[scale" in host.read("/t/crisp/mend")
    assert host.post("/t/crisp/mend").status_code == 303
    assert (folder / "trial.toml").read_bytes() == good
    assert "put back" in host.read("/t/crisp/lately")


ODD = ["", "0", "-1", "1e999", "x" * 300, "\x00", "a\nb", '"', "🥒", "2026-02-30", "None", "9" * 40]


@pytest.mark.parametrize("times", [60, pytest.param(1000, marks=pytest.mark.slow)])
def test_random_forms_never_fail_and_never_leave_a_broken_trial(at, times):
    rng = random.Random(3)  # noqa: S311 - no secret
    host, folder = at("planned")
    paths = [QUESTION, JAR, "/t/crisp/jars/new-usual", "/new", "/t/crisp/lately", "/t/crisp/rule"]
    forms = {path: fields(host.read(path)) for path in paths[:4]}
    for _ in range(times):
        path = rng.choice(paths)
        form = dict(forms.get(path, {"number": ""}))
        form.pop("seen", None)
        for name in rng.sample(sorted(form), min(len(form), rng.randint(1, 3))):
            form[name] = rng.choice(ODD)
        if rng.random() < 0.3:
            form["go"] = rng.choice(["add variant", "out variant 2", "out x y", "add", "out"])
        done = host.post(path, **form)
        assert done.status_code in (200, 303, 404, 409, 422), (path, form, done.text)
        parse_trial((folder / "trial.toml").read_text("utf-8"))


def test_who_has_no_cookie_or_no_ticket_gets_nothing(at):
    host, _ = at("planned")
    stranger = type(host)(host.bench, host=False)
    for path in ("/", "/new", QUESTION, "/t/crisp/"):
        assert stranger.get(path).status_code == 403
    assert host.client.post(QUESTION, data={"trial.title": "x"}).status_code == 403
    headers = {"Origin": "http://evil.example", "Sec-Fetch-Site": "cross-site"}
    sent = {"ticket": host.bench.door.proof("ticket")}
    assert host.client.post("/close", data=sent, headers=headers).status_code == 403
    assert host.get("/t/..%2f..%2fetc/").status_code == 404
    host.bench.app.wsgi_app = only_for_hosts(host.bench.app.wsgi_app, lambda: {"127.0.0.1:8770"})
    assert host.client.get("/", headers={"Host": "evil.example"}).status_code == 421


def test_what_only_takes_forms_leads_back_to_its_page_when_its_address_is_loaded_again(at):
    host, _ = at("tasting")
    rules = [*host.bench.app.url_map.iter_rules()]
    pages = {it.rule for it in rules if "GET" in it.methods}
    only = {it.rule for it in rules} - pages - {"/t/<name>/sheets/pouring"}  # read as a sheet
    assert "/t/<name>/tasters/days" in only
    for rule in only:
        path = re.sub("<(name|link)>", "crisp", rule)
        done = host.get(path)
        assert (done.status_code, done.location) == (303, path.rpartition("/")[0] or "/")
        host.read(path)


def test_pages_are_small(at):
    host, _ = at("planned")
    for path in ("/", "/new", QUESTION, JAR, "/t/crisp/jars", "/t/crisp/", "/help"):
        assert len(host.read(path).encode()) < 30_000, path


def test_a_taken_port_is_told_as_the_pages_not_as_the_score_page(tmp_path):
    with server.listening("127.0.0.1", 0) as listener:
        port = listener.getsockname()[1]
        with pytest.raises(FormError, match=f"port {port}: Blindspoon cannot listen there"):
            serve(tmp_path, Door(b"x" * 32), port, print)


def test_a_jar_may_be_written_down_under_the_label_of_its_variant(at):
    host, folder = at("planned")
    spoil(folder / "batches.csv", "Jar Fern,oak-leaf", "Jar Fern,Oak leaf")
    page = host.read("/t/crisp/jars")
    assert "Jar Fern: Oak leaf" in page
    assert "To be put right" not in page
    assert "Oak leaf" in host.read("/t/crisp/jars/2")


def test_the_step_of_the_jars_says_that_a_weight_is_missing(at):
    _, folder = at("planned")
    spoil(folder / "batches.csv", "Moss,usual,600,560,26", "Moss,usual,600,560,")
    assert stage(folder).steps[1].note == "2 of 2 written down, a weight is missing"
    spoil(folder / "batches.csv", "Moss,usual,600,560,", "Moss,usual,,,")
    assert stage(folder).steps[1].note == "2 of 2 written down"


def test_no_weight_is_missing_that_was_written_in_another_unit(at):
    _, folder = at("planned")
    spoil(folder / "batches.csv", "water_g,salt_g", "water_ml,salt_oz")
    assert stage(folder).steps[1].note == "2 of 2 written down"


def test_jars_that_were_never_written_down_are_left_out_and_not_done(at):
    _, folder = at("sealed")
    assert ("jars", "2 of 2 written down") in [(it.name, it.note) for it in stage(folder).steps]
    (folder / "batches.csv").unlink()
    assert ("jars", "left out") in [(it.name, it.note) for it in stage(folder).steps]


def test_sheets_are_called_done_only_where_some_were_printed(at):
    host, folder = at("lifted")
    assert "done: ballots, labels, trays" in words(host.read("/t/crisp/"))
    shutil.rmtree(folder / "sheets")
    page = words(host.read("/t/crisp/"))
    assert "The sheets none in this folder" in page
    assert "ballots, labels" not in page


def test_a_question_of_days_is_asked_and_taken_back_on_its_page(at):
    host, folder = at("planned")
    before = (folder / "trial.toml").read_text()
    days = {"course.over": "fermented_days", "course.asks": "both", "course.level": "6,5",
            "course.accept": "Would eat it?"}  # fmt: skip
    assert host.post(QUESTION, **days).status_code == 303
    said = "Crunch over days of fermenting is scored as well. Whatever that shows is an idea for"
    assert said in host.read("/t/crisp/rule")
    page = host.read(QUESTION)
    assert "Which food it is one age of" in page
    ticked = {"decision.margin": "1", "course.decides": "yes", **days}
    form = fields(page) | {"variant[2].series": "cucumbers"} | ticked
    del form["attribute[1].decides"]
    assert host.post(QUESTION, **form).status_code == 303
    trial = parse_trial((folder / "trial.toml").read_text())
    assert (trial.course.reach, trial.course.keep, trial.course.attribute) == (6.5, 6.5, "crunch")
    assert (trial.decision.primary, trial.variants[1].series) == (("course",), "cucumbers")
    assert trial.course.accept == "would_eat_it"
    back = fields(host.read(QUESTION)) | {"course.over": "", "attribute[1].decides": "yes"}
    del back["course.decides"]
    assert host.post(QUESTION, **back).status_code == 303
    said_yes = "declared = 2026-09-04\n"
    assert (folder / "trial.toml").read_text().split() == before.replace(said_yes, "").split()


def test_a_slip_in_a_name_is_mended_after_sealing_and_the_rule_keeps_its_date(at):
    host, folder = at("sealed")
    form = fields(host.read(QUESTION))
    assert host.post(QUESTION, **form | {"variant[2].label": "White oak leaf"}).status_code == 303
    trial = parse_trial((folder / "trial.toml").read_text("utf-8"))
    assert (trial.variants[1].name, trial.variants[1].label) == ("oak-leaf", "White oak leaf")
    assert trial.decision.declared is not None
    more = {"variant[3].name": "", "variant[3].label": "Tea", "variant[3].method": ""}
    before = files(folder)
    assert host.post(QUESTION, **form | more).status_code == 409
    assert host.post(QUESTION, **form | {"variant[2].series": "leaf"}).status_code == 422
    assert files(folder) == before


def test_what_a_change_differs_in_is_guessed_anew_with_its_name_and_can_be_written(at):
    host, folder = at("planned")
    (folder / "batches.csv").unlink()

    def differs():
        trial = parse_trial((folder / "trial.toml").read_text("utf-8"))
        return {it.label: it.differs for it in trial.variants}

    def write(**typed):
        assert host.post(QUESTION, **fields(host.read(QUESTION)) | typed).status_code == 303

    write(**{"variant[2].differs": "Vine leaf"})
    write(**{"variant[2].label": "Warm kitchen", "variant[3].label": "Less salt"})
    assert differs()["Warm kitchen"] == ("vine_leaf",)  # not a guess: its host wrote it
    assert differs()["Less salt"] == ("salt",)
    write(**{"variant[3].label": "Ten days longer"})
    write(**{"variant[2].differs": "kind of acid, added acid, SALT and salt"})
    assert differs()["Warm kitchen"] == ("kind of acid", "acid", "salt")
    write(**{"variant[2].differs": "temperature, 3 grape leaves"})
    assert fields(host.read(QUESTION))["variant[3].differs"] == "days of fermenting"
    expected = {"As always": (), "Warm kitchen": ("temperature_c", "3_grape_leaves")}
    assert differs() == expected | {"Ten days longer": ("fermented",)}
    for jar, value in (("usual", "no"), ("oak-leaf", "yes")):
        page = host.read(f"/t/crisp/jars/new-{jar}")
        assert fields(page)["3_grape_leaves"] == value
        assert 'for="fermented"' not in page
        form = fields(page) | {"salt_g": "26"}
        assert host.post(f"/t/crisp/jars/new-{jar}", **form).status_code == 303
    write(**{"variant[2].label": "Cool kitchen", "variant[3].differs": ""})
    assert differs()["Cool kitchen"] == expected["Warm kitchen"]
    assert differs()["Ten days longer"] == ()


def test_where_a_starter_is_the_point_no_jar_leaves_it_blank(at):
    host, folder = at("planned")
    toml = (folder / "trial.toml").read_text("utf-8")
    meant = toml.replace('label = "Oak leaf"', 'label = "Old brine"\ndiffers = ["starter"]')
    (folder / "trial.toml").write_text(meant, "utf-8")
    assert fields(host.read("/t/crisp/jars/new-usual"))["starter"] == "none"
    page = host.read("/t/crisp/jars/new-oak-leaf")
    assert fields(page)["starter"] == ""
    assert re.search(r"<details open>\s*<summary>.*Acid, sugar, starter", page)


def test_what_went_in_beside_salt_is_named_on_the_jar_and_in_the_list(at):
    host, _ = at("planned")
    new = {"acid": "vinegar 5 %", "acid_g": "10", "sugar_g": "4", "starter": "old brine"}
    for more, said in (
        ({"acid_g": "10"}, "10 g acid"),
        ({"acid": "", "acid_g": "", "sugar_g": "10"}, "10 g sugar"),
        (new, "10 g vinegar 5 %, 4 g sugar, starter: old brine"),
    ):
        host.post(JAR, **fields(host.read(JAR)) | more)
        assert f"Acid, sugar, starter {said} Change" in words(host.read(JAR))
        assert f"26 g salt, {said}" in words(host.read("/t/crisp/jars"))


def test_the_list_of_jars_names_what_a_line_of_the_hosts_own_says(at):
    host, _ = at("planned")
    new = {"own.name": "A leaf for crispness", "own.value": "3 g"}
    host.post(JAR, **fields(host.read(JAR)) | new)
    assert "26 g salt, a leaf for crispness: 3 g" in words(host.read("/t/crisp/jars"))
    host.post(JAR, **fields(host.read(JAR)) | {"a_leaf_for_crispness": "no"})
    assert "crispness" not in words(host.read("/t/crisp/jars")).partition("salty")[0]


def test_a_step_that_is_done_no_longer_says_what_is_to_be_done(at):
    _, folder = at("lifted")
    published = folder.parent / "published" / "crisp"
    published.mkdir(parents=True)
    (published / "START.html").touch()
    steps = {step.name: (step.mark, step.note) for step in stage(folder).steps}
    assert [steps[name] for name in ("look", "findings", "publish")] == [("done", "")] * 3


SENT = {
    "START.html": "<p>What lies here</p>",
    "index.html": "<p>The page</p>",
    "say.md": "- `chart`: no post\n- `board`: *Crisper*, as \\*we\\* thought\n",
    "tables/a.csv": "b,c\n",
    "figures/square/board-1.png": "PNG",
    "../crisp.zip": "PK",
}
KINDS = {"index.html": "text/html", "say.md": "text/plain", "tables/a.csv": "text/plain"}


def test_what_is_published_is_read_and_its_picture_seen_where_it_was_written(at):
    host, folder = at("lifted")
    root, there = folder.parent / "published" / "crisp", "/t/crisp/publish/written/"
    for name, text in SENT.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, "utf-8")
    page = host.read("/t/crisp/publish")
    assert f'href="{there}START.html"' in page
    assert f'<img class="post" src="{there}figures/square/board-1.png" alt="">' in page
    assert "*Crisper*, as *we* thought" in words(page)
    for name, kind in (KINDS | {"figures/square/board-1.png": "image/png"}).items():
        shown = host.get(there + name)
        assert (shown.data.decode(), shown.mimetype) == (SENT[name], kind)
        assert "sandbox" in shown.headers["Content-Security-Policy"]
    for name in ("", "figures", "../../crisp/key.csv", "..%2f..%2fcrisp%2fkey.csv", "/etc/passwd"):
        assert host.get(there + name).status_code in (303, 308, 404), name
    for name in SENT.keys() - {"index.html"}:
        (root / name).unlink()
    page = host.read("/t/crisp/publish")
    assert "START.html is gone from there" in words(page)
    assert '<img class="post"' not in page
    for gone in (f"{there}say.md", "/t/crisp/publish/all.zip"):
        done = host.get(gone)
        assert (done.status_code, "This file is not there any more" in done.text) == (404, True)


def test_what_was_published_of_an_earlier_trial_is_not_shown_before_the_blind_is_lifted(at):
    host, folder = at("closed")
    root = folder.parent / "published" / "crisp"
    root.mkdir(parents=True)
    for name in ("START.html", "index.html"):
        (root / name).write_text("Oak leaf 123")
        assert host.get(f"/t/crisp/publish/written/{name}").status_code == 404
    (folder.parent / "published" / "crisp.zip").write_text("Oak leaf 123")
    assert host.get("/t/crisp/publish/all.zip").status_code == 404


def test_a_question_that_is_saved_leads_on_to_what_comes_next(at):
    host, folder = at("planned")
    form = {**fields(host.read(QUESTION)), "tasting.allergens": "fish"}
    assert host.post(QUESTION, **form).location == "/t/crisp/codes"
    (folder / "batches.csv").unlink()
    form = {**fields(host.read(QUESTION)), "tasting.allergens": "soya"}
    assert host.post(QUESTION, **form).location == "/t/crisp/jars"


def test_publishing_says_under_whose_name_it_goes_out(at):
    host, folder = at("lifted")
    assert "without a name" in words(host.read("/t/crisp/publish"))
    assert "Your name or kitchen" in host.read("/t/crisp/publish/story")
    host.post("/t/crisp/publish/story", **{"trial.host": "Mira’s “kitchen”"})
    assert stage(folder).trial.host == "Mira’s “kitchen”"
    assert "under the name Mira’s “kitchen”" in words(host.read("/t/crisp/publish"))
    host.post("/t/crisp/publish/story", **{"trial.host": ""})
    assert stage(folder).trial.host == ""


def test_the_last_look_speaks_of_cups_and_not_of_files(at):
    host, folder = at("closed")
    scores = folder / "scores.csv"
    scores.write_bytes(b"\n".join(scores.read_bytes().splitlines()[:-1]) + b"\n")
    for page in ("look", "lift"):
        text = html.unescape(host.read(f"/t/crisp/{page}"))
        assert re.search(r"Code \d{3} of Finn in session 1 was never scored", text)
        assert ".csv" not in text.split("<main")[1]
    asked = re.search(r'<a href="/t/crisp/(\w+)">Code \d{3} of Finn', host.read("/t/crisp/look"))
    assert asked[1] == "tasting"  # where it can still be scored
    toml = (folder / "trial.toml").read_text("utf-8")
    late = f'{toml}[[session]]\nname = "1"\ndate = 2126-10-03\n'
    (folder / "trial.toml").write_text(late, "utf-8")
    assert "The session of 3 October 2126 has answers before its day" in host.read("/t/crisp/lift")


def test_who_poured_is_asked_where_the_blind_is_lifted_and_kept_with_it(at):
    host, folder = at("closed")
    page = host.read("/t/crisp/lift")
    assert 'value="taster"' in page
    assert 'value="each-other"' not in page  # of six
    told = {"told": fields(page)["told"], "finished": "yes"}
    assert host.post("/t/crisp/lift", **told, poured="helper").status_code == 303
    assert stage(folder).seal.lift.poured == "helper"
    assert re.search(r'value="helper" checked', host.read("/t/crisp/findings/poured"))
    assert host.post("/t/crisp/findings/poured", poured="taster").status_code == 303
    page = host.read("/t/crisp/findings")
    assert "Who poured is noted." in page
    assert stage(folder).seal.lift.poured == "taster"


def test_cautions_of_the_last_look_are_of_before_until_somebody_has_tasted(at):
    for state, head in (("sealed", "Before anyone tastes"), ("closed", "Before anybody eats more")):
        page = at(state)[0].read("/t/crisp/look")
        assert f"<h2>{head}" in page
        assert "Tell whoever tastes, before they do" in page


def test_a_weight_that_was_forgotten_is_named_at_the_jars_and_in_the_last_look(at):
    host, folder = at("sealed")
    table = (folder / "batches.csv").read_text("utf-8")
    (folder / "batches.csv").write_text(table.replace("560,26", "560,", 1), "utf-8")
    lacks = "he weight of salt is not written"
    for page in ("look", "jars", "jars/1"):
        assert lacks in host.read(f"/t/crisp/{page}")


def test_an_empty_shelf_of_jars_offers_no_second_jar(at):
    host, folder = at("planned")
    assert "A second jar" in host.read("/t/crisp/jars")
    (folder / "batches.csv").unlink()
    assert "A second jar" not in host.read("/t/crisp/jars")
    (folder / "batches.csv").write_text("batch,variant,salt_g,vessel\n", "utf-8")
    assert "How salty" not in host.read("/t/crisp/jars")


START = {
    "trial.product": "sauerkraut",
    "variant[1].label": "Sea salt",
    "changes": "Rock salt",
    "trial.title": "May I swap the salt?",
    "tasting.tasters": "Ada, Ben, Cleo",
    "scored": ["texture", "sourness"],
    "primary": "texture",
    "asks": "sets",
    "decision.margin": "",
}


def test_whether_anybody_can_tell_is_begun_and_drawn_without_touching_a_file(visit, tmp_path):
    host, folder = visit(tmp_path), tmp_path / "sauerkraut"
    assert host.post("/new", **START).status_code == 303
    before = host.read("/t/sauerkraut/rule").partition("Yes, this is my rule")[0]
    assert "cannot be shown with fewer than 24 sets" in before
    page = host.read("/t/sauerkraut/question")
    assert "Which score answers" not in page
    assert "How far apart the scores lie" not in page
    form = fields(page) | {"choice.sets": "3", "choice.can_tell": "40 %", "choice.tests": "9"}
    assert host.post("/t/sauerkraut/question", **form).status_code == 303
    choice = parse_trial((folder / "trial.toml").read_text("utf-8")).choice
    assert (choice.method, choice.sets, choice.can_tell, choice.tests) == ("triangle", 3, 0.4, 9)
    assert "27 cups: 3 tasters, 3 sets each." in host.read("/t/sauerkraut/codes")
    assert host.post("/t/sauerkraut/codes", mine="yes").status_code == 303
    assert "0 of 3" in host.read("/t/sauerkraut/tasting")
    like = host.read("/new?like=sauerkraut")
    assert re.search(r'value="sets" checked', like)


def test_nobody_says_yes_to_a_rule_of_sets_that_cannot_come_out_unwarned(visit, tmp_path):
    host, toml = visit(tmp_path), tmp_path / "sauerkraut" / "trial.toml"
    days = {"session[1].date": "2026-12-05", "session[2].date": "2026-12-06"}
    form = START | days | {"tasting.tasters": "Ada, Ben", "choice.sets": "2"}
    script = {"Accept": "application/json"}
    sent = {"ticket": host.bench.door.proof("ticket")} | form
    beside = host.client.post("/new", data=sent, headers=script).get_json()["texts"]["so-far"]
    assert "2 tasters in 2 sessions: 8 sets in all." in beside
    assert not toml.exists()
    assert host.post("/new", **form).status_code == 303
    rule = host.read("/t/sauerkraut/rule")
    for told in map(words, (beside, rule, host.read("/t/sauerkraut/question"))):
        assert "cannot be shown with fewer than 24 sets" in told
        assert "So 8 sets can never come out as alike." in told
    assert re.search('class="main" href="[^"]*/question">Change it', rule)
    for path, page in (("/new", form), ("/t/sauerkraut/question", {})):
        wrong = host.post(path, **page | {"choice.can_tell": "300"}).text
        assert "Write how many in a hundred" in wrong
    more = fields(host.read("/t/sauerkraut/question")) | {"choice.sets": "6"}
    assert more["choice.can_tell"] == "30"
    sent = {"ticket": host.bench.door.proof("ticket")} | more
    done = host.client.post("/t/sauerkraut/question", data=sent, headers=script).get_json()
    assert "24 sets in all" in done["texts"]["so-far"]
    assert host.post("/t/sauerkraut/question", **more).status_code == 303
    assert "never come out" not in host.read("/t/sauerkraut/rule")


def test_one_jar_on_several_evenings_is_begun_with_one_line_and_asked_both_ways(visit, tmp_path):
    host = visit(tmp_path)
    evenings = {f"session[{n}].date": f"2026-10-0{n}" for n in (1, 2, 4, 6)}
    days = {"changes": "Mine", "asks": "both", "decision.margin": "1", "primary": "sourness"}
    assert host.post("/new", **START | days | evenings).status_code == 303
    trial = parse_trial((tmp_path / "sauerkraut" / "trial.toml").read_text("utf-8"))
    course = trial.course
    assert (course.over, course.reach, course.keep) == ("age_days", "control", "control")
    assert [variant.series for variant in trial.variants] == ["", ""]
    assert [session.date.day for session in trial.sessions] == [1, 2, 4, 6]
    assert "You plan to taste at four sittings." in host.read("/t/sauerkraut/rule")
    asked = fields(host.read("/t/sauerkraut/question"))
    more = {"course.accept": "Would have it", "course.same_control": "yes"}
    assert host.post("/t/sauerkraut/question", **(asked | more)).status_code == 303
    like = fields(host.read("/new?like=sauerkraut"))
    assert like["asks"] == "both"
    assert host.post("/new", **like).status_code == 303
    again = parse_trial((tmp_path / "sauerkraut-2" / "trial.toml").read_text("utf-8")).course
    assert (again.accept, again.same_control) == ("would_have_it", True)
    assert host.post("/new", **(like | {"asks": "scores", "once": "another"})).status_code == 303
    assert parse_trial((tmp_path / "sauerkraut-3" / "trial.toml").read_text("utf-8")).course is None


def test_when_it_is_ready_is_begun_without_touching_a_file(visit, tmp_path):
    host, folder = visit(tmp_path), tmp_path / "sauerkraut"
    days = START | {"changes": "7 days\n14 days", "asks": "reach", "scored": "", "primary": ""}
    wrong = host.post("/new", **days)
    assert wrong.status_code == 422
    assert "tasters score one thing at least" in wrong.text
    days |= {"primary": "sourness", "decision.margin": "1"}
    assert host.post("/new", **days).status_code == 303
    trial = parse_trial((folder / "trial.toml").read_text("utf-8"))
    assert (trial.course.over, trial.course.attribute) == ("fermented_days", "sourness")
    assert [variant.series for variant in trial.variants] == ["", "sauerkraut", "sauerkraut"]
    assert fields(host.read("/t/sauerkraut/question"))["course.decides"] == "yes"
    assert fields(host.read("/new?like=sauerkraut"))["asks"] == "reach"


def test_a_trial_like_an_earlier_one_keeps_what_tasters_were_told_and_the_ends_of_its_scales(at):
    host, folder = at("planned")
    path = folder / "trial.toml"
    text = path.read_text("utf-8").replace("seed = 7", 'seed = 7\nhost = "Kitchen"')
    text = text.replace("low = 0\nhigh = 10\nstep = 1", "low = 1\nhigh = 9\nstep = 2")
    text = text.replace('"Oak leaf"', '"Oak leaf"\nmethod = "Two leaves"\ndiffers = ["tannin"]')
    told = 'allergens = "mustard, celery"\ncleanser = "bread"\n[[attribute]]\nname = "fizz"\n'
    path.write_text(text + told, "utf-8")
    page = host.read("/new?like=crisp")
    assert 'value="Fizz" checked' in page
    assert "Each cup, from 1 to 9." in page
    form = {"trial.product": "kohlrabi", "changes": "Oak leaf\nNo leaf"}
    assert host.post("/new", **fields(page) | form).status_code == 303
    assert "as before, that it may contain mustard, celery" in host.read("/t/kohlrabi/rule")
    old, new = (
        parse_trial((folder.with_name(name) / "trial.toml").read_text("utf-8"))
        for name in ("crisp", "kohlrabi")
    )
    assert replace(new.attributes[0], label="crunch") == replace(old.attributes[0], label="crunch")
    assert (new.tasting, new.host, new.variants[1]) == (old.tasting, old.host, old.variants[1])
    assert new.variants[2].differs == ("leaf",)
    assert host.post("/example").status_code == 303
    page = fields(host.read("/new?like=example")) | {"trial.product": "cucumbers"}
    assert host.post("/new", **page).location == "/t/cucumbers/rule"
    assert "invented" not in (folder.with_name("cucumbers") / "trial.toml").read_text("utf-8")
    header = (folder.with_name("kohlrabi") / "batches.csv").read_text("utf-8")
    assert header.endswith(",note,tannin,leaf\n")


def test_a_household_of_two_is_told_what_it_can_show_and_how_both_can_taste(at):
    host, folder = at("planned")
    (folder / "trial.toml").write_text(
        (folder / "trial.toml").read_text("utf-8").replace(', "Cleo", "Dev", "Eve", "Finn"', ""),
        "utf-8",
    )
    page = host.read("/t/crisp/codes")
    assert "The two of you, both tasting" in page
    assert "You alone" not in page
    host.get("/t/crisp/tasters")
    job = host.bench.jobs.last(company.CHANCES, folder)
    while not job.ended:
        time.sleep(0.02)
    assert job.result["first"][0].startswith("Two are too few to work it out. 3 tasters in one ")


def test_what_a_second_jar_costs_stands_open_beside_what_tasters_can_show(at):
    host, folder = at("planned")
    made = (folder / "batches.csv").read_text("utf-8")
    plain = made.splitlines()[1]
    name = plain.split(",")[0]
    (folder / "batches.csv").write_text(f"{made}{plain.replace(name, 'another', 1)}\n", "utf-8")
    host.get("/t/crisp/tasters")
    job = host.bench.jobs.last(company.CHANCES, folder)
    while not job.ended:
        time.sleep(0.02)
    assert "list one jar of each variant, or let ranks decide" in job.result["first"][-1]
    assert job.result["first"][-1] not in job.result["assumptions"]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("margin = 1.0\n", "", "Crunch has no margin; sizing needs the smallest difference"),
        (
            r"\[tasting\]\ntasters = .*",
            '[course]\nover = "fermented_days"\nreach = 5\n[tasting]\ntasters = ["Ada"]',
            "One person alone is told no day and no trend",
        ),
    ],
)
def test_no_page_before_the_codes_speaks_of_what_only_files_have(at, old, new, says):
    host, folder = at("planned")
    toml = re.sub(old, new, (folder / "trial.toml").read_text("utf-8"))
    (folder / "trial.toml").write_text(toml, "utf-8")
    saltier = (
        (folder / "batches.csv").read_text("utf-8").replace("leaf,600,560,26", "leaf,600,560,40")
    )
    (folder / "batches.csv").write_text(saltier, "utf-8")
    host.get("/t/crisp/tasters")
    while not host.bench.jobs.last(company.CHANCES, folder).ended:
        time.sleep(0.02)
    assert says in words(host.read("/t/crisp/tasters"))
    for page in ("", "question", "jars", "tasters", "codes", "look"):
        found = re.search(r"\[\w+\]|\w+\.(toml|csv)", words(host.read(f"/t/crisp/{page}")))
        assert found is None, (page, found)


def test_who_tastes_alone_in_too_few_rounds_is_told_so_before_the_codes_are_drawn(at):
    host, folder = at("planned")
    text = (folder / "trial.toml").read_text("utf-8")
    alone = re.sub("(?m)^tasters = .*$", 'tasters = ["Ada"]', text)
    (folder / "trial.toml").write_text(alone, "utf-8")
    said = "One person alone can show no difference in fewer than 6 rounds, and 1 is listed"
    page = host.read("/t/crisp/codes")
    assert said in page
    assert "with the others" not in page
    host.get("/t/crisp/tasters")
    job = host.bench.jobs.last(company.CHANCES, folder)
    while not job.ended:
        time.sleep(0.02)
    a_round, told, *_ = job.result["first"]
    assert a_round.startswith("A round is one sitting: you taste every variant once")
    assert told.startswith(said)
    page = host.read("/t/crisp/tasters")
    assert "If that is enough" not in page
    assert "Ask more friends or add a session." in page
    host.get("/t/crisp/tasters/stop")
    draw_blind(shutil.copytree(folder, folder.with_name("alone")), datetime.date(2026, 9, 4))
    write_sheets(folder.with_name("alone"), "a4", None)
    page = host.read("/t/alone/sheets")
    assert "put it away before you shuffle" in page
    assert "cannot taste blind" not in page
    sets = re.sub(r"(?ms)^\[scale\].*?(?=^\[\[?(?!attribute)\w)", "", alone)
    sets = re.sub(r"(?ms)^\[\[attribute\]\].*?(?=^\[|\Z)", "", sets)
    sets = re.sub(r"(?m)^(margin|primary) = .*\n", "", sets)
    choice = '\n[choice]\nmethod = "triangle"\nsets = 12\n'
    (folder / "trial.toml").write_text(sets + choice, "utf-8")
    page = host.read("/t/crisp/codes")
    assert "You alone, pouring and tasting" in page
    assert "rounds" not in page
    assert "cannot show a difference" not in page
    (folder / "trial.toml").write_text(sets + choice.replace("12", "2"), "utf-8")
    assert "2 sets cannot show a difference, even if all are right." in host.read("/t/crisp/codes")
    host.get("/t/crisp/tasters")
    while not (job := host.bench.jobs.last(company.CHANCES, folder)).ended:
        time.sleep(0.02)
    page = host.read("/t/crisp/tasters")
    assert "If that is enough" not in page
    assert "cannot be shown with fewer than 24 sets" in page.partition("Go on to the codes")[0]
    assert "six sessions" not in page


def test_what_is_followed_over_days_is_not_called_an_idea_for_next_time(visit, tmp_path):
    days = {"changes": "7 days\n14 days", "asks": "reach", "decision.margin": "1"}
    host = visit(tmp_path)
    host.post("/new", **START | days | {"primary": "sourness", "scored": "sourness"})
    page = host.read("/t/sauerkraut/rule")
    assert "if its sourness is within" in page
    assert "idea for next time" not in page
    assert "Into the cold" in host.read("/t/sauerkraut/jars/new-7-days")


@pytest.mark.parametrize("state", ["planned", "sealed", "tasting", "closed", "lifted"])
def test_every_later_step_leads_on_to_the_next_one(at, state):
    host, folder = at(state)
    step = stage(folder).next
    for page in ("look", "lift", "findings", "publish"):
        text = host.read(f"/t/crisp/{page}")
        wanted = 'class="main"' if page == step.name or state == "closed" else f"/{step.name}"
        assert wanted in text.split("<main")[1] or state == "lifted", page


def test_while_they_taste_the_last_look_does_not_list_who_is_out(at):
    host, _ = at("tasting")  # Ada and Ben have scored
    assert "Finn scored nothing" not in host.read("/t/crisp/look")


def test_a_control_that_stays_the_same_is_said_with_the_question_and_asked_before_drawing(
    visit, tmp_path
):
    days = {"changes": "Mine", "asks": "reach", "decision.margin": "1"}
    days |= {"session[1].date": "2026-10-01", "session[2].date": "2026-10-05"}
    host, base = visit(tmp_path), "/t/sauerkraut"
    host.post("/new", **START | days | {"primary": "sourness", "scored": "sourness"})
    assert "one jar, kept cold, at every session?" in host.read(f"{base}/codes")
    form = fields(host.read(f"{base}/question"))
    assert host.post(f"{base}/question", **form | {"course.same_control": "yes"}).status_code == 303
    toml = tmp_path / "sauerkraut" / "trial.toml"
    assert parse_trial(toml.read_text("utf-8")).course.same_control
    assert "one jar, kept cold, at every session?" not in host.read(f"{base}/codes")
    back = fields(host.read(f"{base}/question")) | {"course.same_control": ""}
    host.post(f"{base}/question", **back)
    assert "same_control" not in toml.read_text("utf-8")


def test_what_was_done_is_said_on_the_page_and_not_to_the_script_that_renews_another(at):
    host, _ = at("planned")
    host.bench.say("The jars are saved.")
    renewing = {"Sec-Fetch-Dest": "empty"}
    assert "The jars are saved." not in host.client.get("/t/crisp/jars", headers=renewing).text
    assert "The jars are saved." in host.read("/t/crisp/jars")


def test_a_new_trial_that_is_sent_twice_is_begun_once(visit, tmp_path):
    host = visit(tmp_path)
    page = host.read("/new")
    form = {
        "trial.product": "kraut", "variant[1].label": "As always", "changes": "Caraway",
        "trial.title": "Is it crisper?", "scored": "texture", "decision.margin": "1",
        "once": re.search('name="once" value="([^"]+)"', page)[1],
    }  # fmt: skip
    assert {host.post("/new", **form).location for _ in range(2)} == {"/t/kraut/rule"}
    assert [path.name for path in tmp_path.iterdir()] == ["kraut"]
    own = html.unescape(host.post("/new", **form, primary="own").text)
    assert "It answers your question, so write what it is." in own
    again = {**form, "trial.title": "Is it really crisper?"}  # the way back, and one answer more
    assert host.post("/new", **again).location == "/t/kraut/rule"
    assert "Is it really crisper?" in host.read("/t/kraut/question")
    host.post("/t/kraut/rule")
    assert host.post("/new", **again, asks="keep").location == "/t/kraut/question"
    assert [path.name for path in tmp_path.iterdir()] == ["kraut"]
    assert [host.post("/example").status_code for _ in range(2)] == [303, 303]


def test_what_describes_a_field_is_found_by_who_hears_the_page(at):
    host, _ = at("planned")
    for page in map(host.read, ("/new", QUESTION, JAR)):
        told = " ".join(re.findall(r'aria-describedby="([^"]*)"', page)).split()
        assert set(told) <= set(re.findall(r' id="([^"]*)"', page))


def test_a_new_trial_lies_in_no_folder_that_is_one_to_some_systems(visit, tmp_path):
    (tmp_path / "Sauerkraut").mkdir()
    assert visit(tmp_path).post("/new", **START).location == "/t/sauerkraut-2/rule"


def test_a_folder_of_any_name_is_reached_from_the_shelf(at):
    host, folder = at("planned")
    folder.rename(folder.with_name("jar #2? 50%20"))
    [page] = {html.unescape(it) for it in re.findall('href="(/t/[^"]*)"', host.read("/"))}
    assert "Which change keeps cucumbers crisp?" in host.read(page)
    assert host.post(f"{page}lately", change="1").status_code in (303, 409, 422)


def test_a_new_jar_that_is_sent_twice_is_written_down_once(at):
    host, folder = at("planned")
    form = fields(host.read("/t/crisp/jars/new-usual")) | {"produce_g": "500"}
    for _ in range(2):
        assert host.post("/t/crisp/jars/new-usual", **form).location == "/t/crisp/jars"
    assert (folder / "batches.csv").read_text("utf-8").count("usual,500") == 1
    more = fields(host.read("/t/crisp/jars/new-usual")) | {"produce_g": "500"}
    assert host.post("/t/crisp/jars/new-usual", **more).location == "/t/crisp/jars"
    assert (folder / "batches.csv").read_text("utf-8").count("usual,500") == 2


def test_grams_with_a_mark_between_thousands_are_asked_about_on_the_page(at):
    host, folder = at("planned")
    before = (folder / "batches.csv").read_bytes()
    form = fields(host.read("/t/crisp/jars/1")) | {"produce_g": "1.250"}
    done = host.post("/t/crisp/jars/1", **form)
    assert "may be 1250 or 1.25. Write grams, such as 620 or 26,5" in done.text
    assert (folder / "batches.csv").read_bytes() == before


@pytest.mark.parametrize(
    ("place", "typed", "said"),
    [
        ("temperature_c", "212", "Temperature is 212; a batch is kept at -30 to 100 °C. Correct"),
        ("readings[1].date", "2025-09-01", "Correct this date, or that of the jar."),
        ("readings[1].ph", "3,9", "A reading has a date. Write it here."),
        (
            "batch",
            "Jar Moss",
            '"Jar Moss" stands a second time. Give every vessel a name of its own.',
        ),
        ("finished", "2027-09-01", "Correct the date, or that of the session, with the tasters."),
    ],
)
def test_what_to_do_about_a_jar_is_done_on_a_page(at, place, typed, said):
    host, folder = at("planned")
    with (folder / "trial.toml").open("a", encoding="utf-8") as file:
        file.write('[[session]]\nname = "1"\ndate = 2026-09-20\n')
    form = fields(host.read(JAR)) | {"started": "2026-09-01", place: typed}
    faults = html.unescape(host.post(JAR, **form).text)
    assert said in faults
    assert ".csv" not in faults
    assert ".toml" not in faults


def test_what_was_read_in_fahrenheit_and_wide_digits_are_understood(at):
    host, folder = at("planned")
    read = {"readings[1].date": "2026-09-05", "readings[1].temperature_c": "50F"}
    form = {"temperature_c": "72 °F", "produce_g": "\uff16\uff10\uff10", **read}
    assert host.post(JAR, **fields(host.read(JAR)) | form).status_code == 303
    row = list(csv.DictReader((folder / "batches.csv").read_text("utf-8").splitlines()))[1]
    assert (row["temperature_c"], row["produce_g"]) == ("22.2", "600")
    assert host.post(JAR, **fields(host.read(JAR)) | {"temperature_c": "72"}).status_code == 303
    assert "72 °C is hot. If it is °F, write 72 F." in host.read("/t/crisp/jars")
    assert "2026-09-05,,10," in (folder / "readings.csv").read_text("utf-8")


def test_a_day_that_is_years_away_is_asked_about_where_it_is_typed(at):
    host, folder = at("planned")
    before, far = files(folder), f"{today().year + 36}-09-01"
    cups = fields(host.read("/t/crisp/tasters"))
    for path, place, form in (
        (JAR, "started", fields(host.read(JAR))),
        (JAR, "finished", fields(host.read(JAR))),
        (JAR, "finished", fields(host.read(JAR)) | {"finished": "0026-09-01"}),  # typed as 26
        (JAR, "readings[1].date", fields(host.read(JAR)) | {"readings[1].ph": "3.9"}),
        ("/t/crisp/tasters", "session[1].date", cups),
        ("/new", "session[2].date", START | {"decision.margin": "1"}),
    ):
        done = host.post(path, **{place: far, **{k: v for k, v in form.items() if v}})
        assert done.status_code == 422, place
        asked = re.search(f'id="{re.escape(place)}-fault">([^<]*)', done.text)[1]
        assert "at most three years ahead" in asked
    assert files(folder) == before


def test_more_cups_than_there_are_jars_to_serve_are_asked_about_where_they_are_typed(at):
    host, folder = at("planned")
    before, form = files(folder), fields(host.read("/t/crisp/tasters"))
    done = host.post("/t/crisp/tasters", **form | {"tasting.servings": "9"})
    assert (done.status_code, files(folder)) == (422, before)
    asked = re.search(r'id="tasting.servings-fault">([^<]*)', done.text)[1]
    assert "there are 2 to serve" in asked


def test_ounces_and_pounds_become_grams_and_spoons_are_to_be_weighed(at):
    """NIST Handbook 44, Appendix C: 453.59237 g, 28.349523125 g, a cup of 236.5882365 ml."""
    host, folder = at("planned")
    form = {"produce_g": "1 lb 4 oz", "water_g": "2,5 cups", "salt_g": "0,9 ounces"}
    assert host.post(JAR, **fields(host.read(JAR)) | form).status_code == 303
    row = list(csv.DictReader((folder / "batches.csv").read_text("utf-8").splitlines()))[1]
    assert (row["produce_g"], row["water_g"], row["salt_g"]) == ("567", "590.3", "25.5")
    for place, typed in (("salt_g", "2 tbsp"), ("produce_g", "3 cups"), ("salt_g", "1,250 oz")):
        faults = html.unescape(host.post(JAR, **fields(host.read(JAR)) | {place: typed}).text)
        assert f'"{typed}" is not a number. Write grams, such as 620 or 26,5, or as in 9' in faults


def test_a_jar_of_which_nothing_is_written_is_not_written_down_and_one_more_is_said_so(at):
    host, folder = at("planned")
    before, new = files(folder), "/t/crisp/jars/new-oak-leaf"
    done = host.post(new, **fields(host.read(new)))
    assert (done.status_code, files(folder)) == (422, before)
    assert "Nothing is written of this jar yet." in done.text
    assert host.post(new, **fields(host.read(new)) | {"vessel": "crock"}).status_code == 303
    page = host.read("/t/crisp/jars")
    assert "Jar 1 is written down, one more of “Oak leaf”." in page
    assert "no source" not in page
    host, _ = at("sealed")
    assert host.post(new, **fields(host.read(new)) | {"vessel": "crock"}).status_code == 303
    assert "“Oak leaf”. No cup that is drawn comes from it." in host.read("/t/crisp/jars")


def test_a_line_of_one_jar_is_asked_of_the_others_and_not_denied(at):
    host, _ = at("planned")
    own = {"own.name": "Garlic", "own.value": "two cloves"}
    for half, value in own.items():
        done = host.post("/t/crisp/jars/1", **{half: value})
        assert "Write both what it is and how much, or neither." in done.text
    assert host.post("/t/crisp/jars/1", **own).status_code == 303
    assert fields(host.read("/t/crisp/jars/new-oak-leaf"))["garlic"] == ""


def test_the_last_change_is_missed_where_changes_are_listed(at):
    host, _ = at("planned")
    form = fields(host.read(QUESTION))
    left = {place: text for place, text in form.items() if not place.startswith("variant[2]")}
    page = html.unescape(host.post(QUESTION, **left).text)
    assert 'href="#variant">Listed here: 1; 2 or more are needed. Add one more.<' in page


def test_what_waits_for_jars_and_tasters_says_so_until_they_are_there(at):
    host, folder = at("planned")
    page = host.read("/t/crisp/jars")
    assert "after jars and tasters" not in page
    assert '<a class="main" href="/t/crisp/tasters">What your tasters can show</a>' in page
    (folder / "batches.csv").unlink()
    assert "after jars and tasters" in host.read("/t/crisp/jars")


def test_days_that_do_not_fit_are_told_by_the_jar_and_lead_to_it(at):
    host, folder = at("planned")
    text = (folder / "trial.toml").read_text("utf-8")
    (folder / "trial.toml").write_text(
        f"{text}[[session]]\nname = '1'\ndate = 2026-09-01\n", "utf-8"
    )
    made = "batch,variant,started\nJar Moss,usual,2026-09-02\nJar Fern,oak-leaf,2026-08-02\n"
    (folder / "batches.csv").write_text(made, "utf-8")
    for page in map(host.read, ("/t/crisp/codes", "/t/crisp/jars")):
        assert "<li>Jar Moss: Started 2026-09-02, after the last tasting on 2026-09-01;" in page
        assert ".csv" not in page
        assert ".toml" not in page
    assert 'class="main" href="/t/crisp/jars">Go there' in host.read("/t/crisp/codes")
    cups = {"tasting.tasters": "9", "sessions": "1", "tasting.servings": "1"}
    assert host.post("/t/crisp/tasters", **cups).status_code == 422


def test_a_full_disk_while_a_ballot_is_keyed_is_no_bug_of_the_program(at, monkeypatch):
    host, _ = at("tasting")

    def full(_, name, content):
        raise OSError(errno.ENOSPC, "No space left on device", name)

    host.read("/t/crisp/tasting/1/key/5")
    monkeypatch.setattr(DurableFolder, "save", full)
    done = host.post("/t/crisp/tasting/1/key/5", **{"0-crunch": "7"})
    assert done.status_code == 507
    assert "ballots/1-Eve.csv: it cannot be written: no space left on device" in done.text
    assert "load this page again: what you typed is sent once more" in done.text


def test_a_line_of_the_hosts_own_never_lands_in_a_column_that_has_its_field(at):
    host, folder = at("planned")
    own = {"batch": "Jar Moss", "own.name": "Batch", "own.value": "yes"}
    assert host.post("/t/crisp/jars/1", **own).status_code == 303
    table = list(csv.DictReader((folder / "batches.csv").read_text("utf-8").splitlines()))
    assert [row["batch"] for row in table] == ["Jar Moss", "Jar Fern"]
    assert table[0]["own_batch"] == "yes"


def test_a_rule_that_changed_in_another_window_is_read_again_before_it_is_sealed(at):
    host, folder = at("planned")
    toml = (folder / "trial.toml").read_text("utf-8").replace("declared = 2026-09-04\n", "")
    (folder / "trial.toml").write_text(toml, "utf-8")
    shown = {at: fields(host.read(f"/t/crisp/{at}"))["seen"] for at in ("codes", "rule")}
    toml = toml.replace("margin = 1.0", "margin = 2.0")
    (folder / "trial.toml").write_text(toml, "utf-8")
    done = host.post("/t/crisp/codes", mine="yes", seen=shown["codes"])
    assert done.status_code == 409
    assert "within 2\xa0points" in done.text
    assert not (folder / "seal.toml").exists()
    assert host.post("/t/crisp/rule", seen=shown["rule"]).location == "/t/crisp/rule"
    assert (folder / "trial.toml").read_text("utf-8") == toml
    again = fields(host.read("/t/crisp/codes"))["seen"]
    assert host.post("/t/crisp/codes", mine="yes", seen=again).location == "/t/crisp/sheets"


def test_what_is_over_is_not_called_a_file_to_mend(at):
    host, _ = at("lifted")
    done = host.post("/t/crisp/tasting/reopen")
    assert done.status_code == 422
    assert "This cannot be done now." in done.text


def test_the_tasting_counts_once_what_is_filled_in(at):
    host, folder = at("tasting")
    scores = (folder / "scores.csv").read_text("utf-8").splitlines()
    scores[1] = scores[1].rpartition(",")[0] + ","
    (folder / "scores.csv").write_text("\n".join(scores), "utf-8")
    for _ in range(2):
        page = words(host.read("/t/crisp/tasting"))
        assert "of 12 complete" in page, page
        assert len(re.findall(r"of 12 ", page)) == 1
        assert "Tasters have begun" not in page  # which would grow old: the rest renews itself
        host.post("/t/crisp/tasting/session", session="1")
        assert "Session 1 is open." in host.read("/t/crisp/tasting")


def test_who_publishes_without_a_name_is_told_so(at):
    host, folder = at("lifted")
    assert "say who makes it" in host.read("/t/crisp/publish")
    text = (folder / "trial.toml").read_text("utf-8")
    (folder / "trial.toml").write_text(text.replace("[trial]", '[trial]\nhost = "Mira"'), "utf-8")
    assert "say who makes it" not in host.read("/t/crisp/publish")


def test_who_begins_reads_once_what_the_ends_of_a_scale_are(at):
    page = at("planned")[0].read("/new")
    assert page.count("soft to crisp") == 1


def test_what_a_host_may_not_have_meant_is_asked_before_the_rule_is_sealed(at):
    host, folder = at("planned")
    assert "Did you mean this?" not in host.read("/t/crisp/codes")
    text = (folder / "trial.toml").read_text("utf-8")
    wide = re.sub("(?m)^margin = .*$", "margin = 5", re.sub('(?m)^(low|high) = ".*\n', "", text))
    wide = wide.replace('label = "Oak leaf"', 'label = "Walnuts"\nmethod = "Old whey, no mustard"')
    (folder / "trial.toml").write_text(wide, "utf-8")
    asked = host.read("/t/crisp/codes")
    assert "What is made speaks of nuts and milk, of which tasters are told nothing" in asked
    assert "tasters read of no allergens" in asked
    told = wide.replace("[tasting]", '[tasting]\nallergens = "walnuts, milk"')
    (folder / "trial.toml").write_text(told, "utf-8")
    assert "tasters are told nothing" not in host.read("/t/crisp/codes")
    assert "tasters read “They may contain: walnuts, milk”." in host.read("/t/crisp/codes")
    assert "would so much really not matter to you?</" in asked
    assert "no words say which end of the scale is which" in asked


@pytest.mark.parametrize(
    ("tasters", "more", "said"),
    [
        ('"Ada"', "", None),  # whose rounds are shuffled freely
        ('"Ada", "Ben"', "", "So no jar gains much from its place"),
        ('"Ada", "Ben"', '\n[[variant]]\nname = "third"\n', "a jar may gain from its place"),
    ],
)
def test_places_are_called_even_only_where_every_jar_stands_in_each(at, tasters, more, said):
    host, folder = at("planned")
    text = (folder / "trial.toml").read_text("utf-8")
    few = re.sub("(?m)^tasters = .*$", f"tasters = [{tasters}]", text)
    (folder / "trial.toml").write_text(few + more, "utf-8")
    told = host.read("/t/crisp/codes")
    assert "How the cups are dealt" in told
    assert "its place" not in told if said is None else said in told
