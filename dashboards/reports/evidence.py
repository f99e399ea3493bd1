"""All that a store holds about one incident, as a zip that can be checked without this program.

In it: a page for somebody who was not there, the incident, the tables around it, the lines as the
controller wrote them with file and SHA-256, and the SHA-256 of every file. The same store gives
the same bytes: nothing is compressed, and no clock is read.
"""

import difflib
import hashlib
import io
import json
import shlex
import tempfile
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from dashboards.parts import CAUTION
from dashboards.reports.claims import file_name
from dashboards.reports.sheet import Block, Grid, Points, Raw, Section, Sheet, Words, kept, render
from dashboards.reports.told import MEANS, minutes
from loganalyzer import export, views
from loganalyzer.answers import answer
from loganalyzer.errors import UsageError
from loganalyzer.incidents.kinds import CAUTION as LOCK_OUT
from loganalyzer.incidents.kinds import KIND
from loganalyzer.language import Phrase, phrase
from loganalyzer.localtime import wall_clock
from loganalyzer.sentences import count, lasting, listed, things
from loganalyzer.site import Site
from loganalyzer.store import Store
from loganalyzer.views import Analysis
from loganalyzer.views.about_chutes import CANNOT_TELL, NAMES
from loganalyzer.views.finding import rows
from loganalyzer.views.summary import records

AROUND = pd.Timedelta(minutes=2)  # of log before and after the incident
FIRST, LAST = 25, 15  # minutes that the page tells; all are in the tables
LINES_SHOWN = 120  # lines on the page; all are in lines.csv
CHECKED = 3  # exports whose command stands on the page; the others go likewise
NEAR = 3  # ids that are proposed for an unknown one
SUMS = "SHA256SUMS"


@dataclass(frozen=True)
class Case:
    """One incident and what the store holds around it.

    Attributes:
        incident: Its row of `incidents`.
        events: The stretch of `timeline`, with `local` (the site's wall clock) and `named` (whether
            the incident rests on the line).
        intervals: Those that touch the stretch.
        cycles: Those that touch it.
        lines: `source`, `file`, `line`, `text`: every line of the stretch and of the evidence.
        exports: The rows of `imports` that these lines come from.
    """

    site: Site
    analysis: Analysis
    incident: pd.Series
    events: pd.DataFrame
    intervals: pd.DataFrame
    cycles: pd.DataFrame
    lines: pd.DataFrame
    exports: pd.DataFrame


def evidence(store: Store, incident: str) -> bytes:
    """The zip of one incident.

    Raises:
        UsageError: No site of the store has an incident of that name; the nearest are named.
    """
    case = _case(store, incident)
    files = {
        "incident.json": _json(case),
        "timeline.csv": _csv(case.events.drop(columns=["local", "named"]), "timeline"),
        "intervals.csv": _csv(case.intervals, "intervals"),
        "cycles.csv": _csv(case.cycles, "cycles"),
        "lines.csv": _csv(case.lines, "lines"),
        "exports.csv": _csv(case.exports, "exports"),
        "site.toml": case.site.text.encode(),
    }
    files["index.html"] = render(_sheet(case, sorted([*files, "index.html"]))).encode()
    return _zip(files)


def _case(store: Store, incident: str) -> Case:
    every: list[str] = []
    for name in store.sites():
        analysis = answer(store, name)
        found = analysis.incidents[analysis.incidents["incident"].eq(incident)]
        if len(found):
            return _around(store, store.site(name), analysis, found.iloc[0])
        every += list(analysis.incidents["incident"])
    near = difflib.get_close_matches(incident, every, NEAR, cutoff=0.3)
    raise UsageError(
        "loganalyzer evidence", f"the incident '{incident}'",
        f"one of {len(every):,}; the nearest: {', '.join(near)}" if near else
        "the name of an incident; this store has none like it",
        "Copy it from the dashboard, a report or: loganalyzer export incidents",
    )  # fmt: skip


def _around(store: Store, site: Site, analysis: Analysis, incident: pd.Series) -> Case:
    start, end = _ends(analysis, incident)
    events = views.of_chute(analysis.timeline, site.id, incident["chute"])
    inside = events["time"].between(start - AROUND, end + AROUND)
    named = _named(incident["evidence"])
    listed_here = pd.MultiIndex.from_frame(events[["source", "line"]].astype({"source": "str"}))
    events = events.assign(
        named=listed_here.isin(named), local=wall_clock(events, analysis.sites, "time")
    )
    events = events[inside | events["named"]]
    wanted = {*zip(events["source"].astype("str"), events["line"], strict=True), *named}
    lines, exports = _lines(store, site, wanted)
    return Case(
        site, analysis, incident, events,
        _touching(analysis.intervals, incident, "start", "end", start, end),
        _touching(analysis.cycles.assign(begin=analysis.cycles["pressed"].fillna(
            analysis.cycles["unlocked"]).fillna(analysis.cycles["opened"]),
            until=analysis.cycles["cleared"].fillna(analysis.cycles["closed"])),
            incident, "begin", "until", start, end).drop(columns=["begin", "until"]),
        lines, exports,
    )  # fmt: skip


def _ends(analysis: Analysis, incident: pd.Series) -> tuple[pd.Timestamp, pd.Timestamp]:
    """From when to when; the log's end where it has none of its own."""
    start: pd.Timestamp = incident["start"]
    ends = analysis.facts.ends
    mine = ends[ends["site"].eq(incident["site"]) & ends["chute"].eq(incident["chute"])]
    end = incident["end"] if pd.notna(incident["end"]) else None
    if end is None:
        end = mine["log_end"].iloc[0] if incident["ongoing"] else start
    return start, max(start, end) if pd.notna(end) else start


def _touching(
    table: pd.DataFrame, incident: pd.Series, begin: str, until: str, start: pd.Timestamp,
    end: pd.Timestamp,
) -> pd.DataFrame:  # fmt: skip
    mine = views.of_chute(table, incident["site"], incident["chute"])
    stops = mine[until].fillna(mine[begin])
    return mine[mine[begin].le(end + AROUND) & stops.ge(start - AROUND)].reset_index(drop=True)


def _named(evidence: str) -> list[tuple[str, int]]:
    parts = [text.rpartition(":") for text in json.loads(evidence)]
    return [(source, int(line)) for source, _, line in parts]


def _lines(
    store: Store, site: Site, wanted: set[tuple[str, int]]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The lines as written, and the exports that they stand in."""
    imports = store.imports(site.id)
    sources = sorted({source for source, _ in wanted})
    exports = imports[imports["source"].isin(sources)].drop(columns="imported_at")
    names = dict(zip(exports["source"], exports["name"].map(file_name), strict=True))
    found = [
        (source, names.get(source, source), line, text)
        for source in sources
        for line, text in sorted(
            store.lines(source, [line for one, line in wanted if one == source]).items()
        )
    ]
    table = pd.DataFrame(found, columns=["source", "file", "line", "text"])
    return table, exports.assign(name=exports["name"].map(file_name)).reset_index(drop=True)


def _sheet(case: Case, files: list[str]) -> Sheet:
    row = case.incident
    start, end = (moment.tz_convert(case.site.time_zone) for moment in _ends(case.analysis, row))
    period = phrase("{start:%Y-%m-%d %H:%M:%S} to {end:%Y-%m-%d %H:%M:%S}, time of {zone}",
                    start=start, end=end, zone=case.site.time_zone)  # fmt: skip
    cover = [
        phrase("Incident {name}, chute {chute}{floor}.", name=row["incident"], chute=row["chute"],
               floor=_optional(", floor {value}", row["floor"])),
        phrase("Rests on {lines} of {exports}; each line stands below with its file, each file "
               "with its SHA-256.", lines=things(len(case.lines), "line", "lines"),
               exports=things(len(case.exports), "export", "exports")),
        phrase("A log shows what the controller wrote. It shows presses and doors, not people."),
    ]  # fmt: skip
    return Sheet(
        case.site.name, phrase("Evidence of an incident: {what}",
                               what=phrase(NAMES[str(row["kind"])][1])),
        period, case.site.language, cover,
        [_happened(case), _minutes(case), _cannot_show(case), _raw(case), _verify(case, files)],
    )  # fmt: skip


def _happened(case: Case) -> Section:
    row = case.incident
    length = (
        phrase("How long it lasted is not known.") if pd.isna(row["seconds"]) else
        phrase("It had not ended when the log did, {lasted} later.", lasted=lasting(row["seconds"]))
        if row["ongoing"] else
        phrase("It lasted {lasted}.", lasted=lasting(row["seconds"]))
    )  # fmt: skip
    refused = (
        phrase("Whether presses were refused meanwhile is not recorded.")
        if pd.isna(row["refused"]) else
        phrase("{presses} refused meanwhile.", presses=things(row["refused"], "press", "presses"))
    )  # fmt: skip
    code = _optional("Code in the log: {value}.", row["code"])
    inferred = phrase("The controller did not log this as such: it is inferred from other lines.")
    return Section(phrase("What happened"), kept([
        Words(phrase(MEANS[str(row["kind"])])),
        Words(phrase("{length} {refused} {code}", length=length, refused=refused, code=code)),
        Words(inferred) if row["inferred"] else None,
        Words(_advice(row)), Words(phrase(CAUTION), "caution"),
    ]))  # fmt: skip


def _advice(row: pd.Series) -> Phrase:
    """The advice as the incident has it: its kind's sentence, then what is said of this one."""
    kind, said = KIND[str(row["kind"])], str(row["advice"])
    if not kind.hands_on or not said.startswith(kind.advice):
        return phrase(said)
    common = phrase("{check}; {caution}.", check=phrase(kind.check), caution=phrase(LOCK_OUT))
    return phrase("{common} {more}", common=common, more=phrase(said[len(kind.advice) :].strip()))


def _minutes(case: Case) -> Section:
    said, left_out = minutes(case.events, FIRST, LAST)
    points: list[tuple[str, tuple[int, ...]]] = [(one, ()) for one in said]
    if left_out:
        more = phrase("… {n} more minutes with events between: timeline.csv has them all …",
                      n=count(left_out))  # fmt: skip
        points.insert(FIRST, (more, ()))
    note = phrase("The chute's whole log from two minutes before to two minutes after, in the "
                  "site's time; times as put right for the controller's clock.")  # fmt: skip
    return Section(phrase("Minute by minute"), [Words(note, "muted"), Points(points)])


def _cannot_show(case: Case) -> Section:
    held = views.of_chute(case.analysis.facts.recorded, case.site.id, case.incident["chute"])
    missing = [phrase(words[0]) for signal, words in CANNOT_TELL if not held[signal].iloc[0]]
    marks = case.events["clock"].astype("str").value_counts()
    moved = int(marks.drop("exact", errors="ignore").sum())
    small = views.hidden_doors(case.analysis) & {
        (case.site.id, str(case.incident["chute"]), str(floor))
        for floor in case.events["floor"].dropna().unique()
    }
    said: list[Phrase | None] = [
        phrase("Who was there, what they meant to do, and what fell down the chute."),
        phrase("This controller records no {missing}.", missing=listed(missing))
        if missing else None,
        phrase("The times of {n} of {all} are not as written: they were put right for the clock's "
               "drift or setting, or are known less exactly; the column clock of timeline.csv says "
               "how.", n=count(moved), all=things(len(case.events), "event", "events"))
        if moved else None,
        phrase("Whether a switch told the truth: a door contact shows what it felt, not what a "
               "person would have seen."),
        phrase("Floors with fewer than {n} units are named here: hand this on only to those who "
               "must see it.", n=case.site.min_units) if small else None,
    ]  # fmt: skip
    return Section(phrase("What the log cannot show"),
                   [Points([(one, ()) for one in said if one is not None])])  # fmt: skip


def _raw(case: Case) -> Section:
    named = set(_named(case.incident["evidence"]))
    table = case.lines
    first = [(s, n) in named for s, n in zip(table["source"], table["line"], strict=True)]
    shown = pd.concat([table[first], table[[not one for one in first]]]).head(LINES_SHOWN)
    lines = [("", str(row.file), int(row.line), str(row.text)) for row in rows(shown)]
    note = phrase("Those that the incident rests on come first ({n}). {all} in lines.csv.",
                  n=count(sum(first)), all=things(len(table), "line", "lines"))  # fmt: skip
    return Section(phrase("The lines as the controller wrote them"),
                   [Words(note, "muted"), Raw(lines)])  # fmt: skip


def _verify(case: Case, files: list[str]) -> Section:
    columns = {"name": "Export", "lines": "Lines", "source": "SHA-256 of its bytes, unpacked"}
    cells = [
        {"name": str(row.name), "lines": count(row.lines), "source": str(row.source)}
        for row in rows(case.exports)
    ]
    blocks: list[Block] = [
        Words(phrase("Unpack the zip. In its folder, each of these {n} files is checked against "
                     "the list with:", n=count(len(files)))),
        Words(f"sha256sum -c {SUMS}", "command"),
        Words(phrase("The exports themselves are not in the pack. Whoever has one compares what "
                     "this prints with the SHA-256 below; what was packed (.gz, .zip, .zst) is "
                     "unpacked first:")),
        *[Words(_check(name), "command") for name in case.exports["name"].head(CHECKED)],
        Grid(columns, cells, ["lines"]),
        Words(phrase("The line numbers count physical lines from 1; of a sheet, rows. Two packs of "
                     "the same store are the same to the byte."), "muted"),
    ]  # fmt: skip
    return Section(phrase("How to verify it"), blocks)


def _check(name: str) -> str:
    """The command that prints the SHA-256 of an export's bytes, unpacked."""
    archive, _, member = (shlex.quote(part) for part in name.partition("!"))
    if name.partition("!")[1]:
        return f"unzip -p {archive} {member} | sha256sum"
    if name.endswith(".gz"):
        return f"gunzip -c {archive} | sha256sum"
    return f"zstd -dc {archive} | sha256sum" if name.endswith(".zst") else f"sha256sum {archive}"


def _optional(template: str, value: object) -> Phrase:
    return phrase(template, value=value) if isinstance(value, str) and value else phrase("")


def _json(case: Case) -> bytes:
    (row,) = records(case.incident.to_frame().T)
    row["evidence"] = json.loads(row["evidence"])
    return (json.dumps(row, ensure_ascii=False, indent=2) + "\n").encode()


def _csv(table: pd.DataFrame, name: str) -> bytes:
    """A table as `export` writes it."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "table.csv"
        export.write(table.reset_index(drop=True), name, file)
        return file.read_bytes()


def _zip(files: Mapping[str, bytes]) -> bytes:
    """Files and the list of their SHA-256, in the order of their names."""
    sums = "".join(
        f"{hashlib.sha256(content).hexdigest()}  {name}\n"
        for name, content in sorted(files.items())
    )
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as pack:
        for name, content in [*sorted(files.items()), (SUMS, sums.encode())]:
            member = zipfile.ZipInfo(name)  # its time is that of the format's beginning
            member.create_system, member.external_attr = 3, 0o644 << 16
            pack.writestr(member, content)
    return packed.getvalue()
