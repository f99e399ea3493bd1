"""Layout `samples`: one row a scan, one column an input; the edges between scans are the events.

How it is decided:

- The first value of an input sets its state and brings no event; so the first row brings none.
- An empty cell is no change. A row in which nothing changed counts as ignored.
- A value in `on` is on, any other is off, to the letter. `edge = "mark"`: a mark where it goes on.
- `number`: a mark whenever the number changes ("4.0" after "4" is no change), with its text.
- The first entry that matches a column wins. Events of one row stand in the order of the columns.
- Where the profile names a chute column, every chute has states of its own.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.errors import InputError
from loganalyzer.patterns import Pattern
from loganalyzer.profile import Columns, Profile, SampleEntry
from loganalyzer.readers.blocks import BLOCK_BYTES
from loganalyzer.readers.columns import CODED, used_columns
from loganalyzer.readers.records import Batch
from loganalyzer.readers.rows import read_rows

EDGES = ("off", "on", "mark")
LABELS = ("floor", "stream", "code", "chute")
# What is known of an input: on or off, a number, a text that is none; null before the first value.
Key = bool | tuple[str, float | str] | None
# (chute label as written or null, input) → its last state.
States = dict[tuple[str | None, str], Key]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Input:
    """A column, what its edges mean, and the labels (`LABELS`) of its events."""

    column: str
    entry: SampleEntry
    labels: Mapping[str, str | None]


@dataclass(frozen=True)
class Edges:
    """Events of one batch: arrays with one value an event, all equally long.

    Attributes:
        rows: Row of the batch.
        inputs: Place of the input in the list of inputs.
        edges: Place in `EDGES`.
        values: The number's text, null unless the input is a number.
    """

    rows: Ints
    inputs: Ints
    edges: Ints
    values: pa.Array


def read(
    stream: BinaryIO, profile: Profile, name: str, *, size: int = BLOCK_BYTES
) -> Iterator[Batch]:
    """Read an export of scans; its records are events already.

    Args:
        stream: The export's bytes, unpacked.
        profile: With `delimited` and `samples`; of `columns` all but event and value are used.
        name: The export's name, for messages.
        size: Bytes a block. No result depends on it.

    Yields:
        Batches: records `line`, the columns of the time and the order, `signal`, `edge`, `floor`,
        `stream`, `code`, `chute` (each from the entry, else from the profile's column), `value`.

    Raises:
        InputError: Content binary; a column missing or there twice; no entry fits any column.
    """
    types = used_columns(profile.columns.model_copy(update={"event": (), "value": None}))
    inputs: list[Input] = []

    def choose(header: Sequence[str]) -> dict[str, pa.DataType]:
        inputs.extend(_inputs(profile.samples, [c for c in header if c not in types], name))
        return types | {one.column: CODED for one in inputs}

    states: States = {}
    for batch in read_rows(stream, profile, name, choose, size):
        yield _events(batch, inputs, profile.columns, states)


def _inputs(entries: Sequence[SampleEntry], header: Sequence[str], name: str) -> list[Input]:
    """Each column with the first entry that matches it, in the order of the header."""
    patterns = [None if entry.pattern is None else Pattern(entry.pattern) for entry in entries]
    matches = (_first_match(entries, patterns, column) for column in header)
    found = [match for match in matches if match is not None]
    if not found:
        raise InputError(
            name, "no column that an entry of [[samples]] matches", "at least one sampled input",
            f"Add an entry for one of {', '.join(header[:12])}",
        )  # fmt: skip
    return found


def _first_match(
    entries: Sequence[SampleEntry], patterns: Sequence[Pattern | None], column: str
) -> Input | None:
    for entry, pattern in zip(entries, patterns, strict=True):
        match = pattern.search(column) if pattern is not None else None
        if match or entry.column == column:
            groups = match.groupdict() if match else {}
            labels = {label: getattr(entry, label) or groups.get(label) for label in LABELS}
            return Input(column, entry, labels)
    return None


def _events(batch: Batch, inputs: list[Input], columns: Columns, states: States) -> Batch:
    """The edges in a batch of scans, in file order; the states go on to the next batch."""
    scans = batch.records
    found = [
        _edges(scans[one.column].combine_chunks(), place, one, label, rows, states)
        for label, rows in _by_chute(scans, columns.chute)
        for place, one in enumerate(inputs)
    ]
    edges = _in_file_order(found)
    unchanged = len(scans) - len(np.unique(edges.rows))
    records = _table(scans, inputs, columns, edges)
    return replace(batch, records=records, ignored=batch.ignored + unchanged)


def _by_chute(scans: pa.Table, chute: str | None) -> list[tuple[str | None, Ints]]:
    """The rows of each chute, in order; all rows under null where no column tells the chute."""
    if chute is None or not len(scans):
        return [(None, np.arange(len(scans)))]
    labels = scans[chute].combine_chunks()
    codes = labels.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    words = [*labels.dictionary.to_pylist(), None]
    return [(words[code], np.flatnonzero(codes == code)) for code in np.unique(codes)]


def _edges(
    cells: pa.DictionaryArray, place: int, one: Input, label: str | None, rows: Ints, states: States
) -> Edges:
    """Where one input's state changes within these rows of a batch."""
    keys = [_key(word, one.entry) for word in cells.dictionary.to_pylist()]
    known: dict[Key, int] = {None: -1, False: 0, True: 1}
    number = [known.setdefault(key, len(known)) for key in keys]
    before = known.setdefault(states.get((label, one.column)), len(known))
    codes = cells.indices.fill_null(len(number)).to_numpy(zero_copy_only=False)[rows]
    state = _filled(np.array([*number, -1])[codes], before)
    last = np.append(before, state[:-1])
    after = state[-1] if len(state) else before
    states[label, one.column] = next(key for key, code in known.items() if code == after)
    marks = one.entry.number or one.entry.edge == "mark"
    rises_only = marks and not one.entry.number
    changed = (state != last) & (last >= 0) & ((state == 1) | (not rises_only))
    edges = np.full(len(rows), EDGES.index("mark")) if marks else state
    values = cells.take(pa.array(rows[changed])).cast(pa.string())
    values = values if one.entry.number else pa.nulls(len(values), pa.string())
    return Edges(rows[changed], np.full(len(values), place), edges[changed], values)


def _key(word: str, entry: SampleEntry) -> Key:
    if not entry.number:
        return word in entry.on
    try:
        return ("number", float(word.replace(",", ".")))
    except ValueError:
        return ("text", word)


def _filled(state: Ints, before: int) -> Ints:
    """States by row, where -1 is the state of the row before (of the first: `before`)."""
    told = np.maximum.accumulate(np.where(state >= 0, np.arange(len(state)), -1))
    return np.where(told >= 0, state[told], before)


def _in_file_order(found: list[Edges]) -> Edges:
    rows = np.concatenate([one.rows for one in found])
    inputs = np.concatenate([one.inputs for one in found])
    edges = np.concatenate([one.edges for one in found])
    order = np.lexsort((inputs, rows))
    values = pa.concat_arrays([one.values for one in found]).take(pa.array(order))
    return Edges(rows[order], inputs[order], edges[order], values)


def _table(scans: pa.Table, inputs: list[Input], columns: Columns, events: Edges) -> pa.Table:
    """The events with what their rows and entries say of them."""
    order = [columns.order] if columns.order else []
    rows = scans.take(pa.array(events.rows))
    carried = rows.select(list(dict.fromkeys(["line", *columns.time, *order])))
    told = {
        label: _label([one.labels[label] for one in inputs], events, rows, getattr(columns, label))
        for label in LABELS
    }
    signals = pa.array([one.entry.signal for one in inputs]).dictionary_encode()
    told["signal"] = signals.take(pa.array(events.inputs))
    told["edge"] = pa.DictionaryArray.from_arrays(pa.array(events.edges, pa.int32()), EDGES)
    for column, values in (told | {"value": events.values}).items():
        carried = carried.append_column(column, values)
    return carried


def _label(
    entries: list[str | None], events: Edges, rows: pa.Table, column: str | None
) -> pa.Array:
    """A label by what the entry says, else by what the column says."""
    own = pa.array(entries, pa.string()).take(pa.array(events.inputs))
    if column is None:
        return own.dictionary_encode()
    return pc.coalesce(own, rows[column].combine_chunks().cast(pa.string())).dictionary_encode()
