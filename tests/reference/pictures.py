"""Makes the pictures of the documentation from the tool itself.

``python tests/reference/pictures.py docs/images`` needs Chromium on the path. What they
show is invented: the demonstration, three more kitchens that repeat it, the trial of the tutorial.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(Path(__file__).parent)]

import allotment_cucumbers  # noqa: E402

from test_tutorial import follow  # noqa: E402

DEMO = TESTS.parent / "trials" / "allotment-cucumbers"
TUTORIAL = TESTS.parent / "docs" / "tutorial" / "first-trial.md"
KITCHENS = {"mill": 11, "harbour": 12, "hilltop": 13}  # names and seeds, of no meaning
BLINDSPOON = [
    sys.executable,
    "-c",
    "import datetime; from blindspoon import trial; "
    "trial.today = lambda: datetime.date(2026, 10, 16); "  # of the tutorial's tasting
    "from blindspoon.cli import main; main()",
]
COLOURS = 128
MARGIN = 24  # pixels of the page around a part of it

# Numbers the parts of the first row of a chart of differences: a place, and how far off it.
PARTS = """
() => {
  const svg = document.documentElement;
  const all = name => [...svg.querySelectorAll(name)];
  const value = (element, name) =>
    Number((element.closest(`[${name}]`) ?? element).getAttribute(name));
  const taster = [...all('circle')[0].parentNode.children]
    .reduce((one, other) => value(one, 'cx') > value(other, 'cx') ? one : other);
  const bar = all('line').find(line => value(line, 'stroke-width') === 2.5);
  const zero = all('line').find(line => value(line, 'x1') === value(line, 'x2')
    && !line.closest('[stroke-dasharray]'));
  const band = all('polygon')[1].getBBox();
  const verdict = all('text').find(text => value(text, 'font-weight') === 700
    && value(text, 'x') > value(taster, 'cx')).getBBox();
  const places = [
    [value(taster, 'cx') + 3, value(taster, 'cy') - 2, 12, -16],
    [value(bar, 'x2') + 6, value(bar, 'y2'), 30, 2],
    [value(zero, 'x1'), value(zero, 'y2') - 6, -24, -8],
    [band.x, band.y + 12, -26, 0],
    [verdict.x + verdict.width + 3, verdict.y + 8, 24, 0],
  ];
  places.forEach(([x, y, right, down], at) => {
    const number = document.createElementNS('http://www.w3.org/2000/svg', 'g');
    number.innerHTML = `<path d="M${x} ${y}l${right} ${down}" stroke="#1d2226"/>`
      + `<circle cx="${x + right}" cy="${y + down}" r="10" fill="#1d2226"/>`
      + `<text x="${x + right}" y="${y + down + 4.5}" fill="#fff" text-anchor="middle"`
      + ` font-weight="600" font-size="13">${at + 1}</text>`;
    svg.append(number);
  });
}
"""


def blindspoon(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [*BLINDSPOON, *arguments]
    return subprocess.run(command, cwd=cwd, capture_output=True, encoding="utf-8", check=False)


def run(*arguments: str, cwd: Path) -> None:
    done = blindspoon(*arguments, cwd=cwd)
    assert done.returncode == 0, done.stderr


def tutorial(place: Path) -> Path:
    """Make the folder of the tutorial as it is on the evening, before anybody has scored."""
    for step in follow(blindspoon, TUTORIAL, place):
        assert step.code == 0, step.output
        if step.text == "export.csv":
            break
    return place / "leaf"


def kitchens(place: Path) -> list[Path]:
    """Invent repeats of the demonstration: the same effects, other people and other chances."""
    for name, seed in KITCHENS.items():
        (place / name).mkdir()
        shutil.copy(DEMO / "trial.toml", place / name)
        allotment_cucumbers.write(place / name, seed=seed)
    shutil.copytree(DEMO, place / "allotment")
    return [place / "allotment", *(place / name for name in KITCHENS)]


@contextlib.contextmanager
def served(folder: Path) -> Iterator[dict[str, str]]:
    """Serve the score page of a folder to this computer; gives each taster's link."""
    script = TESTS / "collect" / "serve_folder.py"
    command = [sys.executable, str(script), str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        found = json.loads(process.stdout.readline())
        home = found["join"].rstrip("/")
        try:
            yield {name: f"{home}/t/{link}" for name, link in found["links"].items()}
        finally:
            process.send_signal(signal.SIGINT)
            process.communicate(timeout=20)


class Camera:
    """Takes pictures of pages, in few colours so that they stay small."""

    def __init__(self, browser: Browser, folder: Path) -> None:
        self.browser, self.folder = browser, folder

    @contextlib.contextmanager
    def page(self, address: str, width: int = 900, height: int = 860) -> Iterator[Page]:
        size = {"width": width, "height": height}
        context = self.browser.new_context(viewport=size, device_scale_factor=1.5)
        page = context.new_page()
        page.goto(address)
        yield page
        context.close()

    def keep(self, name: str, shot: bytes) -> None:
        picture = Image.open(io.BytesIO(shot)).convert("RGB")
        few = picture.quantize(COLOURS, dither=Image.Dither.NONE)
        few.save(self.folder / f"{name}.png", optimize=True)

    def part(self, name: str, address: str, selector: str, width: int = 900) -> None:
        with self.page(address, width) as page:
            part = page.locator(selector).first
            part.evaluate("part => { while (part.previousSibling) part.previousSibling.remove(); }")
            box = part.bounding_box()
            assert box is not None
            clip = {
                "x": max(box["x"] - MARGIN, 0),
                "y": max(box["y"] - MARGIN, 0),
                "width": box["width"] + 2 * MARGIN,
                "height": box["height"] + 2 * MARGIN,
            }
            self.keep(name, page.screenshot(clip=clip, full_page=True))

    def chart(self, name: str, address: str, script: str = "() => {}") -> None:
        with self.page(address) as page:
            page.evaluate(script)
            self.keep(name, page.locator("svg").first.screenshot())

    def top(self, name: str, address: str, width: int = 900, height: int = 860) -> None:
        with self.page(address, width, height) as page:
            self.keep(name, page.screenshot())


def from_the_demonstration(camera: Camera, place: Path) -> None:
    run("publish", str(DEMO), cwd=place)
    published = place / "published" / DEMO.name
    page = (published / "index.html").as_uri()
    camera.top("report", page)
    camera.part("board", page, "#board")
    camera.part("kit", (published / "kit" / "do-it-yourself.html").as_uri(), "#make")
    chart = (published / "figures" / "texture-differences.svg").as_uri()
    camera.chart("differences", chart, PARTS)


def from_the_tutorial(camera: Camera, place: Path) -> None:
    folder = tutorial(place)
    sheets = folder / "sheets"
    camera.top("ballot", (sheets / "ballots.html").as_uri(), height=272)
    camera.part("pouring-sheet", (sheets / "helper.html").as_uri(), ".part.pouring")
    with served(folder) as links, camera.page(links["Ada"], 390, 760) as page:
        page.locator("button.main").click()
        page.locator("input[name=texture][value='5']").check()
        page.evaluate("scrollTo(0, 0)")
        camera.keep("score-page", page.screenshot())


@contextlib.contextmanager
def opened(shelf: Path) -> Iterator[str]:
    """Open a shelf as pages; gives the address that lets the host in."""
    command = [*BLINDSPOON, "open", str(shelf), "--no-browser"]
    own = {**os.environ, "XDG_STATE_HOME": str(shelf / ".state")}
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=own, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.send_signal(signal.SIGINT)
            process.communicate(timeout=20)


def from_the_workbench(camera: Camera, place: Path) -> None:
    (place / "shelf").mkdir()
    steps = follow(blindspoon, TUTORIAL, place / "shelf")

    def until(text: str) -> None:
        next(step for step in steps if step.text == text)

    until("leaf/readings.csv")
    with opened(place / "shelf") as address, camera.page(address, 900, 760) as page:
        trial = f"{address.split('/door/')[0]}/t/leaf"
        page.goto(f"{trial}/question")
        camera.keep("page-question", page.screenshot())
        page.goto(f"{trial}/tasters")
        page.locator("figcaption").wait_for()
        camera.keep("page-tasters", page.screenshot())
        page.goto(f"{trial}/codes")
        camera.keep("page-codes", page.screenshot())
        until("blindspoon check leaf")
        run("close", "leaf", cwd=place / "shelf")
        page.goto(f"{trial}/lift")
        camera.keep("page-lift", page.screenshot())


def from_the_kitchens(camera: Camera, place: Path) -> None:
    run("report", "--pool", *map(str, kitchens(place)), cwd=place)
    (chart,) = place.glob("reports/*/figures/texture-kitchens.svg")
    camera.chart("kitchens", chart.as_uri())


def main(folder: Path) -> None:
    """Write every picture into a folder."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as driver, tempfile.TemporaryDirectory() as scratch:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        camera = Camera(browser, folder)
        for make in (
            from_the_demonstration,
            from_the_tutorial,
            from_the_kitchens,
            from_the_workbench,
        ):
            place = Path(scratch) / make.__name__
            place.mkdir()
            make(camera, place)
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
