"""A slow, obvious reader: what a dialect's file says by its profile, line by line.

It shares nothing with the library but the profile file, so that dialect, profile and library
check one another. It reads what the simulator writes and no more.
"""

import csv
import json
import re
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import NamedTuple

import openpyxl

ROOT = Path(__file__).parents[3]
PLACES = (
    ROOT / "loganalyzer" / "profiles", ROOT / "sample_logs", Path(__file__).parent / "profiles"
)  # fmt: skip
SIGNS = re.compile(r'<\d+>1 (\S+) \S+ \S+ - (\S+) \[\S+((?: \w+="[^"]*")*)\]')


class Said(NamedTuple):
    """One event as a file tells it; a stamp is a naive wall clock, or aware where it says so."""

    stamp: datetime
    signal: str
    edge: str
    floor: str | None
    stream: str | None
    code: str | None
    value: float | None


def profile(name: str) -> dict:
    """The profile of that name, shipped, with the samples or with the simulator."""
    (path,) = (place / f"{name}.toml" for place in PLACES if (place / f"{name}.toml").exists())
    return tomllib.loads(path.read_text("utf-8"))


def said(data: bytes, name: str) -> list[Said | str]:
    """All events of a file, and the text of each line that is none (but of those ignored)."""
    rules = profile(name)
    return [found for record in RECORDS[rules["layout"]](data, rules)
            if (found := _event(record, rules)) is not None]  # fmt: skip


def _event(record: dict | str, rules: dict) -> Said | str | None:
    if isinstance(record, str):
        return record
    columns = rules["columns"]
    event = columns["event"]
    text = " ".join(record[c] for c in ([event] if isinstance(event, str) else event)).strip()
    entry, groups = _entry(text, rules)
    if entry is None:
        return text
    if entry.get("ignore"):
        return None
    fields = {
        key: groups.get(key) or entry.get(key) or record.get(columns.get(key)) or None
        for key in ("floor", "stream", "code", "value")
    }
    stamp = _stamp(" ".join(record[column] for column in columns["time"]), rules["time"]["format"])
    value = _number(fields["value"], groups, rules)
    return Said(
        stamp, entry["signal"], entry["edge"], _floor(fields["floor"], rules),
        fields["stream"] and rules["streams"].get(fields["stream"].strip(), fields["stream"]),
        fields["code"] and rules["refusals"].get(fields["code"], fields["code"]), value,
    )  # fmt: skip


def _entry(text: str, rules: dict) -> tuple[dict | None, dict]:
    for entry in rules["event"]:
        whole = entry.get("text", ())
        if text in ([whole] if isinstance(whole, str) else whole):
            return entry, {}
        match = re.search(entry["pattern"], text) if "pattern" in entry else None
        if match:
            return entry, match.groupdict()
    return None, {}


def _stamp(text: str, form: str) -> datetime:
    if form == "iso":
        return datetime.fromisoformat(text)
    if form == "epoch_ms":
        return datetime.fromtimestamp(int(text) / 1000, UTC)
    return datetime.strptime(text, form)  # noqa: DTZ007  # a wall clock


def _number(text: str | None, groups: dict, rules: dict) -> float | None:
    if "old" in groups:
        form = rules["time"]["format"]
        return (_stamp(groups["new"], form) - _stamp(groups["old"], form)).total_seconds()
    if not text:
        return None
    return float(text.replace(rules.get("delimited", {}).get("decimal", "."), "."))


def _floor(label: str | None, rules: dict) -> str | None:
    if not label:
        return None
    table = dict(rules.get("floors", {}))
    pattern = table.pop("pattern", None)
    match = re.search(pattern, label) if pattern and label not in table else None
    return table.get(label) or (match["floor"] if match else label.lstrip("0"))


def _delimited(data: bytes, rules: dict) -> Iterator[dict | str]:
    lines = data.decode(rules.get("encoding", "utf-8")).splitlines()[rules.get("skip_lines", 0) :]
    yield from csv.DictReader(lines, delimiter=rules["delimited"]["delimiter"])


def _lines(data: bytes, rules: dict) -> Iterator[dict | str]:
    for line in data.decode().splitlines():
        match = re.search(rules["lines"]["pattern"], line)
        if match:
            yield match.groupdict()
        elif not any(re.search(ignored, line) for ignored in rules["lines"].get("ignore", ())):
            yield line


def _syslog(data: bytes, rules: dict) -> Iterator[dict | str]:
    for line in data.decode().splitlines():
        match = SIGNS.fullmatch(line)
        if match is None:
            yield line
            continue
        yield {
            "stamp": match[1],
            "msgid": match[2],
            **dict(re.findall(r'(\w+)="([^"]*)"', match[3])),
        }


def _json(data: bytes, rules: dict) -> Iterator[dict | str]:
    for line in data.decode().splitlines():
        found = json.loads(line)
        record = {}
        for name, path in rules["json"]["columns"].items():
            value = found
            for step in path.split("."):
                value = value.get(step, {})
            record[name] = None if value == {} else str(value)
        yield record


def _fixed(data: bytes, rules: dict) -> Iterator[dict | str]:
    for line in data.decode().splitlines():
        yield {
            column["name"]: line[column["start"] : column["start"] + column["width"]].strip()
            for column in rules["fixed"]["columns"]
        }


def _sheet(data: bytes, rules: dict) -> Iterator[dict | str]:
    book = openpyxl.load_workbook(BytesIO(data), read_only=True)
    sheet = book[rules["sheet"]["sheet"]]
    rows = sheet.iter_rows(min_row=rules["sheet"]["header_row"], max_col=6, values_only=True)
    head = next(rows)
    for row in rows:
        cells = [cell.isoformat() if isinstance(cell, datetime) else cell for cell in row]
        yield {
            name: None if cell is None else str(cell)
            for name, cell in zip(head, cells, strict=True)
        }


RECORDS = {
    "delimited": _delimited, "lines": _lines, "syslog": _syslog, "json": _json, "fixed": _fixed,
    "sheet": _sheet,
}  # fmt: skip
