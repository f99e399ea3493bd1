"""Suspects: the right part first, nothing in a healthy house, and misuse told from fault."""

import json
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from loganalyzer.cli import main
from loganalyzer.measures.suspects import ENOUGH, suspects
from loganalyzer.reliability import at_least, burst
from loganalyzer.site import parse_site
from loganalyzer.tables import COMPONENTS, conform, empty
from loganalyzer.views import analyse
from loganalyzer.views.about_condition import suspects as told
from loganalyzer.views.suspects_report import NOTHING, suspects_dict, suspects_text
from loganalyzer.views.technician import drift_chart, hot_spots, occurrences, surroundings
from tests.build import START, categories, timeline
from tests.conditioned import condition, simulated
from tests.test_incidents_planted import log_of
from tests.tools.simulator import Fault, Misuse, Service, plain_chute, plain_plan, simulate
from tests.tools.simulator.sitefile import site_toml
from tests.tools.simulator.words import COMPONENTS as CODES
from tests.tools.simulator.years import write_years

BEGIN = datetime(2026, 3, 20, tzinfo=UTC)
DAY = 86400


def house(*faults, days=45, seed=3, **changes):
    faults = tuple(replace(fault, start=BEGIN, ramp_days=0) for fault in faults)
    plan = plain_plan(days=days, seed=seed)
    return replace(plan, chutes=(plain_chute(floors=8, faults=faults, tick_ms=100, **changes),))


def first(*faults, **changes):
    table = simulated(house(*faults, **changes)).suspects
    return table.iloc[0], table


@pytest.mark.parametrize(
    "fault",
    [
        Fault("weak_closer", "door", floor="5"),
        Fault("stiff_latch", "latch", floor="2", strength=2),
        Fault("slow_diverter", "sorter"),
        Fault("rattling_door", "contact", floor="4"),
        Fault("false_full", "container", stream="organics", strength=2),
        Fault("wiring_glitch", "wiring", floors=("1", "2", "3")),
        Fault("low_supply", "power"),
        Fault("dropped_shutter", "fire", strength=2),
    ],
    ids=lambda fault: fault.kind,
)
def test_the_part_that_fails_comes_first_with_its_date(fault):
    row, table = first(fault)
    floor = None if pd.isna(row["floor"]) else row["floor"]
    assert (row["component"], floor) == (fault.component, fault.floor)
    assert abs(row["since"] - pd.Timestamp(BEGIN)) < pd.Timedelta("7D")
    assert row["score"] >= ENOUGH
    assert conform(table, "suspects").num_rows == len(table)
    assert row["advice"].startswith("Isolate and lock out first")
    evidence = json.loads(row["evidence"])
    assert evidence["for"][0]["lines"]


@pytest.mark.parametrize("seed", [31, 32, 33])
def test_nothing_stands_out_in_a_healthy_house(seed):
    assert simulated(house(seed=seed)).suspects.empty


def test_propping_is_told_from_a_weak_closer():
    propped, _ = first(Fault("propped_door", "door", floor="5", hours=(18, 19, 20)))
    weak, _ = first(Fault("weak_closer", "door", floor="5", strength=2))
    assert propped["misuse"]
    assert not weak["misuse"]
    against = [one["says"] for one in json.loads(propped["evidence"])["against"]]
    assert any("as short as before" in text for text in against)
    assert any("certain hours" in text for text in against)
    assert "wedge" in propped["advice"]
    assert "time the closing from fully open" in weak["advice"].lower()


def test_pressing_by_hand_is_no_stuck_button():
    assert simulated(house(misuse=(Misuse("3", 0.2),))).suspects.empty
    row, _ = first(Fault("stuck_button", "contact", floor="3"))
    assert (row["component"], row["floor"]) == ("contact", "3")
    assert "button" in row["advice"]


def test_a_container_that_is_truly_full_is_no_false_sensor():
    plan = house(uses_a_unit_a_week=25)
    state = simulated(plan)
    assert state.evidence.intervals["signal"].eq("full").sum() > 5
    assert state.suspects.empty


def test_a_repair_that_held_speaks_against():
    work = '\n[[work]]\ndate = 2026-04-01\ncomponent = "contact"\nnote = "new contact"\n'
    plan = house(Fault("bouncing_contact", "contact", floor="3"), days=60)
    log = log_of(simulate(plan))
    gone = log["signal"].eq("open") & log["floor"].eq("3") & (log["time"] > "2026-03-31")
    site = {plan.site: parse_site(site_toml(plan, {"A": "semicolon-text"}) + work, "plan")}
    kept = log[~gone].reset_index(drop=True)
    before = condition(kept, {(plan.site, "A"): CODES}, {})
    after = condition(kept, {(plan.site, "A"): CODES}, site)
    assert before.suspects["score"].iloc[0] == after.suspects["score"].iloc[0] + 3
    says = json.loads(after.suspects["evidence"].iloc[0])["against"]
    assert any("since the work of 2026-04-01" in one["says"] for one in says)


def signs(*rows):
    names = ["floor", "component", "sign", "n", "size", "p"]
    table = pd.DataFrame(rows, columns=names).assign(site="quay", chute="A")
    begin = pd.Timestamp("2026-03-01", tz="UTC").as_unit("us")
    lines = pd.Series([["log:1"]] * len(table), dtype="object")
    dates = dict.fromkeys(("since", "since_low", "since_high", "first", "last"), begin)
    return table.assign(**dates, hour=np.nan, by_hour_p=np.nan, lines=lines)


def test_the_score_is_the_strongest_sign_and_half_of_the_others():
    table = suspects(
        signs(
            ("7", "latch", "fault code", 9, 0.3, 1e-6),
            ("7", "latch", "later unlocking", 500, 0.4, 1e-4),
            ("8", "door", "longer openings", 500, 2.0, 1e-80),
            ("9", "door", "long openings", 9, 1.0, 1e-4),
        ),
        empty("repairs"), empty("drift"),
    )  # fmt: skip
    assert table[["floor", "score"]].to_numpy().tolist() == [["8", 12.0], ["7", 8.0]]


def test_the_burst_begins_where_events_became_too_many():
    ages = [3.0, 50.0, 80, 82, 84, 86, 88, 90, 92]
    place, p = burst(ages, 100, 1 / 30, 7.0)
    assert place == 2
    assert p == pytest.approx(9 * at_least([7], [20 / 30])[0])


def test_ten_events_make_no_suspect():
    events = [(n * 600, "7", "fault", "mark", {"code": "x"}) for n in range(10)]
    found = condition(timeline(*events), {("quay", "A"): {"x": "latch"}})
    assert found.suspects.empty


def test_a_fault_that_never_ends_a_thousand_codes_and_a_seldom_used_door_do_no_harm():
    never = [(50, "7", "fault", "on", {"code": "L"})]
    codes = [(n * 97.0, None, "fault", "mark", {"code": f"C{n}"}) for n in range(1000)]
    seldom = [
        (day * DAY + step, "8", "open", edge)
        for day in range(0, 60, 15) for step, edge in ((0, "on"), (9, "off"))
    ]  # fmt: skip
    events = sorted([*never, *codes, *seldom], key=lambda event: event[0])
    begun = time.process_time()
    found = condition(timeline(*events), {("quay", "A"): {"L": "latch"}})
    assert found.suspects["component"].isin(COMPONENTS).all()
    assert len(found.suspects) <= 1  # the unknown codes together, at no door
    assert time.process_time() - begun < 10


def test_a_code_at_every_line_is_one_trouble_and_takes_seconds():
    plan = house(days=20, uses_a_unit_a_week=4)
    log = log_of(simulate(plan))
    codes = log.assign(
        signal="fault", edge="mark", floor="3", stream=None, code="E9", line=log["line"] + 10**6,
        time=log["time"] + pd.Timedelta("20ms"),
    )  # fmt: skip
    both = pd.concat([log.astype(dict.fromkeys(TEXTS, "str")), codes]).sort_values(
        ["time", "line"], kind="stable", ignore_index=True
    )
    both = categories(both.assign(seq=np.arange(len(both))))
    begun = time.process_time()
    found = condition(both, {(plan.site, "A"): {"E9": "door"}})
    table = found.suspects
    assert table[["component", "floor"]].to_numpy().tolist() == [["door", "3"]]
    assert found.faults["count"].tolist() == [len(log)]
    assert time.process_time() - begun < 10


TEXTS = ("site", "chute", "floor", "signal", "edge", "stream", "code")


def worked(days, delay, travel):
    """A chute whose doors unlock after `delay(day, hour, floor)` and travel takes `travel()`."""
    rng, events = np.random.default_rng(4), []
    for use in range(days * 24):
        day, hour = divmod(use, 24)
        for place, floor in enumerate("1234"):
            at = day * DAY + hour * 3600 + place * 800
            stream = "refuse" if use % 2 == place % 2 else "recycling"
            placed = at + 5 + rng.normal(0, 0.2) + travel(rng)
            free = placed + 0.6 + abs(rng.normal(0, 0.05)) + delay(rng, hour, floor)
            opened = free + rng.uniform(1, 4)
            shut = opened + rng.lognormal(2, 0.3)
            events += [
                (at, floor, "press", "mark", {"stream": stream}),
                (at, None, "positioning", "on", {"stream": stream}),
                (placed, None, "positioning", "off", {"stream": stream}),
                (free, floor, "unlocked", "on"), (opened, floor, "open", "on"),
                (shut, floor, "open", "off"), (shut + 0.3, floor, "unlocked", "off"),
            ]  # fmt: skip
    rounded = [(round(event[0], 1), *event[1:]) for event in events]
    return condition(timeline(*sorted(rounded, key=lambda event: event[0])))


def test_a_diverter_that_is_slow_one_time_in_fifty_is_found_from_the_first_day():
    table = worked(25, lambda *_: 0, lambda rng: 6 * (rng.random() < 0.02)).suspects
    (row,) = table.to_dict("records")
    assert row["component"] == "sorter"
    assert pd.isna(row["floor"])
    signs = {one["sign"]: one for one in json.loads(row["evidence"])["for"]}
    assert signs["slow travel"]["lines"]
    assert (row["since"] - START).days <= 2


def test_a_latch_that_hesitates_on_afternoons_is_found_with_its_hours():
    def afternoons(rng, hour, floor):
        local = (START.hour + hour) % 24
        return 2 * (floor == "3" and 14 <= local < 18 and rng.random() < 0.15)

    (row,) = worked(30, afternoons, lambda rng: 0).suspects.to_dict("records")
    assert (row["component"], row["floor"]) == ("latch", "3")
    signs = {one["sign"]: one for one in json.loads(row["evidence"])["for"]}
    assert signs["late unlocking"]["hour"] == pytest.approx(16, abs=1)


def test_latches_that_wait_alike_at_all_doors_are_no_suspect():
    """What all doors do, load for one, is not a part's failing."""
    waits = worked(25, lambda rng, hour, floor: 3 * (rng.random() < 0.1), lambda rng: 0)
    assert waits.troubles["sign"].eq("late unlocking").sum() > 200
    assert waits.suspects.empty


@pytest.fixture(scope="module")
def worn():
    plan = house(
        Fault("weak_closer", "door", floor="5"),
        Fault("wiring_glitch", "wiring", floors=("1", "2")),
        services=(Service(BEGIN + timedelta(days=9), 3600),), days=40,
    )  # fmt: skip
    site = parse_site(site_toml(plan, {"A": "semicolon-text"}), "plan")
    return analyse(log_of(simulate(plan)), {plan.site: site}, {(plan.site, "A"): CODES})


def test_each_suspect_is_a_sentence_with_its_lines(worn):
    found = list(told(worn))
    assert {finding.floor for finding in found} == {"5", None}
    for finding in found:
        assert finding.who == "technician"
        assert "since about 2026-03" in finding.sentence
        assert finding.evidence


def test_the_report_tells_what_speaks_for_and_against(worn):
    text = suspects_text(worn)
    assert "door at floor 5" in text
    assert "    + longer openings" in text
    assert "only one kind of sign shows it" in text
    assert "began between 2026-03-" in text
    found = suspects_dict(worn)
    assert found["answer"] is None
    assert found["unmapped"] == []
    assert found["suspects"][0]["evidence"]["for"]


def test_the_technician_s_tables_have_their_columns(worn):
    site = worn.timeline["site"].iloc[0]
    spots = hot_spots(worn, site, "A")
    assert len(spots) == len(COMPONENTS) * 9
    suspect = spots[spots["suspect"]].set_index("component")["floor"].to_dict()
    assert suspect == {"door": "5", "wiring": "chute"}
    assert spots.set_index(["component", "floor"]).loc[("wiring", "1"), "faults"] > 0
    chart = drift_chart(worn, site, "A", "open_s", "5")
    assert chart["shift_from"].any()
    assert chart["out"].any()
    assert drift_chart(worn, site, "A", "open_s", "77").empty
    lost = occurrences(worn, site, "A", "wiring", "1")
    assert lost["time"].is_monotonic_decreasing
    near = surroundings(worn, site, "A", lost["time"].iloc[0], 30)
    assert near["after_s"].abs().max() <= 30
    assert near["signal"].eq("fault").any()


def test_the_command_says_that_nothing_stands_out(tmp_path, capsys):
    write_years(tmp_path, "semicolon-text", years=0.05, seed=4)
    (site,) = tmp_path.glob("*.toml")
    store = str(tmp_path / "store")
    assert main(["import", str(tmp_path), "--store", store, "--site", str(site)]) == 0
    capsys.readouterr()
    assert main(["suspects", "--store", store, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    parts = {(row["component"], row["floor"]) for row in found["suspects"]}
    assert parts == {("contact", "5")}  # the years' one planted fault
    assert main(["suspects", "--store", store, "--to", "2002-01-07T05:00"]) == 0
    assert NOTHING in capsys.readouterr().out


def test_codes_that_no_profile_explains_are_other_and_listed():
    codes = [(n * 97.0, None, "fault", "mark", {"code": f"C{n % 12}"}) for n in range(36)]
    found = analyse(timeline(*codes), {}, {("quay", "A"): {"C1": "latch"}})
    others = found.condition.faults.query("component == 'other'")
    assert len(others) == 11
    listed = suspects_dict(found)["unmapped"]
    assert {row["code"] for row in listed} == {f"C{n}" for n in range(12)} - {"C1"}
    assert {row["times"] for row in listed} == {3}
    assert "told as 'other'" in suspects_text(found)
    assert "and 1 more" in suspects_text(found)
