"""Presses → visits: every rule of the docstring of `visits.py`, by name."""

from collections.abc import Mapping
from typing import Any

import pandas as pd
import pytest

from loganalyzer.cycles import cycles
from loganalyzer.errors import TableError
from loganalyzer.intervals import pair
from loganalyzer.site import Chute, Limits, Site
from loganalyzer.tables import TABLES, conform
from loganalyzer.visits import visits
from tests.build import at, timeline

PRESS, UNLOCK, LOCK = ("press", "mark"), ("unlocked", "on"), ("unlocked", "off")
OPEN, SHUT = ("open", "on"), ("open", "off")
BUSY = ("refusal", "mark", {"code": "busy"})
LATER = (9_000, None, "note", "mark")  # the log goes on, so that no visit is cut short


def table_of(*events: tuple[Any, ...], sites: Mapping[str, Site] | None = None) -> pd.DataFrame:
    log = timeline(*events)
    intervals = pair(log)
    return visits(log, cycles(log, intervals, sites or {}), intervals, sites or {})


def built(
    *events: tuple[Any, ...], sites: Mapping[str, Site] | None = None
) -> list[dict[str, Any]]:
    """The visits of some events as dicts, times in seconds, null as None."""
    rows = table_of(*events, sites=sites).to_dict("records")
    for row in rows:
        for name, value in row.items():
            row[name] = None if pd.isna(value) else value
        for name in ("start", "end"):
            row[name] = (row[name] - at(0)).total_seconds()
    return rows


def use(start: float, floor: str) -> list[tuple[Any, ...]]:
    """A press that is granted and used, in 20 s."""
    script = [
        (0, *PRESS, {"stream": "refuse"}), (4, *UNLOCK), (6, *OPEN), (16, *SHUT), (17, *LOCK),
    ]  # fmt: skip
    return [(start + seconds, floor, *rest) for seconds, *rest in script]


def results(*events: tuple[Any, ...]) -> list[str]:
    return [row["result"] for row in built(*events)]


def test_a_press_that_opens_the_door_is_a_served_visit():
    (row,) = built(*use(0, "7"))
    assert (row["start"], row["end"], row["wait_s"], row["result"]) == (0, 6, 6, "served")
    assert (row["presses"], row["refusals"], row["stream"]) == (1, None, "refuse")
    assert (row["floor"], row["source"], row["line"]) == ("7", "log", 1)


def test_the_table_has_the_columns_and_types_of_the_contract():
    table = table_of(*use(0, "7"))
    assert list(table.columns) == TABLES["visits"].names
    assert conform(table, "visits").schema == TABLES["visits"]


def test_door_only_logs_and_empty_ones_have_no_visits():
    assert built() == []
    assert built((0, "7", *OPEN), (5, "7", *SHUT)) == []


def test_a_morning_of_one_chute():
    """To check by eye: 7 is served; 8 presses meanwhile and gives up; 9 insists until served;
    7 hammers and is locked out; 8 is granted and never opens.
    """
    rows = built(
        (0, "7", *PRESS), (4, "7", *UNLOCK), (5, "8", *PRESS), (5, "8", *BUSY), (6, "7", *OPEN),
        (8, "9", *PRESS), (8, "9", *BUSY), (16, "7", *SHUT), (17, "7", *LOCK),
        (20, "9", *PRESS), (24, "9", *UNLOCK), (26, "9", *OPEN), (30, "9", *SHUT), (31, "9", *LOCK),
        (200, "7", *PRESS), (200, "7", *BUSY), (201, "7", *PRESS), (201, "7", *BUSY),
        (202, "7", *PRESS), (202, "7", "lockout", "on"), (292, "7", "lockout", "off"),
        (400, "8", *PRESS), (404, "8", *UNLOCK), (434, "8", *LOCK), LATER,
    )  # fmt: skip
    seen = [
        tuple(row[name] for name in
              ("floor", "start", "end", "presses", "refusals", "wait_s", "result"))
        for row in rows
    ]  # fmt: skip
    assert seen == [
        ("7", 0, 6, 1, 0, 6, "served"),
        ("8", 5, 5, 1, 1, None, "gave_up"),
        ("9", 8, 26, 2, 1, 18, "served"),
        ("7", 200, 202, 3, 2, None, "locked_out"),
        ("8", 400, 400, 1, 0, None, "gave_up"),
    ]


@pytest.mark.parametrize(("gap", "count"), [(90, 1), (90.000001, 2)])
def test_a_press_exactly_the_window_after_another_is_inside(gap, count):
    assert len(built((0, "7", *PRESS), (gap, "7", *PRESS), LATER)) == count


def test_the_press_window_of_the_chute_counts():
    site = Site(
        "quay", "Quay", "UTC", (Chute(id="A", profile="p", limits=Limits(press_window_s=9)),)
    )
    events = [(0, "7", *PRESS), (10, "7", *PRESS), LATER]
    assert len(built(*events, sites={"quay": site})) == 2
    assert len(built(*events)) == 1


def test_an_opening_between_two_presses_parts_them():
    rows = built(*use(0, "7"), *use(30, "7"))
    assert [row["start"] for row in rows] == [0, 30]


def test_a_press_at_the_open_door_begins_a_visit_of_its_own():
    rows = built((0, "7", *PRESS), (4, "7", *UNLOCK), (6, "7", *OPEN), (8, "7", *PRESS),
                 (16, "7", *SHUT), (17, "7", *LOCK), LATER)  # fmt: skip
    assert [(row["start"], row["result"]) for row in rows] == [(0, "served"), (8, "gave_up")]


def test_impatient_presses_before_the_opening_belong_to_the_served_visit():
    (row,) = built((0, "7", *PRESS), (2, "7", *PRESS), (4, "7", *UNLOCK), (5, "7", *PRESS),
                   (6, "7", *OPEN), LATER)  # fmt: skip
    assert (row["presses"], row["wait_s"], row["result"]) == (3, 6, "served")


def test_another_doors_opening_parts_nothing():
    rows = built((0, "8", *PRESS), (0, "8", *BUSY), *use(1, "7"), (30, "8", *PRESS), LATER)
    assert [(row["floor"], row["presses"]) for row in rows] == [("8", 2), ("7", 1)]


def test_a_press_at_the_time_of_an_opening_stands_before_it():
    """However the lines stand: the samples of one scan come in the order of its columns."""
    (row,) = built((0, "7", *UNLOCK), (0, "7", *OPEN), (0, "7", *PRESS), (9, "7", *SHUT), LATER)
    assert (row["result"], row["wait_s"]) == ("served", 0)


def test_a_second_press_at_the_time_of_the_opening_belongs_to_the_visit():
    rows = built((0, "7", *PRESS), (4, "7", *UNLOCK), (6, "7", *OPEN), (6, "7", *PRESS), LATER)
    assert [(row["presses"], row["result"]) for row in rows] == [(2, "served")]


def test_a_refusal_without_a_press_is_a_press():
    (row,) = built((0, "7", *BUSY), (5, "7", *PRESS), (5, "7", *BUSY), LATER, (9_001, "8", *OPEN))
    assert (row["presses"], row["refusals"], row["result"]) == (2, 2, "gave_up")


def test_a_door_granted_and_never_opened_was_given_up():
    events = [(0, "7", *PRESS), (4, "7", *UNLOCK), (34, "7", *LOCK), (99, "8", *OPEN), LATER]
    assert results(*events) == ["gave_up"]


def test_a_visit_granted_twice_is_served_by_the_cycle_that_opened():
    (row,) = built((0, "7", *PRESS), (1, "7", *UNLOCK), (20, "7", *LOCK), *use(30, "7"))
    assert (row["presses"], row["wait_s"], row["result"]) == (2, 36, "served")


def test_a_last_press_refused_for_lockout_is_locked_out():
    refused = ("7", "refusal", "mark", {"code": "lockout"})
    assert results((0, "7", *PRESS), (0, *refused), (99, "8", *OPEN), LATER) == ["locked_out"]


def test_a_lockout_that_began_too_late_is_another_matter():
    events = [(0, "7", *PRESS), (91, "7", "lockout", "on"), (999, "8", *OPEN), LATER]
    assert results(*events) == ["gave_up"]
    events = [(0, "7", *PRESS), (1, "8", "lockout", "on"), (999, "8", *OPEN), LATER]
    assert results(*events) == ["gave_up"]


def test_a_lockout_exactly_the_window_after_the_last_press_counts():
    events = [(0, "7", *PRESS), (90, "7", "lockout", "on"), (999, "8", *OPEN), LATER]
    assert results(*events) == ["locked_out"]


def test_a_lockout_in_the_next_visit_does_not_lock_out_the_one_before():
    events = [(0, "7", *PRESS), (0, "7", *BUSY), (5, "7", *OPEN), (9, "7", *SHUT),
              (20, "7", *PRESS), (21, "7", "lockout", "on"), LATER]  # fmt: skip
    assert results(*events) == ["gave_up", "locked_out"]


def test_a_visit_that_was_served_is_not_locked_out():
    events = [*use(0, "7")[:2], (5, "7", "lockout", "on"), *use(0, "7")[2:], LATER]
    assert results(*events) == ["served"]


def test_power_lost_within_the_window_leaves_the_result_unknown():
    doors = (9_500, "8", *OPEN)
    assert results((0, "7", *PRESS), (90, None, "power", "off"), LATER, doors) == ["unknown"]
    assert results((0, "7", *PRESS), (91, None, "power", "off"), LATER, doors) == ["gave_up"]


def test_a_restart_that_hides_how_long_after_leaves_the_result_unknown():
    loose = {"clock": "unanchored"}
    events = [(0, "7", *PRESS), (-500, None, "power", "on", loose), (9_000, "8", *OPEN)]
    assert results(*events) == ["unknown"]


def test_a_log_that_ends_within_the_window_leaves_the_result_unknown():
    assert results((0, "8", *OPEN), (1, "7", *PRESS), (91, None, "note", "mark")) == ["unknown"]
    assert results((0, "8", *OPEN), (1, "7", *PRESS), (92, None, "note", "mark")) == ["gave_up"]


def test_a_log_that_ends_cuts_only_the_last_visit_of_a_door_short():
    events = [
        (0, "7", *PRESS),
        (0, "7", *BUSY),
        (5, "7", *OPEN),
        (9, "7", *SHUT),
        (20, "7", *PRESS),
    ]
    assert results(*events) == ["gave_up", "unknown"]


def test_without_doors_and_unlocks_every_result_is_unknown():
    events = [(0, "7", *PRESS), (1, "7", "lockout", "on"), LATER]
    assert results(*events) == ["unknown"]


def test_without_door_contacts_an_unlock_serves_and_the_wait_is_null():
    (row,) = built((0, "7", *PRESS), (4, "7", *UNLOCK), (20, "7", *LOCK), LATER)
    assert (row["result"], row["end"], row["wait_s"]) == ("served", 4, None)


def test_a_lost_opening_is_shown_by_its_closing():
    (row,) = built((0, "7", *PRESS), (4, "7", *UNLOCK), (16, "7", *SHUT), (17, "7", *LOCK), LATER)
    assert (row["result"], row["end"], row["wait_s"]) == ("served", 16, None)


def test_a_grant_with_missing_edges_leaves_the_result_unknown():
    events = [(0, "7", *PRESS), (4, "7", *UNLOCK), (500, "8", *OPEN), LATER]
    assert results(*events) == ["unknown"]


def test_refusals_are_null_only_where_the_chute_records_none():
    rows = built((0, "7", *PRESS), (200, "8", *PRESS), (200, "8", *BUSY), LATER,
                 (0, "7", *PRESS, {"chute": "B"}))  # fmt: skip
    assert [(row["chute"], row["refusals"]) for row in rows] == [("A", 0), ("A", 1), ("B", None)]


def test_presses_across_an_unanchored_boundary_are_two_visits():
    rows = built((0, "7", *PRESS), (1, "7", *PRESS, {"clock": "unanchored"}), LATER)
    assert len(rows) == 2


def test_a_clock_that_ran_back_parts_two_presses():
    assert len(built((10, "7", *PRESS), (5, "7", *PRESS), LATER)) == 2


def test_a_wait_across_two_clocks_is_null():
    (row,) = built(
        (0, "7", *PRESS, {"clock": "unanchored"}), (4, "7", *UNLOCK), (6, "7", *OPEN), LATER
    )
    assert (row["result"], row["wait_s"]) == ("served", None)


def test_the_stream_is_of_the_press_that_was_answered_else_of_the_last():
    (row,) = built((0, "7", *PRESS, {"stream": "linen"}), (0, "7", *BUSY), *use(9, "7"))
    assert row["stream"] == "refuse"
    (row,) = built(
        (0, "7", *PRESS, {"stream": "linen"}), (9, "7", *PRESS, {"stream": "organics"}), LATER
    )
    assert row["stream"] == "organics"


def test_cycles_of_another_timeline_are_refused():
    log, other = timeline(*use(0, "7")), timeline((0, None, "note", "mark"), *use(1, "7"))
    wrong = cycles(other, pair(other), {})
    with pytest.raises(TableError, match="press is not in the timeline"):
        visits(log, wrong, pair(log), {})
