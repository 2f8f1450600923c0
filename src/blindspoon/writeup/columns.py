"""The columns of every table of results, each specified once: name, what it holds, its meaning.

The names are public. From the same lines come JSON and CSV, the tables that people read, the
reference of the fields (``docs/reference/json.md``) and the description of a published tables/.
"""

import math
from dataclasses import replace
from operator import attrgetter
from typing import Any, get_args

from blindspoon import wording
from blindspoon.findings.rule import NAMES, Kind
from blindspoon.findings.sensitivity import Name
from blindspoon.stats.assumptions import FlagKind
from blindspoon.stats.results import Method, SittingsWay
from blindspoon.trial import Attribute
from blindspoon.writeup.writers import TEXT, Column, ColumnKind, named

# What a column holds ----------------------------------------------------------------------------


def finer(attribute: Attribute) -> int:
    """Decimals of a table: one more than a sentence has."""
    return wording.digits_for(attribute.scale) + 1


def difference(value: float, attribute: Attribute) -> str:
    return wording.signed(value, finer(attribute))


def points_cell(value: float, attribute: Attribute) -> str:
    """Write a spread or a mean in points, for a table."""
    return wording.number(value, finer(attribute))


def one_of(*words: str) -> ColumnKind:
    return TEXT._replace(limits={"enum": [*words]})


YES_NO = ColumnKind("boolean")
COUNT = ColumnKind("integer", limits={"minimum": 0}, write=lambda value, _: f"{value:,}")
NUMBER = ColumnKind("number", write=lambda value, _: wording.number(value, 2))
TENTHS = NUMBER._replace(write=lambda value, _: wording.number(value, 1))
POINTS = ColumnKind("number", "points", write=points_cell)
DIFFERENCE = POINTS._replace(write=difference)
INTERVAL = POINTS._replace(write=lambda it, about: wording.ends(it, about, finer(about)), pair=True)
SHARE = ColumnKind("number", "0 to 1", {"minimum": 0, "maximum": 1})
P = SHARE._replace(unit="", write=lambda value, _: wording.p_cell(value))
VERDICT = one_of(*get_args(Kind))
LIST = ColumnKind("array")
"""Of values, or of rows of inner columns."""

# What the procedures find -----------------------------------------------------------------------

NAME = Column("attribute", TEXT, "what was scored", of="attribute.name")
VARIANT = Column(
    "variant", TEXT, "the variant that is compared with the control", of="variant.name",
)  # fmt: skip
PRIMARY = Column("primary", YES_NO, "whether it was declared to decide")
ALPHA = Column("alpha", P, "the chance of a false “different” at which this is decided")
P_VALUE = Column("p_value", P, "two-sided p value, not adjusted", "p")
REASON = Column("reason", TEXT, "why there is no number")
DEGREES = named(
    NUMBER, df_num="degrees of freedom of F, the first",
    df_den="degrees of freedom of F, the second",
)  # fmt: skip
RULE = (
    NAME,
    PRIMARY,
    Column("margin", POINTS, "the smallest difference that matters", of="attribute.margin"),
    ALPHA,
)  # fmt: skip
DECIDES = "interval of the difference, simultaneous over the variants"
MIXED = (
    Column("difference", DIFFERENCE, "variant minus control", "Difference"),
    Column("se", POINTS, "standard error of the difference, Kenward and Roger’s", "SE"),
    Column("df", TENTHS, "degrees of freedom of t", "df"),
    Column("t", NUMBER, "difference over standard error", "t"),
    P_VALUE,
    Column(
        "p_adjusted", P, "adjusted p value, by Dunnett’s method over the variants", "p adjusted",
    ),
    Column("interval", INTERVAL, f"{DECIDES}, at level 1 − alpha", "interval"),
    Column("equivalence_interval", INTERVAL, f"{DECIDES}, at level 1 − 2 alpha", "interval"),
    Column(
        "days_in_general", INTERVAL, "the interval with sessions as a sample of days", "interval",
        optional=True, json_only=True,
    ),
)  # fmt: skip


def _too_few(contrast: Any) -> str:  # noqa: ANN401 - a rank contrast
    kind = "rounds have scores of both" if contrast.rounds else "tasters scored both"
    return f"too few {kind} for an interval at this level"


def _open_ends(name: str, of: str) -> Column:
    """Say which ends of an interval are open."""

    def found(contrast: Any) -> str:  # noqa: ANN401 - a rank contrast
        interval = getattr(contrast, of)
        return " ".join(e for e in ("low", "high") if getattr(interval, f"{e}_open", False))

    kind = one_of("low", "high", "low high")
    return Column(name, kind, f"which ends do not belong to the {of}; blank: none", of=found)


RANKS = (
    Column("shift", DIFFERENCE, "variant minus control, after Hodges and Lehmann", "Shift"),
    P_VALUE,
    Column("p_adjusted", P, "adjusted p value, over the variants", "p adjusted"),
    Column(
        "smallest_p", P, "the smallest adjusted p value that these tasters could have given",
        "Smallest p",
    ),
    Column(
        "method", one_of(*get_args(Method)),
        "whether the p values are of all sign flips, of some by chance, or of their limit",
    ),
    _open_ends("open_ends", "interval"),
    _open_ends("equivalence_open_ends", "equivalence_interval"),
    Column("zero_differences", COUNT, "tasters, or rounds, with a difference of zero", "Zeros"),
    *(
        replace(column, missing=_too_few)
        for column in MIXED
        if column.name in ("interval", "equivalence_interval")
    ),
)  # fmt: skip
UNANIMOUS = (
    *named(COUNT, tasters="how many, all with that difference"),
    *named(POINTS, difference="variant minus control", step="the step of the scale"),
    *named(P, p_value="the chance that all agree in direction"),
    *named(INTERVAL, interval="what rounding to the step leaves open"),
)  # fmt: skip
BECAUSE = Column("because", TEXT, "the verdict as a sentence, or why there is none")
COMPARISON = (
    Column("tasters", COUNT, "how many scored both the variant and the control", "Tasters"),
    Column(
        "rounds", COUNT, "of one person alone, how many have scores of both", "Rounds",
        of=lambda each: each.rounds or None, optional=True,
    ),
    *named(COUNT, servings="cups of the variant that were scored"),
    *named(
        POINTS, mean_control="plain mean of the control", mean_variant="plain mean of the variant",
    ),
    Column("mixed", meaning="mixed model", inner=MIXED),
    Column("ranks", meaning="rank comparison", inner=RANKS),
    Column(
        "unanimous", meaning="where all found the same difference", inner=UNANIMOUS, optional=True,
        json_only=True,
    ),
    Column("verdict", VERDICT, "what the procedure that decides says; open means not settled"),
    BECAUSE,
)  # fmt: skip
COMPARED = (NAME, VARIANT, *COMPARISON)
IN_CSV = (
    *COMPARISON[:-1],
    Column("verdict_by_other", VERDICT, "what the other procedure says"),
    BECAUSE,
)
COMPARISONS = (
    *RULE,
    VARIANT,
    Column("control", TEXT, "the variant that all others are compared with"),
    *IN_CSV,
)
"""Of tables/comparisons.csv."""
NOT_COMPARED = (NAME, VARIANT, REASON)

NOTE = tuple(
    replace(column, of=attrgetter(f"note.{column.name}"), json_only=True)
    for column in (
        Column("position", YES_NO, "whether the place of a cup was a fixed effect"),
        Column("at_zero", LIST, "variances that were estimated as zero"),
        Column("converged", YES_NO, "whether the fit came to an end"),
        Column(
            "sittings",
            one_of(*filter(None, get_args(SittingsWay))),
            "what a difference is of: the mean over each session or the shared ones, or sessions "
            "differ in level alone (steady) or not at all (repeats); blank with one",
        ),
    )
)  # fmt: skip
SPREADS = named(
    POINTS, residual_sd="SD of cups, within all else", taster_sd="SD of tasters’ levels",
)  # fmt: skip
CRITERION = Column("reml_criterion", NUMBER, "minus twice the restricted log-likelihood")
TASTER_VARIANT = Column(
    "taster_variant_sd", POINTS, "SD of tasters’ own differences between variants",
    missing=lambda _: "no taster scored a variant twice",
)  # fmt: skip
FIT = (
    *named(NUMBER, f="F, that no variant differs"),
    *DEGREES,
    P_VALUE,
    CRITERION,
    *SPREADS,
    TASTER_VARIANT,
    Column(
        "taster_session_sd", POINTS, "SD of tasters’ levels between sessions",
        missing=lambda _: "no taster’s sittings could be told apart",
    ),
    Column(
        "batch_sd", POINTS, "SD of batches of one variant",
        missing=lambda _: "no variant was tasted from several batches",
    ),
    *NOTE,
)  # fmt: skip
FRIEDMAN = (
    *named(NUMBER, statistic="chi-squared, that all are alike", df="its degrees of freedom"),
    P_VALUE,
    *named(COUNT, tasters="how many have scores of two variants or more"),
    Column(
        "rounds", COUNT, "of one person alone, how many rounds have",
        of=lambda each: each.rounds or None, optional=True, json_only=True,
    ),
    Column("form", one_of("Friedman", "Durbin", "Skillings-Mack"), "which test it comes to here"),
)  # fmt: skip
SITTINGS = (
    Column(
        "f", NUMBER, "F, that differences are the same in every session",
        of=lambda each: each.f if math.isfinite(each.f) else None,
        missing=lambda _: "no scatter is left to hold it against",
    ),
    *DEGREES,
    P_VALUE,
    *named(COUNT, tasters="how many it rests on"),
)  # fmt: skip
FLAG = (
    Column(
        "kind", one_of(*get_args(FlagKind)),
        "scores that spread wide, or stand at an end of the scale",
    ),
    Column("variant", TEXT, "whose scores, also the control"),
    *named(NUMBER, value="times as wide as the others’; or the share that stands there, 0 to 1"),
    *named(COUNT, tasters="how many it rests on"),
)  # fmt: skip
ATTRIBUTE = (
    *RULE,
    Column("friedman", meaning="rank test of all variants", inner=FRIEDMAN),
    Column("mixed", meaning="mixed model", inner=FIT),
    Column("session_interaction", meaning="between sessions", of="sittings", inner=SITTINGS),
    Column("flags", LIST, "what the comparisons lean on", inner=FLAG, json_only=True),
)  # fmt: skip
FLAGS = (NAME, FLAG[1], FLAG[0], *FLAG[2:])
"""Of tables/flags.csv."""
LEFT_OUT = (
    *named(TEXT, file="the file it stands in"),
    *named(COUNT, line="its line there"),
    Column("reason", TEXT, "what is left out, and why", of="text"),
)  # fmt: skip

# Several kitchens -------------------------------------------------------------------------------

POOLED_FIT = (
    CRITERION,
    *SPREADS,
    TASTER_VARIANT,
    *named(
        POINTS, kitchen_variant_sd="SD of kitchens’ own levels of a variant",
        kitchen_difference_sd="SD of their differences, √2 times that",
    ),
    *NOTE[:-1],
)  # fmt: skip
POOLED_ATTRIBUTE = (
    *RULE,
    Column("mixed", meaning="mixed model of all kitchens", of="fit", inner=POOLED_FIT),
    Column(
        "disagreement", meaning="between kitchens",
        of=lambda it: getattr(it.fit, "disagreement", it.fit),
        inner=(*named(NUMBER, f="F, that none disagrees"), *DEGREES, P_VALUE),
    ),
)  # fmt: skip
KITCHEN = (
    *named(TEXT, kitchen="its name"), ALPHA,
    Column("mixed", meaning="its own mixed model", inner=MIXED),
)  # fmt: skip
IN_ALL = MIXED[:-1]  # days in general are each kitchen's own
POOLED_COMPARISON = (
    NAME,
    VARIANT,
    Column("kitchens", LIST, "what each found", of="own", inner=KITCHEN),
    Column("pooled", inner=IN_ALL, meaning="kitchens like these; of several variants by Hartung "
           "and Knapp’s standard error and Bonferroni’s adjustment"),
    Column("these_kitchens", meaning="these kitchens alone", of="these", inner=IN_ALL),
    Column("verdict", VERDICT, "of all together; open means not settled"),
    BECAUSE,
)  # fmt: skip

# What the answer hangs on, the tasters, all attributes together ---------------------------------

ATTRIBUTE_AND_VARIANT = named(TEXT, attribute=NAME.meaning, variant=VARIANT.meaning)
OUTCOME = (
    Column(
        "alternative", one_of(*get_args(Name)),
        "what was done otherwise; ordinal: scores as ordered categories",
    ),
    *named(TEXT, left_out="the taster or the session; blank: nobody"),
    *ATTRIBUTE_AND_VARIANT,
    Column(
        "verdict", one_of(*get_args(Kind), "not_shown"),
        "what it becomes; open means not settled, not_shown that categories show no difference",
    ),
    Column(
        "direction", ColumnKind("integer", limits={"minimum": -1, "maximum": 1}),
        "−1 or 1 for a difference that is shown, else 0",
    ),
    *named(POINTS, difference="variant minus control; blank for categories"),
    *named(P, p_adjusted="adjusted p value, over the variants"),
    *named(YES_NO, changed="whether verdict or direction is another than declared"),
)  # fmt: skip
INFLUENCE = (*OUTCOME, REASON)
PANEL_ROWS = (
    *named(TEXT, attribute=NAME.meaning, taster="whose number it is; blank: of all"),
    *named(TEXT, measure="its place in panel of comparisons.json, as concordance.w"),
    *named(ColumnKind("any"), value="the number, a text, or yes or no"),
    *named(NUMBER, low="the low end of an interval", high="the high end"),
    REASON,
)  # fmt: skip


def _correlations(ends: tuple[float, float], _: object) -> str:
    """Write the interval of a correlation, finer where zero would seem to be an end."""
    digits = wording.telling_digits(ends, [0.0], 2)
    return " to ".join(wording.number(end, digits) for end in ends)


WITHIN = (
    Column("r", NUMBER, "correlation within tasters and variants", "Within variants"),
    Column(
        "interval", NUMBER._replace(pair=True, write=_correlations),
        "at 95 % for all pairs of attributes at once", "Interval",
    ),
    Column("pairs", COUNT, "how many pairs of scores", "Pairs"),
    *named(COUNT, df="its degrees of freedom"),
)  # fmt: skip
PAIR = (*named(TEXT, first="one attribute", second="the other"), Column("within", inner=WITHIN))
CORRELATIONS = (*PAIR[:2], *WITHIN, REASON)
NAMED_VERDICT = VERDICT._replace(write=lambda verdict, _: NAMES[verdict])
OVER_ALL = "over all attributes and variants"
OVERALL = (
    *ATTRIBUTE_AND_VARIANT,
    Column("mixed_p", P, f"p value of the mixed model, adjusted {OVER_ALL}", "p, mixed model"),
    Column(
        "mixed_verdict", NAMED_VERDICT, "what the mixed model says then; open means not settled",
        "Verdict, mixed model",
    ),
    Column("ranks_p", P, f"p value of the ranks, adjusted {OVER_ALL}", "p, ranks"),
    Column(
        "ranks_verdict", NAMED_VERDICT, "what ranks say then; open means not settled",
        "Verdict, ranks",
    ),
)  # fmt: skip
