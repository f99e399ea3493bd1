"""Which column carries what: stamp, counter, chute, floor, stream, code, value, event."""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from loganalyzer.drafting.labels import (
    SURE_COVER,
    all_floors,
    all_streams,
    floor_map,
    stream_map,
)
from loganalyzer.drafting.layouts import Column, Found
from loganalyzer.drafting.stamps import CLOCK_ONLY, DATE_ONLY, Written, find_format, find_uptime
from loganalyzer.drafting.texts import no_log
from loganalyzer.drafting.vocabulary import HEADERS, concepts, speaks_of
from loganalyzer.site import Site

FEW_COVER = 0.5  # of the site's floors, below which a column is no door
MANY = 400  # distinct texts from which on a column is no event code
NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?")


@dataclass(frozen=True)
class Roles:
    """Which columns carry what, and why.

    Attributes:
        time: Column or columns of the stamp; written: how.
        event: Columns of the event's text.
        floor, stream, code, value, order, chute: A column, or null.
        floors, streams, chutes: Label as written → label of the site.
        said: Evidence by role.
        questions: What is left to a person, by role.
    """

    time: tuple[str, ...]
    written: Written
    event: tuple[str, ...] = ()
    floor: str | None = None
    stream: str | None = None
    code: str | None = None
    value: str | None = None
    order: str | None = None
    chute: str | None = None
    floors: Mapping[str, str] = field(default_factory=dict)
    streams: Mapping[str, str] = field(default_factory=dict)
    chutes: Mapping[str, str] = field(default_factory=dict)
    said: Mapping[str, str] = field(default_factory=dict)
    questions: Mapping[str, str] = field(default_factory=dict)


def find_roles(found: Found, site: Site, name: str, timed: Roles | None = None) -> Roles:
    """The roles of a layout's columns.

    Args:
        found: The layout.
        site: Whose floors, streams and chutes are looked for.
        name: Of the export.
        timed: What a person says of the stamps.

    Raises:
        InputError: No column is a stamp.
    """
    roles = timed or _time(found, site, name)
    left = {
        column: values
        for column, values in found.columns.items()
        if column not in roles.time and len(set(values)) > 1
        and column not in found.inputs
    }  # fmt: skip
    for step in (_order, _chute, _floor, _stream, _value):
        roles = step(roles, left, site)
        taken = (roles.order, roles.chute, roles.floor, roles.stream, roles.value)
        left = {column: values for column, values in left.items() if column not in taken}
    return roles if found.inputs else _event_and_code(roles, left)


def _time(found: Found, site: Site, name: str) -> Roles:
    columns = found.columns
    dates = [c for c in columns if _all(columns[c], DATE_ONLY)]
    clocks = [c for c in columns if _all(columns[c], CLOCK_ONLY)]
    tried: list[tuple[str, ...]] = [(d, c) for d in dates[:2] for c in clocks[:2] if d != c]
    tried += [(c,) for c in columns]
    for names in tried:
        written = find_format(joined([columns[c] for c in names]), site.time_zone)
        if written is not None and _runs(written.seconds):
            return _timed(names, written)
    for column in columns:
        counted = find_uptime(columns[column])
        if counted is not None:
            return _timed((column,), counted)
    raise no_log(name, "no column of it holds stamps that run on in time")


def _timed(names: tuple[str, ...], written: Written) -> Roles:
    asked = {"time": written.question} if written.question else {}
    return Roles(names, written, said={"time": f"{written.format}: {written.evidence}"},
                 questions=asked)  # fmt: skip


def _all(column: Column, pattern: re.Pattern[str]) -> bool:
    filled = [cell for cell in column if cell]
    return len(filled) > 0.9 * len(column) and all(pattern.fullmatch(cell) for cell in filled[:200])


def joined(columns: Sequence[Column]) -> Column:
    """Several columns as one, their cells joined by a space."""
    if len(columns) == 1:
        return columns[0]
    return [" ".join(c for c in cells if c) or None for cells in zip(*columns, strict=True)]


def event_texts(found: Found, roles: Roles) -> Column:
    """The event's text of each record."""
    return joined([found.columns[column] for column in roles.event])


def _runs(seconds: np.ndarray) -> bool:
    """Whether stamps mostly go on in time, or mostly back (a list with the newest first)."""
    steps = np.diff(seconds[~np.isnan(seconds)])
    return len(steps) == 0 or max(np.mean(steps >= 0), np.mean(steps <= 0)) > 0.8


def _distinct(column: Column) -> list[str]:
    return list(Counter(cell for cell in column if cell))


def _order(roles: Roles, left: Mapping[str, Column], site: Site) -> Roles:
    """A counter: whole numbers that grow with nearly every line, mostly by one."""
    for name, column in left.items():
        if all(cell and cell.isdigit() for cell in column):
            steps = np.diff(np.array([int(cell) for cell in column if cell], np.float64))
            if np.mean(steps > 0) > 0.98 and np.mean(steps == 1) > 0.5:
                said = {**roles.said, "order": "whole numbers that grow by one from line to line"}
                return replace(roles, order=name, said=said)
    return roles


def _chute(roles: Roles, left: Mapping[str, Column], site: Site) -> Roles:
    """The chute, where several stand in one export."""
    ids = {chute.id.casefold(): chute.id for chute in site.chutes}
    for name, column in left.items():
        values = _distinct(column)
        known = {value: ids[value.casefold()] for value in values if value.casefold() in ids}
        if len(values) == len(known) > 1:
            said = {
                **roles.said,
                "chute": f"its values are chutes of the site: {', '.join(values)}",
            }
            return replace(roles, chute=name, chutes=known, said=said)
    return roles


def _floor(roles: Roles, left: Mapping[str, Column], site: Site) -> Roles:
    floors, best = all_floors(site), None
    for name, column in left.items():
        values = _distinct(column)
        mapped = floor_map(values, floors) if len(values) <= len(floors) + 2 else None
        named = speaks_of(name, HEADERS["floor"])
        if mapped is None or (len(mapped) < FEW_COVER * len(floors) and not named):
            continue
        points = len(mapped) / len(floors) + 0.5 * named
        if best is None or points > best[0]:
            best = (points, name, mapped)
    if best is not None:
        name, mapped = best[1], best[2]
        said = f"{len(mapped)} labels, each a floor of the site"
        asked = roles.questions
        if len(mapped) < SURE_COVER * len(floors) and not speaks_of(name, HEADERS["floor"]):
            doubt = f"is {name} the door? It names {len(mapped)} of {len(floors)} floors"
            asked = {**asked, "floor": doubt}
        return replace(
            roles, floor=name, floors=mapped, said={**roles.said, "floor": said}, questions=asked
        )
    return _floors_by_order(roles, left, floors, site)


def _floors_by_order(
    roles: Roles, left: Mapping[str, Column], floors: frozenset[str], site: Site
) -> Roles:
    """A column with as many labels as there are floors, where the labels say nothing."""
    listed = [floor.label for floor in site.chutes[0].floors]
    for name, column in left.items():
        values = sorted(_distinct(column), key=_natural)
        if len(values) == len(listed) > 3 and speaks_of(name, HEADERS["floor"]):
            mapped = dict(zip(values, listed, strict=True))
            asked = (
                f"are the floors of column {name} in the order of the site file "
                f"({', '.join(f'{a} = {b}' for a, b in mapped.items())})?"
            )
            said = {**roles.said, "floor": "as many labels as floors; mapped in order, a guess"}
            questions = {**roles.questions, "floor": asked}
            return replace(roles, floor=name, floors=mapped, said=said, questions=questions)
    return roles


def _natural(label: str) -> tuple[int, str]:
    digits = re.findall(r"\d+", label)
    return (int(digits[0]) if digits else -1, label)


def _stream(roles: Roles, left: Mapping[str, Column], site: Site) -> Roles:
    streams = all_streams(site)
    for name, column in left.items():
        values = _distinct(column)
        mapped = stream_map(values, streams) if len(values) <= 2 * len(streams) else None
        if mapped is not None:
            said = {**roles.said, "stream": "its words name the site's streams"}
            return replace(roles, stream=name, streams=mapped, said=said)
    for name, column in left.items():
        values = sorted(_distinct(column))
        sparse = sum(cell is None for cell in column) > 0.1 * len(column)
        same = len(values) == len(streams) > 1 and all(len(value) <= 4 for value in values)
        if same and sparse:
            asked = (
                f"which stream is which in column {name}: {', '.join(values)} for "
                f"{', '.join(streams)}? They are kept as written until [streams] says so"
            )
            said = {**roles.said, "stream": "as many labels as streams; which is which is open"}
            questions = {**roles.questions, "stream": asked}
            return replace(roles, stream=name, said=said, questions=questions)
    return roles


def _value(roles: Roles, left: Mapping[str, Column], site: Site) -> Roles:
    """A column of numbers in some rows."""
    for name, column in left.items():
        cells = [cell for cell in column if cell]
        numeric = cells and all(NUMBER.fullmatch(cell) for cell in cells)
        wide = any("." in c or "," in c for c in cells) or speaks_of(name, HEADERS["value"])
        if numeric and wide and len(cells) < 0.5 * len(column):
            said = {**roles.said, "value": "numbers, in few rows"}
            return replace(roles, value=name, said=said)
    return roles


def _event_and_code(roles: Roles, left: Mapping[str, Column]) -> Roles:
    """The event's text is what says most; a code stands in few rows only."""
    full = {
        name: values for name, values in left.items()
        if sum(cell is not None for cell in values) > 0.9 * len(values)
    }  # fmt: skip
    if not full:
        full = dict(left)
    ranked = sorted(full, key=lambda name: _worth(full[name]), reverse=True)
    if not ranked:
        return roles
    event = [ranked[0]]
    for name in ranked[1:]:
        others = joined([full[one] for one in event])
        if (
            len(_distinct(full[name])) < MANY
            and _adds(full, event, name)
            and not is_writer(full[name], others)
        ):
            event.append(name)
    event.sort(key=list(left).index)
    sparse = [name for name in left if name not in full and name not in event]
    code = max(sparse, key=lambda name: _code_worth(name, left[name]), default=None)
    said = {**roles.said, "event": "what tells most kinds of line apart"}
    if code is not None:
        said["code"] = "words in few rows, beside refusals and faults"
    return replace(roles, event=tuple(event), code=code, said=said)


def _worth(column: Column) -> tuple[float, float]:
    """How many words of the trade a column's texts hold, then how many kinds it tells apart."""
    times = Counter(cell for cell in column if cell)
    if not times:
        return (0, 0)
    common = times.most_common(MANY)
    spoken = sum(bool(concepts(text)) for text, _ in common) / len(common)
    chance = np.array(list(times.values())) / times.total()
    return (round(spoken, 1), float(-(chance * np.log(chance)).sum()))


def _code_worth(name: str, column: Column) -> tuple[bool, int]:
    return (speaks_of(name, HEADERS["code"]), sum(cell is not None for cell in column))


def _adds(full: Mapping[str, Column], event: Sequence[str], name: str) -> bool:
    """Whether a column tells lines apart that the event's columns so far do not."""
    base = [
        " ".join(c or "" for c in cells) for cells in zip(*(full[e] for e in event), strict=True)
    ]
    groups: dict[str, Counter[str]] = {}
    for text, cell in zip(base, full[name], strict=True):
        groups.setdefault(_digits(text), Counter())[cell or ""] += 1
    other = sum(times.total() - max(times.values()) for times in groups.values())
    return other > 0.03 * len(base)


def is_writer(cells: Column, texts: Column) -> bool:
    """Whether a column tells who writes, not what happened.

    Each of its values stands beside the same texts equally often; and for a text it does not go to
    and fro, as a state does.
    """
    values = [value for value, _ in Counter(cell for cell in cells if cell).most_common(7)]
    if not 2 <= len(values) <= 6 or sum(cell is not None for cell in cells) < 0.95 * len(cells):
        return False
    kinds: dict[str, Counter[str]] = {value: Counter() for value in values}
    last: dict[str, str] = {}
    turns: Counter[bool] = Counter()
    for cell, text in zip(cells, texts, strict=True):
        if cell not in kinds or text is None:
            continue
        kind = _digits(text)
        kinds[cell][kind] += 1
        if kind in last:
            turns[last[kind] != cell] += 1
        last[kind] = cell
    first, *others = (kinds[value] for value in values)
    if min(of.total() for of in (first, *others)) < 0.05 * len(cells) or len(first) < 4:
        return False
    apart = max(
        sum(abs(first[kind] / first.total() - of[kind] / of.total()) for kind in {*first, *of}) / 2
        for of in others
    )
    return apart < 0.2 and turns[True] < 0.75 * turns.total()


def _digits(text: str) -> str:
    return re.sub(r"\d+(?=\D|$)", "#", text) if " " in text else text
