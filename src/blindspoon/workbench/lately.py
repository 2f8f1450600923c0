"""What was written lately, and how to take it back; and a file that cannot be read any more."""

import difflib
from dataclasses import replace

from werkzeug.wrappers import Response

from blindspoon.errors import TrialError
from blindspoon.files import disk, durable
from blindspoon.files.text_table import read_table
from blindspoon.files.trial_toml import parse_trial
from blindspoon.stage import Part, Stage
from blindspoon.workbench.app import Form, Workbench
from blindspoon.workbench.dealing import print_again

FILE = "trial.toml"
_STORY = ("title", "question", "host", "licence", "dates", "story", "photos", "address",
          "tasters_shown")  # fmt: skip


def add_to(bench: Workbench) -> None:
    """Register the addresses."""

    @bench.get("lately", broken=True)
    def lately(found: Stage) -> Response:
        changes = durable.changes(found.folder)
        kept = {it.number: found.locked(part) for it in changes if (part := _needed(found, it))}
        return bench.page("lately.html.j2", found, "lately", changes=changes, kept=kept)

    @bench.post("lately", broken=True)
    def take_back(found: Stage, form: Form) -> Response:
        changes = {str(it.number): it for it in durable.changes(found.folder)}
        change = changes.get(form.get("number", ""))
        if change is None or not change.stands:  # taken back already, or written over
            gone = "Nothing was taken back: its files were changed since."
            return bench.page("message.html.j2", found, "lately", 409, text=gone)
        if part := _needed(found, change):
            bench.see(found, part)
        done = durable.take_back(found.folder, change.number)
        print_again(found)
        return bench.go(found, "lately", f"Taken back: {done.said}.", back=True)

    @bench.get("mend", broken=True)
    def mend(found: Stage) -> Response:
        good, now = _good(found), disk.content_of(found.folder / FILE).decode(errors="replace")
        named = ("as it could be read", "now")
        lines = difflib.unified_diff(good.splitlines(), now.splitlines(), *named, lineterm="", n=1)
        return bench.page("mend.html.j2", found, "mend", lines=list(lines), good=good)

    @bench.post("mend", broken=True)
    def put_back(found: Stage, _: Form) -> Response:
        if (good := _good(found)) and found.state == "broken":
            said = "The version of trial.toml that could be read, put back"
            durable.write(found.folder, {FILE: good.encode()}, said)
            told = "It is put back. The broken file is kept under “Written lately”."
            return bench.go(found, "", told, back=True)
        return bench.go(found)


def _needed(found: Stage, change: durable.Change) -> Part | None:
    """Name what has to be open to take a change back: the rule, or the names of jars."""
    if found.trial is None or found.state == "planned":
        return None
    if before := change.files.get(FILE, (None, None))[0]:
        story = {name: getattr(found.trial, name) for name in _STORY}
        try:
            old = parse_trial(before.decode("utf-8-sig"))
        except (TrialError, UnicodeDecodeError):
            return "rule"
        dates = {session.name: session.date for session in found.trial.sessions}
        if found.blind:
            dated = [replace(it, date=dates.get(it.name)) for it in old.sessions]
            story["sessions"] = tuple(dated) or found.trial.sessions[:1]
        if replace(old, **story) != found.trial:
            return "rule"
    if before := change.files.get("batches.csv", (None, None))[0]:
        names = [
            [(row.get("batch"), row.get("variant")) for _, row in read_table(data, "").rows()]
            for data in (before, found.files.get("batches.csv", b""))
        ]
        if names[0] != names[1]:
            return "jar names"
    return None


def _good(found: Stage) -> str:
    """Give trial.toml as it last could be read; blank where that is not known."""
    for change in durable.changes(found.folder):
        for content in reversed(change.files.get(FILE, ())):
            try:
                text = (content or b"").decode("utf-8-sig")
                parse_trial(text)
            except (TrialError, UnicodeDecodeError):
                continue
            return text
    return ""
