"""A chute's timeline from the readings of its exports: which touch, what they make together.

A function of the set of readings alone: whatever was imported, undone or read again before, the
same exports give the same stretches. What did not change is not made again.
"""

import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer import clock
from loganalyzer.clock.folds import settle
from loganalyzer.clock.marks import UNANCHORED, mark_array
from loganalyzer.store.disk import Find
from loganalyzer.store.manifest import Manifest, Reading, Stretch
from loganalyzer.store.parquet import FILE, EventFile, constant, groups, to_reading
from loganalyzer.tables import UTC, WALL
from loganalyzer.timeline import Merged, merge
from loganalyzer.timeline.beginnings import Beginning, beginning, in_order

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Part:
    """One export's reading, and the source it came from."""

    source: str
    reading: Reading


@dataclass(frozen=True)
class Place:
    """Where a site's files are, and how new ones get there.

    Attributes:
        find: Where a file of the store is.
        aside: A folder to write in.
        land: Moves a finished file to its place within the store.
    """

    find: Find
    aside: Path
    land: Callable[[Path, str], str]


def restretched(manifest: Manifest, place: Place) -> Manifest:
    """The manifest with its stretches brought up to its exports.

    Args:
        manifest: With exports added or taken away.
        place: Where to read and write.
    """
    parts = [Part(one.source, reading) for one in manifest.exports for reading in one.readings]
    known = {stretch.made_of: stretch for stretch in manifest.stretches}
    stretches = []
    for group in touching(parts):
        files = tuple(sorted(part.reading.file for part in group))
        stretches.append(known.get(files) or _made(group, files, manifest.site, place))
    return replace(manifest, stretches=tuple(stretches))


def touching(parts: Iterable[Part]) -> list[list[Part]]:
    """Readings of one chute that overlap in time, or whose clocks hang together.

    Returns:
        Groups in order of chute and beginning, so that equal sets come out equal.
    """
    parts = sorted(parts, key=lambda p: (p.reading.chute, p.source))
    groups: list[list[Part]] = []
    for part in (part for _, same in groupby(parts, _chute) for part in _ordered(list(same))):
        group, hooked = [part], part.reading.open_head
        while groups and _touches(groups[-1], part.reading, hooked):
            hooked = part.reading.open_head and not any(p.reading.facts for p in groups[-1])
            group = groups.pop() + group
        groups.append(group)
    return groups


def _chute(part: Part) -> str:
    return part.reading.chute


def _ordered(parts: Sequence[Part]) -> list[Part]:
    ends = [
        Beginning(
            place=r.place, ends=r.ends, name=part.source, trusted=r.first is not None,
            sound=r.sound, starts=r.starts, powered=r.powered,
            stops=r.stops, adrift=r.adrift, lost=r.lost,
        )
        for part in parts
        for r in [part.reading]
    ]  # fmt: skip
    return [parts[i] for i in in_order(ends)]


def _touches(group: Sequence[Part], reading: Reading, hooked: bool) -> bool:
    """Whether a reading belongs to the group before it; `hooked`: its clock hangs on that."""
    if group[0].reading.chute != reading.chute:
        return False
    ends = max(part.reading.ends for part in group)
    return reading.begins <= ends or hooked or _open_tail(group)


def _open_tail(group: Sequence[Part]) -> bool:
    """Whether the group ends in a stretch of clock that a later export may put right."""
    for part in reversed(group):
        if part.reading.open_tail or part.reading.facts:
            return part.reading.open_tail
    return False


def _made(group: Sequence[Part], files: tuple[str, ...], site: str, place: Place) -> Stretch:
    first = group[0].reading
    if len(group) == 1:
        owned = {group[0].source: first.lines}
        return Stretch(first.chute, files, first.solo, first.rows, first.begins, owned)
    token = uuid.uuid4().hex
    written = place.aside / f"{token}.parquet"
    rows, owned = _merged(group, place.find, written)
    file = place.land(written, f"events/{site}/{first.chute}/{token}.parquet")
    return Stretch(first.chute, files, file, rows, first.begins, owned)


def _merged(group: Sequence[Part], find: Find, written: Path) -> tuple[int, dict[str, int]]:
    """Write the readings of a group as one sequence; its rows, and the lines each export owns."""
    zones = [part.reading.zone for part in group]
    files = [pa.concat_tables(groups(find(part.reading.file))) for part in group]
    sources = [part.source for part in group]
    order, merged, time, marks = sequence([to_reading(file) for file in files], sources, zones)
    sources, files = [sources[i] for i in order], [files[i] for i in order]
    with EventFile(written) as file:
        file.write(_to_file(merged.table, files[0], sources, time, marks))
    heads = [file["head"].to_numpy() for file in files]
    pairs = zip(sources, merged.owned, heads, strict=True)
    owned = {source: int(np.count_nonzero(own & head)) for source, own, head in pairs}
    return merged.table.num_rows, owned


def sequence(
    readings: Sequence[pa.Table], names: Sequence[str], zones: Sequence[str]
) -> tuple[list[int], Merged, Ints, npt.NDArray[np.int8]]:
    """The exports of one chute as one sequence with its clock put right.

    Args:
        readings: READING, one an export, in file order.
        names: Their sources.
        zones: Of their stamps, one an export.

    Returns:
        The order in which the exports begin; in that order the merged rows, their time (µs UTC)
        and the codes of its marks.
    """
    timed = [_timed(one, zone) for one, zone in zip(settle(readings), zones, strict=True)]
    counted = not any(one["order"].null_count for one in timed)
    ends = [beginning(one, name, counted) for one, name in zip(timed, names, strict=True)]
    order = in_order(ends)
    merged = merge([timed[i] for i in order])
    return order, merged, *_clocked(merged.table, [zones[i] for i in order])


def _timed(reading: pa.Table, zone: str) -> pa.Table:
    """A reading with `time` and `anchored`: its clock put right as far as it can by itself."""
    time, marks = _clocked(reading, [zone])
    anchored = pa.array(marks != UNANCHORED)
    return reading.append_column("time", pa.array(time)).append_column("anchored", anchored)


def _clocked(reading: pa.Table, zones: Sequence[str]) -> tuple[Ints, npt.NDArray[np.int8]]:
    """Time and marks of a sequence; `zones` of its exports, as its column `export` counts them."""
    scan = clock.ClockScan(zones[0])
    if len(set(zones)) == 1:
        scan.add(reading)
    else:
        export = reading["export"].to_numpy()
        starts = [0, *(np.flatnonzero(np.diff(export)) + 1), len(export)]
        for first, last in pairwise(starts):
            scan.add(reading.slice(first, last - first), zones[export[first]])
    return clock.apply(reading, scan.corrections(), 0, clock.RunState())


def _to_file(
    merged: pa.Table,
    like: pa.Table,
    sources: Sequence[str],
    time: Ints,
    marks: npt.NDArray[np.int8],
) -> pa.Table:
    rows = merged.num_rows
    source = pa.DictionaryArray.from_arrays(merged["export"].combine_chunks(), list(sources))
    wall = pc.if_else(merged["uptime"].is_null(), merged["written"], None)
    columns = {
        **{name: merged[name] for name in merged.column_names},
        "site": constant(like["site"][0].as_py(), rows),
        "source": source,
        "device_time": wall.cast(WALL),
        "time": pa.array(time).cast(UTC),
        "clock": mark_array(marks),
    }
    return pa.table([columns[name] for name in FILE.names], schema=FILE)
