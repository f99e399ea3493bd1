"""The page of a site, as the people it is made for use it."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

SECTIONS = {
    "numbers": ".headline td .value",
    "findings": ".people li",
    "floors": "#floors-rate .main-svg .scatterlayer .points path",
    "week": "#week-map .main-svg .heatmaplayer image",
    "daily": "#daily-lines .main-svg .scatterlayer .lines path",
    "incident-list": "#incidents .ag-row",
    "exports": "#exports tbody tr",
}


def look(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator("#exports tbody tr").first).to_be_visible()
    expect(page.locator("#incidents .ag-row").first).to_be_visible()
    expect(page.locator(SECTIONS["daily"]).first).to_be_visible()


def number(page: Page, measure: str, column: int = 0) -> str:
    row = page.locator(".headline tr", has=page.get_by_role("rowheader", name=measure, exact=True))
    return row.locator(".value").nth(column).inner_text()


def test_every_section_shows_what_it_is_about_and_no_chart_offers_an_upload(
    quiet: Page, samples: str
):
    look(quiet, samples)
    for section, content in SECTIONS.items():
        title = quiet.locator(f"#{section}-title")
        expect(title).to_be_visible()
        expect(quiet.locator(content).first).to_be_visible()
    expect(quiet).to_have_title("Quay Terrace - waste chutes")
    for figure in quiet.locator("figcaption").all():
        assert re.search(
            r"Chutes A and B, 2026-\d\d-\d\d to 2026-\d\d-\d\d, time of Europe/Lisbon\. .+ n = \d",
            figure.inner_text(),
        )
    for chart in quiet.locator(".js-plotly-plot").all():
        chart.hover()  # plotly 7 shows a button then, unless it is told not to
        assert chart.evaluate("node => node._context.showSendToCloud") is False
    assert quiet.locator(".modebar-btn").count() == 0


def test_a_chosen_incident_shows_the_lines_of_its_export(quiet: Page, samples: str):
    look(quiet, f"{samples}/?chute=A")
    quiet.locator("#incidents .ag-row", has_text="abuse lockout").first.click()
    raw = quiet.locator("#incident-lines pre").first
    expect(raw).to_be_visible()
    assert "incident=abuse_lockout-" in quiet.url
    file = quiet.locator("#incident-lines .file").first.get_attribute("title")
    written = Path(str(file)).read_text(encoding="utf-8", errors="replace").splitlines()
    shown = [line.split(maxsplit=1) for line in raw.inner_text().splitlines()]
    assert shown
    assert all(written[int(number) - 1] == text for number, text in shown)


def test_rows_are_chosen_by_keyboard(quiet: Page, samples: str):
    look(quiet, f"{samples}/?chute=A")
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


def test_chute_and_period_change_address_and_numbers(quiet: Page, samples: str):
    look(quiet, samples)
    visits = number(quiet, "Visits", 1)
    quiet.get_by_role("link", name="Chute B").click()
    expect(quiet).to_have_url(re.compile(r"\?chute=B$"))
    expect(quiet.locator(".headline thead th")).to_have_text(["Chute B"])
    assert number(quiet, "Visits") == visits
    quiet.get_by_label("From").fill("2026-10-03")
    quiet.get_by_label("To, that day too").fill("2026-10-05")
    quiet.keyboard.press("Enter")
    expect(quiet).to_have_url(re.compile(r"\?chute=B&from=2026-10-03&to=2026-10-05$"))
    expect(quiet.locator("#numbers")).to_contain_text("2026-10-03 to 2026-10-05")
    assert int(number(quiet, "Visits").replace(",", "")) < int(visits.replace(",", ""))


def test_a_link_shows_the_same_view_again(quiet: Page, samples: str):
    look(quiet, f"{samples}/?chute=A&from=2026-10-01&to=2026-10-04")
    quiet.locator("#incidents .ag-row").nth(1).click()
    expect(quiet.locator("#incident-lines h3")).to_be_visible()
    title, numbers = (quiet.locator(x).inner_text() for x in ("#incident-lines h3", ".headline"))
    look(quiet, quiet.url)
    expect(quiet.locator("#incident-lines h3")).to_have_text(title)
    expect(quiet.locator("#incidents .ag-row-selected")).to_have_count(1)
    assert quiet.locator(".headline").inner_text() == numbers
    expect(quiet.get_by_label("From")).to_have_value("2026-10-01")


def test_back_and_forward_follow_the_choices_and_focus_stays(quiet: Page, samples: str):
    look(quiet, f"{samples}/?from=2026-10-01&to=2026-10-03")
    quiet.get_by_role("link", name="Chute A").focus()
    quiet.keyboard.press("Enter")
    expect(quiet.locator(".headline thead th")).to_have_text(["Chute A"])
    assert "Chute A" in quiet.evaluate("document.activeElement.innerText")
    quiet.go_back()
    expect(quiet.locator(".headline thead th")).to_have_text(["Chute A", "Chute B"])
    expect(quiet.locator("#chutes a.chosen")).to_contain_text("All chutes")
    quiet.go_forward()
    expect(quiet.locator(".headline thead th")).to_have_text(["Chute A"])


def test_a_choice_that_is_none_says_so(quiet: Page, samples: str):
    quiet.goto(f"{samples}/?chute=Z")
    said = "The address asks for chute 'Z'; this site has A and B."
    expect(quiet.locator("#answers .empty")).to_have_text(said)
    quiet.get_by_role("link", name="The whole log").click()
    expect(quiet.locator(".headline thead th")).to_have_text(["Chute A", "Chute B"])
