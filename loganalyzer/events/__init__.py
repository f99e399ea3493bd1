"""Records → events: what each line means by the profile, in the site's words."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loganalyzer.events.labels import (
    NOTHING,
    Codes,
    Naming,
    coded,
    floor_naming,
    joined,
    listed_naming,
    numbers,
    plain,
    texts,
    whole_numbers,
)
from loganalyzer.events.meanings import (
    BY_VALUE,
    FLOOR_MISSING,
    IGNORED,
    KEPT,
    STATES,
    UNKNOWN_CHUTE,
    UNKNOWN_EVENT,
    UNREADABLE_VALUE,
    Meanings,
    Namings,
)
from loganalyzer.profile import Profile
from loganalyzer.readers.records import REJECTS, Batch
from loganalyzer.site import Site
from loganalyzer.tables import EDGES, NEEDS_FLOOR, SIGNALS, TEXT

# `stamp`: the time columns joined by one space; `now`: a wall-clock stamp that anchors the clock;
# `order`: a counter that only grows. Null where not written.
EVENTS = pa.schema([
    ("chute", TEXT), ("floor", TEXT), ("signal", TEXT), ("edge", TEXT), ("stream", TEXT),
    ("code", TEXT), ("value", pa.float64()), ("line", pa.int64()), ("stamp", pa.string()),
    ("now", pa.string()), ("order", pa.int64()),
])  # fmt: skip
# Texts and labels remembered, and counted as unknown, before memory is freed.
REMEMBERED = 200_000
COUNTED = 10_000
OTHERS = "(others)"
NEEDY = np.array([signal in NEEDS_FLOOR for signal in SIGNALS])
VALUED = np.array([signal in BY_VALUE for signal in SIGNALS])
REFUSAL = SIGNALS.index("refusal")


@dataclass(frozen=True)
class Translated:
    """A batch's events.

    Attributes:
        events: `EVENTS`, in file order.
        rejects: `REJECTS`: records that make no event, and why.
        ignored: How many records the profile ignores.
    """

    events: pa.Table
    rejects: pa.Table
    ignored: int


@dataclass
class _Rows:
    """Columns of one batch on their way, all equally long."""

    state: NDArray[np.int8]
    signal: Codes
    edge: Codes
    floor: Codes
    stream: Codes
    code: Codes
    chute: Codes
    value: NDArray[np.float64]
    now: pa.Array

    def only(self, kept: NDArray[np.bool_]) -> "_Rows":
        """The rows that are kept."""
        (places,) = np.nonzero(kept)
        arrow = pa.array(places)
        return _Rows(**{
            name: column.take(arrow if isinstance(column, pa.Array) else places)
            for name, column in vars(self).items()
        })  # fmt: skip


class Translator:
    """Translates the batches of one export, in file order.

    A press without a stream is kept, as is any event without one: there are controllers that do
    not tell. Floors and streams that the site file does not list are kept and counted.

    Attributes:
        unknown_floors: Events by floor label, where the chute lists floors but not this one.
        unknown_streams: The same for streams.
        unknown_events: Records by event text, where no entry of the profile matches.
        dropped: Events by reason that were left out of scans of which other events were kept
            (layout `samples` only: a line with an event is no reject).
    """

    def __init__(self, profile: Profile, site: Site, chute: str | None) -> None:
        """Take what gives the events their meaning.

        Args:
            profile: How the export is written.
            site: Which chutes, floors and streams there are.
            chute: The chute of records that do not name one; null: the site's only chute.

        Raises:
            SiteError: The site has no such chute.
        """
        self.unknown_floors: Counter[str] = Counter()
        self.unknown_streams: Counter[str] = Counter()
        self.unknown_events: Counter[str] = Counter()
        self.dropped: Counter[str] = Counter()
        self._profile = profile
        self._chutes = tuple(each.id for each in site.chutes)
        self._floors = [{floor.label for floor in each.floors} for each in site.chutes]
        self._streams = [{stream.id for stream in each.streams} for each in site.chutes]
        self._refusals = {written.strip(): word for written, word in profile.refusals.items()}
        carried = ("line", *profile.columns.time, profile.columns.order)
        self._carried = [name for name in dict.fromkeys(carried) if name is not None]
        only = self._chutes[0] if len(self._chutes) == 1 else None
        self._default = site.chute(chute).id if chute is not None else only
        self._forget()

    def translate(self, batch: Batch) -> Translated:
        """The events of a batch, and every record of it accounted for."""
        if max(len(self._meanings), *map(len, self._names)) > REMEMBERED:
            self._forget()
        records = batch.records
        sampled = self._profile.layout == "samples"
        rows = self._sampled(records) if sampled else self._told(records)
        self._judge(rows)
        rejects = self._rejects(batch, rows.state)
        ignored = int(np.count_nonzero(rows.state == IGNORED))
        kept = rows.state == KEPT
        if not kept.all():
            rows, records = rows.only(kept), records.select(self._carried).filter(pa.array(kept))
        self._count(rows)
        return Translated(self._table(records, rows), rejects, ignored)

    def _forget(self) -> None:
        """Start the lists of labels and texts anew."""
        profile = self._profile
        self._names = Namings(
            floor_naming(profile.floors),
            listed_naming(profile.streams),
            listed_naming({}),
            listed_naming(profile.chutes, self._chutes),
        )
        self._meanings = Meanings(profile, self._names)
        self._refused: list[int] = []

    def _told(self, records: pa.Table) -> _Rows:
        """Records whose text tells the event."""
        columns, count = self._profile.columns, records.num_rows
        codes, words = texts([records[name] for name in columns.event], count)
        number = self._meanings.of(words)
        told = self._meanings.columns()
        own = {field: column[number] for field, column in told.items()}
        state = own["state"].astype(np.int8).take(codes)
        if (own["state"] == UNKNOWN_EVENT).any():
            self._count_texts(codes[state == UNKNOWN_EVENT], words)
        labels = {
            kind: self._label(kind, records, getattr(columns, kind), own[kind], codes)
            for kind in Namings._fields
        }
        signal = own["signal"].take(codes)
        value, wrong = self._values(records, columns.value)
        if not np.isnan(own["value"]).all():
            by_text = own["value"].take(codes)
            wrong &= np.isnan(by_text)
            value = np.where(np.isnan(by_text), value, by_text)
        if wrong.any():
            state[wrong & VALUED[signal] & (state == KEPT)] = UNREADABLE_VALUE
        now = self._meanings.now(number, codes)
        return _Rows(state, signal, own["edge"].take(codes), **labels, value=value, now=now)

    def _sampled(self, records: pa.Table) -> _Rows:
        """Records that are events already; the profile's columns fill in what they lack."""
        columns, count = self._profile.columns, records.num_rows
        nothing, first = np.array([NOTHING], np.int32), np.zeros(count, np.intp)
        labels = {}
        for kind in Namings._fields:
            own = self._label(kind, records, kind, nothing, first)
            other = self._label(kind, records, getattr(columns, kind), nothing, first)
            labels[kind] = np.where(own == NOTHING, other, own)
        signal = Naming(str, SIGNALS).column(records["signal"])
        edge = Naming(str, EDGES).column(records["edge"])
        value, wrong = self._values(records, "value")
        state = np.where(wrong & VALUED[signal], UNREADABLE_VALUE, KEPT).astype(np.int8)
        now = pa.nulls(count, pa.string())
        return _Rows(state, signal, edge, **labels, value=value, now=now)

    def _label(
        self, kind: str, records: pa.Table, name: str | None, own: Codes,
        codes: NDArray[np.intp],
    ) -> Codes:  # fmt: skip
        """Labels of one kind: what the text says (`own`), else what the column says."""
        by_text = own.take(codes) if (own != NOTHING).any() else None
        if name not in records.column_names:
            return np.full(records.num_rows, NOTHING, np.int32) if by_text is None else by_text
        naming: Naming = getattr(self._names, kind)
        column = naming.column(records[name])
        return column if by_text is None else np.where(by_text == NOTHING, column, by_text)

    def _values(
        self, records: pa.Table, name: str | None
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """A column's numbers, and which of its values are none."""
        value = np.full(records.num_rows, np.nan)
        wrong = np.zeros(records.num_rows, np.bool_)
        if name in records.column_names:
            decimal = self._profile.delimited.decimal if self._profile.delimited else "."
            column = records[name]
            (filled,) = np.nonzero(column.is_valid().to_numpy())  # few events have a value
            codes, labels = coded(column.drop_null())
            number, strange = numbers(pa.array([*labels, None], pa.string()), decimal)
            value[filled], wrong[filled] = number.take(codes), strange.take(codes)
        return value, wrong

    def _judge(self, rows: _Rows) -> None:
        """Fill in the only chute and the refusals' own words; find what cannot be kept."""
        if self._default is not None:
            rows.chute[rows.chute == NOTHING] = self._names.chute.code(self._default)
        self._say_refusals(rows)
        strange = (rows.chute == NOTHING) | (rows.chute >= len(self._chutes))
        if strange.any():
            rows.state[strange & (rows.state == KEPT)] = UNKNOWN_CHUTE
        lacking = rows.floor == NOTHING
        if lacking.any():
            rows.state[lacking & NEEDY[rows.signal] & (rows.state == KEPT)] = FLOOR_MISSING

    def _say_refusals(self, rows: _Rows) -> None:
        """Turn the codes of refusals into the words that the profile gives them."""
        if not self._profile.refusals:
            return
        naming = self._names.code
        for word in naming.words[len(self._refused) :]:
            self._refused.append(naming.code(self._refusals.get(word, word)))
        table = np.array([*self._refused, NOTHING], np.int32)
        (refusals,) = np.nonzero(rows.signal == REFUSAL)
        rows.code[refusals] = table.take(rows.code[refusals])

    def _count_texts(self, codes: NDArray[np.intp], words: Sequence[str]) -> None:
        times = np.bincount(codes, minlength=len(words))
        for place in np.flatnonzero(times).tolist():
            _add(self.unknown_events, words[place], int(times[place]))

    def _count(self, rows: _Rows) -> None:
        """Count the events at floors and of streams that their chute does not list."""
        kinds = (
            (self.unknown_floors, rows.floor, self._names.floor, self._floors),
            (self.unknown_streams, rows.stream, self._names.stream, self._streams),
        )
        for counter, codes, naming, listed in kinds:
            unknown = np.array([
                [bool(labels) and word not in labels for word in (*naming.words, None)]
                for labels in listed
            ])  # fmt: skip
            unknown[:, NOTHING] = False
            if unknown.any():
                wide = unknown.shape[1]
                times = np.bincount(rows.chute * wide + codes % wide, minlength=unknown.size)
                for place in np.flatnonzero(times * unknown.ravel()).tolist():
                    _add(counter, naming.words[place % wide], int(times[place]))

    def _table(self, records: pa.Table, rows: _Rows) -> pa.Table:
        names, columns = self._names, self._profile.columns
        missing = np.isnan(rows.value)
        order = pa.nulls(len(missing), pa.int64())
        if columns.order in records.column_names:
            order = whole_numbers(plain(records[columns.order]))
        return pa.table([
            names.chute.array(rows.chute), names.floor.array(rows.floor),
            Naming(str, SIGNALS).array(rows.signal), Naming(str, EDGES).array(rows.edge),
            names.stream.array(rows.stream), names.code.array(rows.code),
            pa.array(rows.value, mask=missing), plain(records["line"]),
            joined([plain(records[name]) for name in columns.time]), rows.now, order,
        ], schema=EVENTS)  # fmt: skip

    def _rejects(self, batch: Batch, state: NDArray[np.int8]) -> pa.Table:
        """The records that make no event; of a scan, only where none of its events is kept."""
        (bad,) = np.nonzero(state > IGNORED)
        line = plain(batch.records["line"])
        if self._profile.layout == "samples" and len(bad):
            lines = line.to_numpy()
            besides = np.isin(lines[bad], lines[state == KEPT])
            self.dropped.update(STATES[each] for each in state[bad[besides]])
            bad = bad[~besides]
            bad = bad[np.unique(lines[bad], return_index=True)[1]]
        line = line.take(pa.array(bad))
        reason = pa.array(STATES).take(pa.array(state[bad]))
        text = batch.raw(line) if len(bad) else pa.array([], pa.string())
        return pa.table([line, reason, text], schema=REJECTS)


def _add(counter: Counter[str], label: str, times: int) -> None:
    """Count, under `OTHERS` once there are too many labels to tell apart."""
    counter[label if label in counter or len(counter) < COUNTED else OTHERS] += times
