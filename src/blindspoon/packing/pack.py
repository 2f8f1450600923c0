"""Everything that a host sends out, in one folder and one zip file; the texts beside the page."""

import io
import json
import re
import zipfile
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby
from pathlib import Path, PurePosixPath
from typing import NamedTuple

from blindspoon import wording
from blindspoon.analysis import compose_report, to_record
from blindspoon.batches.differences import JAR_G
from blindspoon.charts import posts
from blindspoon.charts.board import finding_of
from blindspoon.charts.chart import Chart, png_file, svg_file
from blindspoon.charts.posts import Drawn
from blindspoon.files import disk, shipped
from blindspoon.findings.comparison import Analysis
from blindspoon.findings.further import study_further
from blindspoon.findings.naming import name_all
from blindspoon.findings.pool_checks import Pool
from blindspoon.packing.kit import kit_files
from blindspoon.packing.package import data_package, results_package
from blindspoon.wording import sentence
from blindspoon.writeup.front import one_catch
from blindspoon.writeup.kitchens import KitchensContent, compose_kitchens, forest_of, kitchens_page
from blindspoon.writeup.page import ReportContent, page, render
from blindspoon.writeup.records import POOL_FILES, pool_files, pool_record
from blindspoon.writeup.templating import html_page, markdown_page

MOST_POINTS = 3  # that a post takes over of a list


def blog(content: ReportContent | KitchensContent) -> str:
    """Write a post of about 300 words in CommonMark, with the picture at its head."""
    trial, names = content.trial, name_all(content.trial.variants, content.trial.control)
    analysis = content.analysis if isinstance(content, ReportContent) else None
    course = analysis.course if analysis and analysis.about_days else ()
    held = not course or any(found.against == "control" for found in course)
    return markdown_page(
        "blog",
        content=content,
        alone=analysis is not None,
        names=names,
        tasted=[it for it in trial.variants if not held or it.name != trial.control],
        held=held,
        most=MOST_POINTS,
    )


def say(content: ReportContent | KitchensContent, drawn: Collection[str]) -> str:
    """Write what can be said on camera, put under a video, and told of each picture."""
    trial = content.trial
    if isinstance(content, KitchensContent):
        spoken = [content.spoken, content.question]
    else:
        who = content.trust.partition(". ")[0]
        how = content.analysis.blinding
        blind = "; it is not shown to be blind" if how == "not shown" else f", {how}"
        lead = ""
        if content.analysis.standing.bent:
            lead = "As a lead, for something was changed after it was sealed: "
        elif not trial.decision.declared:
            lead = "As a lead, for no rule was written down: "
        analysis, said = content.analysis, content.picture.title if content.picture else ""
        spoken = [f"{lead}{sentence(said)}" if said else content.answer, f"{who}{blind}."]
        first = next((result for result in analysis.ordered if result.comparisons), None)
        if first and not (analysis.about_days or analysis.about_sets):  # what came close is said
            said = finding_of(first, first.comparisons, analysis.names)
            catch = list(filter(None, [one_catch(analysis, [first])]))
            spoken[:1] = [f"{lead}{sentence(said)}", *catch]
    points = {part.name: part.points for part in content.sections}
    names = name_all(trial.variants, trial.control)
    cautions = points.get("cautions", ())
    return markdown_page(
        "say",
        content=content,
        spoken=spoken,
        compared=wording.listing(map(names.short, trial.variants)),
        caution=cautions[0] if cautions else None,
        not_shown=points.get("not-shown", ()),
        board=any("/board" in path for path in drawn),
    )


def start(title: str, answer: str, files: Collection[str], lacking: Sequence[str]) -> str:
    """Write the guide: what each of the files beside it is for, and which could not be made."""
    folders = {str(folder) for path in files for folder in PurePosixPath(path).parents}
    here = {*files, *folders}
    return html_page(
        "start", title=title, answer=answer, here=here, files=sorted(files), lacking=lacking
    )


Step = Callable[[], Iterable[Drawn]]  # makes some pictures
LONG_AGO = (1980, 1, 1, 0, 0, 0)
"""The date of every file in the zip, so that the same trial gives the same bytes."""
Progress = Callable[[int, int], None]  # told how many steps are done, and of how many


class Pack(NamedTuple):
    """All that is sent out of one trial: files by path, and sentences on what is lacking."""

    files: Mapping[str, bytes]
    lacking: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """What was written: the folder, the zip file beside it, and sentences on what is lacking."""

    folder: Path
    zipped: Path
    lacking: tuple[str, ...]


def write_pack(made: Pack, target: Path) -> Published:
    """Write a pack as a folder, replacing an earlier one whole or not at all, and as a zip file."""
    disk.write_folder_atomically(target, made.files)
    zipped = target.with_name(f"{target.name}.zip")
    disk.write_files_atomically({zipped: zip_of(target.name, made.files)})
    return Published(folder=target, zipped=zipped, lacking=made.lacking)


def pack(analysis: Analysis, *, jar_g: float, progress: Progress | None = None) -> Pack:
    """Make every file: the page, the same for paper, a post for a blog, figures, data and the kit.

    ``START.html`` (what lies where), ``index.html``, ``print.html``, ``blog.md``, ``say.md``,
    ``preview.png``, ``figures/`` (the charts, also for video and posts, and the frames of a
    reveal), ``tables/``, ``verify.py`` (checks them with other libraries), ``data/`` (a Data
    Package that `compare` reads) and ``kit/`` (to repeat the trial in jars of `jar_g` grams).
    """
    further = study_further(analysis) if analysis.results else None
    content = compose_report(analysis, further)
    trial, seal = analysis.trial, analysis.standing.published
    data = data_package(trial, analysis.tables, folder=analysis.folder, seal=seal)
    results = results_package(trial, content.files, folder=analysis.folder)
    kit = kit_files(trial, analysis.table, analysis.made, jar_g=jar_g)
    how = analysis.blinding
    blind = "Not shown to be blind" if how == "not shown" else f"Tasted {how}"
    source = ". ".join((*content.byline, blind, "Made with Blindspoon."))
    pictures = () if analysis.about_days else content.findings
    captions = posts.Captions(source, content.question)
    steps: list[Step] = [
        partial(posts.figure_files, pictures, size, captions) for size in posts.FORMATS
    ]
    answering = (part for part in content.sections if part.link)
    for asked in (chart for part in answering for chart in part.charts[:1]):
        steps += [partial(posts.chart_files, asked, size, captions) for size in posts.FORMATS]
    files = {
        **render(content),
        "print.html": page(content, paper=True).encode(),
        "verify.py": shipped.text("verify.py").encode(),
        "tables/comparisons.json": as_json(to_record(analysis, further)),
        **{f"tables/{name}": file for name, file in results.items()},
        **{f"data/{name}": file for name, file in data.items()},
        **{f"kit/{name}": file for name, file in kit.items()},
        **{f"photos/{photo.name}": photo.file for photo in content.photos},
    }
    return _finished(content, files, steps, progress)


def pack_kitchens(
    pool: Pool, *, all_sizes: bool, jar_g: float = JAR_G, progress: Progress | None = None
) -> Pack:
    """Make the page of several kitchens with its charts and numbers.

    In `all_sizes` also print.html, the charts for posts and video, each kitchen's data and a kit to
    repeat the trial of the first, with a guide.
    """
    content = compose_kitchens(pool)
    files = {
        "index.html": kitchens_page(content).encode(),
        "tables/comparisons.json": as_json(pool_record(pool)),
        **{f"figures/{chart.name}.svg": svg_file(chart) for chart in content.figures},
    }
    if not all_sizes:
        return Pack(files=files, lacking=())
    source = f"“{content.title}”; {content.tasted} Made with Blindspoon."
    files["print.html"] = kitchens_page(content, paper=True).encode()
    licences = dict.fromkeys(kitchen.trial.licence for kitchen in pool.kitchens)
    licence = wording.listing(licences) if all(licences) else ""
    together = replace(content.trial, title=content.title, host="", licence=licence)
    tables = pool_files(pool)
    results = results_package(together, tables, folder=name_of(pool), tables=POOL_FILES)
    files |= {path: text.encode() for path, text in tables}
    files |= {f"tables/{name}": file for name, file in results.items()}
    steps, captions = list[Step](), posts.Captions(source)
    for found in (finding.found for finding in content.findings if finding.chart):
        parts, some = len(found.comparisons), partial(forest_of, pool, found)
        steps += [
            partial(posts.shared_files, parts, some, size, captions) for size in posts.FORMATS
        ]
    for kitchen, name in zip(pool.kitchens, file_names(pool), strict=True):
        made = data_package(
            kitchen.trial, kitchen.tables, folder=name, seal=kitchen.standing.published
        )
        files |= {f"data/{name}/{path}": file for path, file in made.items()}
    head, *_ = pool.kitchens  # whose rule decides
    data = [f"data/{name}" for name in file_names(pool)]
    kit = kit_files(head.trial, head.table, head.made, jar_g=jar_g, data=data)
    files |= {f"kit/{path}": file for path, file in kit.items()}
    return _finished(content, files, steps, progress)


def _finished(
    content: ReportContent | KitchensContent,
    files: dict[str, bytes],
    steps: Iterable[Step],
    progress: Progress | None,
) -> Pack:
    """Draw the pictures, add what goes out beside every page, and the guide to it all."""

    def as_png(chart: Chart) -> Iterable[Drawn]:
        yield f"figures/{chart.name}.png", png_file(chart)

    charts: list[Step] = [partial(as_png, chart) for chart in content.figures]
    drawn, lacking = draw([*charts, *steps], progress)
    files |= {**drawn, "blog.md": blog(content).encode(), "say.md": say(content, drawn).encode()}
    if isinstance(content, ReportContent):
        preview = content.picture and drawn.get(f"figures/video/{content.picture.name}.png")
        if preview:
            files |= {"preview.png": preview, "index.html": page(content, preview=True).encode()}
        lacking += content.lacking
    guide = start(content.title, content.answer, files, lacking)
    return Pack(files={"START.html": guide.encode(), **files}, lacking=lacking)


def as_json(record: object) -> bytes:
    return json.dumps(record, allow_nan=False).encode()


def file_names(pool: Pool) -> list[str]:
    """Name folders after the kitchens, none like another's in any case."""
    names: list[str] = []
    for kitchen in pool.kitchens:
        name = re.sub(r"[^\w.-]+", "-", kitchen.name).strip("-.") or "kitchen"
        while name.casefold() in map(str.casefold, names):
            name += "-2"
        names.append(name)
    return names


def name_of(pool: Pool) -> str:
    """Name the folder of several kitchens after the first two, and how many more."""
    names = file_names(pool)
    return "-and-".join(names if len(names) == 2 else [*names[:2], f"{len(names) - 2}-more"])


def draw(
    steps: Iterable[Step], progress: Progress | None
) -> tuple[dict[str, bytes], tuple[str, ...]]:
    """Draw pictures step by step; sentences say which of them there was no room for."""
    steps, drawn = list(steps), dict[str, bytes | None]()
    for done, step in enumerate(steps, 1):
        drawn.update(step())
        if progress is not None:
            progress(done, len(steps))
    lost = sorted(path.rpartition("/")[::2] for path, data in drawn.items() if data is None)
    lacking = tuple(
        f"Not drawn{f' in {folder}' if folder else ''}: "
        f"{wording.listing(name for _, name in found)}. "
        "Words would lie on one another there; shorter labels or fewer variants help."
        for folder, found in groupby(lost, key=lambda place: place[0])
    )
    return {path: data for path, data in drawn.items() if data is not None}, lacking


def zip_of(folder: str, contents: Mapping[str, bytes]) -> bytes:
    """Zip files under one folder, which every system takes; the same files give the same bytes.

    >>> made = zip_of("Crisp? No. 1.", {"index.html": b"page"})
    >>> zipfile.ZipFile(io.BytesIO(made)).namelist()
    ['Crisp- No. 1-/index.html']
    """
    folder, whole = re.sub(r'[<>:"|?*\\]|[. ]+$', "-", folder), io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        for name, content in contents.items():
            entry = zipfile.ZipInfo(f"{folder}/{name}", LONG_AGO)
            entry.external_attr = 0o644 << 16
            entry.compress_type = (
                zipfile.ZIP_STORED if name.endswith(".png") else zipfile.ZIP_DEFLATED
            )
            archive.writestr(entry, content)
    return whole.getvalue()
