"""A field that somebody types in is theirs, however late an answer comes."""

import re
import threading
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from dashboards.pages import frame
from tests.browser.serving import serving

pytestmark = pytest.mark.browser


def test_a_slow_answer_does_not_overwrite_what_is_typed(
    quiet: Page, sample_store: Path, monkeypatch: pytest.MonkeyPatch
):
    real, go_on = frame.finished, threading.Event()
    go_on.set()

    def held(*asked: Any) -> Any:
        assert go_on.wait(60)
        return real(*asked)

    monkeypatch.setattr(frame, "finished", held)
    with serving(sample_store) as address:
        quiet.goto(f"{address}/site/quay-terrace?chute=A")
        expect(quiet.locator(".headline td .value").first).to_be_visible()
        go_on.clear()
        quiet.get_by_label("From").fill("2026-10-02")
        quiet.keyboard.press("Enter")
        expect(quiet).to_have_url(re.compile("from=2026-10-02"))
        until = quiet.get_by_label("To, that day too")
        until.click()
        until.press_sequentially("2026-10")
        go_on.set()
        expect(quiet.locator("#numbers")).to_contain_text("2026-10-02 to")
        expect(until).to_have_value("2026-10")
        expect(until).to_be_focused()
        until.press_sequentially("-04")
        quiet.keyboard.press("Enter")
        expect(quiet).to_have_url(re.compile("from=2026-10-02&to=2026-10-04"))
        expect(quiet.locator("#numbers")).to_contain_text("2026-10-02 to 2026-10-04")
        quiet.go_back()
        expect(until).to_have_value("")
        expect(quiet.get_by_label("From")).to_have_value("2026-10-02")
        quiet.goto("about:blank")
