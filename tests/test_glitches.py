"""Glitches of contacts, latches and buttons, and troubles that come at several doors at once."""

import json

import numpy as np
import pandas as pd
import pytest

from loganalyzer.measures.together import together
from loganalyzer.tables import conform
from tests.build import at, timeline
from tests.conditioned import condition, simulated
from tests.tools.simulator import Fault, plain_plan


def use(start, floor="7", bounces=()):
    edges = [(start + 2, "on"), *bounces, (start + 9, "off")]
    return [
        (start, floor, "unlocked", "on"),
        *((when, floor, "open", edge) for when, edge in edges),
        (start + 9.5, floor, "unlocked", "off"),
    ]


def kinds(*events):
    found = condition(timeline(*events)).glitches
    return dict(zip(found["kind"], found["count"], strict=True))


def test_ordinary_uses_have_no_glitch():
    assert kinds(*use(0), *use(100, "8"), *use(200)) == {}


def test_a_door_that_opens_again_at_once_bounced():
    assert kinds(*use(0, bounces=[(3, "off"), (3.6, "on")]), *use(100)) == {"bounce": 1}


def test_a_leaf_that_was_open_for_a_blink_was_too_fast():
    blink = [(120.0, "7", "open", "on"), (120.1, "7", "open", "off")]
    assert kinds(*use(0), *use(100, bounces=[(103, "off"), (106.05, "on"), (106.15, "off"),
                                              (108.5, "on")])) == {"too fast": 1}  # fmt: skip
    assert kinds(*use(0), *blink) == {"open while locked": 1}


def test_an_opening_without_unlocking_is_told_but_not_in_service():
    forced = [(60, "7", "open", "on"), (65, "7", "open", "off")]
    assert kinds(*use(0), *forced) == {"open while locked": 1}
    served = [(50, None, "service", "on"), *forced, (90, None, "service", "off")]
    assert kinds(*use(0), *served) == {}
    # Where no unlocking is logged at all, nothing is known of it.
    assert kinds(*forced) == {}


def test_a_second_opening_without_a_closing_is_impossible():
    assert kinds(*use(0, bounces=[(4, "on")]), *use(100)) == {"impossible": 1}


def test_a_glitch_has_its_rate_with_an_exact_interval():
    uses = [e for n in range(100) for e in use(n * 100, bounces=[(n * 100 + 3, "off"),
            (n * 100 + 3.5, "on")] if n < 5 else ())]  # fmt: skip
    (row,) = condition(timeline(*uses)).glitches.to_dict("records")
    # Source: F. Garwood, Biometrika 28 (1936) 437, n = 5: 1.623486 to 11.668332.
    assert (row["low"], row["high"]) == pytest.approx((16.23486, 116.68332), abs=1e-4)
    assert conform(pd.DataFrame([row]), "glitches").num_rows == 1


@pytest.fixture(scope="module")
def troubled():
    faults = (
        Fault("bouncing_contact", "contact", floor="1", ramp_days=0),
        Fault("rattling_door", "contact", floor="2", ramp_days=0, strength=0.3),
        Fault("stuck_button", "contact", floor="3", ramp_days=0),
        Fault("wiring_glitch", "wiring", floors=("4", "5", "6"), ramp_days=0),
    )
    return simulated(plain_plan(days=28, seed=3, tick_ms=100, faults=faults))


def test_each_planted_glitch_is_at_its_door(troubled):
    found = troubled.glitches.sort_values("count").drop_duplicates("floor", keep="last")
    told = dict(zip(found["floor"], found["kind"], strict=True))
    assert told == {"1": "bounce", "2": "open while locked", "3": "steady presses"}


def test_doors_of_one_cable_fail_together_more_often_than_chance(troubled):
    (row,) = troubled.together.to_dict("records")
    assert row["trouble"] == "fault wiring"
    assert json.loads(row["floors"]) == ["4", "5", "6"]
    assert row["times"] > 100 * row["expected"]
    assert row["p"] < 1e-6


def test_a_healthy_house_has_no_glitch():
    found = simulated(plain_plan(days=21, seed=5, tick_ms=1000))
    assert found.glitches.empty
    assert found.together.empty


def alone(rates, days, seed):
    """Troubles at each door at random, so many a day."""
    rng = np.random.default_rng(seed)
    rows = [
        ("quay", "A", str(floor), "fault x", at(float(second)), "log", 1)
        for floor, rate in enumerate(rates)
        for second in rng.uniform(0, days * 86400, rng.poisson(rate * days))
    ]
    names = ["site", "chute", "floor", "trouble", "time", "source", "line"]
    held = pd.DataFrame([("quay", "A", days * 86400.0, True)],
                        columns=["site", "chute", "seconds", "covered"])  # fmt: skip
    step = pd.DataFrame([("quay", "A", 0.1)], columns=["site", "chute", "precision_s"])
    return pd.DataFrame(rows, columns=names), held, step


def test_doors_that_fail_alone_meet_as_often_as_chance_says():
    found = [together(*alone([300, 200, 100], 20, seed)) for seed in range(12)]
    times = sum(t["times"].sum() for t in found)
    expected = sum(t["expected"].sum() for t in found)
    # Three at once are one cluster, and clusters chain, so a little fewer than pairs.
    assert 0.85 < times / expected < 1.05
    assert min(t["p"].min() for t in found) > 1e-3


def test_a_clock_of_minutes_cannot_say_what_came_together():
    troubles, held, step = alone([3, 3], 20, 1)
    (row,) = together(troubles, held, step.assign(precision_s=60.0)).to_dict("records")
    assert pd.isna(row["times"])
    assert "coarsely" in row["reason"]
