"""Levels that move: change points against published series, drift of simulated and built logs."""

import json
import time
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.changes import change_points, onset
from loganalyzer.cycles import cycles
from loganalyzer.facts import facts, precision
from loganalyzer.intervals import pair
from loganalyzer.measures.drift import drift
from loganalyzer.measures.drift_days import drift_days, timings
from loganalyzer.tables import conform
from tests.build import timeline
from tests.test_incidents_planted import log_of
from tests.tools.simulator import Fault, plain_plan, simulate


def nile():
    return pytest.importorskip("statsmodels.datasets").nile.load_pandas().data


def test_the_nile_changes_once_in_1899():
    # Source: Cobb, Biometrika 65 (1978) 243-251; ruptures Pelt with penalty 3 var ln n: [28].
    data = nile()
    assert change_points(data["volume"]) == [28]
    assert data["year"].iloc[28] == 1899


def test_the_change_of_the_nile_has_its_means_and_its_year():
    # Source: the means before and after are 1097.75 and 849.972222 (arithmetic of the data).
    data = nile()
    found = onset(data["year"], data["volume"], np.ones(100))
    assert found.ramp == 0
    assert found.at_low <= 1899 <= found.at_high
    assert abs(found.at - 1899) < 2.5  # the mean of all beginnings that may be
    assert found.before == pytest.approx(1097.75, abs=1)
    assert found.shift == pytest.approx(849.972222 - 1097.75, abs=1)
    assert found.low < found.shift < found.high
    assert found.p < 1e-6


def coal_years():
    # Source: Jarrett, Biometrika 66 (1979) 191-193, coal-mining disasters a year, 1851 to 1962.
    return [4, 5, 4, 1, 0, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5, 3,
            4, 2, 5, 2, 2, 3, 4, 2, 1, 3, 2, 2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1, 0, 3,
            2, 2, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0, 1, 1, 0, 2, 3, 3, 1, 1, 2, 1, 1,
            1, 1, 2, 4, 2, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1,
            0]  # fmt: skip


def test_coal_mining_disasters_change_about_1892():
    # Source: the change lies between 1886 and 1896 (Raftery, Akman, Biometrika 73 (1986) 85-89).
    years = coal_years()
    assert (len(years), sum(years)) == (112, 191)
    found = onset(np.arange(1851, 1963), years, np.ones(112))
    assert found.at_low < 1892 < found.at_high + 5
    (step,) = change_points(years)[:1]
    assert 1886 <= 1851 + step <= 1896


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.floats(-50, 50), st.floats(0.1, 20))
def test_shifting_and_scaling_a_series_moves_its_onset_nowhere(seed, shift, scale):
    rng = np.random.default_rng(seed)
    level = rng.normal(0, 1, 50) + 3 * (np.arange(50) >= 25)
    first = onset(np.arange(50), level, np.ones(50))
    other = onset(np.arange(50), shift + scale * level, np.ones(50))
    assert other.at == pytest.approx(first.at, abs=1e-3)
    assert other.shift == pytest.approx(scale * first.shift, rel=1e-6)


def test_a_series_of_noise_alone_seldom_moves():
    rng = np.random.default_rng(4)
    p = [onset(np.arange(60), rng.normal(0, 1, 60), np.ones(60)).p for _ in range(400)]
    assert np.mean(np.array(p) < 0.05) < 0.05


def test_the_interval_of_a_step_holds_it_and_its_day_is_found():
    rng = np.random.default_rng(6)
    day = np.arange(60)
    found = [onset(day, rng.normal(0, 1, 60) + 2 * (day >= 30), np.ones(60)) for _ in range(200)]
    assert np.mean([one.low <= 2 <= one.high for one in found]) > 0.85
    assert np.median([abs(one.at - 30) for one in found]) < 3


def tables(log):
    known = facts(log, {})
    used = cycles(log, pair(log), {})
    timed = timings(used, log, known.limits)
    days = drift_days(timed, known.precision, {})
    return drift(days, timed, precision(log, ["site", "chute", "source"]), known), days


BEGIN = datetime(2026, 3, 28, tzinfo=UTC)


@pytest.fixture(scope="module")
def worn():
    plan = plain_plan(
        days=60, seed=11, tick_ms=100, faults=(
            Fault("slow_diverter", "sorter", start=BEGIN),
            Fault("stiff_latch", "latch", floor="3", start=BEGIN),
            Fault("weak_closer", "door", floor="5", start=BEGIN),
            Fault("propped_door", "door", floor="6", start=BEGIN, hours=(18, 19, 20)),
        ),
    )  # fmt: skip
    return tables(log_of(simulate(plan)))


def slower(table):
    mine = table[table["slower"].fillna(False).astype(bool) & table["pair"].isna()]
    return {(r.what, None if pd.isna(r.floor) else r.floor): r for r in mine.itertuples()}


def test_closer_latch_and_diverter_are_found_on_their_day_and_nothing_else(worn):
    found = slower(worn[0])
    assert set(found) == {("open_s", "5"), ("unlock_s", "3"), ("positioning_s", None)}
    for row in found.values():
        # A latch that only hesitates now and then shows later than a closer.
        days = 12 if row.what == "unlock_s" else 6
        assert abs((row.since - pd.Timestamp(BEGIN.date())).days) <= days
        assert row.low_s < row.shift_s < row.high_s
    # The simulator's closer takes 2.8 s more * 1.5 when worn, its diverter a quarter more.
    assert found["open_s", "5"].low_s < 4.2 < found["open_s", "5"].high_s
    assert found["open_s", "5"].lower_quartile_s > 2
    assert found["positioning_s", None].shift_s == pytest.approx(1.25, abs=0.2)
    assert found["positioning_s", None].limit_s == 15
    assert found["positioning_s", None].meets_low <= found["positioning_s", None].meets_limit


def test_each_pair_of_streams_has_its_own_travel(worn):
    pairs = worn[0].dropna(subset="pair").set_index("pair")
    assert len(pairs) == 6
    assert (
        pairs.loc["organics > refuse", "typical_s"]
        > 1.5 * pairs.loc["recycling > refuse", "typical_s"]
    )


def test_charts_leave_their_limits_after_the_wear_began(worn):
    days = worn[1]
    mine = days[days["what"].eq("open_s") & days["floor"].eq("5")]
    out = mine.loc[mine["cusum"] > mine["cusum_limit"], "day"]
    assert out.min() >= pd.Timestamp(BEGIN.date())
    assert (mine["ewma_high"] >= mine["ewma_low"]).sum() == mine["ewma"].notna().sum()


def test_the_tables_are_as_described(worn):
    assert conform(worn[0], "drift").num_rows == len(worn[0])
    assert conform(worn[1], "drift_days").num_rows == len(worn[1])
    assert all(isinstance(json.loads(text), list) for text in worn[0]["steps"].dropna())


def opened(day, floor, seconds, at=0.0):
    start = day * 86400 + at
    shut = start + 1 + seconds
    return [
        (start, floor, "unlocked", "on"), (start + 1, floor, "open", "on"),
        (shut, floor, "open", "off"), (shut, floor, "unlocked", "off"),
    ]  # fmt: skip


def house(slow, days=60, uses=6, floors="12345"):
    """Doors whose openings take 10 s and what `slow(day, floor)` adds, and some chance."""
    rng = np.random.default_rng(9)
    events = []
    for day in range(days):
        for number in range(uses):
            for place, floor in enumerate(floors):
                seconds = 10 + slow(day, floor) + rng.normal(0, 1)
                events += opened(day, floor, round(seconds, 2), number * 3000 + place * 300)
    return timeline(*events)


def test_what_all_doors_do_is_season_and_no_drift():
    season, _ = tables(house(lambda day, floor: 3 * np.sin(day / 20)))
    assert not slower(season)
    worn, _ = tables(
        house(lambda day, floor: 3 * np.sin(day / 20) + 2 * (floor == "3" and day > 29))
    )
    assert set(slower(worn)) == {("open_s", "3")}


def test_a_clock_step_inside_a_series_is_no_drift():
    log = house(lambda day, floor: 0)
    later = log["time"] > log["time"].iloc[len(log) // 2]
    moved = log["time"].where(~later, log["time"] - pd.Timedelta("40min"))
    clock = log["clock"].astype("str").where(log["seq"] < len(log) // 3, "step")
    assert not slower(tables(log.assign(time=moved, clock=clock.astype("category")))[0])


def test_the_day_a_limit_is_met_is_foretold_with_its_interval():
    # 10 s, and from day 15 on 0.3 s a day more: 45 s at (45 - 10) / 0.3 days after day 15.
    table, days = tables(house(lambda day, floor: 0.3 * max(day - 15, 0) * (floor == "3"), days=60))
    row = slower(table)["open_s", "3"]
    first = days["day"].min()
    wanted = first + pd.Timedelta(days=15 + 35 / 0.3)
    assert row.limit_s == 45
    assert row.meets_low <= wanted <= row.meets_high
    assert abs((row.meets_limit - wanted).days) < 20
    others = table[table["floor"].ne("3") | table["what"].ne("open_s")]
    assert others["meets_limit"].isna().all()  # nothing else gets slower


def test_ten_years_are_searched_as_surely_and_not_much_longer_than_one():
    rng = np.random.default_rng(1)
    level = rng.normal(0, 1, 3650) + 1.5 * (np.arange(3650) > 2000)
    begun = time.process_time()
    found = onset(np.arange(3650), level, np.ones(3650))
    assert time.process_time() - begun < 3
    assert abs(found.at - 2001) < 10
    assert found.shift == pytest.approx(1.5, abs=0.15)


def test_a_shift_that_finer_exports_may_have_made_does_not_count():
    log = house(lambda day, floor: 2 * (floor == "3" and day > 29))
    known = facts(log, {})
    timed = timings(cycles(log, pair(log), {}), log, known.limits)
    days = drift_days(timed, known.precision, {})
    for steps, found in (((0.1, 0.1), {("open_s", "3")}), ((10.0, 0.1), set())):
        exports = pd.DataFrame({"site": "quay", "chute": "A", "source": ["old", "new"]})
        assert set(slower(drift(days, timed, exports.assign(precision_s=steps), known))) == found


def test_a_door_used_twice_a_month_is_too_seldom_to_tell():
    log = timeline(*[e for day in range(0, 150, 15) for e in opened(day, "7", 10 + day / 9)])
    table, days = tables(log)
    row = table[table["what"].eq("open_s")].iloc[0]
    assert pd.isna(row["p"])
    assert pd.isna(row["slower"])
    assert row["reason"] == "too few uses or days to tell a change"
    assert len(days) == 10


def test_ten_events_and_no_uses_at_all_give_reasons():
    table, _ = tables(timeline(*[(n * 60, "7", "press", "mark") for n in range(10)]))
    assert table["reason"].notna().all()
    assert "door contacts not in the log" in set(table["reason"])


def test_a_house_without_wear_has_none():
    for seed in (21, 22):
        plan = replace(plain_plan(days=40, seed=seed, floors=6))
        assert not slower(tables(log_of(simulate(plan)))[0])
