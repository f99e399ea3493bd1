"""What is fuzzed: bytes in, and either a result that adds up or an error of ours out.

The first byte or two choose the profile and the size of the blocks, the rest is the input, so
that a mutation can move an input to another profile. Whatever else is raised is a finding.
"""

import gzip
import io
import shutil
import struct
import zipfile
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from warnings import catch_warnings, simplefilter

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.clock import READING, ClockScan, apply, resolve
from loganalyzer.clock.corrections import RunState
from loganalyzer.clock.zones import ZoneClock
from loganalyzer.errors import AnalyzerError, InputError
from loganalyzer.events import Translator
from loganalyzer.ingest.reading import How, first_year, read
from loganalyzer.profile import Profile, TimeRule, load_profile, parse_profile
from loganalyzer.readers import READERS
from loganalyzer.readers.records import Batch
from loganalyzer.readers.unpack import Export, Limits, exports
from loganalyzer.site import Site, parse_site
from loganalyzer.stamps import Stamps, YearFinder, needs_year
from loganalyzer.tables import CLOCK_MARKS, EDGES, SIGNALS
from loganalyzer.timeline import merge
from loganalyzer.weighing import read_tickets
from tests.fuzz.profiles import PROFILES

RECEIVED = datetime(2026, 11, 20, 12, tzinfo=UTC)
SIZES = (1 << 16, 1 << 16, 1 << 16, 1 << 16, 1 << 16, 64, 16, 3)
SITE = """
[site]
id = "elm"
name = "Elm"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
[[chute.floor]]
label = "7"
[[chute.stream]]
id = "refuse"
kind = "refuse"
"""
ZONES = ("Europe/Lisbon", "Australia/Lord_Howe", "America/New_York", "UTC", "Asia/Kathmandu")
FORMATS = (
    "%d.%m.%Y %H:%M:%S", "%b %d %H:%M:%S", "iso", "epoch_s", "epoch_ms", "uptime_s",
    "%y%m%d%H%M%S", "%Y-%m-%dT%H:%M:%S.%f%z", "%I:%M %p %d/%m/%y", "%j %Y %H", "%m/%d/%Y %H:%M",
)  # fmt: skip

Target = Callable[[bytes, Path], None]


@cache
def site() -> Site:
    """A site of one chute, with a floor and a stream."""
    return parse_site(SITE, "site.toml")


@cache
def profiles(layout: str) -> tuple[Profile, ...]:
    """Profiles of one layout: the one that ships, and odd ones."""
    shipped = {
        "delimited": "semicolon-text", "lines": "bracket-lines", "syslog": "syslog-events",
        "json": "json-events", "fixed": "fixed-columns", "samples": "scan-samples",
        "sheet": "sheet-log",
    }  # fmt: skip
    odd = [parse_profile(text, "odd.toml") for text in PROFILES if f'"{layout}"' in text]
    return (load_profile(shipped[layout], None), *odd)


def reader(layout: str) -> Target:
    """A target: an export of that layout, read, translated, its stamps parsed."""

    def run(data: bytes, folder: Path) -> None:
        profile, data = profiles(layout)[_first(data) % len(profiles(layout))], data[1:]
        size, data = SIZES[_first(data) % len(SIZES)], data[1:]
        export(data, profile, size)

    return run


def export(data: bytes, profile: Profile, size: int) -> None:
    """Read an export in blocks of some size; every line must be accounted for."""
    lines = 0
    try:
        translator = Translator(profile, site(), None)
        stamps = Stamps(profile.time, RECEIVED, 2026)
        for batch in READERS[profile.layout](io.BytesIO(data), profile, "fuzz", size=size):  # type: ignore[call-arg]
            adds_up(batch)
            lines += batch.lines
            told = translator.translate(batch)
            events = told.events
            parsed = stamps.parse(events["stamp"])
            assert len(parsed.ok) == events.num_rows
            scans = profile.layout == "samples"
            heads = len(pc.unique(events["line"]))
            records = len(pc.unique(batch.records["line"]))
            assert records == heads + told.rejects.num_rows + told.ignored, (scans, records)
            bad = events["line"].filter(pa.array(~parsed.ok))
            assert batch.raw(bad.combine_chunks()).null_count == 0
    except AnalyzerError as error:
        one_line(error)
        return
    if profile.layout != "sheet" and profile.encoding is None and not _marked(data):
        assert lines == physical(data), (lines, physical(data))


def adds_up(batch: Batch) -> None:
    """Every line of a batch is a record, a reject or ignored."""
    records = len(pc.unique(batch.records["line"]))
    assert batch.lines == records + batch.rejects.num_rows + batch.ignored


def physical(data: bytes) -> int:
    """How many lines there are, ended by CR, LF or CRLF, the last one perhaps by nothing."""
    text = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return text.count(b"\n") + bool(text and not text.endswith(b"\n"))


def _marked(data: bytes) -> bool:
    return data.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", b"\0\0\xfe\xff"))


def _first(data: bytes) -> int:
    return data[0] if data else 0


def one_line(error: AnalyzerError) -> None:
    """An error of ours is one line; of settings, one line a mistake."""
    lines = getattr(error, "lines", None) or (str(error),)
    assert str(error).split("\n") == list(lines), str(error)
    assert all(line.isprintable() for line in lines), str(error)


def sheet(data: bytes, folder: Path) -> None:
    """A workbook: the bytes as they are, or as the sheet, or as the shared strings of one."""
    kind, data = _first(data) % 3, data[1:]
    profile, data = profiles("sheet")[_first(data) % len(profiles("sheet"))], data[1:]
    export(workbook(kind, data), profile, 5)


def workbook(kind: int, data: bytes) -> bytes:
    """The bytes as they are, or a workbook with them as its sheet (1) or its strings (2)."""
    if kind == 0:
        return data
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, text in WORKBOOK.items():
            archive.writestr(name, text)
        archive.writestr("xl/worksheets/sheet1.xml", data if kind == 1 else SHEET)
        archive.writestr("xl/sharedStrings.xml", data if kind == 2 else STRINGS)
    return packed.getvalue()


def profile(data: bytes, folder: Path) -> None:
    """A profile file; one that is accepted must read an export without harm."""
    text, _, log = data.partition(b"\n====\n")
    try:
        found = parse_profile(text.decode("utf-8", "replace"), "fuzz.toml")
    except AnalyzerError as error:
        one_line(error)
        return
    export(log or LOG, found, 64)


def site_file(data: bytes, folder: Path) -> None:
    """A site file."""
    try:
        found = parse_site(data.decode("utf-8", "replace"), "fuzz.toml")
    except AnalyzerError as error:
        one_line(error)
        return
    assert found.chutes


def stamps(data: bytes, folder: Path) -> None:
    """Stamps of some format, one a line, and what UTC time they are."""
    time_format, data = FORMATS[_first(data) % (len(FORMATS) + 1) - 1], data[1:]
    zone, data = ZONES[_first(data) % len(ZONES)], data[1:]
    text = data.decode("utf-8", "replace")
    if _first(data) == 37:  # "%": the first line is a format of its own
        time_format, _, text = text.partition("\n")
    try:
        rule = TimeRule(format=time_format, zone="site")
        reader = Stamps(rule, RECEIVED, None)
    except (AnalyzerError, ValueError):  # pydantic's errors are ValueErrors
        return
    words = pa.array([line or None for line in text.split("\n")], pa.string())
    parsed = reader.parse(words)
    if needs_year(rule.format):
        finder = YearFinder(rule)
        finder.add(words)
        finder.first_year(RECEIVED)
    utc, marks = ZoneClock(zone).to_utc(parsed.written[parsed.ok], _only(parsed), None)
    assert len(utc) == len(marks) == int(parsed.ok.sum())
    assert not words.is_valid().to_numpy(zero_copy_only=False)[parsed.ok].sum() < parsed.ok.sum()


def _only(parsed: object) -> np.ndarray | None:
    offset = parsed.offset_us  # type: ignore[attr-defined]
    return None if offset is None else offset[parsed.ok]  # type: ignore[attr-defined]


EVENTS = (
    ("press", "mark"), ("open", "on"), ("open", "off"), ("power", "on"), ("power", "off"),
    ("clock", "mark"), ("fault", "on"), ("note", "mark"),
)  # fmt: skip
STEP = struct.Struct("<Bi")


def clock(data: bytes, folder: Path) -> None:
    """A clock that runs as the bytes say: two exports of one chute, each in any two cuts."""
    zone, data = ZONES[_first(data) % len(ZONES)], data[1:]
    uptime, cut, data = _first(data) & 1, _first(data) >> 1, data[1:]
    whole = reading(data, zone, bool(uptime))
    cut = min(cut, whole.num_rows)
    scan, parts = ClockScan(zone), ClockScan(zone)
    scan.add(whole)
    parts.add(whole.slice(0, cut))
    parts.add(whole.slice(cut))
    times, marks = apply(whole, scan.corrections(), 0, RunState())
    again, marks_again = apply(whole, parts.corrections(), 0, RunState())
    assert np.array_equal(times, again)
    assert np.array_equal(marks, marks_again)
    resolve(whole, zone)
    first = _timed(whole.slice(0, cut), times[:cut], marks[:cut])
    merged = merge([_timed(whole, times, marks), first])
    assert merged.table.num_rows >= whole.num_rows


def _timed(rows: pa.Table, times: np.ndarray, marks: np.ndarray) -> pa.Table:
    anchored = pa.array(marks != CLOCK_MARKS.index("unanchored"))
    return rows.append_column("time", pa.array(times)).append_column("anchored", anchored)


def reading(data: bytes, zone: str, uptime: bool) -> pa.Table:
    """READING rows: each five bytes are an event and the seconds since the one before."""
    steps = [STEP.unpack_from(data, at) for at in range(0, len(data) - 4, 5)][:200]
    kinds = [EVENTS[kind % len(EVENTS)] for kind, _ in steps]
    written = (
        1_700_000_000_000_000 * (not uptime)
        + np.cumsum(
            [1_000_000 * (step >> 8 if step & 1 else (step >> 1) % 100_000) for _, step in steps]
            or [0]
        ).astype(np.int64)[: len(steps)]
    )
    values = [float(step % 1000) - 500 if s == "clock" else None
              for (s, _), (_, step) in zip(kinds, steps, strict=True)]  # fmt: skip
    utc, marks = ZoneClock("utc" if uptime else zone).to_utc(written, None, None)
    anchor = [int(1_700_000_000_000_000 + w) if uptime and s % 7 == 3 else None
              for w, (_, s) in zip(written, steps, strict=True)]  # fmt: skip
    rows = len(steps)
    return pa.table(
        {
            "chute": ["A"] * rows, "floor": [str(k % 3) for k, _ in steps],
            "signal": [signal for signal, _ in kinds], "edge": [edge for _, edge in kinds],
            "stream": [None] * rows, "code": [None] * rows, "value": values,
            "line": np.arange(1, rows + 1), "order": [None] * rows, "written": written,
            "utc": [None] * rows if uptime else utc,
            "mark": [CLOCK_MARKS[m] for m in marks], "anchor": anchor,
        },
        schema=READING,
    )  # fmt: skip


def unpack(data: bytes, folder: Path) -> None:
    """A file as somebody hands it over: any bytes, or bytes packed in one way or another."""
    kind, data = _first(data) % 6, data[1:]
    path = folder / ("log.xlsx" if kind == 5 else "log.csv")
    path.write_bytes(packed(kind, data))
    limits = Limits(ratio=20, free_bytes=4096, total_bytes=1 << 20)
    allowed = max(4096, 20 * path.stat().st_size)
    for found in exports(path, limits):
        if isinstance(found, InputError):
            one_line(found)
            continue
        unpacked(found, allowed)


def unpacked(found: Export, allowed: int) -> None:
    """Read an export to its end."""
    total = 0
    try:
        with found.open() as stream:
            while piece := stream.read(1000):
                total += len(piece)
    except AnalyzerError as error:
        one_line(error)
    assert total <= allowed + 70_000, total
    for problem in found.problems:
        one_line(problem)


def packed(kind: int, data: bytes) -> bytes:
    """The bytes as they are (0, 5), in gzip, in zstd, or in an archive under names they hold."""
    if kind == 1:
        return gzip.compress(data, 1, mtime=0)
    if kind == 2:
        return bytes(pa.compress(data, "zstd", asbytes=True))
    if kind in (3, 4):
        out = io.BytesIO()
        method = zipfile.ZIP_DEFLATED if kind == 4 else zipfile.ZIP_STORED
        with catch_warnings(), zipfile.ZipFile(out, "w", method) as archive:
            simplefilter("ignore")  # a name may come twice
            for part in data.split(b"\n====\n")[:5]:
                name, _, content = part.partition(b"\n")
                text = name.decode("utf-8", "replace")[:100].replace("\0", "")
                archive.writestr(zipfile.ZipInfo(text or "a"), content)
        return out.getvalue()
    return data


def whole(data: bytes, folder: Path) -> None:
    """An export of any layout, read into files as the import does."""
    layouts = tuple(READERS)
    layout, data = layouts[_first(data) % len(layouts)], data[1:]
    chosen, data = profiles(layout)[_first(data) % len(profiles(layout))], data[1:]
    content = workbook(1, data) if layout == "sheet" else data
    how = How(chosen, site(), "A", RECEIVED)
    target = folder / "read"
    target.mkdir()
    try:
        year = first_year(io.BytesIO(content), "fuzz", how)
        found = read(io.BytesIO(content), "fuzz", "0" * 64, how, year, target)
        account = found.account  # read() raises where it does not add up
        assert account.lines == account.events + account.ignored + account.rejected
    except AnalyzerError as error:
        one_line(error)
    finally:
        shutil.rmtree(target)


def tickets(data: bytes, folder: Path) -> None:
    """Weigh tickets."""
    path = folder / "tickets.csv"
    path.write_bytes(data)
    try:
        found = read_tickets(path, ["refuse", "recycling"])
    except AnalyzerError as error:
        one_line(error)
        return
    assert all(line.isprintable() for line in found.mistakes)
    assert (found.table["kg"].dropna() > 0).all()  # null: a ticket that could not be used


TARGETS: Mapping[str, Target] = {
    "delimited": reader("delimited"), "lines": reader("lines"), "syslog": reader("syslog"),
    "json": reader("json"), "fixed": reader("fixed"), "samples": reader("samples"),
    "sheet": sheet, "profile": profile, "site": site_file, "stamps": stamps, "clock": clock,
    "unpack": unpack, "import": whole, "tickets": tickets,
}  # fmt: skip

assert set(EVENTS) <= {(s, e) for s in SIGNALS for e in EDGES}
LOG = b"2026-10-05 08:00:10;7;DOOR OPEN;1\n2026-10-05 08:00:20;7;DOOR SHUT;\nnonsense\n"
RELS = "http://schemas.openxmlformats.org"
WORKBOOK = {
    "[Content_Types].xml": f'<Types xmlns="{RELS}/package/2006/content-types">'
    '<Default Extension="xml" ContentType="application/xml"/></Types>',
    "_rels/.rels": f'<Relationships xmlns="{RELS}/package/2006/relationships"><Relationship '
    f'Id="r1" Type="{RELS}/officeDocument/2006/relationships/officeDocument" '
    'Target="xl/workbook.xml"/></Relationships>',
    "xl/workbook.xml": f'<workbook xmlns="{RELS}/spreadsheetml/2006/main" '
    f'xmlns:r="{RELS}/officeDocument/2006/relationships"><sheets>'
    '<sheet name="Log" sheetId="1" r:id="r1"/></sheets></workbook>',
    "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{RELS}/package/2006/relationships">'
    f'<Relationship Id="r1" Type="{RELS}/officeDocument/2006/relationships/worksheet" '
    'Target="worksheets/sheet1.xml"/><Relationship Id="r2" '
    f'Type="{RELS}/officeDocument/2006/relationships/sharedStrings" '
    'Target="sharedStrings.xml"/></Relationships>',
}
STRINGS = (
    f'<sst xmlns="{RELS}/spreadsheetml/2006/main" count="3" uniqueCount="3">'
    "<si><t>Time</t></si><si><t>7</t></si><si><r><t>OPEN</t></r></si></sst>"
)
SHEET = (
    f'<worksheet xmlns="{RELS}/spreadsheetml/2006/main"><sheetData><row r="1"><c r="A1" t="s">'
    '<v>0</v></c></row><row r="2"><c r="A2" t="s"><v>2</v></c></row></sheetData></worksheet>'
)
