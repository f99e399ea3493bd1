"""The page of a site, as the people it is made for use it."""

import re

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

SECTIONS = {
    "numbers": ".headline td .value",
    "findings": ".people li",
    "floors": "#floors-rate .main-svg .scatterlayer .points path",
    "week": "#week-map .main-svg .heatmaplayer image",
    "daily": "#daily-lines .main-svg .scatterlayer .lines path",
}


def look(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator(".headline td .value").first).to_be_visible()
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


def test_chute_and_period_change_address_and_numbers(quiet: Page, samples: str):
    look(quiet, samples)
    visits = number(quiet, "Visits", 1)
    quiet.locator("#chutes").get_by_role("link", name="Chute B").click()
    expect(quiet).to_have_url(re.compile(r"\?chute=B$"))
    expect(quiet.locator(".headline thead th")).to_have_text(["Chute B"])
    assert number(quiet, "Visits") == visits
    quiet.get_by_label("From").fill("2026-10-03")
    quiet.get_by_label("To, that day too").fill("2026-10-05")
    quiet.keyboard.press("Enter")
    expect(quiet).to_have_url(re.compile(r"\?chute=B&from=2026-10-03&to=2026-10-05$"))
    expect(quiet.locator("#numbers")).to_contain_text("2026-10-03 to 2026-10-05")
    assert int(number(quiet, "Visits").replace(",", "")) < int(visits.replace(",", ""))


def test_back_and_forward_follow_the_choices_and_focus_stays(quiet: Page, samples: str):
    look(quiet, samples)
    quiet.locator("#chutes").get_by_role("link", name="Chute A").focus()
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


def test_a_number_is_a_door_to_what_it_counts(quiet: Page, samples: str):
    look(quiet, f"{samples}/?chute=A")
    visits = number(quiet, "Visits")
    quiet.get_by_role("link", name=visits, exact=True).click()
    expect(quiet.locator("#uses .said")).to_have_text(f"Visits: {visits}.")
    expect(quiet.locator("#uses tbody tr").first.locator(".file").first).to_contain_text(".csv:")
    quiet.locator("#uses tbody a").first.click()
    expect(quiet.locator("#strip-lines pre").first).to_contain_text("BUTTON")
    quiet.go_back()
    expect(quiet.locator("#uses .said")).to_have_text(f"Visits: {visits}.")


def test_a_mark_of_a_chart_is_a_door_too(quiet: Page, samples: str):
    look(quiet, f"{samples}/?chute=A")
    quiet.locator("#floors-rate[data-door], #floors-rate [data-door]").first.wait_for()
    quiet.locator("#floors-rate .scatterlayer .points path").last.click(force=True)
    expect(quiet).to_have_url(re.compile(r"/uses\?.*of=episodes.*floor="))
    expect(quiet.locator("#uses .said")).to_contain_text("Lockout episodes")


def test_a_table_can_be_taken_along(quiet: Page, samples: str):
    look(quiet, f"{samples}/?chute=A")
    quiet.locator("#floors summary").first.click()
    with quiet.expect_download() as taken:
        quiet.locator("#floors button.take").first.click()
    text = taken.value.path().read_text(encoding="utf-8-sig")
    assert text.startswith('"Floor","Chute","Presses"')
    assert (
        len(text.splitlines())
        == 1 + quiet.locator("#floors details").first.locator("tbody tr").count()
    )


def test_a_printed_page_has_no_controls(quiet: Page, samples: str):
    look(quiet, f"{samples}/?chute=A")
    quiet.emulate_media(media="print")
    expect(quiet.locator("#pages")).to_be_hidden()
    expect(quiet.locator(".choices")).to_be_hidden()
    expect(quiet.locator(".headline")).to_be_visible()
    expect(quiet.locator("#numbers")).to_contain_text("time of Europe/Lisbon")
    quiet.emulate_media(media="screen")


def test_every_hour_of_the_week_comes_as_a_table_when_asked_for(quiet: Page, samples: str):
    look(quiet, f"{samples}/?chute=A&count=visits")
    quiet.locator("#week-hours summary").click()
    rows = quiet.locator("#week-hours-table tbody tr")
    expect(rows.first).to_be_visible()
    expect(rows).to_have_count(168)
    with quiet.expect_download() as taken:
        quiet.locator("#week-hours button.take").click()
    head, *hours = taken.value.path().read_text(encoding="utf-8-sig").splitlines()
    assert head.startswith('"Hour of the local week","Floor ')
    assert hours[31].startswith('"Tuesday 07:00"')


@pytest.mark.parametrize(
    ("page", "mark", "leads"),
    [
        ("waiting", "#split-bars .barlayer .point path", r"/uses\?.*of=visits.*result=served"),
        ("waiting", "#hours-lines .points path", r"/uses\?.*of=visits.*hour=\d+"),
        ("sorting", "#trend-lines .points path", r"/uses\?.*of=cycles.*from=2026-\d\d-\d\d&to="),
    ],
)
def test_every_chart_leads_to_its_rows(quiet: Page, samples: str, page: str, mark: str, leads: str):
    quiet.goto(f"{samples}/site/quay-terrace/{page}?chute=A")
    chart = mark.split()[0]
    quiet.locator(f"{chart}[data-door], {chart} [data-door]").first.wait_for()
    quiet.locator(mark).nth(2).click(force=True)
    expect(quiet).to_have_url(re.compile(leads))
    expect(quiet.locator("#uses .said, #incident-list .said").first).to_be_visible()


def test_a_finding_leads_to_what_is_behind_it(quiet: Page, samples: str):
    look(quiet, f"{samples}/?chute=A")
    quiet.locator("#findings a.behind").first.click()
    expect(quiet).to_have_url(re.compile(r"/site/quay-terrace/\w+\?chute=A"))
    expect(quiet.locator("#answers section h2").first).to_be_visible()
