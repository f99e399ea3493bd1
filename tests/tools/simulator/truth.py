"""What really happened, as tables: the plan played, every cycle, fault and misuse known."""

from dataclasses import dataclass
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from tests.tools.simulator import frames
from tests.tools.simulator import words as w
from tests.tools.simulator.clockwork import believed, segments, wall
from tests.tools.simulator.controller import Controller
from tests.tools.simulator.faults import happenings
from tests.tools.simulator.plan import Chute, Plan, milliseconds
from tests.tools.simulator.residents import arrivals


@dataclass(frozen=True)
class Truth:
    """Tables of everything, one row a thing, with `chute` and in order of time.

    Attributes:
        plan: What was played.
        events: time (true UTC), shown (UTC instant the controller's clock believes), device
            (that as the site's wall clock), signal, edge, floor, stream, code, value. Codes are
            the simulator's own words (`words.CODES`). A clock set's value is seconds added.
        alive: time, shown: the hourly signs of life, which are no events.
        cycles, visits: as the contract defines them, without source and line, true times.
        lockouts: floor, start, end, presses counted in it.
        fills: stream, start, full_from, end, drops, litres, emptied (pickup, swap or end).
        gaps: start, end of each power cut, `restarts`, and when the clock was `set`.
        services: start, end.
        faults, misuse: what was planted. misused: each visit spent mashing buttons.
    """

    plan: Plan
    events: pd.DataFrame
    alive: pd.DataFrame
    cycles: pd.DataFrame
    visits: pd.DataFrame
    lockouts: pd.DataFrame
    fills: pd.DataFrame
    gaps: pd.DataFrame
    services: pd.DataFrame
    faults: pd.DataFrame
    misuse: pd.DataFrame
    misused: pd.DataFrame


TABLES = (
    "events", "alive", "cycles", "visits", "lockouts", "fills", "gaps", "services", "faults",
    "misuse", "misused",
)  # fmt: skip


def simulate(plan: Plan) -> Truth:
    """Play a plan; the same plan gives the same truth, to the last event."""
    seeds = np.random.SeedSequence(plan.seed).spawn(len(plan.chutes))
    parts = [_chute(plan, chute, seed) for chute, seed in zip(plan.chutes, seeds, strict=True)]
    return Truth(plan, **{name: _stack(name, plan, parts) for name in TABLES})


def _stack(name: str, plan: Plan, parts: list[dict[str, pd.DataFrame]]) -> pd.DataFrame:
    frames = [part[name] for part in parts]
    filled = [frame for frame in frames if len(frame)] or frames[:1]
    table = pd.concat(filled, ignore_index=True)
    table.insert(0, "site", plan.site)
    if name == "events":  # different doors make text of what was a category
        words = ("site", "chute", "signal", "edge", "floor", "stream", "code")
        table = table.astype(dict.fromkeys(words, "category"))
    return table


def _chute(plan: Plan, chute: Chute, seed: np.random.SeedSequence) -> dict[str, pd.DataFrame]:
    people_seed, control_seed, fault_seed = (np.random.default_rng(s) for s in seed.spawn(3))
    controller = Controller(plan, chute, control_seed)
    planned = happenings(plan, chute, fault_seed)
    sets = _sets(plan, chute)
    planned += [(at, "clock", ()) for at in sets]
    controller.run(arrivals(plan, chute, people_seed), planned)
    events, alive = _events(plan, chute, controller, sets)
    tables = {
        "events": events, "alive": alive, "cycles": frames.cycles(controller),
        "visits": frames.visits(controller), "lockouts": frames.lockouts(controller),
        "fills": frames.fills(controller), "gaps": frames.gaps(chute, sets),
        "services": frames.services(chute), "faults": frames.faults(plan, chute),
        "misuse": pd.DataFrame([vars(case) for case in chute.misuse]),
        "misused": frames.misused(controller),
    }  # fmt: skip
    for table in tables.values():
        table.insert(0, "chute", chute.id)
    return tables


def _sets(plan: Plan, chute: Chute) -> list[int]:
    """When the clock is set (ms): by routine in the small hours, and after cuts."""
    zone = ZoneInfo(plan.time_zone)
    routine = {"none": 0, "daily": 1, "weekly": 7}[chute.clock_sets]
    times: list[int] = []
    day = plan.start.replace(hour=4, minute=10)
    while routine and day < plan.end:
        if routine == 1 or day.weekday() == 6:
            times.append(milliseconds(day.replace(tzinfo=zone)))
        day += timedelta(days=1)
    for cut in chute.cuts:
        begin, back = milliseconds(cut.at), milliseconds(cut.at) + round(cut.seconds * 1000)
        times = [at for at in times if not begin <= at <= back]
        if cut.set_after_s is not None:
            times.append(back + round(cut.set_after_s * 1000))
    return sorted(times)


def _events(
    plan: Plan, chute: Chute, controller: Controller, sets: list[int]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    columns = list(zip(*controller.log, strict=True)) or [()] * 6
    time = np.array(columns[0], np.int64) * 1000
    kind = np.array(columns[1], np.int16)
    restarts = [
        milliseconds(cut.at) * 1000 + round(cut.seconds * 1_000_000)
        for cut in chute.cuts
        if cut.restarts
    ]
    begins = (kind == w.CLOCK) | ((kind == w.POWER) & np.isin(time, restarts))
    rate = chute.drift_s_a_day / 86400
    zone = chute.clock_zone or plan.time_zone
    history = segments(controller.start * 1000, rate, [at * 1000 for at in sets], restarts, zone)
    shown, added = believed(time, begins, history)
    value = np.array(columns[5], float)
    value = np.where(kind == w.CLOCK, added / 1e6, value)
    frame = pd.DataFrame({
        "time": utc(time), "shown": utc(shown),
        "device": wall(shown, plan.time_zone).astype("datetime64[us]"),
        "signal": _named(kind, [signal for signal, _ in w.KINDS]),
        "edge": _named(kind, [edge for _, edge in w.KINDS]),
        "floor": _named(np.array(columns[2], np.int32), controller.labels),
        "stream": _named(np.array(columns[3], np.int32), controller.names),
        "code": _named(np.array(columns[4], np.int32), list(w.CODES)), "value": value,
    })  # fmt: skip
    alive = kind == w.ALIVE
    return (
        frame[~alive]
        .reset_index(drop=True)
        .assign(signal=lambda events: events["signal"].cat.remove_unused_categories()),
        frame.loc[alive, ["time", "shown"]].reset_index(drop=True),
    )


def utc(microseconds: np.ndarray) -> pd.DatetimeIndex:
    """UTC microseconds as aware times."""
    return pd.DatetimeIndex(microseconds.astype("datetime64[us]")).tz_localize("UTC")


def _named(numbers: np.ndarray, names: list[str]) -> pd.Categorical:
    """Numbers as names; several numbers may share a name, -1 is null."""
    unique = list(dict.fromkeys(names))
    position = np.array([unique.index(name) for name in names] + [-1])
    return pd.Categorical.from_codes(position[numbers], categories=unique)
