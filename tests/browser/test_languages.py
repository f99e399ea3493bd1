"""Each page in each language, by a link that keeps the view; the other links keep the language."""

import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.test_looks import PICTURES, SIZES

pytestmark = pytest.mark.browser


def test_a_link_tells_the_page_in_another_language_and_the_view_stays(quiet: Page, samples: str):
    quiet.goto(f"{samples}/site/quay-terrace/waiting?chute=A&from=2026-10-01")
    quiet.get_by_role("link", name="Deutsch").click()
    expect(quiet).to_have_url(re.compile(r"chute=A&from=2026-10-01&lang=de$"))
    expect(quiet.locator("html")).to_have_attribute("lang", "de")
    expect(quiet.locator("h2").first).to_have_text("Worauf wird gewartet?")
    expect(quiet).to_have_title(re.compile("Abfallschächte"))
    expect(quiet.locator("#within")).to_contain_text("01.10.2026 bis")
    expect(quiet.locator("#within")).to_contain_text(re.compile(r"\d,\d \("))
    expect(quiet.locator("#languages .chosen")).to_have_text("Deutsch")
    for link in quiet.locator("#pages a, #chutes a, #answers a").all():
        assert "lang=de" in str(link.get_attribute("href"))
    quiet.get_by_role("link", name="Português").click()
    expect(quiet.locator("html")).to_have_attribute("lang", "pt")
    quiet.go_back()
    expect(quiet.locator("html")).to_have_attribute("lang", "de")
    quiet.get_by_role("link", name="English").click()
    expect(quiet.locator("h2").first).to_have_text("What do people wait for?")


def test_what_one_reads_when_pointing_is_told_in_the_language_too(quiet: Page, samples: str):
    quiet.goto(f"{samples}/site/quay-terrace?chute=A&lang=de")
    mark = quiet.locator("#floors-rate .scatterlayer .points path").last
    expect(mark).to_be_visible()
    mark.hover(force=True)
    expect(quiet.locator("#floors-rate .hoverlayer")).to_contain_text("Episoden je 100 Besuche")
    expect(quiet.locator("#daily-lines .xtick text").last).to_contain_text("Okt")
    quiet.goto(f"{samples}/site/quay-terrace/strip?chute=A&lang=de")
    expect(quiet.locator(".strip-told")).to_have_text(re.compile("^Auf eine Marke zeigen"))
    expect(quiet.locator("#strip-drawn text.row").first).to_have_text("Hausverwaltung")


def test_the_check_list_of_a_suspect_fits_a_phone_in_the_longest_language(
    quiet: Page, samples: str
):
    quiet.set_viewport_size(SIZES["phone"])
    quiet.goto(f"{samples}/site/quay-terrace/faults?lang=de")
    expect(quiet.locator("#suspects .steps li").first).to_be_visible()
    expect(quiet.locator("#suspects .caution").first).to_contain_text("freischalten")
    assert quiet.evaluate("document.documentElement.scrollWidth") <= SIZES["phone"]["width"]
    quiet.screenshot(path=PICTURES / "faults-phone-german.png", full_page=True)
    quiet.set_viewport_size(SIZES["wide"])
