"""What goes out beside the page: a blog post, what to say and to paste, a guide to it all."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from pathlib import PurePosixPath

from blindspoon.charts.outcome import finding_of
from blindspoon.findings.naming import name_all
from blindspoon.wording import sentence
from blindspoon.writeup.kitchens_page import KitchensContent
from blindspoon.writeup.methods import software
from blindspoon.writeup.page import ReportContent
from blindspoon.writeup.words import html_page, templates
from blindspoon.writeup.writers import inline

MOST_METHODS, MOST_POINTS = 6, 3
"""Variants of which a post tells how they were made, and points that it takes over of a list."""


def blog(content: ReportContent | KitchensContent) -> str:
    """Write a post of about 300 words in CommonMark, with the picture at its head."""
    trial = content.trial
    return _markdown(
        "blog.md.j2",
        content=content,
        kit=isinstance(content, ReportContent),
        names=name_all(trial.variants, trial.control),
        others=[variant for variant in trial.variants if variant.name != trial.control],
        methods=len(trial.variants) <= MOST_METHODS,
        most=MOST_POINTS,
    )


def say(content: ReportContent | KitchensContent, drawn: Collection[str]) -> str:
    """Write what can be said on camera, put under a video, and told of each picture."""
    spoken = content.answer, content.question
    if isinstance(content, ReportContent):
        who, _, blinding = content.trust.partition(". ")
        blind = (
            ", blind" if blinding.startswith("Tasted blind") else "; it is not shown to be blind"
        )
        lead = "As a lead, for no rule was written down: "
        lead *= not content.trial.decision.declared
        analysis, said = content.analysis, content.picture.title if content.picture else ""
        told = next((result for result in analysis.ordered if result.comparisons), None)
        if told is not None and not analysis.about_days:  # what came close is said too
            said = finding_of(told, told.comparisons, analysis.names)
        spoken = f"{lead}{sentence(said or content.answer)}", f"{who}{blind}."
    points = {part.name: part.points for part in content.sections}
    cautions = points.get("cautions", ())
    return _markdown(
        "say.md.j2",
        content=content,
        spoken=spoken,
        trial=content.trial,
        caution=cautions[0] if cautions else None,
        not_shown=points.get("not-shown", ()),
        drawn=drawn,
    )


def start(title: str, answer: str, files: Collection[str], lacking: Sequence[str]) -> str:
    """Write the guide: what each file is for, and which could not be made.

    Parameters
    ----------
    files : collection of str
        Paths of all that lies beside it.
    """
    folders = {str(folder) for path in files for folder in PurePosixPath(path).parents}
    return html_page(
        "start",
        title=title,
        answer=answer,
        here={*files, *folders},
        lacking=lacking,
        software=software(),
    )


def _markdown(name: str, **facts: object) -> str:
    text = templates().get_template(name).render(inline=inline, **facts)
    return re.sub(r"\n{3,}", "\n\n", text.strip()) + "\n"
