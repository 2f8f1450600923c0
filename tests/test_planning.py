"""new, size and blind as a host uses them."""

from __future__ import annotations

import json
import os
import re
import shutil
import tomllib
from pathlib import Path

import pytest

import blindspoon as bs
from blindspoon.analysis import analyse, compose_report
from blindspoon.drawing import write_order
from blindspoon.files import shipped
from blindspoon.files.trial_toml import parse_trial
from blindspoon.planning import _jars_of_each
from blindspoon.trial import today
from blindspoon.writeup.page import page
from tests.conftest import rows

ROOT = Path(__file__).parents[1]
CUCUMBERS = ROOT / "trials" / "allotment-cucumbers"


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


@pytest.fixture(scope="module")
def made(blindspoon, tmp_path_factory):
    """A new trial, and one whose blind is drawn, to be copied."""
    tmp_path = tmp_path_factory.mktemp("made")
    done = blindspoon("new", tmp_path / "trial")
    assert done.returncode == 0, done.stderr
    toml = tmp_path / "trial" / "trial.toml"
    text = toml.read_text(encoding="utf-8")
    for letter in "AB":
        text = text.replace(f'"Change {letter}"', f'"With leaf {letter}"')
    toml.write_text(text.replace("The same, but ...", "The same, with a leaf"), encoding="utf-8")
    drawn = shutil.copytree(tmp_path / "trial", tmp_path / "drawn")
    done = blindspoon("blind", drawn, "--declare")
    assert done.returncode == 0, done.stderr
    return tmp_path


@pytest.fixture
def trial(made, tmp_path):
    return shutil.copytree(made / "trial", tmp_path / "trial")


@pytest.fixture
def drawn(made, tmp_path):
    return shutil.copytree(made / "drawn", tmp_path / "trial")


def test_only_who_tastes_alone_writes_an_order_down(drawn):
    codes = [row["code"] for row in rows(drawn / "servings.csv") if row["session"] == "1"]
    with pytest.raises(bs.TrialError, match="are not the cups of any round"):
        write_order(drawn, codes)


def test_jars_are_counted_by_variant_the_control_first():
    trial = parse_trial((CUCUMBERS / "trial.toml").read_text(encoding="utf-8"))
    first = trial.variants[1].name
    assert _jars_of_each(trial, {trial.control: ["a", "b", "c"], first: ["d", "e"]}) == [
        3, 2, 1, 1, 1,
    ]  # fmt: skip


def test_the_example_is_the_demonstration_and_compares_as_it_is(blindspoon, tmp_path):
    assert blindspoon("new", tmp_path / "example", "--example").returncode == 0
    assert contents(tmp_path / "example") == contents(CUCUMBERS)
    done = blindspoon("compare", tmp_path / "example")
    assert done.returncode == 0, done.stderr
    assert blindspoon("new", tmp_path / "example", "--example").returncode == 1


def test_an_installed_package_has_the_example_in_it(tmp_path, monkeypatch):
    shutil.copytree(CUCUMBERS, tmp_path / "example")
    (tmp_path / "example" / "trial.toml").write_bytes(b"installed")
    monkeypatch.setattr(shipped.resources, "files", lambda _: tmp_path)
    assert shipped.example() == contents(tmp_path / "example")
    build = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]
    included = build["build"]["targets"]["wheel"]["force-include"]
    assert included == {"trials/allotment-cucumbers": "blindspoon/example"}


def taste(folder):
    """Score every cup as if nobody could tell anything apart, and lift the blind."""
    served = rows(folder / "servings.csv")
    lines = ["session,taster,code,saltiness,sourness,ferment,texture,comment"]
    for number, cup in enumerate(served):
        scores = ",".join(str((number * step) % 11) for step in (3, 5, 7, 4))
        lines.append(f"{cup['session']},{cup['taster']},{cup['code']},{scores},")
    (folder / "scores.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    bs.lift(folder, yes=True)


def test_a_new_trial_is_sound_and_explains_itself(blindspoon, trial):
    text = (trial / "trial.toml").read_text(encoding="utf-8")
    plan = parse_trial(text)
    assert plan.decision.primary == ("texture",)
    assert plan.seed > 0
    assert text.count("#") > 20
    assert blindspoon("check", trial).returncode == 0


def test_new_writes_over_nothing(blindspoon, trial):
    (trial / "trial.toml").write_text("mine", encoding="utf-8")
    before = contents(trial)
    done = blindspoon("new", trial)
    assert done.returncode == 1
    assert "already" in done.stderr
    assert contents(trial) == before


def test_a_new_trial_goes_all_the_way(blindspoon, drawn):
    taste(drawn)
    assert blindspoon("check", drawn).stdout.endswith("no problems, no notes.\n")
    found = json.loads(blindspoon("compare", drawn, "--json").stdout)
    assert found["trial"]["tasters"] == 8
    assert len(found["comparisons"]) == 8


def test_a_template_is_not_drawn(blindspoon, tmp_path):
    blindspoon("new", tmp_path / "new")
    done = blindspoon("blind", tmp_path / "new", "--declare")
    assert done.returncode == 1
    assert "a variant still says “Change A”" in done.stderr
    assert "declared = " not in re.sub("#.*", "", (tmp_path / "new/trial.toml").read_text("utf-8"))


def test_a_rule_is_declared_when_the_host_says_so(blindspoon, trial):
    assert parse_trial((trial / "trial.toml").read_text("utf-8")).decision.declared is None
    assert "No rule is declared" in blindspoon("check", trial).stdout
    before = (trial / "trial.toml").read_text("utf-8").splitlines()
    done = blindspoon("blind", trial, "--declare")
    assert "No rule is declared" not in done.stdout
    after = (trial / "trial.toml").read_text("utf-8").splitlines()
    ((old, new),) = [pair for pair in zip(before, after, strict=True) if pair[0] != pair[1]]
    assert new == f"declared = {today()}{'':8}{old[old.index('#', 1) :]}"
    taste(trial)
    assert bs.compare(trial).to_record()["seal"]["changed"] == []


def test_an_undeclared_rule_and_a_late_one_are_warned_of_everywhere(blindspoon, trial):
    done = blindspoon("blind", trial)  # no terminal, so nobody is asked
    assert "note: trial.toml: No rule is declared" in done.stdout
    taste(trial)
    said = " ".join(blindspoon("compare", trial).stdout.split())
    assert "No rule is declared, so take even what is primary as a lead." in said
    toml = trial / "trial.toml"
    late = re.sub(r"# declared.*", "declared = 2026-09-20", toml.read_text("utf-8"))
    toml.write_text(re.sub("# date = .*", "date = 2026-09-19", late), "utf-8")
    said = "The rule is declared on 2026-09-20, after the first session on 2026-09-19."
    assert said in blindspoon("check", trial).stdout
    assert said in " ".join(blindspoon("compare", trial).stdout.split())


def test_no_variant_stands_in_what_tasters_see(drawn):
    names = {cup["variant"] for cup in rows(drawn / "key.csv")}
    served = (drawn / "servings.csv").read_text(encoding="utf-8")
    assert names == {"plain", "change-a", "change-b"}
    assert not any(name in served for name in names)
    assert set(rows(drawn / "servings.csv")[0]) == {"session", "taster", "position", "code"}


def test_the_same_seed_draws_the_same(apart, drawn, tmp_path):
    twin = tmp_path / "twin"
    twin.mkdir()
    (twin / "trial.toml").write_bytes((drawn / "trial.toml").read_bytes())
    assert apart("blind", twin).returncode == 0
    for name in ("servings.csv", "key.csv"):
        assert (twin / name).read_bytes() == (drawn / name).read_bytes()


def test_the_blind_is_drawn_once(blindspoon, drawn):
    before = contents(drawn)
    done = blindspoon("blind", drawn)
    assert done.returncode == 1
    assert "seal.toml: the blind is drawn already; it is drawn once" in done.stderr
    assert "--take-back undoes it" in done.stderr
    assert contents(drawn) == before


def test_nothing_is_drawn_once_a_cup_was_scored(blindspoon, drawn):
    taste(drawn)
    for name in ("servings.csv", "key.csv", "seal.toml"):
        (drawn / name).unlink()
    done = blindspoon("blind", drawn)
    assert done.returncode == 1
    assert "scored already" in done.stderr
    assert not (drawn / "key.csv").exists()


def test_a_late_taster_disturbs_nobody(blindspoon, drawn):
    before = rows(drawn / "servings.csv")
    blindspoon("blind", drawn, "--sheets", "--paper", "letter")
    done = blindspoon("blind", drawn, "--add", "Zoe")
    assert done.returncode == 0, done.stderr
    (hers,) = re.findall(
        "these cups alone written: (.*) \\(labels, ballots, pouring, trays", done.stdout
    )
    assert f"Next: print from {drawn / 'sheets' / 'added'} what is new" in done.stderr
    assert "215.9mm" in (Path(hers) / "ballots.html").read_text(encoding="utf-8")
    after = rows(drawn / "servings.csv")
    assert [cup for cup in after if cup["taster"] != "Zoe"] == before
    assert sorted(cup["position"] for cup in after if cup["taster"] == "Zoe") == ["1", "2", "3"]
    assert "Zoe" in (drawn / "seal.toml").read_text(encoding="utf-8")
    again = blindspoon("blind", drawn, "--add", "Zoe")
    assert again.returncode == 1
    taste(drawn)
    assert blindspoon("compare", drawn).returncode == 0


@pytest.fixture
def report_text():
    """The page of a folder's report as one line; its files need not be drawn for that."""
    return lambda folder: re.sub(r"\s+", " ", page(compose_report(analyse(folder))))


def test_the_report_says_whether_rule_and_key_are_the_sealed_ones(drawn, report_text):
    taste(drawn)
    key, toml = drawn / "key.csv", drawn / "trial.toml"
    lines = key.read_text(encoding="utf-8").splitlines()
    key.write_text("\n".join([lines[0], *reversed(lines[1:])]), encoding="utf-8")
    assert "The rule and the key are those that were sealed on" in report_text(drawn)
    toml.write_text(toml.read_text("utf-8").replace("margin = 1.0", "margin = 2.0"), "utf-8")
    first, second = lines[1].rsplit(",", 1), lines[2].rsplit(",", 1)
    swapped = [f"{first[0]},{second[1]}", f"{second[0]},{first[1]}"]
    key.write_text("\n".join([lines[0], *swapped, *lines[3:]]), encoding="utf-8")
    text = report_text(drawn)
    assert "The rule was changed after it was sealed: margin of" in text
    assert "The key is not the one that was sealed on" in text


def test_the_control_can_be_hidden_twice(blindspoon, trial):
    toml = trial / "trial.toml"
    toml.write_text(toml.read_text("utf-8") + "controls = 2\n", "utf-8")
    assert blindspoon("blind", trial).returncode == 0
    cups = [cup for cup in rows(trial / "key.csv") if cup["taster"] == "T01"]
    assert sorted(cup["variant"] for cup in cups) == ["change-a", "change-b", "plain", "plain"]
    taste(trial)
    found = json.loads(blindspoon("compare", trial, "--json").stdout)
    assert found["attributes"][0]["mixed"]["residual_sd"] > 0


def test_batches_are_dealt_out(blindspoon, trial):
    (trial / "batches.csv").write_text(
        "batch,variant\njar 1,plain\njar 2,plain\njar 3,change-a\njar 4,change-b\n", "utf-8"
    )
    assert blindspoon("blind", trial).returncode == 0
    plain = [cup["batch"] for cup in rows(trial / "key.csv") if cup["variant"] == "plain"]
    assert sorted(set(plain)) == ["jar 1", "jar 2"]
    assert abs(plain.count("jar 1") - plain.count("jar 2")) <= 1


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("tasters = 8", "servings = 9\ntasters = 8", "9 servings"),
        ("tasters = 8", "", "no tasters"),
        ('name = "change-b"', 'name = "change-a"', "change-a"),
        ('control = "plain"', 'control = "plian"', "did you mean"),
    ],
)
def test_what_cannot_be_drawn_is_a_message(blindspoon, trial, before, after, words):
    toml = trial / "trial.toml"
    text = toml.read_text(encoding="utf-8")
    assert before in text
    toml.write_text(text.replace(before, after), encoding="utf-8")
    done = blindspoon("blind", trial)
    assert done.returncode == 1
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert not (trial / "key.csv").exists()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_folder_is_a_message(blindspoon, trial):
    trial.chmod(0o500)
    done = blindspoon("blind", trial)
    trial.chmod(0o700)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr


def test_size_says_what_a_small_panel_cannot_show(blindspoon, trial):
    sizes = ["--tasters", 5, "--tasters", 12, "--sessions", 1, "--trials", 200]
    done = blindspoon("size", trial, *sizes)
    assert done.returncode == 0, done.stderr
    text = " ".join(done.stdout.split())
    assert (
        "With 5 tasters or fewer the rank comparison can show no difference, whatever the scores."
        in text
    )
    assert "common practice, no source" in text
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


def test_size_takes_the_spread_of_an_earlier_trial(blindspoon, trial, printed):
    sizes = ["--tasters", 8, "--sessions", 2, "--trials", 200, "--json"]
    found = json.loads(blindspoon("size", trial, "--like", CUCUMBERS, *sizes).stdout)
    (texture,) = (each for each in printed["attributes"] if each["attribute"] == "texture")
    assert found["spread"]["residual_sd"] == pytest.approx(texture["mixed"]["residual_sd"])


def test_size_draws_a_chart(blindspoon, trial, tmp_path):
    sizes = ["--tasters", 6, "--tasters", 12, "--sessions", 1, "--trials", 200]
    for name, start in (("chart.svg", b"<"), ("chart.png", b"\x89PNG")):
        done = blindspoon("size", trial, *sizes, "--chart", tmp_path / name)
        assert done.returncode == 0, done.stderr
        assert (tmp_path / name).read_bytes().startswith(start)


def test_size_needs_a_margin(blindspoon, trial):
    toml = trial / "trial.toml"
    toml.write_text(toml.read_text("utf-8").replace("margin = 1.0\n", ""), "utf-8")
    done = blindspoon("size", trial)
    assert done.returncode == 1
    assert "margin" in done.stderr


def test_whoever_pours_reads_what_the_log_warns_of(blindspoon, trial):
    (trial / "batches.csv").write_text(
        "batch,variant,produce_g,water_g,salt_g\njar 1,plain,600,500,4\njar 2,change-a,600,500,25\n"
        "jar 3,change-b,600,500,25\n",
        "utf-8",
    )
    done = blindspoon("blind", trial)
    assert done.returncode == 0
    assert "caution: jar 1: at 0.4 % of produce and water the salt is below" in done.stdout
    pages = {path.name: path.read_text("utf-8") for path in (trial / "sheets").rglob("*.html")}
    assert "the salt is below" in pages.pop("helper.html")
    assert not any("jar 1" in page for page in pages.values())


def test_a_variant_that_is_listed_after_the_drawing_is_said_to_be_in_no_cup(blindspoon, drawn):
    late = '\n[[variant]]\nname = "dill"\nlabel = "More dill"\n'
    (drawn / "trial.toml").write_text((drawn / "trial.toml").read_text("utf-8") + late, "utf-8")
    told = blindspoon("check", drawn).stdout
    assert "no cup was drawn of “More dill”" in told
    assert "--take-back" in told


def test_a_scale_without_words_at_its_ends_is_asked_about_while_tasters_can_be_told(
    blindspoon, drawn
):
    text = (drawn / "trial.toml").read_text("utf-8")
    bare = re.sub('^(low|high) = ".*\n', "", text, flags=re.MULTILINE)
    (drawn / "trial.toml").write_text(bare, "utf-8")
    assert "no words say which end of the scale is which" in blindspoon("check", drawn).stdout
    taste(drawn)
    assert "which end" not in blindspoon("check", drawn).stdout


def test_variants_that_are_called_alike_are_named(blindspoon, drawn):
    text = (drawn / "trial.toml").read_text("utf-8")
    names = re.findall('^name = "([a-z-]+)"', text.partition("[[variant]]")[2], re.MULTILINE)[:2]
    for name in names:
        text = re.sub(f'(name = "{name}"\n)(label = .*\n)?', '\\1label = "As always"\n', text)
    (drawn / "trial.toml").write_text(text, "utf-8")
    told = blindspoon("check", drawn).stdout
    assert f"{', '.join(names)} are all called “As always”: no page tells them apart" in told
