"""An incident, or a week, as a message: a subject, plain text, and JSON for machines."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from loganalyzer.errors import one_line
from loganalyzer.incidents.kinds import CAUTION
from loganalyzer.sentences import lasting, things
from loganalyzer.settings.alerts import Alert, Digest, Hours
from loganalyzer.site import Site
from loganalyzer.views import Analysis, summary

LINES_SHOWN = 10
FORMAT = 1  # of the JSON: grows when a field changes its meaning or goes


@dataclass(frozen=True)
class Message:
    """Something to tell somebody.

    Attributes:
        key: Names what it is about and whom it is for: a second one of that key is not sent.
        site: Site id.
        to: An e-mail address or a web address.
        subject: One line.
        text: Plain text.
        body: What a web address is sent, JSON.
        quiet: Spans of the day, in the site's time, in which it waits.
    """

    key: str
    site: str
    to: str
    subject: str
    text: str
    body: str
    quiet: tuple[Hours, ...] = ()


def incident_message(site: Site, rule: Alert, incident: Mapping[str, Any]) -> Message:
    """An incident, told by a rule.

    Args:
        site: Where it was.
        rule: Who is told.
        incident: One row of the table `incidents`.
    """
    place = f"chute {incident['chute']}"
    if not pd.isna(incident["floor"]):
        place = f"floor {incident['floor']} of {place}"
    what = str(incident["kind"]).replace("_", " ")
    subject = one_line(f"{site.name}: {what}, {place}")
    lines = [f"{subject}.", "", _when(site, incident)]
    if not pd.isna(incident["refused"]):
        lines.append(f"Presses refused for it: {int(incident['refused']):,}.")
    lines += ["", str(incident["advice"]), "", f"Incident {incident['incident']}."]
    evidence = json.loads(incident["evidence"])
    lines.append("Lines of the log (SHA-256 of the export:line):")
    lines += [f"  {line}" for line in evidence[:LINES_SHOWN]]
    if len(evidence) > LINES_SHOWN:
        lines.append(f"  and {things(len(evidence) - LINES_SHOWN, 'line', 'lines')} more")
    told = {
        "format": FORMAT, "type": "incident", "site_name": site.name,
        **{name: _json(value) for name, value in incident.items()}, "evidence": evidence,
    }  # fmt: skip
    key = f"incident {incident['site']} {incident['incident']} {rule.to}"
    return Message(key, site.id, rule.to, subject, _text(lines), _dumped(told), rule.quiet)


def digest_message(site: Site, rule: Digest, at: datetime, week: Analysis | None) -> Message:
    """The seven days before a time, for one kind of reader.

    Args:
        site: The site.
        rule: Who is told, as what reader.
        at: The end of the week, with a zone.
        week: What these days brought; null where the log holds nothing of them.
    """
    first = (at - timedelta(days=7)).astimezone(ZoneInfo(site.time_zone))
    span = f"{first:%Y-%m-%d %H:%M} to {at:%Y-%m-%d %H:%M} ({site.time_zone})"
    subject = one_line(f"{site.name}: the week to {at:%Y-%m-%d} for the {rule.reader}")
    said = []
    if week is not None:
        said = [f.sentence for f in summary(week).findings if f.who == rule.reader]
    silent = (
        "The store holds no log of these days: nothing is known of them. Are exports missing?"
        if week is None
        else f"Nothing to tell the {rule.reader}."
    )
    lines = [f"{site.name}, {span}", "", *(f"- {one}" for one in said or [silent]), ""]
    lines.append(
        "Figures in brackets are 95 % intervals. Before anyone acts on the equipment: " + CAUTION
        + "."
    )  # fmt: skip
    told = {
        "format": FORMAT, "type": "digest", "site": site.id, "site_name": site.name,
        "for": rule.reader, "from": first.isoformat(), "to": at.isoformat(),
        "covered": week is not None, "sentences": said, "caution": CAUTION,
    }  # fmt: skip
    key = digest_key(site, rule, at)
    return Message(key, site.id, rule.to, subject, _text(lines), _dumped(told))


def digest_key(site: Site, rule: Digest, at: datetime) -> str:
    """The key of the digest of the week that ends at a time."""
    return f"digest {site.id} {rule.reader} {at:%Y-%m-%d} {rule.to}"


def _when(site: Site, incident: Mapping[str, Any]) -> str:
    zone = ZoneInfo(site.time_zone)
    start = incident["start"].tz_convert(zone)
    said = f"Since {start:%Y-%m-%d %H:%M:%S} ({site.time_zone})"
    if incident["ongoing"]:
        return f"{said}, not over when the log ends."
    if pd.isna(incident["seconds"]):
        return f"{said}; how long is not known."
    return f"{said}, for {lasting(float(incident['seconds']))}."


def _text(lines: list[str]) -> str:
    return "\n".join("".join(c for c in line if c.isprintable()) for line in lines) + "\n"


def _dumped(told: Mapping[str, Any]) -> str:
    return json.dumps(told, ensure_ascii=False)


def _json(value: Any) -> Any:
    if isinstance(value, pd.Timestamp):
        return value.isoformat().replace("+00:00", "Z") if not pd.isna(value) else None
    if value is None or pd.isna(value):
        return None
    return value.item() if hasattr(value, "item") else value
