"""Templates of sentences -> paragraphs, and templates of pages: the one jinja2 environment."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version

import jinja2

from blindspoon import wording
from blindspoon.charts.chart import Chart
from blindspoon.charts.scene import FONTS, css_variables, face_css
from blindspoon.stats.results import NoResult
from blindspoon.version import __version__
from blindspoon.writeup.writers import Table


def paragraphs(name: str, **facts: object) -> tuple[str, ...]:
    """Fill a template of sentences, by its name without ending; blank lines part its paragraphs.

    Texts of the host are taken as they are: whoever prints escapes.
    """
    return tuple(part.replace(BAR, "|") for part in _parts(name, facts))


def points(name: str, **facts: object) -> tuple[tuple[str, str], ...]:
    """Fill a template of paragraphs that have a head before a bar."""
    parted = (part.partition(" | ") for part in _parts(name, facts))
    return tuple((head.replace(BAR, "|"), text.replace(BAR, "|")) for head, _, text in parted)


BAR = "\0"  # stands for a bar in a text of the host, which parts nothing


def _parts(name: str, facts: Mapping[str, object]) -> Iterator[str]:
    text = sentences().get_template(f"{name}.txt.j2").render(facts)
    parts = (re.sub(r"[ \n]+", " ", part).strip(" \n") for part in re.split(r"\n\s*\n", text))
    return filter(None, parts)


UNBROKEN = re.compile(r"\b[^\W\d_]{1,10}-[^\W_]{1,10}\b(?!-)")
MONTHS = "|".join(wording.MONTHS)
UNITS = re.compile(
    rf"(\d) (?=(?:°C|%|g|kg|points?|people|tasters|days|{MONTHS})\b|°C|%)|(?<=\bpH) (?=\d)"
    rf"|(?<=\d[ \N{{NO-BREAK SPACE}}])({MONTHS}) (?=\d{{4}}\b)"
)
KEPT = ("style", "title", "svg", "code", "pre", "script")
MARKUP = re.compile(
    "(" + "|".join(rf"<{tag}\b.*?</{tag}>" for tag in KEPT) + "|<[^>]*>)", re.DOTALL
)


def html_page(name: str, *, paper: bool = False, **facts: object) -> str:
    """Fill a template of a page, by its name without ending; texts of people are escaped in it."""
    colours = {"light": css_variables(dark=False), "dark": css_variables(dark=True)}
    page = templates().get_template(f"{name}.html.j2").render(paper=paper, **colours, **facts)
    parts = MARKUP.split(page)
    parts[::2] = unbroken("<>".join(parts[::2])).split("<>")
    return "".join(parts)


def inline(text: str) -> str:
    r"""Keep a text on one line and out of the markup.

    >>> print(inline("<b> *crisp*\n| 1_2"))
    \<b\> \*crisp\* \| 1\_2
    """
    escaped = re.sub(r"([\\`*_\[\]<>|#~&])", r"\\\1", " ".join(text.split()))
    return re.sub(r"^(\d{0,9})([-+.)](?=\s|$)|[-=](?=[-=]*$))", r"\1\\\2", escaped)


def markdown_page(name: str, **facts: object) -> str:
    """Fill a template of Markdown, by its name without ending; it keeps texts out of the markup."""
    text = templates().get_template(f"{name}.md.j2").render(inline=inline, **facts)
    return re.sub(r"\n{3,}", "\n\n", text.strip()) + "\n"


def unbroken(text: str) -> str:
    r"""Keep short hyphened words, numbers with their units, and dates on one line of a page.

    >>> unbroken("half-sour"), unbroken("4 September 2026")
    ('<span class="nb">half-sour</span>', '4\xa0September\xa02026')
    """
    held = UNITS.sub("\\1\\2\N{NO-BREAK SPACE}", text)
    return UNBROKEN.sub(r'<span class="nb">\g<0></span>', held)


@cache
def sentences() -> jinja2.Environment:
    """Give the templates of sentences, in which a bar of the host's is not a bar of ours."""
    return templates().overlay(
        finalize=lambda value: value.replace("|", BAR) if isinstance(value, str) else value
    )


@cache
def templates() -> jinja2.Environment:
    """Give the templates; texts are escaped in those of pages, not in those of sentences."""
    folders = ("writeup", "sheets", "packing")
    made = jinja2.Environment(
        loader=jinja2.ChoiceLoader(
            [jinja2.PackageLoader("blindspoon", f"{folder}/templates") for folder in folders]
        ),
        autoescape=jinja2.select_autoescape(["html.j2"]),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    said = (
        *(wording.comparative, wording.count, wording.listing, wording.margin, wording.number),
        *(wording.p_cell, wording.p_value, wording.percent, wording.plain, wording.points),
        *(wording.signed, wording.span, wording.spelled, wording.capital, wording.sentence),
        *(wording.all_of, wording.days, wording.day, wording.dated, wording.in_points),
        wording.on_days,
    )
    made.filters |= {function.__name__: function for function in (*said, caption)}
    made.globals |= {"face_css": face_css, "fonts": FONTS, "software": software}
    made.tests["lacking"] = lambda value: isinstance(value, NoResult)
    return made


@cache
def software() -> str:
    """Name Blindspoon and the libraries that computed something, with their versions."""
    known = wording.listing(f"{name} {version(name)}" for name in ("numpy", "scipy"))
    return f"Blindspoon {__version__} on {known}"


def caption(chart: Chart, above: str) -> str:
    """Head a chart by its title, or by what it shows where all of that was said above it."""
    said = all(clause in above.lower() for clause in chart.title.lower().split("; "))
    return wording.capital(chart.data) if said else chart.title


Points = tuple[tuple[str, str], ...]  # a bold head and a text each; one of the two may be empty


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSection:
    """Finished strings, tables and charts, shown in the order of the fields.

    `name` is its anchor on the page; `role` "Exploratory", or empty. `tables` are read here, and
    `numbers` stand with all numbers of the page. `files` are tables for scripts: path under the
    report's folder, and text. With a `link`, what leads there, it stands open under the board.
    """

    name: str
    head: str
    role: str = ""
    paragraphs: tuple[str, ...] = ()
    charts: tuple[Chart, ...] = ()
    tables: tuple[Table, ...] = ()
    points: Points = ()
    numbers: tuple[Table, ...] = ()
    files: tuple[tuple[str, str], ...] = ()
    link: str = ""

    def __bool__(self) -> bool:
        return bool(self.paragraphs or self.charts or self.tables or self.points)
