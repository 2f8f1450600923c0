"""Where the numbers come from, and how the writeup is cited.

The works that the methods paragraphs name.
"""

from __future__ import annotations

from dataclasses import dataclass

from blindspoon import wording
from blindspoon.findings.comparison import AttributeResult
from blindspoon.report import methods
from blindspoon.scores.score_table import ScoreTable
from blindspoon.stats.rounds import MOST_TOGETHER
from blindspoon.trial import Trial

REFERENCES = {
    "dunnett": "Dunnett, C. W. 1955. A multiple comparison procedure for comparing several "
    "treatments with a control. Journal of the American Statistical Association 50:1096–1121; "
    "1964. New tables for multiple comparisons with a control. Biometrics 20:482–491.",
    "durbin": "Durbin, J. 1951. Incomplete blocks in ranking experiments. British Journal of "
    "Psychology, Statistical Section 4:85–90.",
    "fisher": "Fisher, R. A. 1935. The Design of Experiments. Edinburgh: Oliver and Boyd.",
    "friedman": "Friedman, M. 1937. The use of ranks to avoid the assumption of normality "
    "implicit in the analysis of variance. Journal of the American Statistical Association "
    "32:675–701.",
    "hodges": "Hodges, J. L., and E. L. Lehmann. 1963. Estimates of location based on rank "
    "tests. Annals of Mathematical Statistics 34:598–611.",
    "holm": "Holm, S. 1979. A simple sequentially rejective multiple test procedure. "
    "Scandinavian Journal of Statistics 6:65–70.",
    "kenward": "Kenward, M. G., and J. H. Roger. 1997. Small sample inference for fixed effects "
    "from restricted maximum likelihood. Biometrics 53:983–997.",
    "lang": "Lang, T. A., and D. G. Altman. 2013. Basic statistical reporting for articles "
    "published in biomedical journals: the SAMPL guidelines. In Science Editors’ Handbook, "
    "European Association of Science Editors.",
    "marcus": "Marcus, R., E. Peritz, and K. R. Gabriel. 1976. On closed testing procedures with "
    "special reference to ordered analysis of variance. Biometrika 63:655–660.",
    "schuirmann": "Schuirmann, D. J. 1987. A comparison of the two one-sided tests procedure and "
    "the power approach for assessing the equivalence of average bioavailability. Journal of "
    "Pharmacokinetics and Biopharmaceutics 15:657–680.",
    "skillings": "Skillings, J. H., and G. A. Mack. 1981. On the use of a Friedman-type statistic "
    "in balanced and unbalanced block designs. Technometrics 23:171–177.",
    "westfall": "Westfall, P. H., and S. S. Young. 1993. Resampling-Based Multiple Testing. New "
    "York: Wiley.",
    "wilcoxon": "Wilcoxon, F. 1945. Individual comparisons by ranking methods. Biometrics "
    "Bulletin 1:80–83.",
}


def references(results: tuple[AttributeResult, ...]) -> tuple[str, ...]:
    """List the sources that the methods paragraphs name, in alphabetical order."""
    forms = {getattr(result.friedman, "form", "") for result in results}
    if any(result.unit == "round" for result in results):
        together = max(len(result.comparisons) for result in results) <= MOST_TOGETHER
        unused = {"dunnett", "kenward", "westfall", "holm" if together else "marcus"}
    else:
        unused = {"fisher", "holm", "marcus"}
    if "Durbin" not in forms:
        unused.add("durbin")
    if "Skillings-Mack" not in forms:
        unused.add("skillings")
    return tuple(text for name, text in REFERENCES.items() if name not in unused)


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
