"""Who gets in, and how: sign-in, sessions, headers, requests from elsewhere, the command."""

import argparse
import json
import logging
import re
import time
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from plotly.utils import PlotlyJSONEncoder

from dashboards.access import keeper as keeper_module
from dashboards.access.gate import LARGE_AT_ONCE, SMALL
from dashboards.access.rights import OWNER, Rights
from dashboards.access.sessions import IDLE_S
from dashboards.access.settings import Access
from dashboards.access.signin import inside
from dashboards.app import create_app, page
from dashboards.data import Data
from loganalyzer import serving
from loganalyzer.accounts import HASHER, Account, load_accounts
from loganalyzer.cli import parser
from loganalyzer.errors import UsageError
from loganalyzer.store import Store
from tests.lookers import (
    PASSWORD,
    Looker,
    accounts,
    guarded,
    hidden,
    ours,
    signed_in,
    two_sites,
)

CALLBACK = "/_dash-update-component"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("access")
    two_sites(folder)
    return folder


@pytest.fixture
def server(folder: Path) -> Flask:
    return create_app(Store.open(folder / "store"), access=Access(accounts(folder))).server


@pytest.fixture
def looker(server: Flask) -> Looker:
    return Looker(server.test_client())


# What may be had without signing in


def test_nothing_but_the_form_is_had_without_signing_in(server: Flask):
    """Every address that the server knows, and some that it makes up for pages."""
    known = {re.sub(r"<[^>]+>", "x", rule.rule) for rule in server.url_map.iter_rules()}
    known |= {"/site/quay", "/site/quay/data", "/assets/page.js", "/_favicon.ico", "/elsewhere"}
    closed = known - {"/alive", "/sign-in", "/assets/style.css"}
    assert len(closed) > 10
    for path in closed:
        client = server.test_client()
        got, sent = client.get(path), client.post(path, json={}, **ours())
        assert got.status_code in (302, 401, 405), path
        assert "/sign-in" in got.headers.get("Location", "/sign-in"), path
        assert sent.status_code in (401, 405), path
        assert "Quay" not in got.text + sent.text


def test_the_form_leads_back_to_where_one_was(looker: Looker):
    first = looker.client.get("/site/quay?chute=A&from=2025-03-03")
    assert first.headers["Location"].startswith("/sign-in?next=/site/quay%3Fchute%3DA")
    form = looker.client.get(first.headers["Location"])
    after = re.search(r'name="next" value="([^"]+)"', form.text)
    assert after
    answer = looker.sign_in("ann", after=after[1].replace("&amp;", "&"))
    assert answer.headers["Location"] == "/site/quay?chute=A&from=2025-03-03"
    assert looker.client.get("/").status_code == 200


@pytest.mark.parametrize(
    "address",
    ["https://example.org", "//example.org", "/\\example.org", "javascript:alert(1)", "", None,
     "/a\r\nSet-Cookie: x=1", "\\\\example.org"],
)  # fmt: skip
def test_the_form_leads_to_no_other_place(address: str | None):
    assert inside(address) == "/"


# Passwords


@pytest.mark.parametrize(
    ("name", "password"),
    [("ann", "wrong wrong wrong"), ("nobody", PASSWORD), ("", ""), ("eve", ""), ("eve", PASSWORD)],
)
def test_a_wrong_account_or_password_gives_no_session(looker: Looker, name: str, password: str):
    answer = looker.sign_in(name, password)
    assert answer.status_code == 403
    assert "do not belong together" in answer.text
    assert looker.token is None
    assert looker.client.get("/").status_code == 302


def test_for_an_unknown_account_the_same_work_is_done(
    looker: Looker, folder: Path, monkeypatch: pytest.MonkeyPatch
):
    """Otherwise the time an answer takes would tell which accounts there are."""
    accounts(folder, HASHER.hash(PASSWORD))
    checked: list[tuple[str, bool]] = []
    real = Account.checks

    def seen(self: Account, password: str) -> bool:
        begun = time.process_time()
        right = real(self, password)
        checked.append((self.name, time.process_time() - begun > 0.01))
        return right

    monkeypatch.setattr(Account, "checks", seen)
    said = {looker.sign_in(name, "wrong wrong wrong").text.split("<form")[0]
            for name in ("ann", "nobody", "eve")}  # fmt: skip
    assert checked == [("ann", True), ("", True), ("eve", True)]
    assert len(said) == 1


def test_after_some_failures_even_the_right_password_has_to_wait(looker: Looker, monkeypatch: Any):
    monkeypatch.setattr(Account, "checks", lambda self, password: password == PASSWORD)
    for _ in range(10):
        assert looker.sign_in("ann", "wrong").status_code == 403
    answer = looker.sign_in("ann")
    assert answer.status_code == 429
    assert 0 < int(answer.headers["Retry-After"]) <= 15 * 60
    assert looker.token is None
    assert looker.sign_in("cy").status_code == 303  # somebody else at the same address


def test_no_password_is_ever_in_the_log(
    looker: Looker, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
):
    with caplog.at_level(logging.DEBUG):
        looker.sign_in("ann", "a wrong secret")
        looker.sign_in("a secret in the wrong field", "x")
        looker.sign_in("ann")
        page = looker.client.get("/account")
        change = {"form": hidden(page), "password": "another wrong secret", "new": "y"}
        looker.post("/account", data=change)
        looker.client.get("/site/quay?password=secret")
        monkeypatch.setattr(keeper_module, "hashed", lambda *_: 1 / 0)
        change["password"] = PASSWORD
        assert looker.post("/account", data=change | {"new": "new secret"}).status_code == 500
    said = caplog.text + repr([record.args for record in caplog.records])
    assert "sign-in failed from 127.0.0.1" in said
    assert "signed in: ann" in said
    assert "secret" not in said
    assert PASSWORD not in said


# Sessions


def test_a_session_s_cookie_is_out_of_reach_of_scripts_and_other_sites(looker: Looker):
    (cookie,) = [c for c in looker.sign_in("ann").headers.getlist("Set-Cookie") if "session" in c]
    assert re.fullmatch(r"session=[\w-]{43}; HttpOnly; Path=/; SameSite=Lax", cookie)


def test_by_https_the_cookie_never_leaves_it(folder: Path):
    server = create_app(
        Store.open(folder / "store"), access=Access(accounts(folder), https=True)
    ).server
    looker = Looker(server.test_client(), "__Host-session")
    (cookie,) = [
        c
        for c in looker.sign_in("ann", base_url="https://localhost").headers.getlist("Set-Cookie")
        if "session" in c
    ]
    assert cookie.startswith("__Host-session=")
    assert cookie.endswith("; Secure; HttpOnly; Path=/; SameSite=Lax")


def test_signing_in_always_begins_a_new_session(server: Flask):
    """A token that somebody planted in the browser is worth nothing afterwards."""
    looker = Looker(server.test_client())
    looker.client.set_cookie("session", "planted")
    looker.sign_in("ann")
    first = looker.token
    assert first != "planted"
    looker.client.get("/account")
    form = looker.client.get("/sign-in")
    assert form.status_code == 302  # signed in already
    other = signed_in(server, "ann")
    assert other.token != first


def test_signing_in_anew_ends_the_session_before(server: Flask):
    looker = signed_in(server, "ann")
    first = looker.token
    assert first
    looker.client.set_cookie("form", "token-of-a-form")
    data = {"account": "ann", "password": PASSWORD, "form": "token-of-a-form"}
    assert looker.post("/sign-in", data=data).status_code == 303
    assert looker.token != first
    thief = server.test_client()
    thief.set_cookie("session", first)
    assert thief.get("/").status_code == 302


def test_what_an_open_page_asks_by_itself_keeps_nobody_signed_in(server: Flask):
    gate = server.before_request_funcs[None][-1].__self__
    looker, now = signed_in(server, "ann"), [gate.clock()]
    gate.sessions._clock = lambda: now[0]
    pulse = {"output": "x.y", "changedPropIds": ["pulse.n_intervals"]}
    for _ in range(IDLE_S // 60 - 1):
        now[0] += 60
        assert looker.post(CALLBACK, json=pulse).status_code != 401
    now[0] += 60
    assert looker.post(CALLBACK, json=pulse).status_code == 401


def test_who_does_something_stays_signed_in(server: Flask):
    gate = server.before_request_funcs[None][-1].__self__
    looker, now = signed_in(server, "ann"), [gate.clock()]
    gate.sessions._clock = lambda: now[0]
    for _ in range(4):
        now[0] += IDLE_S - 60
        assert looker.client.get("/").status_code == 200


def test_signing_out_ends_the_session_on_the_server(server: Flask):
    looker = signed_in(server, "ann")
    token, form = looker.token, hidden(looker.client.get("/account"))
    assert token
    assert looker.post("/sign-out", data={"form": form}).headers["Location"] == "/sign-in"
    assert looker.token is None
    thief = server.test_client()
    thief.set_cookie("session", token)
    assert thief.get("/").status_code == 302
    assert thief.post(CALLBACK, json={}, **ours()).status_code == 401


def test_signing_out_everywhere_ends_the_other_sessions_too(server: Flask):
    here, there, other = (signed_in(server, name) for name in ("ann", "ann", "bo"))
    page = here.client.get("/account")
    assert "Signed in on 2 browsers" in page.text
    here.post("/sign-out", data={"form": hidden(page), "where": "everywhere"})
    assert there.client.get("/").status_code == 302
    assert other.client.get("/").status_code == 200


@pytest.mark.parametrize("path", ["/sign-out", "/account"])
def test_a_form_without_its_token_does_nothing(server: Flask, path: str):
    looker = signed_in(server, "ann")
    for form in ("", "made up", hidden(signed_in(server, "bo").client.get("/account"))):
        data = {"form": form, "password": PASSWORD, "new": f"{PASSWORD} again"}
        assert looker.post(path, data=data).status_code == 400
    assert looker.client.get("/").status_code == 200


def test_the_sign_in_form_of_another_browser_does_nothing(server: Flask):
    """Or a page elsewhere could sign somebody in as somebody else."""
    form = Looker(server.test_client()).form()
    looker = Looker(server.test_client())
    data = {"account": "ann", "password": PASSWORD, "form": form}
    assert looker.post("/sign-in", data=data).status_code == 400
    assert looker.token is None


def test_an_account_taken_away_is_out_at_once(server: Flask, folder: Path):
    looker = signed_in(server, "ann")
    load_accounts(folder / "accounts.json").without("ann").save()
    assert looker.client.get("/").status_code == 302
    assert looker.post(CALLBACK, json={}).status_code == 401


def test_with_accounts_that_cannot_be_read_nobody_is_let_in(server: Flask, folder: Path):
    looker = signed_in(server, "ann")
    (folder / "accounts.json").write_text("{", encoding="utf-8")
    assert looker.client.get("/").status_code == 302
    assert Looker(server.test_client()).sign_in("ann").status_code == 403
    (folder / "accounts.json").unlink()
    assert looker.client.get("/").status_code == 302


def test_another_password_needs_the_present_one_and_ends_all_other_sessions(server: Flask):
    # Source: OWASP ASVS 4.0.3, 2.1.5, 2.1.6, 3.3.3.
    here, there = signed_in(server, "ann"), signed_in(server, "ann")
    before = here.token
    data = {"form": hidden(here.client.get("/account")), "new": "seven quiet lorries at dusk"}
    assert here.post("/account", data=data | {"password": "wrong"}).status_code == 403
    weak = here.post("/account", data=data | {"password": PASSWORD, "new": "password1234"})
    assert weak.status_code == 400
    assert "guessed soon" in weak.text
    assert here.post("/account", data=data | {"password": PASSWORD}).status_code == 303
    assert here.token != before
    assert here.client.get("/").status_code == 200
    assert there.client.get("/").status_code == 302
    looker = Looker(server.test_client())
    assert looker.sign_in("ann").status_code == 403
    assert looker.sign_in("ann", data["new"]).status_code == 303


# Requests that other pages send


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "none"}, {"Sec-Fetch-Site": "cross-site", "Origin": "http://localhost"},
        {"Sec-Fetch-Site": ""},
    ],
)  # fmt: skip
def test_what_another_site_makes_a_browser_send_is_refused(server: Flask, headers: dict[str, str]):
    looker = signed_in(server, "ann")
    form = hidden(looker.client.get("/account"))
    for path, body in (("/sign-out", {"data": {"form": form}}), (CALLBACK, {"json": {}})):
        answer = looker.client.post(path, headers=headers, **body)
        assert answer.status_code == 403
    assert looker.client.get("/").status_code == 200


@pytest.mark.parametrize(
    ("origin", "status"),
    [("http://localhost", 303), ("https://localhost", 303), ("http://localhost:81", 403),
     ("http://example.org", 403), ("null", 403), (None, 403)],
)  # fmt: skip
def test_browsers_that_say_only_where_they_come_from(
    server: Flask, origin: str | None, status: int
):
    """Behind a proxy the scheme is the proxy's matter; the host is what counts."""
    looker = signed_in(server, "ann")
    form = hidden(looker.client.get("/account"))
    headers = {"Origin": origin} if origin else {}
    answer = looker.client.post("/sign-out", data={"form": form}, headers=headers)
    assert answer.status_code == status


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_methods_that_are_not_in_use_are_refused(server: Flask, method: str):
    answer = signed_in(server, "ann").client.open("/", method=method)
    assert answer.status_code == 405
    assert "Access-Control-Allow-Origin" not in answer.headers


@pytest.mark.parametrize(
    ("host", "status"),
    [("localhost", 200), ("localhost:8050", 200), ("127.0.0.1:8050", 200), ("[::1]:8050", 200),
     ("127.9.9.9", 200), ("evil.example.org", 403), ("evil.example.org:8050", 403),
     ("192.168.1.7", 403), ("127.0.0.1.example.org", 403), ("localhost.example.org", 403)],
)  # fmt: skip
def test_without_sign_in_only_this_machine_s_names_are_answered(
    folder: Path, host: str, status: int
):
    """A name that somebody else can point at this machine would let their page read ours."""
    client = create_app(Store.open(folder / "store")).server.test_client()
    assert client.get("/", headers={"Host": host}).status_code == status


# Headers


@pytest.mark.parametrize("path", ["/", "/sign-in", "/alive", "/nowhere", "/_dash-layout",
                                  "/assets/style.css", "/assets/../app.py"])  # fmt: skip
@pytest.mark.parametrize("https", [False, True])
def test_every_answer_carries_its_headers(folder: Path, path: str, https: bool):
    # Source: OWASP ASVS 4.0.3, section 14.4.
    access = Access(accounts(folder), https=https)
    client = create_app(Store.open(folder / "store"), access=access).server.test_client()
    with client.get(path) as answer:
        headers = answer.headers
    policy = headers["Content-Security-Policy"]
    for rule in ("default-src 'self'", "object-src 'none'", "base-uri 'none'",
                 "form-action 'self'", "frame-ancestors 'none'"):  # fmt: skip
        assert rule in policy
    assert "unsafe" not in policy.split("script-src")[1]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "no-referrer"
    assert headers["X-Frame-Options"] == "DENY"
    assert "camera=()" in headers["Permissions-Policy"]
    assert ("Strict-Transport-Security" in headers) is https
    assert (headers.get("Cache-Control") == "no-store") is not path.startswith("/assets/style")
    assert "Server" not in headers
    assert path == "/alive" or "charset=utf-8" in headers["Content-Type"]


def test_what_is_signed_in_for_is_kept_by_no_browser(server: Flask):
    looker = signed_in(server, "ann")
    for path in ("/", "/site/quay", "/_dash-layout", "/account"):
        assert looker.client.get(path).headers["Cache-Control"] == "no-store"


def test_an_error_tells_nothing_of_the_program(server: Flask):
    looker = signed_in(server, "ann")
    for body in (b"", b"{", b"[]", b"1", b'{"output": "no.such"}'):
        answer = looker.post(CALLBACK, data=body, content_type="application/json")
        assert answer.status_code >= 400
        assert not re.search(r"Traceback|File \"|dash\.|flask|werkzeug|[a-z]Error", answer.text)


def test_a_request_larger_than_the_account_may_send_is_refused(server: Flask):
    body = b'{"x": "' + b"y" * SMALL + b'"}'
    sent = {"data": body, "content_type": "application/json"}
    assert signed_in(server, "cy").post(CALLBACK, **sent).status_code == 413
    assert Looker(server.test_client()).post("/sign-in", data=body).status_code == 413
    assert signed_in(server, "ann").post(CALLBACK, **sent).status_code != 413


# A proxy that names the account


def proxied(folder: Path, proxy: str = "127.0.0.1") -> Flask:
    access = Access(accounts(folder), "X-Account", frozenset({proxy}))
    return create_app(Store.open(folder / "store"), access=access).server


@pytest.mark.parametrize(
    ("name", "status"),
    [("ann", 200), ("EVE", 200), ("nobody", 403), ("", 403), ("ann,bo", 403), (None, 403)],
)
def test_a_named_proxy_says_who_asks(folder: Path, name: str | None, status: int):
    headers = {"X-Account": name} if name is not None else {}
    assert proxied(folder).test_client().get("/", headers=headers).status_code == status


def test_from_any_other_address_the_header_says_nothing(folder: Path):
    client = proxied(folder, "192.0.2.9").test_client()
    assert client.get("/", headers={"X-Account": "ann"}).status_code == 403
    assert client.get("/sign-in").status_code == 403


def test_only_a_named_proxy_says_where_somebody_asks_from(folder: Path, monkeypatch: Any):
    """Or an attacker would begin anew with each attempt by a made-up address."""
    monkeypatch.setattr(Account, "checks", lambda self, password: password == PASSWORD)
    for proxies, status in ((frozenset(), 429), (frozenset({"127.0.0.1"}), 403)):
        access = Access(accounts(folder), proxies=proxies)
        looker = Looker(
            create_app(Store.open(folder / "store"), access=access).server.test_client()
        )
        for number in range(11):
            said = {"X-Forwarded-For": f"203.0.113.1, 198.51.100.{number}"}
            answer = looker.sign_in("ann", "wrong", headers=said)
        assert answer.status_code == status


# The command


def options(*words: str) -> argparse.Namespace:
    return parser().parse_args(["serve", "--store", "x", *words])


@pytest.fixture
def starts(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """The server is not started, only what it would be started with is noted."""
    begun: list[dict[str, Any]] = []
    monkeypatch.setattr(serving.waitress, "serve", lambda app, **how: begun.append(how))
    monkeypatch.setattr(serving, "_check_free", lambda host, port: None)
    return begun


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "example.org", ""])
def test_on_an_address_of_others_it_refuses_to_start_without_sign_in(
    folder: Path, host: str, starts: list[dict[str, Any]]
):
    store = Store.open(folder / "store")
    with pytest.raises(UsageError, match="no sign-in"):
        serving.serve(store, host, 8050, Access())
    assert not starts
    serving.serve(store, host, 8050, Access(accounts(folder)))
    assert starts[0]["host"] == host


@pytest.mark.parametrize(
    ("access", "said"),
    [
        ({"header": "X-Account"}, "no accounts"),
        ({"accounts": "accounts.json", "header": "X-Account"}, "no proxy"),
        ({"accounts": "accounts.json", "proxies": frozenset({"proxy.local"})}, "'proxy.local'"),
        ({"accounts": "missing.json"}, "no file"),
        ({"accounts": "empty.json"}, "no account"),
    ],
)
def test_settings_that_do_not_go_together_are_refused(
    folder: Path, access: dict[str, Any], said: str, starts: list[dict[str, Any]]
):
    accounts(folder)
    (folder / "empty.json").write_text('{"format": 1, "accounts": {}}', encoding="utf-8")
    if "accounts" in access:
        access = access | {"accounts": folder / access["accounts"]}
    with pytest.raises(UsageError, match=said):
        serving.serve(Store.open(folder / "store"), "127.0.0.1", 8050, Access(**access))
    assert not starts


def test_whoever_starts_it_hears_what_is_not_safe(folder: Path):
    file = accounts(folder)
    assert serving.warnings("127.0.0.1", Access(file)) == []
    (said,) = serving.warnings("0.0.0.0", Access(file))
    assert "unencrypted" in said
    assert serving.warnings("0.0.0.0", Access(file, https=True)) == []
    file.chmod(0o644)
    (said,) = serving.warnings("127.0.0.1", Access(file))
    assert "chmod 600" in said


def test_the_command_says_who_is_let_in():
    found = options("--accounts", "a.json", "--https", "--trust-header", "X", "--proxy", "::1")
    assert (str(found.accounts), found.https, found.trust_header, found.proxy) == (
        "a.json", True, "X", ["::1"],
    )  # fmt: skip
    assert options().accounts is None


def test_the_demo_s_guarded_copy_works(tmp_path: Path):
    """The helper of the other tests: both sites are there for who may see all."""
    looker = signed_in(guarded(tmp_path), "bo")
    assert looker.client.get("/").status_code == 200


def test_large_requests_take_turns(server: Flask, monkeypatch: pytest.MonkeyPatch):
    """Each takes some times its size of memory, however many are sent."""
    looker = signed_in(server, "ann")
    sent = {"data": b" " * (SMALL + 1), "content_type": "application/json"}
    for _ in range(2 * LARGE_AT_ONCE):
        assert looker.post(CALLBACK, **sent).status_code == 400
    gate = server.before_request_funcs[None][-1].__self__
    for _ in range(LARGE_AT_ONCE):
        gate.large.acquire()
    assert looker.post(CALLBACK, **sent).status_code == 429
    assert looker.client.get("/").status_code == 200


def test_who_has_signed_in_finds_the_way_out(folder: Path):
    """On every page; where there is no sign-in or a proxy does it, there is no such page."""
    data = Data(Store.open(folder / "store"), lambda: Rights("ann", None, True, signs_out=True))
    for shown in (page(data, "/", ""), page(data, "/site/quay/waiting", "")):
        assert "/account" in json.dumps(shown, cls=PlotlyJSONEncoder)
    for rights in (OWNER, Rights("ann", None, upload=True)):
        shown = page(Data(Store.open(folder / "store"), lambda r=rights: r), "/", "")
        assert "/account" not in json.dumps(shown, cls=PlotlyJSONEncoder)
