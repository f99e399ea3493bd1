"""One month of one site, worked out once for a report, and what its cover says."""

import calendar
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import pandas as pd

from dashboards.data import Worked
from dashboards.pages.choice import Choice
from dashboards.pages.view import View
from dashboards.reports.claims import ON_THE_COVER, Claims
from dashboards.reports.sheet import Section, Sheet, Words
from loganalyzer.answers import answer
from loganalyzer.errors import UsageError
from loganalyzer.facts import CHUTE
from loganalyzer.language import phrase
from loganalyzer.localtime import wall_clock
from loganalyzer.sentences import count, lasting, listed, things
from loganalyzer.site import Site
from loganalyzer.store import Store
from loganalyzer.views import Finding, of_chute, summary
from loganalyzer.views.finding import rows

CHUTES = 6  # of which the cover tells
GAPS = 3  # stretches without log that the cover names for a chute
MARKS = {
    "fold": "the repeated hour in autumn", "gap": "the missing hour in spring",
    "drift": "put right for the clock's drift", "step": "moved when the clock was set",
    "sampled": "known to the scan only", "unanchored": "fixed by nothing",
}  # fmt: skip


@dataclass(frozen=True)
class Month:
    """A site's month.

    Attributes:
        view: The analysis as the dashboard's sections take it.
        claims: Gathers the lines that the sheet names.
        findings: Of everybody, the most important first.
    """

    store: Store
    site: Site
    name: str
    view: View
    claims: Claims
    findings: tuple[Finding, ...]

    def sheet(self, kind: str, sections: list[Section | None]) -> Sheet:
        """The document, with its cover and the lines behind it."""
        first, last = _ends(self.name)
        period = phrase(
            "{month:%Y-%m}, {first:%Y-%m-%d} to {last:%Y-%m-%d}, time of {zone}", month=first,
            first=first, last=last, zone=self.site.time_zone,
        )  # fmt: skip
        every = [*sections, _how_to_read(), self.claims.section(self.site.id)]
        return Sheet(
            self.site.name, kind, period, self.site.language, list(_cover(self)),
            [section for section in every if section is not None],
        )  # fmt: skip


def month(store: Store, who: str, site: str | None, name: str | None) -> Month:
    """Work out a month.

    Args:
        store: The store.
        who: One of `tables.AUDIENCES`.
        site: Site id; null where the store has one site.
        name: As 2026-10; null takes the month in which the site's log ends.

    Raises:
        UsageError: No such site or month, or the log holds nothing of it.
    """
    known = store.site(_site(store, site))
    name = _checked(name) if name else _last(store, known)
    first, last = (f"{day:%Y-%m-%d}" for day in _ends(name))
    analysis = answer(store, known.id, None, (first, last))
    view = View(Worked(analysis), Choice(None, first, last), known.time_zone, "light")
    found = summary(analysis, store.imports(known.id), store.rejects(known.id)).findings
    return Month(store, known, name, view, Claims(store, analysis, who), found)


def _site(store: Store, site: str | None) -> str:
    sites = store.sites()
    if site is None and len(sites) != 1:
        raise UsageError("--site", "none", ", ".join(sites) or "a store with exports",
                         "Name the site of the report")  # fmt: skip
    return site or sites[0]


def _checked(name: str) -> str:
    try:
        date.fromisoformat(f"{name}-01")
    except ValueError:
        raise UsageError("--month", f"'{name}'", "a month such as 2026-10", "Write it so") from None
    return name


def _last(store: Store, site: Site) -> str:
    ends = store.imports(site.id)["last"].max()
    if pd.isna(ends):
        raise UsageError("--month", "none", "a month such as 2026-10, since no time in the log can "
                         "be trusted", "Name the month")  # fmt: skip
    return f"{ends.tz_convert(site.time_zone):%Y-%m}"


def _ends(name: str) -> tuple[date, date]:
    first = date.fromisoformat(f"{name}-01")
    return first, first.replace(day=calendar.monthrange(first.year, first.month)[1])


def _cover(month: Month) -> Iterator[str]:
    """What the log covers and what it cannot show."""
    analysis = month.view.analysis
    days = _ends(month.name)[1].day
    for row in rows(month.view.headline.head(CHUTES)):
        exports = of_chute(analysis.timeline, row.site, row.chute)["source"].nunique()
        yield phrase(
            "Chute {chute}: log of {covered} in a month of {days} days, {events} from {exports}.",
            chute=row.chute, covered=lasting(row.covered_s), days=days,
            events=things(row.events, "event", "events"),
            exports=things(exports, "export", "exports"),
        )  # fmt: skip
    more = len(month.view.headline) - CHUTES
    if more > 0:
        yield phrase("{n} more chutes: loganalyzer summary tells of them.", n=count(more))
    yield from list(_gaps(month))[:CHUTES]
    said = [one.sentence for one in month.findings if one.kind in ON_THE_COVER]
    yield from said[:CHUTES]
    marks = analysis.timeline["clock"].astype("str").value_counts()
    said = [
        phrase("{n} {how}", n=count(marks[mark]), how=phrase(how))
        for mark, how in MARKS.items()
        if mark in marks
    ]
    if said:
        yield phrase("Times that are not exact, of {events}: {marks}.",
                     events=things(int(marks.sum()), "event", "events"),
                     marks=listed(said))  # fmt: skip
    yield phrase(
        "A log shows what the controller wrote. It shows presses and doors, not people; what it "
        "does not record is said to be not recorded, and never counted as zero."
    )


def _gaps(month: Month) -> Iterator[str]:
    """The longest stretches of each chute without log."""
    table = month.view.analysis.coverage
    table = table.assign(local=wall_clock(table, month.view.analysis.sites, "start"))
    gaps = table[~table["covered"].astype(bool)].sort_values("seconds", ascending=False)
    for (_, chute), part in gaps.groupby(CHUTE, observed=True):
        said = [
            phrase("{lasting} from {start:%Y-%m-%d %H:%M} ({reason})",
                   lasting=lasting(row.seconds), start=row.local, reason=phrase(row.reason))
            for row in rows(part.head(GAPS))
        ]  # fmt: skip
        more = len(part) - len(said)
        rest = phrase("; and {n} shorter", n=count(more)) if more else phrase("")
        yield phrase("Chute {chute} without log: {gaps}{more}.", chute=chute, gaps=listed(said),
                     more=rest)  # fmt: skip


def _how_to_read() -> Section:
    said = phrase(
        "Figures in brackets are 95 % intervals: what chance leaves open. n is the number of "
        "observations. Numbers in square brackets lead to lines of the exports. All times are "
        "the site's. The same store gives the same report, to the byte."
    )
    return Section(phrase("How to read this"), [Words(said, "muted")])
