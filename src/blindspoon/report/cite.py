"""Where the numbers come from, and how the writeup is cited."""

from __future__ import annotations

from dataclasses import dataclass

from blindspoon import wording
from blindspoon.report import methods
from blindspoon.scores import ScoreTable
from blindspoon.trial import Trial


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """Where the numbers come from; no clock, so that the same folder gives the same bytes.

    Parameters
    ----------
    folder : str
        Name of the trial folder.
    fingerprint : str
        SHA-256 of the files that the answer depends on, in hexadecimal.
    version : str
        Of Blindspoon.
    libraries : tuple of (str, str)
        Name and version of each library that computed something.
    sealed : tuple of str
        Whether the rule and the key are those that were sealed before tasting; sentences.
    """

    folder: str
    fingerprint: str
    version: str
    libraries: tuple[tuple[str, str], ...]
    sealed: tuple[str, ...] = ()

    @property
    def software(self) -> str:
        """Blindspoon and its libraries with their versions, as a phrase."""
        known = wording.listing(f"{name} {version}" for name, version in self.libraries)
        return f"Blindspoon {self.version}" + (f" on {known}" if known else "")


def citation(trial: Trial, table: ScoreTable, provenance: Provenance) -> str:
    """Say how the writeup is cited."""
    author = trial.host.rstrip(".") or "Anonymous host"
    date = methods.report_date(trial, table) or "Undated"
    title = trial.title if trial.title.endswith(("?", "!", ".")) else f"{trial.title}."
    return (
        f"{author}. {date}. {title} Writeup of a tasting, made with Blindspoon "
        f"{provenance.version}. Data SHA-256 {provenance.fingerprint[:16]}."
    )
