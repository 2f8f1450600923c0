"""Trials made from random numbers, for every kind of result that a report has to tell."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from blindspoon.errors import Note
from blindspoon.files.text_table import FolderTables
from blindspoon.findings.compare import compare_trial
from blindspoon.findings.comparison import Analysis
from blindspoon.scores.score_table import Remark, ScoreTable
from blindspoon.scores.standing import Standing
from blindspoon.trial import Attribute, Decision, Scale, Session, Tasting, Trial, Variant
from blindspoon.writeup.page import ReportContent, compose

ENDS = {
    "texture": ("soft", "crisp", "softer", "crisper"),
    "saltiness": ("not salty", "very salty", "less salty", "saltier"),
    "sourness": ("not sour", "very sour", "", ""),
}


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """How a made-up trial went; `effects` are variant minus control, in points, on `moved` ones."""

    effects: tuple[float, ...] = (2.2, 0.6, 0.0, -1.9)
    tasters: int = 12
    sessions: int = 1
    attributes: tuple[str, ...] = ("texture", "saltiness")
    moved: int = 1
    primary: tuple[str, ...] = ("texture",)
    declared: datetime.date | None = datetime.date(2026, 9, 4)
    by: str = "mixed"
    margin: float | None = 1.0
    scale: Scale = field(default=Scale(low=0, high=10, step=0.5))
    noise: float = 1.0
    batches: int = 1
    coded: bool = True
    labels: tuple[str, ...] = ("Cool cellar", "Vine leaf", "Old brine", "Calcium")
    title: str = "What keeps half-sour cucumbers crisp?"
    kept: int | None = None
    remarks: tuple[str, ...] = ()
    left_out: tuple[Note, ...] = ()
    notes: tuple[Note, ...] = ()
    seed: int = 7


SCENARIOS = {
    "usual": Scenario(remarks=("<b>lovely</b> & crisp",), sessions=2),
    "nothing differs": Scenario(effects=(0.0,) * 4, noise=1.6),
    "everything differs": Scenario(effects=(4.0, 5.0, -4.0, -5.0), noise=0.5),
    "all alike": Scenario(effects=(0.0,) * 4, noise=0.3),
    "one taster": Scenario(tasters=1),
    "one taster, many rounds": Scenario(tasters=1, sessions=8),
    "three tasters": Scenario(tasters=3, by="ranks"),
    "replicates": Scenario(sessions=3),
    "all missing but two": Scenario(kept=2),
    "no decision": Scenario(declared=None, primary=(), margin=None),
    "by ranks": Scenario(by="ranks", tasters=14),
    "no margin": Scenario(margin=None),
    "several batches": Scenario(batches=2),
    "twelve variants": Scenario(
        effects=tuple(np.linspace(-3, 3, 11)),
        labels=tuple(f"Brine of {k} in the coldest cellar of all" for k in range(11)),
        attributes=("texture", "saltiness", "sourness"),
        primary=("texture", "saltiness", "sourness"),
    ),
    "two primary": Scenario(primary=("texture", "saltiness")),
    "one variant": Scenario(effects=(2.0,)),
    "one attribute": Scenario(attributes=("texture",)),
    "uncoded": Scenario(coded=False),
    "to a hundred": Scenario(
        scale=Scale(low=0, high=100), effects=(20.0, 3.0, 0.0, -18.0), noise=9, margin=10.0
    ),
    "words of the host": Scenario(
        title="<script>alert(1)</script> & “brine”",
        labels=("<i>oak</i>", "{{ 7 * 7 }}", "=1+1", 'a "b" <c>'),
        remarks=("<script>alert(2)</script>", "=cmd()"),
        left_out=(Note(file="<x>.csv", line=3, text="<b>spilt</b>"),),
        notes=(Note(file="scores.csv", text="<em>column</em> is not used"),),
    ),
}


def make_trial(scenario: Scenario) -> Trial:
    """The plan of a scenario."""
    others = [
        Variant(name=f"v{k}", label=label, method="As plain, but one thing", differs=("age",))
        for k, label in enumerate(scenario.labels[: len(scenario.effects)], 1)
    ]
    control = Variant(name="plain", label="Plain brine", method="3.5 % brine", differs=())
    return Trial(
        title=scenario.title,
        question="Which of four changes to a plain brine can tasters notice?",
        product="fermented cucumbers",
        host="The allotment kitchen (invented)",
        licence="CC0-1.0",
        dates="",
        control="plain",
        seed=20260905,
        decision=Decision(
            declared=scenario.declared, primary=scenario.primary, alpha=0.05, by=scenario.by
        ),
        attributes=tuple(_attribute(name, scenario) for name in scenario.attributes),
        variants=(control, *others),
        sessions=(Session(name="1", date=datetime.date(2026, 9, 19)),),
        tasting=Tasting(
            tasters=(), servings=None, codes="per taster", cleanser="water and a plain cracker"
        ),
    )


def _attribute(name: str, scenario: Scenario) -> Attribute:
    low, high, less, more = ENDS.get(name, ("", "", "", ""))
    return Attribute(
        name=name,
        label=name.capitalize(),
        low=low,
        high=high,
        less=less,
        more=more,
        scale=scenario.scale,
        margin=scenario.margin,
    )


def make_table(scenario: Scenario) -> ScoreTable:
    """Scores drawn around the effects, on the scale's steps."""
    rng = np.random.default_rng(scenario.seed)
    variants = len(scenario.effects) + 1
    shape = (scenario.sessions, scenario.tasters, variants)
    session, taster, variant = (each.ravel() for each in np.indices(shape))
    batch = variant * scenario.batches + (session + taster) % scenario.batches
    scores = _scores(rng, scenario, taster, variant)
    if scenario.kept is not None:
        scores[scenario.kept :] = np.nan
    remarks = tuple(
        Remark(session="1", taster=f"T{k:02}", variant="plain", text=text)
        for k, text in enumerate(scenario.remarks, 1)
    )
    return ScoreTable(
        tasters=tuple(f"T{k + 1:02}" for k in range(scenario.tasters)),
        sessions=tuple(str(k + 1) for k in range(scenario.sessions)),
        taster=taster,
        session=session,
        variant=variant,
        batch=batch,
        batches=tuple(f"jar {k + 1}" for k in range(variants * scenario.batches)),
        position=np.zeros_like(taster),
        scores=scores,
        coded=scenario.coded,
        balanced=False,
        remarks=remarks,
        left_out=scenario.left_out,
    )


def _scores(rng, scenario, taster, variant):
    scale = scenario.scale
    level = (scale.low + scale.high) / 2
    means = level + np.array([0.0, *scenario.effects])[variant]
    own = rng.normal(0, scenario.noise, scenario.tasters)[taster]
    columns = []
    for index in range(len(scenario.attributes)):
        centre = means if index < scenario.moved else np.full_like(means, level)
        raw = centre + own + rng.normal(0, scenario.noise, taster.size)
        step = scale.step or 1.0
        columns.append(np.clip(np.round(raw / step) * step, scale.low, scale.high))
    return np.column_stack(columns)


def make_content(scenario: Scenario) -> ReportContent:
    """Compare, judge and compose, as the pipeline does."""
    trial, table = make_trial(scenario), make_table(scenario)
    analysis = Analysis(
        folder="allotment-cucumbers",
        fingerprint="0123456789abcdef" * 4,
        trial=trial,
        table=table,
        results=compare_trial(trial, table),
        made=None,
        notes=scenario.notes,
        standing=Standing(),
        tables=FolderTables(scores=(), servings=None, key=None, batches=None, readings=None),
    )
    return compose(analysis)


def part(content, name):
    """Find a section of a page."""
    return next(section for section in content.sections if section.name == name)


@pytest.fixture(scope="session")
def content_of() -> Callable[..., ReportContent]:
    """The content of a named scenario, or of one with some things changed; made once each."""
    made: dict[object, ReportContent] = {}

    def content(name: str, **changes: object) -> ReportContent:
        scenario = replace(SCENARIOS[name], **changes)
        if scenario not in made:
            made[scenario] = make_content(scenario)
        return made[scenario]

    return content


@pytest.fixture(scope="session")
def every_content(content_of) -> dict[str, ReportContent]:
    """The content of every scenario, by its name."""
    return {name: content_of(name) for name in SCENARIOS}
