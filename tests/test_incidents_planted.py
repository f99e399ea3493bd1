"""What the simulator planted is found where and when it was, and healthy houses give nothing."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from loganalyzer.site import parse_site
from loganalyzer.tables import conform
from tests.build import categories
from tests.tools.simulator.plan import Fault, Plan, PowerCut, Service, plain_chute, plain_plan
from tests.tools.simulator.sitefile import site_toml
from tests.tools.simulator.truth import Truth, simulate
from tests.tools.simulator.words import COMPONENTS
from tests.troubles import incidents_of

DAYS = 21
QUIET = ("contact_chatter", "common_cause", "sorter_fault", "latch_fault", "compactor_jam",
         "stuck_door", "power_loss", "service", "log_gap", "other_fault")  # fmt: skip


def house(seed: int, tick_ms: int = 1000, **changes) -> Plan:
    plan = plain_plan(days=DAYS, seed=seed)
    return replace(plan, chutes=(plain_chute(floors=8, tick_ms=tick_ms, **changes),))


def log_of(truth: Truth) -> pd.DataFrame:
    """The true events as a perfect import would give them."""
    rows = truth.events.reset_index(drop=True)
    rows = rows.assign(
        device_time=rows["device"], seq=np.arange(len(rows)), line=np.arange(1, len(rows) + 1),
        clock="exact", source="log",
    )  # fmt: skip
    return categories(conform(rows.drop(columns=["shown", "device"]), "timeline").to_pandas())


def found_in(truth: Truth, log: pd.DataFrame | None = None) -> pd.DataFrame:
    plan = truth.plan
    site = parse_site(site_toml(plan, {"A": "semicolon-text"}), "plan")
    log = log_of(truth) if log is None else log
    return incidents_of(log, {(plan.site, "A"): COMPONENTS}, {plan.site: site})


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("tick_ms", [1000, 100])
def test_a_healthy_house_has_no_trouble_but_lockouts_and_full_containers(seed, tick_ms):
    truth = simulate(house(seed, tick_ms, uses_a_unit_a_week=18))
    assert not set(found_in(truth)["kind"]) & set(QUIET)
    # The same house whose log holds nothing but its door contacts.
    log = log_of(truth)
    doors = log[log["signal"].eq("open")].reset_index(drop=True)
    assert len(doors) > 1000
    assert found_in(truth, doors).empty


@pytest.fixture(scope="module")
def troubled() -> tuple[Truth, pd.DataFrame]:
    plan = house(
        5, full_locks="stream", faults=(
            Fault("bouncing_contact", "contact", floor="3", ramp_days=0),
            Fault("false_full", "container", stream="organics", ramp_days=0, strength=3),
            Fault("wiring_glitch", "wiring", floors=("4", "5", "6"), ramp_days=0, strength=2),
            Fault("propped_door", "door", floor="7", ramp_days=0, strength=0.3),
            Fault("slow_diverter", "sorter", ramp_days=0, strength=2),
            Fault("stiff_latch", "latch", floor="2", ramp_days=0, strength=3),
        ),
    )  # fmt: skip
    start = plan.utc(plan.start)
    (chute,) = plan.chutes
    chute = replace(
        chute,
        cuts=(PowerCut(start + timedelta(days=10, hours=9), 900),),
        services=(Service(start + timedelta(days=16, hours=9), 7200),),
    )
    truth = simulate(replace(plan, chutes=(chute,)))
    return truth, found_in(truth)


def kind(found: pd.DataFrame, name: str) -> pd.DataFrame:
    return found[found["kind"].eq(name)].reset_index(drop=True)


def events(truth: Truth, signal: str, edge: str, code: str | None = None) -> pd.DataFrame:
    table = truth.events
    mine = table["signal"].eq(signal) & table["edge"].eq(edge)
    return table[mine & (table["code"].eq(code) if code else True)]


def test_a_bouncing_contact_chatters_and_no_other_does(troubled):
    truth, found = troubled
    chatter = kind(found, "contact_chatter")
    assert set(chatter["floor"]) == {"3"}
    # Slow reading of the rule: a cycle of that door with three or more openings.
    uses = truth.cycles[truth.cycles["floor"].eq("3") & truth.cycles["opened"].notna()]
    opens = events(truth, "open", "on")
    opens = opens[opens["floor"].eq("3")]["time"].to_numpy()
    shut = uses["closed"].fillna(uses["opened"])
    each = [((opens >= a) & (opens <= b)).sum() for a, b in
            zip(uses["opened"].to_numpy(), shut.to_numpy(), strict=True)]  # fmt: skip
    bouncing = uses["opened"][np.array(each) >= 3]
    assert len(bouncing) > 10
    spans = list(zip(chatter["start"], chatter["end"], strict=True))
    missed = [t for t in bouncing if not any(a <= t <= b for a, b in spans)]
    # A burst that lasts over 60 s is none.
    assert len(missed) <= 1


def test_every_wiring_glitch_is_a_common_cause_of_its_doors(troubled):
    truth, found = troubled
    causes = kind(found, "common_cause")
    lost = events(truth, "fault", "on", "line")
    groups = (lost["time"].diff() > pd.Timedelta("10s")).cumsum()
    first = lost.groupby(groups)["time"].min()
    assert len(first) >= 5
    assert causes["start"].tolist() == first.tolist()
    assert causes["code"].eq("line").all()
    assert causes["advice"].str.contains("The doors: .* and [456]").all()
    single = kind(found, "other_fault")
    single = single[single["code"].eq("line")]
    assert single["part_of"].isin(causes["incident"]).all()


def test_each_time_a_container_seems_full_is_told(troubled):
    truth, found = troubled
    full = kind(found, "container_full")
    for stream, part in events(truth, "full", "on").groupby("stream", observed=True):
        mine = full[full["stream"].eq(stream)]
        spans = list(zip(mine["start"], mine["end"], strict=True))
        assert all(any(a <= t <= b for a, b in spans) for t in part["time"])
    assert full["stream"].eq("organics").sum() >= 5


def test_a_propped_door_is_stuck_and_no_other_is(troubled):
    truth, found = troubled
    stuck = kind(found, "stuck_door")
    uses = truth.cycles[(truth.cycles["closed"] - truth.cycles["opened"]).dt.total_seconds() > 45]
    assert len(uses) >= 3
    assert set(stuck["floor"]) == {"7"}
    assert stuck["start"].tolist() == uses["opened"].tolist()
    assert stuck["end"].tolist() == uses["closed"].tolist()


def test_a_stalling_diverter_and_a_failing_latch_are_told(troubled):
    truth, found = troubled
    stalls = events(truth, "fault", "on", "sorter_late")["time"]
    sorter = kind(found, "sorter_fault")
    assert 1 <= len(sorter) <= len(stalls)
    spans = list(zip(sorter["start"], sorter["end"], strict=True))
    assert all(any(a <= t <= b for a, b in spans) for t in stalls)
    fails = events(truth, "fault", "mark", "latch")["time"]
    latch = kind(found, "latch_fault")
    assert set(latch["floor"]) == {"2"}
    assert latch["start"].isin(fails).all()
    assert fails.min() == latch["start"].min()


def test_the_power_cut_and_the_service_are_told_with_their_times(troubled):
    truth, found = troubled
    (cut,) = kind(found, "power_loss").to_dict("records")
    (gap,) = truth.gaps.to_dict("records")
    assert (cut["start"], cut["end"]) == (gap["start"], gap["end"])
    (work,) = kind(found, "service").to_dict("records")
    (true,) = truth.services.to_dict("records")
    assert abs(work["start"] - true["start"]) < pd.Timedelta("2min")
    assert work["end"] == true["end"]


def test_every_lockout_is_one_incident_and_says_which_episode_it_is_of(troubled):
    truth, found = troubled
    lockouts = kind(found, "abuse_lockout")
    true = truth.lockouts.sort_values(["start", "floor"], ignore_index=True)
    mine = lockouts.sort_values(["start", "floor"], ignore_index=True)
    assert len(true) > 5
    assert mine["start"].tolist() == true["start"].tolist()
    # Slow reading: an episode goes on while the next lockout begins within 10 minutes.
    true = true.sort_values(["floor", "start"])
    gap = (
        true.groupby("floor")["start"]
        .diff()
        .sub((true["end"] - true["start"]).groupby(true["floor"]).shift())
    )
    assert mine["part_of"].isna().sum() == (~(gap <= pd.Timedelta("10min"))).sum()
