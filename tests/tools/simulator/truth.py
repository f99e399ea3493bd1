"""What really happened, as tables: the plan played, every cycle, fault and misuse known."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from tests.tools.simulator import words as w
from tests.tools.simulator.clockwork import believed, segments, wall
from tests.tools.simulator.controller import Controller
from tests.tools.simulator.faults import happenings
from tests.tools.simulator.plan import Chute, Plan, milliseconds
from tests.tools.simulator.residents import arrivals
from tests.tools.simulator.visits import Visit

CYCLE_TIMES = ("pressed", "unlocked", "opened", "closed", "cleared")


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
        "events": events, "alive": alive, "cycles": _cycles(controller),
        "visits": _visits(controller), "lockouts": _lockouts(controller),
        "fills": _fills(controller), "gaps": _gaps(chute, sets),
        "services": _services(chute), "faults": _faults(plan, chute),
        "misuse": pd.DataFrame([vars(case) for case in chute.misuse]),
        "misused": _misused(controller),
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


def _cycles(controller: Controller) -> pd.DataFrame:
    # A grant that the power cut short before anything moved left nothing in any log.
    shown = [cycle for cycle in controller.cycles if cycle.shown]
    frame = pd.DataFrame({
        "cycle": np.arange(1, len(shown) + 1),
        "floor": [controller.labels[cycle.floor] for cycle in shown],
        "stream": [controller.names[cycle.stream] for cycle in shown],
        **{name: _times([getattr(c, name) for c in shown]) for name in CYCLE_TIMES},
        "positioning_s": np.array([cycle.turned_s for cycle in shown], float),
    })  # fmt: skip
    spans = {
        "wait_s": ("pressed", "unlocked"), "reach_s": ("unlocked", "opened"),
        "open_s": ("opened", "closed"), "clear_s": ("closed", "cleared"),
    }  # fmt: skip
    for name, (begin, end) in spans.items():
        frame[name] = (frame[end] - frame[begin]).dt.total_seconds()
    return frame.assign(outcome=[cycle.outcome for cycle in shown])


def _times(values: list[int | None]) -> pd.Series:
    """Milliseconds or None as aware times or NaT."""
    numbers = pd.array(values, dtype="Int64")
    return pd.Series(pd.to_datetime(numbers, unit="ms", utc=True)).dt.as_unit("us")


def _visits(controller: Controller) -> pd.DataFrame:
    visits = controller.book.visits
    frame = pd.DataFrame({
        "floor": [controller.labels[visit.floor] for visit in visits],
        "stream": [controller.names[visit.stream] for visit in visits],
        "start": _times([visit.start for visit in visits]),
        "end": _times([visit.opened or visit.last for visit in visits]),
        "presses": [visit.presses for visit in visits],
        "refusals": [visit.refusals for visit in visits],
        "wait_s": [(v.opened - v.start) / 1000 if v.opened else None for v in visits],
        "result": [_result(visit) for visit in visits],
    })  # fmt: skip
    return frame.astype({"wait_s": float})


def _result(visit: Visit) -> str:
    if visit.opened is not None:
        return "served"
    if visit.barred or visit.last_reason == w.CODE["lockout"]:
        return "locked_out"
    return "unknown" if visit.cut else "gave_up"


def _lockouts(controller: Controller) -> pd.DataFrame:
    rows = sorted(controller.lockouts, key=lambda row: row[1])
    return pd.DataFrame({
        "floor": [controller.labels[row[0]] for row in rows],
        "start": _times([row[1] for row in rows]), "end": _times([row[2] for row in rows]),
        "presses": [row[3] for row in rows],
    })  # fmt: skip


def _fills(controller: Controller) -> pd.DataFrame:
    rows = [
        row
        for box in controller.containers
        for row in (
            *box.fills,
            (box.stream.id, box.since, box.full_from, None, box.drops, box.litres, "end"),
        )
    ]
    return pd.DataFrame({
        "stream": [row[0] for row in rows],
        **{n: _times([row[i] for row in rows]) for i, n in ((1, "start"), (2, "full_from"))},
        "end": _times([row[3] for row in rows]), "drops": [row[4] for row in rows],
        "litres": [row[5] for row in rows], "emptied": [row[6] for row in rows],
    })  # fmt: skip


def _gaps(chute: Chute, sets: list[int]) -> pd.DataFrame:
    rows = []
    for cut in chute.cuts:
        back = cut.at + timedelta(seconds=cut.seconds)
        later = [at for at in sets if at >= milliseconds(back)]
        moment = later[0] if cut.restarts and later else None
        rows.append((cut.at, back, cut.restarts, moment))
    return pd.DataFrame({
        "start": _aware([row[0] for row in rows]), "end": _aware([row[1] for row in rows]),
        "restarts": [row[2] for row in rows], "set": _times([row[3] for row in rows]),
    })  # fmt: skip


def _services(chute: Chute) -> pd.DataFrame:
    ends = [work.at + timedelta(seconds=work.seconds) for work in chute.services]
    return pd.DataFrame({
        "start": _aware([work.at for work in chute.services]), "end": _aware(ends)
    })  # fmt: skip


def _aware(times: list[datetime]) -> pd.Series:
    return pd.Series(pd.to_datetime(times, utc=True)).dt.as_unit("us")


def _faults(plan: Plan, chute: Chute) -> pd.DataFrame:
    begin = plan.utc(plan.start)
    return pd.DataFrame({
        "kind": [fault.kind for fault in chute.faults],
        "component": [fault.component for fault in chute.faults],
        "floor": [fault.floor or " ".join(fault.floors) or None for fault in chute.faults],
        "stream": [fault.stream for fault in chute.faults],
        "start": _aware([fault.start or begin for fault in chute.faults]),
        "ramp_days": [fault.ramp_days for fault in chute.faults],
        "strength": [fault.strength for fault in chute.faults],
    })  # fmt: skip


def _misused(controller: Controller) -> pd.DataFrame:
    return pd.DataFrame({
        "floor": [controller.labels[row[1]] for row in controller.misused],
        "time": _times([row[0] for row in controller.misused]),
        "presses": [row[2] for row in controller.misused],
    })  # fmt: skip
