"""A second opinion on the comparisons, by statsmodels and scipy alone.

The mixed models are fitted again by statsmodels' MixedLM with the same terms and its own
optimiser; the rank statistics are computed again by scipy. Nothing of Blindspoon is used: this
file lies in every published folder too, beside the numbers that it checks. There it also holds
the files of data/ against their description, and ends with 1 where anything does not agree::

    pip install pandas scipy statsmodels
    python verify.py
"""

from __future__ import annotations

import hashlib
import json
import sys
import tomllib
import warnings
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import statsmodels.formula.api as models
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

Row = tuple[str, str, float | None, float | None, str]
"""Variant (blank for all), number, Blindspoon's, the other's, remark."""

EXACT_UP_TO = 16
"""Differences other than zero up to which all sign flips are made here."""

UNCORRECTED = "MixedLM's has no correction for few tasters, and no degrees of freedom"
APPROXIMATE = "scipy's is the normal approximation"
NOT_AGAIN = "Not computed again: df, adjusted p values and intervals of scores, and so no verdict."
SHOWN_ONLY = (UNCORRECTED, APPROXIMATE)
"""Remarks where the other number is another on purpose: it is shown and not judged."""

UNCHANGED = "data/ is as datapackage.json describes it; whoever rewrote both is not seen here."
FLIPS = 99_999
SAMPLED = (
    f"Blindspoon drew {FLIPS:,} sign flips by chance: equal within five standard errors of that"
)
"""How many it draws where all are too many, and the remark."""


def recompute(scores: pd.DataFrame, found: Mapping[str, Any]) -> pd.DataFrame:
    """Compute every comparison again and set both results side by side.

    Parameters
    ----------
    scores : DataFrame
        A row a cup: session, taster, variant, batch, position and a column an attribute.
    found : mapping
        What ``compare --json`` prints.

    Returns
    -------
    DataFrame
        Columns attribute, variant, number, blindspoon, other, difference, remark. Where the
        other library has no answer, its number is missing and the remark says why.
    """
    rows = []
    for fitted in found["attributes"]:
        name = fitted["attribute"]
        cups = scores.assign(score=pd.to_numeric(scores[name])).dropna(subset=["score"])
        ours = [each for each in found["comparisons"] if each["attribute"] == name]
        for by in (_by_mixed_model, _by_ranks):
            rows += [(name, *row) for row in by(cups, found["trial"], fitted, ours)]
    rows += [("choice", *row) for row in _by_choices(found.get("choices", ()))]
    rows += [row for each in found.get("course", ()) for row in _by_days(scores, found, each)]
    columns = ["attribute", "variant", "number", "blindspoon", "other", "remark"]
    table = pd.DataFrame(rows, columns=columns).astype({"blindspoon": float, "other": float})
    table.insert(5, "difference", table["other"] - table["blindspoon"])
    return table


def _by_mixed_model(
    cups: pd.DataFrame, trial: Mapping[str, Any], fitted: Mapping[str, Any], ours: Sequence[Any]
) -> Iterator[Row]:
    model = fitted["mixed"]
    if model is None:
        return
    contrasts = {each["variant"]: each["mixed"] for each in ours if each["mixed"]}
    try:
        fit = _fit(cups, [trial["control"], *contrasts], model)
    except (ValueError, np.linalg.LinAlgError) as error:
        yield "", "reml_criterion", model["reml_criterion"], None, f"no answer: {error}"
        return
    zero = " and ".join(model["at_zero"])
    remark = f"without {zero}, whose variance is zero: MixedLM cannot hold it there" if zero else ""
    yield "", "reml_criterion", model["reml_criterion"], -2 * fit.llf, remark
    yield "", "residual_sd", model["residual_sd"], np.sqrt(fit.scale), remark
    fixed = fit.fe_params.index
    information = -fit.model.hessian(fit.params_object)[0][: len(fixed), : len(fixed)]
    errors = pd.Series(np.sqrt(np.diag(np.linalg.inv(information))), fixed)
    for place, (variant, mine) in enumerate(contrasts.items(), 1):
        name = f"C(place)[T.{place}]"
        yield variant, "difference", mine["difference"], fit.params[name], remark
        yield variant, "se", mine["se"], errors[name], UNCORRECTED


def _fit(cups: pd.DataFrame, variants: Sequence[str], ours: Mapping[str, Any]) -> Any:  # noqa: ANN401 - statsmodels has no types
    """Fit ``score ~ variant [* session] [+ position]`` with the random terms not found to be zero.

    Sessions are coded to sum to zero, so that a variant's coefficient is the mean over them.

    Raises
    ------
    ValueError
        If MixedLM cannot fit this model, or did not converge.
    """
    cups = cups[cups["variant"].isin(variants)].assign(everything=1)
    cups = cups.assign(
        position=cups["position"].astype(str),  # a level; formulas know no missing whole numbers
        place=cups["variant"].map({name: place for place, name in enumerate(variants)}),
        own=cups["taster"] + " / " + cups["variant"],
        sitting=cups["session"].astype(str),
        there=cups["taster"] + " / " + cups["session"].astype(str),
        jar=cups["variant"] + " / " + cups["batch"].astype(object).fillna("").astype(str),
    )
    columns = {
        "taster_sd": "taster",
        "taster_variant_sd": "own",
        "taster_session_sd": "there",
        "batch_sd": "jar",
    }
    terms = {name: f"0 + C({name})" for size, name in columns.items() if ours[size]}
    if ours["residual_sd"] == 0:
        raise ValueError("repeats never differ, so their means were compared")
    if ours["sittings"] == "shared":
        raise ValueError("not every variant was tasted at every sitting, so means differ in days")
    if not terms:
        raise ValueError("no variance between tasters or batches is above zero")
    nested = "taster" in terms and "jar" not in terms
    if nested:
        terms.pop("taster")
    over = {"each": " * C(sitting, Sum)", "steady": " + C(sitting, Sum)"}
    fixed = f"score ~ C(place){over.get(ours['sittings'], '')}{' + C(position)' * ours['position']}"
    model = models.mixedlm(
        fixed,
        cups,
        groups="taster" if nested else "everything",
        re_formula="1" if nested else "0",
        vc_formula=terms or None,
    )
    fits, start = list[Any](), None
    for method in ("bfgs", "powell", "nm"):  # each from where the last one ended
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # said on an optimiser's way; its end is checked
            fit = model.fit(reml=True, method=method, start_params=start)
        start = fit.params_object
        fits += [fit] * fit.converged
        if fit.converged and method == "bfgs":
            break
    if not fits:
        raise ValueError("MixedLM did not converge")
    return max(fits, key=lambda fit: fit.llf)


def _by_ranks(
    cups: pd.DataFrame, trial: Mapping[str, Any], fitted: Mapping[str, Any], ours: Sequence[Any]
) -> Iterator[Row]:
    alone = trial["unit"] == "round"
    means = cups.pivot_table("score", "session" if alone else "taster", "variant")
    if fitted["friedman"]:
        complete, statistic = means.round(9).dropna(), None
        remark = "no answer: scipy's needs every variant of every taster, and three variants"
        if len(complete) == len(means) and means.shape[1] > 2:
            statistic = float(stats.friedmanchisquare(*complete.to_numpy().T).statistic)
            remark = ""
        yield "", "friedman", fitted["friedman"]["statistic"], statistic, remark
    for each in ours:
        mine, variant = each["ranks"], each["variant"]
        if mine is None:
            continue
        differences = (means[variant] - means[trial["control"]]).dropna().round(9).to_numpy()
        one, two = np.triu_indices(differences.size)
        pairs = (differences[one] + differences[two]) / 2  # Hodges and Lehmann 1963
        yield variant, "shift", mine["shift"], float(np.median(pairs)), ""
        if alone:
            reason = "no answer: scipy has no test over the rounds of one taster"
            yield variant, "p_value", mine["p_value"], None, reason
        else:
            p, remark = _signed_rank(differences)
            drawn = mine["method"] == "sampled" and not remark
            yield variant, "p_value", mine["p_value"], p, SAMPLED if drawn else remark


def _signed_rank(differences: np.ndarray[Any, Any]) -> tuple[float, str]:
    """Refer the signed ranks to all sign flips, or beyond `EXACT_UP_TO` to the normal curve."""
    moved = differences[differences != 0]
    if moved.size < 2:  # either sign is as far from zero
        return 1.0, ""
    if moved.size > EXACT_UP_TO:
        found = stats.wilcoxon(moved, correction=False, method="approx")
        return float(found.pvalue), APPROXIMATE
    ranks = stats.rankdata(np.abs(moved)) * np.sign(moved)
    found = stats.permutation_test(
        (ranks,),
        lambda flipped, axis: np.abs(flipped.sum(axis=axis)),
        permutation_type="samples",
        vectorized=True,
        n_resamples=2**EXACT_UP_TO,
        alternative="greater",
    )
    return float(found.pvalue), ""


def _by_choices(found: Sequence[Mapping[str, Any]]) -> Iterator[Row]:
    """Compute exact tails and limits of answers to sets again, by scipy and statsmodels."""
    for each in found:
        right, tests, variant = each["right"], each["tests"], each["variant"]
        guess, two_sided = each["by_luck"] / tests, each["expect"] == "either"
        reason = each.get("p_value_reason")
        if each["method"] in ("a-not-a", "same-different"):
            reason = "the numbers of both kinds of set are not printed"
        if reason:
            yield variant, "p_value", each["p_value"], None, f"no answer: {reason}"
            continue
        way = "two-sided" if two_sided and each["method"] == "paired" else "greater"
        p = stats.binomtest(right, tests, guess, alternative=way).pvalue
        yield variant, "p_value", each["p_value"], float(p), ""
        ends = proportion_confint(right, tests, alpha=2 * each["alpha"], method="beta")
        mine = each["can_tell"]["interval"]
        for name, ours, limit in zip(("low", "high"), mine, ends, strict=True):
            share = max((float(limit) - guess) / (1 - guess), 0.0)
            yield variant, f"can_tell_{name}", ours, share, ""


def _by_days(
    scores: pd.DataFrame, found: Mapping[str, Any], course: Mapping[str, Any]
) -> Iterator[tuple[str, *Row]]:
    """Take every taster's differences from the control of the same sitting, and test them."""
    name, series, trend = course["attribute"], course["series"], course["trend"]
    days = [day for day in course["by_day"] if day["found"]]
    single = all(len(day["sessions"]) == len(day["variants"]) == 1 for day in days)
    if course["against"] != "control" or not single or not days:
        reason = (
            "no answer: only differences from the control, from one cell a day, are taken again"
        )
        yield name, series, "slope", trend and trend["slope"], None, reason
        return
    cups = scores.assign(score=pd.to_numeric(scores[name]), session=scores["session"].astype(str))
    cells = cups.pivot_table("score", "taster", ["variant", "session"])
    own, agree = {}, "no answer: all tasters agree exactly"
    for day in days:
        (session,), (variant,) = day["sessions"], day["variants"]
        own[day["day"]] = cells[variant, session] - cells[found["trial"]["control"], session]
        values = own[day["day"]].dropna()
        yield name, series, f"mean_day_{day['day']}", day["found"]["mean"], values.mean(), ""
        p = stats.ttest_1samp(values, 0).pvalue if values.std() > 1e-9 else None
        none = agree if p is None else ""
        yield name, series, f"p_day_{day['day']}", day["found"]["p_different"], p, none
    if trend:
        rows = [row.dropna() for _, row in pd.DataFrame(own).iterrows() if row.count() > 1]
        slopes = [stats.linregress(np.array(row.index, float), row).slope for row in rows]
        yield name, series, "slope", trend["slope"], float(np.mean(slopes)), ""
        p = stats.ttest_1samp(slopes, 0).pvalue if np.ptp(slopes) > 1e-9 else None
        yield name, series, "p_slope", trend["p_value"], p, agree if p is None else ""
    for day in course.get("acceptance", {}).get("days", ()) if course["judged"] else ():
        if "yes" in day:
            ours, share = day["p_more"], course["acceptance"]["share"]
            p = stats.binomtest(day["yes"], day["asked"], share, alternative="greater").pvalue
            yield name, series, f"p_more_day_{day['day']:g}", ours, float(p), ""


def unlike(table: pd.DataFrame) -> pd.DataFrame:
    """Take the rows of numbers that should be equal and are not.

    MixedLM's own optimiser ends a little beside the optimum: a thousandth is allowed.
    """
    judged = table["other"].notna() & ~table["remark"].isin(SHOWN_ONLY)
    same = np.isclose(table["other"], table["blindspoon"], rtol=1e-3, atol=1e-4)
    p = table["other"].where(table["remark"] == SAMPLED)
    same |= table["difference"].abs() <= 5 * np.sqrt(p * (1 - p) / FLIPS)
    return table[judged & ~same]


def in_words(table: pd.DataFrame) -> str:
    """Lay the table out for a terminal, then every remark once, then what agrees."""
    shown = table.drop(columns="remark").assign(note="")
    remarks = [remark for remark in dict.fromkeys(table["remark"]) if remark]
    for number, remark in enumerate(remarks, 1):
        shown.loc[table["remark"] == remark, "note"] = f"({number})"
    lines = shown.to_string(index=False, na_rep="-", float_format=lambda value: f"{value:.6g}")
    apart, unanswered = unlike(table), int(table["other"].isna().sum())
    shown_only = int(table["remark"].isin(SHOWN_ONLY).sum())
    judged = len(table) - unanswered - shown_only
    agreed = f"{judged - len(apart)} of {judged} numbers agree with statsmodels and scipy"
    said = [
        f"{agreed}; shown only: {shown_only}; no answer there: {unanswered}.",
        NOT_AGAIN,
        *(
            f"NOT EQUAL: {' '.join(filter(None, row[:3]))}, {row[3]:.6g} and {row[4]:.6g}"
            for row in apart.itertuples(index=False)
        ),
    ]
    noted = (f"({place}) {text}" for place, text in enumerate(remarks, 1))
    return "\n".join([lines, "", *noted, *[""] * bool(remarks), *said])


def faults_of_data(folder: Path, scores: pd.DataFrame) -> Iterator[str]:
    """Say which files of data/ are not those that were published, and which cups are not there."""
    package = json.loads((folder / "data" / "datapackage.json").read_text(encoding="utf-8"))
    for resource in package["resources"]:
        content = (folder / "data" / resource["path"]).read_bytes()
        copies = (content, content.replace(b"\r\n", b"\n"))  # a copy may have other line ends
        if resource["hash"] not in [f"sha256:{hashlib.sha256(it).hexdigest()}" for it in copies]:
            yield f"data/{resource['path']} is not the file that was published: another SHA-256"
    if len(scores):
        cups = _read(folder / "data" / "scores.csv")
        if "variant" not in cups:
            key = _read(folder / "data" / "key.csv")
            cups = cups.merge(key, on=[name for name in cups if name in key])
        shared = [name for name in scores if name in cups and name not in ("batch", "position")]
        numbers = scores[shared].select_dtypes("number").columns
        told, there = (_counted(frame[shared], numbers) for frame in (scores, cups))
        if missing := (told - there).total():
            yield f"{missing} of {len(scores)} cups of tables/scores.csv are not in data/ so"


def _read(file: Path, kinds: Any = str) -> pd.DataFrame:  # noqa: ANN401 - as pandas takes it
    """Read a table, of which only blank cells are missing: a variant may be called null."""
    return pd.read_csv(file, dtype=kinds, keep_default_na=False, na_values=[""])


def _counted(cups: pd.DataFrame, numbers: Sequence[str]) -> Counter[Any]:
    """Count equal cups; 4.0 is 4, and numbers have the nine digits of tables/."""
    for name in numbers:
        values = pd.to_numeric(cups[name], errors="coerce")
        cups = cups.assign(**{name: values.map("{:.9g}".format)})
    return Counter(cups.astype(object).fillna("").itertuples(index=False, name=None))


def faults_of_seal(folder: Path) -> Iterator[str]:
    """Say whether data/key.csv is the key that data/seal.toml has the fingerprint of."""
    if not (folder / "data" / "seal.toml").exists():
        return
    seal = tomllib.loads((folder / "data" / "seal.toml").read_text(encoding="utf-8"))
    key = _read(folder / "data" / "key.csv").fillna("")
    columns = ["session", "taster", "code", "variant", "batch"]
    rows = sorted(key.reindex(columns=columns, fill_value="").to_numpy().tolist())
    if hashlib.sha256(json.dumps(rows).encode()).hexdigest() != seal.get("key"):
        yield "data/key.csv is not the key that was sealed: another SHA-256 of its sorted rows"


def main(folder: Path) -> int:
    """Check the numbers of a published folder, and its data; 1 where anything does not agree."""
    found = json.loads((folder / "tables" / "comparisons.json").read_text(encoding="utf-8"))
    labels = dict.fromkeys(("session", "taster", "variant", "batch"), str)
    cups = folder / "tables" / "scores.csv"
    scores = _read(cups, labels) if cups.exists() else pd.DataFrame()  # of sets of cups alone
    table = recompute(scores, found)
    try:
        faults = [*faults_of_data(folder, scores), *faults_of_seal(folder)]
    except FileNotFoundError as error:
        faults = [f"data/{Path(error.filename).name} is not there"]
    says = [f"NOT EQUAL: {fault}" for fault in faults] or [UNCHANGED]
    head = "Numbers of tables/comparisons.json, computed again by statsmodels or scipy from "
    head += "tables/scores.csv:\n"
    sys.stdout.write("\n".join([head, in_words(table), *says, ""]))
    return int(bool(faults or len(unlike(table))))


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent))
