"""The host's name, words and photographs, and where the page will lie: what is never sealed."""

from collections.abc import Collection, Mapping, Sequence
from pathlib import PureWindowsPath

from flask import abort, make_response, request
from werkzeug.wrappers import Response

from blindspoon.errors import TrialError
from blindspoon.files.edits import add, put, take_out
from blindspoon.files.photographs import copied
from blindspoon.files.trial_folder import photos_in, read_photos
from blindspoon.files.trial_toml import FILE, parse_trial
from blindspoon.stage import Stage
from blindspoon.starting import short_name
from blindspoon.wording import capital
from blindspoon.workbench.app import UNSENT, Form, Workbench
from blindspoon.workbench.phrases import beside

WORDS = {"trial.host": "host", "story.text": "story", "publish.address": "address"}
PHOTOS = "photos"  # the field that files are chosen in, and the folder that copies lie in


def add_to(bench: Workbench) -> None:
    @bench.get("publish/story")
    def page(stage: Stage, typed: Form = UNSENT, code: int = 200, **more: object) -> Response:
        sent, listed = request.form.getlist("file"), [it.file for it in stage.plan.photos]
        there = photos_in(stage.folder)
        names = list(dict.fromkeys([*sent, *listed, *there]))
        return bench.page(
            "story.html.j2", stage, "publish", code, typed=_draft(stage, names) | dict(typed),
            seen=bench.seen(stage, [FILE]), photos=names, listed=listed, there=there,
            out=request.form.getlist("out"), **more,
        )  # fmt: skip

    @bench.get("publish/story/<file>")
    def photo(stage: Stage, file: str) -> Response:
        shown = _read(stage, file)
        kind = file.lower().rpartition(".")[2].replace("jpg", "jpeg")
        return make_response(shown, {"Content-Type": f"image/{kind}"}) if shown else abort(404)

    @bench.post("publish/story", files=True)
    def save(stage: Stage, form: Form) -> Response:
        names, out = request.form.getlist("file"), request.form.getlist("out")
        typed = {place: form[place] for place in _draft(stage, names) if place in form}
        merged = bench.merge(form, stage, [FILE], typed, lambda it: _draft(it, names))
        typed = merged.values
        kept = {file: _at(n) for n, file in enumerate(names) if file not in out}
        alts = {file: typed[place] for file, place in kept.items() if place in typed}
        new, faults = _chosen(stage)
        faults |= {it: why for file, it in kept.items() if (why := _unfit(stage, file, alts))}
        text = stage.text
        try:
            text = _edited(stage, typed, alts, out)
        except TrialError as error:
            faults |= beside(error.problems, typed)
        if merged.theirs or faults:
            again = {PHOTOS: "Choose them once more: no browser keeps them."} if new else {}
            faults, code = again | faults | merged.faults, 409 if merged.theirs else 422
            return page(stage, typed, code, faults=faults, theirs=merged.theirs)
        files = {FILE: text.encode()} | {f"{PHOTOS}/{name}": copy for name, copy in new.items()}
        path, undescribed = "publish", ""
        if new:
            path, undescribed = "publish/story", " What is new goes out once it is described."
        return bench.save(stage, files, "Words and photographs", f"It is saved.{undescribed}", path)


def _at(number: int) -> str:
    return f"photo[{number + 1}].alt"


def _read(stage: Stage, file: str) -> bytes:
    """Read a picture of the folder; nothing where it is none."""
    there = {file}.intersection(photos_in(stage.folder))
    return read_photos(stage.folder, there).get(file, b"")


def _draft(stage: Stage, names: Sequence[str]) -> dict[str, str]:
    """Fill the form, its photographs in this order, from the trial."""
    alts = {photo.file: photo.alt for photo in reversed(stage.plan.photos)}
    words = {place: str(getattr(stage.plan, key)) for place, key in WORDS.items()}
    return words | {_at(n): alts.get(file, "") for n, file in enumerate(names)}


def _chosen(stage: Stage) -> tuple[dict[str, bytes], dict[str, str]]:
    """Copy the photographs that were chosen, under names that are free; or say what they are."""
    listed = [photo.file for photo in stage.plan.photos]
    taken = [name.lower().rpartition(".")[0] for name in (*listed, *photos_in(stage.folder))]
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


def _unfit(stage: Stage, file: str, alts: Mapping[str, str]) -> str:
    """Say why a photograph cannot go out as described; empty where it can, or is not to."""
    known = file in [photo.file for photo in stage.plan.photos]
    if file not in alts or known == bool(alts[file]):
        return ""
    if known:
        return "Say what it shows, for those who cannot see it."
    copy = copied(_read(stage, file))
    return capital(f"{copy}.") if isinstance(copy, str) else ""


def _edited(
    stage: Stage, typed: Mapping[str, str], alts: Mapping[str, str], out: Collection[str]
) -> str:
    """Write words and descriptions into trial.toml, and take out what is to go; raises as `put`."""
    text, listed = stage.text, [photo.file for photo in stage.plan.photos]
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
