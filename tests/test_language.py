"""Phrases in the site's language: dates, decimals, plurals, and nothing silently English."""

import copy
import string

import pandas as pd
import pytest
from babel.messages.pofile import read_po
from dash import html

from dashboards.spoken import language_of, spoken
from loganalyzer.errors import SiteError
from loganalyzer.language import LANGUAGES, Phrase, messages, phrase, say
from loganalyzer.sentences import between, count, door, figure, lasting, listed, things, times
from loganalyzer.site import parse_site
from tests.exports import SITE
from tests.tools.messages import LEFT, ROOT, has_words, kept, marked

OTHERS = LANGUAGES[1:]


def test_a_phrase_is_its_english_text_wherever_nobody_asks_for_more():
    said = phrase("{door}: {n} of {all}", door=door("A", "7"), n=count(12345), all=figure(1.5))
    assert said == "Floor 7 of chute A: 12,345 of 1.5"
    assert pd.DataFrame({"a": [said]})["a"].tolist() == [said]
    assert copy.deepcopy(said).template == said.template
    assert say(said, "en") == said


@pytest.mark.parametrize(
    ("said", "german", "portuguese"),
    [
        (count(1234567), "1.234.567", "1.234.567"),
        (figure(3.14), "3,1", "3,1"),
        (between(0.5, 12.25), "(0,50 bis 12,2)", "(0,50 a 12,2)"),
        (lasting(5.5), "5,5 s", "5,5 s"),
        (lasting(3 * 86400), "3,0 Tage", "3,0 dias"),
        (things(1, "press", "presses"), "1 Tastendruck", "1 toque"),
        (things(2000, "press", "presses"), "2.000 Tastendrücke", "2.000 toques"),
        (times(2), "zweimal", "duas vezes"),
        (listed([count(1), count(2), count(3)]), "1, 2 und 3", "1, 2 e 3"),
        (phrase("{d:%Y-%m-%d}", d=pd.Timestamp("2026-10-05")), "05.10.2026", "05/10/2026"),
        (phrase("{d:%Y-%m-%d %H:%M:%S}", d=pd.Timestamp("2026-10-05 07:08:09")),
         "05.10.2026 07:08:09", "05/10/2026 07:08:09"),
        (phrase("{d:%Y-%m}", d=pd.Timestamp("2026-10-05")), "Oktober 2026", "outubro de 2026"),
    ],
)  # fmt: skip
# Source: Unicode CLDR, numbers and skeletons of de and pt, by the library babel.
def test_numbers_days_and_nouns_follow_the_language(said, german, portuguese):
    assert say(said, "de") == german
    assert say(said, "pt") == portuguese


def test_a_label_of_the_log_is_never_told_in_another_language():
    assert say(phrase("Floor {floor}", floor="Floor"), "de") == "Etage Floor"
    assert say(phrase("Floor {floor}", floor="{n}"), "de") == "Etage {n}"


def test_a_message_that_no_catalogue_has_stays_english():
    assert say("Nobody told {n:,} of this", "de", n=1234) == "Nobody told 1.234 of this"


@pytest.mark.parametrize("language", OTHERS)
def test_a_catalogue_fills_in_what_the_message_does_and_nothing_else(language):
    text = (ROOT / "loganalyzer" / "locale" / f"{language}.po").read_bytes()
    catalogue = read_po(text.decode().splitlines(keepends=True), locale=language)
    for message in catalogue:
        if isinstance(message.id, str) and message.id:
            assert fields(message.id) == fields(message.string), message.id
    assert len(messages(language)) > 400


def fields(text: str) -> set[tuple[str, str]]:
    return {(name, spec or "") for _, name, spec, _ in string.Formatter().parse(text) if name}


def test_what_is_told_in_english_everywhere_is_on_a_list():
    """Renew it with: python -m tests.tools.messages --write. No text is English by accident."""
    assert kept() == LEFT.read_text(encoding="utf-8")


@pytest.mark.parametrize("language", OTHERS)
def test_the_words_on_paper_and_of_the_findings_are_all_told(language):
    """The list may hold texts of the dashboard's pages; reports and findings are whole."""
    files = [
        ROOT / "loganalyzer" / "sentences.py",
        *(ROOT / "loganalyzer" / "views").glob("about_*.py"),
        *(ROOT / "dashboards" / "reports").glob("*.py"),
    ]
    said = {text for file in files for text in marked(file) if has_words(text)}
    assert len(said) > 200
    assert not said - messages(language)


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_site_names_its_language(language):
    named = SITE.replace("[[chute]]", f'language = "{language}"\n[[chute]]')
    assert parse_site(named, "quay.toml").language == language
    assert parse_site(SITE, "quay.toml").language == "en"


def test_an_unknown_language_is_one_line_with_those_that_are_known():
    with pytest.raises(SiteError, match="a language: en, pt, de"):
        parse_site(SITE.replace("[[chute]]", 'language = "eo"\n[[chute]]'), "quay.toml")


def test_the_address_decides_before_the_site_and_only_for_known_languages():
    assert language_of("de", "pt") == "de"
    assert language_of("klingon", "pt") == "pt"
    assert language_of(None) == "en"


def test_a_page_is_told_in_a_language_and_the_original_is_left_as_it_is():
    raw = html.Pre("Visits")
    body = html.Tbody([html.Tr([html.Td("Visits"), html.Td(count(1234)), html.Td("not judged")])])
    page = html.Section([html.H2("Visits", title="Chutes"), html.Table([body]), raw])
    told = spoken(page, "de")
    heading, table, lines = told.children
    assert (heading.children, heading.title) == ("Besuche", "Schächte")
    label, number, verdict = table.children[0].children[0].children
    assert label.children == "Visits"  # a single word in a table may be a label of the log
    assert number.children == "1.234"
    assert verdict.children == "nicht beurteilt"
    assert lines.children == "Visits"
    assert page.children[0].children == "Visits"
    assert spoken(page, "en") is page


def test_copies_of_a_phrase_keep_what_they_are_made_of():
    said = copy.copy(things(3, "press", "presses"))
    assert isinstance(said, Phrase)
    assert said.nouns == ("press", "presses")
