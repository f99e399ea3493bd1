"""Lines → the layout they are written in, and their columns.

Each finder looks at all lines and says what it found, or null; the first that fits wins. What
a finder cannot place (page furniture, a preamble) is told, never dropped in silence.
"""

import csv
import json
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from loganalyzer.drafting.stamps import STAMP, is_uptime
from loganalyzer.drafting.texts import Text, no_log
from loganalyzer.errors import InputError
from loganalyzer.patterns import Pattern
from loganalyzer.settings.writing import quoted

Column = Sequence[str | None]
Filled = Sequence[tuple[int, str]]  # lines with something in them, and their place
NOTHING: Mapping[str, str] = {}
DELIMITERS = ("\t", ";", "|", ",")
ENOUGH = 0.9
HEAD = 400  # lines looked at to try a layout
COUNTED = re.compile(
    r"(?P<before>[^\w]{0,3}(?:[A-Za-z]{1,6}[=:+])?\s*)(?P<stamp>\d{1,9}(?:[.,]\d{1,6})?)"
    r"(?P<behind>s?[\]\)>|:;,]*)\s+\S"
)
# Source: the request line of RFC 9112, as web servers log it.
REQUEST = re.compile(r"\"?\b(?:GET|POST|HEAD|PUT|DELETE|OPTIONS) \S+ HTTP/\d")
ON_OFF = [{"0", "1"}, {"on", "off"}, {"true", "false"}, {"yes", "no"}, {"open", "closed"}]
ON = ("1", "on", "true", "yes", "open")


@dataclass(frozen=True)
class Found:
    """A layout and what stands in its columns.

    Attributes:
        layout: As a profile says it.
        toml: The lines of the profile that describe it.
        columns: Column → its values, one a record; equally long.
        lines: The place of each record's line in the text, from 0.
        evidence: Why this layout.
        skip_lines: Lines before the header or the first record.
        decimal: The decimal sign.
    """

    layout: str
    toml: tuple[str, ...]
    columns: Mapping[str, Column]
    lines: Sequence[int]
    evidence: str
    skip_lines: int = 0
    decimal: str = "."
    inputs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def find_layout(text: Text, told: Mapping[str, str] = NOTHING) -> Found:
    """The layout of a text.

    Args:
        text: The text.
        told: What a person says of it: `layout`, `delimiter`, or `pattern` of lines.

    Raises:
        InputError: It is no event log, two kinds of lines are mixed in it, or it is not what the
            person says.
    """
    if text.cells is not None:
        return _sheet(text)
    filled = [(n, line) for n, line in enumerate(text.lines) if line.strip()]
    if len(filled) < 2:
        raise no_log(text.name, f"it has {len(filled)} lines with something in them")
    if told.keys() & {"layout", "delimiter", "pattern"}:
        return _as_told(text.name, filled, told)
    requests = sum(bool(REQUEST.search(line)) for _, line in filled)
    if requests > 0.5 * len(filled):
        raise no_log(text.name, f"{requests:,} of its {len(filled):,} lines are requests to a "
                     "web server")  # fmt: skip
    objects = sum(_object(line) is not None for _, line in filled)
    if 0.05 * len(filled) < objects < 0.95 * len(filled):
        raise mixed(text.name, filled, objects)
    for finder in FINDERS.values():
        found = finder(filled)
        if found is not None:
            return found
    raise no_log(text.name, _why_not(filled, text.name))


def _as_told(name: str, filled: Filled, told: Mapping[str, str]) -> Found:
    """The layout that a person says.

    Raises:
        InputError: The lines are not of it.
    """
    found: Found | None
    layout = told.get("layout") or ("lines" if "pattern" in told else "delimited")
    if layout == "lines" and "pattern" in told:
        found = _by_pattern(name, filled, told["pattern"])
    elif layout == "delimited" and "delimiter" in told:
        found = _delimited(filled, (told["delimiter"],))
    else:
        found = FINDERS[layout](filled)
    if found is None:
        what = repr(told["delimiter"]) if layout == "delimited" and "delimiter" in told else ""
        raise InputError(
            name, f"lines that are not of the layout {layout} {what}".rstrip(),
            "nine lines in ten of the same form", "Choose another layout, or another delimiter",
        )  # fmt: skip
    return found


def _by_pattern(name: str, filled: Filled, text: str) -> Found:
    """Lines by a pattern that a person writes.

    Raises:
        InputError: It is no pattern, or fits too few lines.
        ProfileError: It takes too long.
    """
    wanted = "a regular expression with named groups, as (?P<stamp>...) and (?P<text>...)"
    try:
        pattern = Pattern(text)
    except re.error as error:
        raise InputError("the pattern", f"'{text}' ({error})", wanted, "Mend it") from None
    if not pattern.groupindex:
        raise InputError("the pattern", f"'{text}' without a named group", wanted, "Name a group")
    kept = [(n, found) for n, line in filled if (found := pattern.search(line))]
    if len(kept) < 0.5 * len(filled):
        raise InputError(
            name, f"{len(kept):,} of {len(filled):,} lines that the pattern fits",
            "half of them at least", "Mend the pattern by a line that it does not fit",
        )  # fmt: skip
    columns: dict[str, Column] = {
        group: [(found[group] or "").strip() or None for _, found in kept]
        for group in pattern.groupindex
    }
    said = f"the pattern as told fits {len(kept):,} of {len(filled):,} lines"
    toml = ("[lines]", f"pattern = {quoted(text)}")
    return Found("lines", toml, columns, [n for n, _ in kept], said)


def _why_not(filled: Filled, name: str) -> str:
    """What is missing; two forms of stamps mean two kinds of lines.

    Raises:
        InputError: Two kinds of lines are mixed.
    """
    forms = Counter(_form(found["stamp"]) for _, line in filled if (found := STAMP.search(line)))
    if not forms:
        return f"none of its {len(filled):,} lines holds a date and a time"
    usual = forms.most_common(1)[0][1]
    if forms.total() - usual > 0.1 * len(filled):
        raise mixed(name, filled, usual)
    return f"only {forms.total():,} of its {len(filled):,} lines hold a date and a time"


def _form(stamp: str) -> str:
    return re.sub(r"\d+", "9", stamp)


def mixed(name: str, filled: Filled, first: int) -> InputError:
    """That two controllers' lines stand in one file."""
    return InputError(
        name, f"two kinds of lines mixed, {first:,} of one and {len(filled) - first:,} of another",
        "the export of one controller", "Split the file and draft a profile for each part",
    )  # fmt: skip


def _object(line: str) -> dict[str, Any] | None:
    if not line.lstrip().startswith("{"):
        return None
    try:
        found = json.loads(line)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def _json(filled: Filled) -> Found | None:
    sample = [_object(line) for _, line in filled[:HEAD]]
    if sum(one is not None for one in sample) < ENOUGH * len(sample):
        return None
    rows = [(n, _flat(one)) for n, line in filled if (one := _object(line)) is not None]
    if len(rows) < ENOUGH * len(filled):
        return None
    paths = list(dict.fromkeys(path for _, row in rows for path in row))
    names = _names(path.rsplit(".", 1)[-1] for path in paths)
    named = list(zip(names, paths, strict=True))
    columns = {name: [row.get(path) for _, row in rows] for name, path in named}
    inner = ", ".join(f"{name} = {quoted(path)}" for name, path in named)
    said = f"{len(rows):,} of {len(filled):,} lines are JSON objects"
    return Found(
        "json", ("[json]", f"columns = {{ {inner} }}"), columns, [n for n, _ in rows], said
    )


def _flat(value: Mapping[str, Any], path: str = "") -> dict[str, str]:
    row: dict[str, str] = {}
    for key, one in value.items():
        if "." in key:
            continue
        if isinstance(one, dict):
            row |= _flat(one, f"{path}{key}.")
        elif one is not None and not isinstance(one, list):
            row[f"{path}{key}"] = one if isinstance(one, str) else json.dumps(one)
    return row


def _names(words: Any) -> list[str]:
    """Names for columns: bare keys, each once."""
    taken: list[str] = []
    for word in words:
        base = re.sub(r"\W+", "_", word, flags=re.ASCII).strip("_") or "column"
        name, n = base, 2
        while name in taken:
            name, n = f"{base}_{n}", n + 1
        taken.append(name)
    return taken


HEADER_5424 = re.compile(
    r"^(?:<\d{1,3}>)?1 (?P<stamp>\S+) (?P<host>\S+) (?P<app>\S+) \S+ (?P<msgid>\S+) "
    r"(?P<data>-|(?:\[(?:[^\]\\]|\\.)*\])+)(?: \ufeff?(?P<text>.*))?$"
)
HEADER_3164 = re.compile(
    r"^(?:<\d{1,3}>)?(?P<stamp>(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) {1,2}\d{1,2} "
    r"\d\d:\d\d:\d\d) (?P<host>\S+) "
    r"(?:(?P<app>[^\s:\[\]]{1,48})(?:\[[^\]\s]*\]:?|:)(?: |$))?(?P<text>.*)"
)
PARAMETER = re.compile(r'([^\s=\]"\[]+)="((?:[^"\\]|\\.)*)"')


def _syslog(filled: Filled) -> Found | None:
    for header in (HEADER_5424, HEADER_3164):
        rows = [(n, found) for n, line in filled if (found := header.match(line))]
        if len(rows) >= ENOUGH * len(filled):
            break
    else:
        return None
    parts = [
        {k: v for k, v in found.groupdict().items() if v not in (None, "-", "")}
        for _, found in rows
    ]
    names = [name for name in header.groupindex if name != "data"]
    columns: dict[str, Column] = {name: [part.get(name) for part in parts] for name in names}
    data = [dict(PARAMETER.findall(part.get("data", ""))) for part in parts]
    for name in dict.fromkeys(key for one in data for key in one):
        if name not in columns:
            columns[name] = [one.get(name) for one in data]
    rfc = 5424 if header is HEADER_5424 else 3164
    said = f"{len(rows):,} of {len(filled):,} lines have a header by RFC {rfc}"
    return Found("syslog", (), columns, [n for n, _ in rows], said)


def _delimited(filled: Filled, delimiters: Sequence[str] = DELIMITERS) -> Found | None:
    """The delimiter that gives nearly all lines the same number of fields."""
    head = [line for _, line in filled[:HEAD]]
    tried = []
    for delimiter in delimiters:
        width, times = Counter(map(len, _rows(head, delimiter))).most_common(1)[0]
        if width >= 3 and times >= 0.8 * len(head):
            tried.append((times * (width > 1), width, delimiter))
    if not tried:
        return None
    _, width, delimiter = max(tried, key=lambda one: (one[0] > 0.95 * len(head), one[1]))
    rows = _rows([line for _, line in filled], delimiter)
    good = [(n, row) for (n, _), row in zip(filled, rows, strict=True) if len(row) == width]
    if len(good) < ENOUGH * len(filled):
        return None
    return _table(good, delimiter, len(filled))


def _rows(lines: Sequence[str], delimiter: str) -> list[list[str]]:
    return [next(csv.reader([line], delimiter=delimiter), []) for line in lines]


def _table(good: list[tuple[int, list[str]]], delimiter: str, count: int) -> Found:
    skip, first = good[0][0], good[0][1]
    header = _is_header(first, [row for _, row in good[1:200]])
    if header:
        good = [(n, row) for n, row in good[1:] if row != first]
        names = [cell.strip() for cell in first]
    else:
        names = [f"column_{n}" for n in range(1, len(first) + 1)]
    columns: dict[str, Column] = {
        name: [row[place].strip() or None for _, row in good] for place, name in enumerate(names)
    }
    decimal = _decimal(columns.values(), delimiter)
    lines = [
        "[delimited]",
        f"delimiter = {json.dumps(delimiter)}",
        "header = true" if header else f"columns = [{', '.join(map(quoted, names))}]",
        *([f'decimal = "{decimal}"'] if decimal == "," else []),
    ]
    said = f"{len(good):,} of {count:,} lines have {len(first)} fields between {delimiter!r}"
    inputs = _inputs(columns) if header else {}
    layout = "samples" if len(inputs) >= max(4, 0.5 * len(columns)) else "delimited"
    return Found(
        layout, tuple(lines), columns, [n for n, _ in good], said, skip, decimal,
        inputs if layout == "samples" else {},
    )  # fmt: skip


def _is_header(first: Sequence[str], below: Sequence[Sequence[str]]) -> bool:
    """Whether the first row names the columns: words of its own, no numbers, no stamps."""
    cells = [cell.strip() for cell in first]
    if len(set(cells)) < len(cells) or not all(cells):
        return False
    if any(re.fullmatch(r"[\d.,:/ -]+", cell) or STAMP.search(cell) for cell in cells):
        return False
    recurring = sum(any(row[n].strip() == cell for row in below) for n, cell in enumerate(cells))
    return recurring <= 0.2 * len(cells)


def _decimal(columns: Any, delimiter: str) -> str:
    """A comma, if numbers are written with one."""
    if delimiter == ",":
        return "."
    cells = [cell for column in columns for cell in column if cell and len(cell) < 12]
    comma = sum(bool(re.fullmatch(r"[+-]?\d+,\d+", cell)) for cell in cells)
    point = sum(bool(re.fullmatch(r"[+-]?\d+\.\d+", cell)) for cell in cells)
    return "," if comma > point else "."


def _inputs(columns: Mapping[str, Column]) -> dict[str, tuple[str, ...]]:
    """Columns that are on or off, with the values that mean on."""
    found = {}
    for name, column in columns.items():
        values = {cell for cell in column if cell}
        if 1 <= len(values) <= 2 and any({v.casefold() for v in values} <= pair for pair in ON_OFF):
            on = tuple(sorted(v for v in values if v.casefold() in ON))
            found[name] = on or tuple(o for o in ("1", "ON", "TRUE") if _like(o, values))[:1]
    return {name: on for name, on in found.items() if on}


def _like(on: str, values: set[str]) -> bool:
    (value, *_) = values
    return value.isdigit() == on.isdigit()


def _fixed(filled: Filled) -> Found | None:
    """Columns at fixed places, if blanks stand at the same places in nearly all lines."""
    lines = [line.rstrip() for _, line in filled]
    wide = max(map(len, lines))
    if wide > 400 or wide < 12:
        return None
    usual = [line for line in lines if STAMP.match(line.lstrip())]
    if len(usual) < ENOUGH * len(lines):
        return None
    inked = [0] * (wide + 1)
    for line in usual:
        for place, letter in enumerate(line):
            inked[place] += letter != " "
    spans, start = [], None
    for place, count in enumerate(inked):
        if count and start is None:
            start = place
        elif not count and start is not None:
            spans.append((start, place - start))
            start = None
    if len(spans) < 4 or not _padded(usual, spans):
        return None
    stamp = STAMP.match(usual[0].lstrip())
    assert stamp is not None  # usual lines have one
    end = usual[0].index(stamp[0]) + len(stamp[0])
    inside = [span for span in spans if span[0] < end]
    spans = [(inside[0][0], inside[-1][0] + inside[-1][1] - inside[0][0]), *spans[len(inside) :]]
    names = ["stamp", *(f"column_{n}" for n in range(2, len(spans) + 1))]
    columns: dict[str, Column] = {
        name: [line[a : a + w].strip() or None for line in lines]
        for name, (a, w) in zip(names, spans, strict=True)
    }
    inner = [
        f'  {{ name = "{n}", start = {a}, width = {w} }},'
        for n, (a, w) in zip(names, spans, strict=True)
    ]
    said = f"{len(spans)} columns stand at the same places in {len(usual):,} lines"
    return Found(
        "fixed", ("[fixed]", "columns = [", *inner, "]"), columns, [n for n, _ in filled], said
    )


def _padded(lines: Sequence[str], spans: Sequence[tuple[int, int]]) -> bool:
    """Whether fields are filled up with blanks, as free text after a stamp is not."""
    behind = spans[2:] if len(spans) > 3 else spans
    uneven = 0
    for start, width in behind[:-1]:
        lengths = {len(line[start : start + width].strip()) for line in lines[:HEAD]}
        uneven += len(lengths) > 1
    return uneven > 0


def _lines(filled: Filled) -> Found | None:
    """Free text with a stamp in it: what stands before the stamp, the stamp, the text."""
    rows = [(n, line, found) for n, line in filled if (found := STAMP.search(line))]
    forms = Counter(_form(found["stamp"]) for _, _, found in rows)
    if len(rows) < 0.7 * len(filled) or forms.most_common(1)[0][1] < 0.9 * len(rows):
        return None
    before = Counter(_shape(line[: found.start()]) for _, line, found in rows[:HEAD])
    prefix, times = before.most_common(1)[0]
    prefix = prefix if times > 0.95 * min(HEAD, len(rows)) else ".*?"
    closers = (re.match(r"[\]\)>|:;,\s-]*", line[f.end() :]) for _, line, f in rows[:HEAD])
    behind = Counter(found[0] for found in closers if found)
    closing = behind.most_common(1)[0][0].rstrip()
    stamps = Counter(_shape(found["stamp"]) for _, _, found in rows[:HEAD])
    shape = "|".join(sorted(stamps, key=len, reverse=True)) if len(stamps) < 6 else r"\d.*?\d"
    pattern = rf"^{prefix}(?P<stamp>{shape}){re.escape(closing)}\s*(?P<text>.*)$"
    fits = re.compile(pattern)
    kept = [(n, found) for n, line in filled if (found := fits.search(line))]
    if len(kept) < 0.7 * len(filled):
        return None
    have = {n for n, _ in kept}
    furniture = Counter(_shape(line) for n, line in filled if n not in have)
    ignore = [f"^{shape}$" for shape, _ in furniture.most_common(8)]
    columns: dict[str, Column] = {
        "stamp": [found["stamp"] for _, found in kept],
        "text": [found["text"].strip() for _, found in kept],
    }  # fmt: skip
    toml = ["[lines]", f"pattern = {quoted(pattern)}"]
    if ignore:
        toml += ["ignore = [", *(f"  {quoted(one)}," for one in ignore), "]"]
    said = f"{len(kept):,} of {len(filled):,} lines hold a stamp and a text"
    return Found("lines", tuple(toml), columns, [n for n, _ in kept], said)


def _shape(text: str) -> str:
    """A pattern for texts like this one: digits vary, the rest stands."""
    out = []
    for part in re.findall(r"\d+|\s+|(?:=|\*|_|#|-){4,}|[^\d\s]", text):
        if part.isdigit():
            out.append(r"\d+")
        elif part.isspace():
            out.append(r"\s+")
        elif len(part) > 3:
            out.append(re.escape(part[0]) + "+")
        else:
            out.append(re.escape(part))
    return "".join(out)


def _sheet(text: Text) -> Found:
    """A sheet: the first row that is filled as widely as most, and whose cells are words."""
    assert text.cells is not None  # a sheet has cells
    counts = Counter(len(row) for row in text.cells)
    width = counts.most_common(1)[0][0] if counts else 0
    for place, row in enumerate(text.cells[:40]):
        cells = [(cell or "").strip() for cell in row]
        below = [[(c or "") for c in one] for one in text.cells[place + 1 : place + 200]]
        named = [cell for cell in cells if cell]
        if len(named) >= max(3, 0.6 * width) and _is_header(named, []) and below:
            good = [
                (n, one) for n, one in enumerate(text.cells[place + 1 :], place + 1) if any(one)
            ]
            columns: dict[str, Column] = {
                name: [(one[at] or "").strip() or None if at < len(one) else None
                       for _, one in good]
                for at, name in enumerate(cells) if name
            }  # fmt: skip
            said = f"row {place + 1} names {len(columns)} columns, {len(good):,} rows follow"
            toml = ["[sheet]", f"header_row = {place + 1}"]
            if text.sheet is not None:
                toml.insert(1, f"sheet = {quoted(text.sheet)}")
                said = f'sheet "{text.sheet}": {said}'
            return Found("sheet", tuple(toml), columns, [n for n, _ in good], said)
    raise no_log(text.name, "no row of the sheet names its columns")


def _counted_lines(filled: Filled) -> Found | None:
    """Free text behind seconds since the power-on."""
    rows = [(n, found) for n, line in filled if (found := COUNTED.match(line))]
    if len(rows) < ENOUGH * len(filled) or not is_uptime([found["stamp"] for _, found in rows]):
        return None
    before, behind = (
        Counter(found[group] for _, found in rows).most_common(1)[0][0].strip()
        for group in ("before", "behind")
    )
    pattern = (
        rf"^{re.escape(before)}\s*(?P<stamp>\d+(?:[.,]\d+)?){re.escape(behind)}\s*(?P<text>.*)$"
    )
    fits = re.compile(pattern)
    kept = [(n, found) for n, line in filled if (found := fits.search(line))]
    if len(kept) < ENOUGH * len(filled):
        return None
    columns: dict[str, Column] = {
        "stamp": [found["stamp"] for _, found in kept],
        "text": [found["text"].strip() or None for _, found in kept],
    }
    said = f"{len(kept):,} of {len(filled):,} lines begin with seconds that run on"
    toml = ("[lines]", f"pattern = {quoted(pattern)}")
    return Found("lines", toml, columns, [n for n, _ in kept], said)


def _any_lines(filled: Filled) -> Found | None:
    return _lines(filled) or _counted_lines(filled)


FINDERS: Mapping[str, Callable[[Filled], Found | None]] = {
    "json": _json, "syslog": _syslog, "delimited": _delimited, "fixed": _fixed, "lines": _any_lines,
}  # fmt: skip
