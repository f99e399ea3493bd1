"""Labels and codes of a log that hold markup stay text wherever they are shown."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.serving import serving
from tests.exports import Log, take, write

pytestmark = pytest.mark.browser

IMAGE, LINK = "<img src=x onerror=alert(1)>", '<a href="https://example.org">7</a>'


@pytest.fixture
def hostile(tmp_path: Path) -> Iterator[str]:
    """A door whose name is an image, one whose name is a link; the first locks people out."""
    log = Log("2025-03-03 08:00:00")
    for _ in range(3):
        log.event(600, IMAGE, "BUTTON")
        log.event(3, IMAGE, "LATCH RELEASED")
        log.event(2, IMAGE, "DOOR OPEN")
        log.event(90, IMAGE, "DOOR SHUT")  # longer than a door may stand open
        for _ in range(6):
            log.event(2, IMAGE, "BUTTON")
            log.event(0, IMAGE, "BUTTON NOT TAKEN")
            log.event(2, LINK, "BUTTON")
        log.event(0, LINK, "BUTTON NOT TAKEN")
    store = tmp_path / "store"
    take(store, write(tmp_path / "<b>week</b>.csv", [quoted(line) for line in log.lines]))
    with serving(store) as address:
        yield address


def quoted(line: str) -> str:
    """A field with a quote in it, as RFC 4180 wants it written."""
    doubled = [field.replace('"', '""') for field in line.split(";")]
    return ";".join(f'"{field}"' if '"' in field else field for field in doubled)


def test_markup_in_labels_stays_text(quiet: Page, hostile: str):
    quiet.on("dialog", lambda dialog: pytest.fail(f"the log ran a script: {dialog.message}"))
    quiet.goto(hostile)
    expect(quiet.locator("#incidents .ag-row").first).to_be_visible()
    expect(quiet.locator("#floors-rate .ytick text").first).to_be_visible()
    for figure in ("#floors-rate", "#week-map"):
        ticks = quiet.locator(f"{figure} .ytick").all_text_contents()
        assert any(IMAGE[:10] in text for text in ticks), ticks
    expect(quiet.locator("#incidents .ag-row", has_text=IMAGE).first).to_be_visible()
    quiet.locator("#floors-rate .scatterlayer .points path").last.hover(force=True)
    expect(quiet.locator("#floors-rate .hoverlayer")).to_contain_text(f"Floor {LINK[:20]}")
    quiet.locator("#floors summary").click()
    expect(quiet.locator("#floors tbody th", has_text=LINK).first).to_be_visible()
    quiet.locator("#incidents .ag-row", has_text=IMAGE).first.click()
    expect(quiet.locator("#incident-lines pre")).to_contain_text(IMAGE)
    assert quiet.locator("#content img").count() == 0
    assert quiet.locator("a[href*='example.org']").count() == 0
    assert quiet.locator("svg a").count() == 0
