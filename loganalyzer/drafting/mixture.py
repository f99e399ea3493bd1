"""Whether two controllers write in one export, by which lines, and what tells them apart.

One controller lets one door open at a time, and does not begin what it has begun already. Where
openings often come while another door stands open, two write; a column or a word whose values part
the lines so that each part by itself is in order tells which line is whose.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from loganalyzer.drafting.guesses import Guess
from loganalyzer.drafting.layouts import Column, Found
from loganalyzer.drafting.roles import Roles, event_texts, is_writer
from loganalyzer.drafting.seen import Ints, Seen

OPEN_AT_ONCE = 0.05  # of openings with another door open: above it two controllers are thought of
BEGUN_TWICE = 0.01  # of what one chute can only do once at a time: likewise
FEW = 5  # conflicts below which nothing is said
CURED = 0.2  # of the conflicts may be left where lines are parted
PROPPED = 0.8  # of them while one certain door is open: that one may be propped instead
FEWEST, MOST = 2, 6  # values of what parts the lines
SHARE = 0.05  # of the lines that each value has at least
OPEN = "open"
# What conflicts, and how it is told: {n} of {of} times, at line {then} while that of {first} is on.
SAID = {
    OPEN: "at {n:,} of {of:,} openings another door stands open (line {then:,} while the door of "
          "line {first:,} does)",
    "positioning": "at {n:,} of {of:,} starts the diverter is under way already (line {then:,} "
                   "before what began in line {first:,} is over)",
    "clearing": "{n:,} of {of:,} clearings begin before the one before is over (line {then:,}, "
                "while that of line {first:,} lasts)",
}  # fmt: skip


@dataclass(frozen=True)
class _Conflicts:
    """How often what can be once at a time is twice; `most`: while the same door is open."""

    signal: str
    count: int = 0
    of: int = 0
    example: tuple[int, int] | None = None
    most: float = 0.0

    @property
    def share(self) -> float:
        return self.count / max(self.of, 1)

    @property
    def tells(self) -> bool:
        """Whether two controllers are thought of."""
        limit = OPEN_AT_ONCE if self.signal == OPEN else BEGUN_TWICE
        return self.count >= FEW and self.share > limit


@dataclass(frozen=True)
class Mixture:
    """Two controllers in one export.

    Attributes:
        why: What shows it, with two lines.
        lines: These lines, numbered from 1.
        by: What parts them: a column, or `the first word of the text`; null: nothing does.
        column: The column, where it is one.
        values: Its values.
        propped: Whether it may be one door that is propped open instead.
    """

    why: str
    lines: tuple[int, int]
    by: str | None = None
    column: str | None = None
    values: tuple[str, ...] = ()
    propped: bool = False

    def told(self, name: str) -> str:
        """As a person reads it."""
        if self.propped:
            return (
                f"{name}: {self.why}. Are two controllers mixed in one file, or is a door propped?"
            )
        if self.by is None:
            return (
                f"{name}: two controllers write in this file, because {self.why}; no column or "
                "word tells their lines apart. Export each controller by itself."
            )
        cure = "Split the file by it, and draft each part."
        if self.column is not None:
            cure = (
                f'Split it by that column, or keep it whole: [columns] chute = "{self.column}", '
                "and in [chutes] which value is which chute of the site file."
            )
        return (
            f"{name}: two controllers write in this file: {', '.join(self.values)} ({self.by}), "
            f"because {self.why}, and never or hardly within one of them. {cure}"
        )


Weigh = Callable[[Column], tuple[Seen, Sequence[Guess]]]


def find(found: Found, roles: Roles, seen: Seen, guesses: Sequence[Guess],
         weigh: Weigh) -> Mixture | None:  # fmt: skip
    """Two controllers in one export, or null.

    Args:
        found: The layout.
        roles: What its columns carry.
        seen: The records.
        guesses: What each kind means.
        weigh: What texts would mean if they were others.
    """
    texts = event_texts(found, roles)
    for place, said in ((0, "the first word of the text"), (-1, "the last word of the text")):
        words = [text.split() if text else [] for text in texts]
        who = [one[place] if one else None for one in words]
        rest = [" ".join(one[1:] if place == 0 else one[:-1]) or None for one in words]
        if is_writer(who, rest):
            return _parted(found, *weigh(rest), [(said, None, who)])
    return _parted(found, seen, guesses, list(_parting(found, roles)))


def _parted(
    found: Found, seen: Seen, guesses: Sequence[Guess],
    parting: Sequence[tuple[str, str | None, Column]],
) -> Mixture | None:  # fmt: skip
    """Whether things are twice at once, and what parts the lines so that they are not."""
    whole = _conflicts(seen, guesses, np.zeros(len(seen.time), np.int64))
    worst = max(whole, key=lambda one: (one.tells, one.count), default=None)
    if worst is None or worst.count < FEW or worst.example is None:
        return None
    first, then = (found.lines[seen.at[row]] + 1 for row in worst.example)
    why = SAID[worst.signal].format(n=worst.count, of=worst.of, first=first, then=then)
    best: tuple[int, Mixture] | None = None
    total = sum(one.count for one in whole)
    for by, column, cells in parting:
        values, parts = _parts(cells, seen)
        if parts is None:
            continue
        left = sum(one.count for one in _conflicts(seen, guesses, parts))
        if left <= CURED * total and (best is None or left < best[0]):
            best = (left, Mixture(why, (first, then), by, column, values))
    if best is not None:
        return best[1]
    propped = worst.signal == OPEN and worst.most > PROPPED
    return Mixture(why, (first, then), propped=propped) if worst.tells else None


def _conflicts(seen: Seen, guesses: Sequence[Guess], parts: Ints) -> list[_Conflicts]:
    found = []
    for signal in SAID:
        begins, ends = (_rows(seen, guesses, (signal, edge)) for edge in ("on", "off"))
        if len(begins) and len(ends):
            found.append(_at_once(seen, signal, begins, ends, parts))
    return found


def _rows(seen: Seen, guesses: Sequence[Guess], meaning: tuple[str, str]) -> Ints:
    kinds = [n for n, one in enumerate(guesses) if one.meaning == meaning]
    return np.sort(np.concatenate([seen.rows[n] for n in kinds])) if kinds else np.empty(0, int)


def _at_once(seen: Seen, signal: str, begins: Ints, ends: Ints, parts: Ints) -> _Conflicts:
    """How often something begins in a part of the lines while it is under way there already."""
    begin = np.zeros(len(seen.time), np.bool_)
    begin[begins] = True
    standing: dict[int, tuple[int, int]] = {}  # part: door and row of what began last
    stood: Counter[int] = Counter()
    example = None
    for row in np.sort(np.concatenate([begins, ends])):
        part = int(parts[row])
        door = int(seen.floor[row]) if signal == OPEN else 0
        on = standing.get(part)
        if not begin[row]:
            if on is not None and on[0] == door:
                del standing[part]
            continue
        if on is not None and (signal != OPEN or on[0] != door):
            stood[on[0]] += 1
            example = example or (on[1], int(row))
        standing[part] = (door, int(row))
    count = stood.total()
    most = max(stood.values(), default=0) / max(count, 1)
    return _Conflicts(signal, count, len(begins), example, most)


def _parting(found: Found, roles: Roles) -> Iterator[tuple[str, str | None, Column]]:
    """What may part the lines: columns, and the letters that labels begin with."""
    for name, cells in found.columns.items():
        if _few(cells) and name not in (roles.floor, roles.stream, *roles.event):
            yield f"column {name}", name, cells
        starts = [_letters(cell) for cell in cells]
        if _few(starts) and len({cell for cell in cells if cell}) < 200:
            yield f"the beginning of column {name}", None, starts


def _letters(cell: str | None) -> str | None:
    start = re.match(r"[^\W\d_]+|\d(?=[.:/-]\d)", cell) if cell else None
    return start[0] if start else None


def _few(cells: Column) -> bool:
    seen: set[str | None] = set()
    for cell in cells:
        seen.add(cell)
        if len(seen) > MOST + 1:
            return False
    return len(seen - {None}) >= FEWEST


def _parts(cells: Column, seen: Seen) -> tuple[tuple[str, ...], Ints | None]:
    """The part of each record, if each part is large enough; a record without one is of none."""
    counts = Counter(cell for cell in cells if cell)
    values = tuple(sorted(counts))
    if not FEWEST <= len(values) <= MOST or counts.total() < 0.3 * len(cells):
        return values, None
    if min(counts.values()) < SHARE * counts.total():
        return values, None
    places: Mapping[str, int] = {value: place for place, value in enumerate(values)}
    each = np.array([places.get(cell or "", -1) for cell in cells], np.int64)
    return values, each[seen.at]
