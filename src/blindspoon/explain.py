"""What each problem means and what to do: errors.md, which docs/reference/errors.md repeats."""

from __future__ import annotations

import re

from blindspoon import files


def explanations() -> dict[str, str]:
    """Give the explanation of every problem by its slug, in the order of the page.

    Examples
    --------
    >>> print(explanations()["no-rows"][:62])
    `servings.csv` or `key.csv` has a header and nothing under it.
    """
    page = re.sub(r"^## .*\n", "", files.shipped("errors.md"), flags=re.MULTILINE)
    _, *entries = re.split(r"^### ", page, flags=re.MULTILINE)
    slugs, _, texts = zip(*(entry.partition("\n") for entry in entries), strict=True)
    return dict(zip(slugs, map(str.strip, texts), strict=True))
