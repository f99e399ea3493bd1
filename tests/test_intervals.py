"""On and off → intervals: every odd case of the docstring of `intervals.py`, by name."""

import numpy as np
import pandas as pd
import pytest

from loganalyzer.errors import TableError
from loganalyzer.intervals import pair
from loganalyzer.keys import stable_order
from loganalyzer.tables import TABLES, conform, empty
from tests.build import at, timeline


def brief(table: pd.DataFrame) -> list[tuple[object, ...]]:
    """Intervals as (signal, floor, start, end, seconds, ended_by), times in seconds."""
    rows = []
    for row in table.to_dict("records"):
        start, end = ((row[name] - at(0)).total_seconds() for name in ("start", "end"))
        floor = None if pd.isna(row["floor"]) else row["floor"]
        seconds = None if pd.isna(row["seconds"]) else row["seconds"]
        rows.append((row["signal"], floor, start, end, seconds, row["ended_by"]))
    return rows


def test_an_on_and_its_off_are_an_interval():
    table = pair(timeline((0, "7", "open", "on"), (9.5, "7", "open", "off")))
    assert brief(table) == [("open", "7", 0, 9.5, 9.5, "off")]
    (row,) = table.to_dict("records")
    assert row["start_known"]
    assert row["end_known"]
    assert (row["site"], row["chute"], row["source"], row["line"]) == ("quay", "A", "log", 1)


def test_the_table_has_the_columns_and_types_of_the_contract():
    table = pair(timeline((0, "7", "open", "on"), (1, "7", "open", "off")))
    assert list(table.columns) == TABLES["intervals"].names
    assert conform(table, "intervals").schema == TABLES["intervals"]
    assert str(table["start"].dtype) == "datetime64[us, UTC]"


def test_an_empty_timeline_has_no_intervals():
    table = pair(timeline())
    assert len(table) == 0
    assert list(table.columns) == list(empty("intervals").columns)


def test_a_second_on_ends_the_first_as_repeat_without_seconds():
    table = pair(timeline((0, "7", "open", "on"), (5, "7", "open", "on"), (8, "7", "open", "off")))
    assert brief(table) == [
        ("open", "7", 0, 5, None, "repeat"),
        ("open", "7", 5, 8, 3, "off"),
    ]
    assert list(table["end_known"]) == [False, True]


def test_an_off_without_its_on_starts_at_the_chutes_first_event_at_the_earliest():
    table = pair(timeline((0, None, "note", "mark"), (5, "7", "open", "off")))
    assert brief(table) == [("open", "7", 0, 5, None, "off")]
    assert list(table["start_known"]) == [False]
    assert list(table["line"]) == [2]


def test_an_off_as_the_very_first_event_has_no_known_start():
    table = pair(timeline((0, "7", "open", "off")))
    assert brief(table) == [("open", "7", 0, 0, None, "off")]
    assert list(table["start_known"]) == [False]


def test_a_second_off_starts_at_the_off_before_it():
    table = pair(timeline((0, "7", "open", "on"), (3, "7", "open", "off"), (8, "7", "open", "off")))
    assert brief(table)[1] == ("open", "7", 3, 8, None, "off")


def test_an_off_after_a_power_cut_starts_at_the_power_on():
    table = pair(
        timeline(
            (0, "7", "open", "on"), (4, None, "power", "off"),
            (60, None, "power", "on"), (70, "7", "open", "off"),
        )
    )  # fmt: skip
    assert ("open", "7", 0, 4, None, "power") in brief(table)
    assert ("open", "7", 60, 70, None, "off") in brief(table)


def test_power_off_ends_every_running_interval_of_its_chute_but_power():
    table = pair(
        timeline(
            (0, None, "power", "on"), (1, "7", "open", "on"), (2, None, "service", "on"),
            (3, "8", "open", "on", {"chute": "B"}), (9, None, "power", "off"),
            (20, "8", "open", "off", {"chute": "B"}),
        )
    )  # fmt: skip
    assert brief(table) == [
        ("power", None, 0, 9, 9, "off"),
        ("open", "7", 1, 9, None, "power"),
        ("service", None, 2, 9, None, "power"),
        ("open", "8", 3, 20, 17, "off"),
    ]


def test_a_power_on_that_no_off_stands_before_is_a_power_loss():
    table = pair(
        timeline(
            (0, None, "power", "on"), (1, "7", "open", "on"),
            (60, None, "power", "on"), (70, None, "note", "mark"),
        )
    )  # fmt: skip
    assert brief(table) == [
        ("power", None, 0, 60, None, "repeat"),
        ("open", "7", 1, 60, None, "power"),
        ("power", None, 60, 70, None, "log_end"),
    ]


def test_a_power_on_after_an_off_ends_nothing():
    table = pair(
        timeline(
            (0, None, "power", "off"), (1, None, "service", "on"),
            (2, None, "power", "on"), (5, None, "service", "off"),
        )
    )  # fmt: skip
    assert ("service", None, 1, 5, 4, "off") in brief(table)


def test_what_runs_at_the_log_end_ends_with_the_last_event_of_its_own_chute():
    table = pair(
        timeline(
            (0, "7", "open", "on"), (6, None, "note", "mark"),
            (900, None, "note", "mark", {"chute": "B"}),
        )
    )  # fmt: skip
    assert brief(table) == [("open", "7", 0, 6, None, "log_end")]
    assert list(table["end_known"]) == [False]


def test_chutes_and_sites_share_nothing():
    table = pair(
        timeline(
            (0, "7", "open", "on"), (1, "7", "open", "off", {"chute": "B"}),
            (2, "7", "open", "off", {"site": "mill"}),
        )
    )  # fmt: skip
    assert list(table["ended_by"]) == ["off", "log_end", "off"]
    assert list(table["start_known"]) == [False, True, False]


def test_a_bouncing_contact_gives_many_short_intervals():
    events = [(n / 10, "7", "open", ("on", "off")[n % 2]) for n in range(10)]
    assert [row[4] for row in brief(pair(timeline(*events)))] == pytest.approx([0.1] * 5)


def test_door_only_logs_pair_by_themselves():
    table = pair(timeline(*[(n, str(n // 2), "open", ("on", "off")[n % 2]) for n in range(6)]))
    assert [row[1:5] for row in brief(table)] == [("0", 0, 1, 1), ("1", 2, 3, 1), ("2", 4, 5, 1)]


def test_at_equal_times_the_order_of_the_lines_decides():
    apart = pair(timeline((0, "7", "open", "on"), (0, "7", "open", "off")))
    assert brief(apart) == [("open", "7", 0, 0, 0, "off")]
    swapped = pair(timeline((0, "7", "open", "off"), (0, "7", "open", "on")))
    assert brief(swapped) == [
        ("open", "7", 0, 0, None, "off"),
        ("open", "7", 0, 0, None, "log_end"),
    ]


def test_a_clock_that_ran_back_leaves_no_seconds():
    table = pair(timeline((10, "7", "open", "on"), (4, "7", "open", "off", {"clock": "step"})))
    assert brief(table) == [("open", "7", 10, 4, None, "off")]
    assert list(table["end_known"]) == [True]


def test_both_ends_in_one_unanchored_stretch_have_their_seconds():
    loose = {"clock": "unanchored"}
    table = pair(timeline((0, "7", "open", "on", loose), (4, "7", "open", "off", loose)))
    assert brief(table) == [("open", "7", 0, 4, 4, "off")]


def test_uptimes_that_nothing_anchors_have_no_seconds_instead_of_0():
    """They all hold the time of the last line that had one."""
    log = timeline((0, "7", "open", "on", {"clock": "unanchored"}),
                   (0, "7", "open", "off", {"clock": "unanchored"}))  # fmt: skip
    assert brief(pair(log)) == [("open", "7", 0, 0, 0, "off")]
    (row,) = brief(pair(log.assign(device_time=pd.NaT)))
    assert row == ("open", "7", 0, 0, None, "off")


def test_one_end_in_an_unanchored_stretch_leaves_no_seconds():
    loose = {"clock": "unanchored"}
    table = pair(timeline((0, "7", "open", "on"), (4, "7", "open", "off", loose)))
    assert brief(table) == [("open", "7", 0, 4, None, "off")]


def test_ends_in_two_restarts_leave_no_seconds():
    loose = {"clock": "unanchored"}
    table = pair(
        timeline(
            (0, None, "power", "off", loose), (1, "7", "open", "on", loose),
            (2, None, "power", "on", loose), (4, "7", "open", "off", loose),
        )
    )  # fmt: skip
    assert ("open", "7", 1, 4, None, "off") in brief(table)


def test_full_is_paired_within_its_stream_and_a_fault_within_floor_and_code():
    table = pair(
        timeline(
            (0, None, "full", "on", {"stream": "refuse"}),
            (1, None, "full", "off", {"stream": "organics"}),
            (2, "7", "fault", "on", {"code": "E1"}), (3, "7", "fault", "on", {"code": "E2"}),
            (4, "8", "fault", "off", {"code": "E1"}), (5, "7", "fault", "off", {"code": "E1"}),
            (6, None, "fault", "on"), (7, None, "fault", "off"),
        )
    )  # fmt: skip
    whole = [row for row in brief(table) if row[4] is not None]
    assert whole == [("fault", "7", 2, 5, 3, "off"), ("fault", None, 6, 7, 1, "off")]


def test_marks_and_notes_begin_nothing():
    table = pair(
        timeline(
            (0, "7", "fault", "mark", {"code": "E1"}), (1, None, "note", "on"),
            (2, None, "note", "off"), (3, "7", "press", "mark"),
        )
    )  # fmt: skip
    assert len(table) == 0


def test_the_off_tells_what_the_on_leaves_open():
    table = pair(
        timeline((0, None, "positioning", "on"),
                 (3, None, "positioning", "off", {"stream": "linen"}))
    )  # fmt: skip
    assert list(table["stream"]) == ["linen"]


def test_rows_are_sorted_by_the_place_of_their_start():
    """The door whose on is missing has been open since the log began, before door 8."""
    table = pair(
        timeline((0, None, "note", "mark"), (1, "8", "open", "on"), (2, "7", "open", "off"),
                 (3, "8", "open", "off"))
    )  # fmt: skip
    assert list(table["floor"]) == ["7", "8"]


def test_many_keys_take_the_second_pass_of_the_sort():
    key = np.random.default_rng(1).integers(0, 200_000, 5_000).astype(np.int32)
    assert list(stable_order(key)) == sorted(range(5_000), key=lambda place: key[place])


def test_key_numbers_with_gaps_are_closed_up():
    """Thousands of labels on two chutes are more keys than 16 bits hold; few of them occur."""
    log = timeline((0, "7", "open", "on"), (1, "7", "open", "off"), (2, "9", "open", "on"),
                   (3, "7", "open", "on", {"chute": "B"}), (5, "9", "open", "off"))  # fmt: skip
    labels = [str(n) for n in range(40_000)]
    table = pair(log.assign(floor=log["floor"].cat.set_categories(labels)))
    assert [row[1:5] for row in brief(table)] == [("7", 0, 1, 1), ("9", 2, 5, 3), ("7", 3, 3, None)]


def test_a_missing_column_is_named():
    with pytest.raises(TableError, match="no column edge"):
        pair(timeline((0, "7", "open", "on")).drop(columns="edge"))


def test_a_timeline_that_is_not_sorted_by_chute_is_refused():
    mixed = timeline((0, "7", "open", "on"), (1, "7", "open", "on", {"chute": "B"}))
    with pytest.raises(TableError, match="several places"):
        pair(pd.concat([mixed, mixed]))


def test_the_timeline_is_left_alone():
    log = timeline((0, "7", "open", "on"), (1, "7", "open", "off"))
    before = log.copy(deep=True)
    pair(log)
    pd.testing.assert_frame_equal(log, before)
