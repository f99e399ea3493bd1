"""Two sites, accounts for them, and somebody who looks: for tests of who may see what."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from argon2 import PasswordHasher
from flask import Flask
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from dashboards.access.settings import Access
from dashboards.app import create_app
from loganalyzer.accounts import Account, Accounts
from loganalyzer.store import Store
from tests.exports import Log, site, take, write

PASSWORD = "four herons over brackish mud"
HASH = PasswordHasher(1, 8, 1).hash(PASSWORD)  # costs nothing, so that tests are quick
# What nobody may read who may not see the second site: its id, name, chute, door and a file.
HIDDEN = ("hidden-house", "Hidden House", "chute-of-hidden", "door-of-hidden", "file-of-hidden")
HIDDEN_SITE = """
[site]
id = "hidden-house"
name = "Hidden House"
time_zone = "Europe/Lisbon"
[[chute]]
id = "chute-of-hidden"
profile = "semicolon-text"
"""


def two_sites(folder: Path) -> Store:
    """A store with the site "quay" and one that others must not see."""
    for of, door, name in ((site(), "7", "week"), (site(HIDDEN_SITE), HIDDEN[3], HIDDEN[4])):
        take(folder / "store", write(folder / f"{name}.csv", busy_day(door)), of=of)
    return Store.open(folder / "store")


def busy_day(door: str, start: str = "2025-03-03 08:00:00") -> list[str]:
    """Uses, a lockout's worth of presses, a door that stands open: something for every page."""
    log = Log(start)
    for _ in range(4):
        log.event(600, door, "BUTTON")
        log.event(3, door, "LATCH RELEASED")
        log.event(2, door, "DOOR OPEN")
        log.event(90, door, "DOOR SHUT")
        for _ in range(6):
            log.event(2, door, "BUTTON")
            log.event(0, door, "BUTTON NOT TAKEN")
    log.event(5, door, "NOT A WORD OF THIS PROFILE")
    return log.lines


def accounts(folder: Path, password: str = HASH) -> Path:
    """Ann sees one site and may upload there, Bo sees all, Cy sees one, Dee none."""
    file = folder / "accounts.json"
    found = Accounts(file)
    for account in (
        Account("ann", password, ("quay",), upload=True), Account("bo", HASH, None, upload=True),
        Account("cy", HASH, ("quay",)), Account("dee", HASH, ()),
        Account("eve", None, ("quay",)),
    ):  # fmt: skip
        found = found.with_account(account)
    found.save()
    return file


def guarded(folder: Path, **access: Any) -> Flask:
    """The dashboard of the two sites, with sign-in."""
    app = create_app(two_sites(folder), access=Access(accounts(folder), **access))
    return app.server


@dataclass
class Looker:
    """A browser in the hands of somebody."""

    client: FlaskClient
    cookie: str = "session"

    def form(self) -> str:
        """The token of the form to sign in with."""
        return hidden(self.client.get("/sign-in"))

    def sign_in(
        self, name: str, password: str = PASSWORD, after: str = "/", **more: Any
    ) -> TestResponse:
        data = {"account": name, "password": password, "form": self.form(), "next": after}
        return self.client.post("/sign-in", data=data, **ours(**more))

    def post(self, path: str, **more: Any) -> TestResponse:
        return self.client.post(path, **ours(**more))

    @property
    def token(self) -> str | None:
        found = self.client.get_cookie(self.cookie)
        return found.value if found else None


def hidden(page: TestResponse) -> str:
    """The token in a page's form."""
    found = re.search(r'name="form" value="([^"]+)"', page.text)
    assert found, page.text
    return found[1]


def ours(headers: dict[str, str] | None = None, **more: Any) -> dict[str, Any]:
    """What a browser says when one of our own pages sends something."""
    return {"headers": {"Sec-Fetch-Site": "same-origin", **(headers or {})}, **more}


def signed_in(server: Flask, name: str) -> Looker:
    looker = Looker(server.test_client())
    assert looker.sign_in(name).status_code == 303
    return looker
