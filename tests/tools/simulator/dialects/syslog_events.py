"""syslog-events: RFC 5424 messages, the event in the message id, the rest in parameters."""

import numpy as np

from tests.tools.simulator.dialects.dialect import Dialect, labels, padded, texts
from tests.tools.simulator.dialects.rows import (
    Part,
    Rows,
    choose,
    clock,
    dates,
    figures,
    fraction,
    words,
)

EVENTS = texts(
    press_mark="button-pushed", refusal_mark="button-declined", positioning_on="diverter-run",
    positioning_off="diverter-set", unlocked_on="bolt-out", unlocked_off="bolt-in",
    open_on="leaf-open", open_off="leaf-closed", clearing_on="settle-start",
    clearing_off="settle-end", lockout_on="door-barred", lockout_off="door-unbarred",
    full_on="room-none", full_off="room-again", service_on="maintenance-begin",
    service_off="maintenance-end", fault_on="trouble-begin", fault_off="trouble-end",
    fault_mark="trouble-seen", power_on="program-start", power_off="program-stop",
    compacting_on="ram-out", compacting_off="ram-home", clock_mark="clock-set",
    level_mark="room-gauge", note_mark="remark", alive_mark="alive",
)  # fmt: skip
STREAMS = {
    "refuse": "residual", "recycling": "packaging", "organics": "biowaste", "linen": "linen"
}  # fmt: skip
CODES = (
    "chute-taken", "no-room", "maintenance", "door-barred", "trouble", "DIV-TIME", "BOLT",
    "LEAF-HELD", "LEAF-STRAY", "GAUGE", "RAM", "LINE", "VOLTS", "SHUTTER", "RESET",
)  # fmt: skip


def _offset(us: np.ndarray) -> Part:
    unique, which = np.unique(us // 60_000_000, return_inverse=True)
    return words(
        which, [f"{'+-'[m < 0]}{abs(m) // 60:02}:{abs(m) % 60:02}" for m in unique.tolist()]
    )


def _parameter(name: str, text: Part, here: np.ndarray) -> list[Part]:
    return [choose(here, f' {name}="'), text, choose(here, '"')]


def _parts(rows: Rows) -> list[Part]:
    has = [rows.floor >= 0, rows.stream >= 0, rows.code >= 0, ~np.isnan(rows.value)]
    return [
        "<133>1 ", dates(rows.stamp, "%Y-%m-%d"), "T", clock(rows.stamp), ".",
        fraction(rows.stamp, 3), _offset(rows.offset), f" chute-{rows.chute} intake - ",
        words(rows.kind, EVENTS), " [use@32473",
        *_parameter(
            "at", words(rows.floor, labels(rows.floors, {}, lambda f: _label(f))), has[0]
        ),
        *_parameter(
            "material", words(rows.stream, [STREAMS[name] for name in rows.streams]), has[1]
        ),
        *_parameter("why", words(rows.code, CODES), has[2]),
        *_parameter("figure", figures(rows.value, "{:.3f}".format), has[3]),
        "]",
    ]  # fmt: skip


def _label(floor: str) -> str:
    return "F00" if floor == "G" else f"F{padded(floor)}"


DIALECT = Dialect("syslog-events", ".log", "offset", 1_000, _parts)
