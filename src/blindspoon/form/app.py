"""The score page as a web application."""

from __future__ import annotations

import hashlib

import jinja2
from flask import Flask, Response, make_response, render_template
from werkzeug.exceptions import HTTPException

from blindspoon import wording
from blindspoon.charts.palette import css_variables
from blindspoon.form import guard
from blindspoon.form.ballots import TooManyConflictsError
from blindspoon.form.desk import Desk
from blindspoon.form.door import Door
from blindspoon.form.host import HostPages
from blindspoon.form.replies import refuse
from blindspoon.form.taster import TasterPages

FORM_PARTS = 4_000
"""Fields in the largest form, the grid of a paper ballot."""

STATIC = {
    "score.css": "text/css; charset=utf-8",
    "taster.js": "text/javascript; charset=utf-8",
    "host.js": "text/javascript; charset=utf-8",
}


def create_app(desk: Desk, join_address: str = "") -> Flask:
    """Make the application of one tasting.

    Parameters
    ----------
    desk : Desk
    join_address : str
        Where tasters join, shown to the host with its QR code.

    Returns
    -------
    Flask
        Without the check of the Host header, which `serve` puts around it.
    """
    app = Flask(__name__, static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = guard.BODY_LIMIT
    app.config["MAX_FORM_MEMORY_SIZE"] = guard.BODY_LIMIT
    app.config["MAX_FORM_PARTS"] = FORM_PARTS
    app.url_map.merge_slashes = False
    app.jinja_options = {
        "autoescape": True,
        "undefined": jinja2.StrictUndefined,
        "trim_blocks": True,
        "lstrip_blocks": True,
    }
    app.jinja_env.filters["plain"] = wording.plain
    app.jinja_env.globals["count"] = wording.count
    app.jinja_env.globals["spelled"] = wording.spelled
    _add_static(app)
    door = Door(desk)
    TasterPages(desk, door).add_to(app)
    HostPages(desk, door, join_address).add_to(app)
    app.after_request(guard.harden)
    _add_error_pages(app, desk)
    return app


def _add_static(app: Flask) -> None:
    """Serve the style sheet and the scripts from memory; no path of a request names a file."""
    with app.app_context():
        colours = {"light": css_variables(dark=False), "dark": css_variables(dark=True)}
        files = {name: render_template(name, **colours) for name in STATIC}
    digest = hashlib.sha256("".join(files.values()).encode()).hexdigest()[:12]
    app.jinja_env.globals["static"] = f"/{digest}"
    for name, text in files.items():

        def file(text: str = text, kind: str = STATIC[name]) -> Response:
            response = make_response(text)
            response.headers["Content-Type"] = kind
            response.headers["Cache-Control"] = "private, max-age=86400"
            return response

        app.add_url_rule(f"/{digest}/{name}", name, file)
    app.add_url_rule("/favicon.ico", "favicon", lambda: ("", 204))


def _add_error_pages(app: Flask, desk: Desk) -> None:
    @app.errorhandler(HTTPException)
    def of_request(error: HTTPException) -> Response:
        return refuse(error.code or 400)

    @app.errorhandler(OSError)
    def of_disk(error: OSError) -> Response:
        desk.trouble(error)
        return refuse(503)

    @app.errorhandler(TooManyConflictsError)
    def of_conflicts(_: TooManyConflictsError) -> Response:
        return refuse(409, "Too many different answers were given on this link. Tell the host.")
