"""Before the tasting: new, batches, size and blind."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from blindspoon.cli import say
from blindspoon.errors import some_of
from blindspoon.trial import today

if TYPE_CHECKING:
    from collections.abc import Callable

    from blindspoon.serving.plan import ServingPlan
    from blindspoon.trial import Trial


@say.verb()
@say.FOLDER
@say.flag("--example", "A finished, invented trial to try everything on.")
@say.flag("--plain", "Ask nothing: write a commented template.")
def new(folder: Path, example: bool, plain: bool) -> None:
    """Start a trial with seven questions.

    Without a terminal it begins with a commented template. Writes trial.toml, batches.csv and
    readings.csv, and never over a file that is there.
    """
    from blindspoon.files.disk import make_files  # noqa: PLC0415
    from blindspoon.files.shipped import example as finished  # noqa: PLC0415
    from blindspoon.files.shipped import starter  # noqa: PLC0415

    if example:
        make_files(folder, finished())
        click.echo(f"Example, all of it invented: {folder / 'trial.toml'}.")
    elif plain or not sys.stdin.isatty():
        make_files(folder, {name: text.encode() for name, text in starter(today()).items()})
        click.echo(f"New trial: {folder / 'trial.toml'}. Change it to yours before anyone tastes.")
    else:
        make_files(folder, _ask_questions())
        click.echo(f"New trial: {folder / 'trial.toml'}. You can change every answer there.")


def _ask_questions() -> dict[str, bytes]:
    """Ask the seven questions, again where an answer will not do, and for a yes to the rule."""
    from blindspoon import starting  # noqa: PLC0415
    from blindspoon.batches.summary import factor_name  # noqa: PLC0415
    from blindspoon.errors import TrialFileError  # noqa: PLC0415
    from blindspoon.files.edits import put  # noqa: PLC0415
    from blindspoon.files.trial_toml import parse_trial  # noqa: PLC0415
    from blindspoon.wording import listing  # noqa: PLC0415

    ready = ", ".join(attribute.label.lower() for attribute in starting.known_attributes())
    numbers = {f"{n}": kind for n, kind in enumerate(starting.KINDS, 1)}
    kinds = "; ".join(f"{n} {starting.KINDS[kind]}" for n, kind in numbers.items())
    written = " Write each as in 2026-10-17 or 17.10.2026, or none."
    hints = {"session[1].date": written, "changes": f" {starting.AGES}"}
    *seven, (share, about), (sets, how_many) = starting.QUESTIONS.items()
    questions = [
        (key, f"{n}. {q.asked}", q.hint + hints.get(key, "")) for n, (key, q) in enumerate(seven, 1)
    ]
    questions[4:4] = [
        (starting.ASKS, "What would answer it?", f"Write its number: {kinds}."),
        (starting.SCORED, "What tasters score", f"From 0 to 10: {ready}, or your own. The first "
         "one answers your question."),
    ]  # fmt: skip
    questions[7:7] = [(share, f"5. {seven[4][1].asked}", f"{about.asked}. {about.hint}")]
    questions.append((sets, *how_many))
    answers: dict[str, str] = {}
    wrong = {key for key, *_ in questions}
    while wrong:
        for key, question, hint in questions:
            of_sets = answers.get(starting.ASKS) == "sets"
            other = (starting.SCORED, "decision.margin") if of_sets else starting.OF_SETS
            if key not in wrong or key in other:
                continue
            many = key in ("changes", starting.SCORED, "tasting.tasters", "session[1].date")
            filled = click.wrap_text(f"{hint}{' An empty line ends the list.' * many}", 80)
            click.echo(f"\n{click.style(question, bold=True)}\n{filled}")
            if key == starting.ASKS:
                one_of = click.Choice([*numbers])
                number = click.prompt(">", "1", type=one_of, prompt_suffix=" ", show_choices=False)
                answers[key] = numbers[number]
                continue
            usual = starting.OF_SETS.get(key, "")
            answers[key] = "\n".join(iter(_line, "")) if many else _line(usual)
            if key == starting.SCORED:  # the hint has them with commas, too
                answers[key] = answers[key].replace(",", "\n")
        try:
            files, wrong = starting.new_files(answers, today()), set()
        except TrialFileError as error:
            wrong = {problem.column or "" for problem in error.problems}
            if wrong.isdisjoint(key for key, *_ in questions):
                raise  # no other answer would help
            for problem in error.problems:
                click.echo(f"\n{problem.found}; {problem.allowed}. {problem.remedy}.", err=True)
    trial = parse_trial(files["trial.toml"].decode())
    for variant in trial.variants[1:]:
        meant = listing(map(factor_name, variant.differs))
        click.echo(f"\n“{variant.label}” is meant to differ in {meant}.")
    if _agreed(trial):
        text = put(files["trial.toml"].decode(), "decision.declared", today())
        files["trial.toml"] = text.encode()
    return files


def _agreed(trial: Trial) -> bool:
    """Say the rule, and what can be hoped for by it; ask for a yes."""
    from blindspoon.planning import hope  # noqa: PLC0415
    from blindspoon.starting import rule_in_words  # noqa: PLC0415

    for text in (rule_in_words(trial), *hope(trial).sentences):
        click.echo(f"\n{click.wrap_text(text, 80)}")
    return click.confirm("Is this your rule, from today?")


def _line(usual: str = "") -> str:
    return str(click.prompt(">", default=usual, show_default=bool(usual), prompt_suffix=" "))


@say.verb()
@say.FOLDER
@say.JSON
def batches(folder: Path, as_json: bool) -> None:
    """Say how salty each jar is, what would make them alike, and what else differs."""
    from blindspoon.cli.printed import batches_table  # noqa: PLC0415
    from blindspoon.examine import what_was_made  # noqa: PLC0415

    trial, made, notes = what_was_made(folder)
    if as_json:
        say.record(made.to_record())
    else:
        click.echo(batches_table(trial, made))
        say.notes(notes)


def _drawable(_context: click.Context, _option: click.Parameter, path: Path | None) -> Path | None:
    if path is not None and path.suffix.lower() not in (".svg", ".png"):
        raise click.BadParameter(f"'{path}' ends neither in .svg nor in .png.")
    return path


def _tried(name: str) -> Callable[[Any], Any]:
    told = f"A number of {name} to try; may be repeated."
    return click.option(
        f"--{name}", type=click.IntRange(min=1), multiple=True, metavar="N", help=told
    )


@say.verb()
@say.FOLDER
@click.option("--like", type=say.PATH, help="Take the spread from an earlier trial.")
@_tried("tasters")
@_tried("sessions")
@click.option(
    "--trials",
    type=click.IntRange(100, 100_000),
    help="Simulated trials for each number.  [default: as few as make it precise to 0.01]",
)
@click.option(
    "--chart", type=say.FILE, callback=_drawable, help="Write a chart, as SVG or PNG by its ending."
)
@say.JSON
def size(folder: Path, as_json: bool, chart: Path | None, **options: Any) -> None:  # noqa: ANN401 - size_folder knows them
    """Say how many tasters and sessions the question needs.

    Simulates trials of this design and judges them as the report will. For [choice] it is exact;
    for [course] it names the designs, best first, and what each can show.
    """
    from blindspoon.files.trial_folder import TABLES, read_folder  # noqa: PLC0415
    from blindspoon.planning import size_exactly  # noqa: PLC0415

    trial = read_folder(folder, without=TABLES).trial
    sets, days = size_exactly(trial, options["like"], options["tasters"])
    exact = {"choice": sets.to_record()} if sets else {}
    exact |= {"course": days.to_record()} if days else {}
    alone = exact and not (trial.primary_attributes if days else trial.attributes)
    if alone and chart is not None:
        raise click.UsageError("--chart draws what is simulated, and this is worked out.")
    if exact and not as_json:
        from blindspoon.cli import printed  # noqa: PLC0415

        if sets is not None:
            click.echo(printed.sets_table(sets))
        if days is not None:
            click.echo(printed.days_table(trial, days))
    if alone:
        if as_json:
            say.record(exact)
        return
    if not as_json:
        click.echo(click.wrap_text(trial.title, 80) + "\n")
    with say.progress("Simulating") as moved:  # says so before the libraries are read
        from blindspoon.cli.printed import sizing_table  # noqa: PLC0415
        from blindspoon.planning import draw_chances, size_folder  # noqa: PLC0415

        trial, sizing = size_folder(folder, **options, both=as_json, progress=moved)
    if as_json:
        say.record(sizing.to_record() | exact)
    else:
        click.echo(sizing_table(trial, sizing))
    if chart is not None:
        draw_chances(trial, sizing, chart)
        click.echo(f"Chart written: {chart}", err=True)


@say.verb()
@say.FOLDER
@click.option("--add", metavar="TASTER", help="Add a late taster; nobody else's cups change.")
@say.flag("--more", "Draw the sessions that trial.toml lists since then.")
@click.option(
    "--tasted", metavar="CODES",
    help='You taste alone: the order after shuffling, as in "512 037".',
)  # fmt: skip
@say.flag("--again", "Draw a lost key again, and prove it by the seal.")
@say.flag("--declare", "Date the rule of trial.toml today, if it has no date.")
@say.flag("--take-back", "Before any score: undo the drawing, for a new one.")
@say.flag("--sheets", "Only print the sheets of the drawn blind again.")
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]),
    help="Paper of the sheets.  [default: as last time, at first a4]",
)  # fmt: skip
@click.option(
    "--labels", type=click.Choice(["a4-21", "a4-65", "letter-30", "letter-80"]),
    help="Stock of the cup labels.",
)  # fmt: skip
def blind(  # noqa: PLR0913 - each is an option of the command
    folder: Path,
    *,
    add: str | None,
    more: bool,
    tasted: str | None,
    again: bool,
    declare: bool,
    take_back: bool,
    sheets: bool,
    paper: Literal["a4", "letter"] | None,
    labels: str | None,
) -> None:
    """Give every cup a code, seal the rule, and print the sheets.

    Writes servings.csv, key.csv, seal.toml and the sheets. Whoever tastes must see neither
    key.csv nor the pouring sheet. Refuses once a cup was scored, and never draws twice.
    """
    from blindspoon import drawing  # noqa: PLC0415
    from blindspoon.cli.printed import balance_lines  # noqa: PLC0415
    from blindspoon.examine import examine  # noqa: PLC0415

    if tasted is not None:
        session = drawing.write_order(folder, tasted.replace(",", " ").split())
        click.echo(f"Order of round {session} written: {folder / 'servings.csv'}.")
        return
    if take_back:
        aside = drawing.take_back(folder, today())
        click.echo(f"Drawing taken back: it lies in {aside}.")
        return
    if again:
        found = drawing.draw_again(folder)
        click.echo(f"Drawn again, as it was sealed: {' and '.join(found) or 'nothing was lost'}.")
    elif not sheets:
        plan = _plan(folder, add, more=more, declare=declare)
        for line in balance_lines(plan):
            click.echo(line)
        known = examine(folder)
        say.notes([note for note in known.notes if note.file in ("seal.toml", "trial.toml")])
        click.echo(f"Blind drawn: keep {folder / 'key.csv'} from everybody who tastes.")
    pages = drawing.write_sheets(folder, paper, labels)
    places: dict[Path, list[str]] = {}
    for page in pages:
        places.setdefault(page.parent, []).append(page.stem)
    for place, names in places.items():
        what = "Sheets of these cups alone" if place.parent.name == "added" else "Sheets"
        click.echo(f"{what} written: {place} ({some_of(names)})")
    if not (again or sheets):
        say.cautions(known.cautions)


def _plan(folder: Path, add: str | None, *, more: bool, declare: bool) -> ServingPlan:
    """Draw, or add to what was drawn; ask where only the host can know."""
    from blindspoon import drawing  # noqa: PLC0415
    from blindspoon.files.trial_folder import TABLES, read_folder  # noqa: PLC0415

    if add is not None:
        add = " ".join(add.split())
        other = drawing.alike(folder, add)
        if other:
            click.echo(f"There is {other} already.")
            click.confirm(f"Is {add} somebody else?", abort=True)
        return drawing.add_late(folder, add, today())
    if more:
        return drawing.add_more(folder, today())
    if not declare and sys.stdin.isatty():
        trial = read_folder(folder, without=TABLES).trial
        rule = trial.decision
        declare = bool(rule.primary) and not rule.declared and _agreed(trial)
    return drawing.draw_blind(folder, today(), declare=declare)
