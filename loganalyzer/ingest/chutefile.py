"""Events of one chute from one export → its file, the zone applied and the clock put right."""

from collections import Counter
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer import clock
from loganalyzer.clock.marks import SAMPLED, UNANCHORED, mark_array, mark_codes
from loganalyzer.clock.zones import ZoneClock
from loganalyzer.ingest.account import Account
from loganalyzer.profile import Profile, TimeRule
from loganalyzer.site import Site
from loganalyzer.stamps import Stamps, is_uptime
from loganalyzer.store.manifest import Reading
from loganalyzer.store.parquet import FILE, EventFile, constant, groups, to_reading, with_clock
from loganalyzer.tables import CLOCK_MARKS, UTC, WALL
from loganalyzer.timeline.beginnings import begins, edges

Ints = npt.NDArray[np.int64]
EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001  # a wall clock has no zone
# 2001-01-01 to 2080-01-01, µs: dates outside are a controller's, not a person's.
PLAUSIBLE = (978_307_200_000_000, 3_471_292_800_000_000)
AS_WRITTEN = clock.Corrections()
SHARED = ("floor", "signal", "edge", "stream", "code", "value", "line", "order", "head")


class ChuteFile:
    """Writes the events of one chute, block by block, in file order."""

    def __init__(self, path: Path, site: Site, chute: str, source: str, profile: Profile) -> None:
        rule = profile.time
        self.zone = site.time_zone if rule.zone == "site" else rule.zone
        self.rows = self.lines = 0
        self._path, self._site, self._chute, self._source = path, site.id, chute, source
        self._uptime = is_uptime(rule.format)
        self._sampled = profile.layout == "samples"
        self._zone_clock, self._scan = ZoneClock(self.zone), clock.ClockScan(self.zone)
        self._spans, self._state = _Spans(), clock.RunState()
        self._facts = self._touched = False
        self._lists_floors = bool(site.chute(chute).floors)
        self._floored = self._implausible = 0
        self._marks: Counter[int] = Counter()
        self._file = EventFile(path)

    def write(self, events: pa.Table) -> None:
        """Add the next events: `EVENTS`, `written`, `offset`, `head`."""
        block = self._block(events)
        reading = to_reading(block)
        self._scan.add(reading)
        time, codes = clock.apply(reading, AS_WRITTEN, self.rows, self._state)
        self._touched = self._touched or bool((codes != mark_codes(reading["mark"])).any())
        self._spans.add(reading, time, codes != UNANCHORED)
        self._facts = self._facts or _has_facts(reading)
        if not self._uptime:
            utc = reading["utc"].to_numpy()
            if int(utc.min()) < PLAUSIBLE[0] or int(utc.max()) >= PLAUSIBLE[1]:
                outside = (utc < PLAUSIBLE[0]) | (utc >= PLAUSIBLE[1])
                self._implausible += int(np.count_nonzero(outside))
        self.rows += block.num_rows
        self._floored += block.num_rows - block["floor"].null_count
        self.lines += int(np.count_nonzero(events["head"].to_numpy()))
        self._file.write(block)

    def finish(self, account: Account) -> Reading:
        """Put the clock right and add to the account; the files stand where they were written."""
        corrections = self._scan.corrections()
        solo = self._path
        if corrections or self._uptime or self._touched:
            self._spans = _Spans()
            solo = self._path.with_suffix(".solo.parquet")
            self._correct(corrections, solo)
        account.rows += self.rows
        account.floored += self._floored if self._lists_floors else 0
        account.implausible += self._implausible
        account.marks.update({CLOCK_MARKS[code]: n for code, n in self._marks.items() if n})
        return Reading(
            chute=self._chute, file=str(self._path), solo=str(solo), zone=self.zone,
            rows=self.rows, lines=self.lines, **self._spans.known(),
            open_head=self._scan.open_head, open_tail=self._scan.open_tail, facts=self._facts,
        )  # fmt: skip

    def __enter__(self) -> Self:
        self._file.__enter__()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.__exit__(kind, error, trace)

    def _block(self, events: pa.Table) -> pa.Table:
        rows, written = events.num_rows, events["written"].to_numpy()
        nothing = pa.nulls(rows, pa.int64())
        columns = {
            **{name: events[name] for name in SHARED},
            "site": constant(self._site, rows),
            "chute": constant(self._chute, rows),
            "source": constant(self._source, rows),
            "uptime": events["written"] if self._uptime else nothing,
            "anchor": self._anchors(events) if self._uptime else nothing,
        }
        if self._uptime:
            codes = np.full(rows, len(CLOCK_MARKS) - 1, np.int8)
            columns |= {"time": pa.nulls(rows, UTC), "device_time": pa.nulls(rows, WALL)}
        else:
            utc, codes = self._to_utc(events, written)
            columns |= {
                "time": pa.array(utc).cast(UTC),
                "device_time": events["written"].cast(WALL),
            }
        codes = np.minimum(codes, SAMPLED) if self._sampled else codes
        self._tally(codes, 1)
        columns["clock"] = mark_array(codes)
        return pa.table([columns[name] for name in FILE.names], schema=FILE)

    def _to_utc(self, events: pa.Table, written: Ints) -> tuple[Ints, npt.NDArray[np.int8]]:
        offset = events["offset"]
        given = None if offset.null_count == len(offset) else offset.to_numpy()
        return self._zone_clock.to_utc(written, given, clock.clock_sets(events))

    def _anchors(self, events: pa.Table) -> pa.Array:
        """The wall-clock stamps in the event texts, in µs UTC; null where there are none."""
        now = events["now"].combine_chunks()
        stated = pc.unique(now.drop_null())
        rule = TimeRule(format="iso", zone=self.zone if self.zone != "offset" else "utc")
        parsed = Stamps(rule, EPOCH, None).parse(stated)
        utc, _ = ZoneClock(rule.zone).to_utc(parsed.written, parsed.offset_us, None)
        known = pa.array(utc, mask=~parsed.ok)
        return known.take(pc.index_in(now, stated))

    def _correct(self, corrections: clock.Corrections, solo: Path) -> None:
        """Write the file once more, a row group at a time, with the clock put right."""
        state, row = clock.RunState(), 0
        with EventFile(solo) as file:
            for group in groups(self._path):
                reading = to_reading(group)
                time, codes = clock.apply(reading, corrections, row, state)
                self._tally(mark_codes(group["clock"]), -1)
                self._tally(codes, 1)
                self._spans.add(reading, time, codes != UNANCHORED)
                file.write(with_clock(group, time, codes))
                row += group.num_rows

    def _tally(self, codes: npt.NDArray[np.int8], sign: int) -> None:
        counts = np.bincount(codes, minlength=len(CLOCK_MARKS))
        for code in np.flatnonzero(counts).tolist():
            self._marks[code] += sign * int(counts[code])


class _Spans:
    """First, last, earliest and latest of the times that can be trusted, µs UTC."""

    def __init__(self) -> None:
        self._trusted: list[int] = []
        self._any: list[int] = []
        self._place = 0
        self._starts: tuple[bool, int, bool] | None = None
        self._stops = (0, False, False)

    def add(self, reading: pa.Table, times: Ints, anchored: npt.NDArray[np.bool_]) -> None:
        """Take the next rows and their times."""
        if not self._trusted and (not self._any or anchored.any()):
            at = int(np.argmax(anchored))
            row = reading.slice(at, 1).append_column("time", pa.array(times[at : at + 1]))
            self._place = int(begins(row)[0])
        starts, stops, powered, lost = edges(reading)
        self._starts = self._starts or (bool(anchored[0]), starts, powered)
        self._stops = (stops, not anchored[-1], lost)
        self._trusted = _joined(self._trusted, times[anchored])
        self._any = _joined(self._any, times)

    def known(self) -> dict[str, Any]:
        """Fields of `manifest.Reading`, from `first` to `lost`."""
        first, last, low, high = self._trusted or self._any
        sound, starts, powered = self._starts or (False, 0, False)
        stops, adrift, lost = self._stops
        return {
            "first": first if self._trusted else None, "last": last if self._trusted else None,
            "place": self._place, "begins": low, "ends": high,
            "sound": sound, "starts": starts, "powered": powered,
            "stops": stops, "adrift": bool(adrift), "lost": lost,
        }  # fmt: skip


def _joined(before: list[int], times: Ints) -> list[int]:
    if not len(times):
        return before
    first, last, low, high = (int(v) for v in (times[0], times[-1], times.min(), times.max()))
    return [before[0], last, min(before[2], low), max(before[3], high)] if before else [
        first, last, low, high
    ]  # fmt: skip


def _has_facts(reading: pa.Table) -> bool:
    """Whether the clock was set, or power came or went; a power-off alone does no harm here."""
    signals = reading["signal"].unify_dictionaries().combine_chunks()
    words = signals.dictionary.to_pylist()
    used = set(pc.unique(signals.indices).to_pylist())
    told = {word for place, word in enumerate(words) if place in used}
    return bool(told & {"clock", "power"}) or reading["anchor"].null_count < reading.num_rows
