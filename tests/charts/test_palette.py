"""Contrast by WCAG 2.2 (relative luminance, success criteria 1.4.3 and 1.4.11)."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from blindspoon.charts.scene import COLOURS, PALETTE, css_variables, variant_inks

# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes 2009, IEEE Trans. Vis. Comput. Graph. 15:1291,
# severity 1.0, on linear RGB.
SIGHT = {
    "full": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritanopia": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
VARIANTS = [f"v{n}" for n in range(1, COLOURS + 1)]
THEMES = pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])


def linear(colour: str) -> np.ndarray:
    channels = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str, theme: int) -> float:
    light = [linear(PALETTE[name][theme]) @ [0.2126, 0.7152, 0.0722] for name in (one, other)]
    return (max(light) + 0.05) / (min(light) + 0.05)


def lab(colour: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* for the D65 white, from linear sRGB (IEC 61966-2-1)."""
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    t = to_xyz @ np.clip(colour, 0, 1) / [0.9505, 1.0, 1.089]
    f = np.where(t > 216 / 24389, np.cbrt(t), (24389 / 27 * t + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@THEMES
@pytest.mark.parametrize("ground", ["ground", "band"])
def test_marks_stand_out_three_to_one(theme, ground):
    marks = [*VARIANTS, "people", "ink", "edge"]
    assert min(contrast(mark, ground, theme) for mark in marks) >= 3


@THEMES
def test_text_stands_out_four_and_a_half_to_one(theme):
    assert min(contrast(ink, "ground", theme) for ink in ("ink", "soft")) >= 4.5


@THEMES
@pytest.mark.parametrize("sight", list(SIGHT))
def test_variants_differ_to_every_eye(theme, sight):
    seen = {name: lab(SIGHT[sight] @ linear(PALETTE[name][theme])) for name in VARIANTS}
    apart = [np.linalg.norm(seen[a] - seen[b]) for a, b in combinations(VARIANTS, 2)]
    assert min(apart) >= 10  # about four just noticeable differences


def test_the_page_gets_every_colour():
    for dark in (False, True):
        text = css_variables(dark=dark)
        assert all(f"--bs-{name}:{pair[dark]};" in text for name, pair in PALETTE.items())


def test_colour_carries_a_variant_or_nothing():
    inks = variant_inks(COLOURS + 1, 2)
    assert inks[2] == "ink"
    assert sorted(set(inks) - {"ink"}) == VARIANTS
    assert set(variant_inks(COLOURS + 2, 0)) == {"ink", "v1"}
