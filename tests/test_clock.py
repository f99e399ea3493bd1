"""Restarts, drift, steps and uptime: every sentence of the contract's section on time."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from dateutil.tz import datetime_exists
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.clock import (
    READING,
    ClockScan,
    RunState,
    apply,
    blocks,
    clock_sets,
    resolve,
    restarts,
)
from loganalyzer.clock.corrections import moved_on_the_wall
from loganalyzer.clock.marks import mark_array
from loganalyzer.clock.zones import ZoneClock
from loganalyzer.tables import CLOCK_MARKS, TEXT

SECOND = 1_000_000
DAY = "2024-05-01T"


def us(text):
    return int(np.datetime64(text, "us").astype(np.int64))


def log(*lines, zone="utc", size=None):
    """READING rows from (written, event[, seconds added]); written is a time or µs."""
    rows = [
        (us(w) if isinstance(w, str) else w, *event.split(), *rest) for w, event, *rest in lines
    ]
    words = [
        [row[1] for row in rows],
        ["on" if "on" in row else "off" if "off" in row else "mark" for row in rows],
    ]
    columns = {field.name: pa.nulls(len(rows), field.type) for field in READING}
    columns["signal"], columns["edge"] = (pa.array(w, pa.string()).cast(TEXT) for w in words)
    added = [row[-1] if isinstance(row[-1], int | float) and len(row) > 2 else None for row in rows]
    columns["value"] = pa.array(added, pa.float64())
    written = np.array([row[0] for row in rows], np.int64)
    sets = clock_sets(pa.table({name: columns[name] for name in ("signal", "value")}))
    clock, size = ZoneClock(zone), size or max(len(rows), 1)
    parts = [
        clock.to_utc(written[i : i + size], None, None if sets is None else sets[i : i + size])
        for i in range(0, len(rows), size)
    ]
    columns["written"] = pa.array(written)
    columns["utc"] = pa.array(np.concatenate([part[0] for part in parts]))
    columns["mark"] = mark_array(np.concatenate([part[1] for part in parts]))
    return pa.table(columns, schema=READING)


def uptimes(*lines):
    """READING rows from (seconds since the power-on, event[, wall clock of `now`])."""
    table = log(*((round(count * SECOND), event) for count, event, *_ in lines))
    anchors = [us(rest[0]) if rest else None for _, _, *rest in lines]
    table = table.set_column(
        READING.get_field_index("anchor"), "anchor", pa.array(anchors, pa.int64())
    )
    return table.set_column(READING.get_field_index("utc"), "utc", pa.nulls(len(lines), pa.int64()))


def told(table, zone="utc"):
    """Times to the second, and marks."""
    times, codes = resolve(table, zone)
    return [
        f"{np.datetime64(round(int(time) / SECOND), 's')} {CLOCK_MARKS[code]}"
        for time, code in zip(times, codes, strict=True)
    ]


def times(table, zone="utc"):
    return resolve(table, zone)[0].tolist()


def marks(table, zone="utc"):
    return [CLOCK_MARKS[code] for code in resolve(table, zone)[1]]


# "`time` is the best estimate in UTC; `device_time` is what the controller wrote."


def test_without_clock_facts_nothing_moves():
    table = log((DAY + "10:00", "press"), (DAY + "10:01", "press"))
    assert told(table) == [DAY + "10:00:00 exact", DAY + "10:01:00 exact"]
    scan = ClockScan()
    scan.add(table)
    assert not scan.corrections()


# "An ambiguous local hour is resolved by the order of the lines; a local time that did not exist
#  moves forward by the gap. Both are marked."


def test_repeated_and_missing_hours_are_marked():
    autumn = log(
        ("2025-11-02T01:50", "press"), ("2025-11-02T01:10", "press"), zone="America/New_York"
    )
    assert told(autumn, "America/New_York") == [
        "2025-11-02T05:50:00 fold",
        "2025-11-02T06:10:00 fold",
    ]
    spring = log(("2025-03-09T02:30", "press"), zone="America/New_York")
    assert told(spring, "America/New_York") == ["2025-03-09T07:30:00 gap"]


def test_the_repeated_hour_is_resolved_anew_in_the_order_of_merged_rows():
    parts = [
        log(("2025-11-02T01:50", "press"), zone="America/New_York"),
        log(("2025-11-02T01:10", "press"), zone="America/New_York"),
    ]
    merged = pa.concat_tables(parts)
    assert told(merged, "America/New_York")[1] == "2025-11-02T06:10:00 fold"


# "A `clock` event of at most 300 s is drift: it is spread evenly back to the clock event or the
#  power-on before it, or, where there is none, to the first event."


def test_drift_is_spread_evenly_back_to_the_first_event():
    table = log(
        (DAY + "10:00:00", "press"),
        (DAY + "11:00:50", "press"),
        (DAY + "12:01:40", "press"),
        (DAY + "12:00:00", "clock", -100),
        (DAY + "12:30:00", "press"),
    )
    assert told(table) == [
        DAY + "10:00:00 drift",
        DAY + "11:00:00 drift",
        DAY + "12:00:00 drift",
        DAY + "12:00:00 exact",
        DAY + "12:30:00 exact",
    ]


def test_drift_is_spread_back_to_the_clock_event_before():
    table = log(
        (DAY + "08:00:00", "press"),
        (DAY + "10:00:00", "clock", 0),
        (DAY + "11:00:00", "press"),
        (DAY + "12:00:20", "clock", 20),
    )
    assert told(table) == [
        DAY + "08:00:00 exact",
        DAY + "10:00:00 exact",
        DAY + "11:00:10 drift",
        DAY + "12:00:20 exact",
    ]


def test_drift_is_spread_back_to_the_power_on_before():
    table = log(
        (DAY + "08:00:00", "press"),
        (DAY + "10:00:00", "power on"),
        (DAY + "11:00:00", "press"),
        (DAY + "12:00:20", "clock", 20),
    )
    assert told(table)[:3] == [
        DAY + "08:00:00 exact",
        DAY + "10:00:00 drift",
        DAY + "11:00:10 drift",
    ]


@pytest.mark.parametrize(
    ("added", "mark"), [(300, "drift"), (-300, "drift"), (301, "step"), (-301, "step")]
)
def test_300_seconds_are_drift_and_more_is_a_step(added, mark):
    table = log((DAY + "10:00", "press"), (DAY + "11:00", "press"), (DAY + "12:00", "clock", added))
    assert marks(table)[1] == mark


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(0, 100_000), min_size=2, max_size=30).map(sorted),
    st.integers(-300, 300).filter(bool),
)
def test_drift_is_linear_and_continuous_and_keeps_the_order(seconds, added):
    start, end = us(DAY + "00:00"), us("2024-05-03T00:00")
    lines = [(start + second * SECOND, "press") for second in [0, *seconds]]
    before_set = end - added * SECOND
    table = log(*lines, (before_set, "press"), (end, "clock", added))
    moved = np.array(times(table))
    written = table["written"].to_numpy()
    share = (written[:-1] - start) / (before_set - start)
    line = written[:-1] + added * SECOND * share
    assert np.abs(moved[:-1] - line).max() <= 1  # µs
    assert moved[0] == start  # nothing at the start
    assert moved[-2] == moved[-1] == end  # all of it at the set
    assert (np.diff(moved) >= 0).all()


# "A larger one is a step: events since the last power-on move by the whole of it."


def test_a_step_moves_the_events_since_the_last_power_on_by_the_whole():
    table = log(
        (DAY + "08:00", "press"),
        (DAY + "09:00", "power on"),
        (DAY + "10:00", "press"),
        (DAY + "12:00", "clock", 3600),
        (DAY + "13:00", "press"),
    )
    assert told(table) == [
        DAY + "08:00:00 exact",
        DAY + "10:00:00 step",
        DAY + "11:00:00 step",
        DAY + "12:00:00 exact",
        DAY + "13:00:00 exact",
    ]


def test_a_step_without_a_power_on_moves_everything_before_it():
    table = log((DAY + "08:00", "press"), (DAY + "12:00", "clock", 3600))
    assert told(table)[0] == DAY + "09:00:00 step"


def test_steps_add_up_and_add_to_drift():
    table = log(
        (DAY + "08:00", "power on"),
        (DAY + "09:59", "press"),
        (DAY + "10:00", "clock", 60),
        (DAY + "11:00", "press"),
        (DAY + "13:00", "clock", 3600),
        (DAY + "13:30", "press"),
        (DAY + "15:00", "clock", 600),
    )
    assert told(table) == [
        DAY + "09:10:00 step",
        DAY + "11:10:00 step",
        DAY + "11:10:00 step",
        DAY + "12:10:00 step",
        DAY + "13:10:00 step",
        DAY + "13:40:00 step",
        DAY + "15:00:00 exact",
    ]


# "A clock event after a power-on at which time went back is a step, whatever its size."


@pytest.mark.parametrize("added", [5, 300, 4000, -20])
def test_a_clock_event_after_a_restart_is_a_step_whatever_its_size(added):
    table = log(
        (DAY + "10:00", "press"),
        (DAY + "09:58", "power on"),
        (DAY + "09:59", "press"),
        (DAY + "11:30", "clock", added),
    )
    moved = np.array(times(table)) - table["written"].to_numpy()
    assert (moved / SECOND).tolist() == [0, added, added, 0]
    assert marks(table) == ["exact", "step", "step", "exact"]


def test_only_the_first_clock_event_after_a_restart_is_a_step_by_itself():
    table = log(
        (DAY + "10:00", "press"),
        ("2000-01-01T00:00", "power on"),
        (DAY + "11:00", "clock", (us(DAY + "11:00") - us("2000-01-01T00:30")) / SECOND),
        (DAY + "12:00", "press"),
        (DAY + "13:00:10", "clock", 10),
    )
    assert told(table) == [
        DAY + "10:00:00 exact",
        DAY + "10:30:00 step",
        DAY + "11:00:00 exact",
        DAY + "12:00:05 drift",
        DAY + "13:00:10 exact",
    ]


# "Events after the last clock event stay as written."


def test_events_after_the_last_clock_event_stay_as_written():
    table = log((DAY + "10:00", "press"), (DAY + "11:00", "clock", 120), (DAY + "12:00", "press"))
    assert told(table)[2] == DAY + "12:00:00 exact"


# "Where time goes back at a power-on and no clock event follows before the next power event,
#  nothing anchors the events between: they keep their written time, are marked `unanchored`"


@pytest.mark.parametrize("ends", ["power on", "power off", None])
def test_a_restart_that_no_clock_event_follows_is_unanchored(ends):
    lines = [
        (DAY + "10:00", "press"),
        (DAY + "09:00", "power on"),
        (DAY + "09:30", "press"),
        *([(DAY + "10:30", ends)] if ends else []),
    ]
    found = told(log(*lines))
    assert found[:3] == [
        DAY + "10:00:00 exact",
        DAY + "09:00:00 unanchored",
        DAY + "09:30:00 unanchored",
    ]
    if ends == "power on":
        assert found[3] == DAY + "10:30:00 exact"
    if ends == "power off":  # written by the same clock
        assert found[3] == DAY + "10:30:00 unanchored"


def test_a_power_on_is_compared_with_the_last_anchored_line():
    """A second cut in a row restarts the clock at the same date: not 'later', still a restart."""
    table = log(
        (DAY + "10:00", "press"),
        ("2010-01-01T00:00", "power on"),
        ("2010-01-01T00:05", "press"),
        ("2010-01-01T00:09", "power on"),
        ("2010-01-01T00:10", "press"),
        (DAY + "12:00", "clock", (us(DAY + "12:00") - us("2010-01-01T00:19")) / SECOND),
    )
    assert told(table) == [
        DAY + "10:00:00 exact",
        "2010-01-01T00:00:00 unanchored",
        "2010-01-01T00:05:00 unanchored",
        DAY + "11:50:00 step",
        DAY + "11:51:00 step",
        DAY + "12:00:00 exact",
    ]


def test_a_power_on_at_which_time_went_on_is_no_restart():
    table = log((DAY + "10:00", "power off"), (DAY + "10:20", "power on"), (DAY + "10:30", "press"))
    assert marks(table) == ["exact"] * 3


def test_a_clock_event_without_a_value_moves_nothing_and_anchors_nothing():
    restart = [(DAY + "10:00", "press"), (DAY + "09:00", "power on"), (DAY + "11:00", "clock")]
    assert marks(log(*restart, (DAY + "12:00", "press"))) == [
        "exact",
        "unanchored",
        "exact",
        "exact",
    ]
    table = log((DAY + "08:00", "press"), (DAY + "10:00", "clock"), (DAY + "12:00:20", "clock", 20))
    assert marks(table) == ["exact", "exact", "exact"]


# Ours: dates that no clock that runs right can write; lines that run back; summer time.


@pytest.mark.parametrize("date", ["1970-01-01", "2000-12-31", "2080-01-01", "2099-06-01"])
def test_a_date_out_of_range_that_nothing_anchors_is_kept_and_marked(date):
    table = log((DAY + "10:00", "press"), (date + "T00:00", "press"), (DAY + "10:01", "press"))
    assert told(table) == [
        DAY + "10:00:00 exact",
        date + "T00:00:00 unanchored",
        DAY + "10:01:00 exact",
    ]


def test_a_restart_without_its_power_on_is_told_by_its_date():
    """The step must not throw the years before it into the future."""
    table = log(
        (DAY + "10:00", "press"),
        ("2000-01-01T00:00", "press"),
        (DAY + "11:00", "clock", (us(DAY + "11:00") - us("2000-01-01T00:10")) / SECOND),
    )
    assert told(table) == [
        DAY + "10:00:00 exact",
        DAY + "10:50:00 step",
        DAY + "11:00:00 exact",
    ]


def test_a_line_that_runs_back_without_a_clock_fact_keeps_its_place_and_is_marked():
    table = log((DAY + "10:00", "press"), (DAY + "09:30", "press"), (DAY + "10:01", "press"))
    assert told(table) == [
        DAY + "10:00:00 exact",
        DAY + "09:30:00 step",
        DAY + "10:01:00 exact",
    ]
    scan = ClockScan()
    scan.add(table)
    assert scan.corrections()  # marks change, so `apply` must run


def test_after_a_clock_event_lines_are_not_compared_with_those_before():
    table = log(
        (DAY + "10:00", "press"), (DAY + "09:59", "clock", -60), (DAY + "09:59:30", "press")
    )
    assert marks(table) == ["drift", "exact", "exact"]


def test_the_controllers_summer_time_switch_is_no_step():
    zone = "America/New_York"
    autumn = log(
        ("2025-11-01T12:00", "press"),
        ("2025-11-02T00:59", "press"),
        ("2025-11-02T01:00", "clock", -3600),
        ("2025-11-02T03:00", "press"),
        zone=zone,
    )
    assert told(autumn, zone) == [
        "2025-11-01T16:00:00 exact",
        "2025-11-02T04:59:00 exact",
        "2025-11-02T06:00:00 fold",
        "2025-11-02T08:00:00 exact",
    ]
    spring = log(("2025-03-08T12:00", "press"), ("2025-03-09T03:00:05", "clock", 3600), zone=zone)
    assert told(spring, zone) == ["2025-03-08T17:00:00 exact", "2025-03-09T07:00:05 exact"]


def test_lines_between_the_change_and_a_late_switch_move_by_the_change():
    zone = "America/New_York"
    table = log(
        ("2025-11-02T00:50", "press"),
        ("2025-11-02T01:50", "press"),
        ("2025-11-02T03:30", "press"),
        ("2025-11-02T03:00", "clock", -3600),
        zone=zone,
    )
    assert told(table, zone) == [
        "2025-11-02T04:50:00 exact",
        "2025-11-02T05:50:00 fold",
        "2025-11-02T07:30:00 step",
        "2025-11-02T08:00:00 exact",
    ]


def test_a_set_by_an_hour_on_any_other_day_is_a_step():
    zone = "America/New_York"
    table = log((DAY + "08:00", "press"), (DAY + "10:00", "clock", -3600), zone=zone)
    assert marks(table, zone) == ["step", "exact"]


# Uptime: "a pattern's group `now` holds a wall-clock stamp that anchors every event since the last
#  power-on."


def test_an_anchor_fixes_every_event_since_the_last_power_on():
    table = uptimes(
        (0, "power on"),
        (10, "press"),
        (60, "note", DAY + "10:01"),
        (120, "press"),
        (0, "power on"),
        (5, "press"),
    )
    assert told(table) == [
        DAY + "10:00:00 exact",
        DAY + "10:00:10 exact",
        DAY + "10:01:00 exact",
        DAY + "10:02:00 exact",
        DAY + "10:02:00 unanchored",
        DAY + "10:02:00 unanchored",
    ]


def test_a_count_that_runs_back_is_a_power_on_but_not_by_a_second():
    table = uptimes(
        (100, "note", DAY + "10:00"), (99.5, "press"), (7, "press"), (8, "note", DAY + "12:00")
    )
    assert told(table) == [
        DAY + "10:00:00 exact",
        DAY + "10:00:00 exact",
        DAY + "11:59:59 exact",
        DAY + "12:00:00 exact",
    ]


def test_between_two_anchors_the_difference_is_spread_evenly():
    table = uptimes(
        (0, "power on"),
        (100, "note", DAY + "10:00:00"),
        (200, "press"),
        (300, "note", DAY + "10:03:30"),
        (400, "press"),
    )
    assert told(table) == [
        DAY + "09:58:20 exact",
        DAY + "10:00:00 drift",
        DAY + "10:01:45 drift",
        DAY + "10:03:30 exact",
        DAY + "10:05:10 exact",
    ]


def test_anchors_far_apart_are_a_step_of_everything_since_the_power_on():
    table = uptimes((0, "power on"), (100, "note", DAY + "10:00"), (200, "note", DAY + "12:00"))
    assert told(table) == [
        DAY + "11:56:40 step",
        DAY + "11:58:20 step",
        DAY + "12:00:00 exact",
    ]


def test_uptimes_without_any_anchor_have_no_time():
    assert told(uptimes((0, "power on"), (5, "press"))) == ["1970-01-01T00:00:00 unanchored"] * 2


def test_wall_clock_and_uptime_rows_in_one_sequence_leave_one_another_alone():
    """A controller whose export changed its form: each kind is put right by its own facts."""
    wall = log((DAY + "09:00", "press"), (DAY + "08:00", "power on"), (DAY + "12:00", "clock", 60))
    up = uptimes((0, "power on"), (60, "note", DAY + "10:01"), (70, "press"))
    mixed = pa.concat_tables([wall[:2], up[:2], wall[2:], up[2:]])
    assert told(mixed) == [
        DAY + "09:00:00 exact",
        DAY + "08:01:00 step",
        DAY + "10:00:00 exact",
        DAY + "10:01:00 exact",
        DAY + "12:00:00 exact",
        DAY + "10:01:10 exact",
    ]
    assert restarts(mixed)["restart"].tolist() == [-1, 0, 1, 1, -1, 1]


@pytest.mark.parametrize("added", [1e300, -1e300, float("inf"), float("nan")])
def test_a_set_by_more_than_any_clock_can_show_is_as_one_without_a_value(added):
    table = log((DAY + "08:00", "press"), (DAY + "10:00", "clock", added))
    assert told(table) == [DAY + "08:00:00 exact", DAY + "10:00:00 exact"]


def test_wild_sets_cannot_move_a_time_out_of_the_calendar():
    table = log(*((DAY + "08:00", "clock", 6e9) for _ in range(2000)))
    assert told(table)[0] == "9999-12-31T23:59:59 unanchored"


# What the merge asks.


def test_each_restarted_stretch_is_known_by_the_lines_around_it():
    table = log(
        (DAY + "10:00", "press"),
        ("2000-01-01T00:00", "power on"),
        ("2000-01-01T00:01", "press"),
        ("2000-01-01T00:00", "power on"),
        (DAY + "12:00", "clock", 767_793_600),
        (DAY + "12:01", "press"),
    )
    found = restarts(table)
    assert found["restart"].tolist() == [-1, 0, 0, 1, -1, -1]
    assert found["before"].astype("object").where(found["before"].notna(), None).tolist() == [
        None, us(DAY + "10:00"), us(DAY + "10:00"), us("2000-01-01T00:01"), None, None,
    ]  # fmt: skip
    assert found["ended_by"].dropna().tolist() == [us(DAY + "12:00")]
    assert restarts(table.slice(0, 0)).empty


def test_each_power_on_of_uptimes_is_a_stretch():
    found = restarts(uptimes((3, "press"), (0, "power on"), (1, "note", DAY + "10:00")))
    assert found["restart"].tolist() == [0, 1, 1]
    assert found["before"].dropna().tolist() == [3 * SECOND] * 2
    assert found["ended_by"].dropna().tolist() == [us(DAY + "10:00")] * 2


@pytest.mark.parametrize(
    ("lines", "head", "tail"),
    [
        ([(DAY + "10:00", "press"), (DAY + "11:00", "clock", 5)], True, False),
        ([(DAY + "10:00", "press"), (DAY + "11:00", "power on")], False, False),
        ([(DAY + "11:00", "power on"), (DAY + "12:00", "press")], True, False),
        ([(DAY + "10:00", "press"), (DAY + "09:00", "power on")], False, True),
        ([(DAY + "10:00", "press")], False, False),
    ],
)
def test_a_sequence_says_whether_its_ends_hang_on_other_exports(lines, head, tail):
    scan = ClockScan()
    scan.add(log(*lines))
    assert (scan.open_head, scan.open_tail) == (head, tail)


def test_uptimes_hang_on_what_came_before_unless_they_begin_with_the_power_on():
    for first, head in (("press", True), ("power on", False)):
        scan = ClockScan()
        scan.add(uptimes((0, first), (5, "press")))
        assert (scan.open_head, scan.open_tail) == (head, True)


def test_the_last_anchored_time_leaves_restarts_out():
    scan = ClockScan()
    scan.add(log((DAY + "10:00", "press"), (DAY + "09:00", "power on"), (DAY + "09:10", "press")))
    assert scan.last_anchored == us(DAY + "10:00")


# Against a second, slow, obvious way, and in blocks of any size.

EVENTS = st.sampled_from(["press"] * 6 + ["power on", "power off", "clock", "clock"])
SETS = st.one_of(st.integers(-300, 300), st.integers(-9000, 9000), st.just(0))
LINES = st.lists(st.tuples(st.integers(-2000, 6000), EVENTS, SETS), min_size=1, max_size=40)


def random_log(drawn, start, zone="utc", size=None):
    at, lines = us(start), []
    for ahead, event, added in drawn:
        at += ahead * SECOND
        lines.append((at, event, added) if event == "clock" else (at, event))
    return log(*lines, zone=zone, size=size)


def slow(table):
    """The contract's rules read out one after the other, row by row."""
    rows = table.select(["written", "signal", "edge", "value"]).to_pylist()
    kinds = [
        row["signal"] + (" " + row["edge"] if row["signal"] == "power" else "") for row in rows
    ]
    utc = [row["written"] for row in rows]
    moved, state, anchored, free_from = list(utc), ["exact"] * len(rows), None, None
    stretch = 0  # where "since the last power-on" begins
    since, since_row = utc[0], 0
    for i, kind in enumerate(kinds):
        added = round((rows[i]["value"] or 0) * SECOND)
        if kind == "power on":
            free_from = i if anchored is not None and utc[i] < anchored else None
            stretch, since, since_row = i, utc[i], i
        elif kind == "power off" and free_from is not None:
            free_from = stretch = i + 1
            state[i] = "unanchored"
            continue
        elif kind == "clock":
            if free_from is not None or abs(added) > 300 * SECOND:
                for j in range(stretch, i):
                    moved[j] += added
                    state[j] = "step"
            elif added:
                span = utc[i] - added - since
                for j in range(since_row, i):
                    share = min(max((utc[j] - since) / span, 0), 1) if span > 0 else utc[j] > since
                    moved[j] += round(added * share)
                    state[j] = min(state[j], "drift", key=CLOCK_MARKS.index)
            free_from, since, since_row = None, utc[i], i + 1
        if free_from is None:
            anchored = utc[i]
        else:
            state[i] = "unanchored"
    high = None
    for i, kind in enumerate(kinds):
        high = None if kind in ("clock", "power on") else high
        if high is not None and utc[i] < high:
            state[i] = min(state[i], "step", key=CLOCK_MARKS.index)
        high = utc[i] if high is None else max(high, utc[i])
    return moved, state


@settings(max_examples=300, deadline=None)
@given(LINES)
def test_any_log_agrees_with_the_rules_read_out_slowly(drawn):
    table = random_log(drawn, DAY + "00:00")
    moved, state = slow(table)
    assert np.abs(np.array(times(table)) - moved).max() <= 1
    assert marks(table) == state


@settings(max_examples=150, deadline=None)
@given(
    LINES,
    st.integers(1, 41),
    st.sampled_from(
        [
            ("utc", DAY + "00:00"),
            ("utc", "2000-12-31T22:00"),
            ("America/New_York", "2025-11-02T00:00"),
            ("Australia/Lord_Howe", "2025-10-05T00:30"),
            ("America/New_York", "2025-03-09T00:30"),
        ]
    ),
)
def test_blocks_of_any_size_give_what_the_whole_gives(drawn, size, where):
    zone, start = where
    whole = resolve(random_log(drawn, start, zone), zone)
    table, scan, state = random_log(drawn, start, zone, size), ClockScan(zone), RunState()
    for block in blocks(table, size):
        scan.add(block)
    parts = [
        apply(block, scan.corrections(), row * size, state)
        for row, block in enumerate(blocks(table, size))
    ]
    assert np.concatenate([part[0] for part in parts]).tolist() == whole[0].tolist()
    assert np.concatenate([part[1] for part in parts]).tolist() == whole[1].tolist()
    if not scan.corrections():
        assert (whole[0] == table["utc"].to_numpy()).all()
        assert mark_array(whole[1]).to_pylist() == table["mark"].to_pylist()


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 500), st.sampled_from(["press", "press", "power on"]), st.booleans()
        ),
        min_size=1,
        max_size=30,
    ),
    st.integers(1, 31),
)
def test_uptimes_in_blocks_give_what_the_whole_gives(drawn, size):
    count, lines = 0, []
    for place, (ahead, event, now) in enumerate(drawn):
        count = 0 if event == "power on" else count + ahead
        wall = str(np.datetime64(us(DAY + "00:00") + place * 400 * SECOND, "us"))
        lines.append((count, event, wall) if now else (count, event))
    table, scan, state = uptimes(*lines), ClockScan(), RunState()
    for block in blocks(table, size):
        scan.add(block)
    parts = [
        apply(block, scan.corrections(), row * size, state)
        for row, block in enumerate(blocks(table, size))
    ]
    whole = resolve(table, "utc")
    assert np.concatenate([part[0] for part in parts]).tolist() == whole[0].tolist()
    assert np.concatenate([part[1] for part in parts]).tolist() == whole[1].tolist()


def test_a_step_from_winter_into_summer_moves_what_the_clock_shows():
    """What a set adds is read off the clock's face; the instant moves by an hour less."""
    added = (us("2026-10-15T11:03:20") - us("2000-01-01T15:21:20")) / SECOND
    table = log(
        ("2026-10-14T19:42", "power off"),
        ("2000-01-01T00:00", "power on"),
        ("2000-01-01T15:20", "open on"),
        ("2026-10-15T11:03:20", "clock", added),
        zone="Europe/Berlin",
    )
    # Source: tz database, Europe/Berlin: UTC+1 on 1 January 2000, UTC+2 in October 2026.
    assert told(table, "Europe/Berlin")[1:] == [
        "2026-10-14T17:42:00 step",
        "2026-10-15T09:02:00 step",
        "2026-10-15T09:03:20 exact",
    ]


@settings(max_examples=200, deadline=None)
@given(
    st.integers(us("2020-01-01"), us("2026-12-31")),
    st.integers(-(400 * 86_400), 400 * 86_400),
    st.sampled_from(["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata"]),
)
def test_moving_on_the_wall_is_moving_what_the_zone_shows(instant, seconds, zone):
    (moved,) = moved_on_the_wall(np.array([instant]), seconds * SECOND, zone)
    wall, after = (
        datetime.fromtimestamp(t / SECOND, ZoneInfo(zone)).replace(tzinfo=None)
        for t in (instant, int(moved))
    )
    shown = wall + timedelta(seconds=seconds)
    exists = datetime_exists(shown.replace(tzinfo=ZoneInfo(zone)))
    assert abs(after - shown) < (
        timedelta(milliseconds=1) if exists else timedelta(hours=1, seconds=1)
    )
