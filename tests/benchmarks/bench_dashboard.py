"""The dashboard over a building-year: server time a callback, page weight, strip frames.

    python -m tests.benchmarks.bench_dashboard [STORE]

Without a store, half a million lines are simulated and imported first. Server times are processor
milliseconds of what a callback does; `first` rebuilds every use from the log, the others are what
a reader waits for after that. Weights are what goes over the wire, compressed with brotli. Frames
are drawn by Chromium and leave out its own painting.
"""

import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from dash import Dash, html
from playwright.sync_api import sync_playwright
from plotly.io.json import to_json_plotly

from dashboards.app import PAGES, create_app, warm_up
from dashboards.data import Data
from dashboards.pages import strip
from dashboards.pages.choice import Choice
from dashboards.pages.frame import Page, answers, view_of
from dashboards.pages.overview import findings
from dashboards.pages.strip.payload import written
from loganalyzer.ingest import import_paths
from loganalyzer.site import load_site
from loganalyzer.store import Store
from tests.browser.conftest import browser_path
from tests.browser.serving import serving

LINES, TIMES, SECOND = 500_000, 5, 1_000_000
PLOTLY = ("plotly", "async-graph")  # asked for by pages with a chart alone
ZOOMS = {"the year": None, "a day": 86_400, "an hour": 3600, "a second": 1}


def main() -> None:
    """Print every figure."""
    if len(sys.argv) > 1:
        return measure(Path(sys.argv[1]))
    with tempfile.TemporaryDirectory() as folder:
        measure(simulated(Path(folder)))


def simulated(folder: Path) -> Path:
    """A store with a building-year."""
    subprocess.run(
        [sys.executable, "-m", "tests.tools.simulator", "years", "--out", str(folder), "--dialect",
         "semicolon-text", "--lines", str(LINES)],
        check=True,
    )  # fmt: skip
    (site,) = folder.glob("*.toml")
    store = Store.open(folder / "store", create=True)
    import_paths([folder / site.stem], store, load_site(site), received=datetime.now(UTC))
    return folder / "store"


def measure(store: Path) -> None:
    """Server times, weights, frames."""
    Dash(__name__).layout = html.Div()  # what a process loads once is not the page's work
    data = Data(Store.open(store))
    site = data.store.sites()[0]
    print(f"building-year: {len(data.worked(site, None, (None, None)).analysis.timeline):,} events")
    for name, page in PAGES.items():

        def work(page: Page = page) -> object:
            return answers(data, page, site, Choice(), "light")

        first, later = once(work), usual(work)
        weight = len(to_json_plotly(work())) / 1000
        print(f"  {name or 'overview':10} first {first:6.0f} ms, later {later:5.0f} ms, "
              f"{weight:6.0f} kB of JSON")  # fmt: skip
    view = view_of(data, site, Choice(), "light")
    first, later = once(lambda: findings.lists(view)), usual(lambda: findings.lists(view))
    print(f"  what stands out: first {first:.0f} ms, later {later:.0f} ms")
    begin, until = strip.bounds(view)
    for name, wide in ZOOMS.items():
        middle = written((begin + until) // 2)
        choice = Choice(at=middle, wide=str(wide)) if wide else Choice()
        shown = view_of(data, site, choice, "light")
        later = usual(lambda v=shown: strip.redraw(v, data, site))
        print(f"  strip, {name:9} {later:5.0f} ms a callback")
    weights(store)
    frames(store, site)


def once(work: Callable[[], object]) -> float:
    """Processor milliseconds of one run."""
    start = time.process_time()
    work()
    return 1000 * (time.process_time() - start)


def usual(work: Callable[[], object]) -> float:
    """The median of several."""
    return statistics.median(once(work) for _ in range(TIMES))


def weights(store: Path) -> None:
    """What a first visit carries, with and without the chart library."""
    app = create_app(Store.open(store))
    warm_up(app)
    client = app.server.test_client()
    asked = {"Accept-Encoding": "br"}
    page = client.get("/", headers=asked)
    text = client.get("/").text
    found = re.findall(r'(?:src|href)="(/[^"]+)"', text)
    paths = [*dict.fromkeys(found), "/_dash-layout", "/_dash-dependencies"]
    sizes = {path: len(client.get(path, headers=asked).data) for path in paths}
    sizes["/"] = len(page.data)
    plain = sum(size for path, size in sizes.items() if not any(p in path for p in PLOTLY))
    print(f"first page: {plain / 1000:.0f} kB compressed without plotly, in {len(paths)} files")


def frames(store: Path, site: str) -> None:
    """How long the browser takes for the strip, at rest and while it is dragged."""
    with serving(store) as address, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=browser_path(), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.set_default_timeout(120_000)
        start = time.perf_counter()
        page.goto(f"{address}/")
        page.wait_for_selector("#pages a")
        print(f"first page in the browser: {time.perf_counter() - start:.1f} s to its controls")
        page.goto(f"{address}/site/{site}/strip")
        page.wait_for_selector("#strip-drawn path.mark", state="attached")
        marks = page.evaluate(
            "[...document.querySelectorAll('#strip-drawn path.mark')]"
            ".reduce((n, p) => n + p.getAttribute('d').split('M').length - 1, 0)"
        )
        box = page.locator(".strip-picture").bounding_box()
        assert box
        drawn = [float(page.evaluate("document.getElementById('strip-drawn').dataset.ms"))]
        page.mouse.move(box["x"] + 600, box["y"] + 100)
        page.mouse.down()
        for step in range(20):
            page.mouse.move(box["x"] + 600 - 5 * step, box["y"] + 100)
            page.evaluate("new Promise(requestAnimationFrame)")
            drawn.append(float(page.evaluate("document.getElementById('strip-drawn').dataset.ms")))
        page.mouse.up()
        print(f"strip, the year: {marks:,} marks drawn, {drawn[0]:.0f} ms the first frame, "
              f"{statistics.median(drawn[1:]):.0f} ms a frame while dragged")  # fmt: skip
        browser.close()


if __name__ == "__main__":
    main()
