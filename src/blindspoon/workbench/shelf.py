"""The shelf, and what hangs on it: where each trial stands, the example, the end."""

from __future__ import annotations

from flask import redirect
from werkzeug.wrappers import Response

from blindspoon.files import disk, own_state
from blindspoon.stage import Stage, stage
from blindspoon.workbench.app import Workbench

EXAMPLE = "example"


def add_to(bench: Workbench) -> None:
    """Register the addresses."""
    app = bench.app

    @app.get("/")
    def shelf() -> Response:
        found = [stage(folder) for folder in disk.trials_in(bench.shelf).values()]
        has_example = (bench.shelf / EXAMPLE).exists()
        where = str(bench.shelf)
        return bench.page("shelf.html.j2", stages=found, example=has_example, shelf=where)

    @app.post("/example")
    def example() -> Response:
        disk.start_example(bench.shelf / EXAMPLE)
        bench.say("The example is on the shelf. All of it is invented.")
        return redirect("/", 303)

    @app.get("/help")
    def help_() -> Response:
        return bench.page("help.html.j2")

    @app.post("/starter")
    def starter() -> Response:
        bench.say(f"The starter is there: {own_state.put_starter(bench.shelf)}.")
        return redirect("/", 303)

    @app.post("/close")
    def close() -> Response:
        bench.close()
        return bench.page("closed.html.j2")

    @bench.get("", broken=True)
    def where(found: Stage) -> Response:
        return bench.page("where.html.j2", found)
