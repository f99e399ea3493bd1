"""Telling people: incidents by the site's rules and a weekly digest, each once.

incidents → which rule is about them → a message in the outbox → sent, or tried again later
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

from loganalyzer.alerts.messages import Message, digest_key, digest_message, incident_message
from loganalyzer.alerts.outbox import Outbox
from loganalyzer.alerts.rules import digests_due, matching, quiet_until
from loganalyzer.alerts.sending import Sender, UndeliveredError
from loganalyzer.site import Site
from loganalyzer.views import Analysis

__all__ = ["Outbox", "Sender", "Told", "deliver", "due"]


@dataclass(frozen=True)
class Told:
    """What one round of telling did: counts of messages, and a line for each that failed."""

    sent: int
    waiting: int
    failures: tuple[str, ...] = ()


def due(
    site: Site,
    outbox: Outbox,
    whole: Callable[[], Analysis] | None,
    week: Callable[[datetime], Analysis | None],
    now: datetime,
) -> list[Message]:
    """The messages that the site's rules ask for now and the outbox does not know.

    Args:
        site: Its rules.
        outbox: Knows what was written down before.
        whole: The analysis of the whole log; null: nothing has landed since the last call, so
            there can be no new incident.
        week: The analysis of the seven days before a time; null where the log holds nothing.
        now: With a zone.
    """
    messages = []
    if site.alerts and whole is not None:
        analysis = whole()
        for rule in site.alerts:
            for incident in matching(site, rule, analysis, now):
                messages.append(incident_message(site, rule, incident))
    for digest, at in digests_due(site, now):
        if not outbox.knows(digest_key(site, digest, at)):
            messages.append(digest_message(site, digest, at, week(at)))
    return [one for one in messages if not outbox.knows(one.key)]


def deliver(
    outbox: Outbox, senders: Mapping[str, Sender], sites: Mapping[str, Site], now: datetime
) -> Told:
    """Send what waits in the outbox and may be sent now.

    Args:
        outbox: Holds the messages.
        senders: Site id → how its messages are sent.
        sites: The site files; messages of others wait.
        now: With a zone.
    """
    sent, failures = 0, []
    for message in outbox.waiting(now):
        site = sites.get(message.site)
        if site is None or quiet_until(site, message.quiet, now) is not None:
            continue  # it waits
        try:
            senders[message.site].send(message)
        except UndeliveredError as error:
            outbox.failed(message, str(error), now)
            failures.append(f"{message.to}: {error}")
        else:
            outbox.sent(message, now)
            sent += 1
    return Told(sent, outbox.count_waiting(), tuple(failures))
