"""sheet-log: a workbook with a title, a blank row and one event a row, date cells."""

from datetime import datetime
from typing import BinaryIO

import numpy as np
import xlsxwriter

from tests.tools.simulator.dialects.dialect import Dialect, labels, texts
from tests.tools.simulator.dialects.rows import Rows

EVENTS = texts(
    press_mark="Button", refusal_mark="Button, no effect", positioning_on="Flap turns",
    positioning_off="Flap at place", unlocked_on="Catch off", unlocked_off="Catch on",
    open_on="Opened", open_off="Closed", clearing_on="Bag on its way", clearing_off="Bag down",
    lockout_on="Pause for this door", lockout_off="Pause over", full_on="Container full",
    full_off="Container changed", service_on="Works begin", service_off="Works end",
    fault_on="Defect appears", fault_off="Defect gone", fault_mark="Defect, moment",
    power_on="Electricity on", power_off="Electricity off", compacting_on="Ram on",
    compacting_off="Ram off", clock_mark="Clock changed by", level_mark="Container level",
    note_mark="Note: none", alive_mark="Hourly line",
)  # fmt: skip
STREAMS = {
    "refuse": "Rubbish", "recycling": "Recycling", "organics": "Garden and kitchen",
    "linen": "Sheets and towels",
}  # fmt: skip
CODES = (
    "Somebody else", "Full below", "Works", "Paused", "Defect", "Defect 1", "Defect 3",
    "Defect 4", "Defect 5", "Defect 6", "Defect 7", "Defect 8", "Defect 9", "Defect 10",
    "Defect 11",
)  # fmt: skip
HEAD = ("When", "Door", "Material", "What happened", "Detail", "Figure")
EPOCH_DAYS = 25_569  # 1970-01-01 in a sheet's count of days
# Written into the file, so that its bytes stay the same; sheets know no zone.
MADE = datetime(2026, 11, 1)  # noqa: DTZ001


def _write(rows: Rows, out: BinaryIO) -> None:
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    book.set_properties({"title": "Chute record", "created": MADE})
    sheet = book.add_worksheet("Log")
    stamp = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
    sheet.set_column(0, 0, 20)
    sheet.write_string(0, 0, f"Record of chute {rows.chute}")
    sheet.write_row(2, 0, HEAD)
    floors = labels(rows.floors, {"G": "Ground"}, lambda floor: f"Level {floor}")
    streams = [STREAMS[name] for name in rows.streams]
    days = rows.stamp / 86_400_000_000 + EPOCH_DAYS
    columns = (days, rows.floor, rows.stream, rows.kind, rows.code, rows.value)
    lines = zip(*(column.tolist() for column in columns), strict=True)
    for row, (day, floor, stream, kind, code, value) in enumerate(lines, start=3):
        sheet.write_number(row, 0, day, stamp)
        if floor >= 0:
            sheet.write_string(row, 1, floors[floor])
        if stream >= 0:
            sheet.write_string(row, 2, streams[stream])
        sheet.write_string(row, 3, EVENTS[kind])
        if code >= 0:
            sheet.write_string(row, 4, CODES[code])
        if not np.isnan(value):
            sheet.write_number(row, 5, round(value, 1))
    book.close()


DIALECT = Dialect("sheet-log", ".xlsx", "site", 1_000_000, write_all=_write)
