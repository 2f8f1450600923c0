"""Arguments and options that several verbs share."""

from __future__ import annotations

from pathlib import Path

import click

FOLDER = click.argument("folder", type=click.Path(path_type=Path))
FOLDERS = click.argument(
    "folders", metavar="FOLDER...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
CHART = click.option(
    "--chart",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a chart, as SVG or PNG by its ending.",
)
SD = click.FloatRange(min=0)
SIZE = click.IntRange(min=1)
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a table.")
