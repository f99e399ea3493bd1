"""Every request passes here first: is it from our own page, who sends it, how large may it be?

What is not let through explicitly is refused. Nothing a browser says of itself gives a right:
rights come from the file of accounts, by the session or by the proxy that names the account.
"""

import ipaddress
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import BoundedSemaphore
from typing import Any
from urllib.parse import quote, urlsplit

from flask import Flask, Response, g, make_response, redirect, request
from werkzeug.exceptions import HTTPException, RequestEntityTooLarge

from dashboards.access import forms
from dashboards.access.keeper import Keeper
from dashboards.access.rights import NOBODY, OWNER, Rights
from dashboards.access.sessions import Session, Sessions
from dashboards.access.settings import Access
from dashboards.access.throttle import Throttle
from loganalyzer.accounts import Account

LOG = logging.getLogger(__name__)
SMALL, LARGE = 1_000_000, 24_000_000  # bytes of a request: of any, and of one that may upload
LARGE_AT_ONCE = 2  # of those; each takes some times its size of memory
METHODS = ("GET", "HEAD", "POST")
ALIVE, FORM = "/alive", ("/sign-in", "/assets/style.css")  # for everybody: they tell nothing
CALLBACK = "/_dash-update-component"
PULSE = ["pulse.n_intervals"]  # what an open page asks by itself, whether anybody looks or not


@dataclass
class Gate:
    """What a dashboard's door needs to know while it runs."""

    access: Access
    clock: Callable[[], float] = time.monotonic
    keeper: Keeper | None = None
    sessions: Sessions = field(init=False)
    throttle: Throttle = field(init=False)
    large: BoundedSemaphore = field(default_factory=lambda: BoundedSemaphore(LARGE_AT_ONCE))

    def __post_init__(self) -> None:
        if self.access.accounts is not None:
            self.keeper = Keeper(self.access.accounts)
        self.sessions, self.throttle = Sessions(self.clock), Throttle(self.clock)

    def stand_before(self, server: Flask) -> None:
        """Look at every request before anything else does."""
        server.config["MAX_CONTENT_LENGTH"] = SMALL
        server.before_request(self._refusal)
        server.teardown_request(self._leave)
        server.register_error_handler(HTTPException, _told)
        server.add_url_rule(ALIVE, "alive", lambda: ("", 204))

    def session(self, *, used: bool = True) -> Session | None:
        """The session of this request, if its account is still what it was."""
        found = self.sessions.find(request.cookies.get(self.access.cookie), used=used)
        if found is None or self.keeper is None:
            return None
        account = self.keeper.accounts().find(found.account)
        return found if account is not None and self.keeper.proof(account) == found.proof else None

    def address(self) -> str:
        """Where the request comes from: behind a trusted proxy, what that one says."""
        peer = request.remote_addr or ""
        told = request.headers.get("X-Forwarded-For", "").rsplit(",", 1)[-1].strip()
        return told if peer in self.access.proxies and _is_address(told) else peer

    def _refusal(self) -> Any:
        """Nothing where the request is let through, else the answer to it."""
        g.rights = NOBODY
        if request.method not in METHODS:
            return _plain("This method is not in use here.", 405)
        if self.keeper is None and not _is_here(urlsplit(f"//{request.host}").hostname):
            return _plain("Without sign-in the dashboard answers to this machine's own name.", 403)
        if request.method == "POST" and not _from_our_page():
            return _plain("This request does not come from a page of the dashboard.", 403)
        found = self._rights()
        if found is not None:
            g.rights = found
            request.max_content_length = LARGE if found.upload else SMALL
            if found.upload and not _small():
                g.holds_large = self.large.acquire(blocking=False)
                if not g.holds_large:
                    return _plain("Other files are being handed over. Try again in a moment.", 429)
        elif not self._is_open(request.path):
            return self._unknown()
        if request.path == CALLBACK and _small() and not isinstance(_said(), dict):
            return _plain("This is nothing that a page of the dashboard sends.", 400)
        return None

    def _leave(self, error: BaseException | None) -> None:
        if g.pop("holds_large", False):
            self.large.release()

    def _is_open(self, path: str) -> bool:
        return path == ALIVE or (path in FORM and self.access.header is None)

    def _rights(self) -> Rights | None:
        if self.keeper is None:
            return OWNER
        if self.access.header is not None:
            return self._named_by_proxy()
        session = self.session(used=_somebody_acts())
        account = self.keeper.accounts().find(session.account) if session else None
        return None if account is None else of(account, signs_out=True)

    def _named_by_proxy(self) -> Rights | None:
        assert self.keeper is not None
        if request.remote_addr not in self.access.proxies:
            return None
        account = self.keeper.accounts().find(request.headers.get(self.access.header or "", ""))
        return None if account is None else of(account)

    def _unknown(self) -> Any:
        """Who has not signed in is sent to where one does, a script is told so."""
        if self.access.header is not None:
            return _plain("The proxy before this dashboard named no account that is known.", 403)
        if request.method != "GET" or request.path.startswith("/_"):
            return _plain("Sign in first.", 401)
        query = request.query_string.decode("ascii", "replace")
        after = request.path + (f"?{query}" if query else "")
        return redirect("/sign-in" if after == "/" else f"/sign-in?next={quote(after)}")


def of(account: Account, *, signs_out: bool = False) -> Rights:
    """The rights of an account."""
    sites = None if account.sites is None else frozenset(account.sites)
    return Rights(account.name, sites, account.upload, signs_out)


def _from_our_page() -> bool:
    """Whether a browser sent this from our own page: another site can make it send, not say so.

    A sender that is no browser says neither; it holds no cookie that somebody could abuse, and a
    form of another site cannot send JSON.
    """
    fetched, origin = request.headers.get("Sec-Fetch-Site"), request.headers.get("Origin")
    if fetched is not None:
        return fetched == "same-origin"
    if origin is not None:
        return urlsplit(origin).netloc == request.host
    return request.mimetype == "application/json"


def _somebody_acts() -> bool:
    """Whether a person did something, or the open page asks by itself."""
    if request.path == CALLBACK and _small():
        said = _said()
        return not (isinstance(said, dict) and said.get("changedPropIds") == PULSE)
    return request.path != ALIVE


def _small() -> bool:
    return (request.content_length or 0) <= SMALL


def _said() -> Any:
    """What a page sent, if it is JSON; flask keeps it."""
    return request.get_json(silent=True)


def _is_here(host: str | None) -> bool:
    """Whether a name is this machine's: no name that somebody else can point here."""
    if host is None or not _is_address(host):
        return host == "localhost"
    return ipaddress.ip_address(host).is_loopback


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def _plain(said: str, status: int) -> Response:
    answer = make_response(forms.refusal("Not answered", said), status)
    if request.method != "GET":
        answer = make_response(said, status)
        answer.mimetype = "text/plain"
    return answer


def _told(error: HTTPException) -> Response:
    """What went wrong with a request, without telling how the program is made."""
    if isinstance(error, RequestEntityTooLarge):
        return _plain("This is larger than the dashboard takes. Use loganalyzer import.", 413)
    return _plain(error.name or "Not answered", error.code or 500)
