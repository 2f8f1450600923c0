"""The files of a repeat: a page to follow, and a trial folder with everything but the scores."""

from __future__ import annotations

from collections.abc import Sequence

from blindspoon.delimited import write_csv
from blindspoon.kit.page import do_it_yourself
from blindspoon.kit.plan import draw_repeat, jar_of, repeat_of
from blindspoon.kit.recipe import Recipe, recipes
from blindspoon.made import Made
from blindspoon.scores import ScoreTable
from blindspoon.serving import ServingPlan
from blindspoon.sheets import print_sheets
from blindspoon.trial import Trial
from blindspoon.trial_toml import trial_text

JAR_G = 1000.0
"""Grams that a jar holds, where the host says nothing else: about a litre."""


def kit_files(
    trial: Trial, table: ScoreTable, made: Made | None, *, jar_g: float = JAR_G
) -> dict[str, bytes]:
    """Make the files of a repeat.

    Parameters
    ----------
    trial : Trial
    table : ScoreTable
        Tells how many tasters and sessions there were.
    made : Made or None
        None where nothing was written down of the batches: there is then no batches.csv.
    jar_g : float
        Grams that a jar is to hold in all.

    Returns
    -------
    dict of str to bytes
        By path: ``do-it-yourself.html``, and a trial folder, ``trial.toml``, ``batches.csv``,
        ``servings.csv``, ``key.csv``, ``scores.csv`` with a row a cup and no score yet, and the
        sheets to print. Once scores stand in it, `compare` reads it.
    """
    again = repeat_of(trial, table)
    jars = recipes(trial, made.log, jar_g) if made else ()
    plan = draw_repeat(again, jars)
    sheets = print_sheets(again, plan, portion_g=again.tasting.portion_g)
    files = {
        "do-it-yourself.html": do_it_yourself(again, plan, jars, made, jar_g),
        "trial.toml": trial_text(again).encode(),
        "servings.csv": write_csv(plan.servings_rows()).encode(),
        "key.csv": write_csv(plan.key_rows()).encode(),
        "scores.csv": write_csv(_ballot_rows(again, plan)).encode(),
        **{f"sheets/{name}": content for name, content in sheets.items()},
    }
    return files | ({"batches.csv": write_csv(_batch_rows(jars)).encode()} if jars else {})


def _ballot_rows(trial: Trial, plan: ServingPlan) -> list[list[str]]:
    """Give each cup its row, to be keyed in from paper."""
    head, *rows = plan.servings_rows()
    session, taster, code = (head.index(name) for name in ("session", "taster", "code"))
    names = [attribute.name for attribute in trial.attributes]
    blank = [""] * (len(names) + 1)
    cups = [[row[session], row[taster], row[code], *blank] for row in rows]
    return [["session", "taster", "code", *names, "comment"], *cups]


def _batch_rows(jars: Sequence[Recipe]) -> list[list[str]]:
    """Write what is to be weighed; the days and the temperature are the reader's to fill in."""
    grams = list(dict.fromkeys(name for jar in jars for name in jar.grams))
    words = ("acid", "starter", "vessel")
    others = [name for name in words if any(name in jar.others for jar in jars)]
    own = dict.fromkeys(name for jar in jars for name in jar.others)
    others += [name for name in own if name not in (*words, "temperature_c")]
    rows = [
        [
            jar_of(jar.variant),
            jar.variant,
            *(f"{jar.grams[name]:.4g}" if name in jar.grams else "" for name in grams),
            *(jar.others.get(name, "") for name in others),
            *[""] * 4,
        ]
        for jar in jars
    ]
    days = ["started", "finished", "temperature_c", "note"]
    return [["batch", "variant", *grams, *others, *days], *rows]
