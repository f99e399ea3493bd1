"""One export, read: the events of each chute in a file, rejects in another, no line lost."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.events import Translated, Translator
from loganalyzer.ingest.account import Account
from loganalyzer.ingest.chutefile import ChuteFile
from loganalyzer.ingest.threads import Behind, ahead
from loganalyzer.profile import Profile
from loganalyzer.readers import READERS
from loganalyzer.readers.records import REJECTS, Batch, rejects_table
from loganalyzer.site import Site
from loganalyzer.stamps import Stamps, YearFinder, needs_year
from loganalyzer.store.manifest import Ranges, Reading
from loganalyzer.store.parquet import EventFile
from loganalyzer.tables import TABLES

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class How:
    """How an export is read: its profile, its site, its chute where lines do not name one.

    `received` (UTC) bounds the year of stamps that hold none. Lines in `removed` are too old to
    be kept: they count as ignored.
    """

    profile: Profile
    site: Site
    chute: str | None
    received: datetime
    removed: Ranges = ()


@dataclass(frozen=True)
class Read:
    """An export that was read: its account, a file of rejects if any, and what each chute has."""

    account: Account
    rejects: Path | None
    chutes: tuple[Reading, ...]


def read(
    stream: BinaryIO,
    name: str,
    source: str,
    how: How,
    year: int | None,
    folder: Path,
    told_rows: Callable[[int], None] | None = None,
) -> Read:
    """Read an export into files.

    Args:
        stream: Its bytes, unpacked.
        name: For messages.
        source: Its SHA-256.
        how: Profile, site, chute.
        year: Of its first stamp, from `first_year`, where stamps hold none.
        folder: Where the files are written.
        told_rows: Called with the number of events found, block by block.

    Raises:
        InputError: It cannot be read at all.
    """
    account = Account()
    translator = Translator(how.profile, how.site, how.chute)
    stamps = Stamps(how.profile.time, how.received, year)
    chutes: dict[str, ChuteFile] = {}
    rejects = folder / "rejects.parquet"
    with ExitStack() as files, Behind() as behind:  # what is behind ends before its files close
        refused = files.enter_context(EventFile(rejects, TABLES["rejects"]))
        last_line = -1
        for batch in ahead(READERS[how.profile.layout](stream, how.profile, name)):
            told = translator.translate(batch)
            events, bad, by_dateutil = _stamped(told.events, batch, stamps)
            wrong = _sorted_rejects(batch, told, bad)
            if how.removed:
                events, wrong, left_out = _without(events, wrong, how.removed)
                account.ignored += left_out
            heads = _heads(events, last_line)
            last_line = int(events["line"][-1].as_py()) if events.num_rows else last_line
            _count(account, batch, told, wrong, heads, by_dateutil)
            _count_turns(account, events["written"])
            refused.write(_with_source(wrong, source))
            for chute, rows in _by_chute(events.append_column("head", pa.array(heads))):
                if chute not in chutes:
                    path = folder / f"events-{len(chutes)}.parquet"
                    file = ChuteFile(path, how.site, chute, source, how.profile)
                    chutes[chute] = files.enter_context(file)
                behind.call(chutes[chute].write, rows)
            if told_rows is not None:
                told_rows(events.num_rows)
    account.unknown_events = translator.unknown_events
    account.unknown_floors = translator.unknown_floors
    account.unknown_streams = translator.unknown_streams
    account.dropped = translator.dropped
    account.check(name)
    kept = tuple(chute.finish(account) for chute in chutes.values())
    return Read(account, rejects if account.rejected else None, kept)


def first_year(stream: BinaryIO, name: str, how: How) -> int | None:
    """The year of an export's first stamp, where its stamps hold none; else null."""
    if not needs_year(how.profile.time.format):
        return None
    finder = YearFinder(how.profile.time)
    translator = Translator(how.profile, how.site, how.chute)
    for batch in ahead(READERS[how.profile.layout](stream, how.profile, name)):
        finder.add(translator.translate(batch).events["stamp"])
    return finder.first_year(how.received)


def _stamped(events: pa.Table, batch: Batch, stamps: Stamps) -> tuple[pa.Table, pa.Table, int]:
    """Events with the time they were written at; rejects of those whose stamp says none."""
    parsed = stamps.parse(events["stamp"])
    offset = pa.nulls(len(parsed.ok), pa.int64())
    if parsed.offset_us is not None:
        offset = pa.array(parsed.offset_us)
    timed = events.append_column("written", pa.array(parsed.written))
    timed = timed.append_column("offset", offset)
    if parsed.ok.all():
        return timed, REJECTS.empty_table(), parsed.by_dateutil
    lines = pc.unique(events["line"].filter(pa.array(~parsed.ok)))
    texts = batch.raw(lines).to_pylist()
    bad = rejects_table(lines.to_pylist(), ["unreadable time"] * len(lines), texts)
    return timed.filter(pa.array(parsed.ok)), bad, parsed.by_dateutil


def _without(
    events: pa.Table, rejects: pa.Table, removed: Ranges
) -> tuple[pa.Table, pa.Table, int]:
    """Events and rejects that stand on no removed line, and how many lines were left out."""
    old = [within(table["line"].to_numpy(), removed) for table in (events, rejects)]
    lines = np.concatenate([events["line"].to_numpy()[old[0]], rejects["line"].to_numpy()[old[1]]])
    kept = [table.filter(pa.array(~out)) for table, out in zip((events, rejects), old, strict=True)]
    return kept[0], kept[1], len(np.unique(lines))


def within(lines: npt.NDArray[np.int64], ranges: Ranges) -> Flags:
    """Which line numbers lie in the ranges."""
    bounds = np.asarray(ranges, np.int64).reshape(-1, 2)
    at = np.searchsorted(bounds[:, 0], lines, side="right") - 1
    return np.asarray((at >= 0) & (lines <= bounds[at, 1]), np.bool_)


def _heads(events: pa.Table, last_line: int) -> Flags:
    """Which events are the first of their line."""
    return np.asarray(np.diff(events["line"].to_numpy(), prepend=last_line) != 0, np.bool_)


def _sorted_rejects(batch: Batch, told: Translated, bad: pa.Table) -> pa.Table:
    parts = [part for part in (batch.rejects, told.rejects, bad) if part.num_rows]
    return pa.concat_tables(parts).sort_by("line") if parts else REJECTS.empty_table()


def _count(
    account: Account,
    batch: Batch,
    told: Translated,
    wrong: pa.Table,
    heads: Flags,
    by_dateutil: int,
) -> None:
    account.lines += batch.lines
    account.ignored += batch.ignored + told.ignored
    account.rejected += wrong.num_rows
    account.events += int(np.count_nonzero(heads))
    account.by_dateutil += by_dateutil
    if wrong.num_rows:
        account.reasons.update(reason.split(":")[0] for reason in wrong["reason"].to_pylist())


def _count_turns(account: Account, written: pa.ChunkedArray) -> None:
    steps = np.diff(written.to_numpy())
    account.rises += int(np.count_nonzero(steps > 0))
    account.falls += int(np.count_nonzero(steps < 0))


def _with_source(rejects: pa.Table, source: str) -> pa.Table:
    sources = pa.repeat(pa.scalar(source), rejects.num_rows)
    return rejects.add_column(0, "source", sources).cast(TABLES["rejects"])


def _by_chute(events: pa.Table) -> Iterator[tuple[str, pa.Table]]:
    """Events of each chute, in file order."""
    chutes = pc.unique(events["chute"]).drop_null().to_pylist()
    for chute in chutes:
        one = len(chutes) == 1
        yield chute, events if one else events.filter(pc.equal(events["chute"], chute))
