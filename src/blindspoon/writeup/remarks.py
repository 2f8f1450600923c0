"""What was written beside the cups and the sets, in the tasters' words and without their names."""

from collections.abc import Iterable
from dataclasses import dataclass

from blindspoon import wording
from blindspoon.findings.comparison import Analysis

MOST_LISTED = 40  # remarks, and things left out, that the page lists; tables/ has them all


@dataclass(frozen=True, slots=True, kw_only=True)
class Remarks:
    """Remarks by the label of their variant, then those beside sets; and where all are."""

    head: str
    by_variant: tuple[tuple[str, tuple[str, ...]], ...]
    note: tuple[str, ...]


def remarks_of(analysis: Analysis) -> Remarks | None:
    """Take the remarks beside cups that were scored, which tables/scores.csv has too."""
    trial, table, choices = analysis.trial, analysis.table, analysis.table.choices
    names = [variant.name for variant in trial.variants]
    rows = zip(table.session.tolist(), table.taster.tolist(), table.variant.tolist(), strict=True)
    scored = {(table.sessions[s], table.tasters[t], names[v]) for s, t, v in rows}
    told = [it for it in table.remarks if (it.session, it.taster, it.variant) in scored]
    grouped = [
        (variant.label, [it.text for it in told[:MOST_LISTED] if it.variant == variant.name])
        for variant in trial.variants
    ]
    grouped.append(("Beside a set", [*choices.remarks[:MOST_LISTED]] if choices else []))
    listed = tuple((label, _each_once(texts)) for label, texts in grouped if texts)
    note = tuple(all_in(len(told), "remarks", "scores.csv"))
    who = "the taster" if len(table.tasters) == 1 else "tasters"
    return Remarks(head=f"What {who} said", by_variant=listed, note=note) if listed else None


def _each_once(texts: Iterable[str]) -> tuple[str, ...]:
    """Quote remarks, those that were written most often first; the same words stand once."""
    same: dict[str, list[str]] = {}
    for text in texts:
        same.setdefault(" ".join(text.casefold().split()).rstrip(".!"), []).append(text)
    often = sorted(same.values(), key=len, reverse=True)
    times = {1: "", 2: " (twice)"}
    quoted = ((f"“{wrote[0]}”", len(wrote)) for wrote in often)
    return tuple(text + times.get(n, f" ({wording.spelled(n)} times)") for text, n in quoted)


def all_in(total: int, what: str, file: str) -> list[str]:
    """Say where all are that the page does not list; nothing where it lists all."""
    return [f"All {total:,} {what} are in tables/{file}."] * (total > MOST_LISTED)
