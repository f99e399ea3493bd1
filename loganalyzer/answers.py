"""A store's tables, worked out: the one call behind summary, export and the dashboard."""

from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd

from loganalyzer.errors import UsageError
from loganalyzer.measures.month_sums import together
from loganalyzer.profile import parse_profile
from loganalyzer.site import Site
from loganalyzer.store import Store
from loganalyzer.store.state import State
from loganalyzer.views import Analysis, Span, Whole
from loganalyzer.views.sums import sums_of

Period = tuple[str | None, str | None]


def answer(
    store: Store, site: str | None = None, chute: str | None = None, period: Period = (None, None)
) -> Analysis:
    """Everything about one chute, one site or all sites of a store.

    Args:
        store: The store.
        site: Site id, null for all.
        chute: Chute id, null for all.
        period: From and to, each a date or a time (ISO) in the site's local time, or null. As
            the end, a date counts whole. Intervals, cycles and visits are rebuilt from the whole
            log; those that begin in the period belong to it.

    Raises:
        UsageError: There is no such site or chute, or the log holds nothing of the period.
    """
    return cut(store, whole(store, site, chute), period)


def whole(store: Store, site: str | None = None, chute: str | None = None) -> Whole:
    """The log that an answer is cut out of, and what does not depend on the period.

    Raises:
        UsageError: There is no such site or chute.
    """
    sites = _sites(store, site, chute)
    return Whole(store.timeline(site, chute), sites, components(store, site))


def cut(store: Store, of: Whole, period: Period) -> Analysis:
    """The answer for one period; arguments and errors as `answer`."""
    spans = {name: span(period, one.time_zone) for name, one in of.sites.items()}
    analysis = Analysis(of, spans)
    if analysis.timeline.empty:
        raise _nothing(store)
    return analysis


def made_of(store: Store, site: str, chute: str | None) -> frozenset[str]:
    """The files that `whole` reads, which never change: another answer has other files.

    Raises:
        UsageError: There is no such site.
    """

    def read(state: State) -> frozenset[str]:
        (manifest,) = state.of(site)
        mine = [one for one in manifest.stretches if chute in (None, one.chute)]
        profiles = {
            export.profile_text
            for export in manifest.exports
            if any(chute in (None, reading.chute) for reading in export.readings)
        }
        site_files = {manifest.site_text, manifest.done or manifest.site_text}
        return frozenset({one.file for one in mine} | profiles | site_files)

    return store.reading(read)


def month_sums(
    store: Store, site: str | None = None, chute: str | None = None, period: Period = (None, None)
) -> pd.DataFrame:
    """The table `month_sums`: of what is there, and of what retention removed.

    Args:
        store: The store.
        site: Site id, null for all.
        chute: Chute id, null for all.
        period: As `answer` takes it; every month that it touches counts whole.

    Raises:
        UsageError: There is no such site or chute, or nothing at all of the period.
    """
    sites = _sites(store, site, chute)
    kept = store.sums(site)
    timeline = store.timeline(site, chute)
    present = kept.iloc[:0] if timeline.empty else sums_of(timeline, sites)
    table = together(kept if chute is None else kept[kept["chute"].eq(chute)], present)
    span(period, "UTC")  # raises if these are no times
    start, end = (text and text[:7] for text in period)
    month = table["month"].dt.strftime("%Y-%m")
    touched: pd.DataFrame = table[(month >= (start or "")) & (month <= (end or "9999"))]
    if touched.empty:
        raise _nothing(store)
    return touched.reset_index(drop=True)


def _sites(store: Store, site: str | None, chute: str | None) -> dict[str, Site]:
    """The sites that are asked for, once it is known that they have such a chute."""
    sites = {name: store.site(name) for name in ([site] if site else store.sites())}
    if chute is not None and chute not in {c.id for one in sites.values() for c in one.chutes}:
        known = ", ".join(c.id for one in sites.values() for c in one.chutes)
        raise UsageError("--chute", f"'{chute}'", f"one of {known}", "Name a chute of the site")
    return sites


def _nothing(store: Store) -> UsageError:
    removed = "; of what retention removed, export month_sums tells" if store.kept_from() else ""
    return UsageError(
        str(store.path), "no event of that site, chute and period", "some",
        f"Import exports, or choose another period{removed}",
    )  # fmt: skip


def components(store: Store, site: str | None = None) -> dict[tuple[str, str], dict[str, str]]:
    """What part each fault code is about: (site, chute) → code → component.

    From the profiles that the exports of a chute were read with; where they differ, the latest
    export's profile decides.
    """

    def read(state: State) -> dict[tuple[str, str], dict[str, str]]:
        meanings: dict[tuple[str, str], dict[str, str]] = {}
        for manifest in state.of(site):
            for export in manifest.exports:
                codes = _codes(store.path / export.profile_text)
                for reading in export.readings:
                    meanings.setdefault((manifest.site, reading.chute), {}).update(codes)
        return meanings

    return store.reading(read)


@cache
def _codes(profile: Path) -> dict[str, str]:
    """Code → component of a kept profile; kept files never change."""
    kept = parse_profile(profile.read_text(encoding="utf-8"), profile.name)
    return {code: meaning.component for code, meaning in kept.codes.items()}


def span(period: Period, zone: str) -> Span:
    """A period in a site's local time → UTC, from the first up to before the second.

    Args:
        period: As `answer` takes it.
        zone: IANA name.

    Raises:
        UsageError: One of the two is no date and no time.
    """
    start, end = period
    return (
        None if start is None else _moment(start, zone, whole_day=False),
        None if end is None else _moment(end, zone, whole_day=True),
    )


def _moment(text: str, zone: str, *, whole_day: bool) -> pd.Timestamp:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            "the period", f"'{text}'", "a date or a time such as 2026-10-01 or 2026-10-01T07:30",
            "Write it so",
        ) from None  # fmt: skip
    if whole_day and len(text) == len("2026-10-01"):
        moment += timedelta(days=1)
    local = moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(zone))
    return pd.Timestamp(local).tz_convert("UTC").as_unit("us")
