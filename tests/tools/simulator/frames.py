"""What the controller kept, as tables with the contract's columns and true times."""

from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from tests.tools.simulator import words as w
from tests.tools.simulator.controller import Controller
from tests.tools.simulator.plan import Chute, Plan, milliseconds
from tests.tools.simulator.visits import Visit

CYCLE_TIMES = ("pressed", "unlocked", "opened", "closed", "cleared")


def cycles(controller: Controller) -> pd.DataFrame:
    """One row a grant that left something in a log."""
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


def visits(controller: Controller) -> pd.DataFrame:
    """One row an attempt at a door."""
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


def lockouts(controller: Controller) -> pd.DataFrame:
    """One row a lockout; without an end where power was lost in it."""
    rows = sorted(controller.lockouts, key=lambda row: row[1])
    return pd.DataFrame({
        "floor": [controller.labels[row[0]] for row in rows],
        "start": _times([row[1] for row in rows]), "end": _times([row[2] for row in rows]),
        "presses": [row[3] for row in rows],
    })  # fmt: skip


def fills(controller: Controller) -> pd.DataFrame:
    """One row a fill of a container, from empty to emptied; the last ones go on."""
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


def gaps(chute: Chute, sets: list[int]) -> pd.DataFrame:
    """One row a power cut, and when a restarted clock was set."""
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


def services(chute: Chute) -> pd.DataFrame:
    """One row a stretch of maintenance as planned."""
    ends = [work.at + timedelta(seconds=work.seconds) for work in chute.services]
    return pd.DataFrame({
        "start": _aware([work.at for work in chute.services]), "end": _aware(ends)
    })  # fmt: skip


def _aware(times: list[datetime]) -> pd.Series:
    return pd.Series(pd.to_datetime(times, utc=True)).dt.as_unit("us")


def faults(plan: Plan, chute: Chute) -> pd.DataFrame:
    """One row a planted fault."""
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


def misused(controller: Controller) -> pd.DataFrame:
    """One row a visit spent pressing buttons."""
    return pd.DataFrame({
        "floor": [controller.labels[row[1]] for row in controller.misused],
        "time": _times([row[0] for row in controller.misused]),
        "presses": [row[2] for row in controller.misused],
    })  # fmt: skip
