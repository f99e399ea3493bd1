"""The simulated building keeps its own rules and knows the truth about itself."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

from loganalyzer.cycles import cycles
from loganalyzer.intervals import pair
from loganalyzer.site import parse_site
from loganalyzer.tables import conform
from loganalyzer.visits import visits
from tests.tools.simulator import (
    Fault,
    Misuse,
    Plan,
    PowerCut,
    Service,
    Truth,
    plain_chute,
    plain_plan,
    simulate,
)
from tests.tools.simulator.sitefile import site_toml

START = datetime(2026, 3, 2, tzinfo=UTC)
MINUTE = pd.Timedelta(minutes=1)


@pytest.fixture(scope="module")
def truth() -> Truth:
    """Three weeks with misuse, a full container or two, service and a power cut; no faults."""
    return simulate(
        plain_plan(
            days=21, seed=5, floors=9, uses_a_unit_a_week=18, misuse=(Misuse("4", 0.2),),
            services=(Service(START + timedelta(days=9, hours=9), 7200),),
            cuts=(PowerCut(START + timedelta(days=12, hours=18), 1800),),
        )
    )  # fmt: skip


def spans(events: pd.DataFrame, signal: str) -> list[tuple[int, int]]:
    """Places in the log of each on and its off (the log's end where none is)."""
    rows = events[events["signal"] == signal]
    found, running = [], {}
    for place, edge, floor, stream in zip(
        rows.index, rows["edge"], rows["floor"], rows["stream"], strict=True
    ):
        key = (str(floor), str(stream))
        if edge == "on":
            running[key] = place
        elif key in running:
            found.append((running.pop(key), place))
    return sorted([*found, *((place, len(events)) for place in running.values())])


def overlap(some: list[tuple[int, int]], others: list[tuple[int, int]]) -> bool:
    """Whether any of the first runs at a moment with any of the second."""
    both = sorted([(span, 0) for span in some] + [(span, 1) for span in others])
    return any(a[0][1] > b[0][0] and a[1] != b[1] for a, b in pairwise(both))


def test_never_two_doors_are_open(truth):
    openings = spans(truth.events, "open")
    assert len(openings) > 500
    assert all(before[1] < after[0] for before, after in pairwise(openings))


def test_the_diverter_is_still_while_a_door_is_open_or_material_falls(truth):
    moves = spans(truth.events, "positioning")
    assert len(moves) > 300
    assert not overlap(moves, spans(truth.events, "open"))
    assert not overlap(moves, spans(truth.events, "clearing"))


def test_no_latch_is_drawn_while_a_container_is_full_or_during_service_or_clearing(truth):
    for signal in ("full", "service", "clearing"):
        held = spans(truth.events, signal)
        assert held, signal
        drawn = truth.events.index[
            (truth.events["signal"] == "unlocked") & (truth.events["edge"] == "on")
        ]
        assert not any(begin < place < end for begin, end in held for place in drawn), signal


def test_more_presses_than_the_limit_inside_the_window_lock_that_door_until_it_is_quiet(truth):
    """The rule written down a second time, press by press."""
    presses = truth.events[truth.events["signal"] == "press"]
    cut = truth.gaps["start"].iloc[0], truth.gaps["end"].iloc[0]
    expected = []
    for floor, times in presses.groupby("floor", observed=True)["time"]:
        recent, until, began = [], None, None
        for time in [*times, pd.Timestamp.max.tz_localize("UTC")]:
            if began is not None and time >= until:
                # A press at the very end of the quiet time comes before its end in the log.
                if time > until:
                    expected.append((floor, began, None if began < cut[0] < until else until))
                    began = None
                else:
                    until = time + pd.Timedelta(seconds=90)
            if recent and recent[-1] < cut[0] < time:
                recent, began = [], None
            recent = [t for t in recent if (time - t).total_seconds() <= 90] + [time]
            if began is not None:
                until = time + pd.Timedelta(seconds=90)
            elif len(recent) > 4:
                began, until = time, time + pd.Timedelta(seconds=90)
    found = [
        (row.floor, row.start, None if pd.isna(row.end) else row.end)
        for row in truth.lockouts.itertuples()
    ]
    assert len(found) > 30
    assert sorted(found, key=str) == sorted(expected, key=str)


def test_a_lockout_leaves_the_other_doors_alone(truth):
    opened = truth.cycles.dropna(subset="opened")
    inside = [
        ((opened["opened"] > row.start) & (opened["opened"] < row.end)
         & (opened["floor"] != row.floor)).any()
        for row in truth.lockouts.dropna(subset="end").itertuples()
    ]  # fmt: skip
    assert any(inside)


def test_a_misused_floor_is_locked_out_far_more_often(truth):
    counts = truth.lockouts.groupby("floor", observed=True).size()
    assert counts["4"] > 3 * counts.drop("4").max()


def test_the_cycles_are_what_the_events_say(truth):
    events, cycles = truth.events, truth.cycles
    for name, signal, edge in (
        ("unlocked", "unlocked", "on"), ("opened", "open", "on"), ("closed", "open", "off"),
        ("cleared", "clearing", "off"),
    ):  # fmt: skip
        written = events.loc[(events["signal"] == signal) & (events["edge"] == edge), "time"]
        assert cycles[name].dropna().tolist() == written.tolist(), name
    assert cycles["outcome"].isin(["completed", "not_opened", "interrupted"]).all()


def test_every_press_belongs_to_one_visit(truth):
    kinds = truth.events["signal"].value_counts()
    assert truth.visits["presses"].sum() == kinds["press"]
    assert truth.visits["refusals"].sum() == kinds["refusal"]
    assert (truth.visits["result"] == "served").sum() == truth.cycles["opened"].notna().sum()
    assert set(truth.visits["result"]) >= {"served", "gave_up", "locked_out"}


@pytest.mark.parametrize("tick_ms", [1000, 100])
@pytest.mark.parametrize("seed", [1, 2])
def test_on_a_clean_log_the_library_rebuilds_exactly_the_true_cycles_and_visits(seed, tick_ms):
    """Service, a power cut, full containers and misuse are no faults of the log."""
    plan = plain_plan(
        days=10, seed=seed, floors=9, uses_a_unit_a_week=18, tick_ms=tick_ms,
        misuse=(Misuse("4", 0.2),),
        services=(Service(START + timedelta(days=8, hours=9), 7200),),
        cuts=(PowerCut(START + timedelta(days=6, hours=18), 1800),),
    )  # fmt: skip
    truth = simulate(plan)
    sites = {plan.site: parse_site(site_toml(plan, {"A": "semicolon-text"}), "plan")}
    rows = timeline_of(truth)
    intervals = pair(rows)
    rebuilt = cycles(rows, intervals, sites)
    tried = visits(rows, rebuilt, intervals, sites)
    doors = ["start", "floor"]
    for found, true, sort in ((rebuilt, truth.cycles, ["cycle"]), (tried, truth.visits, doors)):
        names = list(true.columns)
        pd.testing.assert_frame_equal(
            plain(found[names], sort), plain(true, sort), check_dtype=False, rtol=0, atol=1e-6
        )


def timeline_of(truth: Truth) -> pd.DataFrame:
    """The truth's events as a perfect import would give them."""
    place = np.arange(len(truth.events))
    rows = truth.events.assign(
        device_time=truth.events["device"], seq=place, line=place + 1, clock="exact", source="log"
    )
    return conform(rows, "timeline").to_pandas()


def plain(table: pd.DataFrame, sort: list[str]) -> pd.DataFrame:
    """Without categories, sorted."""
    text = table.select_dtypes(include=["category", "object", "str"]).columns
    return table.astype(dict.fromkeys(text, object)).sort_values(sort, ignore_index=True)


def test_a_full_container_is_refused_and_emptied(truth):
    full = truth.fills.dropna(subset="full_from")
    assert len(full)
    assert full["emptied"].isin(["swap", "pickup"]).all()
    refusals = truth.events[
        (truth.events["signal"] == "refusal") & (truth.events["code"] == "full")
    ]
    inside = [
        ((full["full_from"] <= time) & (time <= full["end"])).any() for time in refusals["time"]
    ]
    assert inside
    assert all(inside)


def test_the_same_plan_gives_the_same_truth_and_another_seed_another():
    one, same, other = (simulate(plain_plan(days=3, seed=seed)) for seed in (1, 1, 2))
    pd.testing.assert_frame_equal(one.events, same.events)
    pd.testing.assert_frame_equal(one.visits, same.visits)
    assert len(one.events) != len(other.events)


def test_as_many_people_come_as_the_plan_says():
    plan = plain_plan(days=70, seed=3, floors=5)
    expected = 10 * 8 * 5 * 10  # weeks, units, floors, uses a unit a week
    visits = len(simulate(plan).visits)
    # Retries after the window open second visits; Poisson spread is about 63.
    assert expected - 250 < visits < expected * 1.08


# The clock.


def cut_plan(**changes: object) -> Plan:
    return plain_plan(
        days=4, drift_s_a_day=3.0, clock_sets="daily",
        cuts=(PowerCut(START + timedelta(days=1, hours=10), 600, restarts=True, set_after_s=7200),),
        **changes,
    )  # fmt: skip


def test_a_restarted_clock_shows_the_first_of_january_2000_until_it_is_set():
    events = simulate(cut_plan()).events
    back = events[(events["signal"] == "power") & (events["edge"] == "on")].iloc[0]
    assert back["device"] == pd.Timestamp(2000, 1, 1)
    until = START + timedelta(days=1, hours=10, minutes=10, seconds=7200)
    between = events[(events["time"] > back["time"]) & (events["time"] < until)]
    assert len(between)
    assert (between["device"].dt.year == 2000).all()
    assert (events.loc[events["time"] > until, "device"].dt.year == 2026).all()


def test_each_set_of_the_clock_brings_it_right_and_tells_what_it_added():
    events = simulate(cut_plan()).events
    sets = events[events["signal"] == "clock"]
    assert (sets["shown"] == sets["time"]).all()
    assert sets["value"].iloc[-1] == pytest.approx(-3.0, abs=0.01)
    after = events.loc[sets.index[-1] + 50]
    days = (after["time"] - sets["time"].iloc[-1]).total_seconds() / 86400
    ahead = (after["shown"] - after["time"]).total_seconds()
    assert ahead == pytest.approx(3.0 * days, abs=1e-5)


# Faults.


def with_fault(**changes: object) -> Truth:
    return simulate(plain_plan(days=42, seed=8, floors=6, faults=(Fault(**changes),)))


def test_a_weak_closer_keeps_its_door_open_longer_week_by_week_and_no_other():
    cycles = with_fault(kind="weak_closer", component="door", floor="3").cycles
    week = (cycles["pressed"] - cycles["pressed"].min()).dt.days // 7
    median = cycles.groupby([cycles["floor"], week])["open_s"].median().unstack()
    assert median.loc["3", 5] > median.loc["3", 0] + 2
    assert abs(median.loc["2", 5] - median.loc["2", 0]) < 1.6


def test_a_slow_diverter_takes_longer_and_sometimes_fails():
    found = with_fault(kind="slow_diverter", component="sorter")
    week = (found.cycles["pressed"] - found.cycles["pressed"].min()).dt.days // 7
    median = found.cycles.groupby(week)["positioning_s"].median()
    assert median[5] > median[0] * 1.1
    codes = found.events.loc[found.events["signal"] == "fault", "code"].value_counts()
    assert codes["sorter_late"] >= 4
    assert (found.cycles["outcome"] == "interrupted").sum() == codes["sorter_late"] / 2


@pytest.mark.parametrize(
    ("fault", "signal", "code"),
    [
        (Fault("stiff_latch", "latch", floor="2", ramp_days=0, strength=2), "fault", "latch"),
        (Fault("wiring_glitch", "wiring", floors=("1", "2", "3")), "fault", "line"),
        (Fault("stuck_button", "contact", floor="2", ramp_days=0), "press", None),
        (Fault("false_full", "container", stream="recycling"), "full", None),
        (Fault("rattling_door", "contact", floor="4", ramp_days=0, strength=2), "open", None),
        (Fault("bouncing_contact", "contact", floor="4", ramp_days=0), "open", None),
        (Fault("low_supply", "power", ramp_days=0), "fault", "volts"),
        (Fault("board_reset", "control", ramp_days=0, strength=3), "fault", "reset"),
        (Fault("dropped_shutter", "fire", ramp_days=0, strength=3), "fault", "fire"),
        (Fault("propped_door", "door", floor="1", hours=(18, 19)), "fault", "door_held"),
    ],
    ids=lambda value: getattr(value, "kind", None),
)  # fmt: skip
def test_each_fault_shows_more_of_its_signal_than_a_healthy_chute(fault, signal, code):
    """With another's presses in between, only what a fault adds many of is telling."""
    usual = count((), signal, code)
    assert count((fault,), signal, code) > usual + max(3, usual / 10)


@cache
def events_with(faults: tuple[Fault, ...]) -> pd.DataFrame:
    return simulate(plain_plan(days=21, seed=4, floors=5, tick_ms=100, faults=faults)).events


def count(faults: tuple[Fault, ...], signal: str, code: str | None) -> int:
    rows = events_with(faults)
    rows = rows[rows["signal"] == signal]
    return len(rows if code is None else rows[rows["code"] == code])


def test_a_jamming_ram_stays_out_and_says_so():
    chute = plain_chute(floors=9, faults=(Fault("ram_jam", "compactor", ramp_days=0, strength=2),))
    streams = tuple(replace(stream, compactor=True) for stream in chute.streams)
    events = simulate(
        replace(plain_plan(days=21), chutes=(replace(chute, streams=streams),))
    ).events
    strokes = spans(events, "compacting")
    jams = events[(events["signal"] == "fault") & (events["code"] == "ram")]
    assert (jams["edge"] == "on").sum() == (jams["edge"] == "off").sum() > 3
    long = [span for span in strokes if events["time"][span[1]] - events["time"][span[0]] > MINUTE]
    assert len(long) == (jams["edge"] == "on").sum()
