"""Signing in and out as people do, and a page that is open while the server restarts."""

from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from dashboards.access.settings import Access
from tests.browser.serving import serving
from tests.lookers import PASSWORD, accounts, two_sites
from tests.soak.load import Server, free_port

pytestmark = pytest.mark.browser


def test_somebody_signs_in_sees_their_site_and_signs_out_for_good(browser: Browser, tmp_path: Path):
    store = two_sites(tmp_path)
    with serving(store.path, access=Access(accounts(tmp_path))) as address:
        context = browser.new_context(viewport={"width": 390, "height": 844})
        page = context.new_page()
        page.goto(f"{address}/site/quay/audit?chute=A")
        expect(page).to_have_title("Sign in - waste chutes")
        found = Axe().run(page).response["violations"]
        assert not [one for one in found if one["impact"] in ("serious", "critical")]
        page.screenshot(path=Path("test-results") / "sign-in-phone.png")
        page.get_by_label("Account").fill("ann")
        page.get_by_label("Password").fill("not this one")
        page.keyboard.press("Enter")
        expect(page.get_by_role("alert")).to_contain_text("do not belong together")
        page.get_by_label("Account").fill("ann")
        page.get_by_label("Password").fill(PASSWORD)
        page.keyboard.press("Enter")
        expect(page).to_have_url(f"{address}/site/quay/audit?chute=A")
        expect(page.locator("#rules")).to_be_visible()
        assert page.evaluate("document.cookie") == ""  # no script can take the session
        other = context.new_page()
        other.goto(f"{address}/account")
        other.get_by_role("button", name="Sign out", exact=True).click()
        expect(other).to_have_title("Sign in - waste chutes")
        page.evaluate("dash_clientside.set_props('address', {search: '?from=2025-03-03'})")
        expect(page.get_by_role("alert")).to_contain_text("You are signed out")
        page.get_by_role("link", name="Sign in again").click()
        expect(page).to_have_title("Sign in - waste chutes")
        page.go_back()
        expect(page.get_by_label("Password")).to_be_visible()  # nothing was kept to go back to
        context.close()


def test_a_page_that_is_open_goes_on_after_the_server_restarted(browser: Browser, tmp_path: Path):
    two_sites(tmp_path)
    context = browser.new_context()
    page = context.new_page()
    with Server(tmp_path, free_port()) as server:
        page.goto(f"http://127.0.0.1:{server.port}/site/quay/audit")
        expect(page.locator("#rules")).to_be_visible()
        server.process.kill()
        server.process.wait()
        page.get_by_label("From").fill("2025-03-03")
        page.keyboard.press("Enter")
        expect(page.get_by_role("alert")).to_contain_text("cannot be reached")
        server.start()
        expect(page.locator("#rules")).to_contain_text("2025-03-03 to 2025-03-03")
        expect(page.locator("#away")).to_be_hidden()
        context.close()


def test_the_account_page_says_what_one_may(browser: Browser, tmp_path: Path, quiet: Page):
    store = two_sites(tmp_path)
    with serving(store.path, access=Access(accounts(tmp_path))) as address:
        quiet.goto(f"{address}/account")
        quiet.get_by_label("Account").fill("cy")
        quiet.get_by_label("Password").fill(PASSWORD)
        quiet.keyboard.press("Enter")
        expect(quiet.locator("body")).to_contain_text("Account cy: quay; you may look.")
        quiet.context.clear_cookies()
