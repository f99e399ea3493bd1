"""json-events: an object a line, epoch milliseconds, a running number."""

import numpy as np

from tests.tools.simulator.dialects.dialect import Dialect, labels, padded, texts
from tests.tools.simulator.dialects.rows import Part, Rows, choose, figures, numbers, words

EVENTS = texts(
    press_mark="button pressed", refusal_mark="button ignored", positioning_on="gate moving",
    positioning_off="gate still", unlocked_on="strike open", unlocked_off="strike closed",
    open_on="door open", open_off="door closed", clearing_on="chute falling",
    clearing_off="chute clear", lockout_on="buttons dead", lockout_off="buttons live",
    full_on="bin full", full_off="bin ok", service_on="work begin", service_off="work end",
    fault_on="alarm raised", fault_off="alarm cleared", fault_mark="alarm seen",
    power_on="program up", power_off="program down", compacting_on="ram running",
    compacting_off="ram resting", clock_mark="clock adjusted", level_mark="bin level",
    note_mark="remark entered", alive_mark="program alive",
)  # fmt: skip
STREAMS = {
    "refuse": "trash", "recycling": "recyclables", "organics": "compost", "linen": "linen"
}  # fmt: skip
CODES = (
    "occupied", "bin-full", "closed-for-work", "cooling-off", "out-of-order", "gate_timeout",
    "strike_stuck", "left_open", "open_unasked", "sensor_range", "ram_jam", "bus_silent",
    "undervoltage", "base_shutter", "self_restart",
)  # fmt: skip


def _parts(rows: Rows) -> list[Part]:
    what = [
        '{{"part":"{}","state":"{}"}}'.format(*text.split(" ", 1)) for text in EVENTS
    ]  # fmt: skip
    door = [f',"door":{{"label":"{name}"}}' for name in _labels(rows)]
    stream = [f',"stream":"{STREAMS[name]}"' for name in rows.streams]
    return [
        '{"n":', numbers(rows.number), ',"ms":', numbers(rows.stamp // 1000),
        f',"chute":"{rows.chute}","what":', words(rows.kind, what), words(rows.floor, door),
        words(rows.stream, stream), words(rows.code, [f',"reason":"{code}"' for code in CODES]),
        choose(~np.isnan(rows.value), ',"amount":'), figures(rows.value, "{:.3f}".format), "}",
    ]  # fmt: skip


def _labels(rows: Rows) -> list[str]:
    return labels(rows.floors, {"G": "ground"}, padded)


DIALECT = Dialect("json-events", ".jsonl", "utc", 1_000, _parts)
