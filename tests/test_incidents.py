"""Each kind of incident on the smallest log that shows it."""

import json
import random

import pandas as pd
import pytest

from loganalyzer.cycles import cycles
from loganalyzer.facts import facts
from loganalyzer.incidents import RULES, incidents
from loganalyzer.incidents.evidence import Evidence
from loganalyzer.incidents.kinds import CAUTION, KINDS
from loganalyzer.intervals import pair
from loganalyzer.localtime import exposure
from loganalyzer.measures.coverage import coverage
from loganalyzer.measures.lockouts import lockouts
from loganalyzer.tables import AUDIENCES, INCIDENT_KINDS, conform
from loganalyzer.visits import visits
from tests.build import at, timeline

CODES = {("quay", "A"): {"E12": "sorter", "E30": "latch", "E40": "compactor", "E50": "wiring"}}


def found(*events, components=CODES):
    log = timeline(*events)
    known, pairs = facts(log, {}), pair(log)
    uses = cycles(log, pairs, {})
    tried, stretches = visits(log, uses, pairs, {}), coverage(log)
    locked, hours = lockouts(log, pairs, known), exposure(stretches, {})
    return incidents(Evidence(log, pairs, stretches, locked, known, components, tried, hours))


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
