"""Signing in and out by password, and changing it."""

import hmac
import logging
import math
import secrets
from typing import Any

from flask import Flask, Response, g, make_response, redirect, request
from werkzeug.wrappers import Response as Answer

from dashboards.access import forms
from dashboards.access.gate import Gate
from loganalyzer.errors import AnalyzerError

LOG = logging.getLogger(__name__)
WRONG = "Account and password do not belong together."
AGAIN = "This form had expired. Please send it once more."
FORM_COOKIE = "form"


def add(server: Flask, gate: Gate) -> None:
    """The addresses for signing in and out; where a proxy does that, there are none."""
    if gate.keeper is None or gate.access.header is not None:
        return
    door = _Door(gate)
    server.add_url_rule("/sign-in", "show_sign_in", door.show, methods=["GET"])
    server.add_url_rule("/sign-in", "sign_in", door.sign_in, methods=["POST"])
    server.add_url_rule("/sign-out", "sign_out", door.sign_out, methods=["POST"])
    server.add_url_rule("/account", "show_account", door.account, methods=["GET"])
    server.add_url_rule("/account", "change_account", door.change, methods=["POST"])


class _Door:
    """The answers of those addresses."""

    def __init__(self, gate: Gate) -> None:
        self.gate = gate

    def show(self) -> Any:
        """The form; who has signed in already goes on."""
        if g.rights.name is not None:
            return redirect(inside(request.args.get("next")))
        return self._form(request.args.get("next"))

    def sign_in(self) -> Any:
        """Check, and begin a session: always a new one, whatever the browser brought."""
        after, name = request.form.get("next"), request.form.get("account", "").strip().lower()[:64]
        if not _same(request.form.get("form"), request.cookies.get(FORM_COOKIE)):
            return self._form(after, AGAIN, 400)
        address = self.gate.address()
        wait = self.gate.throttle.wait_s(name, address)
        if wait > 0:
            LOG.warning("sign-in has to wait: too many failures from %s", address)
            said = f"Too many attempts failed. Try again in {math.ceil(wait / 60)} minutes."
            answer = self._form(after, said, 429)
            answer.headers["Retry-After"] = str(math.ceil(wait))
            return answer
        assert self.gate.keeper is not None
        account = self.gate.keeper.check(name, request.form.get("password", ""))
        if account is None:
            self.gate.throttle.failed(name, address)
            # Not the name: people type their password there.
            LOG.warning("sign-in failed from %s", address)
            return self._form(after, WRONG, 403)
        self.gate.throttle.succeeded(name, address)
        self.gate.sessions.end(request.cookies.get(self.gate.access.cookie))
        LOG.info("signed in: %s from %s", account.name, address)
        return self._begin(account.name, self.gate.keeper.proof(account), inside(after))

    def sign_out(self) -> Any:
        """End this session, or all of the account; the browser forgets what it holds."""
        session = self.gate.session()
        if session is None or not _same(request.form.get("form"), session.form):
            return self.account(AGAIN, 400)
        if request.form.get("where") == "everywhere":
            self.gate.sessions.end_all(session.account)
        self.gate.sessions.end(request.cookies.get(self.gate.access.cookie))
        LOG.info("signed out: %s", session.account)
        answer = redirect("/sign-in", 303)
        self._cookie(answer, self.gate.access.cookie, "", max_age=0)
        answer.headers["Clear-Site-Data"] = '"cache", "storage"'
        return answer

    def account(self, said: str = "", status: int = 200) -> Any:
        """One's own account."""
        session = self.gate.session()
        if session is None:
            return redirect("/sign-in", 303)
        count = self.gate.sessions.count(session.account)
        return make_response(forms.account(g.rights, count, session.form, said), status)

    def change(self) -> Any:
        """Another password; every session of the old one ends, and a new one begins here."""
        session, keeper, address = self.gate.session(), self.gate.keeper, self.gate.address()
        if session is None or keeper is None or not _same(request.form.get("form"), session.form):
            return self.account(AGAIN, 400)
        if self.gate.throttle.wait_s(session.account, address) > 0:
            return self.account("Too many attempts failed. Try again later.", 429)
        account = keeper.check(session.account, request.form.get("password", ""))
        if account is None:
            self.gate.throttle.failed(session.account, address)
            return self.account("That is not your password.", 403)
        try:
            changed = keeper.change(account, request.form.get("new", ""))
        except AnalyzerError as error:
            return self.account(str(error), 400)
        self.gate.sessions.end_all(account.name)
        LOG.info("password changed: %s", account.name)
        return self._begin(account.name, keeper.proof(changed), "/account")

    def _begin(self, account: str, proof: str, after: str) -> Answer:
        token = self.gate.sessions.begin(account, proof)
        answer = redirect(after, 303)
        self._cookie(answer, self.gate.access.cookie, token)
        self._cookie(answer, FORM_COOKIE, "", max_age=0)
        return answer

    def _form(self, after: str | None, said: str = "", status: int = 200) -> Response:
        token = secrets.token_urlsafe(32)
        answer = make_response(forms.sign_in(token, inside(after), said), status)
        self._cookie(answer, FORM_COOKIE, token)
        return answer

    def _cookie(self, answer: Answer, name: str, value: str, max_age: int | None = None) -> None:
        """Out of reach of scripts and of other sites, and by https alone where there is https."""
        answer.set_cookie(
            name, value, max_age=max_age, path="/", httponly=True, samesite="Lax",
            secure=self.gate.access.https,
        )  # fmt: skip


def inside(address: str | None) -> str:
    """An address of ours to go on to; the front page for any other."""
    if address is None or not address.startswith("/") or address.startswith("//"):
        return "/"
    return "/" if "\\" in address or not address.isprintable() else address


def _same(given: str | None, known: str | None) -> bool:
    return bool(given) and bool(known) and hmac.compare_digest(str(given), str(known))
