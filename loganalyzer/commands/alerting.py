"""Telling people by e-mail and web: `tell`, once; `watch` does the same after each import."""

import argparse
import os
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from loganalyzer.alerts import Outbox, Sender, Told, deliver, due
from loganalyzer.alerts.messages import Message
from loganalyzer.answers import answer
from loganalyzer.commands.shared import now, print_json, tell
from loganalyzer.errors import InputError, UsageError
from loganalyzer.site import Site
from loganalyzer.store import Store
from loganalyzer.views import Analysis

PASSWORD = "LOGANALYZER_MAIL_PASSWORD"


def tell_people(options: argparse.Namespace) -> int:
    """Send what the sites' rules ask for, or show it."""
    store = Store.open(options.store)
    sites = [store.site(name) for name in ([options.site] if options.site else store.sites())]
    if options.dry_run:
        return _show(store, sites, options)
    counts = [tell_site(store, site, now(), options.store) for site in sites]
    for told in counts:
        for line in told.failures:
            tell(f"not sent yet: {line}")
    sent, waiting = sum(t.sent for t in counts), counts[-1].waiting if counts else 0
    if options.json:
        print_json({"sent": sent, "waiting": waiting,
                    "failures": [line for told in counts for line in told.failures]})  # fmt: skip
    else:
        print(f"{sent:,} sent, {waiting:,} waiting")
    return InputError.exit_status if any(told.failures for told in counts) else 0


def tell_site(store: Store, site: Site, at: datetime, folder: Path, look: bool = True) -> Told:
    """Write down what the site's rules ask for, and send what may be sent.

    Args:
        store: The site's store.
        site: The site as its file has it now.
        at: Now, with a zone.
        folder: The store's folder; the outbox stands beside it.
        look: False: no new log has landed, so only digests may be new.
    """
    if not (site.alerts or site.digests) or site.id not in store.sites():
        return Told(0, 0)
    outbox = _outbox(folder)
    outbox.put(_due(store, site, outbox, at, look), at)
    sender = Sender(site.mail, os.environ.get(PASSWORD), at)
    return deliver(outbox, {site.id: sender}, {site.id: site}, at)


def _show(store: Store, sites: list[Site], options: argparse.Namespace) -> int:
    """Print what would be sent, and send nothing."""
    outbox, at = _outbox(options.store), now()
    new = []
    for site in sites:
        new += _due(store, site, outbox, at, look=True)
    if options.json:
        print_json([{"to": one.to, "subject": one.subject, "text": one.text} for one in new])
    else:
        for one in new:
            print(f"To: {one.to}\nSubject: {one.subject}\n\n{one.text}")
        print(f"{len(new):,} would be sent; nothing was.")
    return 0


def _due(store: Store, site: Site, outbox: Outbox, at: datetime, look: bool) -> list[Message]:
    def whole() -> Analysis:
        return answer(store, site.id)

    def week(end: datetime) -> Analysis | None:
        local = end.astimezone(ZoneInfo(site.time_zone)).replace(tzinfo=None)
        span = ((local - timedelta(days=7)).isoformat(), local.isoformat())
        try:
            return answer(store, site.id, period=span)
        except UsageError:  # the store holds nothing of these days, which the digest says
            return None

    return due(site, outbox, whole if look else None, week, at)


def _outbox(folder: Path) -> Outbox:
    return Outbox(folder.with_name(f"{folder.name}.outbox.sqlite3"))
