"""Which incidents a rule is about, when a digest is due, and when people are left in peace."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from loganalyzer.settings.alerts import WEEKDAYS, Alert, Digest, Hours
from loganalyzer.site import Site
from loganalyzer.views import Analysis
from loganalyzer.views.shown import small_doors

# Older incidents are history: a store that is filled with years of log tells nobody of them all.
FRESH = timedelta(days=7)
# A digest that is later than this is left out: the next one is due.
LATEST_DIGEST = timedelta(days=3)


def matching(site: Site, rule: Alert, analysis: Analysis, now: datetime) -> list[dict[str, Any]]:
    """The fresh incidents that a rule is about, oldest first.

    Floors of fewer than `min_units` units are not told of to whoever asks as a manager: incidents
    for the manager there are left out, as in the summary.

    Args:
        site: Whose rule it is.
        rule: The rule.
        analysis: Has the incidents.
        now: With a zone.
    """
    table = analysis.incidents
    told = table["site"].eq(site.id)
    last = (
        table["end"].where(~table["ongoing"].astype(bool), pd.Timestamp(now)).fillna(table["start"])
    )
    told &= last.ge(pd.Timestamp(now) - FRESH)
    for column, allowed in (
        ("kind", rule.kinds), ("chute", rule.chutes), ("floor", rule.floors),
    ):  # fmt: skip
        if allowed:
            told &= table[column].isin(allowed)
    if rule.least_refused:
        told &= table["refused"].fillna(0).ge(rule.least_refused).astype(bool)
    small = small_doors({site.id: site})
    return [
        {str(name): value for name, value in row.items()}
        for row in table[told].sort_values(["start", "incident"]).to_dict("records")
        if not (row["for"] == "manager" and (row["site"], row["chute"], row["floor"]) in small)
    ]


def digests_due(site: Site, now: datetime) -> Iterator[tuple[Digest, datetime]]:
    """Each digest whose latest time has come, with that time."""
    local = now.astimezone(ZoneInfo(site.time_zone))
    for rule in site.digests:
        back = (local.weekday() - WEEKDAYS.index(rule.day)) % 7
        at = (local - timedelta(days=back)).replace(
            hour=rule.hour, minute=0, second=0, microsecond=0
        )
        if at > local:
            at -= timedelta(days=7)
        if local - at <= LATEST_DIGEST:
            yield rule, at


def quiet_until(site: Site, quiet: tuple[Hours, ...], now: datetime) -> datetime | None:
    """When the quiet hours end in which `now` lies, with a zone; null where it lies in none."""
    local = now.astimezone(ZoneInfo(site.time_zone))
    here = local.time().replace(tzinfo=None)
    for begin, end in quiet:
        if begin <= here < end if begin < end else here >= begin or here < end:
            until = local.replace(hour=end.hour, minute=end.minute, second=0, microsecond=0)
            return until if until > local else until + timedelta(days=1)
    return None
