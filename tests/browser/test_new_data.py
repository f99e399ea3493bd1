"""A page that is open while an export lands."""

import time
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from dashboards import data
from tests.browser.serving import serving
from tests.browser.test_site_page import number
from tests.exports import Log, take, write

pytestmark = pytest.mark.browser

# What was there before is shown for as long as the new takes, and the page then tells of it.
SHOWS_TEN = """() => {
  const more = document.getElementById("refresh");
  if (more && !more.hidden) more.click();
  return document.querySelector(".headline .value")?.innerText === "10";
}"""


def presses(start: str, doors: int) -> list[str]:
    log = Log(start)
    for door in range(1, doors + 1):
        log.event(600, str(door), "BUTTON")
        log.event(3, str(door), "DOOR OPEN")
        log.event(9, str(door), "DOOR SHUT")
    return log.lines


def test_the_page_tells_that_new_exports_landed_and_shows_them(quiet: Page, tmp_path: Path):
    store = tmp_path / "store"
    take(store, write(tmp_path / "first.csv", presses("2025-03-03 08:00:00", 3)))
    with serving(store, poll_ms=300) as address:
        quiet.goto(address)
        expect(quiet.locator(".headline")).to_be_visible()
        assert number(quiet, "Visits") == "3"
        expect(quiet.locator("#refresh")).to_be_hidden()
        take(store, write(tmp_path / "second.csv", presses("2025-03-04 08:00:00", 5)))
        quiet.get_by_role("button", name="Show them").click()
        expect(quiet.locator(".headline .value").first).to_have_text("8")
        expect(quiet.locator("#refresh")).to_be_hidden()
        take(store, write(tmp_path / "third.csv", presses("2025-03-05 08:00:00", 2)))
        quiet.reload()
        quiet.wait_for_function(SHOWS_TEN, polling=500)
        quiet.goto("about:blank")


def test_the_page_says_that_it_is_working_and_keeps_what_it_showed(
    quiet: Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    store = tmp_path / "store"
    take(store, write(tmp_path / "first.csv", presses("2025-03-03 08:00:00", 3)))
    real = data.whole

    def slow(*asked: Any) -> Any:
        time.sleep(1.5)  # as long as a big log takes
        return real(*asked)

    monkeypatch.setattr(data, "whole", slow)
    with serving(store) as address:
        quiet.goto(address)
        expect(quiet.get_by_text("Working: ").first).to_be_visible()
        expect(quiet.locator(".headline")).to_be_visible()
        expect(quiet.get_by_text("Working: ")).to_have_count(0)
        quiet.get_by_label("From").fill("2025-03-03")
        quiet.keyboard.press("Enter")
        expect(quiet.get_by_text("Working: ").first).to_be_in_viewport()
        expect(quiet.locator(".headline")).to_be_visible()
        expect(quiet.get_by_text("Working: ")).to_have_count(0)
        quiet.goto("about:blank")
