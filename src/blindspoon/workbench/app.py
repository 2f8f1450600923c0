"""The application: who is let in, and how a page is made and refused."""

import contextlib
import hmac
import importlib
import secrets
import threading
import traceback
from collections.abc import Callable, Mapping, Sequence
from functools import partial, wraps
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote

import jinja2
from flask import Flask, abort, jsonify, make_response, redirect, render_template, request
from markupsafe import Markup
from werkzeug.exceptions import HTTPException, MethodNotAllowed
from werkzeug.wrappers import Response

from blindspoon import wording
from blindspoon.charts.scene import face_css
from blindspoon.collect.security import HEADERS, harden, own_form, wants_json
from blindspoon.collect.server import JINJA, OpenTastings, add_static
from blindspoon.drawing import write_sheets
from blindspoon.errors import DesignError, FormError, Problem, TrialError
from blindspoon.files import disk, own_state, undo
from blindspoon.files.own_state import Door
from blindspoon.files.trial_folder import fingerprint, trials_in
from blindspoon.sheets.pouring import tells
from blindspoon.stage import STATES, Part, Stage, stage
from blindspoon.starting import QUESTIONS
from blindspoon.workbench.jobs import Job, Jobs
from blindspoon.workbench.phrases import at_place, note_in_words, within

BODY_LIMIT = 2 * 1024 * 1024  # bytes in the largest request body
FILES_LIMIT = 30 * 1024 * 1024  # the same of a form that files are chosen in

Form = Mapping[str, str]
UNSENT: Form = {}  # the form of a page that was only asked for
Handler = Callable[..., Response]
PAGES = ("shelf", "question", "jar_pages", "company", "blind_pages", "ending", "story")
"""Modules of pages, each with its ``add_to``."""

# The last two are of the score page, whose pages for the host are used here.
_STATIC = ("workbench.css", "workbench.js", "host.js", "page.js")
_POLICY = {
    "Content-Security-Policy": f"{HEADERS['Content-Security-Policy']}; "
    "frame-src 'self'; img-src 'self' data:; font-src data:"
}
# Of another origin, its links would come without the cookie; nothing in it runs.
_FRAMED = {
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:; "
    "font-src data:; frame-ancestors 'self'; sandbox allow-popups allow-same-origin",
    "X-Frame-Options": "SAMEORIGIN",
}

_KINDS = {"html": "text/html; charset=utf-8", "svg": "image/svg+xml", "png": "image/png",
          "jpg": "image/jpeg", "zip": "application/zip"}  # fmt: skip
_TEXT = "text/plain; charset=utf-8"  # is shown, where a table or Markdown would be saved

MESSAGES = {
    403: "Open Blindspoon from the starter on your desktop, or type “blindspoon open”.",
    404: "There is no such page. If it was a trial, it is no longer on the shelf.",
    413: "More than is sent at once: 2 MB of text, 30 MB of photographs. Go back, and send less.",
    500: "Something went wrong in Blindspoon itself. Your files are as they were.",
}
# Not the way back: there a browser has forgotten what was typed.
_RELOAD = "load this page again: what you typed is sent once more."
_JUST_NOW = f"A file changed in this very moment; {_RELOAD}"
_UNWRITTEN = f"A file could not be written. When it can, {_RELOAD}"
_ELSE = "This was not sent by a page of Blindspoon. Go back, load the page again, and try again."


class Merged(NamedTuple):
    """What was typed, brought together with what was written elsewhere meanwhile, by place."""

    values: dict[str, str]
    theirs: dict[str, str]
    """What stands there now of a field that both changed: the page asks beside it."""

    @property
    def faults(self) -> dict[str, str]:
        """What is said beside the fields that both changed."""
        shown = {place: f"“{text}”" if text else "nothing" for place, text in self.theirs.items()}
        changed = "Changed elsewhere meanwhile: {} stands there now."
        return {place: changed.format(text) for place, text in shown.items()}


class Workbench:
    """The pages of one shelf, safe to use from several threads.

    The shelf is a folder with trial folders in it, or one of them; the port names the cookie, as
    cookies do not tell ports apart; `close` ends the server. The check of the Host header is not
    in it: `listening.serve` puts it around it.
    """

    def __init__(self, shelf: Path, door: Door, port: int) -> None:
        self.shelf, self.door = shelf, door
        self.close: Callable[[], None] = lambda: None
        self.jobs = Jobs()
        self.sittings = OpenTastings()
        self.cookie = f"blindspoon-{port}"
        self.app = Flask(__name__, static_folder=None)
        self._said, self._back = "", True
        self._seen: dict[str, Stage] = {}
        self._take_files = set[str]()
        self._led: dict[str, str] = {}
        self._one_at_a_time = threading.Lock()
        self._set_up()
        for folder in trials_in(shelf).values():
            undo.finish(folder)
        for name in PAGES:  # each of them needs this module
            importlib.import_module(f"blindspoon.workbench.{name}").add_to(self)

    # -- how a page is registered -----------------------------------------------------------

    def get(self, path: str, *, broken: bool = False) -> Callable[[Handler], Handler]:
        """Register a page of a trial; its handler is given the stage and parts of the address."""
        return self._route(path, "GET", broken=broken)

    def post(
        self, path: str, *, broken: bool = False, files: bool = False
    ) -> Callable[[Handler], Handler]:
        """Register what a form is sent to; its handler is given the stage and the form as well.

        With `files` some may be chosen in it, and the handler finds them in the request.
        """
        if files:
            self._take_files.add(f"POST {path}")
        return self._route(path, "POST", broken=broken)

    def _route(self, path: str, method: str, *, broken: bool) -> Callable[[Handler], Handler]:
        def register(handler: Handler) -> Handler:
            def run(name: str, **parts: str) -> Response:
                trial = self.stage(name)
                if trial.state == "broken" and not broken:
                    return redirect(self.address(trial), 303)
                if method == "GET":
                    return handler(trial, **parts)
                sent = request.form.items()
                form = {place: text.replace("\r\n", "\n").strip() for place, text in sent}
                return handler(trial, form, **parts)

            at, name = f"/t/<name>/{path}", f"{method} {path}"
            self.app.add_url_rule(at, name, self.once(run), methods=[method])
            return handler

        return register

    def once(self, handler: Handler) -> Handler:
        """Let a form that makes something new make it once: it has a word "once" in it.

        Where it was sent before, by a double tap or a reload, it leads where it led then. One is
        taken at a time.
        """

        @wraps(handler)
        def run(**parts: str) -> Response:
            if not request.form.get("once") or wants_json():
                return handler(**parts)
            files = (file.filename for _, file in request.files.items(multi=True))
            sent = repr((sorted(request.form.items(multi=True)), *files))
            with self._one_at_a_time:
                if sent not in self._led:
                    answer = handler(**parts)
                    if answer.status_code != 303:
                        return answer
                    self._led[sent] = answer.location or "/"
                return redirect(self._led[sent], 303)

        return run

    # -- what a handler uses ----------------------------------------------------------------

    def stage(self, name: str) -> Stage:
        """Find a trial among those on the shelf; 404 where it is not one of them."""
        folder = trials_in(self.shelf).get(name)
        if folder is None:
            abort(404)
        return stage(folder)

    def see(self, stage: Stage, part: Part) -> None:
        """Refuse, with 409, to change what may not be changed now."""
        if why := stage.locked(part):
            abort(self.page("message.html.j2", stage, code=409, text=why))

    def address(self, stage: Stage, path: str = "") -> str:
        """Give the address of a page of a trial."""
        return f"/t/{quote(stage.folder.resolve().name, safe='')}/{path}"

    def go(self, stage: Stage, path: str = "", said: str = "", *, back: bool = False) -> Response:
        """Lead on to another page, which says what was done; `back` offers to take it back."""
        if said:
            self.say(said, back=back)
        return redirect(self.address(stage, path), 303)

    def say(self, text: str, *, back: bool = True) -> None:
        """Say on the next page what was done; `back` offers to take it back."""
        self._said, self._back = text, back

    def seen(self, stage: Stage, names: Sequence[str]) -> str:
        """Note what a form is filled from; it sends back what this gives as "seen"."""
        known = fingerprint({name: stage.files.get(name, b"") for name in names})
        self._seen[known] = stage
        return known

    def filled_from(self, form: Form) -> Stage | None:
        """Give the trial that a form was filled from; None where that is not known any more."""
        return self._seen.get(form.get("seen", ""))

    def merge(
        self,
        form: Form,
        stage: Stage,
        names: Sequence[str],
        typed: Mapping[str, str],
        read: Callable[[Stage], Mapping[str, str]],
    ) -> Merged:
        """Bring what was typed together with what was written elsewhere meanwhile.

        What stands now is taken where the host left a field as it was filled, or would rather have
        that. `names` are the files of the form, and `read` fills its places from a trial.
        """
        stale = form.get("seen") not in (None, self.seen(stage, names))
        filled, now = self.filled_from(form), read(stage)
        before = read(filled) if filled else {}
        values, theirs = dict(typed), dict[str, str]()
        for place, text in ((it, typed[it]) for it in typed if it in now):
            was = before.get(place, "")
            if form.get(f"pick.{place}") == "theirs" or (stale and text == was):
                values[place] = now[place]
            elif stale and text != now[place] != was:
                theirs[place] = now[place]
        return Merged(values, theirs)

    def save(
        self, stage: Stage, files: Mapping[str, bytes], what: str, said: str, path: str = ""
    ) -> Response:
        """Write files made from a trial, print again, and lead on; 409 where it just changed."""
        if not undo.write(stage.folder, files, what, stage.files):
            abort(self.page("message.html.j2", stage, code=409, text=_JUST_NOW))
        self.print_again(stage)
        return self.go(stage, path, said, back=True)

    def print_again(self, stage: Stage) -> None:
        """Write the sheets again, while they are in use: they say what was changed.

        Not where a file is to be mended elsewhere: its own page says so.
        """
        if stage.takes_scores:
            with contextlib.suppress(TrialError):
                write_sheets(stage.folder)

    def page(
        self,
        template: str,
        stage: Stage | None = None,
        step: str = "",
        code: int = 200,
        **values: object,
    ) -> Response:
        """Fill a template; `typed` and `faults` are by place, the name of a field.

        A page with a `job` that runs renews itself, without scripts too; one that shows what was
        typed does not.
        """
        read = code == 200 and request.headers.get("Sec-Fetch-Dest", "document") == "document"
        said, self._said = (self._said, "") if read else ("", self._said)
        if isinstance(job := values.get("job"), Job) and not job.ended and code != 200:
            values["job"] = None
        blind = stage.trial if stage and stage.blind else None
        frame: dict[str, object] = {
            "typed": {}, "faults": {}, "theirs": {}, "job": None, **values,
            "once": secrets.token_hex(8), "veil": blind and tells(blind.title, blind),
            "code": code, "stage": stage, "step": step, "said": said, "back": self._back,
        }  # fmt: skip
        return make_response(render_template(template, **frame), code)

    def checked(self, faults: Mapping[str, str], texts: Mapping[str, str]) -> Response:
        """Answer the script while a host types: faults by place, and texts by the id of a part."""
        return jsonify(faults=dict(faults), texts=dict(texts))

    def framed(self, content: bytes | str, name: str = "page.html") -> Response:
        """Answer with a finished file, by default a page, that loads nothing and runs nothing."""
        response = make_response(content)
        response.headers["Content-Type"] = _KINDS.get(name.rpartition(".")[2], _TEXT)
        response.headers.update(_FRAMED | {"Cache-Control": "no-store"})
        return response

    # -- who is let in ----------------------------------------------------------------------

    def _set_up(self) -> None:
        app = self.app
        app.config["MAX_CONTENT_LENGTH"] = FILES_LIMIT
        app.config["MAX_FORM_MEMORY_SIZE"] = BODY_LIMIT  # of the texts beside files
        app.config["MAX_FORM_PARTS"] = 10_000
        app.jinja_options = JINJA
        rooms = ("workbench/templates", "collect/templates")
        loaders = [jinja2.PackageLoader("blindspoon", room) for room in rooms]
        app.jinja_loader = jinja2.ChoiceLoader(loaders)
        ticket = Markup('<input type="hidden" name="ticket" value="{}">')
        of_messages = {"at_place": at_place, "note_in_words": note_in_words}
        app.jinja_env.filters |= {"plain": wording.plain} | of_messages
        app.jinja_env.globals |= {
            "count": wording.count,
            "spelled": wording.spelled,
            "capital": wording.capital,
            "on": wording.day,
            "states": STATES,
            "address": self.address,
            "within": within,
            "questions": QUESTIONS,
            "ticket_field": ticket.format(self.door.proof("ticket")),
        }
        add_static(app, _STATIC, face=face_css())
        app.add_url_rule("/door/<text>", "door", self._let_in)
        app.add_url_rule("/here", "here", lambda: self.door.proof("here", str(self.shelf)))
        app.before_request(self._see_sender)
        cached = "private, no-cache"  # the way back shows it again
        app.after_request(partial(harden, headers=HEADERS | _POLICY, cache=cached))
        app.register_error_handler(Exception, self._refuse)

    def _let_in(self, text: str) -> Response:
        """Swap the pass of an address for a cookie."""
        if not self.door.admits(text):
            abort(403)
        response = redirect("/", 303)
        proof = self.door.proof("cookie")
        response.set_cookie(self.cookie, proof, httponly=True, samesite="Strict")
        return response

    def _see_sender(self) -> None:
        """Let in who has the cookie, and take forms of our own pages only."""
        given = request.cookies.get(self.cookie, "").encode("utf-8", "replace")
        known = hmac.compare_digest(given, self.door.proof("cookie").encode())
        if not known and request.endpoint not in ("door", "here", "favicon", *_STATIC):
            abort(403)
        if request.method == "POST":
            size = request.content_length or 0
            if size > BODY_LIMIT and request.mimetype != "multipart/form-data":
                abort(413)
            own_form(self.door.proof("ticket"), files=request.endpoint in self._take_files)

    # -- how it is refused ------------------------------------------------------------------

    def _refuse(self, error: Exception) -> Response:
        """Say what is wrong with a request, with the files of a trial, or with this program."""
        problems: Sequence[Problem | str] = ()
        if isinstance(error, MethodNotAllowed) and request.method == "GET":
            return redirect(request.path.rpartition("/")[0] or "/", 303)  # where its form stands
        if isinstance(error, HTTPException):
            code = error.code or 400
            text = MESSAGES.get(code, _ELSE)
        elif isinstance(error, TrialError):
            code, text, problems = 422, "A file has to be mended first.", error.problems
            if isinstance(error, DesignError | FormError):
                text = "This cannot be done now."
            if error.problems[0].slug == "cannot-write":
                code, text = 507, _UNWRITTEN
        elif isinstance(error, OSError) and error.filename:
            code, text = 507, _UNWRITTEN
            problems = [f"{error.filename}: {disk.cannot('written', error)}."]
        else:
            file = own_state.note_trouble("".join(traceback.format_exception(error)))
            code, text = 500, f"{MESSAGES[500]} What happened stands in {file}."
        if wants_json():
            return make_response(jsonify(message=text), code)
        return self.page("message.html.j2", None, code=code, text=text, problems=problems)
