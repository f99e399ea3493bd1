"""The pages of a site by question: each main task, readable by all, chute and period kept."""

import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.test_looks import PICTURES, SIZES, headings_step_by_step, nothing_serious

pytestmark = pytest.mark.browser

PAGES = {
    "waiting": "#split-bars .main-svg .barlayer path",
    "audit": "#rules tbody tr",
    "sorting": "#trend-lines .main-svg .scatterlayer path",
    "faults": "#suspects h3",
    "incidents": "#incidents .ag-row",
    "strip": "#strip-drawn path.mark",
    "uses": "#uses tbody tr",
    "done": "#done-work",
    "data": "section h2",
}


@pytest.mark.parametrize("name", PAGES)
def test_a_page_fits_and_is_readable_by_all(quiet: Page, samples: str, name: str):
    for size, scheme in (("wide", "light"), ("phone", "dark")):
        quiet.set_viewport_size(SIZES[size])
        quiet.emulate_media(color_scheme=scheme, reduced_motion="reduce")
        quiet.goto(f"{samples}/site/quay-terrace/{name}")
        expect(quiet.locator(PAGES[name]).first).to_be_visible()
        assert quiet.evaluate("document.documentElement.scrollWidth") <= SIZES[size]["width"]
        quiet.screenshot(path=PICTURES / f"{name}-{size}-{scheme}.png", full_page=True)
    nothing_serious(quiet)
    headings_step_by_step(quiet)


def test_the_pages_keep_chute_and_period(quiet: Page, samples: str):
    quiet.goto(f"{samples}/site/quay-terrace?chute=A&from=2026-10-01&to=2026-10-03")
    quiet.get_by_role("link", name="Waiting").click()
    expect(quiet).to_have_url(re.compile(r"/waiting\?chute=A&from=2026-10-01&to=2026-10-03$"))
    expect(quiet.locator(PAGES["waiting"]).first).to_be_visible()
    expect(quiet.locator("#within")).to_contain_text("2026-10-01 to 2026-10-03")
    quiet.get_by_role("link", name="Chute B").click()
    expect(quiet).to_have_url(re.compile(r"/waiting\?chute=B&from="))
    expect(quiet.locator("#within")).to_contain_text("Chute B, ")
    quiet.get_by_role("link", name="Safety audit").click()
    expect(quiet).to_have_url(re.compile(r"/audit\?chute=B&from="))
    expect(quiet.locator(".caution.top")).to_contain_text("A log is no inspection")


def test_another_clearing_time_is_played_and_one_below_free_fall_refused(quiet: Page, samples: str):
    quiet.goto(f"{samples}/site/quay-terrace/waiting?chute=A")
    quiet.get_by_label("Clearing, s").fill("14")
    quiet.keyboard.press("Enter")
    expect(quiet).to_have_url(re.compile("clearing=14"))
    expect(quiet.locator("#replayed")).to_contain_text("Replayed with it")
    quiet.get_by_label("Clearing, s").fill("0.5")
    quiet.keyboard.press("Enter")
    expect(quiet.locator("#replayed")).to_contain_text("free fall")


def test_the_month_figures_can_be_taken_along(quiet: Page, samples: str):
    quiet.goto(f"{samples}/site/quay-terrace/sorting?chute=A")
    with quiet.expect_download() as taken:
        quiet.get_by_role("link", name="CSV").click()
    text = taken.value.path().read_text(encoding="utf-8")
    assert text.replace('"', "").startswith("building,month,stream,uses,litres,kg,share,diversion")


def test_what_the_week_counts_stands_in_the_address(quiet: Page, samples: str):
    quiet.goto(f"{samples}/site/quay-terrace?chute=A")
    quiet.get_by_role("link", name="Lockouts").click()
    expect(quiet).to_have_url(re.compile("count=lockouts"))
    expect(quiet.locator("#week-drawn figcaption")).to_contain_text("Lockouts per hour of log")
