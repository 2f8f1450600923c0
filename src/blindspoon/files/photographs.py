"""The host's pictures -> small upright ones that hold nothing but what is seen."""

from __future__ import annotations

import base64
import io
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING

from blindspoon.trial import Photo, Trial

if TYPE_CHECKING:
    from PIL import Image

ON_A_PAGE = 115_000
"""Letters that all pictures of a page take together, which keeps it under 400 KB."""
SIZES = ((1200, 80), (1000, 76), (800, 70), (640, 64), (480, 56), (320, 50))
"""Longest sides in pixels, with qualities of JPEG, the best first."""
BESIDE = (1600, 84)  # the same for the picture that lies beside the page
KEPT = (2400, 90)  # and for the copy of one that was chosen on a page


@dataclass(frozen=True, slots=True, kw_only=True)
class Photograph:
    """A picture as it is published, with nothing of the camera and the place in it.

    `alt` is what it shows, `label` that of the variant, or empty. `inline` is an address that holds
    the picture itself, `width` by `height` pixels; `file` the same, larger, as JPEG, to be called
    `name`.
    """

    name: str
    alt: str
    label: str
    inline: str
    file: bytes
    width: int
    height: int


def photographs(
    trial: Trial, found: Mapping[str, bytes]
) -> tuple[tuple[Photograph, ...], tuple[str, ...]]:
    """Make the pictures that trial.toml lists, in its order, of what was found in ``photos/``.

    Beside those that could be made stand sentences on those that are left out.
    """
    made, lacking = list[Photograph](), list[str]()
    for number, photo in enumerate(trial.photos, 1):
        one = _photograph(trial, photo, number, found.get(photo.file))
        if isinstance(one, Photograph):
            made.append(one)
        else:
            lacking.append(f"The picture {photo.file} is left out: {one}.")
    return tuple(made), tuple(lacking)


def copied(data: bytes) -> bytes | str:
    """Make the copy of a picture that is kept in ``photos/``, a JPEG, or say why it cannot be."""
    upright = _upright(data)
    return upright if isinstance(upright, str) else _jpeg(upright, *KEPT)[0]


def _photograph(trial: Trial, photo: Photo, number: int, data: bytes | None) -> Photograph | str:
    upright = "photos has no such file" if data is None else _upright(data)
    if isinstance(upright, str):
        return upright
    for size in SIZES:
        small, width, height = _jpeg(upright, *size)
        text = f"data:image/jpeg;base64,{base64.b64encode(small).decode()}"
        if len(text) <= ON_A_PAGE // len(trial.photos):
            break
    else:
        return "with so many the page is full"
    stem = re.sub(r"[^a-z0-9]+", "-", PurePath(photo.file).stem.lower()).strip("-")
    return Photograph(
        name=f"{number}-{stem or 'photo'}.jpg",
        alt=photo.alt,
        label=trial.variant(photo.variant).label if photo.variant else "",
        inline=text,
        file=_jpeg(upright, *BESIDE)[0],
        width=width,
        height=height,
    )


def _upright(data: bytes) -> Image.Image | str:
    """Paint a picture, turned as the camera was held, on white: only pixels come along.

    Else say why not.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError  # noqa: PLC0415 - only for pictures

    try:
        with warnings.catch_warnings():  # far more pixels than a camera's: refused
            warnings.simplefilter("error")
            with Image.open(io.BytesIO(data), formats=("JPEG", "PNG", "WEBP")) as opened:
                turned = ImageOps.exif_transpose(opened).convert("RGBA")
    except UnidentifiedImageError:
        return "it is no JPEG, PNG or WebP"
    except (Image.DecompressionBombWarning, Image.DecompressionBombError):
        return "it has more than 80 million pixels"
    except Exception as error:
        return f"it cannot be read ({error})"
    ground = Image.new("RGB", turned.size, "white")
    ground.paste(turned, mask=turned.getchannel("A"))
    return ground


def _jpeg(upright: Image.Image, longest: int, quality: int) -> tuple[bytes, int, int]:
    small, out = upright.copy(), io.BytesIO()
    small.thumbnail((longest, longest))
    small.save(out, "JPEG", quality=quality, optimize=True)
    return out.getvalue(), *small.size
