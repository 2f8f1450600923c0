"""The tasting: the host's pages of the score page, and phones let in and kept out from here."""

from __future__ import annotations

import hashlib

from flask import abort, make_response, render_template, request
from werkzeug.wrappers import Response

from blindspoon.collect.host_pages import Desk, HostPages
from blindspoon.collect.opening import plan_addition
from blindspoon.drawing import add_late, alike
from blindspoon.errors import Problem, TrialError
from blindspoon.files.text_table import read_table
from blindspoon.lifting import close_tasting, reopen_tasting
from blindspoon.stage import Stage
from blindspoon.wording import capital
from blindspoon.workbench.app import Form, Workbench, today


def add_to(bench: Workbench) -> None:
    """Register the addresses."""
    pages = Evening(bench)
    HostPages(pages.find, lambda _: request.form).add_to(bench.app, "/t/<link>/tasting")
    bench.post("tasting/phones")(pages.phones)
    bench.get("tasting/late")(pages.ask_late)
    bench.post("tasting/late")(pages.late)
    bench.get("tasting/rows")(pages.ask_rows)
    bench.post("tasting/rows")(pages.rows)
    bench.post("tasting/close")(pages.close)
    bench.post("tasting/reopen")(pages.reopen)


class Evening:
    """Handlers of the tasting of a trial."""

    def __init__(self, bench: Workbench) -> None:
        self._bench = bench

    def fill(self, found: Stage, name: str, code: int = 200, **content: object) -> Response:
        """Make a page; the overview has the form of this program."""
        base = self._bench.address(found, "tasting")
        own = {"frame": "frame.html.j2", "base": base, "ticket": self._bench.door.proof("ticket")}
        if name == "progress":  # a part of a page, which says nothing of what was done
            return make_response(render_template("progress.html.j2", **own | content))
        template = "tasting" if name == "host" else name
        return self._bench.page(f"{template}.html.j2", found, "tasting", code, **own | content)

    def find(self, name: str) -> Desk:
        """Give the desk of the trial of an address."""
        return self.desk(self._bench.stage(name))

    def desk(self, found: Stage) -> Desk:
        """Give the desk of a trial that is being tasted; another page where it is not."""
        if found.state not in ("sealed", "tasting"):
            abort(self._bench.page("no_tasting.html.j2", found, "tasting"))
        try:
            sitting, phones = self._bench.sittings.of(found.folder)
        except TrialError as error:
            text = f"The tasting cannot be opened here: {error.problems[0].found}."
            abort(self._bench.page("message.html.j2", found, "tasting", 409, text=text))
        return Desk(
            sitting=sitting,
            base=self._bench.address(found, "tasting"),
            fill=lambda name, **content: self.fill(found, name, **content),
            join=phones.address,
            phones="in" if phones.are_in else "out",
        )

    def phones(self, found: Stage, form: Form) -> Response:
        """Let phones in, or keep them out."""
        desk = self.desk(found)
        _, listener = self._bench.sittings.of(found.folder)
        try:
            if form.get("let") == "in":
                listener.let_in()
                if not desk.sitting.session:
                    desk.sitting.open_session(desk.sitting.unfinished)
            else:
                listener.keep_out()
            self._bench.say(
                f"Phones are {'let in' if listener.are_in else 'kept out'}.", back=False
            )
        except TrialError as error:
            self._bench.say(f"Phones cannot be let in: {error.problems[0].found}.", back=False)
        return self._bench.go(found, "tasting")

    def ask_late(self, found: Stage) -> Response:
        """Ask for the name of a late taster."""
        self._bench.see(found, "taster")
        return self.fill(found, "late", alike="")

    def late(self, found: Stage, form: Form) -> Response:
        """Draw cups for a late taster."""
        self._bench.see(found, "taster")
        desk, name = self.desk(found), " ".join(form.get("late", "").split())
        other, fault = alike(found.folder, name), ""
        if other and form.get("other") != "yes":
            fault = f"There is {other} already. If {name} is somebody else, say so below."
        else:
            try:
                add_late(found.folder, name, today())
            except TrialError as error:
                fault = sentence(error.problems[0])
        if fault:
            return self.fill(found, "late", 422, typed=form, faults={"late": fault}, alike=other)
        desk.sitting.reconcile()
        self._bench.say(
            f"{name} has cups now. Print the sheets again for their ballot.", back=False
        )
        return self._bench.go(found, "tasting")

    def ask_rows(self, found: Stage) -> Response:
        """Ask for rows."""
        self.desk(found)
        return self.fill(found, "rows", addition=None)

    def rows(self, found: Stage, form: Form) -> Response:
        """Say what rows would add, or add them."""
        desk = self.desk(found)
        try:
            text = form.get("rows", "").encode()
            table = read_table(text, "what you pasted")
            addition = plan_addition(found.folder, desk.sitting, table)
        except TrialError as error:
            faults = {"rows": " ".join(map(sentence, error.problems[:5]))}
            return self.fill(found, "rows", 422, typed=form, faults=faults, addition=None)
        shown = hashlib.sha256(text).hexdigest()
        if form.get("shown") != shown or not addition.answers:
            return self.fill(found, "rows", typed=form, addition=addition, shown=shown)
        addition.add(desk.sitting)
        self._bench.say(f"Scores of {len(addition.answers)} cups are added.", back=False)
        return self._bench.go(found, "tasting")

    def close(self, found: Stage, _: Form) -> Response:
        """Close the tasting."""
        self.desk(found)
        self._bench.sittings.leave(found.folder)
        close_tasting(found.folder, today())
        self._bench.say("The tasting is closed, and phones are kept out.", back=False)
        return self._bench.go(found, "look")

    def reopen(self, found: Stage, _: Form) -> Response:
        """Open it again."""
        reopen_tasting(found.folder)
        self._bench.say("The tasting is open again.", back=False)
        return self._bench.go(found, "tasting")


def sentence(problem: Problem) -> str:
    """Say what was found and what is allowed; a remedy would speak of files."""
    where = f"Line {problem.line}: " if problem.line else ""
    return capital(f"{where}{problem.found}; {problem.allowed}.")
