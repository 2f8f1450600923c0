"""Before the tasting: how many tasters and sessions the question needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from blindspoon.errors import DesignError, Rule
from blindspoon.files import disk
from blindspoon.files.trial_folder import TABLES, read_folder
from blindspoon.scores.standing import too_few_rounds
from blindspoon.serving.plan import Jars, foretold, jars_of
from blindspoon.trial import Attribute, Trial
from blindspoon.wording import count

if TYPE_CHECKING:
    from blindspoon.simulate.exact_size import ChoiceSizing, CourseSizing
    from blindspoon.simulate.size_results import Sizing, Spread
    from blindspoon.simulate.trials import Progress

_UNFIT = Rule(
    "not-sizable",
    "sizing takes one taster in 3 rounds or more, or 3 tasters or more, and 100 trials or more",
    "Correct the option",
)
_UNSCORED = Rule(
    "not-sizable", "only scores are simulated", 'Run "blindspoon size FOLDER" for sets'
)


ROUNDS = (4, 5, 6, 8, 10, 12, 16, 20, 24, 32)  # rounds of one person alone that are tried


def size_folder(
    folder: Path,
    *,
    like: Path | None = None,
    tasters: Sequence[int] = (),
    sessions: Sequence[int] = (),
    trials: int | None = None,
    jobs: int = -1,
    both: bool = False,
    progress: Progress | None = None,
) -> tuple[Trial, Sizing]:
    """Simulate trials of the design of a folder, and tell the panels done; see `api.size`.

    With `both` by both procedures, not only the one that decides.
    """
    from blindspoon.simulate.size import size, sized_attribute  # noqa: PLC0415
    from blindspoon.simulate.trials import BOTH  # noqa: PLC0415 - brings in scipy

    text = read_folder(folder, without={*TABLES} - {"batches.csv"})
    trial = text.trial
    if not trial.attributes:
        raise DesignError([_UNSCORED.broken("no [[attribute]] is scored", "trial.toml")])
    sized = _at_the_last_look(trial)
    jars = jars_of(text.tables.batches)
    alone = [*(tasters or [len(trial.tasting.tasters)])] == [1]
    if alone:  # each round is held against itself, by ranks, as each taster of a panel is
        tasters = sessions or sorted({*ROUNDS, max(len(trial.sessions), 4)})
        sessions = (1,)
        sized = replace(sized, decision=replace(sized.decision, by="ranks"))
    try:
        spread = _spread(sized_attribute(trial), like)
        if alone:  # whose level and opinions cancel
            spread = replace(spread, taster_variant_sd=0.0)
        found = size(
            sized, spread, tasters=tasters or None, sessions=sessions or None,
            trials=trials, n_jobs=jobs, progress=progress,
            procedures=BOTH if both and not alone else (sized.decision.by,), rounds=alone,
            jars=_jars_of_each(trial, jars),
        )  # fmt: skip
    except ValueError as error:
        argument, _, wrong = str(error).partition(": ")
        raise DesignError([_UNFIT.broken(wrong, argument)]) from error
    return trial, replace(found, foretold=tuple(foretold(trial, jars)))


def _jars_of_each(trial: Trial, jars: Jars) -> list[int]:
    """Count each variant's, the control's first; none where each is one jar."""
    others = [variant.name for variant in trial.variants if variant.name != trial.control]
    numbers = [len(jars.get(name, "1")) for name in (trial.control, *others)]
    return numbers if max(numbers) > 1 else []


def size_exactly(
    trial: Trial, like: Path | None = None, tasters: Sequence[int] = ()
) -> tuple[ChoiceSizing | None, CourseSizing | None]:
    """Work out what numbers of sets can show, and what panels can hope for of a question of days.

    None where the trial has no choice, or no course.
    """
    from blindspoon.simulate.exact_size import size_choice, size_course  # noqa: PLC0415 - scipy

    trial, days = _at_the_last_look(trial), None
    sets = size_choice(trial, tasters) if trial.choice else None
    if trial.course:
        spread = _spread(trial.attribute(trial.course.attribute), like)
        days = size_course(trial, spread, tasters)
        days = days and replace(days, sentences=(*days.sentences, *foretold(trial, {})))
    return sets, days


class Hope(NamedTuple):
    """What is planned can show; `in_vain` where it never shows an answer that the rule names."""

    sentences: tuple[str, ...]
    in_vain: bool = False


def hope(trial: Trial) -> Hope:
    """Say what is planned can show of sets, of days, or one person alone: nothing is simulated."""
    tasters, often = trial.tasting.tasters, len(trial.sessions) or 1
    if not (trial.choice or trial.course):
        return Hope(tuple(filter(None, [too_few_rounds(trial, tasters)])))
    from blindspoon.simulate.exact_size import DESIGNS  # noqa: PLC0415 - brings in scipy

    in_all = ""
    if (choice := trial.choice) and tasters:
        sets, changes = len(tasters) * choice.sets * often, len(trial.variants) - 1
        each = min(sets // changes, choice.tests or sets)
        trial = replace(trial, choice=replace(choice, tests=each or None))
        in_all = f"{count(len(tasters), 'taster')} in {count(often, 'session')}: "
        in_all += f"{count(sets, 'set')} in all{f', {each} a change' * (changes > 1)}."
    sized, days = size_exactly(trial)
    of_days = days.sentences[len(DESIGNS) :] if days else ()
    if sized is None:
        return Hope(of_days)
    never = any(row.tests == sized.planned and not row.chance_alike for row in sized.rows)
    end = [f"So {count(sized.planned, 'set')} can never come out as alike."] * never
    return Hope((*filter(None, [in_all]), *sized.sentences[:2], *end, *of_days), never)


def _at_the_last_look(trial: Trial) -> Trial:
    """Decide at the part of alpha that earlier looks leave."""
    return replace(trial, decision=replace(trial.decision, share=trial.decision.left))


def draw_chances(trial: Trial, sizing: Sizing, target: Path) -> None:
    """Write the chart of what panels can hope for, as PNG or as SVG by the file's ending."""
    from blindspoon.charts.chart import png_file, svg_file  # noqa: PLC0415 - only for a chart
    from blindspoon.simulate.chances import chances_chart  # noqa: PLC0415

    write = png_file if target.suffix.lower() == ".png" else svg_file
    disk.write_files_atomically({target: write(chances_chart(sizing, trial))})


def _spread(attribute: Attribute, like: Path | None) -> Spread:
    """Take the spread that is usual, or an earlier trial's."""
    from blindspoon.simulate import size_results  # noqa: PLC0415

    if like is None:
        return size_results.common_practice(attribute.scale)
    from blindspoon.analysis import analyse  # noqa: PLC0415 - only for an earlier trial

    earlier = analyse(like)
    results = {result.attribute.name: result for result in earlier.results}
    if attribute.name not in results:
        rule = Rule("not-like", f"it scored {', '.join(results)}", "Choose another trial")
        found = "the earlier trial did not score this attribute"
        raise DesignError([rule.broken(found, str(like), column=attribute.name)])
    return size_results.spread_from(results[attribute.name].mixed, earlier.trial.title)
