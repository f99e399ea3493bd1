"""Fills of containers: every way to be full, emptied, and not what it seems."""

import json

import numpy as np
import pandas as pd
import pytest

from loganalyzer.cycles import cycles
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.localtime import exposure
from loganalyzer.measures.coverage import coverage
from loganalyzer.tables import TABLES, conform
from loganalyzer.views.sorting import Sorting
from loganalyzer.visits import visits
from tests.build import at
from tests.sorting import (
    DAY,
    HOUR,
    RECYCLING,
    REFUSE,
    alive,
    full,
    level,
    rows,
    site_text,
    sorting,
    uses,
)
from tests.tools.simulator.plan import plain_plan
from tests.tools.simulator.sitefile import site_toml
from tests.tools.simulator.truth import simulate

TUESDAY = 'pickup = "FREQ=WEEKLY;BYDAY=TU;BYHOUR=7"\n'  # 23 h after the log's Monday 08:00


def test_a_fill_goes_from_emptied_to_full_to_emptied_again():
    log = [
        *alive(6), *full(2 * HOUR, 3 * HOUR), *uses(4 * HOUR, 20, "7"), *uses(6 * HOUR, 10, "8"),
        *full(9 * HOUR, 15 * HOUR), *uses(16 * HOUR, 3),
    ]  # fmt: skip
    first, second, last = rows(sorting(log).containers, stream="recycling")
    assert (first["state"], first["drops_before"], first["reason"]) == (
        "full", None, "when it was emptied before is not in the log",
    )  # fmt: skip
    assert (second["state"], second["drops_before"], second["drops"]) == ("full", 30, 30)
    assert json.loads(second["drops_by_floor"]) == {"7": 20, "8": 10}
    assert (second["emptied"], second["full_from"], second["full_to"]) == (
        at(3 * HOUR), at(9 * HOUR), at(15 * HOUR),
    )  # fmt: skip
    assert (second["seconds"], second["emptied_by"]) == (6 * HOUR, "full off")
    assert second["days_to_full"] == pytest.approx(0.25)
    assert (last["state"], last["emptied_by"], last["drops"]) == ("filling", "log end", 3)


def test_a_full_that_clears_within_minutes_without_a_pickup_is_false_and_empties_nothing():
    log = [
        *alive(3), *full(HOUR, 2 * HOUR), *uses(3 * HOUR, 10), *full(5 * HOUR, 5 * HOUR + 240),
        *uses(6 * HOUR, 10), *full(9 * HOUR, 12 * HOUR),
    ]  # fmt: skip
    table = sorting(log).containers
    (false,) = rows(table, state="false full")
    assert (false["seconds"], false["drops_before"]) == (240, 10)
    assert [r["drops_before"] for r in rows(table, state="full")] == [None, 20]


def test_a_full_that_clears_within_minutes_at_the_pickup_is_no_false_one():
    text = site_text(RECYCLING + TUESDAY, REFUSE)
    log = [*alive(3), *uses(HOUR, 10), *full(23 * HOUR - 60, 23 * HOUR + 240)]
    table = sorting(log, text).containers
    assert not rows(table, state="false full")
    assert rows(table, state="full")[0]["emptied_by"] == "pickup rule"


def test_a_sensor_stuck_on_for_a_month_is_told_and_hides_no_fill_as_known():
    log = [*alive(40), *full(HOUR, 2 * HOUR), *uses(3 * HOUR, 10), *full(5 * HOUR, 35 * DAY)]
    for n in range(5, 30):
        log += uses(n * DAY, 4)
    log += [*uses(36 * DAY, 12), *full(37 * DAY, 37 * DAY + 3 * HOUR)]
    found = sorting(log)
    (stuck,) = rows(found.containers, state="stuck on")
    assert stuck["seconds"] == pytest.approx(35 * DAY - 5 * HOUR)
    fills = rows(found.containers, state="full")
    assert [row["drops_before"] for row in fills] == [None, 12]
    assert any("stuck on" in (row["reason"] or "") for row in rows(found.containers))


def test_without_any_other_sign_the_pickup_rule_empties():
    text = site_text(RECYCLING + TUESDAY, REFUSE)
    log = [*alive(15), *uses(HOUR, 5), *uses(2 * DAY, 7), *uses(9 * DAY, 9)]
    table = rows(sorting(log, text).containers, stream="recycling")
    assert [(r["drops"], r["emptied_by"]) for r in table] == [
        (5, "pickup rule"), (7, "pickup rule"), (9, "pickup rule"), (0, "log end"),
    ]  # fmt: skip
    assert [r["ends"] for r in table[:3]] == [at(23 * HOUR + n * 7 * DAY) for n in range(3)]


def test_a_container_that_stays_full_through_the_pickup_was_not_collected():
    text = site_text(RECYCLING + TUESDAY, REFUSE)
    log = [*alive(9), *full(10 * HOUR, 3 * DAY), *uses(4 * DAY, 6)]
    table = rows(sorting(log, text).containers, stream="recycling")
    assert [(r["state"], r["emptied_by"], r["ends"]) for r in table[:2]] == [
        ("full", "full off", at(3 * DAY)), ("not full", "pickup rule", at(7 * DAY + 23 * HOUR)),
    ]  # fmt: skip


def test_a_full_that_goes_off_in_a_service_was_emptied_by_it():
    log = [
        *alive(3), *full(HOUR, 10 * HOUR), (9 * HOUR, None, "service", "on"),
        (11 * HOUR, None, "service", "off"),
    ]  # fmt: skip
    assert rows(sorting(log).containers, state="full")[0]["emptied_by"] == "service"


def test_a_drop_of_the_level_empties_and_no_other_reading_does():
    log = [*alive(6)]
    for n, percent in enumerate([10, 20, 40, 70, 65, 80, 5, 15, 30]):
        log += [*level(HOUR * (3 + 3 * n), percent), *uses(HOUR * (3 + 3 * n) + 300, 4)]
    table = rows(sorting(log).containers, stream="recycling")
    assert [(r["emptied_by"], r["drops"], r["level"]) for r in table] == [
        ("level drop", 24, 80), ("log end", 12, 30),
    ]  # fmt: skip


def test_readings_in_steps_of_a_quarter_that_waver_are_no_emptying():
    readings = [0, 25, 50, 25, 50, 75, 50, 75, 100, 0, 25]
    log = [*alive(6), *(e for n, p in enumerate(readings) for e in level(HOUR * (3 + 3 * n), p))]
    log += uses(3 * DAY, 3)
    table = rows(sorting(log).containers, stream="recycling")
    assert [r["emptied_by"] for r in table] == ["level drop", "log end"]


def test_a_reading_at_the_top_is_full_where_the_log_has_no_full():
    log = [*alive(4), *level(HOUR, 0), *level(5 * HOUR, 50), *level(9 * HOUR, 100)]
    log += [*level(20 * HOUR, 0), *uses(2 * HOUR, 8)]
    (row,) = rows(sorting(log).containers, state="full")
    assert (row["full_from"], row["full_to"]) == (at(9 * HOUR), at(20 * HOUR))


def test_a_reading_that_settles_by_a_little_at_the_top_is_no_emptying():
    readings = [0, 50, 96, 94, 97, 90, 100, 5, 30]
    log = [*alive(6), *(e for n, p in enumerate(readings) for e in level(HOUR * (3 + 3 * n), p))]
    log += uses(4 * HOUR, 8)
    first, second = rows(sorting(log).containers, stream="recycling")
    assert (first["full_from"], first["full_to"]) == (at(9 * HOUR), at(24 * HOUR))
    assert (first["emptied_by"], second["emptied_by"]) == ("level drop", "log end")


def test_one_reading_far_above_its_neighbours_is_a_slip_of_the_sensor():
    log = [*alive(4), *level(HOUR, 10), *level(5 * HOUR, 40), *level(5 * HOUR + 120, 100)]
    log += [*level(5 * HOUR + 240, 40), *level(9 * HOUR, 60), *uses(2 * HOUR, 8)]
    (row,) = rows(sorting(log).containers, stream="recycling")
    assert (row["state"], row["level"]) == ("filling", 60)


def test_a_full_container_whose_signal_drops_out_for_minutes_was_not_emptied():
    log = [*alive(3), *full(HOUR, 2 * HOUR), *uses(3 * HOUR, 10)]
    log += [*full(5 * HOUR, 6 * HOUR), *full(6 * HOUR + 300, 9 * HOUR)]
    fills = rows(sorting(log).containers, state="full")
    assert [(r["drops_before"], r["full_from"], r["full_to"]) for r in fills[1:]] == [
        (10, at(5 * HOUR), at(9 * HOUR)),
    ]  # fmt: skip


@pytest.mark.parametrize("again", [True, False], ids=["told again", "told clear"])
def test_a_full_container_stays_full_through_a_power_loss(again):
    log = [*alive(3), *full(HOUR, 2 * HOUR), *uses(3 * HOUR, 10), *full(5 * HOUR, None)]
    log += [(6 * HOUR, None, "power", "off"), (8 * HOUR, None, "power", "on")]
    log += full(8 * HOUR + 5, None) if again else []
    log += [(11 * HOUR, None, "full", "off", {"stream": "recycling"}), *uses(12 * HOUR, 4)]
    _, fill, last = rows(sorting(log).containers, stream="recycling")
    assert (fill["drops_before"], fill["full_from"], fill["full_to"]) == (
        10, at(5 * HOUR), at(11 * HOUR),
    )  # fmt: skip
    assert (last["drops"], last["started_by"]) == (4, "full off")


def test_an_off_that_is_told_again_and_again_empties_nothing():
    """Some controllers tell how things stand, not what changed."""
    log = [*alive(3), *full(HOUR, 2 * HOUR), *uses(3 * HOUR, 10), *full(9 * HOUR, 12 * HOUR)]
    log += [(n * HOUR, None, "full", "off", {"stream": "recycling"}) for n in (4, 6, 8)]
    assert [r["drops_before"] for r in rows(sorting(log).containers, state="full")] == [None, 10]


def test_a_false_full_in_the_night_before_a_pickup_is_still_false():
    text = site_text(RECYCLING + TUESDAY, REFUSE)
    log = [*alive(3), *uses(HOUR, 10), *full(15 * HOUR, 15 * HOUR + 240)]
    table = sorting(log, text).containers
    assert len(rows(table, state="false full")) == 1
    assert not rows(table, state="full")


def test_a_log_gap_within_a_fill_leaves_its_uses_unknown_and_says_why():
    log = [*alive(2), *full(HOUR, 2 * HOUR), *uses(3 * HOUR, 10)]
    log += [(9 * DAY + n * 6 * HOUR, None, "note", "mark") for n in range(8)]
    log += full(10 * DAY, 10 * DAY + 2 * HOUR)
    _, row, _ = rows(sorting(log).containers, stream="recycling")
    assert (row["drops_before"], row["reason"]) == (
        None, "part of this fill is not in the log",
    )  # fmt: skip


def test_presses_refused_as_full_count_for_the_container_and_for_others_apart():
    def refused(when, stream):
        named = {"stream": stream}
        return [(when, "7", "press", "mark", named),
                (when, "7", "refusal", "mark", {**named, "code": "full"})]  # fmt: skip

    log = [*alive(2), *uses(HOUR, 4), *full(3 * HOUR, 6 * HOUR)]
    log += [*refused(4 * HOUR, "recycling"), *refused(4.5 * HOUR, "recycling")]
    log += [*refused(5 * HOUR, "refuse"), *refused(7 * HOUR, "recycling")]
    (row,) = rows(sorting(log).containers, state="full")
    assert (row["refused"], row["refused_others"], row["visits_refused"]) == (2, 1, 2)


def test_two_streams_that_share_a_container_fill_it_together():
    text = site_text(
        'id = "recycling"\nkind = "recycling"\ncontainer = "mixed"\ncontainer_l = 1100\n',
        'id = "paper"\nkind = "recycling"\ncontainer = "mixed"\n', REFUSE,
    )  # fmt: skip
    log = [*alive(3), *full(HOUR, 2 * HOUR), *uses(3 * HOUR, 6), *uses(5 * HOUR, 5, "7", "paper")]
    log += full(8 * HOUR, 12 * HOUR)
    found = sorting(log, text)
    fills = rows(found.containers, state="full")
    assert [row["drops_before"] for row in fills] == [None, 11]
    assert json.loads(fills[1]["drops_by_stream"]) == {"paper": 5, "recycling": 6}
    assert list(found.fill_model["container"]) == ["mixed", "refuse"]


def test_a_stream_without_a_container_has_uses_and_no_litres():
    text = site_text('id = "recycling"\nkind = "recycling"\n', REFUSE)
    log = [*alive(30)]
    for n in range(6):
        log += [*uses(n * 4 * DAY + HOUR, 20 + n % 2), *full(n * 4 * DAY + 9 * HOUR,
                                                           n * 4 * DAY + 14 * HOUR)]  # fmt: skip
    model = rows(sorting(log, text).fill_model, container="recycling")[0]
    assert model["median"] == pytest.approx(20.5, abs=1)
    assert model["litres_a_use"] is None
    assert model["reason"] == "the container's litres are not in the site file"


def test_without_any_pickup_full_or_level_a_stream_has_one_fill_that_goes_on():
    found = sorting([*alive(20), *uses(HOUR, 30)])
    (row,) = rows(found.containers, stream="recycling")
    assert (row["state"], row["drops"], row["drops_before"]) == ("filling", 30, None)
    (model,) = rows(found.fill_model, container="recycling")
    assert model["reason"] == "no whole fill in the log"


def test_a_full_without_a_stream_belongs_to_the_only_container():
    text = site_text(RECYCLING)
    log = [*alive(3), *uses(HOUR, 5), *full(3 * HOUR, 9 * HOUR, stream=None)]
    assert len(rows(sorting(log, text).containers, state="full")) == 1


def test_the_table_has_the_columns_of_the_contract_first():
    names = [
        "site",
        "chute",
        "stream",
        "full_from",
        "full_to",
        "seconds",
        "drops_before",
        "refused",
    ]
    assert TABLES["containers"].names[:8] == names


@pytest.fixture(scope="module")
def played():
    """Six weeks of a simulated building, as the analyzer sees them, and the truth."""
    plan = plain_plan(days=42, seed=5, floors=14)
    truth = simulate(plan)
    events = truth.events.assign(
        time=truth.events["shown"], device_time=truth.events["device"], clock="exact",
        source="log", line=np.arange(1, len(truth.events) + 1), seq=np.arange(len(truth.events)),
    )  # fmt: skip
    log = conform(events[TABLES["timeline"].names], "timeline").to_pandas()
    from loganalyzer.site import parse_site

    sites = {plan.site: parse_site(site_toml(plan, {"A": "json-events"}), "s.toml")}
    intervals = pair(log)
    cycle = cycles(log, intervals, sites)
    covered = coverage(log)
    return truth, Sorting(
        log, intervals, cycle, visits(log, cycle, intervals, sites), covered,
        exposure(covered, sites), facts(log, sites), sites,
    )  # fmt: skip


def test_fills_of_a_simulated_building_are_those_of_the_truth(played):
    """The rule brings the lorry at a minute that it does not name, so times may differ by it."""
    truth, found = played
    fills = found.containers[found.containers["state"].isin(["full", "not full"])]
    compared = 0
    for stream, true in truth.fills.groupby("stream"):
        mine = fills[fills["stream"].eq(stream)].reset_index(drop=True)
        true = true[true["emptied"].ne("end")].reset_index(drop=True)
        assert len(mine) == len(true), stream
        assert ((mine["ends"] - true["end"]).abs() <= pd.Timedelta(hours=1)).all()
        pd.testing.assert_series_equal(
            mine["full_from"].notna(), true["full_from"].notna(), check_names=False
        )
        # A use that is going on at the pickup's minute may count for either fill.
        assert (mine["drops"].astype(int) - true["drops"]).abs().max() <= 4
        compared += len(true)
    assert compared > 20


def test_litres_a_use_of_a_simulated_building_hold_the_truth(played):
    truth, found = played
    model = found.fill_model.set_index("stream")
    for stream, true in truth.fills.groupby("stream"):
        litres = true["litres"].sum() / true["drops"].sum()
        row = model.loc[stream]
        # The first fills began with something in them, and levels are told in steps of 5.
        assert 0.9 * row["litres_low"] <= litres <= 1.1 * row["litres_high"], stream
