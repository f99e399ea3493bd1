"""Chromium of the system, and stores to look at: two exports of the samples, a hostile export."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from loganalyzer.site import load_site
from tests.browser.serving import serving
from tests.exports import take

SAMPLES = Path(__file__).parents[2] / "sample_logs"
EXPORTS = ("A/2026-10-05.csv", "B/stick-2026-10-12.zip")
QUIET = (
    "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
PATIENCE_MS = 60_000  # for a busy machine; nothing waits that long on a quiet one
expect.set_options(timeout=PATIENCE_MS)


def browser_path() -> str:
    """Where the system's Chromium is."""
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    assert found, f"no browser: install one of {', '.join(BROWSERS)} (Debian: chromium)"
    return found


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    return {**browser_type_launch_args, "executable_path": browser_path(), "args": list(QUIET)}


@pytest.fixture(scope="session")
def base_url() -> None:
    """No address of one's own; the plugin's fixture of this name brings a warning of pytest's."""


@pytest.fixture(scope="session")
def sample_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two chutes, one or two weeks each, of the sample logs."""
    store = tmp_path_factory.mktemp("samples") / "store"
    folder = SAMPLES / "quay-terrace"
    site = load_site(SAMPLES / "quay-terrace.toml")
    take(store, *(folder / name for name in EXPORTS), of=site)
    return store


@pytest.fixture(scope="module")
def samples(sample_store: Path) -> Iterator[str]:
    """The address of a dashboard over them, for the tests of one module."""
    with serving(sample_store) as address:
        yield address


@pytest.fixture(scope="session")
def context(browser: Browser) -> Iterator[BrowserContext]:
    """One for all tests, so that the scripts are fetched and compiled once."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    yield context
    context.close()


@pytest.fixture
def quiet(context: BrowserContext) -> Iterator[Page]:
    """A page that complains of nothing and asks nobody but this machine."""
    page = context.new_page()
    said: list[str] = []
    page.set_default_timeout(PATIENCE_MS)
    page.on("console", lambda m: said.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda r: said.append(f"asked {r.url}") if _outside(r.url) else None)
    yield page
    page.close()
    assert said == []


def _outside(url: str) -> bool:
    return not url.startswith(("http://127.0.0.1:", "data:", "blob:"))
