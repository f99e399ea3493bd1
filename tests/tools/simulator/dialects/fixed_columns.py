"""fixed-columns: numbers for everything, in columns; year and day of the year, UTC."""

from tests.tools.simulator.dialects.dialect import Dialect, labels, padded, texts
from tests.tools.simulator.dialects.rows import Part, Rows, clock, dates, figures, words

EVENTS = texts(
    press_mark="100", refusal_mark="105", positioning_on="211", positioning_off="210",
    unlocked_on="221", unlocked_off="220", open_on="231", open_off="230", clearing_on="241",
    clearing_off="240", lockout_on="251", lockout_off="250", full_on="311", full_off="310",
    service_on="401", service_off="400", fault_on="901", fault_off="900", fault_mark="905",
    power_on="801", power_off="800", compacting_on="321", compacting_off="320",
    clock_mark="820", level_mark="315", note_mark="830", alive_mark="000",
)  # fmt: skip
STREAMS = {"refuse": "01", "recycling": "02", "organics": "03", "linen": "04"}
CODES = (
    "501", "502", "503", "504", "505", "911", "921", "931", "932", "941", "942", "951", "952",
    "961", "971",
)  # fmt: skip


def _parts(rows: Rows) -> list[Part]:
    floors = labels(
        rows.floors, {"G": "000", "B1": "-01", "B2": "-02"}, lambda floor: f"{padded(floor, 3):>3}"
    )
    return [
        dates(rows.stamp, "%Y%j "), clock(rows.stamp, ""), " ", words(rows.floor, floors, "   "),
        " ", words(rows.stream, [STREAMS[name] for name in rows.streams], "  "), " ",
        words(rows.kind, EVENTS), " ", words(rows.code, CODES, "   "), " ",
        figures(rows.value, "{:11.1f}".format, " " * 11),
    ]  # fmt: skip


DIALECT = Dialect("fixed-columns", ".txt", "utc", 1_000_000, _parts)
