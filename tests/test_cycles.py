"""Intervals and presses → cycles: every rule of the docstring of `cycles.py`, by name."""

from collections.abc import Mapping
from typing import Any

import pandas as pd
import pytest

from loganalyzer.cycles import cycles
from loganalyzer.errors import TableError
from loganalyzer.intervals import pair
from loganalyzer.site import Chute, Limits, Site
from loganalyzer.tables import TABLES, conform
from tests.build import at, timeline

PRESS, UNLOCK, LOCK = ("press", "mark"), ("unlocked", "on"), ("unlocked", "off")
OPEN, SHUT = ("open", "on"), ("open", "off")
TRAVEL, IN_PLACE = (None, "positioning", "on"), (None, "positioning", "off")
CLEAR, CLEARED = (None, "clearing", "on"), (None, "clearing", "off")
REFUSED = ("refusal", "mark", {"code": "busy"})
TIMES = ("pressed", "unlocked", "opened", "closed", "cleared")


def built(
    *events: tuple[Any, ...], sites: Mapping[str, Site] | None = None
) -> list[dict[str, Any]]:
    """The cycles of some events as dicts, times in seconds, null as None."""
    log = timeline(*events)
    rows = cycles(log, pair(log), sites or {}).to_dict("records")
    for row in rows:
        for name, value in row.items():
            row[name] = None if pd.isna(value) else value
        for name in TIMES:
            row[name] = row[name] and (row[name] - at(0)).total_seconds()
    return rows


def whole(start: float, floor: str) -> list[tuple[Any, ...]]:
    """A use from press to the end of clearing."""
    script = [
        (0, floor, *PRESS, {"stream": "refuse"}), (0, *TRAVEL), (3, *IN_PLACE), (4, floor, *UNLOCK),
        (6, floor, *OPEN), (16, floor, *SHUT), (17, floor, *LOCK), (17, *CLEAR), (29, *CLEARED),
    ]  # fmt: skip
    return [(start + seconds, *rest) for seconds, *rest in script]


def outcomes(rows: list[dict[str, Any]]) -> list[str]:
    return [row["outcome"] for row in rows]


def test_a_whole_use_has_all_its_times():
    (row,) = built(*whole(0, "7"))
    assert [row[name] for name in TIMES] == [0, 4, 6, 16, 29]
    assert [row[name] for name in ("positioning_s", "wait_s", "reach_s", "open_s", "clear_s")] == [
        3, 4, 2, 10, 13,
    ]  # fmt: skip
    assert (row["cycle"], row["floor"], row["stream"]) == (1, "7", "refuse")
    assert (row["outcome"], row["source"], row["line"]) == ("completed", "log", 1)


def test_the_table_has_the_columns_and_types_of_the_contract():
    log = timeline(*whole(0, "7"))
    table = cycles(log, pair(log), {})
    assert list(table.columns) == TABLES["cycles"].names
    assert conform(table, "cycles").schema == TABLES["cycles"]


def test_an_empty_timeline_has_no_cycles():
    assert built() == []


def test_a_morning_of_one_chute():
    """A fragment of a day to check by eye: six cycles.

    Door 7 used; 8 pressed while it clears and refused, then granted; 8 pressed again but not
    opened; 9 pressed, its travel broken off by a power cut; 9 again, its contact bounces;
    G opened by a key without any press.
    """
    rows = built(
        *whole(0, "7"),
        (18, "8", *PRESS), (18, "8", *REFUSED), (30, "8", *PRESS, {"stream": "organics"}),
        (30, *TRAVEL), (34, *IN_PLACE), (35, "8", *UNLOCK), (38, "8", *OPEN), (50, "8", *SHUT),
        (51, "8", *LOCK), (51, *CLEAR), (63, *CLEARED),
        (100, "8", *PRESS), (101, "8", *UNLOCK), (131, "8", *LOCK),
        (200, "9", *PRESS), (200, *TRAVEL), (202, None, "power", "off"),
        (300, None, "power", "on"), (320, "9", *PRESS, {"stream": "refuse"}), (320, *TRAVEL),
        (324, *IN_PLACE), (325, "9", *UNLOCK), (327, "9", *OPEN), (327.1, "9", *SHUT),
        (327.2, "9", *OPEN), (335, "9", *SHUT), (336, "9", *LOCK), (336, *CLEAR), (348, *CLEARED),
        (400, "G", *OPEN), (405, "G", *SHUT), (405, *CLEAR), (417, *CLEARED),
    )  # fmt: skip
    seen = [tuple(row[name] for name in ("cycle", "floor", *TIMES, "outcome")) for row in rows]
    assert seen == [
        (1, "7", 0, 4, 6, 16, 29, "completed"),
        (2, "8", 30, 35, 38, 50, 63, "completed"),
        (3, "8", 100, 101, None, None, None, "not_opened"),
        (4, "9", 200, None, None, None, None, "interrupted"),
        (5, "9", 320, 325, 327, 335, 348, "completed"),
        (6, "G", None, None, 400, 405, 417, "completed"),
    ]
    assert [row["positioning_s"] for row in rows] == [3, 4, None, None, 4, None]
    assert [row["stream"] for row in rows] == ["refuse", "organics", None, None, "refuse", None]


def test_a_bouncing_contact_is_one_cycle_from_first_opening_to_last_closing():
    (row,) = built(
        (0, "7", *UNLOCK), (1, "7", *OPEN), (1.1, "7", *SHUT), (1.2, "7", *OPEN), (9, "7", *SHUT),
        (9.1, "7", *OPEN), (9.2, "7", *SHUT), (10, "7", *LOCK),
    )  # fmt: skip
    assert (row["opened"], row["closed"], row["open_s"]) == (1, 9.2, pytest.approx(8.2))


def test_a_bounce_after_the_lock_has_fallen_belongs_to_the_cycle():
    (row,) = built(
        (0, "7", *UNLOCK), (1, "7", *OPEN), (9, "7", *SHUT), (9.1, "7", *LOCK),
        (9.2, "7", *OPEN), (9.3, "7", *SHUT),
    )  # fmt: skip
    assert (row["closed"], row["outcome"]) == (9.3, "completed")


def test_an_opening_long_after_the_lock_has_fallen_is_a_use_of_its_own():
    rows = built(
        (0, "7", *UNLOCK), (1, "7", *OPEN), (9, "7", *SHUT), (9, "7", *LOCK),
        (21, "7", *OPEN), (25, "7", *SHUT),
    )  # fmt: skip
    assert [(row["unlocked"], row["opened"]) for row in rows] == [(0, 1), (None, 21)]


def test_a_door_that_shuts_after_its_lock_has_fallen_keeps_its_closing():
    (row,) = built((0, "7", *UNLOCK), (1, "7", *OPEN), (2, "7", *LOCK), (9, "7", *SHUT))
    assert (row["closed"], row["outcome"]) == (9, "completed")


def test_door_only_logs_join_openings_closer_than_the_clearing_time():
    rows = built(
        (0, "7", *OPEN), (5, "7", *SHUT), (16.9, "7", *OPEN), (20, "7", *SHUT),
        (32, "7", *OPEN), (40, "7", *SHUT),
    )  # fmt: skip
    assert [(row["opened"], row["closed"]) for row in rows] == [(0, 20), (32, 40)]
    assert [row["pressed"] for row in rows] == [None, None]


def test_the_clearing_time_of_the_chute_joins_its_openings():
    site = Site("quay", "Quay", "UTC", (Chute(id="A", profile="p", limits=Limits(clearing_s=30)),))
    events = [(0, "7", *OPEN), (5, "7", *SHUT), (32, "7", *OPEN), (40, "7", *SHUT)]
    assert len(built(*events, sites={"quay": site})) == 1
    assert len(built(*events)) == 2


def test_presses_of_other_doors_are_not_the_press_acted_upon():
    (row,) = built((0, "8", *PRESS), (1, "7", *PRESS), (3, "7", *UNLOCK), (9, "7", *LOCK))
    assert (row["pressed"], row["wait_s"]) == (1, 2)


def test_a_refused_press_is_not_the_press_acted_upon():
    (row,) = built(
        (0, "7", *PRESS), (0, "7", *REFUSED), (5, "7", *PRESS), (6, "7", *UNLOCK)
    )  # fmt: skip
    assert row["pressed"] == 5


def test_a_refusal_answers_the_nearest_press_that_none_has_taken():
    """Three presses within a second, two refusals: the first press is the one acted upon."""
    (row,) = built(
        (0, "7", *PRESS), (0.5, "7", *PRESS), (1, "7", *PRESS), (1, "7", *REFUSED),
        (1.2, "7", *REFUSED), (4, "7", *UNLOCK),
    )  # fmt: skip
    assert row["pressed"] == 0


@pytest.mark.parametrize(("late", "pressed"), [(2, None), (2.1, 0)])
def test_a_refusal_answers_presses_at_most_two_seconds_back(late, pressed):
    (row,) = built((0, "7", *PRESS), (late, "7", *REFUSED), (4, "7", *UNLOCK))
    assert row["pressed"] == pressed


def test_a_refusal_at_another_door_refuses_nothing_here():
    (row,) = built((0, "7", *PRESS), (0, "8", *REFUSED), (4, "7", *UNLOCK))
    assert row["pressed"] == 0


def test_the_first_of_several_impatient_presses_is_acted_upon():
    (row,) = built((0, "7", *PRESS), (2, "7", *PRESS), (3, "7", *PRESS), (4, "7", *UNLOCK))
    assert row["wait_s"] == 4


def test_presses_before_the_cycle_before_ended_are_not_acted_upon():
    early = [*whole(0, "7")[:-1], (20, "7", *PRESS), (29, *CLEARED)]
    rows = built(*early, (31, "7", *PRESS), (33, "7", *UNLOCK))
    assert [row["pressed"] for row in rows] == [0, 31]
    assert [row["pressed"] for row in built(*early, (33, "7", *UNLOCK))] == [0, None]


def test_a_press_that_came_to_nothing_long_ago_is_not_acted_upon():
    (row,) = built((0, "7", *PRESS), (91, "7", *PRESS), (93, "7", *UNLOCK))
    assert row["wait_s"] == 2
    (row,) = built((0, "7", *PRESS), (90, "7", *PRESS), (93, "7", *UNLOCK))
    assert row["wait_s"] == 93


def test_presses_before_a_power_cut_or_service_are_not_acted_upon():
    for event in ((None, "power", "on"), (None, "service", "on"), (None, "service", "off")):
        (row,) = built((0, "7", *PRESS), (1, *event), (2, "7", *PRESS), (3, "7", *UNLOCK))
        assert row["pressed"] == 2


def test_a_press_written_behind_its_unlock_at_one_time_is_acted_upon_once():
    rows = built(
        (0, "7", *UNLOCK), (0, "7", *PRESS), (3, "7", *OPEN), (5, "7", *SHUT), (6, "7", *LOCK),
        (9, "7", *UNLOCK), (12, "7", *LOCK),
    )  # fmt: skip
    assert [row["pressed"] for row in rows] == [0, None]
    assert rows[0]["wait_s"] == 0


def test_a_press_written_behind_the_next_grant_is_not_this_cycles():
    rows = built((0, "7", *UNLOCK), (0, "8", *UNLOCK), (0, "7", *PRESS))
    assert [row["pressed"] for row in rows] == [None, None]


def test_a_press_behind_a_whole_use_at_one_time_is_not_answered_again():
    rows = built((0, "7", *UNLOCK), (0, "7", *LOCK), (0, "7", *PRESS), (5, "7", *UNLOCK))
    assert [row["pressed"] for row in rows] == [0, None]


def test_an_unlock_of_another_door_parts_two_openings():
    rows = built((0, "7", *OPEN), (5, "7", *SHUT), (6, "8", *UNLOCK), (7, "7", *OPEN))
    assert [(row["floor"], row["opened"]) for row in rows] == [("7", 0), ("8", None), ("7", 7)]


def test_a_grant_shows_that_the_cycle_before_is_over():
    """Door 7 shuts only after 8 was granted; that does not undo the press of 8."""
    rows = built((0, "7", *UNLOCK), (1, "7", *OPEN), (4, "8", *PRESS), (5, "8", *UNLOCK),
                 (7, "7", *SHUT))  # fmt: skip
    assert [(row["floor"], row["closed"], row["pressed"]) for row in rows] == [
        ("7", 7, None), ("8", None, 4),
    ]  # fmt: skip


def test_a_press_that_was_answered_does_not_start_a_travel_too():
    (row,) = built((0, "7", *UNLOCK), (0, "7", *LOCK), (0, "7", *PRESS), (1, *TRAVEL),
                   (2, *IN_PLACE), (3, None, "service", "on"))  # fmt: skip
    assert (row["unlocked"], row["pressed"]) == (0, 0)


def test_a_cycle_lasts_at_least_until_its_last_opening():
    rows = built((0, "7", *UNLOCK), (1, "7", *OPEN), (4, "8", *PRESS), (5, "7", *OPEN),
                 (9, "8", *UNLOCK))  # fmt: skip
    assert [row["pressed"] for row in rows] == [None, None]


def test_an_opening_written_before_its_unlock_at_one_time_belongs_to_it():
    (row,) = built((0, "7", *OPEN), (0, "7", *UNLOCK), (5, "7", *SHUT), (6, "7", *LOCK))
    assert (row["unlocked"], row["opened"], row["outcome"]) == (0, 0, "completed")


def test_an_opening_written_behind_its_relock_at_one_time_belongs_to_it():
    (row,) = built((0, "7", *UNLOCK), (4, "7", *LOCK), (4, "7", *OPEN), (30, "7", *SHUT))
    assert (row["unlocked"], row["opened"], row["outcome"]) == (0, 4, "completed")


def test_cleared_is_null_where_the_chute_records_no_clearing():
    (row,) = built((0, "7", *UNLOCK), (1, "7", *OPEN), (5, "7", *SHUT), (6, "7", *LOCK))
    assert (row["cleared"], row["clear_s"], row["outcome"]) == (None, None, "completed")


def test_a_clearing_after_the_next_grant_is_not_this_cycles():
    rows = built(
        (0, "7", *UNLOCK), (1, "7", *OPEN), (5, "7", *SHUT), (6, "7", *LOCK), (6, *CLEAR),
        *whole(40, "8"),
    )  # fmt: skip
    assert [row["cleared"] for row in rows] == [None, 69]
    assert outcomes(rows) == ["unknown", "completed"]


def test_a_travel_that_no_unlock_follows_is_a_cycle_broken_off():
    rows = built((0, "7", *PRESS), (1, *TRAVEL), (4, *IN_PLACE), *whole(200, "8"))
    assert outcomes(rows) == ["interrupted", "completed"]
    assert (rows[0]["floor"], rows[0]["pressed"], rows[0]["positioning_s"]) == ("7", 0, 3)
    assert rows[1]["positioning_s"] == 3


def test_a_travel_whose_door_was_asked_again_later_was_broken_off():
    """The diverter stands right already, so the second press needs no travel."""
    rows = built(
        (0, "7", *PRESS), (0, *TRAVEL), (3, *IN_PLACE), (500, "7", *PRESS), (501, "7", *UNLOCK)
    )
    assert [(row["pressed"], row["outcome"]) for row in rows] == [
        (0, "interrupted"),
        (500, "unknown"),
    ]
    assert [row["positioning_s"] for row in rows] == [3, None]


def test_a_second_travel_without_a_new_press_is_a_second_try_of_the_same_use():
    (row,) = built(
        (0, "7", *PRESS), (0, *TRAVEL), (3, *IN_PLACE), (8, *TRAVEL), (12, *IN_PLACE),
        (13, "7", *UNLOCK),
    )  # fmt: skip
    assert (row["pressed"], row["wait_s"], row["positioning_s"]) == (0, 13, 4)


def test_a_travel_that_nobody_asked_for_is_no_cycle():
    rows = built((0, *TRAVEL), (3, *IN_PLACE), *whole(100, "7"))
    assert outcomes(rows) == ["completed"]


def test_without_recorded_presses_a_broken_travel_is_a_cycle_of_an_unknown_floor():
    rows = built((0, *TRAVEL), (3, *IN_PLACE), (9, *TRAVEL), (12, *IN_PLACE), (13, "7", *UNLOCK))
    assert [(row["floor"], row["outcome"]) for row in rows] == [
        (None, "interrupted"),
        ("7", "unknown"),
    ]


def test_a_travel_at_the_log_end_has_an_unknown_outcome():
    assert outcomes(built((0, "7", *PRESS), (0, *TRAVEL), (1, *IN_PLACE))) == ["unknown"]


def test_power_loss_interrupts_what_runs():
    loss = (None, "power", "off")
    for events in (
        [(0, "7", *UNLOCK), (5, *loss)],
        [(0, "7", *UNLOCK), (1, "7", *OPEN), (5, *loss)],
        [
            (0, "7", *UNLOCK),
            (1, "7", *OPEN),
            (2, "7", *SHUT),
            (2, "7", *LOCK),
            (2, *CLEAR),
            (5, *loss),
        ],
    ):
        assert outcomes(built(*events, (9, "7", *SHUT))) [0] == "interrupted"  # fmt: skip


def test_power_loss_after_all_is_done_interrupts_nothing():
    assert outcomes(built(*whole(0, "7"), (29, None, "power", "off"))) == ["completed"]


@pytest.mark.parametrize(
    "trouble",
    [(None, "service", "on"), (None, "fault", "mark"), ("7", "fault", "on"), (None, "full", "on")],
)
def test_trouble_at_the_moment_of_locking_interrupts(trouble):
    events = [(0, "7", *UNLOCK), (10, *trouble), (12, "7", *LOCK), (20, "8", *OPEN)]
    assert outcomes(built(*events))[0] == "interrupted"
    behind = [(0, "7", *UNLOCK), (10, "7", *LOCK), (12, *trouble), (20, "8", *OPEN)]
    assert outcomes(built(*behind))[0] == "interrupted"
    early = [(0, "7", *UNLOCK), (9.9, *trouble), (12, "7", *LOCK), (20, "8", *OPEN)]
    assert outcomes(built(*early))[0] == "not_opened"


def test_a_lockout_during_a_granted_cycle_changes_nothing():
    events = sorted([*whole(0, "7"), (5, "7", "lockout", "on"), (95, "7", "lockout", "off")],
                    key=lambda event: event[0])  # fmt: skip
    assert outcomes(built(*events)) == ["completed"]


def test_a_missing_closing_leaves_the_outcome_unknown():
    rows = built((0, "7", *UNLOCK), (1, "7", *OPEN), (9, "7", *LOCK), *whole(100, "7"))
    assert (rows[0]["closed"], rows[0]["open_s"], rows[0]["outcome"]) == (None, None, "unknown")


def test_a_missing_last_closing_is_null_even_if_a_bounce_was_closed():
    (row,) = built((0, "7", *UNLOCK), (1, "7", *OPEN), (2, "7", *SHUT), (3, "7", *OPEN))
    assert (row["opened"], row["closed"]) == (1, None)


def test_a_missing_unlock_leaves_its_time_null_but_the_use_complete():
    (row,) = built((0, "7", *PRESS), (3, "7", *OPEN), (8, "7", *SHUT), (9, "7", *LOCK))
    assert (row["pressed"], row["unlocked"], row["opened"]) == (0, None, 3)
    assert (row["wait_s"], row["outcome"]) == (None, "completed")


def test_a_missing_relock_lets_openings_count_until_the_next_unlock():
    rows = built((0, "7", *UNLOCK), (40, "7", *OPEN), (50, "7", *SHUT), *whole(100, "8"),
                 (200, "7", *OPEN), (210, "7", *SHUT), *whole(300, "7"))  # fmt: skip
    assert [(row["floor"], row["unlocked"], row["opened"]) for row in rows] == [
        ("7", 0, 40), ("8", 104, 106), ("7", None, 200), ("7", 304, 306),
    ]  # fmt: skip


def test_a_log_that_starts_with_an_open_door_gives_a_cycle_with_null_times():
    (row,) = built((0, None, "note", "mark"), (5, "7", *SHUT), (6, "7", *LOCK))
    assert [row[name] for name in TIMES] == [None, None, None, 5, None]
    assert row["outcome"] == "unknown"


def test_what_runs_as_the_log_ends_is_unknown():
    assert outcomes(built((0, "7", *UNLOCK))) == ["unknown"]
    assert outcomes(built((0, "7", *UNLOCK), (1, "7", *OPEN))) == ["unknown"]
    assert outcomes(built(*whole(0, "7")[:-1])) == ["unknown"]


def test_without_door_contacts_a_clearing_shows_that_the_use_was_completed():
    rows = built(
        (0, "7", *UNLOCK),
        (9, "7", *LOCK),
        (9, *CLEAR),
        (20, *CLEARED),
        (30, "8", *UNLOCK),
        (40, "8", *LOCK),
    )
    assert outcomes(rows) == ["completed", "unknown"]


def test_several_chutes_count_their_cycles_apart():
    rows = built(*[(*event, {"chute": chute}) if len(event) == 4 else (*event[:4], {"chute": chute})
                   for chute in "AB" for event in [*whole(0, "7"), *whole(50, "7")]])  # fmt: skip
    assert [(row["chute"], row["cycle"]) for row in rows] == [
        ("A", 1),
        ("A", 2),
        ("B", 1),
        ("B", 2),
    ]


def test_overlapping_doors_are_one_cycle_for_each_unlock():
    rows = built(
        (0, "7", *UNLOCK), (1, "8", *UNLOCK), (2, "7", *OPEN), (3, "8", *OPEN), (4, "7", *SHUT),
        (5, "8", *SHUT), (6, "7", *LOCK), (7, "8", *LOCK),
    )  # fmt: skip
    assert [(row["floor"], row["opened"], row["closed"]) for row in rows] == [
        ("7", 2, 4),
        ("8", 3, 5),
    ]


def test_a_cycle_half_in_an_unanchored_stretch_has_null_seconds_across_it():
    loose = {"clock": "unanchored"}
    (row,) = built(
        (0, "7", *PRESS, loose), (4, "7", *UNLOCK, loose), (6, "7", *OPEN), (9, "7", *SHUT)
    )
    assert (row["wait_s"], row["reach_s"], row["open_s"]) == (4, None, 3)


def test_the_source_and_line_are_of_the_press_else_of_the_travel_else_of_the_grant():
    assert built(*whole(0, "7"))[0]["line"] == 1
    assert built((0, None, "note", "mark"), *whole(0, "7")[1:])[0]["line"] == 2
    assert built((0, None, "note", "mark"), *whole(0, "7")[3:])[0]["line"] == 2


def test_intervals_of_another_timeline_are_refused():
    one, other = timeline(*whole(0, "7")), timeline(*whole(0, "7"), *whole(60, "8"))
    with pytest.raises(TableError, match="do not fit"):
        cycles(one, pair(other), {})
