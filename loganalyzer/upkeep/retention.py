"""What is older than it may be kept: originals and timeline go, monthly sums stay.

An export that is older as a whole is taken away. One that reaches across the limit loses the
lines before it, in its original too (a workbook, and text of more than a byte a character, cannot
lose single lines: they stay whole until all of them is older, and only their rows go). The limit
is remembered: whoever imports older lines again is told that they are not taken.

The sums are what the log told before, less what it tells afterwards, so that both together give
what they gave before.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from loganalyzer.errors import UsageError
from loganalyzer.ingest.cutting import can_be_blanked, old_lines, timeline_ages
from loganalyzer.ingest.stretches import Place, restretched
from loganalyzer.ingest.taking import Taken, cut_kept, landed
from loganalyzer.measures.month_sums import difference, together
from loganalyzer.profile import parse_profile
from loganalyzer.site import parse_site
from loganalyzer.store import Store, contents
from loganalyzer.store.change import Change
from loganalyzer.store.evidence import original
from loganalyzer.store.manifest import Export, Manifest, Ranges
from loganalyzer.upkeep.roots import DAMAGED
from loganalyzer.views.sums import sums_of

HEAD_BYTES = 1 << 16


@dataclass(frozen=True)
class Going:
    """An export that retention touches.

    Attributes:
        site: Whose; `source` and `name` say which.
        lines: How many of its lines go, of `of` lines.
        whole: The export goes, original and all.
        file_stays: Its original cannot lose single lines and stays as it is for now.
        removed: The lines that go, as ranges; empty where it goes whole.
    """

    site: str
    source: str
    name: str
    lines: int
    of: int
    whole: bool
    file_stays: bool
    removed: Ranges


@dataclass(frozen=True)
class Retention:
    """What retention removes, or removed.

    Attributes:
        store: The folder.
        done: Whether it was done, or only looked at.
        limits: Site → the moment before which nothing is kept in detail (UTC).
        going: The exports it touches.
        events: How many events of the timelines go.
        also: What else goes with it, one line each.
    """

    store: str
    done: bool
    limits: dict[str, datetime]
    going: tuple[Going, ...]
    events: int
    also: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


def days_of(text: str) -> timedelta:
    """A time to keep, as `--keep` takes it: whole days, as 400d.

    Raises:
        UsageError: It is something else.
    """
    found = re.fullmatch(r"(\d{1,6})d", text.strip())
    if not found or not int(found[1]):
        raise UsageError(
            "--keep", f"'{text}'", "a number of days above 0, such as 400d", "Write --keep 400d"
        )
    return timedelta(days=int(found[1]))


def retain(
    store: Store,
    keep: timedelta,
    now: datetime,
    *,
    site: str | None = None,
    do: bool = False,
    tell: Callable[[str], None] = lambda line: None,
) -> Retention:
    """Remove what is older than may be kept, or look what that would be.

    Args:
        store: The store.
        keep: How much is kept in detail; the day on which the limit falls is kept whole.
        now: The present, with a zone.
        site: Only this site; null: all.
        do: Do it; else only look.
        tell: Called with one line when another importer has to be waited for.

    Raises:
        UsageError: There is no such site.
        StoreError: The folder cannot be written; it is as it was.
    """
    if not do:
        limits, going, events = store.reading(
            lambda state: _would_go(store.path, state.of(site), keep, now)
        )
        return _result(store, False, limits, going, events)
    with store.incoming() as aside, store.writing(tell) as change:
        manifests = change.state.of(site)
        limits, going = _looked(store.path, manifests, keep, now)
        events = sum(stretch.rows for m in manifests for stretch in m.stretches)
        for manifest in manifests:
            mine = {one.source: one for one in going if one.site == manifest.site}
            if mine:
                limit = _micros(limits[manifest.site])
                left = _without(store, change, manifest, mine, limit, now, aside)
                change.manifests[manifest.site] = left
        left_over = [change.manifests[m.site] for m in manifests]
        events -= sum(stretch.rows for m in left_over for stretch in m.stretches)
    result = _result(store, True, limits, going, events)
    store.settle(limits)  # of all of them: one that was stopped before may have left some
    for file in _set_aside(store.path):
        file.unlink()
    return result


def _result(
    store: Store, done: bool, limits: dict[str, datetime], going: list[Going], events: int
) -> Retention:
    also = [f"{one.name}, the way back to an earlier format" for one in store.ways_back()]
    also += [f"{DAMAGED}/{one.name}, set aside by a repair" for one in _set_aside(store.path)]
    return Retention(str(store.path), done, limits, tuple(going), events, tuple(also))


def _set_aside(path: Path) -> list[Path]:
    return sorted(one for one in (path / DAMAGED).glob("*") if one.is_file())


def _looked(
    path: Path, manifests: list[Manifest], keep: timedelta, now: datetime
) -> tuple[dict[str, datetime], list[Going]]:
    """The limit of each site, and what goes."""
    limits: dict[str, datetime] = {}
    going: list[Going] = []
    for manifest in manifests:
        text = (path / manifest.site_text).read_text(encoding="utf-8")
        zone = ZoneInfo(parse_site(text, manifest.site_file).time_zone)
        day = (now.astimezone(zone) - keep).date()
        limit = datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)
        limits[manifest.site] = limit
        going += _going(path, manifest, _micros(limit))
    return limits, going


def _going(path: Path, manifest: Manifest, limit: int) -> Iterator[Going]:
    places = {file: one.file for one in manifest.stretches for file in one.made_of}
    for export in sorted(manifest.exports, key=_begins):
        stretches = sorted({path / places[reading.file] for reading in export.readings})
        placed = timeline_ages(stretches, export.source)
        removed, whole = old_lines(
            export.readings, export.rejects, path, export.lines, limit, placed
        )
        timeless = all(reading.first is None for reading in export.readings)
        whole = whole or (timeless and export.imported_at < limit)
        if whole or removed:
            lines = sum(last - first + 1 for first, last in removed)
            yield Going(
                manifest.site, export.source, export.name, export.lines if whole else lines,
                export.lines, whole, not whole and not _blankable(path, export),
                () if whole else removed,
            )  # fmt: skip


def _begins(export: Export) -> tuple[int, str]:
    return min((reading.begins for reading in export.readings), default=0), export.name


def _blankable(path: Path, export: Export) -> bool:
    text = (path / export.profile_text).read_text(encoding="utf-8")
    with original(path / export.original) as stream:
        head = stream.read(HEAD_BYTES)
    return can_be_blanked(parse_profile(text, export.profile_file), head)


def _would_go(
    path: Path, manifests: list[Manifest], keep: timedelta, now: datetime
) -> tuple[dict[str, datetime], list[Going], int]:
    """As `_looked`, and how many events of the timelines are older than the limits."""
    limits, going = _looked(path, manifests, keep, now)
    old = (
        len(contents.timeline(path.joinpath, [one], None, None, pd.Timestamp(limits[one.site])))
        for one in manifests
        if any(each.site == one.site for each in going)
    )
    return limits, going, sum(old)


def _without(
    store: Store,
    change: Change,
    manifest: Manifest,
    going: dict[str, Going],
    limit: int,
    now: datetime,
    aside: Path,
) -> Manifest:
    """The manifest of a site without what goes, and with its sums."""
    exports = []
    for number, export in enumerate(manifest.exports):
        touched = going.get(export.source)
        if touched is None:
            exports.append(export)
        elif not touched.whole:
            folder = aside / f"{manifest.site}-{number}"
            folder.mkdir()
            entry = cut_kept(export, store.path, touched.removed, folder)
            text = (store.path / export.profile_text).read_text(encoding="utf-8")
            taken = Taken(entry, text, (), False)
            exports.append(landed(taken, change, manifest.site, export.site_text))
    retired = {one.source: _micros(now) for one in going.values() if one.whole}
    place = Place(store.file, aside, change.land)
    left = replace(
        manifest, exports=tuple(exports), kept_from=max(limit, manifest.kept_from or limit),
        retired={**manifest.retired, **retired},
    )  # fmt: skip
    left = restretched(left, place)
    before, after = (_sums(store, one) for one in (manifest, left))
    kept = together(contents.sums(store.file, [manifest]), difference(before, after))
    written = aside / f"{manifest.site}-sums.parquet"
    table = pa.Table.from_pandas(kept[contents.SUMS.names], contents.SUMS, preserve_index=False)
    pq.write_table(table, written)
    generation = change.state.generation + 1
    sums = change.land(written, f"sums/{manifest.site}-{generation}-{aside.name[:8]}.parquet")
    return replace(left, sums=sums)


def _sums(store: Store, manifest: Manifest) -> pd.DataFrame:
    """The monthly sums of the timeline of a manifest."""
    text = (store.path / manifest.site_text).read_text(encoding="utf-8")
    site = parse_site(text, manifest.site_file)
    timeline = contents.timeline(store.file, [manifest], None, None, None)
    if timeline.empty:
        return contents.sums(store.file, [])
    return sums_of(timeline, {manifest.site: site})


def _micros(moment: datetime) -> int:
    return round(moment.timestamp() * 1_000_000)
