"""How much of an export that nobody has a profile for a draft maps rightly: python -m …

A line is right if the drafted profile makes of it the events that truly happened (signal, edge,
door) at the time that was written, and nothing of a line that is no event; "+stream %" are those
whose stream is right as well. A wrong line is "unsure" if the draft asks what it means, and
"sure" if it does not. Dialects at even places were looked at while drafting was written; those at
odd places, those called "late" and those called "held" were measured once and then used to mend
what they showed.
"""

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import numpy as np

from loganalyzer.drafting import Draft, draft
from loganalyzer.errors import AnalyzerError
from loganalyzer.events import Translator
from loganalyzer.readers import READERS
from loganalyzer.site import Site, parse_site
from loganalyzer.stamps import Stamps
from tests.tools.dialects import DIALECTS, Dialect, truth
from tests.tools.dialects.writers import Written
from tests.tools.simulator.sitefile import site_toml

RECEIVED = datetime(2026, 2, 20, tzinfo=UTC)


@dataclass(frozen=True)
class Result:
    """Of one dialect: lines that say something, right ones, wrong ones marked unsure, seconds."""

    lines: int
    right: int
    wrong_unsure: int
    streams: int
    seconds: float
    wrong: Counter[str]
    error: str = ""


def site_of(dialect: Dialect) -> Site:
    return parse_site(site_toml(truth(dialect.house).plan, {"A": "semicolon-text"}), "tower.toml")


def measure(dialect: Dialect) -> Result:
    export, site = dialect.export(), site_of(dialect)
    begin = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"week{export.ending}"
        path.write_bytes(export.data)
        try:
            drafted = draft([path], site, "drafted")
        except AnalyzerError as error:
            return Result(len(export.truth), 0, 0, 0, 0.0, Counter(), str(error))
    return compared(drafted, export, site, time.perf_counter() - begin)


def compared(drafted: Draft, export: Written, site: Site, seconds: float) -> Result:
    """The drafted profile's reading of the export against the truth, line by line."""
    profile = drafted.profile
    translator = Translator(profile, site, "A")
    stamps = Stamps(profile.time, RECEIVED, 2026)
    read: dict[int, list[tuple[str, str, str | None, str | None]]] = {}
    late: set[int] = set()
    for batch in READERS[profile.layout](BytesIO(export.data), profile, "week"):
        events = translator.translate(batch).events
        parsed = stamps.parse(events["stamp"])
        written = parsed.written.astype("datetime64[us]")
        rows = events.select(["line", "signal", "edge", "floor", "stream"]).to_pylist()
        for row, at, ok in zip(rows, written, parsed.ok, strict=True):
            line = row["line"]
            read.setdefault(line, []).append(
                (row["signal"], row["edge"], row["floor"], row["stream"])
            )
            off = abs(at - np.datetime64(export.times[line])) if line in export.times else None
            if not ok or off is None or off > np.timedelta64(1, "s"):
                late.add(line)
    unsure = set(drafted.asked_lines)
    right = streams = marked = 0
    wrong: Counter[str] = Counter()
    for line, said in export.truth.items():
        mine = read.get(line, [])
        same = sorted(str(e[:3]) for e in mine) == sorted(str(e[:3]) for e in said)
        if same and line not in late:
            right += 1
            streams += sorted(map(str, mine)) == sorted(map(str, said))
        else:
            marked += line in unsure
            mark = "unsure" if line in unsure else "SURE"
            wrong[f"{mark} {told(said)} read as {told(mine)}"] += 1
    return Result(len(export.truth), right, marked, streams, seconds, wrong)


def told(events: Iterable[tuple[str, str, str | None, str | None]]) -> str:
    return ", ".join(f"{signal} {edge} {floor or ''}" for signal, edge, floor, _ in events) or "-"


def group(place: int, dialect: Dialect) -> str:
    """What a dialect is counted with."""
    first, colon, _ = dialect.name.partition(":")
    part = first if colon else ("even places", "odd places")[place % 2]
    return f"{'codes only' if dialect.codes else 'plain words'}, {part}"


def main() -> None:
    wanted = sys.argv[1:]
    heads = ("lines", "right %", "unsure", "sure", "+stream %", "s")
    print("dialect".ljust(28) + "".join(f"{head:>10}" for head in heads))
    groups: dict[str, list[Result]] = {}
    for place, dialect in enumerate(DIALECTS):
        names = {dialect.name, str(place), ("even", "odd")[place % 2], dialect.name.split(":")[0]}
        if wanted and not names.intersection(wanted):
            continue
        found = measure(dialect)
        groups.setdefault(group(place, dialect), []).append(found)
        print(row(place, dialect.name, found))
        for text, times in found.wrong.most_common(12 if wanted else 0):
            print("        ", times, text)
    for name, of in sorted(groups.items()):
        print(verdict(name, of))


def row(place: int, name: str, found: Result) -> str:
    share, streams = (100 * count / found.lines for count in (found.right, found.streams))
    sure = found.lines - found.right - found.wrong_unsure
    return (
        f"{place:2} {name:25}{found.lines:10,}{share:10.1f}{found.wrong_unsure:10,}"
        f"{sure:10,}{streams:10.1f}{found.seconds:10.1f}  {found.error}"
    )


def verdict(name: str, of: Sequence[Result]) -> str:
    least = 80 if name.startswith("codes") else 95
    shares, streams = (
        [100 * getattr(one, counted) / one.lines for one in of] for counted in ("right", "streams")
    )
    sure = sum(one.lines - one.right - one.wrong_unsure for one in of)
    return (
        f"{name}: {len(of)} dialects, mean {sum(shares) / len(of):.1f} %, least {min(shares):.1f} "
        f"%, {sum(share >= least for share in shares)} with {least} % or more; wrong and sure "
        f"{sure:,} of {sum(one.lines for one in of):,} lines; with streams mean "
        f"{sum(streams) / len(of):.1f} %, least {min(streams):.1f} %, "
        f"{sum(share >= least for share in streams)} with {least} % or more"
    )


if __name__ == "__main__":
    main()
