"""Text of a log is shown as text on every page, wherever it stands and wherever one points."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Dialog, Page, expect

from dashboards.app import PAGES
from tests.browser.hostile import FILE, LABELS, STREAM, hostile_export, hostile_store
from tests.browser.serving import serving

pytestmark = pytest.mark.browser

# What a label would have made of the page, had it been read as markup.
INJECTED = (
    "#content img, #content iframe, #content script, #content style, b, svg[onload], [onerror], "
    "[onmouseover], a[href^='javascript'], svg a"
)
POINTS = """() => [...document.querySelectorAll('.js-plotly-plot')].flatMap(plot => {
  const box = plot.getBoundingClientRect();
  return [0.3, 0.5, 0.7].flatMap(x => [0.3, 0.6].map(y =>
    [scrollX + box.x + x * box.width, scrollY + box.y + y * box.height]));
})"""


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with serving(hostile_store(tmp_path_factory.mktemp("hostile"))) as address:
        yield address


@pytest.fixture
def wary(quiet: Page) -> Iterator[Page]:
    """A page on which no dialog may open."""
    said: list[str] = []

    def heard(dialog: Dialog) -> None:
        said.append(dialog.message)
        dialog.dismiss()

    quiet.on("dialog", heard)
    yield quiet
    assert said == [], "the log ran a script"


@pytest.mark.parametrize("name", PAGES)
def test_no_page_takes_text_of_a_log_for_markup(wary: Page, hostile: str, name: str):
    wary.goto(f"{hostile}/site/quay/{name}".rstrip("/"))
    expect(wary.locator("#answers section").first).to_be_visible()
    for details in wary.locator("details").all():
        details.evaluate("node => node.open = true")
    assert any(label in wary.locator("body").inner_text() for label in LABELS[:5]), "shows none"
    point_everywhere(wary)
    nothing_injected(wary)


def test_labels_stand_in_charts_and_lists_as_they_were_written(wary: Page, hostile: str):
    wary.goto(f"{hostile}/site/quay")
    expect(wary.locator("#floors-rate .ytick text").first).to_be_visible()
    ticks = "".join(wary.locator("#floors-rate .ytick").all_text_contents())
    for label in LABELS[:5]:
        assert label[:10] in ticks
    wary.locator("#floors-rate .scatterlayer .points path").last.hover(force=True)
    expect(wary.locator("#floors-rate .hoverlayer")).to_contain_text("Floor ")
    nothing_injected(wary)


def test_a_file_that_is_handed_over_is_shown_as_text_before_and_after(
    wary: Page, hostile: str, tmp_path: Path
):
    wary.goto(f"{hostile}/site/quay/data")
    expect(wary.get_by_text("Choose an export")).to_be_visible()
    content = hostile_export(tmp_path, "2025-05-05T08:00:00").read_bytes()
    wary.locator("#upload input").set_input_files(
        {"name": FILE, "mimeType": "text/csv", "buffer": content}
    )
    expect(wary.locator("#preview")).to_contain_text("nothing is kept yet")
    expect(wary.locator("#preview")).to_contain_text(LABELS[0])
    expect(wary.locator("#preview")).to_contain_text(STREAM)
    nothing_injected(wary)
    wary.get_by_role("button", name="Take it in").click()
    expect(wary.locator("#taken-in")).to_contain_text("imported")
    expect(wary.locator("#preview")).to_be_empty()
    nothing_injected(wary)


def point_everywhere(page: Page) -> None:
    """Hover over the charts: what is shown there is markup to the library that draws them."""
    for x, y in page.evaluate(POINTS):
        page.evaluate("y => scrollTo(0, y - 300)", y)
        top = page.evaluate("scrollY")
        page.mouse.move(x, y - top)
        page.wait_for_timeout(20)


def nothing_injected(page: Page) -> None:
    found = page.locator(INJECTED)
    assert found.count() == 0, found.first.evaluate("node => node.outerHTML")
    expect(page.locator("h1").first).to_be_visible()
