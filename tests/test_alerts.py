"""Telling people: which incidents, to whom, when, over real servers, each once."""

import asyncio
import email
import email.policy
import json
import socket
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime

import pandas as pd
import pytest
from aiosmtpd.controller import Controller
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.alerts import Outbox, Sender, deliver, due
from loganalyzer.alerts.messages import Message, incident_message
from loganalyzer.alerts.rules import digests_due, matching, quiet_until
from loganalyzer.alerts.sending import email as as_email
from loganalyzer.alerts.sending import message_id
from loganalyzer.cli import main
from loganalyzer.errors import SiteError, StoreError
from loganalyzer.site import parse_site
from loganalyzer.views import analyse
from tests.build import timeline

SITE = """
[site]
id = "quay"
name = "Quay Terrace"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
[[chute.floor]]
label = "7"
units = 8
[[chute.floor]]
label = "8"
units = 1
[mail]
host = "127.0.0.1"
port = 2525
from = "chutes@example.org"
security = "none"
"""
ALERT = '[[alert]]\nto = "manager@example.org"\n'
# tests.build starts at this time; a door held open for ten minutes is stuck.
LOG = [(0, "7", "open", "on"), (600, "7", "open", "off"), (900, "8", "open", "on"),
       (905, "8", "open", "off")]  # fmt: skip


def site_of(*tables, port=2525):
    return parse_site(SITE.replace("2525", str(port)) + "\n".join(tables), "quay.toml")


def told_of(site, *events):
    return analyse(timeline(*(events or LOG)), {"quay": site})


def soon(analysis):
    return analysis.timeline["time"].max().to_pydatetime() + timedelta(hours=1)


def messages(site, analysis, outbox, now):
    return due(site, outbox, lambda: analysis, lambda at: None, now)


@pytest.fixture
def outbox(tmp_path):
    return Outbox(tmp_path / "logs.outbox.sqlite3")


class Inbox:
    """Takes e-mail, and keeps it."""

    def __init__(self):
        self.taken = []

    async def handle_DATA(self, server, session, envelope):
        self.taken.append((envelope.rcpt_tos, envelope.content))
        return "250 taken"


@contextmanager
def mail_server(handler):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = Controller(handler, hostname="127.0.0.1", port=port)
    server.start()
    try:
        yield port
    finally:
        server.stop()


def send_all(site, outbox, now):
    return deliver(outbox, {"quay": Sender(site.mail, None, now)}, {"quay": site}, now)


def test_an_incident_reaches_a_mail_server_once(outbox):
    inbox = Inbox()
    with mail_server(inbox) as port:
        site = site_of(ALERT, port=port)
        analysis = told_of(site)
        for _ in range(3):
            now = soon(analysis)
            outbox.put(messages(site, analysis, outbox, now), now)
            send_all(site, outbox, now)
    ((to, raw),) = inbox.taken
    assert to == ["manager@example.org"]
    # Source: RFC 5322 sections 3.3, 3.6: one From, Date and Message-ID; the parser finds no defect.
    read = email.message_from_bytes(raw, policy=email.policy.default)
    assert read.defects == []
    assert read["From"] == "chutes@example.org"
    assert read["Subject"] == "Quay Terrace: stuck door, floor 7 of chute A"
    assert parsedate_to_datetime(read["Date"]) == now.replace(microsecond=0)
    assert read["Message-ID"].endswith("@example.org>")
    text = read.get_content()
    assert "for 10 min" in text
    assert "lock out and tag out" in text
    assert f"{analysis.timeline['source'].iloc[0]}:" in text


def test_an_incident_reaches_a_web_address_as_json(outbox, httpserver):
    httpserver.expect_request("/hook", method="POST").respond_with_data("", status=204)
    site = site_of(f'[[alert]]\nto = "{httpserver.url_for("/hook")}"\n')
    analysis = told_of(site)
    now = soon(analysis)
    outbox.put(messages(site, analysis, outbox, now), now)
    assert send_all(site, outbox, now).sent == 1
    ((asked, _),) = httpserver.log
    # Source: RFC 8259 section 8.1: JSON between systems is UTF-8.
    told = json.loads(asked.get_data().decode("utf-8"))
    assert asked.headers["Content-Type"].startswith("application/json")
    assert (told["type"], told["kind"], told["floor"], told["seconds"]) == (
        "incident", "stuck_door", "7", 600.0,
    )  # fmt: skip
    assert told["incident"] in analysis.incidents["incident"].tolist()
    assert told["start"].endswith("Z")
    assert told["evidence"] == json.loads(analysis.incidents["evidence"].iloc[0])
    assert asked.headers["Idempotency-Key"]


@pytest.mark.parametrize("status", [301, 404, 500])
def test_a_web_address_that_does_not_take_it_is_tried_again(outbox, httpserver, status):
    httpserver.expect_ordered_request("/hook").respond_with_data("", status=status)
    httpserver.expect_ordered_request("/hook").respond_with_data("")
    site = site_of(f'[[alert]]\nto = "{httpserver.url_for("/hook")}"\n')
    analysis = told_of(site)
    now = soon(analysis)
    outbox.put(messages(site, analysis, outbox, now), now)
    first = send_all(site, outbox, now)
    assert (first.sent, first.waiting) == (0, 1)
    assert f"answered {status}" in first.failures[0]
    assert send_all(site, outbox, now + timedelta(seconds=59)).sent == 0
    assert send_all(site, outbox, now + timedelta(seconds=60)).sent == 1
    keys = {asked.headers["Idempotency-Key"] for asked, _ in httpserver.log}
    assert len(keys) == 1


def test_a_mail_server_that_is_not_there_or_hangs_loses_nothing(outbox):
    site = site_of(ALERT, port=1)
    analysis = told_of(site)
    now = soon(analysis)
    outbox.put(messages(site, analysis, outbox, now), now)
    assert "did not take it" in send_all(site, outbox, now).failures[0]
    with socket.socket() as silent:  # takes the connection and never says a word
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        port = silent.getsockname()[1]
        hanging = parse_site(SITE.replace("2525", f"{port}\ntimeout_s = 0.2") + ALERT, "quay.toml")
        later = now + timedelta(hours=1)
        assert "timed out" in send_all(hanging, outbox, later).failures[0]
    inbox = Inbox()
    with mail_server(inbox) as port:
        told = send_all(site_of(ALERT, port=port), Outbox(outbox._file), now + timedelta(days=1))
    assert (told.sent, told.waiting, len(inbox.taken)) == (1, 0, 1)


def test_a_refused_receiver_is_told_in_one_line(outbox):
    class Full(Inbox):
        async def handle_RCPT(self, server, session, envelope, address, options):
            await asyncio.sleep(0)
            return "550 no such user"

    with mail_server(Full()) as port:
        site = site_of(ALERT, port=port)
        analysis = told_of(site)
        now = soon(analysis)
        outbox.put(messages(site, analysis, outbox, now), now)
        (line,) = send_all(site, outbox, now).failures
    assert "no such user" in line
    assert "\n" not in line


@pytest.mark.parametrize(
    ("rule", "number"),
    [
        ("", 1),
        ('kinds = ["stuck_door"]', 1),
        ('kinds = ["power_loss"]', 0),
        ('floors = ["8"]', 0),
        ('floors = ["7", "8"]', 1),
        ('chutes = ["A"]', 1),
        ("least_refused = 1", 0),
    ],
)
def test_a_rule_tells_of_what_it_asks_for(rule, number):
    site = site_of(ALERT + rule)
    analysis = told_of(site)
    assert len(matching(site, site.alerts[0], analysis, soon(analysis))) == number


def test_old_incidents_of_a_store_that_is_filled_are_not_told():
    site = site_of(ALERT)
    analysis = told_of(site)
    assert matching(site, site.alerts[0], analysis, soon(analysis) + timedelta(days=8)) == []


def test_a_managers_incident_at_a_small_floor_is_not_told():
    presses = [(n, "8", "press", "mark") for n in range(6)]
    locked = [(6, "8", "lockout", "on"), (100, "8", "lockout", "off")]
    for units, number in ((1, 0), (8, 1)):
        site = parse_site(SITE.replace("units = 1", f"units = {units}") + ALERT, "quay.toml")
        analysis = told_of(site, *presses, *locked)
        assert analysis.incidents["kind"].tolist() == ["abuse_lockout"]
        assert len(matching(site, site.alerts[0], analysis, soon(analysis))) == number


@pytest.mark.parametrize(
    ("at", "waits"),
    [("21:59", None), ("22:00", "07:00"), ("03:00", "07:00"), ("06:59", "07:00"), ("07:00", None)],
)
def test_quiet_hours_reach_over_midnight_in_the_sites_time(at, waits):
    site = site_of(ALERT + 'quiet = ["22:00-07:00"]')
    # Lisbon is one hour ahead of UTC in July.
    now = datetime.fromisoformat(f"2026-07-10T{at}:00+01:00").astimezone(UTC)
    until = quiet_until(site, site.alerts[0].quiet, now)
    assert (until and f"{until:%H:%M}") == waits
    assert until is None or until > now


def test_what_waits_for_the_end_of_quiet_hours_is_sent_then(outbox, httpserver):
    httpserver.expect_request("/hook").respond_with_data("")
    quiet = 'quiet = ["00:00-23:00"]'
    site = site_of(f'[[alert]]\nto = "{httpserver.url_for("/hook")}"\n{quiet}')
    analysis = told_of(site)
    now = soon(analysis).replace(hour=12)
    outbox.put(messages(site, analysis, outbox, now), now)
    assert send_all(site, outbox, now).sent == 0
    assert send_all(site, outbox, now.replace(hour=23, minute=0)).sent == 1


def test_a_digest_is_due_once_a_week_and_says_when_nothing_is_known(outbox):
    site = site_of('[[digest]]\nto = "manager@example.org"\nfor = "manager"\nday = "MO"\nhour = 7')
    monday = datetime(2026, 11, 23, 7, 0, tzinfo=UTC)  # Lisbon is on UTC in winter
    assert not list(digests_due(site, monday - timedelta(minutes=1)))
    ((_, at),) = digests_due(site, monday + timedelta(hours=5))
    assert at == monday
    assert not list(digests_due(site, monday + timedelta(days=4)))  # too late: the next one comes
    (message,) = due(site, outbox, None, lambda end: None, monday)
    assert "The store holds no log of these days" in message.text
    outbox.put([message], monday)
    assert due(site, outbox, None, lambda end: None, monday + timedelta(days=1)) == []


def test_a_digest_tells_its_reader_the_findings_of_the_week(outbox):
    site = site_of('[[digest]]\nto = "t@example.org"\nfor = "technician"')
    analysis = told_of(site)
    (message,) = due(
        site, outbox, None, lambda end: analysis, datetime(2026, 11, 23, 8, tzinfo=UTC)
    )
    assert "Floor 7 of chute A" in message.text
    assert "2026-11-16 07:00 to 2026-11-23 07:00 (Europe/Lisbon)" in message.text
    assert json.loads(message.body)["for"] == "technician"


@given(st.text(max_size=60), st.text(max_size=60))
@settings(max_examples=60, deadline=None)
def test_text_of_a_log_cannot_add_headers(name, floor):
    # Source: header injection, OWASP "Testing for IMAP SMTP Injection", from memory.
    incident = {
        "incident": "x", "site": "quay", "chute": "A", "kind": "stuck_door", "floor": floor,
        "stream": None, "code": None, "start": pd.Timestamp("2026-10-01", tz="UTC"),
        "end": pd.NaT, "seconds": None, "ongoing": True, "inferred": False, "refused": None,
        "evidence": "[]", "for": "technician", "advice": "Look.",
    }  # fmt: skip
    site = site_of(ALERT)
    renamed = type(site)(**{**vars(site), "name": name or "A"})
    message = incident_message(renamed, site.alerts[0], incident)
    sent = as_email(message, "chutes@example.org", datetime(2026, 1, 1, tzinfo=UTC)).as_bytes()
    read = email.message_from_bytes(sent, policy=email.policy.default)
    assert sorted(read.keys()) == sorted(
        ["From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "Content-Type",
         "Content-Transfer-Encoding", "MIME-Version"]
    )  # fmt: skip


def test_a_message_keeps_its_name_whenever_it_is_sent():
    message = Message("incident quay x a@example.org", "quay", "a@example.org", "s", "t", "{}")
    first, second = (
        as_email(message, "c@example.org", datetime(2026, 1, day, tzinfo=UTC)) for day in (1, 2)
    )
    assert first["Message-ID"] == second["Message-ID"]
    assert message_id("a") != message_id("b")


def test_an_outbox_that_is_something_else_is_said_in_one_line(tmp_path):
    file = tmp_path / "logs.outbox.sqlite3"
    file.write_text("something else, and long enough to be read as one" * 50)
    with pytest.raises(StoreError, match="no use as an outbox"):
        Outbox(file)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('[[alert]]\nto = "nobody"', "an e-mail address or an https:// address"),
        ('[[alert]]\nto = "http://example.org/hook"', "https://"),
        (ALERT + 'kinds = ["stuck"]', "a kind of incident"),
        (ALERT + 'floors = ["70"]', 'Write floors = ["7"]'),
        (ALERT + 'quiet = ["22-7"]', "a span of the day"),
        ('[[digest]]\nto = "a@example.org"\nfor = "boss"', "a reader"),
        ('[[digest]]\nto = "a@example.org"\nfor = "manager"\nhour = 24', "hour"),
    ],
)
def test_mistakes_in_the_rules_are_said_with_their_place(table, said):
    with pytest.raises(SiteError) as error:
        site_of(table)
    assert said in str(error.value)


def test_mail_needs_a_server_and_an_encrypted_line_for_a_password():
    text = SITE[: SITE.index("[mail]")] + ALERT
    with pytest.raises(SiteError, match=r"a table \[mail\]"):
        parse_site(text, "quay.toml")
    with pytest.raises(SiteError, match="a password is not sent in the open"):
        parse_site(SITE + 'user = "chutes"\n', "quay.toml")


def test_the_command_shows_what_it_would_send_and_sends_nothing(tmp_path, capsys):
    site, log, store = tmp_path / "quay.toml", tmp_path / "log.csv", tmp_path / "logs"
    site.write_text(SITE + ALERT)
    now = datetime.now(UTC)
    stamps = [now - timedelta(minutes=m) for m in (30, 20, 10)]
    lines = [f"{t:%d.%m.%Y %H:%M:%S};7;{text};;;" for t, text in zip(
        stamps, ("DOOR OPEN", "DOOR CLOSED", "DOOR OPEN"), strict=True)]  # fmt: skip
    log.write_text("\n".join(lines) + "\n")
    profile = tmp_path / "mine.toml"
    profile.write_text(PROFILE)
    assert main(["import", str(log), "--store", str(store), "--site", str(site),
                 "--profile", str(profile)]) == 0  # fmt: skip
    capsys.readouterr()
    for _ in range(2):
        assert main(["tell", "--store", str(store), "--dry-run"]) == 0
        said = capsys.readouterr().out
        assert "Subject: Quay Terrace: stuck door, floor 7 of chute A" in said
        assert "would be sent; nothing was." in said


PROFILE = """
name = "mine"
layout = "delimited"
[delimited]
delimiter = ";"
columns = ["stamp", "door", "text", "a", "b", "c"]
[columns]
time = ["stamp"]
floor = "door"
event = "text"
[time]
format = "%d.%m.%Y %H:%M:%S"
zone = "utc"
[[event]]
text = "DOOR OPEN"
signal = "open"
edge = "on"
[[event]]
text = "DOOR CLOSED"
signal = "open"
edge = "off"
"""
