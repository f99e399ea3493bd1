"""tafel-protokoll: German words in Windows-1252, set to the wall clock of its maker's country.

Not a shipped profile: its profile file lies beside the sample site that has such a board.
"""

from tests.tools.simulator.dialects.dialect import Dialect, labels, padded, texts
from tests.tools.simulator.dialects.rows import (
    Part,
    Rows,
    clock,
    dates,
    figures,
    fraction,
    words,
)

EVENTS = texts(
    press_mark="Taste gedrückt", refusal_mark="Taste abgewiesen", positioning_on="Weiche fährt",
    positioning_off="Weiche steht", unlocked_on="Riegel zurück", unlocked_off="Riegel vor",
    open_on="Tür geöffnet", open_off="Tür zu", clearing_on="Fallzeit läuft",
    clearing_off="Fallzeit vorbei", lockout_on="Tasten gesperrt", lockout_off="Tasten frei",
    full_on="Behälter voll", full_off="Behälter aufnahmefähig", service_on="Wartung ein",
    service_off="Wartung aus", fault_on="Störung kommt", fault_off="Störung geht",
    fault_mark="Störung vermerkt", power_on="Spannung da", power_off="Spannung weg",
    compacting_on="Presse vor", compacting_off="Presse zurück", clock_mark="Uhr gestellt um",
    level_mark="Füllstand", note_mark="Vermerk", alive_mark="Stunde voll",
)  # fmt: skip
STREAMS = {
    "refuse": "Restmüll", "recycling": "Wertstoffe", "organics": "Küchenabfälle",
    "linen": "Wäsche",
}  # fmt: skip
CODES = (
    "belegt", "voll", "Wartung", "gesperrt", "gestört", "S1", "S2", "S3", "S4", "S5", "S6", "S7",
    "S8", "S9", "S10",
)  # fmt: skip


def _parts(rows: Rows) -> list[Part]:
    return [
        dates(rows.stamp, "%d.%m.%y"), "|", clock(rows.stamp), ",", fraction(rows.stamp, 1), "|",
        words(rows.floor, labels(rows.floors, {"G": "EG", "B1": "UG"}, padded)), "|",
        words(rows.stream, [STREAMS[name] for name in rows.streams]), "|",
        words(rows.kind, EVENTS), "|", words(rows.code, CODES), "|",
        figures(rows.value, lambda value: f"{value:.1f}".replace(".", ",")),
    ]  # fmt: skip


DIALECT = Dialect(
    "tafel-protokoll", ".prt", "Europe/Berlin", 100_000, _parts,
    head="Protokoll der Abwurftafel\n\nDatum|Zeit|Etage|Fraktion|Meldung|Grund|Wert\n",
    encoding="windows-1252",
)  # fmt: skip
