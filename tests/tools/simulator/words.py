"""The contract's signals, edges and reasons as the simulator counts them.

Written down here and not imported, so that a slip in the library's tables shows in a test.
"""

KINDS = (
    ("press", "mark"), ("refusal", "mark"), ("positioning", "on"), ("positioning", "off"),
    ("unlocked", "on"), ("unlocked", "off"), ("open", "on"), ("open", "off"),
    ("clearing", "on"), ("clearing", "off"), ("lockout", "on"), ("lockout", "off"),
    ("full", "on"), ("full", "off"), ("service", "on"), ("service", "off"),
    ("fault", "on"), ("fault", "off"), ("fault", "mark"), ("power", "on"), ("power", "off"),
    ("compacting", "on"), ("compacting", "off"), ("clock", "mark"), ("level", "mark"),
    ("note", "mark"), ("alive", "mark"),
)  # fmt: skip
(
    PRESS, REFUSAL, TURN, TURNED, UNLOCK, LOCK, OPEN, CLOSE, FALL, FALLEN, BAR, UNBAR, FULL,
    NOT_FULL, SERVICE, SERVICE_END, FAULT, FAULT_END, FAULT_MARK, POWER, POWER_OFF, RAM,
    RAM_END, CLOCK, LEVEL, NOTE, ALIVE,
) = range(len(KINDS))  # fmt: skip

# Reasons of refusals, then faults as the simulator names them; a dialect has its own words.
CODES = (
    "busy", "full", "service", "lockout", "fault",
    "sorter_late", "latch", "door_held", "contact", "gauge", "ram", "line", "volts", "fire",
    "reset",
)  # fmt: skip
COMPONENTS = {
    "sorter_late": "sorter", "latch": "latch", "door_held": "door", "contact": "contact",
    "gauge": "container", "ram": "compactor", "line": "wiring", "volts": "power",
    "fire": "fire", "reset": "control",
}  # fmt: skip
CODE = {name: number for number, name in enumerate(CODES)}
NOTHING = -1
