"""Incidents: found by kind and floor, each with the strip around it and its lines."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser


def look(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator("#incidents .ag-row").first).to_be_visible()


def test_a_chosen_incident_shows_the_strip_and_the_lines_of_its_export(quiet: Page, samples: str):
    look(quiet, f"{samples}/site/quay-terrace/incidents?chute=A")
    quiet.locator("#incidents .ag-row", has_text="abuse lockout").first.click()
    raw = quiet.locator("#incident-lines pre").first
    expect(raw).to_be_visible()
    expect(quiet).to_have_url(re.compile("incident=abuse_lockout-"))
    expect(quiet.locator("#incident-strip .incident.chosen")).to_have_count(1)
    file = quiet.locator("#incident-lines .file").first.get_attribute("title")
    written = Path(str(file)).read_text(encoding="utf-8", errors="replace").splitlines()
    shown = [line.split(maxsplit=1) for line in raw.inner_text().splitlines()]
    assert shown
    assert all(written[int(number) - 1] == text for number, text in shown)


def test_rows_are_chosen_by_keyboard(quiet: Page, samples: str):
    look(quiet, f"{samples}/site/quay-terrace/incidents?chute=A")
    rows = quiet.locator("#incidents .ag-row")
    rows.first.locator(".ag-cell").first.focus()
    quiet.keyboard.press("Enter")
    expect(quiet.locator("#incident-lines h3")).to_contain_text(
        rows.first.locator(".ag-cell").first.inner_text()
    )
    quiet.keyboard.press("ArrowDown")
    quiet.keyboard.press("Space")
    expect(quiet.locator("#incident-lines h3")).to_contain_text(
        rows.nth(1).locator(".ag-cell").first.inner_text()
    )


def test_kind_and_floor_narrow_the_list_and_a_link_shows_the_same_again(quiet: Page, samples: str):
    look(quiet, f"{samples}/site/quay-terrace/incidents?chute=A")
    quiet.get_by_role("link", name=re.compile(r"Abuse lockout \(\d+\)")).click()
    expect(quiet).to_have_url(re.compile("kind=abuse_lockout"))
    expect(quiet.locator("#kinds a.chosen")).to_contain_text("Abuse lockout")
    quiet.get_by_label("Floors, with commas").fill("4")
    quiet.keyboard.press("Enter")
    expect(quiet).to_have_url(re.compile("floor=4"))
    expect(quiet.locator("#incident-list .said")).to_contain_text("incident")
    expect(quiet.locator("#incidents .ag-row").first).to_contain_text("abuse lockout")
    fourth = quiet.locator("[col-id=floor]", has_text=re.compile("^4$"))
    expect(quiet.locator("#incidents .ag-row").filter(has_not=fourth)).to_have_count(0)
    quiet.locator("#incidents .ag-row").nth(1).click()
    title = quiet.locator("#incident-lines h3")
    expect(title).to_be_visible()
    expect(quiet).to_have_url(re.compile("incident="))
    said = title.inner_text()
    look(quiet, quiet.url)
    expect(title).to_have_text(said)
    expect(quiet.locator("#incidents .ag-row-selected")).to_have_count(1)
    expect(quiet.get_by_label("Floors, with commas")).to_have_value("4")
