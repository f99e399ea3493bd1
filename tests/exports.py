"""A small controller that writes exports, for tests of the import.

    log = Log("2025-03-03 08:00:00")
    log.event(5, "7", "BUTTON")           # 5 s later
    log.set_clock(30)                     # the clock is set forward by 30 s
    log.power_cut(60)                     # off for a minute; the clock restarts in 2000
    write(path, log.lines[:2])

Its clock, and with it what it writes, may be wrong; `log.lines` is what an export would hold.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from loganalyzer.ingest import ImportReport, import_paths
from loganalyzer.site import Site, parse_site
from loganalyzer.store import Store

HEADER = "date;time;door;material;event;reason;value"
RECEIVED = datetime(2026, 1, 1, tzinfo=UTC)
SITE = """
[site]
id = "quay"
name = "Quay"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
"""


def site(text: str = SITE) -> Site:
    return parse_site(text, "quay.toml")


@dataclass
class Log:
    """What a controller writes, from a first moment (site time) on."""

    start: str
    zone: str = "Europe/Lisbon"
    lines: list[str] = field(default_factory=list)
    wrong: timedelta = timedelta()

    def __post_init__(self) -> None:
        local = datetime.fromisoformat(self.start).replace(tzinfo=ZoneInfo(self.zone))
        self.now = local.astimezone(UTC)

    @property
    def restarted(self) -> bool:
        """Whether the clock still shows the year 2000."""
        return self.wrong < timedelta(days=-365)

    def wait(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)

    def event(self, seconds: float, door: str, text: str, value: str = "") -> None:
        self.wait(seconds)
        shown = self.now.astimezone(ZoneInfo(self.zone)).replace(tzinfo=None) + self.wrong
        self.lines.append(f"{shown:%d.%m.%Y;%H:%M:%S};{door};;{text};;{value}")

    def set_clock(self, seconds: int, wait: float = 1) -> None:
        self.wrong += timedelta(seconds=seconds)
        self.event(wait, "", "CLOCK PUT RIGHT BY", str(seconds))

    def put_right(self, wait: float = 1) -> None:
        self.set_clock(-round(self.wrong.total_seconds()), wait)

    def power_cut(self, seconds: float) -> None:
        """The supply fails; afterwards the clock begins at midnight of 2000-01-01."""
        self.event(1, "", "SUPPLY LOST")
        self.wait(seconds)
        shown = self.now.astimezone(ZoneInfo(self.zone)).replace(tzinfo=None)
        self.wrong = datetime(2000, 1, 1) - shown  # noqa: DTZ001  # a wall clock has no zone
        self.event(0, "", "SUPPLY ON")


def write(path: Path, lines: list[str]) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
    return path


def take(store: Path, *paths: Path, of: Site | None = None, **options: Any) -> ImportReport:
    return import_paths(
        paths, Store.open(store, create=True), of or site(), received=RECEIVED, **options
    )


def history(store: Path) -> pd.DataFrame:
    """What a timeline says, whichever export a row comes from."""
    table = Store.open(store).timeline()
    return table.drop(columns=["source", "line"]).astype(
        dict.fromkeys(("site", "chute", "floor", "signal", "edge", "stream", "code"), "str")
    )
