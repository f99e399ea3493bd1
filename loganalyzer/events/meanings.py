"""An event's text → what it means, each distinct text once.

Many texts mean the same, so meanings are kept once each and a text is the number of one.
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loganalyzer.events.labels import NOTHING, Naming, numbers
from loganalyzer.patterns import Pattern, TooSlow
from loganalyzer.profile import EventEntry, Profile, TimeRule
from loganalyzer.stamps import Stamps, is_uptime, needs_year
from loganalyzer.tables import EDGES, SIGNALS

DAY_US = 86_400_000_000
LEAP_YEAR_S = 366 * 86_400.0
# What becomes of a row, worst last; the words are the reasons of its reject.
STATES = ("", "ignored", "unknown event", "unknown chute", "floor missing", "unreadable value",
          "pattern takes too long")  # fmt: skip
KEPT, IGNORED, UNKNOWN_EVENT, UNKNOWN_CHUTE, FLOOR_MISSING, UNREADABLE_VALUE, SLOW = range(
    len(STATES)
)
# Signals that are told by their value; on others a value that is no number is left out.
BY_VALUE = ("level", "clock")


class Namings(NamedTuple):
    """The lists of labels that codes point into."""

    floor: Naming
    stream: Naming
    code: Naming
    chute: Naming


class Meaning(NamedTuple):
    """What a text means; NOTHING or null where a column of the record is to say it."""

    state: int
    signal: int = NOTHING
    edge: int = NOTHING
    floor: int = NOTHING
    stream: int = NOTHING
    code: int = NOTHING
    chute: int = NOTHING
    value: float | None = None
    now: str | None = None


class Meanings:
    """What texts mean by a profile; grows with every new text."""

    def __init__(self, profile: Profile, namings: Namings) -> None:
        """Take the profile, and the lists that the meanings' codes point into."""
        self.all: list[Meaning] = []
        self._numbers: dict[Meaning, int] = {}
        self._texts: dict[str, int] = {}
        self._namings = namings
        self._rule = profile.time
        self._decimal = profile.delimited.decimal if profile.delimited else "."
        self._finder = Finder(profile.events)

    def of(self, texts: Iterable[str]) -> NDArray[np.intp]:
        """The number of each text's meaning, a place in `all`."""
        return np.array([self._number(text) for text in texts], np.intp)

    def columns(self) -> dict[str, NDArray[Any]]:
        """All meanings so far as columns: codes, and `value` with NaN where it says none."""
        codes = ("state", "signal", "edge", *Namings._fields)
        table = {name: np.array([getattr(m, name) for m in self.all], np.int32) for name in codes}
        return {**table, "value": np.array([m.value for m in self.all], np.float64)}

    def now(self, number: NDArray[np.intp], codes: NDArray[np.intp]) -> pa.Array:
        """The anchoring stamps of rows whose texts (`codes`) have these meanings (`number`)."""
        nows = [meaning.now for meaning in self.all]
        if not any(nows):
            return pa.nulls(len(codes), pa.string())
        return pa.array(nows, pa.string()).take(pa.array(number.take(codes)))

    def __len__(self) -> int:
        return len(self._texts)

    def _number(self, text: str) -> int:
        number = self._texts.get(text)
        if number is None:
            meaning = self._meaning(text)
            number = self._numbers.setdefault(meaning, len(self.all))
            if number == len(self.all):
                self.all.append(meaning)
            self._texts[text] = number
        return number

    def _meaning(self, text: str) -> Meaning:
        try:
            found = self._finder.find(text)
        except TooSlow:
            return Meaning(SLOW)
        if found is None:
            return Meaning(UNKNOWN_EVENT)
        entry, groups = found
        if entry.ignore or entry.signal is None or entry.edge is None:
            return Meaning(IGNORED)
        value, readable = self._value(entry, groups)
        known = readable or entry.signal not in BY_VALUE
        return Meaning(
            state=KEPT if known else UNREADABLE_VALUE,
            signal=SIGNALS.index(entry.signal),
            edge=EDGES.index(entry.edge),
            **{kind: self._label(kind, entry, groups) for kind in Namings._fields},
            value=value,
            now=groups.get("now") or groups.get("new"),
        )

    def _label(self, kind: str, entry: EventEntry, groups: dict[str, str]) -> int:
        """The entry's label of this kind, which is ours, or that in its group, as written."""
        naming: Naming = getattr(self._namings, kind)
        ours: str | None = getattr(entry, kind)
        return naming.read(groups.get(kind)) if ours is None else naming.code(ours)

    def _value(self, entry: EventEntry, groups: dict[str, str]) -> tuple[float | None, bool]:
        """The entry's value, or that in its groups, and whether what is written is readable."""
        if entry.value is not None:
            return entry.value, True
        if "old" in groups and "new" in groups:
            seconds = clock_set(groups["old"], groups["new"], self._rule)
            return seconds, seconds is not None
        if "value" not in groups:
            return None, True
        number, wrong = numbers(pa.array([groups["value"]]), self._decimal)
        return None if np.isnan(number[0]) else float(number[0]), not wrong[0]


class Finder:
    """The first entry that matches a text."""

    def __init__(self, entries: tuple[EventEntry, ...]) -> None:
        """Take the entries in their order."""
        self._entries = entries
        self._patterns = [
            (place, Pattern(entry.pattern))
            for place, entry in enumerate(entries)
            if entry.pattern is not None
        ]
        self._whole: dict[str, int] = {}
        for place, entry in enumerate(entries):
            for text in entry.text or ():
                self._whole.setdefault(text.strip().casefold(), place)

    def find(self, text: str) -> tuple[EventEntry, dict[str, str]] | None:
        """The entry and the groups of its pattern that took part; null if none matches."""
        text = text.strip()
        whole = self._whole.get(text.casefold())
        for place, pattern in self._patterns:
            if whole is not None and place > whole:
                break
            if match := pattern.search(text):
                groups = {k: v for k, v in match.groupdict().items() if v is not None}
                return self._entries[place], groups
        return None if whole is None else (self._entries[whole], {})


def clock_set(old: str, new: str, rule: TimeRule) -> float | None:
    """Seconds that a clock set told as two stamps added; null if one cannot be read."""
    if is_uptime(rule.format):  # a set is told in wall-clock stamps, not in seconds since power-on
        rule = TimeRule(format="iso")
    before, after = _instant(old, rule), _instant(new, rule)
    if before is None or after is None:
        return None
    seconds = (after - before) / 1e6
    if needs_year(rule.format) and abs(seconds) > LEAP_YEAR_S / 2:  # over the turn of the year
        seconds -= LEAP_YEAR_S if seconds > 0 else -LEAP_YEAR_S
    return seconds


def _instant(stamp: str, rule: TimeRule) -> int | None:
    """A stamp in µs, less its offset if it carries one; in a leap year where it has no year."""
    stamps = Stamps(rule, datetime(2025, 1, 1, tzinfo=UTC), first_year=2024)
    parsed = stamps.parse(pa.array([stamp]))
    if not parsed.ok[0]:
        return None
    offset = 0 if parsed.offset_us is None else int(parsed.offset_us[0])
    written = abs(offset) < DAY_US  # a stamp without an offset has one out of all reason
    return int(parsed.written[0]) - (offset if written else 0)
