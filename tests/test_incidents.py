"""Each kind of incident on the smallest log that shows it."""

import json
import random

import pandas as pd
import pytest
from scipy.stats import nbinom

from loganalyzer.incidents import RULES
from loganalyzer.incidents.kinds import CAUTION, KINDS
from loganalyzer.tables import AUDIENCES, INCIDENT_KINDS, conform
from tests.build import at, timeline
from tests.troubles import incidents_of

CODES = {("quay", "A"): {"E12": "sorter", "E30": "latch", "E40": "compactor", "E50": "wiring"}}


def found(*events, components=CODES):
    return incidents_of(timeline(*events), components)


def the_one(*events, kind=None):
    table = found(*events)
    if kind:
        table = table[table["kind"].eq(kind)]
    (row,) = table.to_dict("records")
    return row


def opened(on, off, floor="7"):
    return [(on, floor, "open", "on"), (off, floor, "open", "off")]


END = (5000, "9", "note", "mark")


def test_a_door_open_longer_than_the_limit_is_stuck():
    row = the_one(*opened(10, 56), END)
    assert (row["kind"], row["floor"], row["start"], row["end"]) == (
        "stuck_door", "7", at(10), at(56)
    )  # fmt: skip
    assert (row["seconds"], row["ongoing"], row["for"]) == (46, False, "technician")
    assert json.loads(row["evidence"]) == ["log:1", "log:2"]
    assert found(*opened(10, 55), END).empty


def test_a_door_still_open_when_the_log_ends_is_ongoing():
    row = the_one((0, "7", "open", "on"), (100, "8", "press", "mark"))
    assert row["ongoing"]
    assert row["seconds"] == 100
    assert found((0, "7", "open", "on"), (45, "8", "press", "mark")).empty


def test_a_bouncing_contact_makes_one_stuck_door():
    row = the_one(*opened(0, 30), *opened(31, 70), END)
    assert row["seconds"] == 70
    assert len(json.loads(row["evidence"])) == 4


def test_two_uses_make_no_stuck_door():
    assert found(*opened(0, 30), *opened(40, 70), END).empty


def test_a_missing_closing_makes_no_stuck_door():
    assert found((0, "7", "open", "on"), *opened(900, 910), END).empty


def test_a_door_open_when_power_fails_was_open_at_least_so_long():
    table = found(
        (0, "7", "open", "on"), (60, None, "power", "off"), (70, None, "power", "on"), END
    )
    assert table["kind"].tolist() == ["stuck_door", "power_loss"]
    assert table["seconds"].tolist() == [60, 10]


def full(on, off, stream="recycling"):
    return [
        (on, None, "full", "on", {"stream": stream}),
        (off, None, "full", "off", {"stream": stream}),
    ]


def refusal(when, code, floor="7", stream=None):
    return (when, floor, "refusal", "mark", {"code": code, "stream": stream})


def test_a_full_container_counts_the_presses_refused_for_it():
    row = the_one(
        full(0, 600)[0], refusal(10, "full", stream="recycling"), refusal(20, "full"),
        refusal(30, "full", stream="refuse"), refusal(40, "busy"), full(0, 600)[1],
        refusal(700, "full"),
    )  # fmt: skip
    assert (row["kind"], row["stream"], row["refused"]) == ("container_full", "recycling", 2)
    assert row["for"] == "coordinator"


def test_a_flapping_fill_sensor_is_one_full_container():
    assert len(found(*full(0, 600), *full(630, 900), *full(5000, 5100), END)) == 2


def test_refused_presses_are_not_zero_where_none_are_recorded():
    assert pd.isna(the_one(*full(0, 600), END)["refused"])


def test_a_full_container_that_nobody_saw_emptied_has_no_end():
    table = found(
        (0, None, "full", "on", {"stream": "refuse"}), *full(4000, 4100, "refuse"),
        refusal(5000, "full"),
    )  # fmt: skip
    assert table["seconds"].isna().tolist() == [True, False]
    assert table["end"].isna().tolist() == [True, False]
    assert table["refused"].isna().tolist() == [True, False]


def test_logged_lockouts_show_their_presses_and_their_episode():
    presses = [(s, "7", "press", "mark") for s in (0, 1, 2, 3, 4)]
    table = found(
        *presses, (4, "7", "lockout", "on"), refusal(5, "lockout"), refusal(6, "busy", floor="8"),
        (94, "7", "lockout", "off"), (300, "7", "lockout", "on"), (400, "7", "lockout", "off"),
    )  # fmt: skip
    first, second = table.to_dict("records")
    assert json.loads(first["evidence"]) == [f"log:{n}" for n in (1, 2, 3, 4, 5, 6, 9)]
    assert (first["refused"], second["refused"]) == (1, 0)
    assert "Lockout 2 of 2 in the episode that began 2025-03-03 08:00 UTC" in second["advice"]
    assert not first["inferred"]


def test_an_inferred_lockout_says_so():
    row = the_one(*[(s, "7", "press", "mark") for s in (0, 1, 2, 3, 4)], END)
    assert row["inferred"]
    assert "Inferred" in row["advice"]
    assert row["end"] == at(94)


def fault(when, edge, code, floor=None):
    return (when, floor, "fault", edge, {"code": code})


def test_fault_codes_become_the_kind_of_their_component():
    table = found(
        fault(0, "on", "E12"), fault(50, "off", "E12"), fault(1000, "mark", "E30", "7"),
        fault(2000, "on", "E40"), fault(2050, "off", "E40"), fault(3000, "mark", "E50"),
        fault(4000, "mark", "X"), END,
    )  # fmt: skip
    assert table["kind"].tolist() == [
        "sorter_fault", "latch_fault", "compactor_jam", "other_fault", "other_fault"
    ]  # fmt: skip
    assert table["code"].tolist() == ["E12", "E30", "E40", "E50", "X"]
    assert table["seconds"].isna().tolist() == [False, True, False, True, True]


def test_without_a_profile_every_fault_is_another_fault():
    table = found(fault(0, "mark", "E12"), END, components={})
    assert table["kind"].tolist() == ["other_fault"]


def test_a_travel_longer_than_the_limit_is_a_sorter_fault():
    travel = [(0, None, "positioning", "on"), (16, None, "positioning", "off")]
    row = the_one(*travel, END)
    assert (row["kind"], row["seconds"]) == ("sorter_fault", 16)
    # With the fault that the controller raised for it: one trouble, one incident.
    row = the_one(travel[0], fault(15, "mark", "E12"), travel[1], END)
    assert (row["code"], row["seconds"]) == ("E12", 16)
    assert len(json.loads(row["evidence"])) == 3


def test_repeated_marks_of_a_code_are_one_incident():
    table = found(*[fault(s, "mark", "E50") for s in (0, 30, 60, 500)], END)
    assert table["start"].tolist() == [at(0), at(500)]


def test_three_quick_openings_are_chatter():
    row = the_one(*opened(0, 3), *opened(10, 13), *opened(56, 60), END)
    assert (row["kind"], row["start"], row["end"]) == ("contact_chatter", at(0), at(60))
    assert found(*opened(0, 3), *opened(10, 13), *opened(56, 60.5), END).empty
    assert found(*opened(0, 3), *opened(10, 13, "8"), *opened(56, 60), END).empty


def test_chatter_is_counted_as_the_standards_count_it():
    # Source: ANSI/ISA-18.2, chattering: the same alarm three times or more in one minute; the
    # moments are the reference's constructed check (0, 20, 50 chatter; 90 and 300 do not).
    row = the_one(*[o for s in (0, 20, 50, 90, 300) for o in opened(s, s + 3)], END)
    assert (row["kind"], row["start"], row["end"]) == ("contact_chatter", at(0), at(53))


def unlocked(on, off, floor="7"):
    return [(on, floor, "unlocked", "on"), (off, floor, "unlocked", "off")]


def use(start, floor="7", opening=((2, 8),)):
    """Unlocked, opened (once or, with a bouncing contact, more often) and locked again."""
    edges = [o for on, off in opening for o in opened(start + on, start + off, floor)]
    first, last = unlocked(start, start + 10, floor)
    return [first, *edges, last]


def test_three_uses_of_one_door_in_a_minute_are_no_chatter_where_each_was_unlocked():
    uses = [use(s) for s in (0, 22, 44)]
    assert found(*[event for one in uses for event in one], END).empty
    bouncing = use(0, opening=((2, 3), (4, 5), (6, 8)))
    assert the_one(*bouncing, END)["kind"] == "contact_chatter"
    # Two uses and one bounce are three pairs too, but not three that nobody was let in for.
    once = [*use(0, opening=((2, 5), (6, 8))), *use(22)]
    assert found(*once, END).empty


def test_a_locked_door_whose_contact_chatters_is_told_beside_uses_of_it():
    rattling = [o for s in (100, 103, 107) for o in opened(s, s + 1)]
    row = the_one(*use(0), *rattling, END, kind="contact_chatter")
    assert (row["start"], row["end"]) == (at(100), at(108))


def test_the_same_fault_at_two_doors_within_two_seconds_has_a_common_cause():
    faults = [fault(0, "on", "E50", "7"), fault(2, "on", "E50", "8"),
              fault(20, "off", "E50", "7"), fault(21, "off", "E50", "8")]  # fmt: skip
    table = found(*faults, END)
    assert sorted(table["kind"].astype(str)) == ["common_cause", "other_fault", "other_fault"]
    row = the_one(*faults, END, kind="common_cause")
    assert (row["start"], row["end"], row["seconds"], row["code"]) == (at(0), at(21), 21, "E50")
    assert json.loads(row["evidence"]) == ["log:1", "log:3", "log:2", "log:4"]
    assert "The doors: 7 and 8." in row["advice"]
    single = table[table["kind"].eq("other_fault")]
    assert single["part_of"].eq(row["incident"]).all()


@pytest.mark.parametrize(
    "second",
    [fault(2.1, "mark", "E50", "8"), fault(1, "mark", "E30", "8"), fault(1, "mark", "E50", "7")],
    ids=["later", "another part", "the same door"],
)
def test_faults_apart_have_no_common_cause(second):
    table = found(fault(0, "mark", "E50", "7"), second, END)
    assert "common_cause" not in set(table["kind"])
    assert table["part_of"].isna().all()


def test_a_fault_about_an_open_door_is_part_of_the_stuck_door():
    codes = {("quay", "A"): {"E60": "door", "E50": "wiring"}}
    events = in_order(*opened(0, 100), fault(45, "on", "E60", "7"), fault(100, "off", "E60", "7"),
                      fault(50, "mark", "E50", "7"), fault(60, "mark", "E60", "8"),
                      fault(300, "mark", "E60", "7"))  # fmt: skip
    table = found(*events, END, components=codes)
    stuck = table[table["kind"].eq("stuck_door")]["incident"].item()
    parts = table[table["part_of"].notna()]
    assert parts["part_of"].tolist() == [stuck]
    assert (parts["start"].item(), parts["code"].item()) == (at(45), "E60")


def test_codes_of_one_part_at_two_doors_have_a_common_cause():
    codes = {("quay", "A"): {"E50": "wiring", "E51": "wiring"}}
    events = [fault(0, "mark", "E50", "7"), fault(1, "mark", "E51", "8"), END]
    assert "common_cause" in set(found(*events, components=codes)["kind"])
    assert "common_cause" not in set(found(*events, components={})["kind"])


def test_two_doors_that_open_at_once_without_being_unlocked_share_a_cause():
    both = [*opened(0, 5, "7"), *opened(1, 6, "8")]
    both = sorted(both, key=lambda event: event[0])
    assert the_one(*both, END)["kind"] == "common_cause"
    # One was unlocked: somebody uses it while the other rattles.
    assert found(*sorted([*both, *unlocked(-1, 7, "7")], key=lambda e: e[0]), END).empty


def test_a_log_in_whole_minutes_does_not_show_that_two_doors_opened_at_once():
    both = [(0, "7", "open", "on"), (0, "8", "open", "on"),
            (0, "7", "open", "off"), (60, "8", "open", "off")]  # fmt: skip
    assert found(*both, (6000, "9", "note", "mark"))["kind"].tolist() == ["stuck_door"]
    assert "common_cause" in set(found(*both, (6001, "9", "note", "mark"))["kind"])


@pytest.mark.parametrize(("seconds", "stale"), [(86400, False), (86401, True)])
def test_a_fault_that_stands_longer_than_a_day_is_stale(seconds, stale):
    # Source: ANSI/ISA-18.2, stale: active for more than 24 h; exactly 24 h is not.
    row = the_one(fault(0, "on", "E50"), fault(seconds, "off", "E50"), kind="other_fault")
    assert ("over 24 hours" in row["advice"]) == stale


def test_a_fault_that_flaps_is_one_incident_and_another_door_or_code_is_its_own():
    flaps = [e for s in (0, 50, 100) for e in (fault(s, "on", "E50", "7"),
             fault(s + 10, "off", "E50", "7"))]  # fmt: skip
    row = the_one(*flaps, END)
    assert (row["seconds"], len(json.loads(row["evidence"]))) == (110, 6)
    later = [fault(170.001, "on", "E50", "7"), fault(180, "off", "E50", "7")]
    assert len(found(*flaps, *later, END)) == 2
    others = [fault(120, "mark", "E50", "8"), fault(130, "mark", "X", "7")]
    assert len(found(*flaps, *others, END)) == 3


WEEK = 7 * 86400


def served(week, minute, floor="7"):
    """A visit that is served: press, unlock, open, close."""
    start = week * WEEK + minute * 60
    return [(start, floor, "press", "mark"), *use(start + 1, floor)]


def service(week, on=0, off=3600):
    return [(week * WEEK + on, None, "service", "on"), (week * WEEK + off, None, "service", "off")]


def weeks(count, *visits):
    """So many Mondays from 8 to 9, each with these visits; the log goes on a little after."""
    events = [event for week in range(count) for minute in visits for event in served(week, minute)]
    # Hourly signs of life, so that nothing is a gap.
    alive = [(hour * 3600, None, "note", "mark") for hour in range(168 * (count - 1) + 2)]
    return [*events, *alive]


def in_order(*events):
    return sorted(events, key=lambda event: event[0])


def test_a_service_cost_the_visits_that_such_an_hour_of_other_weeks_brings():
    usual = [e for e in weeks(4, 5, 20, 40) if not 2 * WEEK <= e[0] < 2 * WEEK + 3600]
    row = the_one(*in_order(*usual, *service(2)), kind="service")
    assert row["expected_visits"] == pytest.approx(3)
    assert (row["served_visits"], row["visits_lost"]) == (0, pytest.approx(3))
    # 9 visits in the three other hours: scipy's predictive distribution of the fourth.
    limits = nbinom.ppf([0.025, 0.975], 9.5, 1 / (1 + 1 / 3))
    assert (row["lost_low"], row["lost_high"]) == tuple(limits) == (0, 8)
    assert pd.isna(row["cost_reason"])


def test_what_a_short_incident_cost_lies_between_its_limits():
    """Seconds of a quiet hour are worth a hundredth of a visit: none, or one whole one."""
    row = the_one(*in_order(*weeks(4, 5, 20, 40), *service(2, 0, 12)), kind="service")
    assert row["visits_lost"] == pytest.approx(0.01)
    assert (row["lost_low"], row["lost_high"]) == (0, 1)


def test_half_an_hour_costs_half_of_what_the_hour_brings_and_what_was_served_is_no_loss():
    events = in_order(*weeks(4, 5, 20, 40), *service(2, 0, 1800))
    row = the_one(*events, kind="service")
    assert (row["expected_visits"], row["served_visits"]) == (pytest.approx(1.5), 2)
    assert row["visits_lost"] == pytest.approx(-0.5)


def test_a_lockout_costs_the_visits_of_its_door_and_no_other():
    locked = [(2 * WEEK + 1800, "7", "lockout", "on"), (2 * WEEK + 3600, "7", "lockout", "off")]
    others = [e for week in range(4) for e in served(week, 35, "8")]
    row = the_one(*in_order(*weeks(4, 40), *others, *locked), kind="abuse_lockout")
    assert row["expected_visits"] == pytest.approx(0.5)
    assert row["served_visits"] == 1


def test_under_two_other_weeks_nothing_is_known_of_visits_lost():
    row = the_one(*in_order(*weeks(2, 5, 20, 40), *service(1)), kind="service")
    assert pd.isna(row["visits_lost"])
    assert row["cost_reason"] == "under two other weeks of log for these hours"
    row = the_one(*in_order(*weeks(3, 5, 20, 40), *service(1)), kind="service")
    assert pd.isna(row["cost_reason"])


def test_without_presses_or_a_known_length_visits_lost_are_null_and_say_why():
    row = the_one(*service(0), (7200, "9", "open", "on"), (7210, "9", "open", "off"))
    assert (row["cost_reason"], pd.isna(row["visits_lost"])) == ("presses not in the log", True)
    row = the_one(*in_order(*weeks(4, 5), fault(50, "mark", "E50")), kind="other_fault")
    assert row["cost_reason"] == "how long it lasted is not known"


def test_a_week_that_is_all_service_is_one_incident_with_a_cost():
    usual = [e for e in weeks(5, 5, 20) if e[2] == "note" or not 2 * WEEK <= e[0] < 3 * WEEK]
    row = the_one(*in_order(*usual, *service(2, 0, WEEK)), kind="service")
    assert row["seconds"] == WEEK
    assert row["expected_visits"] == pytest.approx(2)


def test_ten_days_without_log_are_a_gap_and_no_loss():
    days = 86400
    before = [(s * 600, "7", "press", "mark") for s in range(200)]
    row = the_one(*before, (12 * days, "7", "press", "mark"), kind="log_gap")
    assert row["cost_reason"] == "neither unlocking nor door contacts in the log"
    row = the_one(*in_order(*before, *use(50)), (12 * days, "7", "press", "mark"), kind="log_gap")
    assert row["cost_reason"] == "no log for this time"
    assert pd.isna(row["visits_lost"])


def test_a_log_of_door_contacts_alone_shows_doors_and_nothing_else():
    uses = [o for s in range(0, 50_000, 500) for o in opened(s, s + 8, "78"[s // 500 % 2])]
    row = the_one(*uses, *opened(60_000, 60_100), *opened(61_000, 61_009))
    assert row["kind"] == "stuck_door"
    assert pd.isna(row["refused"])
    assert row["cost_reason"] == "presses not in the log"


def test_a_floor_with_one_press_makes_no_incident():
    assert found((0, "7", "press", "mark"), END).empty


def test_a_power_cut_lasts_until_power_returns():
    row = the_one(
        (0, "7", "press", "mark"), (10, None, "power", "off"), (100, None, "power", "on"),
        refusal(200, "busy"),
    )  # fmt: skip
    assert (row["kind"], row["seconds"], row["inferred"]) == ("power_loss", 90, False)
    assert json.loads(row["evidence"]) == ["log:2", "log:3"]
    # Without power nothing is logged, refusals neither.
    assert pd.isna(row["refused"])


def test_a_power_on_without_its_off_proves_a_cut_of_unknown_length():
    row = the_one((0, "7", "press", "mark"), (100, None, "power", "on"), END)
    assert row["inferred"]
    assert (row["start"], row["end"]) == (at(0), at(100))
    assert pd.isna(row["seconds"])
    assert found((0, None, "power", "on"), END).empty


def test_power_that_is_off_when_the_log_ends_is_ongoing():
    assert the_one((0, "7", "press", "mark"), (10, None, "power", "off"))["ongoing"]


def test_a_service_is_one_incident_for_the_manager():
    row = the_one(
        (0, None, "service", "on"), refusal(50, "service"), (600, None, "service", "off"), END
    )
    assert (row["kind"], row["seconds"], row["refused"], row["for"]) == (
        "service", 600, 1, "manager"
    )  # fmt: skip


def test_a_silence_of_days_is_a_log_gap():
    days = 86400
    row = the_one(
        *[(s * 600, "7", "press", "mark") for s in range(200)],
        (5 * days, "7", "press", "mark"), (5 * days + 60, "7", "refusal", "mark"),
    )  # fmt: skip
    assert (row["kind"], row["end"]) == ("log_gap", at(5 * days))
    assert json.loads(row["evidence"]) == ["log:200", "log:201"]
    assert pd.isna(row["refused"])


def test_a_log_without_trouble_has_no_incidents():
    table = found(*opened(0, 10), END)
    assert table.empty
    assert conform(table, "incidents").num_rows == 0


def test_ids_do_not_depend_on_where_a_log_begins():
    events = [*opened(100, 200), *full(300, 600), fault(700, "mark", "E12"), END]
    whole = found((0, "8", "press", "mark"), *events)
    assert whole["incident"].tolist() == found(*events)["incident"].tolist()
    assert whole["incident"].is_unique
    assert whole["incident"].str.fullmatch(r"[a-z_]+-[0-9a-f]{10}").all()


def test_ids_do_not_depend_on_the_order_of_chutes():
    events = [
        (*e, {"chute": chute})
        for chute in "ABC"
        for e in [(0, "7", "open", "on"), (90, "7", "open", "off")]
    ]
    pairs = [events[i : i + 2] for i in range(0, 6, 2)]
    ids = set(found(*events)["incident"])
    random.Random(1).shuffle(pairs)
    assert {*found(*[e for p in pairs for e in p])["incident"]} == ids
    assert len(ids) == 3


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_every_kind_says_who_and_what_and_with_what_caution(kind):
    assert kind.name in INCIDENT_KINDS
    assert kind.audience in AUDIENCES
    assert kind.advice.startswith("Check first")
    assert kind.advice.count(".") == 1
    assert (CAUTION in kind.advice) == kind.hands_on


def test_every_rule_has_its_kind():
    assert [name for name, _ in RULES] == [kind.name for kind in KINDS]
