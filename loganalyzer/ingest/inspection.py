"""What a file holds, before anything is kept: which profile reads it, and how much of it."""

import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO, cast

import pyarrow as pa

from loganalyzer.errors import AnalyzerError, InputError
from loganalyzer.ingest import reports
from loganalyzer.ingest.account import Account
from loganalyzer.ingest.choice import Choice, Profiles, choose, head, only, understood
from loganalyzer.ingest.reading import How, Read, first_year, read
from loganalyzer.ingest.standin import stand_in
from loganalyzer.ingest.taking import Counted
from loganalyzer.profile import Profile
from loganalyzer.readers.unpack import Export, Limits, exports
from loganalyzer.site import Site
from loganalyzer.store.parquet import groups

FIRST_EVENTS = 5
SHOWN = ("time", "chute", "floor", "signal", "edge", "stream", "code", "value", "line")


@dataclass(frozen=True)
class Inspection:
    """What was found in one export.

    Attributes:
        name: Of the export.
        profile: The profile that reads it, null if none or several do.
        chute: The chute, null where each line names its own, or without a site file.
        lines: And events, ignored, rejected: counts of lines.
        first_events: The first few, as `timeline` has them.
        reasons: Rejects by reason.
        unknown_events: Event texts that no entry of the profile matches, with counts.
        messages: One line each; the error, if there is one.
        exit_status: 0, 2 or 3.
    """

    name: str
    profile: str | None = None
    chute: str | None = None
    lines: int = 0
    events: int = 0
    ignored: int = 0
    rejected: int = 0
    first_events: tuple[Mapping[str, Any], ...] = ()
    reasons: Mapping[str, int] = field(default_factory=dict)
    unknown_events: Mapping[str, int] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    exit_status: int = 0

    def as_dict(self) -> dict[str, Any]:
        """As plain values for JSON; `understood` is the share of lines that are no furniture."""
        return asdict(self) | {"understood": self.understood}

    @property
    def understood(self) -> float | None:
        """The share of lines that became events, of all that are not ignored; null if none."""
        told = self.events + self.rejected
        return self.events / told if told else None

    def text(self) -> str:
        """For a person, several lines."""
        if self.profile is None:
            return "\n".join(self.messages)
        share = "nothing" if self.understood is None else f"{100 * self.understood:.1f} %"
        counts = (
            f"{self.lines:,} lines: {self.events:,} with events, {self.ignored:,} ignored, "
            f"{self.rejected:,} rejected"
        )
        rows = [f"  {_event_line(event)}" for event in self.first_events]
        first = ["  first events:", *(f"  {row}" for row in rows)] if rows else []
        return "\n".join([
            f"{self.name}: {self.profile} understands {share} of it", f"  {counts}", *first,
            *(f"  {message.removeprefix(f'{self.name}: ')}" for message in self.messages),
        ])  # fmt: skip


def inspect(
    paths: Iterable[Path],
    site: Site | None = None,
    *,
    profile: str | None = None,
    received: datetime,
    chute: str | None = None,
    limits: Limits | None = None,
    kept: Mapping[str, Profile] | None = None,
) -> list[Inspection]:
    """Look into files, keeping nothing.

    Args:
        paths: Files or folders; packed ones are read as they are.
        site: Whose zone, floors and profiles to use; null: UTC, any floor, profiles that ship.
        profile: A name or a path: this one only.
        received: Now, with a zone.
        chute: The chute they come from; null: chosen for each.
        limits: How far packed files may expand; null: the defaults.
        kept: Profiles by file name, for those that are not beside the site file any more.

    Raises:
        SettingsError: The profile, or one that the site names, is wrong.
    """
    profiles = Profiles(Path(site.file) if site is not None and site.file else None)
    profiles.kept.update(kept or {})
    if profile is not None:
        profiles.load(profile)
    found = (one for path in paths for one in exports(path, limits))
    return [_inspected(one, site, profiles, (chute, profile), received) for one in found]


def _inspected(
    export: Export | InputError,
    site: Site | None,
    profiles: Profiles,
    asked: tuple[str | None, str | None],
    received: datetime,
) -> Inspection:
    if isinstance(export, InputError):
        return _failed(export.where, export)
    try:
        with Counted(export.open, export.name) as stream:
            sample = head(cast("BinaryIO", stream))
        if not sample:
            raise InputError(export.name, "an empty file", "lines of a log", "Export it again")
        choice, where = _chosen(sample, export.name, site, profiles, asked, received)
        with tempfile.TemporaryDirectory() as folder:
            how = How(choice.profile, where, choice.chute, received)
            found = _read(export, how, Path(folder))
            return _told(export, choice, found, site is None)
    except AnalyzerError as error:
        return _failed(export.name, error)


def _failed(name: str, error: AnalyzerError) -> Inspection:
    return Inspection(name, messages=(str(error),), exit_status=error.exit_status)


def _chosen(
    sample: bytes,
    name: str,
    site: Site | None,
    profiles: Profiles,
    asked: tuple[str | None, str | None],
    received: datetime,
) -> tuple[Choice, Site]:
    if site is not None:
        return choose(sample, name, site, profiles, asked, received), site
    _, profile = asked
    tried = profiles.others() if profile is None else [profiles.load(profile)]
    sites = {one.text: stand_in(sample, name, one) for one in tried}
    share = partial(understood, sample, name, received=received)
    fitting = [one for one in tried if profile or share(one, sites[one.text]) > 0.5]
    found = only(name, fitting, tried)
    where = sites[found.text]
    return Choice(found, where.chutes[0].id if len(where.chutes) == 1 else None), where


def _read(export: Export, how: How, folder: Path) -> Read:
    with Counted(export.open, export.name) as stream:
        year = first_year(cast("BinaryIO", stream), export.name, how)
    with Counted(export.open, export.name) as stream:
        return read(cast("BinaryIO", stream), export.name, "", how, year, folder)


def _told(export: Export, choice: Choice, found: Read, no_site: bool) -> Inspection:
    account: Account = found.account
    zone = choice.profile.time.zone == "site" and no_site
    messages = (
        *(str(problem) for problem in export.problems),
        *choice.messages,
        *([f"{export.name}: no --site, so stamps are shown as if they were UTC."] if zone else []),
        *reports.messages(export.name, account),
    )
    return Inspection(
        export.name, choice.profile.name, None if no_site else choice.chute,
        account.lines, account.events, account.ignored, account.rejected,
        _first_events(found), dict(account.reasons), dict(account.unknown_events), messages,
        reports.exit_status(reports.status(account), bool(export.problems)),
    )  # fmt: skip


def _first_events(found: Read) -> tuple[Mapping[str, Any], ...]:
    heads = [
        next(groups(Path(reading.solo))).slice(0, FIRST_EVENTS).select(list(SHOWN))
        for reading in found.chutes
    ]
    if not heads:
        return ()
    rows = pa.concat_tables(heads).sort_by("line").slice(0, FIRST_EVENTS)
    return tuple(rows.to_pylist())


def _event_line(event: Mapping[str, Any]) -> str:
    time = event["time"]
    parts = [f"line {event['line']}:", "no time" if time is None else f"{time:%Y-%m-%d %H:%M:%S}Z"]
    named = [
        f"{name} {event[name]}"
        for name in ("chute", "floor", "stream", "code", "value")
        if event[name] is not None
    ]
    return " ".join([*parts, event["signal"], event["edge"], *named])
