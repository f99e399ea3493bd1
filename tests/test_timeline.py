"""Exports of one chute merged into one sequence, on the smallest readings."""

import numpy as np
import pyarrow as pa
import pytest

from loganalyzer.clock.folds import begins_in_fold, settle
from loganalyzer.ingest.stretches import sequence
from loganalyzer.tables import TEXT

HOUR = 3_600_000_000
# tz database: Europe/Lisbon leaves summer time on 2025-10-26 at 01:00 UTC: 01:00 to 02:00 twice.
FOLD = 1_761_440_400_000_000  # 2025-10-26T01:00 as written


def reading(*events: tuple, order: bool = False) -> pa.Table:
    """READING from (seconds, floor, signal, edge, {…}) tuples; the times are UTC."""
    rows = [_row(*event, order=number if order else None) for number, event in enumerate(events)]
    texts = ("chute", "floor", "signal", "edge", "stream", "code", "mark")
    columns = {name: pa.array([row.get(name) for row in rows], TEXT) for name in texts}
    for name in ("line", "order", "written", "utc", "anchor", "uptime"):
        columns[name] = pa.array([row.get(name) for row in rows], pa.int64())
    columns["value"] = pa.array([row.get("value") for row in rows], pa.float64())
    return pa.table(columns | {"head": pa.array([True] * len(rows))})


def _row(
    at: float, floor: str | None, signal: str = "press", edge: str = "mark", more=None, order=None
):
    written = round(at * 1e6) + 1_740_000_000_000_000  # a day in 2025
    row = {"written": written, "utc": written, "mark": "exact", "chute": "A", "line": 1}
    return row | {"floor": floor, "signal": signal, "edge": edge, "order": order} | (more or {})


def together(*readings: pa.Table, zone: str = "utc") -> list[tuple]:
    """(seconds, floor, signal) of the merged rows."""
    _, merged, _, _ = sequence(
        readings, [f"{i:02}" for i in range(len(readings))], [zone] * len(readings)
    )
    written = (np.array(merged.table["written"]) - 1_740_000_000_000_000) / 1e6
    return list(
        zip(
            written,
            merged.table["floor"].to_pylist(),
            merged.table["signal"].to_pylist(),
            strict=True,
        )
    )


def floors(*readings: pa.Table) -> str:
    return "".join(str(floor) for _, floor, _ in together(*readings))


def test_an_export_alone_stays_as_it_is():
    assert floors(reading((0, "3"), (0, "1"), (5, "2"))) == "312"


def test_overlapping_exports_are_counted_once_and_keep_the_order_of_their_files():
    one = reading((0, "a"), (7, "b"), (7, "c"))
    other = reading((7, "c"), (7, "d"), (9, "e"))
    assert floors(one, other) == floors(other, one) == "abcde"


def test_n_equal_events_stay_as_many_as_the_one_export_holds_that_holds_most():
    one, other = reading((0, "a"), (0, "a"), (0, "a")), reading((0, "a"), (0, "a"))
    assert floors(one, other) == floors(other, one) == "aaa"


def test_events_that_only_one_export_holds_go_where_their_neighbours_say():
    whole, damaged = (
        reading((0, "a"), (3, "b"), (3, "c"), (9, "d")),
        reading((0, "a"), (3, "c"), (9, "d")),
    )
    other = reading((0, "a"), (3, "c"), (5, "x"), (9, "d"))
    assert floors(damaged, whole) == "abcd"
    assert floors(whole, other) == floors(other, whole) == "abcxd"


def test_exports_of_different_events_are_woven_by_time():
    doors = reading((0, "a"), (4, "c"), (8, "e"))
    presses = reading((2, "b"), (4, "d"), (9, "f"))
    assert floors(doors, presses) in ("abcdef", "abdcef")
    assert floors(doors, presses) == floors(doors, presses)


def test_two_exports_that_disagree_on_an_order_still_count_each_event_once():
    assert sorted(
        floors(reading((0, "a"), (0, "b"), (1, "c")), reading((0, "b"), (0, "a"), (1, "c")))
    ) == [*"abc"]


def test_a_counter_places_events_whatever_their_clock_says():
    """The clock was set back by hand and nobody logged it."""
    whole = reading((0, "a"), (900, "b"), (3, "c"), (4, "d"), (5, "e"), order=True)
    parts = [whole.slice(0, 2), whole.slice(2, 2), whole.slice(4, 1)]
    assert floors(*parts) == floors(*parts[::-1]) == "abcde"


def test_every_other_column_tells_events_apart():
    base = reading((0, "a"))
    others = [
        reading((0, "a", "open", "on")),
        reading((0, "a", "press", "mark", {"stream": "refuse"})),
        reading((0, "a", "press", "mark", {"code": "X"})),
        reading((0, "a", "press", "mark", {"value": 1.5})),
        reading((0.000001, "a")),
    ]
    assert len(together(base, *others)) == 6


def test_two_power_cuts_that_restart_the_clock_alike_stay_two():
    restarted = -30 * 365 * 86_400  # seconds before the day of these tests
    cut = [(restarted, None, "power", "on"), (restarted + 5, "7", "open", "on")]
    one = reading((0, "a"), *cut, (100, "b"), (101, None, "power", "off"))
    both = reading((0, "a"), *cut, (101, None, "power", "off"), *cut)
    assert [signal for _, _, signal in together(one, both)].count("open") == 2


def test_a_restart_that_two_exports_show_is_one():
    restarted = -30 * 365 * 86_400
    whole = reading(
        (0, "a"), (restarted, None, "power", "on"), (restarted + 5, "7"), (restarted + 6, "8"),
        (90, None, "clock", "mark", {"value": 90 - restarted - 7.0}), (95, "b"),
    )  # fmt: skip
    for low in range(5):
        for high in range(low + 1, 7):
            assert together(whole, whole.slice(low, high - low)) == together(whole), (low, high)


def fold(*minutes: tuple[int, str]) -> pa.Table:
    """Events of the Lisbon night, read by themselves: the repeated hour as its first pass."""
    rows = []
    for minute, floor in minutes:
        written = FOLD + minute * 60_000_000
        inside, before = 0 <= minute < 60, minute < 60
        utc = written - (HOUR if before else 0)
        rows.append((0, floor, "press", "mark", {"written": written, "utc": utc} | (
            {"mark": "fold"} if inside else {})))  # fmt: skip
    return reading(*rows)


def test_an_export_that_begins_after_the_second_pass_was_seen_begins_in_the_second_pass():
    first = fold((-5, "a"), (20, "b"), (10, "c"))
    late = first["utc"].to_numpy().copy()
    late[2] += HOUR  # that export itself shows the run back
    first = first.set_column(first.column_names.index("utc"), "utc", pa.array(late))
    second = fold((30, "d"), (70, "e"))
    moved = settle([first, second])[1]
    assert moved["utc"][0].as_py() == FOLD + 30 * 60_000_000
    assert moved["utc"][1].as_py() == second["utc"][1].as_py()


def test_an_export_that_begins_earlier_in_the_hour_than_another_ends_begins_in_the_second_pass():
    first, second = fold((-5, "a"), (40, "b")), fold((10, "c"), (70, "d"))
    assert settle([second, first])[0]["utc"][0].as_py() == FOLD + 10 * 60_000_000


def test_an_export_that_shares_rows_of_the_first_pass_begins_in_it():
    first, second = fold((-5, "a"), (10, "c"), (40, "b")), fold((10, "c"), (40, "b"), (70, "d"))
    assert settle([first, second])[1].equals(second)


@pytest.mark.parametrize(
    "lone", [fold((10, "a"), (20, "b")), fold((-1, "a"), (20, "b"), (70, "c")), fold((70, "a"))]
)
def test_only_an_export_that_begins_in_the_hour_and_leaves_it_can_be_in_doubt(lone: pa.Table):
    assert begins_in_fold(lone) is None
