"""Presses that no finger makes, and people's that look odd and are not."""

import numpy as np
import pandas as pd
import pytest

from loganalyzer.facts import facts
from loganalyzer.measures.buttons import buttons
from tests.build import timeline
from tests.test_views import timeline_of
from tests.tools.simulator import Fault, Misuse, plain_plan, simulate

NO_CHATTER = pd.DataFrame(columns=["site", "chute", "floor"]).astype("str")


def presses(*seconds, floor="7", stream="refuse"):
    return [(s, floor, "press", "mark", {"stream": stream}) for s in seconds]


def of(*events, chatter=NO_CHATTER):
    """The doors by floor; some presses of other doors tell how finely the log tells the time."""
    log = timeline(*sorted(events, key=lambda e: e[0]))
    return buttons(log, chatter, facts(log, {})).set_index("floor")


FINE = presses(0.001, 5000.123, floor="1")
TENTHS = presses(0.1, 5000.3, floor="1")


def test_a_button_that_bounces_is_hardware():
    bounces = [s + n * 0.03 for s in range(100, 600, 100) for n in (0, 1)]
    row = of(*FINE, *presses(*bounces)).loc["7"]
    assert row["quick"] == 5
    assert row["reason"] == (
        "check the hardware first: 5 presses less than 0.1 s after the one before"
    )
    assert len(row["evidence"]) == 5


def test_four_bounces_are_not_yet_a_failing_button():
    bounces = [s + n * 0.03 for s in range(100, 500, 100) for n in (0, 1)]
    assert pd.isna(of(*FINE, *presses(*bounces)).loc["7", "reason"])


def test_two_buttons_pressed_together_by_two_fingers_are_no_bounce():
    both = [
        e
        for s in range(100, 2100, 100)
        for e in (*presses(s + 0.001), *presses(s + 0.021, stream="recycling"))
    ]
    assert of(*FINE, *both).loc["7", "quick"] == 0


@pytest.mark.parametrize(("number", "quick"), [(2, 0), (3, 1), (4, 2)])
def test_a_coarse_log_needs_more_presses_with_one_stamp(number, quick):
    assert of(*TENTHS, *presses(*[100.1] * number)).loc["7", "quick"] == quick


def test_a_button_that_stays_in_presses_like_a_clock():
    rng = np.random.default_rng(3)
    runs = [s + n + rng.normal(0, 0.01) for s in (100, 5000) for n in range(25)]
    row = of(*FINE, *presses(*np.round(runs, 3))).loc["7"]
    assert row["steady"] == 50
    assert "50 presses in runs as even as a clock" in row["reason"]


def test_somebody_who_mashes_a_button_for_long_is_no_clock():
    rng = np.random.default_rng(4)
    runs = [s + np.cumsum(rng.lognormal(np.log(0.9), 0.5, 60)) for s in (100, 5000, 9000)]
    for digits, finely in ((3, FINE), (0, [])):
        row = of(*finely, *presses(*np.round(np.concatenate(runs), digits))).loc["7"]
        assert row["steady"] == 0
        assert pd.isna(row["reason"])


def test_doors_in_lockstep_are_hardware_on_both_ends():
    times = [s * 100 + 0.2 for s in range(1, 16)]
    pairs = [*presses(*times), *presses(*[t + 0.04 for t in times], floor="8")]
    lone = presses(*[s * 100 + 50.5 for s in range(1, 200)], floor="9")
    table = of(*FINE, *pairs, *lone)
    assert table["together"].to_dict() == {"1": 0, "7": 15, "8": 15, "9": 0}
    assert table["reason"].notna().to_dict() == {"1": False, "7": True, "8": True, "9": False}


def test_lockstep_shows_in_whole_seconds_too():
    times = [s * 100 for s in range(1, 16)]
    table = of(*presses(*times), *presses(*times, floor="8"))
    assert table["reason"].notna().all()


def test_people_who_meet_now_and_then_are_not_in_lockstep():
    times = [s * 100 for s in range(1, 101)]
    table = of(*presses(*times), *presses(*times[:15], *[t + 50 for t in times], floor="8"))
    assert table.loc["8", "together"] == 15
    assert table["reason"].isna().all()


def test_a_log_of_whole_minutes_shows_none_of_it():
    times = [s * 60 for s in range(1, 60) for _ in range(30)]
    table = of(*presses(*times), *presses(*times, floor="8"))
    assert (table[["quick", "steady", "together"]] == 0).all(axis=None)


def test_bursts_of_chatter_are_hardware():
    chatter = pd.DataFrame({"site": "quay", "chute": "A", "floor": ["7", "7", "7", "8", "8"]})
    opened = [(s, f, "open", e) for f in "78" for s, e in ((500, "on"), (509, "off"))]
    table = of(*FINE, *presses(50), *opened, chatter=chatter)
    assert table.loc["7", "reason"] == "check the hardware first: 3 bursts of contact chatter"
    assert pd.isna(table.loc["8", "reason"])


def test_a_log_without_presses_has_nulls():
    row = of((0, "7", "open", "on"), (9, "7", "open", "off")).loc["7"]
    assert row[["presses", "quick", "steady", "together"]].isna().all()
    assert row["bursts"] == 0
    assert pd.isna(row["reason"])


def test_a_simulated_stuck_button_is_found_and_a_misused_one_is_not():
    plan = plain_plan(
        days=28, seed=4, faults=(Fault("stuck_button", "control", floor="3", ramp_days=0),),
        misuse=(Misuse("5", 0.15),),
    )  # fmt: skip
    log = timeline_of(simulate(plan).events)
    table = buttons(log, NO_CHATTER, facts(log, {})).set_index("floor")
    assert table["reason"].notna().to_dict() == {
        floor: floor == "3" for floor in table.index
    }  # fmt: skip
