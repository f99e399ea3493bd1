"""What an import would make of a file: the import itself, into a store that is thrown away.

Beside the counts of lines stand a few figures by which a person sees at once whether a profile
is right: a door that stays open for an hour, or two doors open at once, is a profile that is
wrong more often than a building that is.
"""

import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.cycles import cycles as cycles_of
from loganalyzer.ingest import import_paths
from loganalyzer.ingest.reports import ExportReport
from loganalyzer.intervals import pair
from loganalyzer.profile import Profile
from loganalyzer.readers.unpack import Limits
from loganalyzer.site import Site
from loganalyzer.store import Store

FIRST_EVENTS = 8
SHOWN = ("time", "chute", "floor", "signal", "edge", "stream", "code", "value", "line")
REJECTS = 5  # rejected lines that are shown
# What a figure is mostly like. Common practice, no source.
OPEN_S = (1.0, 90.0)  # the median time that a door is open
ANSWERED = 0.8  # of presses, by an unlocked door or a refusal
COMPLETED = 0.8  # of uses
AT_ONCE = 0.02  # of openings, at which another door stands open


@dataclass(frozen=True)
class Figure:
    """One figure.

    Attributes:
        key: Which; `span`, `floors`, `cycles`, `completed`, `open_s`, `at_once`, `answered`.
        value: A number, null where the signals it needs are not in the file.
        of: What it is a share of, null for what is no share.
        odd: Whether it is unlike what a building does.
    """

    key: str
    value: float | None
    of: int | None = None
    odd: bool = False


@dataclass(frozen=True)
class Trial:
    """What would become of one export.

    Attributes:
        name: Of the export.
        profile: The profile that reads it, null if none or several do.
        chute: The chute, null where each line names its own.
        lines: And events, duplicates, ignored, rejected: counts of lines.
        first: And last: when its events happened, null without any.
        first_events: The first few, as `timeline` has them.
        reasons: Rejects by reason.
        rejects: The first rejected lines: number, reason, text.
        figures: What tells whether that can be right.
        messages: One line each; the error, if there is one.
    """

    name: str
    profile: str | None
    chute: str | None
    lines: int
    events: int
    duplicates: int
    ignored: int
    rejected: int
    first: datetime | None
    last: datetime | None
    messages: tuple[str, ...]
    first_events: tuple[Mapping[str, Any], ...] = ()
    reasons: Mapping[str, int] = field(default_factory=dict)
    rejects: tuple[tuple[int, str, str], ...] = ()
    figures: tuple[Figure, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """As plain values; `understood` is the share of lines that are no furniture."""
        told = self.events + self.rejected
        return asdict(self) | {"understood": self.events / told if told else None}


def trial(
    path: Path,
    site: Site,
    *,
    received: datetime,
    chute: str | None = None,
    profile: str | None = None,
    limits: Limits | None = None,
    kept: Mapping[str, Profile] | None = None,
) -> list[Trial]:
    """Import a file for a try; nothing of it stays.

    Args:
        path: A file; a packed one may hold many exports.
        site: Whose it is.
        received: Now, with a zone.
        chute: As for `import_paths`, and `profile`, `limits`, `kept`.
        profile: As there.
        limits: As there.
        kept: As there.

    Raises:
        SettingsError: The profile, or one that the site names, is wrong.
    """
    with tempfile.TemporaryDirectory() as folder:
        store = Store.open(Path(folder) / "store", create=True)
        report = import_paths(
            [path], store, site, received=received, chute=chute, profile=profile, limits=limits,
            kept=kept,
        )  # fmt: skip
        if not report.exports or site.id not in store.sites():
            return [_told(one, None, None, site) for one in report.exports]
        timeline, rejects = store.timeline(site.id), store.rejects(site.id)
        return [_told(one, timeline, rejects, site) for one in report.exports]


def _told(
    report: ExportReport, timeline: pd.DataFrame | None, rejects: pd.DataFrame | None, site: Site
) -> Trial:
    plain = Trial(
        report.name, report.profile, report.chute, report.lines, report.events,
        report.duplicates, report.ignored, report.rejected, report.first, report.last,
        tuple(report.messages),
    )  # fmt: skip
    if timeline is None or rejects is None or report.source is None:
        return plain
    events = timeline[timeline["source"].eq(report.source)]
    wrong = rejects[rejects["source"].eq(report.source)]
    reasons = Counter(str(reason).partition(":")[0] for reason in wrong["reason"])
    shown = wrong.drop_duplicates("reason").head(REJECTS)
    columns = (shown[name] for name in ("line", "reason", "text"))
    return replace(
        plain,
        first_events=tuple(_events(events)),
        reasons=dict(reasons),
        rejects=tuple((int(n), str(why), str(text)) for n, why, text in zip(*columns, strict=True)),
        figures=tuple(figures(events, site)),
    )


def _events(events: pd.DataFrame) -> Iterator[dict[str, Any]]:
    for row in events.sort_values("line").head(FIRST_EVENTS).to_dict("records"):
        yield {name: None if pd.isna(row[name]) else row[name] for name in SHOWN}


def figures(events: pd.DataFrame, site: Site) -> Iterator[Figure]:
    """What tells a person whether the events can be right.

    Args:
        events: Rows of a timeline.
        site: Whose they are.
    """
    if events.empty:
        return
    days = (events["time"].max() - events["time"].min()).total_seconds() / 86_400
    yield Figure("span", days)
    known = {floor.label for chute in site.chutes for floor in chute.floors}
    seen = set(events["floor"].dropna())
    yield Figure("floors", float(len(seen & known or seen)), len(known) or None,
                 odd=bool(known) and not (seen and seen <= known))  # fmt: skip
    intervals = pair(events)
    uses = cycles_of(events, intervals, {site.id: site})
    signals = set(events["signal"])
    doors = bool(signals & {"open", "unlocked"})
    yield Figure("cycles", float(len(uses)) if doors else None, odd=doors and not len(uses))
    done = int(uses["outcome"].eq("completed").sum())
    share = done / len(uses) if len(uses) else None
    yield Figure("completed", share, len(uses), odd=share is not None and share < COMPLETED)
    lasted = uses["open_s"].dropna()
    middle = float(lasted.median()) if len(lasted) else None
    odd = middle is not None and not OPEN_S[0] <= middle <= OPEN_S[1]
    yield Figure("open_s", middle, odd=odd)
    yield _at_once(intervals)
    yield _answered(events, uses)


def _at_once(intervals: pd.DataFrame) -> Figure:
    """The share of openings at which another door of the chute stands open."""
    opened = intervals[intervals["signal"].eq("open") & intervals["start_known"]]
    if opened.empty:
        return Figure("at_once", None)
    count = 0
    for _, rows in opened.sort_values("start").groupby("chute", observed=True):
        start, end = rows["start"].to_numpy(), rows["end"].fillna(rows["start"]).to_numpy()
        floor = rows["floor"].to_numpy()
        until: dict[Any, Any] = {}
        for at, label, to in zip(start, floor, end, strict=True):
            until = {other: over for other, over in until.items() if over > at}
            count += any(other != label for other in until)
            until[label] = max(to, until.get(label, to))
    share = count / len(opened)
    return Figure("at_once", share, len(opened), odd=share > AT_ONCE)


def _answered(events: pd.DataFrame, uses: pd.DataFrame) -> Figure:
    """The share of presses that a door unlocked for or a refusal answered."""
    count = int(events["signal"].eq("press").sum())
    if not count:
        return Figure("answered", None)
    refused = int(events["signal"].eq("refusal").sum())
    share = float(np.minimum(1.0, (uses["pressed"].notna().sum() + refused) / count))
    return Figure("answered", share, count, odd=share < ANSWERED)
