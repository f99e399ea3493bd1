"""An export that reaches back beyond what is kept: which of its lines go, and its bytes without.

A line is as old as the events on it: the latest of them, by the clock put right; where nothing
anchors an event, as old as the anchored one before it, else the one after it. Lines that bring no
event go with the event line before them. Removed lines are left blank in the kept original, so
that every other line keeps its number.
"""

import codecs
import io
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.clock.marks import UNANCHORED, mark_codes
from loganalyzer.profile import Profile
from loganalyzer.readers.encoding import MARKS
from loganalyzer.store.manifest import Ranges, Reading
from loganalyzer.store.parquet import read_as
from loganalyzer.tables import CLOCK_MARKS, TABLES, UTC

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
PIECE = 1 << 20
AGES = pa.schema(
    [("line", pa.int64()), ("time", UTC), ("clock", TABLES["timeline"].field("clock").type)]
)
NOTHING = np.zeros((2, 0), np.int64)


def old_lines(
    readings: Sequence[Reading],
    rejects: str | None,
    folder: Path,
    lines: int,
    kept_from: int,
    placed: Ints = NOTHING,
) -> tuple[Ranges, bool]:
    """The lines of an export that are older than what is kept.

    Args:
        readings: Of the export.
        rejects: File of its rejects, null where there are none.
        folder: Where these files are.
        lines: How many lines it has.
        kept_from: µs UTC.
        placed: Lines and times (µs UTC) of its events as the timeline has them, shape (2, n),
            which other exports may have put right; those not in it are as this export alone
            tells.

    Returns:
        The lines, and whether no event would be left. Nothing anchored counts as not old.
    """
    numbers, old = _event_lines([_ages(folder / r.solo, placed) for r in readings], kept_from)
    if not old.any():
        return (), False
    behind = np.append(numbers[1:], lines + 1) - 1
    spans = np.column_stack([numbers, behind])[old]
    if old[0] and rejects is not None:
        wrong = read_as(folder / rejects, TABLES["rejects"])["line"].to_numpy()
        ahead = np.unique(wrong[wrong < numbers[0]])
        spans = np.concatenate([np.column_stack([ahead, ahead]), spans])
    return joined(spans.tolist()), bool(old.all())


def _ages(file: Path, placed: Ints) -> tuple[Ints, Ints]:
    """The line of each event of a reading and its time, µs UTC; the largest where none is known."""
    table = read_as(file, AGES)
    line, time = table["line"].to_numpy(), table["time"].cast(pa.int64()).to_numpy().copy()
    known = mark_codes(table["clock"]) != UNANCHORED
    if placed.shape[1]:
        at = np.searchsorted(placed[0], line).clip(max=placed.shape[1] - 1)
        hit = placed[0][at] == line
        time[hit], known = placed[1][at][hit], known | hit
    if not known.any():
        return line, np.full(len(line), np.iinfo(np.int64).max)
    place = np.maximum.accumulate(np.where(known, np.arange(len(line)), -1))
    place[place < 0] = np.argmax(known)
    return line, time[place]


def _event_lines(parts: Sequence[tuple[Ints, Ints]], kept_from: int) -> tuple[Ints, Flags]:
    """Each line that brings events, in order, and whether all of them are old."""
    line = np.concatenate([np.zeros(0, np.int64), *(part[0] for part in parts)])
    time = np.concatenate([np.zeros(0, np.int64), *(part[1] for part in parts)])
    order = np.lexsort((time, line))
    last = np.append(np.diff(line[order]) > 0, True)[: len(line)]
    return line[order][last], time[order][last] < kept_from


def joined(spans: Iterable[Sequence[int]]) -> Ranges:
    """Spans of lines as ranges that neither touch nor overlap, rising."""
    found: list[tuple[int, int]] = []
    for first, last in sorted(map(tuple, spans)):
        if found and first <= found[-1][1] + 1:
            first, last = found[-1][0], max(last, found.pop()[1])
        found.append((first, last))
    return tuple(found)


def timeline_ages(stretches: Sequence[Path], source: str) -> Ints:
    """The anchored events of one export in stretches: line and time, sorted by line."""
    schema = AGES.append(TABLES["timeline"].field("source"))
    parts = [NOTHING]
    for path in stretches:
        table = read_as(path, schema)
        sound = pc.not_equal(table["clock"].cast(pa.string()), CLOCK_MARKS[UNANCHORED])
        mine = table.filter(pc.and_(pc.equal(table["source"].cast(pa.string()), source), sound))
        time = mine["time"].cast(pa.int64()).to_numpy()
        parts.append(np.stack([mine["line"].to_numpy(), time]))
    both = np.concatenate(parts, axis=1)
    return both[:, np.lexsort((both[1], both[0]))]


def can_be_blanked(profile: Profile, head: bytes) -> bool:
    """Whether single lines can be left blank: no workbook, no encoding of more than a byte."""
    mark = next((codec for bom, codec in MARKS if head.startswith(bom)), None)
    codec = codecs.lookup(mark or profile.encoding or "utf-8").name
    return profile.layout != "sheet" and "\n".encode(codec) == b"\n"


def blanked(stream: BinaryIO, removed: Ranges) -> Iterator[bytes]:
    """An export's bytes with some lines left blank, in pieces."""
    text = io.TextIOWrapper(stream, "latin-1", newline="")  # a character a byte, ends kept
    spans = iter(removed)
    first, last = next(spans)
    number, ended = 1, ""
    while piece := text.readline(PIECE):
        if ended and not (ended == "\r" and piece == "\n"):  # else the second half of an end
            number += 1
            while number > last and (first, last) != (0, 0):
                first, last = next(spans, (0, 0))
        ended = piece[-1] if piece[-1] in "\r\n" else ""
        if first <= number <= last:
            piece = piece[len(piece.rstrip("\r\n")) :]
        yield piece.encode("latin-1")
