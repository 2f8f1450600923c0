"""The words of the pages: every language has all of them, and no page has words of its own."""

import re
import string
import tomllib
from importlib import resources

import jinja2
import pytest

from blindspoon import wording
from blindspoon.collect import languages, opening

ROOM = resources.files("blindspoon.collect")
TEXTS = {
    language: tomllib.loads((ROOM / "words" / f"{language}.toml").read_text("utf-8"))
    for language in languages.LANGUAGES
}
TEMPLATES = {
    file.name: file.read_text("utf-8")
    for file in (ROOM / "templates").iterdir()
    if file.name.endswith((".j2", ".js"))
}
CODE = "".join(file.read_text("utf-8") for file in ROOM.iterdir() if file.name.endswith(".py"))
KIND = re.compile("{% block kind %}.*{% endblock %}")
NAME = re.compile(r'"(\w+)"')


def fields(text):
    forms = text if isinstance(text, list) else [text]
    return {name for form in forms for _, name, _, _ in string.Formatter().parse(form) if name}


@pytest.mark.parametrize("language", languages.LANGUAGES[1:])
def test_a_language_has_every_text_with_the_same_parts(language):
    english, other = TEXTS["en"], TEXTS[language]
    assert other.keys() == english.keys() | {"asked"}
    tables = ("script", "sets", "both", "answers")
    pairs = [(english, other), *((english[name], other[name]) for name in tables)]
    pairs += [(english[name]["script"], other[name]["script"]) for name in ("sets", "both")]
    for part, whole in pairs:
        assert part is english or whole.keys() == part.keys()
        for name in part.keys() - {*tables}:
            assert fields(whole[name]) == fields(part[name]), name
            assert isinstance(whole[name], list) == isinstance(part[name], list), name


@pytest.mark.parametrize("language", languages.LANGUAGES[1:])
def test_a_language_asks_by_every_method_with_the_same_parts(language):
    asked = TEXTS[language]["asked"]
    assert asked.keys() == wording.ASKED.keys() | {"must", "more", "most"}
    assert len(asked["more"]) == len(asked["most"]) == 2
    for method, english in wording.ASKED.items():
        # a German noun keeps its capital letter
        own = {"attribute" if name == "label" else name for name in fields(asked[method])}
        assert own == fields(english), method


def test_every_text_is_used_and_none_is_missing():
    pages = "".join(text for name, text in TEMPLATES.items() if name.endswith(".j2")) + CODE
    pages = re.sub(r' == "[^"]*"', "", pages)
    asked = set(NAME.findall(pages)) & TEXTS["en"].keys()
    said = {name for part in re.findall(r"\bsay\(([^,()]*)", pages) for name in NAME.findall(part)}
    of_sets = TEXTS["en"]["sets"].keys() - {"script"}
    assert TEXTS["en"]["both"].keys() - {"script"} <= TEXTS["en"].keys()
    assert TEXTS["en"]["both"]["script"].keys() <= TEXTS["en"]["script"].keys()
    assert TEXTS["en"]["sets"]["script"].keys() <= TEXTS["en"]["script"].keys()
    assert said <= TEXTS["en"].keys() | of_sets
    assert of_sets - TEXTS["en"].keys() <= said
    of_errors = {name for name in TEXTS["en"] if re.fullmatch(r"error_\d+", name)}
    of_faults = {"off_scale", "off_step", "not_a_number", "bad_answer"}
    assert TEXTS["en"].keys() - asked - of_errors - of_faults == set()
    scripts = "".join(text for name, text in TEMPLATES.items() if name.endswith(".js"))
    also = {"decimal", "answers"}
    assert set(re.findall(r"\bwords\.(\w+)", scripts)) == TEXTS["en"]["script"].keys() | also


def test_no_template_of_the_tasters_has_words_of_its_own():
    for name, text in TEMPLATES.items():
        if name.endswith(".html.j2") and name != "progress.html.j2" and "extends frame" not in text:
            tokens = jinja2.Environment(autoescape=True).lex(KIND.sub("", text))
            bare = "".join(token for _, kind, token in tokens if kind == "data")
            seen = re.sub(r"<!?[^>]*>", " ", re.sub(r' [\w-]+="[^"]*"', "", bare))
            assert not re.findall(r"[A-Za-z]{2,}", seen), name


def test_rests_are_read_in_every_language():
    usual = [TEXTS[language]["rest_default"] for language in languages.LANGUAGES]
    assert [languages.seconds_of(rest) for rest in usual] == [60] * 4
    rests = ("at least 30 seconds", "2 min", "30 Sekunden", "90 segundos", "1.5 minutes", "")
    assert [languages.seconds_of(rest) for rest in rests] == [30, 120, 30, 90, 90, 0]


def speak(folder, language):
    with (folder / "trial.toml").open("a") as file:
        file.write(f'\n[tasting]\nlanguage = "{language}"\n')


def test_a_phone_is_spoken_to_in_its_language_and_the_host_in_english(client, sitting):
    german = {"Accept-Language": "de-CH,de;q=0.9,en;q=0.5"}
    assert "Wer bist du?" in client.get("/", headers=german).text
    assert "Who are you?" in client.get("/", headers={"Accept-Language": "fi"}).text
    assert "Tasters join here" in client.get(f"/h/{sitting.host_link}", headers=german).text


def test_the_language_of_the_trial_is_every_taster_s(folder, both_pages, fields):
    speak(folder, "fr")
    with opening.opened(folder) as sitting:
        client = both_pages(sitting).test_client()
        base = f"/t/{sitting.taster_link('T01')}"
        page = client.get(base).text
        assert 'lang="fr"' in page
        assert "Avant de goûter" in page
        cup = client.post(f"{base}/agree", data=fields(page), follow_redirects=True).text
        assert "Enregistrer, suivant" in cup
        wrong = client.post(f"{base}/1/1", data=fields(cup) | {"texture": "10,3"})
        assert "10,3 est hors de l’échelle\xa0; elle va de 0 à 10." in wrong.text
        assert "Tasters join here" in client.get(f"/h/{sitting.host_link}").text
        assert "Désolé" in client.get("/nowhere").text
