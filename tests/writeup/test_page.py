import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from blindspoon.findings.comparison import NotCompared
from blindspoon.stats.results import NoResult
from blindspoon.writeup.page import compose, page, render

VOID = {"meta", "link", "br", "hr", "img", "input"}
LIMIT = 400_000


class Outline(HTMLParser):
    """What a page is made of: tags with their attributes, headings, and whether tags close."""

    def __init__(self, source):
        super().__init__()
        self.tags, self.open, self.headings = [], [], []
        self.feed(source)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if re.fullmatch(r"h\d", tag):
            self.headings.append(int(tag[1]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def values(self, attribute):
        return [found[attribute] for _, found in self.tags if attribute in found]


@pytest.fixture(scope="session")
def every_page(every_content):
    return {name: page(content) for name, content in every_content.items()}


@pytest.fixture(scope="session")
def every_paper(every_content):
    return {name: page(content, paper=True) for name, content in every_content.items()}


@pytest.fixture(scope="session")
def outlines(every_page):
    return {name: Outline(source) for name, source in every_page.items()}


def test_headings_come_in_order_under_one_title(outlines):
    for name, outline in outlines.items():
        assert outline.headings.count(1) == 1, name
        assert outline.headings[0] == 1, name
        steps = np.diff(outline.headings)
        assert steps.max() <= 1, name


def test_ids_are_unique_and_links_within_the_page_lead_somewhere(outlines):
    for name, outline in outlines.items():
        ids = outline.values("id")
        assert len(ids) == len(set(ids)), name
        targets = {href[1:] for href in outline.values("href") if href.startswith("#")}
        assert targets <= set(ids), name
        assert set(" ".join(outline.values("aria-labelledby")).split()) <= set(ids), name


def test_an_attribute_may_bear_the_name_of_a_section(content_of):
    content = content_of("one attribute")
    names = [f"attribute-{finding.result.attribute.name}" for finding in content.findings]
    assert set(names) <= set(Outline(page(content)).values("id"))


def test_the_page_needs_no_network_and_one_script_that_unfolds(outlines, every_page):
    for name, outline in outlines.items():
        kinds = [tag for tag, _ in outline.tags]
        assert not set(kinds) & {"link", "img", "iframe", "object", "base"}, name
        assert kinds.count("script") == 1, name
        script = every_page[name].partition("<script>")[2]
        assert not re.search(r"fetch|XMLHttp|import|innerHTML|eval", script), name
        assert outline.values("src") == [], name
        assert not any(
            attribute.startswith("on") for _, found in outline.tags for attribute in found
        )
        assert not re.search(r"@import|url\((?!data:)", every_page[name]), name
        outside = [href for href in outline.values("href") if not href.startswith(("#", "tables/"))]
        assert outside == [], name


def test_links_to_files_lead_to_files_of_the_report(content_of):
    content = content_of("usual")
    files = render(content)
    links = [href for href in Outline(page(content)).values("href") if not href.startswith("#")]
    assert links
    assert set(links) <= set(files)


def test_every_table_has_a_caption_and_scopes(outlines):
    for name, outline in outlines.items():
        tags = [tag for tag, _ in outline.tags]
        assert tags.count("table") == tags.count("caption"), name
        assert all("scope" in found for tag, found in outline.tags if tag == "th"), name


def test_language_title_and_landmarks_are_there(outlines, every_content):
    for name, outline in outlines.items():
        assert ("html", {"lang": "en"}) in outline.tags, name
        kinds = [tag for tag, _ in outline.tags]
        assert all(kinds.count(tag) == 1 for tag in ("main", "nav", "footer", "title")), name
        assert outline.tags[[tag for tag, _ in outline.tags].index("a")][1]["href"] == "#answer"
        assert every_content[name].title


def test_words_of_the_host_and_the_tasters_are_text(content_of):
    content = content_of("words of the host")
    source = page(content)
    assert source.count("<script") == 1
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; “brine”" in source
    assert "“&lt;script&gt;alert(2)&lt;/script&gt;”" in source
    assert "&lt;b&gt;spilt&lt;/b&gt;" in source
    assert "&lt;em&gt;column&lt;/em&gt; is not used" in source
    assert "<i>oak</i>" not in source
    assert "{{ 7 * 7 }}" in source
    assert ">49<" not in source


def test_a_folder_gives_the_same_bytes_twice(content_of):
    assert render(content_of("usual")) == render(content_of("usual"))
    assert not re.search(r"(20\d\d-\d\d-\d\dT|\d\d:\d\d:\d\d)", page(content_of("usual")))


def test_the_files_are_those_of_the_contract(content_of):
    files = render(content_of("usual"))
    assert all(isinstance(data, bytes) for data in files.values())
    assert sorted(path for path in files if not path.startswith("figures/")) == [
        "index.html",
        "tables/attributes.csv",
        "tables/comparisons.csv",
        "tables/flags.csv",
        "tables/left_out.csv",
        "tables/scores.csv",
    ]
    drawings = [path for path in files if path.startswith("figures/")]
    assert len(drawings) == 2 * 2  # two charts of each of two attributes
    assert all(path.endswith(".svg") and files[path].startswith(b"<") for path in drawings)


def test_pages_stay_small(every_page):
    for name, source in every_page.items():
        assert len(source.encode()) < LIMIT, name


def test_many_scores_are_left_to_the_table(content_of):
    content = content_of("usual", tasters=2000, remarks=(), seed=3)
    assert content.scores.numbers == ()
    assert "The scores of all 20,000 cups are in tables/scores.csv" in page(content)
    assert len(page(content).encode()) < LIMIT


@pytest.mark.slow
def test_the_page_stays_small_with_a_hundred_thousand_tasters(content_of):
    content = content_of("one attribute", tasters=100_000)
    assert len(page(content).encode()) < LIMIT
    assert dict(content.files)["tables/scores.csv"].count("\n") == 500_001


def test_everything_stands_in_the_order_of_reading(content_of):
    source = page(content_of("usual"))
    order = [
        "<h1>",
        'class="question"',
        'id="answer"',
        'id="picture"',
        'id="board"',
        'id="weak"',
        'id="remarks"',
        'id="advice"',
        'id="next"',
        'id="record"',
        'id="attribute-texture"',
        'id="attribute-saltiness"',
        'id="not-shown"',
        'id="planned"',
        'id="tasted"',
        'id="compared"',
        'id="differed"',
        'id="cautions"',
        'id="numbers"',
        'id="scores"',
        'id="cite"',
    ]
    places = [source.index(mark) for mark in order]
    assert places == sorted(places)


def test_the_chart_at_the_head_is_not_drawn_twice(every_content, every_page, every_paper):
    for name, content in every_content.items():
        source = every_page[name]
        for chart in content.figures:
            assert source.count(chart.narrow) == 1, f"{name}: {chart.name}"
            assert source.count(chart.wide) == (chart is content.picture), f"{name}: {chart.name}"
            assert every_paper[name].count(chart.wide) == 1, f"{name}: {chart.name}"


def test_what_few_need_is_folded_and_on_paper_all_is_open(every_content, every_page, every_paper):
    for name, content in every_content.items():
        front, record = every_page[name].split('<section id="record"')
        assert "<details" not in front or content.remarks, name
        assert len(re.findall("<details", record)) >= 6, name
        paper = every_paper[name]
        assert not re.search(r"<details(?! [^>]*open)[^>]*>", paper.replace("<details open", "")), (
            name
        )


def test_no_section_is_printed_without_content(every_page):
    for name, page_of in every_page.items():
        source = re.sub(r"<h\d.*?</h\d>", "", page_of)
        assert not re.search(r"<(section|ul|dl|details|figure)[^>]*>\s*</\1>", source), name


def test_what_stands_open_reads_in_nine_hundred_words(every_page):
    for name, source in every_page.items():
        front = source.split("<main>")[1].split('<section id="record"')[0]
        text = re.sub(r"<[^>]+>", " ", re.sub(r"(?s)<svg.*?</svg>", " ", front))
        assert len(text.split()) <= 900, name


def test_a_trial_without_a_primary_attribute_is_headed_by_its_first(content_of):
    assert content_of("no decision").picture.name == "texture-differences"
    assert content_of("usual").picture.name == "texture-differences"


def test_the_page_for_paper_has_the_wide_charts_and_no_dark_side(content_of):
    text = page(content_of("usual"), paper=True)
    assert 'class="paper"' in text
    assert "prefers-color-scheme: dark) { :root { --bs" not in text
    assert "counter(pages)" in text
    assert "counter(pages)" not in page(content_of("usual"))


def test_only_remarks_beside_scored_cups_are_counted(content_of):
    content = content_of("usual", tasters=50, remarks=("crisp",) * 50)
    assert "All 50 remarks are in tables/scores.csv." in page(content)
    table = content.analysis.table
    few = replace(table, taster=table.taster % 45)  # five of those who wrote scored nothing
    fewer = compose(replace(content.analysis, table=few))
    assert "All 45 remarks are in tables/scores.csv." in page(fewer)


def test_a_remark_that_several_wrote_stands_once_and_says_how_often(content_of):
    wrote = ("good", "soft", "Too salty.", "too salty", "crisp", "too  salty")
    (said,) = (texts for _, texts in content_of("usual", remarks=wrote).remarks.by_variant)
    assert said == ("“Too salty.” (three times)", "“good”", "“soft”", "“crisp”")
    once = content_of("usual", remarks=("good", "Good!", "soft")).remarks.by_variant
    assert once[0][1] == ("“good” (twice)", "“soft”")


def test_what_was_declared_stays_first_where_all_is_exploratory(analysis_of):
    demo = analysis_of("allotment-cucumbers")
    bent = [replace(found, primary=False) for found in demo.results]
    content = compose(replace(demo, results=tuple(bent)))
    assert content.picture.name == "texture-differences"
    assert "were crisper" in content.answer


def test_methods_are_told_where_nothing_was_weighed(analysis_of):
    content = compose(replace(analysis_of("allotment-cucumbers"), made=None))
    front, _ = page(content).split('<section id="record"')
    assert "The same brine with one washed vine leaf in the jar" in front


def test_a_page_on_which_nothing_is_compared_says_why_and_has_no_board(analysis_of):
    demo = analysis_of("allotment-cucumbers")
    results = []
    for found in demo.results:
        who = [(it.attribute, it.variant) for it in found.others]
        lost = [NotCompared(attribute=a, variant=v, reason="Nobody scored it.") for a, v in who]
        results.append(replace(found, others=tuple(lost)))
    content = compose(replace(demo, results=tuple(results)))
    assert dict(content.weak)["Not compared."] == "Nobody scored it."
    assert 'id="board"' not in page(content)


def test_the_head_of_a_picture_does_not_say_the_answer_again(content_of):
    content = content_of("usual")
    assert "; the calcium batch was softer" in content.picture.title
    head = page(content).split("<figcaption>")[1].partition("</figcaption>")[0]
    assert content.picture.title not in head


def test_where_what_decides_has_no_answer_its_reason_stands_open(analysis_of):
    demo = analysis_of("allotment-cucumbers")
    none = NoResult("Batches say too little")
    results = [
        replace(found, others=tuple(replace(it, mixed=none, verdict="open") for it in found.others))
        for found in demo.results
    ]
    content = compose(replace(demo, results=tuple(results)))
    assert dict(content.weak)["No estimate."] == "Batches say too little."


def test_no_question_stands_there_that_the_host_did_not_ask(content_of):
    content = content_of("usual")
    trial = replace(content.trial, question="")
    content = replace(content, analysis=replace(content.analysis, trial=trial))
    assert content.question == trial.title  # over pictures and under a video
    assert 'class="question"' not in page(content)  # under the title it would say it again
