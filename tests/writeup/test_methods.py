import datetime
import re
from dataclasses import replace
from importlib.metadata import version

import pytest

from blindspoon.wording import day
from blindspoon.writeup import methods
from tests.writeup.conftest import part


def said(content, name):
    return " ".join(part(content, name).paragraphs)


SEPTEMBER = datetime.date(2026, 9, 19)


@pytest.mark.parametrize(
    "words",
    [
        "restricted maximum likelihood (REML)",
        "Kenward and Roger (1997)",
        "Dunnett’s method (Dunnett 1955, 1964)",
        "signed ranks (Wilcoxon 1945",
        "single-step maximum (Westfall and Young 1993)",
        "Hodges and Lehmann (1963)",
        "Friedman’s test (1937)",
        "two one-sided tests; Schuirmann 1987",
        "SAMPL guidelines (Lang and Altman 2013)",
        "at most alpha, 0.05",
        "the linear mixed model decides",
        "is 1\xa0point for texture and saltiness",
        f"Computed with Blindspoon {version('blindspoon')} on numpy {version('numpy')} and scipy ",
        "all sign patterns were enumerated",
    ],
)
def test_the_methods_name_what_a_paper_must(content_of, words):
    assert words in said(content_of("usual"), "compared")


def test_every_source_that_is_named_is_listed(every_content):
    years = ("1955", "1997", "1945", "1993", "1963", "1937", "1987", "2013", "1951", "1981")
    for name, content in every_content.items():
        text = said(content, "compared")
        listed = methods.references([text])
        for year in years:
            if re.search(rf"[ (]{year}[);,]", text):
                assert any(year in source for source in listed), f"{name}: {year}"


def test_sharing_alpha_is_told(content_of):
    assert "shared equally by the two primary attributes" in said(
        content_of("two primary"), "compared"
    )
    assert "shared" not in said(content_of("no decision"), "compared")


def test_a_look_tells_its_own_part_of_alpha(content_of):
    analysis = content_of("usual").analysis
    rule = replace(analysis.trial.decision, looks=(6, 12), share=0.9)
    looked = replace(analysis, trial=replace(analysis.trial, decision=rule))
    assert "at most alpha, 0.045 at this look; the one primary" in " ".join(
        methods.compared(looked)
    )


def test_replicates_and_batches_are_random_effects(content_of):
    assert "taster by variant (because" in said(content_of("replicates"), "compared")
    assert "taster and batch;" in said(content_of("several batches"), "compared")
    assert "random effects of taster;" in said(content_of("one attribute"), "compared")


def test_sampled_sign_patterns_name_their_seed(content_of):
    text = said(content_of("usual", tasters=30), "compared")
    assert "drawn at random from the trial’s seed, 20260905" in text


def test_scores_without_codes_are_not_said_to_be_blind(content_of):
    text = said(content_of("uncoded"), "tasted")
    assert "No codes are recorded" in text
    assert "cups bore codes" not in text
    assert "cups bore codes" in said(content_of("usual"), "tasted")


def test_panel_sessions_scale_and_cleanser_are_told(content_of):
    text = said(content_of("usual"), "tasted")
    assert text.startswith("Twelve tasters scored 120 cups of 5 variants")
    assert "in 2 sessions (dates recorded: 19 September 2026), 5 cups a taster and session" in text
    assert "Texture (soft to crisp) and saltiness" in text
    assert "were scored from 0 to 10 in steps of 0.5." in text
    assert "the plan has water and a plain cracker" in text
    assert "All 240 scores were given." in text


def test_missing_scores_are_counted(content_of):
    text = said(content_of("all missing but two"), "tasted")
    assert "Of 120 scores 116 were not given; a blank is missing, never zero." in text


@pytest.mark.parametrize(
    ("declared", "expected"),
    [
        (datetime.date(2026, 9, 18), "1 day before the first session"),
        (SEPTEMBER, "The folder does not say which came first"),
        (datetime.date(2026, 9, 20), "after the first session, so when scores could already be"),
    ],
)
def test_the_date_of_the_rule_is_held_against_the_first_session(content_of, declared, expected):
    assert expected in part(content_of("usual", declared=declared), "planned").paragraphs[0]


def test_without_a_rule_everything_is_exploratory(content_of):
    content = content_of("no decision")
    assert "No decision rule was declared before tasting" in part(content, "planned").paragraphs[0]
    assert "chosen after the scores were seen" in part(content, "planned").paragraphs[0]
    assert not any(finding.result.primary for finding in content.findings)


def test_the_page_bears_the_date_of_the_last_session(content_of):
    assert "19 September 2026" in content_of("usual").byline
    assert day(datetime.date(2026, 5, 1)) == "1 May 2026"


def test_the_scale_may_be_any_number(content_of):
    text = said(content_of("to a hundred"), "tasted")
    assert "were scored from 0 to 100, any number allowed." in text


def test_the_rule_over_sittings_is_told_where_there_were_several(content_of):
    assert "Over several sittings a difference is their average" in said(
        content_of("replicates"), "compared"
    )
    assert "sittings" not in said(content_of("all alike"), "compared")
