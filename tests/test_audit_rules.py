"""Each rule of the audit: a smallest log that keeps it, breaks it, cannot test it, and the edge.

Stamps of these logs are whole seconds, so one second is in doubt everywhere.
"""

import pandas as pd
import pytest

from loganalyzer.audit import RULES
from loganalyzer.stats import free_fall_s
from loganalyzer.tables import TABLES, conform
from tests.audited import (
    END,
    FALL,
    IN_PLACE,
    LANDED,
    LOCK,
    LOCKOUT,
    OPEN,
    PRESS,
    REFUSAL,
    RELEASE,
    SHUT,
    TURN,
    UNLOCK,
    audited,
    lines,
    of_log,
    outcome,
    site,
)
from tests.build import timeline


def use(start, floor="7"):
    """Unlocked, open, shut, locked, cleared: 25 seconds."""
    script = [(0, *UNLOCK), (2, *OPEN), (11, *SHUT), (12, *LOCK)]
    mine = [(start + at, floor, *event) for at, *event in script]
    return [*mine, (start + 13, *FALL), (start + 25, *LANDED)]


def mixed(*events):
    """Events of several doors in the order of their times."""
    return sorted(events, key=lambda event: event[0])


def other(start, what, *rest):
    return (start, None, what, *rest)


NEVER = "never put to the test in this log"


# Names, tables, nothing at all.


def test_the_rules_are_those_of_the_contract():
    assert [rule.name for rule in RULES] == [
        "one_door", "forced_open", "sorter_still", "full_holds", "service_holds",
        "lockout_trips", "lockout_releases", "lockout_local", "clearing_holds",
        "clearing_long_enough",
    ]  # fmt: skip


def test_the_tables_have_the_columns_and_types_of_the_contract():
    found = audited(*mixed(*use(0), (3, "8", *UNLOCK), (9, "8", *LOCK), (30, *END)))
    assert len(found.violations) > 0
    for name in ("audit", "violations"):
        table = getattr(found, name)
        assert list(table.columns) == TABLES[name].names
        assert conform(table, name).schema == TABLES[name]


def test_an_empty_log_breaks_nothing_and_tests_nothing():
    found = audited()
    assert found.audit.empty
    assert found.violations.empty
    assert found.mismatches.empty


@pytest.mark.parametrize("rule", [rule.name for rule in RULES])
def test_a_log_with_only_notes_can_test_no_rule_and_says_why(rule):
    tested, broken, reason = outcome(audited((0, *END), (7, *END)), rule)
    assert (tested, broken) == (None, None)
    assert "not in the log" in reason


def test_rules_of_two_chutes_are_told_apart():
    log = [*use(0), (40, *END)]
    bad = [(5, "8", *UNLOCK, {"chute": "B"}), (7, "9", *UNLOCK, {"chute": "B"}),
           (20, "8", *LOCK, {"chute": "B"}), (21, "9", *LOCK, {"chute": "B"})]  # fmt: skip
    found = audited(*log, *bad)
    broken = found.audit[found.audit["rule"].eq("one_door")].set_index("chute")["broken"]
    assert broken.to_dict() == {"A": 0, "B": 1}
    assert found.violations["chute"].tolist() == ["B"]


# one_door


def test_doors_used_one_after_the_other_keep_the_rule():
    assert outcome(audited(*use(0), *use(30, "8"), (60, *END)), "one_door") == (2, 0, None)


def test_two_doors_open_at_once_are_a_violation_told_with_its_line():
    found = audited((0, "7", *OPEN), (5, "8", *OPEN), (11, "7", *SHUT), (13, "8", *SHUT))
    assert outcome(found, "one_door") == (2, 1, None)
    (row,) = found.violations.to_dict("records")
    assert (row["rule"], row["floor"], row["line"], row["source"]) == ("one_door", "8", 2, "log")
    assert row["detail"] == "door 8 open while door 7 was open (line 1), both for at least 5 s"


def test_a_door_unlocked_while_another_is_unlocked_is_one_violation_a_use():
    second = [(5, "8", *UNLOCK), (7, "8", *OPEN), (9, "8", *SHUT), (10, "8", *LOCK)]
    assert lines(audited(*mixed(*use(0), *second)), "one_door") == [3]


@pytest.mark.parametrize(("overlap", "broken"), [(0, 0), (1, 0), (2, 1)])
def test_doors_that_meet_within_a_step_of_the_clock_are_no_violation(overlap, broken):
    found = audited(
        (0, "7", *OPEN), (20 - overlap, "8", *OPEN), (20, "7", *SHUT), (31, "8", *SHUT)
    )  # fmt: skip
    assert outcome(found, "one_door")[1] == broken


def test_lines_of_one_second_in_any_order_are_no_violation():
    found = audited(*use(0)[:3], (12, "8", *UNLOCK), (12, "7", *LOCK), (21, "8", *LOCK))
    assert outcome(found, "one_door")[1] == 0


def test_a_closing_that_is_missing_makes_no_door_stay_open():
    log = [(0, "7", *OPEN), (30, "8", *OPEN), (41, "8", *SHUT), (70, "7", *OPEN), (75, "7", *SHUT)]
    assert outcome(audited(*log), "one_door")[1] == 0


def test_a_door_left_open_to_the_end_of_the_log_is_told_once():
    """Its closing may be the line that is lost, so it makes no violations by the dozen."""
    found = audited((0, "7", *OPEN), *use(30, "8"), *use(70, "9"), (103, *END))
    assert lines(found, "one_door") == [2]


def test_a_locked_leaf_that_rattles_is_not_an_open_door():
    rattle = [(5, "8", *OPEN), (6, "8", *SHUT)]
    found = audited(*mixed(*use(0), *rattle), *use(40, "8"), (70, *END))
    assert outcome(found, "one_door")[1] == 0
    assert outcome(found, "forced_open")[1] == 0


# forced_open


def test_a_door_opened_while_unlocked_keeps_the_rule():
    assert outcome(audited(*use(0), *use(30), (61, *END)), "forced_open") == (2, 0, None)


def test_a_door_opened_while_locked_is_a_violation():
    found = audited(*use(0), (40, "7", *OPEN), (51, "7", *SHUT), *use(100), (131, *END))
    assert outcome(found, "forced_open") == (3, 1, None)
    assert lines(found, "forced_open") == [7]
    assert "last locked at line 4" in found.violations["detail"].iloc[0]


def test_a_door_whose_unlocking_is_not_in_the_log_is_not_judged():
    found = audited(*use(0), (40, "8", *OPEN), (51, "8", *SHUT), (60, *END))
    assert outcome(found, "forced_open") == (1, 0, None)


def test_an_opening_between_an_off_and_an_off_lacks_its_unlock_and_is_not_judged():
    found = audited(*use(0), (40, "7", *OPEN), (51, "7", *SHUT), (52, "7", *LOCK), (60, *END))
    assert outcome(found, "forced_open") == (1, 0, None)


@pytest.mark.parametrize(("late", "broken"), [(0, 0), (1, 0), (2, 1)])
def test_an_opening_within_a_step_of_the_lock_is_no_violation(late, broken):
    log = [(0, "7", *UNLOCK), (9, "7", *LOCK), (9 + late, "7", *OPEN), (31, "7", *SHUT)]
    assert outcome(audited(*log, *use(60)), "forced_open")[1] == broken


def test_a_leaf_that_bounces_after_the_lock_has_fallen_is_not_forced():
    log = [*use(0)[:4], (12, "7", *OPEN), (19, "7", *SHUT), *use(60)]
    assert outcome(audited(*log), "forced_open")[1] == 0


def test_a_door_opened_by_the_key_in_service_is_not_judged():
    log = [*use(0), other(40, "service", "on"), (50, "7", *OPEN), (71, "7", *SHUT),
           other(90, "service", "off"), *use(100)]  # fmt: skip
    assert outcome(audited(*log), "forced_open") == (2, 0, None)


# sorter_still


def test_a_diverter_that_moves_while_all_is_shut_keeps_the_rule():
    found = audited((0, *TURN), (4, *IN_PLACE), *use(5), (41, *END))
    assert outcome(found, "sorter_still") == (1, 0, None)


def test_a_diverter_that_moves_at_an_open_door_is_a_violation():
    found = audited((0, "7", *OPEN), (3, *TURN), (8, *IN_PLACE), (11, "7", *SHUT), (20, *END))
    assert outcome(found, "sorter_still") == (1, 1, None)
    assert lines(found, "sorter_still") == [2]


def test_a_diverter_that_moves_at_the_very_door_that_its_line_names_is_a_violation():
    found = audited((0, "7", *OPEN), (3, "7", *TURN[1:]), (8, "7", *IN_PLACE[1:]),
                    (11, "7", *SHUT), (20, *END))  # fmt: skip
    assert outcome(found, "sorter_still")[1] == 1


def test_a_diverter_that_moves_while_material_falls_is_a_violation():
    found = audited((0, *FALL), (3, *TURN), (8, *IN_PLACE), (11, *LANDED), (20, *END))
    assert lines(found, "sorter_still") == [2]
    assert "material was falling" in found.violations["detail"].iloc[0]


@pytest.mark.parametrize(("overlap", "broken"), [(0, 0), (1, 0), (2, 1)])
def test_a_diverter_that_sets_off_within_a_step_of_the_closing_is_no_violation(overlap, broken):
    log = [(0, "7", *OPEN), (11 - overlap, *TURN), (11, "7", *SHUT), (16, *IN_PLACE)]
    assert outcome(audited(*log, (30, *END)), "sorter_still")[1] == broken


# full_holds, service_holds


def full(start, end, stream="refuse"):
    return (
        other(start, "full", "on", {"stream": stream}),
        other(end, "full", "off", {"stream": stream}),
    )


def test_presses_refused_while_a_container_is_full_keep_the_rule():
    on, off = full(50, 150)
    log = [*use(0), on, (61, "8", *PRESS), (61, "8", *REFUSAL, {"code": "full"}), off, *use(203)]
    assert outcome(audited(*log), "full_holds") == (1, 0, None)


def test_an_unlock_while_a_container_is_full_is_a_violation():
    on, off = full(50, 150)
    found = audited(*use(0), on, (61, "8", *PRESS), *use(62, "8"), off, (203, *END))
    assert outcome(found, "full_holds") == (1, 1, None)
    assert lines(found, "full_holds") == [9]
    assert "the refuse container was full (since line 7)" in found.violations["detail"].iloc[0]


def test_a_log_in_which_nothing_was_asked_while_full_did_not_test_the_rule():
    on, off = full(50, 150)
    tested, broken, reason = outcome(audited(*use(0), on, off, *use(203)), "full_holds")
    assert (tested, broken) == (0, 0)
    assert reason == NEVER


@pytest.mark.parametrize(("late", "broken"), [(0, 0), (1, 0), (2, 1)])
def test_an_unlock_within_a_step_of_the_full_container_is_no_violation(late, broken):
    on, off = full(50, 150)
    pressed = [(50 + late, "8", *PRESS), (50 + late, "8", *UNLOCK), (83, "8", *LOCK)]
    log = [on, *pressed, off, (203, *END)]
    assert outcome(audited(*log), "full_holds")[1] == broken


def test_a_use_granted_before_the_container_was_full_is_no_violation():
    on, off = full(50, 150)
    log = [(41, "8", *PRESS), on, (60, "8", *UNLOCK), (83, "8", *LOCK), off, (203, *END)]
    assert outcome(audited(*log), "full_holds")[1] == 0


def test_containers_of_two_streams_are_told_apart():
    first_on, first_off = full(10, 50, "refuse")
    second_on, second_off = full(5, 90, "recycling")
    log = [second_on, first_on, first_off, second_off, (101, "8", *PRESS), *use(102, "8")]
    assert outcome(audited(*log), "full_holds")[1] == 0


def test_a_chute_that_goes_on_with_other_streams_is_said_to_have_another_rule():
    on, off = full(50, 450, "refuse")
    served = [
        event
        for start in (61, 121, 181)
        for event in ((start, "8", *PRESS, {"stream": "recycling"}), *use(start + 1, "8"))
    ]
    own = [(301, "8", *PRESS, {"stream": "refuse"}), *use(302, "8")]
    kept, wrong = audited(on, *served, off), audited(on, *served, *own, off)
    tested, broken, reason = outcome(kept, "full_holds")
    assert (tested, broken) == (3, 0)
    assert reason.startswith("the controller's rule differs")
    assert lines(wrong, "full_holds") == [24]


def test_two_unlocks_for_other_streams_do_not_make_another_rule():
    on, off = full(50, 450, "refuse")
    served = [
        event
        for start in (61, 121)
        for event in ((start, "8", *PRESS, {"stream": "recycling"}), *use(start + 1, "8"))
    ]
    assert outcome(audited(on, *served, off), "full_holds") == (2, 2, None)


def service(start, end):
    return other(start, "service", "on"), other(end, "service", "off")


def test_presses_refused_during_service_keep_the_rule():
    on, off = service(50, 150)
    log = [*use(0), on, (61, "8", *PRESS), (61, "8", *REFUSAL, {"code": "service"}), off]
    assert outcome(audited(*log, *use(203)), "service_holds") == (1, 0, None)


def test_an_unlock_during_service_is_a_violation():
    on, off = service(50, 150)
    found = audited(*use(0), on, *use(71, "8"), off, (203, *END))
    assert outcome(found, "service_holds") == (1, 1, None)
    assert lines(found, "service_holds") == [8]


@pytest.mark.parametrize(("late", "broken"), [(0, 0), (1, 0), (2, 1)])
def test_an_unlock_within_a_step_of_the_service_is_no_violation(late, broken):
    on, off = service(50, 150)
    pressed = [(50 + late, "8", *PRESS), (50 + late, "8", *UNLOCK), (83, "8", *LOCK)]
    assert outcome(audited(on, *pressed, off, (203, *END)), "service_holds")[1] == broken


# lockout_trips, lockout_releases, lockout_local


def presses(*times, floor="7"):
    return [(at, floor, *PRESS) for at in times]


def lockout(on, off, floor="7"):
    return (on, floor, *LOCKOUT), (off, floor, *RELEASE)


def test_a_lockout_at_the_press_beyond_the_limit_keeps_the_rule():
    on, off = lockout(41, 131)
    log = [(-200, *END), *presses(1, 11, 21, 31, 41), on, off, (301, *END)]
    assert outcome(audited(*log), "lockout_trips") == (1, 0, None)


def test_a_lockout_after_too_few_presses_is_a_violation():
    on, off = lockout(31, 121)
    found = audited((-200, *END), *presses(1, 11, 21, 31), on, off, (301, *END))
    assert outcome(found, "lockout_trips") == (1, 1, None)
    assert lines(found, "lockout_trips") == [6]
    assert found.violations["detail"].iloc[0] == (
        "door 7 locked out after 4 presses within 90 s, the first at line 2; the limit is 4"
    )


def test_too_many_presses_without_a_lockout_are_a_violation():
    on, off = lockout(1041, 1131)
    later = [*presses(1001, 1011, 1021, 1031, 1041), on, off]
    found = audited(*presses(1, 11, 21, 31, 41), *later, (1301, *END))
    assert outcome(found, "lockout_trips") == (2, 1, None)
    assert lines(found, "lockout_trips") == [5]


def test_a_log_without_lockouts_cannot_test_them():
    for rule in ("lockout_trips", "lockout_releases", "lockout_local"):
        tested, _, reason = outcome(audited(*presses(1, 11, 21, 31, 41), *use(203)), rule)
        assert tested is None
        assert reason == "lockouts not in the log"


@pytest.mark.parametrize(("last", "broken"), [(88, 1), (89, 1), (90, 0), (91, 0), (200, 0)])
def test_presses_that_fill_the_window_to_a_step_are_not_judged(last, broken):
    """Written 90 s apart they may be 90.9 s apart, outside of the window of 90 s."""
    on, off = lockout(1041, 1131)
    later = [*presses(1001, 1011, 1021, 1031, 1041), on, off]
    found = audited(*presses(0, 11, 21, 31, last), *later, (1301, *END))
    assert outcome(found, "lockout_trips")[1] == broken


@pytest.mark.parametrize(("first", "broken"), [(0, 0), (1, 0), (-1, 0), (-2, 1)])
def test_a_press_exactly_the_window_before_counts_towards_a_lockout(first, broken):
    # Source: the contract: a press exactly press_window_s after another is inside its window.
    on, off = lockout(90, 181)
    log = [(-300, *END), *presses(first, 61, 71, 81, 90), on, off, (301, *END)]
    assert outcome(audited(*log), "lockout_trips")[1] == broken


def test_refused_presses_count_and_a_refusal_without_its_press_is_one():
    on, off = lockout(41, 131)
    refused = [(at, "7", *REFUSAL, {"code": "busy"}) for at in (1, 11, 21, 31, 41)]
    assert outcome(audited((-200, *END), *refused, on, off, (301, *END)), "lockout_trips")[1] == 0


def test_after_a_lockout_the_count_begins_anew():
    on, off = lockout(41, 131)
    first = [(-200, *END), *presses(1, 11, 21, 31, 41), on, off]
    four = presses(133, 134, 135, 136)
    fine, early = audited(*first, *four, (301, *END)), audited(
        *first, *four[:2], *lockout(134, 224), (301, *END)
    )  # fmt: skip
    assert outcome(fine, "lockout_trips") == (1, 0, None)
    assert lines(early, "lockout_trips") == [11]


def test_a_lockout_one_press_short_is_not_judged_where_a_line_could_not_be_read():
    on, off = lockout(31, 121)
    log = [(-200, *END), *presses(1, 11, 21, 31), on, off, (301, *END)]
    gap = [(*event, {"line": number + (number > 3)}) for number, event in enumerate(log, start=1)]
    assert outcome(audited(*gap), "lockout_trips")[:2] == (0, 0)


def test_a_lockout_just_after_the_start_of_the_log_is_not_judged():
    on, off = lockout(31, 121)
    assert outcome(audited(*presses(1, 11, 21, 31), on, off, (301, *END)), "lockout_trips")[1] == 0


def test_a_lockout_that_ends_after_the_quiet_time_keeps_the_rule():
    on, off = lockout(41, 151)
    log = [*presses(1, 11, 21, 31, 41), on, *presses(61), off, (301, *END)]
    assert outcome(audited(*log), "lockout_releases") == (1, 0, None)


@pytest.mark.parametrize(
    ("end", "broken"), [(129, 1), (130, 0), (131, 0), (132, 0), (134, 0), (135, 1), (400, 1)]
)
def test_a_lockout_that_ends_too_early_or_too_late_is_a_violation(end, broken):
    on, off = lockout(41, end)
    found = audited(*presses(1, 11, 21, 31, 41), on, off, (501, *END))
    assert outcome(found, "lockout_releases") == (1, broken, None)
    assert lines(found, "lockout_releases") == [7] * broken


def test_a_press_in_a_lockout_prolongs_it():
    on, off = lockout(41, 131)
    found = audited(*presses(1, 11, 21, 31, 41), on, *presses(61), off, (301, *END))
    assert lines(found, "lockout_releases") == [8]


def test_a_lockout_that_power_ends_is_not_judged():
    log = [*presses(1, 11, 21, 31, 41), lockout(41, 0)[0], other(61, "power", "off"),
           other(71, "power", "on"), *presses(81), (301, *END)]  # fmt: skip
    assert outcome(audited(*log), "lockout_releases")[:2] == (0, 0)


def elsewhere(*events):
    on, off = lockout(41, 131)
    return audited(*use(-100), *presses(1, 11, 21, 31, 41), on, *events, off, *use(203))


def test_a_door_served_while_another_is_locked_out_keeps_the_rule():
    found = elsewhere((61, "8", *PRESS), *use(62, "8"))
    assert outcome(found, "lockout_local") == (1, 0, None)


def test_a_door_refused_for_another_ones_lockout_is_a_violation():
    found = elsewhere((61, "8", *PRESS), (61, "8", *REFUSAL, {"code": "lockout"}))
    assert outcome(found, "lockout_local") == (1, 1, None)
    assert lines(found, "lockout_local") == [13]


def test_presses_elsewhere_that_nobody_answers_are_a_violation():
    found = elsewhere((61, "8", *PRESS), (81, "9", *PRESS))
    assert outcome(found, "lockout_local") == (1, 1, None)


def test_one_press_elsewhere_without_an_answer_is_not_certain():
    assert outcome(elsewhere((61, "8", *PRESS)), "lockout_local")[:2] == (0, 0)


def test_a_lockout_in_which_nobody_else_came_did_not_test_the_rule():
    assert outcome(elsewhere(), "lockout_local")[:2] == (0, 0)


def test_two_doors_may_be_locked_out_at_once():
    on, _ = lockout(65, 155, "8")
    refused = [(71, "8", *PRESS), (71, "8", *REFUSAL, {"code": "lockout"})]
    found = elsewhere(*presses(61, 62, 63, 64, 65, floor="8"), on, *refused)
    assert outcome(found, "lockout_local") == (0, 0, NEVER)


@pytest.mark.parametrize("at", [41, 42, 130, 131])
def test_a_refusal_within_a_step_of_the_lockout_is_no_violation(at):
    log = sorted(
        [*presses(1, 11, 21, 31, 41), *lockout(41, 131), (at, "8", *PRESS),
         (at, "8", *REFUSAL, {"code": "lockout"})],
        key=lambda event: event[0],
    )  # fmt: skip
    assert outcome(audited(*use(-100), *log, *use(203)), "lockout_local")[1] == 0


# clearing_holds, clearing_long_enough


def test_a_chute_that_waits_for_the_material_keeps_the_rule():
    found = audited(*use(0), (25, "8", *PRESS), *use(26, "8"), (61, *END))
    assert outcome(found, "clearing_holds") == (2, 0, None)


def test_an_unlock_while_material_falls_is_a_violation():
    found = audited(*use(0)[:5], (19, "8", *UNLOCK), (25, *LANDED), (33, "8", *LOCK), (61, *END))
    assert outcome(found, "clearing_holds") == (1, 1, None)
    assert lines(found, "clearing_holds") == [6]


def test_a_diverter_that_sets_off_while_material_falls_breaks_both_rules():
    found = audited(*use(0)[:5], (19, *TURN), (24, *IN_PLACE), (25, *LANDED), (61, *END))
    assert lines(found, "clearing_holds") == [6]
    assert lines(found, "sorter_still") == [6]


@pytest.mark.parametrize(("at", "broken"), [(13, 0), (14, 0), (15, 1), (23, 1), (24, 0), (25, 0)])
def test_an_unlock_within_a_step_of_either_end_of_a_clearing_is_no_violation(at, broken):
    log = [*use(0)[:5], (at, "8", *UNLOCK), (25, *LANDED), (33, "8", *LOCK), (61, *END)]
    assert outcome(audited(*log), "clearing_holds")[1] == broken


def fall_of(seconds, **more):
    log = [(0, "7", *UNLOCK), (2, "7", *OPEN), (11, "7", *SHUT), (11, "7", *LOCK), (11, *FALL),
           (11 + seconds, *LANDED), (61, *END)]  # fmt: skip
    return audited(*log, sites=site({"7": 120.0}), **more)


# Source: free fall t = sqrt(2 h / g), standard gravity 9.80665 m/s2 (3rd CGPM 1901, SI
# Brochure); the times by direct arithmetic, to a millionth.
FREE_FALL = {3: 0.782195, 10: 1.428087, 30: 2.473519, 60: 3.498084, 120: 4.947038}


def test_free_fall_takes_the_times_of_standard_gravity():
    assert free_fall_s(list(FREE_FALL)) == pytest.approx(list(FREE_FALL.values()), rel=1e-6)


@pytest.mark.parametrize(("seconds", "broken"), [(3, 1), (4, 0), (5, 0), (12, 0)])
def test_a_clearing_shorter_than_free_fall_beyond_a_step_is_a_violation(seconds, broken):
    """120 m take 4.947 s; written 4 s it may have lasted 4.99 s."""
    found = fall_of(seconds)
    assert outcome(found, "clearing_long_enough") == (1, broken, None)
    assert lines(found, "clearing_long_enough") == [6] * broken


def test_a_finer_clock_tells_a_shorter_clearing():
    assert outcome(fall_of(4.8), "clearing_long_enough") == (1, 1, None)
    assert outcome(fall_of(4.9), "clearing_long_enough") == (1, 0, None)


def test_a_site_file_without_heights_cannot_test_the_clearing_time():
    found = audited(*use(0), (61, *END), sites=site())
    tested, broken, reason = outcome(found, "clearing_long_enough")
    assert (tested, broken, reason) == (None, None, "no elevation_m in the site file")


def test_a_fall_that_is_over_within_a_step_puts_nothing_to_the_test():
    found = audited(*use(0), (61, *END), sites=site({"7": 3.0}))
    assert outcome(found, "clearing_long_enough")[:2] == (0, 0)


# Clocks.


def test_stamps_of_whole_minutes_cannot_test_what_happens_in_seconds():
    log = [(60 * at, *event) for at, event in enumerate([
        ("7", *UNLOCK), ("7", *OPEN), ("7", *SHUT), ("7", *LOCK), FALL, LANDED,
    ])]  # fmt: skip
    tested, _, reason = outcome(audited(*log), "clearing_holds")
    assert tested is None
    assert reason == "the log tells time only in steps of 60 s, too coarse for this rule"


def test_nothing_is_a_violation_across_a_clock_that_ran_back():
    log = [(0, "7", *OPEN), (40, "8", *OPEN), (20, "8", *SHUT), (71, "7", *SHUT), (81, *END)]
    assert outcome(audited(*log), "one_door")[1] == 0


def test_an_unanchored_stretch_is_measured_by_its_own_clock_only():
    lost = {"clock": "unanchored"}
    log = [(0, "7", *OPEN), (40, "8", *OPEN, lost), (61, "8", *SHUT, lost), (71, "7", *SHUT)]
    assert outcome(audited(*log), "one_door")[1] == 0


def test_a_corrected_clock_is_doubted_by_the_amount_of_the_correction():
    """10 s were spread over the opening: an overlap of 7 s is then not certain."""
    log = timeline((0, "7", *OPEN), (13, "8", *OPEN), (20, "7", *SHUT), (31, "8", *SHUT))
    moved = pd.to_timedelta(pd.Series([0, 10, 0, 0]), unit="s")
    corrected = log.assign(device_time=log["device_time"] + moved)
    assert outcome(of_log(log, site()), "one_door")[1] == 1
    assert outcome(of_log(corrected, site()), "one_door")[1] == 0


def test_the_one_hour_that_occurs_twice_is_not_measured_from_outside():
    fold = {"clock": "fold"}
    log = [(0, "7", *OPEN), (40, "8", *OPEN, fold), (61, "7", *SHUT), (71, "8", *SHUT)]
    assert outcome(audited(*log), "one_door")[1] == 0
