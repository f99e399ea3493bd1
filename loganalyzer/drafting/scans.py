"""Scans of inputs that are on or off: which column is which signal, by the words of its name."""

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from loganalyzer.drafting.guesses import SURE
from loganalyzer.drafting.labels import floor_of, stream_of
from loganalyzer.drafting.layouts import Column, Found
from loganalyzer.drafting.vocabulary import concepts
from loganalyzer.drafting.wording import points, reason
from loganalyzer.settings.writing import quoted

PART = re.compile(r"[^\W_]+")
SIGNALS = ("open", "unlocked", "press", "refusal", "lockout", "positioning", "clearing", "full",
           "compacting", "service", "power", "fault")  # fmt: skip
# What an input's name speaks of, where no edge is told: the condition that is on.
NAMED = (
    ("lockout", "lockout"), ("refusal", "refuse"), ("press", "button"), ("press", "press"),
    ("unlocked", "latch"), ("unlocked", "unlock"), ("positioning", "diverter"),
    ("positioning", "moving"), ("compacting", "compactor"), ("full", "full"),
    ("clearing", "clearing"), ("service", "service"), ("fault", "fault"), ("power", "power"),
    ("open", "door"), ("open", "open"),
)  # fmt: skip


def entries(
    found: Found, floors: frozenset[str], streams: Mapping[str, str]
) -> tuple[list[str], dict[str, str], dict[str, str], list[str]]:
    """The [[samples]] entries.

    Returns:
        Lines of the profile; floors and streams as written → ours; questions.
    """
    groups: dict[str, list[tuple[str, dict[str, str]]]] = defaultdict(list)
    for name in found.inputs:
        shape, slots = _shape(name, floors, streams)
        groups[shape].append((name, slots))
    lines: list[str] = []
    named_floors: dict[str, str] = {}
    named_streams: dict[str, str] = {}
    questions: list[str] = []
    for shape, members in groups.items():
        signal = _signal(shape)
        on = found.inputs[members[0][0]]
        for _, slots in members:
            if "floor" in slots:
                named_floors[slots["floor"]] = str(floor_of(slots["floor"], floors))
            if "stream" in slots:
                named_streams[slots["stream"]] = str(stream_of(slots["stream"], streams))
        needs = signal in ("open", "unlocked", "press", "refusal", "lockout")
        if signal is None or (needs and "floor" not in members[0][1]):
            asked = f"what do the inputs {', '.join(n for n, _ in members[:4])} tell?"
            questions.append(asked)
            lines += [f"# QUESTION: {asked}", *_entry("# ", shape, members, "open", on), ""]
            continue
        lines += [f"# sure {SURE:.2f}: words ({', '.join(sorted(concepts(shape)))})"]
        lines += [*_entry("", shape, members, signal, on), ""]
    lines += _numbers(found, floors, streams, named_streams)
    return lines, named_floors, named_streams, questions


def _shape(
    name: str, floors: frozenset[str], streams: Mapping[str, str]
) -> tuple[str, dict[str, str]]:
    """A name with its floor and stream as slots, and what stands in them."""
    slots: dict[str, str] = {}
    parts = re.split(r"([_\W]+)", name)
    for place in reversed(range(0, len(parts), 2)):
        part = parts[place]
        digits = any(letter.isdigit() for letter in part)
        short = len(part) <= 6 and (digits or len(part) <= 3)
        if "floor" not in slots and place and short and floor_of(part, floors) is not None:
            slots["floor"], parts[place] = part, "\0floor\0"
        elif "stream" not in slots and place and len(part) > 2 and stream_of(part, streams):
            slots["stream"], parts[place] = part, "\0stream\0"
    return "".join(parts), slots


def _signal(shape: str) -> str | None:
    bare = re.sub("\0.*?\0", " ", shape)
    spoken = concepts(bare.replace("_", " "))
    scored = points(bare.replace("_", " "))
    best = max(scored, key=lambda meaning: scored[meaning], default=None)
    if best is not None and scored[best] >= 4 and best[1] != "off" and best[0] in SIGNALS:
        return best[0]
    return next((signal for signal, word in NAMED if word in spoken), None)


def _entry(
    off: str, shape: str, members: Sequence[tuple[str, dict[str, str]]], signal: str,
    on: Sequence[str],
) -> Iterator[str]:  # fmt: skip
    yield f"{off}[[samples]]"
    if "\0" in shape:
        pattern = re.escape(shape)
        pattern = pattern.replace("\0floor\0", r"(?P<floor>[^_\W]+)")
        pattern = pattern.replace("\0stream\0", r"(?P<stream>[^_\W]+)")
        yield f"{off}pattern = {quoted(f'^{pattern}$')}"
    else:
        yield f"{off}column = {quoted(members[0][0])}"
    yield f'{off}signal = "{signal}"'
    if signal in ("press", "refusal"):
        yield f'{off}edge = "mark"'
    why = reason(shape.replace("\0", " ")) if signal == "refusal" else None
    if why:
        yield f'{off}code = "{why}"'
    yield f"{off}on = [{', '.join(map(quoted, on))}]"


def _numbers(
    found: Found, floors: frozenset[str], streams: Mapping[str, str], named: dict[str, str]
) -> Iterator[str]:
    """Inputs that are fill levels."""
    for name, column in found.columns.items():
        if name in found.inputs or not _level(name, column):
            continue
        _, slots = _shape(name, frozenset(), streams)
        yield "[[samples]]"
        yield f"column = {quoted(name)}"
        yield 'signal = "level"'
        yield "number = true"
        if "stream" in slots:
            yield f"stream = {quoted(str(stream_of(slots['stream'], streams)))}"
        yield ""


def _level(name: str, column: Column) -> bool:
    cells = [cell for cell in column if cell]
    numeric = all(re.fullmatch(r"[+-]?\d+([.,]\d+)?", cell) for cell in cells[:500])
    return bool(cells) and numeric and "level" in concepts(name.replace("_", " "))
