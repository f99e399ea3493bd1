"""Wide and on a phone, light and dark: readable by all, and kept as pictures to look at."""

from itertools import pairwise
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.browser.test_site_page import look

pytestmark = pytest.mark.browser

PICTURES = Path("test-results")
SIZES = {"wide": {"width": 1280, "height": 900}, "phone": {"width": 390, "height": 844}}
INK = {"light": "rgb(32, 38, 43)", "dark": "rgb(231, 228, 220)"}


@pytest.mark.parametrize("size", SIZES)
def test_the_page_fits_and_follows_the_scheme_while_open(quiet: Page, samples: str, size: str):
    quiet.set_viewport_size(SIZES[size])
    quiet.emulate_media(color_scheme="light", reduced_motion="reduce")
    look(quiet, f"{samples}/site/quay-terrace")
    expect(quiet.locator("#findings li").first).to_be_visible()
    assert quiet.evaluate("document.documentElement.scrollWidth") <= SIZES[size]["width"]
    for name in ("From", "To, that day too"):  # a day has room in its field
        box = quiet.get_by_label(name).bounding_box()
        assert box
        assert box["width"] >= 112
    for scheme, ink in INK.items():
        quiet.emulate_media(color_scheme=scheme, reduced_motion="reduce")
        expect(quiet.locator("#floors-rate .ytick text").first).to_have_css("fill", ink)
        quiet.evaluate("scrollTo(0, 0)")
        quiet.screenshot(path=PICTURES / f"site-{size}-{scheme}.png", full_page=True)
        if (size, scheme) in (("wide", "light"), ("phone", "dark")):  # half of both is enough
            nothing_serious(quiet)
            headings_step_by_step(quiet)


def headings_step_by_step(page: Page) -> None:
    """One title, and no level left out below it, in a page that says its language."""
    levels = page.evaluate("[...document.querySelectorAll('h1,h2,h3')].map(h => +h.tagName[1])")
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(below <= above + 1 for above, below in pairwise(levels))
    assert page.evaluate("document.documentElement.lang") == "en"


def nothing_serious(page: Page) -> None:
    """Axe finds nothing serious, with everything unfolded."""
    for details in page.locator("details").all():
        details.evaluate("node => node.open = true")
    found = Axe().run(page).response["violations"]
    wrong = [one for one in found if one["impact"] in ("serious", "critical")]
    assert not wrong, [(one["id"], [node["html"] for node in one["nodes"]]) for one in wrong]


def test_a_page_that_is_open_follows_the_scheme_when_it_changes(quiet: Page, samples: str):
    quiet.emulate_media(color_scheme="light")
    look(quiet, f"{samples}/?chute=A")
    quiet.emulate_media(color_scheme="dark")
    expect(quiet.locator("#floors-rate .ytick text").first).to_have_css("fill", INK["dark"])
