"""Trials and plans of every size, and the sheets that are printed for them."""

import functools
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest

from blindspoon.files.trial_toml import parse_trial
from blindspoon.serving.draw import draw
from blindspoon.serving.plan import ServingPlan, request_for
from blindspoon.sheets.printing import print_sheets
from blindspoon.trial import Trial


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """A trial to print sheets for; texts are written as the host would."""

    title: str = "What keeps half-sour cucumbers crisp?"
    product: str = "fermented cucumbers"
    variants: Sequence[str] = ("Well water", "Oak leaf", "Cool cellar", "Old brine")
    attributes: Sequence[tuple[str, str, str]] = (("Texture", "soft", "crisp"),)
    scale: str = "low = 0, high = 10, step = 1"
    tasters: int | Sequence[str] = 6
    sessions: int = 1
    cleanser: str = "water and a cracker"
    codes: str = "per taster"
    servings: int | None = None
    warm_up: bool = False
    controls: int = 1
    batches: int = 0


LONG = "A label of forty characters, no {} less"
TWELVE = tuple(f"Brine {k:02} of the coldest cellar of them all" for k in range(12))
SCENARIOS = {
    "usual": Scenario(attributes=(("Texture", "soft", "crisp"), ("Saltiness", "", ""))),
    "four attributes": Scenario(
        attributes=tuple((f"Attribute {k}", "none", "much") for k in range(4)),
        scale="low = 0, high = 10, step = 0.5",
        tasters=3,
        sessions=2,
    ),
    "eight attributes": Scenario(
        attributes=tuple((LONG.format(k), "none", "much") for k in range(8)),
        scale="low = 0, high = 10, step = 0.5",
        tasters=2,
    ),
    "to a hundred": Scenario(scale="low = 0, high = 100", tasters=3),
    "alone": Scenario(tasters=1, sessions=3),
    "warm-up": Scenario(warm_up=True, controls=2, batches=2, sessions=2),
    "warm-up for two": Scenario(warm_up=True, controls=2, batches=2, tasters=2),
    "per session": Scenario(codes="per session"),
    "incomplete": Scenario(servings=3, tasters=12),
    "large": Scenario(
        variants=TWELVE,
        attributes=tuple((f"Attribute {k}", "none", "much") for k in range(8)),
        scale="low = 0, high = 10, step = 0.5",
        tasters=40,
        sessions=3,
    ),
    "twelve": Scenario(variants=TWELVE, tasters=10, sessions=2),
    "twelve for two": Scenario(variants=TWELVE, tasters=2),
    "other letters": Scenario(
        title="Какие огурцы хрустят?",
        product="квашеные огурцы",
        variants=("Простой рассол", "冷たい貯蔵庫", "ورق العنب"),
        attributes=(("Хруст", "мягкий", "хрустящий"), ("塩味", "薄い", "濃い")),
        tasters=("Аня", "花子", "ליאור"),
    ),
    "long names": Scenario(
        title="Cucumbers " * 20,
        product="cucumbers" * 12,
        tasters=("Maximiliane " * 6, "Bartholomäus" * 6),
        attributes=(("Crunchiness" * 5, "not in the least " * 4, "very much so " * 4),),
        scale="low = -1000, high = 1000, step = 100",
    ),
    "markup": Scenario(
        title="<script>alert(1)</script> & “brine”",
        product="<b>cucumbers</b> & dill",
        variants=("<i>oak</i>", "{{ 7 * 7 }}", 'a "b" <c>'),
        attributes=(("<u>crunch</u>", "<low>", "{{ high }}"),),
        tasters=("<b>Ann</b>", "O'Neill & co"),
        cleanser="<em>water</em>",
    ),
}


def trial_of(scenario: Scenario) -> Trial:
    """The trial of a scenario, read as a host's trial.toml is."""
    text = json.dumps
    lines = [
        f"trial = {{ title = {text(scenario.title)}, product = {text(scenario.product)}, "
        'control = "v-0", seed = 7 }',
        f"scale = {{ {scenario.scale} }}",
    ]
    for number, (label, low, high) in enumerate(scenario.attributes):
        lines += ["[[attribute]]", f'name = "a{number}"', f"label = {text(label)}"]
        lines += [f"low = {text(low)}", f"high = {text(high)}"]
    for number, label in enumerate(scenario.variants):
        lines += ["[[variant]]", f'name = "v-{number}"', f"label = {text(label)}"]
    for number in range(scenario.sessions):
        lines += ["[[session]]", f'name = "{number + 1}"', f"date = 2026-09-{19 + number}"]
    lines += ["[tasting]", f"tasters = {text(scenario.tasters)}"]
    lines += [f"cleanser = {text(scenario.cleanser)}", f"codes = {text(scenario.codes)}"]
    lines += [f"servings = {scenario.servings}"] if scenario.servings else []
    return parse_trial("\n".join(lines))


def plan_for(trial: Trial, scenario: Scenario) -> ServingPlan:
    """The plan that is drawn for a scenario, the same each time."""
    batches = {
        variant.name: [f"jar {variant.name}-{k}" for k in range(scenario.batches)]
        for variant in trial.variants
        if scenario.batches
    }
    served = replace(trial.tasting, controls=scenario.controls, warm_up=scenario.warm_up)
    request = request_for(replace(trial, tasting=served), batches)
    return draw(request, np.random.default_rng(7))


def portioned(made: tuple[Trial, ServingPlan], grams: float | None) -> tuple[Trial, ServingPlan]:
    """The same with so many grams in a cup."""
    trial, plan = made
    return replace(trial, tasting=replace(trial.tasting, portion_g=grams)), plan


@pytest.fixture(scope="session")
def case() -> Callable[[str], tuple[Trial, ServingPlan]]:
    """The trial and the plan of a named scenario, made once each."""
    made: dict[str, tuple[Trial, ServingPlan]] = {}

    def case(name: str) -> tuple[Trial, ServingPlan]:
        if name not in made:
            trial = trial_of(SCENARIOS[name])
            made[name] = (trial, plan_for(trial, SCENARIOS[name]))
        return made[name]

    return case


@pytest.fixture(scope="session")
def sheets(case) -> Callable[..., dict[str, str]]:
    """The sheets of a named scenario, as text, printed once each; only to be read."""

    @functools.cache
    def sheets(name: str, **options: object) -> dict[str, str]:
        return {file: data.decode() for file, data in print_sheets(*case(name), **options).items()}

    return sheets


@pytest.fixture
def sets_alone():
    """Two sets in each of two sessions, for one taster."""

    def make(method):
        trial = parse_trial(
            'trial = { title = "Salts", control = "rock" }\ntasting = { tasters = ["Ada"] }\n'
            'variant = [{ name = "rock" }, { name = "sea" }]\n'
            'session = [{ name = "1" }, { name = "2" }]\n'
            f'choice = {{ method = "{method}", sets = 2 }}\n'
        )
        return trial, draw(request_for(trial), np.random.default_rng(1))

    return make
