"""The host's name, words and photographs, and where the page will lie: what is never sealed."""

from collections.abc import Collection, Mapping, Sequence
from pathlib import PureWindowsPath

from flask import abort, make_response, request
from werkzeug.wrappers import Response

from blindspoon.errors import TrialError
from blindspoon.files.edits import add, put, take_out
from blindspoon.files.photographs import copied
from blindspoon.files.trial_folder import photos_in, read_photos
from blindspoon.files.trial_toml import parse_trial
from blindspoon.stage import Stage
from blindspoon.starting import short_name
from blindspoon.wording import capital
from blindspoon.workbench.app import UNSENT, Form, Workbench
from blindspoon.workbench.phrases import beside

FILE = "trial.toml"
WORDS = {"trial.host": "host", "story.text": "story", "publish.address": "address"}
PHOTOS = "photos"  # the field that files are chosen in, and the folder that copies lie in


def add_to(bench: Workbench) -> None:
    @bench.get("publish/story")
    def page(found: Stage, typed: Form = UNSENT, code: int = 200, **more: object) -> Response:
        sent, listed = request.form.getlist("file"), [it.file for it in found.plan.photos]
        there = photos_in(found.folder)
        names = list(dict.fromkeys([*sent, *listed, *there]))
        return bench.page(
            "story.html.j2", found, "publish", code, typed=_draft(found, names) | dict(typed),
            seen=bench.seen(found, [FILE]), photos=names, listed=listed, there=there,
            out=request.form.getlist("out"), **more,
        )  # fmt: skip

    @bench.get("publish/story/<file>")
    def photo(found: Stage, file: str) -> Response:
        shown = _read(found, file)
        kind = file.lower().rpartition(".")[2].replace("jpg", "jpeg")
        return make_response(shown, {"Content-Type": f"image/{kind}"}) if shown else abort(404)

    @bench.post("publish/story", files=True)
    def save(found: Stage, form: Form) -> Response:
        names, out = request.form.getlist("file"), request.form.getlist("out")
        typed = {place: form[place] for place in _draft(found, names) if place in form}
        merged = bench.merge(form, found, [FILE], typed, lambda it: _draft(it, names))
        typed = merged.values
        kept = {file: _at(n) for n, file in enumerate(names) if file not in out}
        alts = {file: typed[place] for file, place in kept.items() if place in typed}
        new, faults = _chosen(found)
        faults |= {it: why for file, it in kept.items() if (why := _unfit(found, file, alts))}
        text = found.text
        try:
            text = _edited(found, typed, alts, out)
        except TrialError as error:
            faults |= beside(error.problems, typed)
        if merged.theirs or faults:
            again = {PHOTOS: "Choose them once more: no browser keeps them."} if new else {}
            faults, code = again | faults | merged.faults, 409 if merged.theirs else 422
            return page(found, typed, code, faults=faults, theirs=merged.theirs)
        files = {FILE: text.encode()} | {f"{PHOTOS}/{name}": copy for name, copy in new.items()}
        said, path = "It is saved.", "publish"
        if new:
            said, path = f"{said} What is new goes out once it is described.", "publish/story"
        return bench.save(found, files, "Words and photographs", said, path)


def _at(number: int) -> str:
    return f"photo[{number + 1}].alt"


def _read(found: Stage, file: str) -> bytes:
    """Read a picture of the folder; nothing where it is none."""
    there = {file}.intersection(photos_in(found.folder))
    return read_photos(found.folder, there).get(file, b"")


def _draft(found: Stage, names: Sequence[str]) -> dict[str, str]:
    """Fill the form, its photographs in this order, from the trial."""
    alts = {photo.file: photo.alt for photo in reversed(found.plan.photos)}
    words = {place: str(getattr(found.plan, key)) for place, key in WORDS.items()}
    return words | {_at(n): alts.get(file, "") for n, file in enumerate(names)}


def _chosen(found: Stage) -> tuple[dict[str, bytes], dict[str, str]]:
    """Copy the photographs that were chosen, under names that are free; or say what they are."""
    listed = [photo.file for photo in found.plan.photos]
    taken = [name.lower().rpartition(".")[0] for name in (*listed, *photos_in(found.folder))]
    new, wrong = dict[str, bytes](), list[str]()
    for sent in (it for it in request.files.getlist(PHOTOS) if it.filename):
        copy, name = copied(sent.read()), str(sent.filename)
        if isinstance(copy, str):
            wrong.append(f"“{name}”: {copy}.")
        else:
            taken.append(short_name(PureWindowsPath(name).stem, taken, "photo"))
            new[f"{taken[-1]}.jpg"] = copy
    fault = " ".join([*wrong, "Save these as a smaller JPEG, then choose all once more."])
    return new, {PHOTOS: fault} if wrong else {}


def _unfit(found: Stage, file: str, alts: Mapping[str, str]) -> str:
    """Say why a photograph cannot go out as described; empty where it can, or is not to."""
    known = file in [photo.file for photo in found.plan.photos]
    if file not in alts or known == bool(alts[file]):
        return ""
    if known:
        return "Say what it shows, for those who cannot see it."
    copy = copied(_read(found, file))
    return capital(f"{copy}.") if isinstance(copy, str) else ""


def _edited(
    found: Stage, typed: Mapping[str, str], alts: Mapping[str, str], out: Collection[str]
) -> str:
    """Write words and descriptions into trial.toml, and take out what is to go; raises as `put`."""
    text, listed = found.text, [photo.file for photo in found.plan.photos]
    for place in (place for place in WORDS if place in typed):
        text = put(text, place, typed[place] or None)
    for number, file in reversed([*enumerate(listed)]):
        if file in out:
            text = take_out(text, "photo", number + 1)
        elif alts.get(file):
            text = put(text, _at(number), alts[file])
    for file, alt in alts.items():
        if alt and file not in listed:
            text = add(text, "photo", {"file": file, "alt": alt})
    parse_trial(text)
    return text
