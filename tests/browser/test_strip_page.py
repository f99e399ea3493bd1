"""The strip of events: moved, zoomed, stepped through, two stretches side by side."""

import re
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

HOUR = "at=2026-10-02T06:00:00Z&wide=3600"


def look(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator("#strip-drawn path.mark").first).to_be_attached()


def seconds(page: Page) -> float:
    return float(parse_qs(urlsplit(page.url).query)["wide"][0])


def test_the_whole_log_shows_every_door_and_every_incident(quiet: Page, samples: str):
    look(quiet, f"{samples}/site/quay-terrace/strip?chute=A")
    rows = quiet.locator("#strip-drawn text.row").all_text_contents()
    assert rows[:3] == ["Manager", "Technician", "Coordinator"]
    assert {"Floor 1", "Floor 7", "Sorter moves", "Clearing"} <= set(rows)
    title = quiet.locator(".strip-title").text_content()
    (said,) = re.findall(r"([\d,]+) incidents", str(title))
    # A sign an incident: the diamonds, triangles and squares of all incident paths.
    signs = quiet.evaluate(
        "[...document.querySelectorAll('#strip-drawn path.incident')]"
        ".map(p => p.getAttribute('d').match(/Z/g).length / 2).reduce((a, b) => a + b, 0)"
    )
    assert signs == int(said.replace(",", ""))


def test_the_lines_beside_it_are_those_of_the_export(quiet: Page, samples: str):
    look(quiet, f"{samples}/site/quay-terrace/strip?chute=A&{HOUR}")
    raw = quiet.locator("#strip-lines pre").first
    expect(raw).to_be_visible()
    file = quiet.locator("#strip-lines .file").first.get_attribute("title")
    written = Path(str(file)).read_text(encoding="utf-8", errors="replace").splitlines()
    shown = [line.split(maxsplit=1) for line in raw.inner_text().splitlines()]
    assert shown
    assert all(written[int(number) - 1] == text for number, text in shown)


def test_keys_zoom_and_move_the_address_follows_and_back_returns(quiet: Page, samples: str):
    look(quiet, f"{samples}/site/quay-terrace/strip?chute=A&{HOUR}")
    quiet.locator(".strip-picture").focus()
    quiet.keyboard.press("+")
    expect(quiet).to_have_url(re.compile("wide=1800"))
    expect(quiet.locator(".strip-title")).to_contain_text("(30 min)")
    quiet.keyboard.press("ArrowRight")
    expect(quiet).to_have_url(re.compile("06%3A22%3A30Z"))
    quiet.go_back()
    expect(quiet).to_have_url(re.compile("wide=3600"))
    expect(quiet.locator(".strip-title")).to_contain_text("(60 min)")


def test_dragging_moves_and_a_double_click_looks_closer(quiet: Page, samples: str):
    look(quiet, f"{samples}/site/quay-terrace/strip?chute=A&{HOUR}")
    box = quiet.locator(".strip-picture").bounding_box()
    assert box
    x, y = box["x"] + 0.6 * box["width"], box["y"] + 100
    quiet.mouse.move(x, y)
    quiet.mouse.down()
    quiet.mouse.move(x - 100, y, steps=4)
    quiet.mouse.up()
    expect(quiet).to_have_url(re.compile(r"at=2026-10-02T06%3A0[2-9]"))
    expect(quiet.locator(".strip-title")).to_contain_text(re.compile("07:0[2-9]"))  # it followed
    quiet.locator(".strip-picture").dblclick(position={"x": 400, "y": 100})
    expect(quiet).to_have_url(re.compile("wide=1200"))


def test_one_steps_from_incident_to_incident(quiet: Page, samples: str):
    look(quiet, f"{samples}/site/quay-terrace/strip?chute=A&{HOUR}")
    quiet.get_by_role("link", name="Next incident").click()
    expect(quiet).to_have_url(re.compile("incident="))
    expect(quiet.locator("#strip-drawn .incident.chosen")).to_have_count(1)
    first = quiet.url
    quiet.locator(".strip-picture").focus()
    quiet.keyboard.press("n")
    expect(quiet).not_to_have_url(first)
    back = quiet.get_by_role("link", name="Previous incident")
    incident = re.search(r"incident=([^&]+)", first)
    assert incident
    expect(back).to_have_attribute("href", re.compile(re.escape(incident[1])))
    back.click()
    expect(quiet).to_have_url(first)


def test_two_stretches_stand_side_by_side(quiet: Page, samples: str):
    look(quiet, f"{samples}/site/quay-terrace/strip?chute=A&{HOUR}")
    quiet.get_by_role("link", name="The day before beside it").click()
    expect(quiet.locator(".strip-picture")).to_have_count(2)
    titles = quiet.locator(".strip-title")
    expect(titles.nth(0)).to_contain_text("2026-10-02 07:00:00")
    expect(titles.nth(1)).to_contain_text("2026-10-01 07:00:00")
    expect(quiet.locator("#strip-lines > div")).to_have_count(2)
    quiet.get_by_role("link", name="Closer").click()
    expect(titles.nth(1)).to_contain_text("(20 min)")
    quiet.get_by_role("link", name="Alone again").click()
    expect(quiet.locator(".strip-picture")).to_have_count(1)


def test_pointing_at_a_mark_says_what_it_is(quiet: Page, samples: str):
    look(quiet, f"{samples}/site/quay-terrace/strip?chute=A&floor=4&{HOUR}")
    expect(quiet.locator(".strip-title")).to_be_visible()
    box = quiet.locator("#strip-drawn path.mark.clearing").bounding_box()
    assert box
    quiet.mouse.move(box["x"] + 1, box["y"] + 2)
    expect(quiet.locator(".strip-told")).to_contain_text("clearing 2026-10-02 07:")
    rows = quiet.locator("#strip-drawn text.row").all_text_contents()
    assert [row for row in rows if row.startswith("Floor")] == ["Floor 4"]
