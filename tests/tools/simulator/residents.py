"""When people come to the chute, with what, and how patient they are.

Arrivals are Poisson by floor and local hour of the week. Patience, retry gaps and the rest are
drawn per person here, so that the controller's loop only follows them.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd

from tests.tools.simulator.plan import Chute, Plan, milliseconds

# Weights of the hours of a day: a morning bump, a quiet noon, a broad evening.
# common practice, no source
WEEKDAY = np.array(
    [2, 1, 0.5, 0.5, 0.5, 2, 9, 14, 12, 8, 7, 8, 9, 8, 7, 8, 10, 14, 19, 22, 20, 15, 9, 4], float
)
WEEKEND = np.array(
    [3, 2, 1, 0.5, 0.5, 1, 3, 6, 11, 16, 19, 19, 17, 14, 13, 13, 14, 16, 19, 20, 18, 14, 9, 5],
    float,
)


class Arrivals(NamedTuple):
    """One entry a person, in order of time; lists, because the loop is plain Python."""

    time: list[int]
    floor: list[int]
    stream: list[int]
    patience: list[int]
    mash: list[int]


def arrivals(plan: Plan, chute: Chute, rng: np.random.Generator) -> Arrivals:
    """Everybody who comes between the plan's dates.

    Times are milliseconds on the controller's tick; `mash` is the number of presses that a
    misuser makes whatever happens, 0 for everybody else.
    """
    hours = pd.date_range(plan.utc(plan.start), plan.utc(plan.end), freq="h", inclusive="left")
    rates = np.outer(_weights(hours, plan.time_zone), [floor.units for floor in chute.floors])
    counts = rng.poisson(rates * chute.uses_a_unit_a_week)
    hour, floor = np.nonzero(counts)
    many = counts[hour, floor]
    hour, floor = np.repeat(hour, many), np.repeat(floor, many)
    at = hours.as_unit("ms").asi8[hour] + rng.integers(0, 3_600_000, len(hour))
    order = np.argsort(at, kind="stable")
    at, floor = at[order] // chute.tick_ms * chute.tick_ms, floor[order]
    shares = np.array([stream.share for stream in chute.streams])
    stream = rng.choice(len(shares), len(at), p=shares / shares.sum())
    patience = (rng.exponential(70_000, len(at)) + 8_000).astype(np.int64)
    mash = _misuse(plan, chute, at, floor, rng)
    return Arrivals(*(column.tolist() for column in (at, floor, stream, patience, mash)))


def _weights(hours: pd.DatetimeIndex, zone: str) -> np.ndarray:
    """Share of a week's uses that falls into each hour."""
    week = np.concatenate([np.tile(WEEKDAY, 5), np.tile(WEEKEND * 1.1, 2)])
    local = hours.tz_convert(zone)
    return (week / week.sum())[local.day_of_week * 24 + local.hour]


def _misuse(
    plan: Plan, chute: Chute, at: np.ndarray, floor: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """How many presses each person makes for the fun or the anger of it."""
    share = np.zeros(len(at))
    labels = [door.label for door in chute.floors]
    for case in chute.misuse:
        begins = milliseconds(case.start or plan.utc(plan.start))
        share[(floor == labels.index(case.floor)) & (at >= begins)] = case.share
    mashing = rng.random(len(at)) < share
    return np.where(mashing, 5 + rng.geometric(0.25, len(at)), 0)
