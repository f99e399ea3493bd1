"""Lines as fields → the bytes of an export, and which physical line says what."""

import io
import json
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from openpyxl import Workbook

from tests.tools.dialects.lines import Event, Line

Stamp = Callable[[Line], str]


@dataclass(frozen=True)
class Written:
    """An export and its truth: physical line → what it says (several in scans), none: no event."""

    data: bytes
    ending: str
    truth: dict[int, tuple[Event, ...]]
    times: dict[int, datetime]


def _done(head: Sequence[str], rows: Sequence[tuple[Line, str]], ending: str, encoding: str,
          newline: str = "\n") -> Written:  # fmt: skip
    texts = [*head, *(text for _, text in rows)]
    truth = {
        n: () if line.says is None else (line.says,)
        for n, (line, _) in enumerate(rows, len(head) + 1)
    }
    times = {n: line.at for n, (line, _) in enumerate(rows, len(head) + 1)}
    return Written((newline.join(texts) + newline).encode(encoding), ending, truth, times)


def delimited(
    rows: Sequence[Line], stamp: Stamp, delimiter: str, names: str | None, order: str,
    *, quote: bool = False, decimal: str = ".", encoding: str = "utf-8",
    preamble: tuple[str, ...] = (),
) -> Written:  # fmt: skip
    """Fields in an order of letters: t time, d date, c clock, f floor, s stream, e event, r code,
    v value, n number, k constant, 1 and 2 the event's two words.
    """

    def cell(line: Line, letter: str) -> str:
        first, _, second = line.text.partition(" ")
        day, _, clock = stamp(line).partition(" ")
        value = "" if line.value is None else f"{line.value:.1f}".replace(".", decimal)
        text = {
            "t": stamp(line), "d": day, "c": clock, "f": line.floor, "s": line.stream,
            "e": line.text, "r": line.code, "v": value, "n": str(4000 + line.number),
            "k": "INFO", "1": first, "2": second,
        }[letter]  # fmt: skip
        return f'"{text}"' if quote else text

    head = list(preamble)
    if names is not None:
        head.append(delimiter.join(names.split("|")))
    out = [(line, delimiter.join(cell(line, letter) for letter in order)) for line in rows]
    return _done(head, out, ".csv", encoding, "\r\n" if quote else "\n")


def sentence(line: Line, place: str, form: str) -> str:
    """An event as one text: `form` has {text}, {at} (place and floor), {of}, {code}, {value}."""
    at = f"{place}{line.floor}" if line.floor else ""
    value = "" if line.value is None else f"{line.value:.1f}"
    parts = form.format(text=line.text, at=at, of=line.stream, code=line.code, value=value)
    return " ".join(parts.split())


def free_lines(
    rows: Sequence[Line], stamp: Stamp, place: str, form: str, around: str, *,
    encoding: str = "utf-8", pages: bool = False,
) -> Written:  # fmt: skip
    """Sentences behind a stamp; `around` has {stamp}, {text}, {number}."""
    texts: list[str] = []
    truth: dict[int, tuple[Event, ...]] = {}
    times: dict[int, datetime] = {}
    for line in rows:
        if pages and line.number % 60 == 1:
            texts += ["=" * 40, f"          sheet {line.number // 60 + 1}"]
        text = sentence(line, place, form)
        texts.append(around.format(stamp=stamp(line), text=text, number=f"{line.number:06}"))
        truth[len(texts)] = () if line.says is None else (line.says,)
        times[len(texts)] = line.at
    return Written(("\n".join(texts) + "\n").encode(encoding), ".log", truth, times)


def syslog_3164(rows: Sequence[Line], place: str, form: str) -> Written:
    """Messages with the older header."""
    out = [
        (line, f"<134>{line.at:%b} {line.at.day:2d} {line.at:%H:%M:%S} tower3 ctl[88]: "
         f"{sentence(line, place, form)}")
        for line in rows
    ]  # fmt: skip
    return _done((), out, ".log", "utf-8")


def syslog_5424(rows: Sequence[Line], names: tuple[str, str, str, str]) -> Written:
    """Messages whose id is the event and whose parameters are the rest."""
    out = []
    for line in rows:
        value = "" if line.value is None else f"{line.value:.1f}"
        pairs = zip(names, (line.floor, line.stream, line.code, value), strict=True)
        data = " ".join(f'{name}="{one}"' for name, one in pairs if one)
        data = f"[ev@32473 {data}]" if data else "-"
        word = line.text.replace(" ", "-")
        out.append((line, f"<133>1 {line.utc:%Y-%m-%dT%H:%M:%S}Z box app 7 {word} {data}"))
    return _done((), out, ".log", "utf-8")


def objects(
    rows: Sequence[Line], stamp: Callable[[Line], object], keys: tuple[str, ...], nested: bool
) -> Written:
    """JSON objects; keys for time, floor, stream, event, code, value."""
    out = []
    for line in rows:
        fields = (line.floor, line.stream, line.text, line.code, line.value)
        body = {k: v for k, v in zip(keys[1:], fields, strict=True) if v not in ("", None)}
        whole: dict[str, object] = {keys[0]: stamp(line)}
        whole |= {"ev": body, "src": "board"} if nested else body
        out.append((line, json.dumps(whole, ensure_ascii=False)))
    return _done((), out, ".jsonl", "utf-8")


def fixed(rows: Sequence[Line], stamp: Stamp, widths: tuple[int, ...]) -> Written:
    """Columns of fixed width: stamp, floor, stream, event, code, value."""
    out = []
    for line in rows:
        value = "" if line.value is None else f"{line.value:.1f}"
        fields = (stamp(line), line.floor, line.stream, line.text, line.code, value)
        cells = [f"{field:<{width}}" for field, width in zip(fields, widths, strict=True)]
        out.append((line, " ".join(cells).rstrip()))
    return _done((), out, ".txt", "utf-8")


def sheet(rows: Sequence[Line], names: str, title: str) -> Written:
    """A workbook with date cells, a title above the header."""
    book = Workbook(write_only=True)
    page = book.create_sheet("Log")
    page.append([title])
    page.append([])
    page.append(names.split("|"))
    for line in rows:
        page.append([
            line.at.replace(microsecond=0), line.floor or None, line.stream or None, line.text,
            line.code or None, line.value,
        ])  # fmt: skip
    out = io.BytesIO()
    book.save(out)
    truth = {n: () if one.says is None else (one.says,) for n, one in enumerate(rows, 4)}
    return Written(out.getvalue(), ".xlsx", truth, {n: one.at for n, one in enumerate(rows, 4)})


def scans(
    rows: Sequence[Line], stamp: Stamp, names: dict[str, str], delimiter: str, on: str, off: str,
    seed: int,
) -> Written:  # fmt: skip
    """One column an input; `names` gives each signal's column with {floor} and {stream}."""

    def column(line: Line) -> str | None:
        form = names.get(line.kind.split()[0])
        return None if form is None else form.format(floor=line.floor, stream=line.stream.lower())

    columns = list(dict.fromkeys(filter(None, map(column, rows))))
    random.Random(seed).shuffle(columns)
    state = dict.fromkeys(columns, off)
    texts = [delimiter.join(["stamp", *columns])]
    texts.append(delimiter.join([stamp(rows[0]), *state.values()]))
    truth: dict[int, tuple[Event, ...]] = {2: ()}
    times: dict[int, datetime] = {2: rows[0].at}
    for line in rows:
        name = column(line)
        edge = line.kind.split()[1]
        if name is None or line.says is None:
            continue
        wanted = off if edge == "off" else on
        says = (_as_named(line.says, names[line.kind.split()[0]]),) if state[name] != wanted else ()
        state[name] = wanted
        texts.append(delimiter.join([stamp(line), *state.values()]))
        truth[len(texts)], times[len(texts)] = says, line.at
        if edge == "mark":
            state[name] = off
            texts.append(delimiter.join([stamp(line), *state.values()]))
            truth[len(texts)], times[len(texts)] = (), line.at
    return Written(("\n".join(texts) + "\n").encode(), ".csv", truth, times)


def _as_named(says: Event, form: str) -> Event:
    """What a column can tell: a stream only if its name has it."""
    return says if "{stream}" in form else (*says[:3], None)
