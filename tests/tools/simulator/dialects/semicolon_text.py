"""semicolon-text: capitals between semicolons, decimal comma, day first."""

from tests.tools.simulator.dialects.dialect import Dialect, labels, padded, texts
from tests.tools.simulator.dialects.rows import Part, Rows, clock, dates, figures, words

EVENTS = texts(
    press_mark="BUTTON", refusal_mark="BUTTON NOT TAKEN", positioning_on="DIVERTER LEAVES",
    positioning_off="DIVERTER THERE", unlocked_on="LATCH RELEASED", unlocked_off="LATCH SET",
    open_on="DOOR OPEN", open_off="DOOR SHUT", clearing_on="DROP TIME BEGINS",
    clearing_off="DROP TIME OVER", lockout_on="BUTTONS BARRED", lockout_off="BUTTONS FREE",
    full_on="BIN FULL", full_off="BIN HAS ROOM", service_on="MAINTENANCE KEY IN",
    service_off="MAINTENANCE KEY OUT", fault_on="TROUBLE BEGINS", fault_off="TROUBLE ENDS",
    fault_mark="TROUBLE NOTED", power_on="SUPPLY ON", power_off="SUPPLY LOST",
    compacting_on="RAM STARTS", compacting_off="RAM BACK", clock_mark="CLOCK PUT RIGHT BY",
    level_mark="BIN LEVEL", note_mark="MEMO", alive_mark="SIGN OF LIFE",
)  # fmt: skip
STREAMS = {
    "refuse": "GENERAL", "recycling": "MIXED DRY", "organics": "FOOD", "linen": "LINEN"
}  # fmt: skip
CODES = (
    "IN USE", "BIN FULL", "OUT OF SERVICE", "TOO MANY PRESSES", "TROUBLE", "T10", "T20", "T30",
    "T31", "T40", "T41", "T50", "T51", "T60", "T70",
)  # fmt: skip


def _parts(rows: Rows) -> list[Part]:
    return [
        dates(rows.stamp, "%d.%m.%Y"), ";", clock(rows.stamp), ";",
        words(rows.floor, labels(rows.floors, {"G": "GF"}, padded)), ";",
        words(rows.stream, [STREAMS[name] for name in rows.streams]), ";",
        words(rows.kind, EVENTS), ";", words(rows.code, CODES), ";",
        figures(rows.value, lambda value: f"{value:.1f}".replace(".", ",")),
    ]  # fmt: skip


DIALECT = Dialect(
    "semicolon-text", ".csv", "site", 1_000_000, _parts,
    head="date;time;door;material;event;reason;value\n",
)  # fmt: skip
