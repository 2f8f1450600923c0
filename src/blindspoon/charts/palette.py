"""Colours by name, which a page sets as CSS custom properties; light to load."""

PALETTE: dict[str, tuple[str, str]] = {
    "ground": ("#fffefb", "#17191b"),
    "ink": ("#1d2226", "#ececea"),
    "soft": ("#555d63", "#b3bac0"),
    "people": ("#6f787f", "#98a1a8"),
    "hair": ("#cdd4d7", "#3f474d"),
    "band": ("#e9eeec", "#2a3032"),
    "edge": ("#7a838a", "#7f8990"),
    "v1": ("#1c3f99", "#6cbcf7"),
    "v2": ("#b5651a", "#cf7f35"),
    "v3": ("#47897a", "#86ecd2"),
    "v4": ("#8959ba", "#a678da"),
    "v5": ("#674e21", "#d9bb3f"),
    "v6": ("#4f222e", "#f3929f"),
}
"""Colour on a light and on a dark ground. `people` and `v1` to `v6` are marks; `ink` and `soft`
are text; `band` fills the margin, `edge` bounds it and fills the density of many tasters."""

PREFIX = "--bs-"
COLOURS = sum(name[0] == "v" and name[1:].isdigit() for name in PALETTE)


def css_variables(*, dark: bool) -> str:
    """Declare every colour of one theme, for the rule of a style sheet.

    >>> css_variables(dark=False)[:31]
    '--bs-ground:#fffefb;--bs-ink:#1'
    """
    return "".join(f"{PREFIX}{name}:{pair[dark]};" for name, pair in PALETTE.items())


def variant_inks(variants: int, control: int) -> tuple[str, ...]:
    """Give each variant its colour, the same in every chart; the control has the ink of text.

    `variants` counts the control, whose place is `control`. Where there are more variants than
    colours that can be told apart, colour carries nothing: all have the first.

    >>> variant_inks(4, 1)
    ('v1', 'ink', 'v2', 'v3')
    >>> variant_inks(12, 0)[:4]
    ('ink', 'v1', 'v1', 'v1')
    """
    few = variants - 1 <= COLOURS
    others = [place for place in range(variants) if place != control]
    rank = {place: number for number, place in enumerate(others, 1)}
    return tuple(
        "ink" if place == control else f"v{rank[place] if few else 1}" for place in range(variants)
    )
