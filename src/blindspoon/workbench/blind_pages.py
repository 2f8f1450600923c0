"""While it is blind: codes drawn or taken back, sheets printed, cups scored, phones let in."""

import hashlib
import re
from functools import partial

from flask import abort, request
from werkzeug.wrappers import Response

from blindspoon import drawing
from blindspoon.collect.host_pages import HostPages
from blindspoon.collect.opening import plan_addition
from blindspoon.collect.server import Phones
from blindspoon.collect.sitting import Sitting
from blindspoon.errors import Problem, TrialError, together
from blindspoon.files.durable import DurableFolder
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_folder import sheets_in
from blindspoon.lifting import close_tasting, reopen_tasting
from blindspoon.scores.standing import too_few_rounds
from blindspoon.serving.plan import ServingPlan
from blindspoon.sheets.pouring import LABEL_STOCKS
from blindspoon.stage import Stage
from blindspoon.starting import day_of, rule_beside, rule_in_words
from blindspoon.trial import today
from blindspoon.wording import capital, count, sentence
from blindspoon.workbench.app import UNSENT, Form, Workbench
from blindspoon.workbench.phrases import REMEDIES, at_place, fault_of, of_jars

TELLING = re.compile(r"helper\.html|(added/[^/]+/)?pouring\.html|both-taste/bowls\.html")
"""Sheets that say what is in a cup."""

SEALED = ("trial.toml", "batches.csv")  # what is read before the codes are drawn

STOCKS = {"": "the larger ones of the paper"} | {
    name: f"{name}: {stock.count} on a sheet, {stock.width:.0f} × {stock.height:.0f} mm"
    for name, stock in LABEL_STOCKS.items()
}


def add_to(bench: Workbench) -> None:
    @bench.get("codes")
    def ask(found: Stage, form: Form = UNSENT, code: int = 200, **faults: str) -> Response:
        from blindspoon.examine import doubts  # noqa: PLC0415 - not where the workbench starts

        plan: ServingPlan | None = None
        problems: tuple[Problem, ...] = ()
        if found.state == "planned":
            try:
                plan = drawing.foresee(found.folder)
            except TrialError as error:
                problems = error.problems
        in_vain = too_few_rounds(found.plan, found.plan.tasting.tasters)
        doubted = [*filter(None, [in_vain]), *map(sentence, doubts(found.plan))] if plan else []
        return bench.page(
            "codes.html.j2", found, "codes", code, typed=form, faults=faults, plan=plan,
            balance=plan.balance if plan else (), problems=problems,
            first=of_jars(problems, found.files), seen=bench.seen(found, SEALED), doubts=doubted,
            rule=(rule_in_words(found.plan), rule_beside(found.plan)),
        )  # fmt: skip

    @bench.post("codes")
    def draw(found: Stage, form: Form) -> Response:
        bench.see(found, "rule")
        if found.state != "planned":
            return ask(found, form, 409)
        seen = bench.seen(found, SEALED)
        if form.get("seen", seen) != seen:
            return ask(found, form, 409, mine="This was changed meanwhile: read it as it is now.")
        if form.get("mine") != "yes":
            return ask(found, form, 422, mine="Read the rule, and say here that it is yours.")
        drawing.draw_blind(found.folder, today(), declare=True)
        drawing.write_sheets(found.folder)
        return bench.go(found, "sheets", "The codes are drawn, and the rule is sealed.")

    @bench.post("codes/back")
    def back(found: Stage, form: Form) -> Response:
        if found.state != "sealed":
            return ask(found, form, 409)
        if form.get("sure") != "yes":
            return ask(found, form, 422, sure="Throw away what was printed, and say so here.")
        bench.sittings.leave(found.folder)
        drawing.take_back(found.folder, today())
        return bench.go(found, "codes", "The drawing is taken back. The next one has other codes.")

    _add_sheets(bench)
    _add_tasting(bench)


def _add_sheets(bench: Workbench) -> None:
    @bench.get("sheets")
    def sheets(found: Stage) -> Response:
        names = sheets_in(found.folder)
        people = [(n, n[11:-5].replace("-", " ")) for n in names if n.startswith("tasters/")]
        added = [n[:-13] for n in names if re.fullmatch("added/[^/]+/ballots.html", n)]
        called = [re.sub(r"^added/(\d+-)?", "", at).replace("-", " ") for at in added]
        return bench.page(
            "sheets.html.j2", found, "sheets", names=names, people=people, stocks=STOCKS,
            added=list(zip(added, called, strict=True)),
            typed=dict(zip(("paper", "labels"), drawing.paper_of(found.folder), strict=True)),
        )  # fmt: skip

    @bench.post("sheets")
    def again(found: Stage, form: Form) -> Response:
        if not found.takes_scores:
            return bench.go(found, "sheets")
        drawing.write_sheets(found.folder, form.get("paper"), form.get("labels"))
        return bench.go(found, "sheets", "The sheets are written again.")

    @bench.get("sheets/<path:file>")
    def sheet(found: Stage, file: str) -> Response:
        if file not in sheets_in(found.folder) or TELLING.fullmatch(file):
            abort(404)
        return bench.framed(DurableFolder(found.folder).read(f"sheets/{file}") or b"")

    @bench.post("sheets/pouring")
    def pouring(found: Stage, form: Form) -> Response:
        name = form.get("sheet", "helper.html")
        known = name in sheets_in(found.folder) and TELLING.fullmatch(name)
        if form.get("pours") != "yes" or not known:
            return bench.go(found, "sheets", "Only who pours may see it. Say so first.")
        return bench.framed(DurableFolder(found.folder).read(f"sheets/{name}") or b"")


def _add_tasting(bench: Workbench) -> None:
    """Register the host's pages of the score page, and what opens and closes it."""

    def find(name: str) -> HostPages:
        found = bench.stage(name)
        sitting, phones = _opened(bench, found)
        return HostPages(
            sitting=sitting,
            base=bench.address(found, "tasting"),
            fill=partial(_fill, bench, found),
            join=phones.address,
            phones="in" if phones.are_in else "out",
        )

    HostPages.add_to(bench.app, find, "/t/<link>/tasting")

    @bench.post("tasting/phones")
    def let(found: Stage, form: Form) -> Response:
        sitting, phones = _opened(bench, found)
        try:
            if form.get("let") == "in":
                phones.let_in()
                if not sitting.session and not sitting.memory.joined:
                    sitting.open_session(sitting.unfinished)
            else:
                phones.keep_out()
            waiting = phones.are_in and not sitting.session
            done = f"Phones are {'let in' if phones.are_in else 'kept out'}."
            done += " They wait until you open a session." * waiting
        except TrialError as error:
            done = f"Phones cannot be let in: {error.problems[0].found}."
        return bench.go(found, "tasting", done)

    @bench.post("tasting/close")
    def close(found: Stage, _: Form) -> Response:
        _opened(bench, found)
        bench.sittings.leave(found.folder)
        close_tasting(found.folder, today())
        return bench.go(found, "look", "The tasting is closed, and phones are kept out.")

    @bench.post("tasting/reopen")
    def reopen(found: Stage, _: Form) -> Response:
        reopen_tasting(found.folder)
        return bench.go(found, "tasting", "The tasting is open again.")

    _add_more(bench)
    _add_scores(bench)


def _add_more(bench: Workbench) -> None:
    """Register what adds tasters and sessions, and the order of one person alone."""

    def ask(
        found: Stage, what: str, form: Form = UNSENT, fault: str = "", other: str = ""
    ) -> Response:
        bench.see(found, "taster")
        faults = {what: fault} if fault else {}
        content = {"what": what, "typed": form, "faults": faults, "alike": other}
        return _fill(bench, found, "more", 422 if fault else 200, **content)

    for what in ("late", "more", "order"):
        bench.get(f"tasting/{what}")(partial(ask, what=what))

    @bench.post("tasting/late")
    def late(found: Stage, form: Form) -> Response:
        bench.see(found, "taster")
        sitting, name = _opened(bench, found)[0], " ".join(form.get("late", "").split())
        other = drawing.alike(found.folder, name)
        if other and form.get("other") != "yes":
            fault = f"There is {other} already. If {name} is somebody else, say so below."
            return ask(found, "late", form, fault, other)
        try:
            drawing.add_late(found.folder, name, today())
        except TrialError as error:
            return ask(found, "late", form, fault_of(error.problems[0]), other)
        sitting.reconcile()
        bench.print_again(found)
        done = f"{name} has cups now, and can join by phone. Their sheets are written, too."
        return bench.go(found, "sheets", done)

    @bench.post("tasting/more")
    def more(found: Stage, form: Form) -> Response:
        bench.see(found, "taster")
        sitting, day = _opened(bench, found)[0], day_of(form.get("more", ""))
        sitting.look_for_late()
        if form.get("more") and not day:
            return ask(found, "more", form, f"{REMEDIES['bad-date']}.")
        try:
            drawing.one_more(found.folder, day, len(sitting.plan.sessions), today())
        except TrialError as error:
            return ask(found, "more", form, fault_of(error.problems[0]))
        sitting.reconcile()
        bench.print_again(found)
        return bench.go(found, "sheets", "One more session is drawn, and its sheets are written.")

    @bench.post("tasting/order")
    def order(found: Stage, form: Form) -> Response:
        """Note in which order one person alone tasted, who shuffled the cups."""
        bench.see(found, "taster")
        try:
            session = drawing.write_order(found.folder, re.findall(r"\d+", form.get("order", "")))
        except TrialError as error:
            return ask(found, "order", form, fault_of(error.problems[0]))
        return bench.go(found, "tasting", f"The order of session {session} is noted.")


def _add_scores(bench: Workbench) -> None:
    @bench.get("tasting/rows")
    def ask_rows(found: Stage) -> Response:
        _opened(bench, found)
        return _fill(bench, found, "rows", addition=None)

    @bench.post("tasting/rows")
    def rows(found: Stage, form: Form) -> Response:
        """Say what rows would add, or add them."""
        sitting, text = _opened(bench, found)[0], request.form.get("rows", "").strip("\r\n")
        typed = {"rows": text}  # a blank last cell is kept: a tab at the end
        try:
            table = read_table(text.encode(), "what you pasted")
            addition = plan_addition(found.folder, sitting, table)
        except TrialError as error:
            faults = {"rows": " ".join(capital(at_place(it)) for it in together(error.problems))}
            return _fill(bench, found, "rows", 422, typed=typed, faults=faults, addition=None)
        shown = hashlib.sha256(text.encode()).hexdigest()
        if form.get("shown") != shown or not addition.answers:
            return _fill(bench, found, "rows", typed=typed, addition=addition, shown=shown)
        addition.add(sitting)
        return bench.go(found, "tasting", f"Scores of {count(addition.cups, 'cup')} are added.")


def _fill(
    bench: Workbench, found: Stage, name: str, code: int = 200, **content: object
) -> Response:
    """Make a page; the overview has the form of this program."""
    base = bench.address(found, "tasting")
    own = {"frame": "frame.html.j2", "base": base, "ticket": bench.door.proof("ticket")}
    template = "tasting" if name == "host" else name
    return bench.page(f"{template}.html.j2", found, "tasting", code, **own | content)


def _opened(bench: Workbench, found: Stage) -> tuple[Sitting, Phones]:
    """Open a trial that is being tasted; another page where it is not."""
    if not found.takes_scores:
        abort(bench.page("no_tasting.html.j2", found, "tasting"))
    try:
        return bench.sittings.of(found.folder)
    except TrialError as error:
        text = f"The tasting cannot be opened here: {error.problems[0].found}."
        abort(bench.page("message.html.j2", found, "tasting", 409, text=text))
