"""A trial begun in a terminal, and where it stands."""

from __future__ import annotations

from click.testing import CliRunner

from blindspoon.cli.main import commands
from blindspoon.files.trial_toml import parse_trial


def test_seven_questions_in_a_terminal_and_where_the_trial_stands(tmp_path, monkeypatch):
    terminal = "click.testing._NamedTextIOWrapper.isatty"
    monkeypatch.setattr(terminal, lambda _: True, raising=False)
    monkeypatch.chdir(tmp_path)
    said = [
        *("half-sour cucumbers", "As always", "Oak leaf", "Three weeks in the cellar", ""),
        *("What keeps them crisp?", "Texture", "snap", "", "a bit", "3", "", "", ""),
        *("0,5", "y"),  # asked again, as "a bit" is no number; and yes to the rule
    ]
    done = CliRunner().invoke(commands, ["new", "crisp"], input="\n".join(said) + "\n")
    assert done.exit_code == 0, done.output
    assert "“Three weeks in the cellar” is meant to differ in temperature." in done.output
    assert "luck alone would put either of the two" in " ".join(done.output.split())
    trial = parse_trial((tmp_path / "crisp" / "trial.toml").read_text("utf-8"))
    assert [attribute.name for attribute in trial.attributes] == ["texture", "snap"]
    assert (trial.attributes[0].margin, trial.variants[1].differs) == (0.5, ("oak_leaf",))
    assert trial.decision.declared is not None
    stands = CliRunner().invoke(commands, []).output
    assert "crisp: What keeps them crisp?\n  Planned. No jar is written down yet of" in stands
    assert '"blindspoon blind crisp"' in stands
