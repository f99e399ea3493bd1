"""What an import tells a person: counts, and one line for each thing to look at."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from loganalyzer.errors import AnalyzerError, InputError
from loganalyzer.ingest.account import Account

MOSTLY = "mostly rejected"
NOTHING = "nothing in it"
IMPORTED = "imported"
KNOWN = "already imported"
FAILED = "not imported"
TAKEN_OUT = "taken out"
TOO_OLD = "older than is kept"
SHOWN = 5


@dataclass(frozen=True)
class ExportReport:
    """What became of one export.

    Attributes:
        status: "imported", "mostly rejected", "nothing in it", "already imported",
            "not imported", "older than is kept" or "taken out".
        lines: And `events`, `duplicates`, `ignored`, `rejected`: counts of lines, as in `imports`.
        first: UTC; `last` too; null where there is none.
        messages: One line each; the first is the error, if there is one.
        exit_status: 0, 2 or 3.
    """

    name: str
    status: str
    source: str | None = None
    site: str | None = None
    chute: str | None = None
    profile: str | None = None
    lines: int = 0
    events: int = 0
    duplicates: int = 0
    ignored: int = 0
    rejected: int = 0
    first: datetime | None = None
    last: datetime | None = None
    messages: tuple[str, ...] = ()
    exit_status: int = 0


@dataclass(frozen=True)
class ImportReport:
    """What became of all exports of one call; `messages` are about none of them in particular."""

    exports: tuple[ExportReport, ...]
    messages: tuple[str, ...] = ()

    @property
    def exit_status(self) -> int:
        """The worst of the exports' exit statuses."""
        return max((export.exit_status for export in self.exports), default=0)


def failed(name: str, error: AnalyzerError, source: str | None = None) -> ExportReport:
    """The report of an export that could not be read."""
    word = FAILED if error.exit_status else TOO_OLD
    return ExportReport(name, word, source, messages=(str(error),), exit_status=error.exit_status)


def status(account: Account) -> str:
    """The word for how much of an export could be used."""
    if account.rejected > account.events:
        return MOSTLY
    return IMPORTED if account.events else NOTHING


def exit_status(word: str, damaged: bool) -> int:
    """The exit status that a status, or a file that is damaged, brings about."""
    return InputError.exit_status if word == MOSTLY or damaged else 0


def messages(name: str, account: Account) -> tuple[str, ...]:
    """What a person should hear of an export, one line each."""
    return tuple(f"{name}: {line}" for line in _lines(account))


def _lines(account: Account) -> Iterator[str]:
    if account.reasons:
        yield f"{count(account.rejected, 'line')} rejected: {_top(account.reasons)}."
    if account.unknown_events:
        yield (
            f"event texts that the profile does not know: {_top(account.unknown_events)}. "
            "Add [[event]] entries and import --again."
        )
    if account.dropped:
        yield f"left out of scans that were read otherwise: {_top(account.dropped)}."
    if account.unknown_floors:
        yield f"floors that the site file does not list, kept: {_top(account.unknown_floors)}."
    if account.unknown_streams:
        yield f"streams that the site file does not list, kept: {_top(account.unknown_streams)}."
    if account.by_dateutil:
        yield (
            f"{count(account.by_dateutil, 'stamp')} not in the profile's format, "
            "read by python-dateutil."
        )
    if account.implausible:
        yield f"{count(account.implausible, 'event')} dated before 2001 or after 2079, kept."
    if account.newest_first:
        yield (
            "the file seems to run newest first; its lines are kept in that order, so openings, "
            "uses and visits will be wrong. Export it oldest first, or --undo and reverse it."
        )
    yield from _clock_lines(account.marks)
    if account.reasons.get("cut off"):
        yield "the file ends in the middle of a record."


def _clock_lines(marks: Mapping[str, int]) -> Iterator[str]:
    told = {
        "unanchored": "of a restarted clock that nothing sets, kept out of rates and durations",
        "step": "moved by a step of the clock, or written out of order",
        "drift": "moved for the clock's drift",
        "fold": "in the repeated hour of autumn, told apart by their order",
        "gap": "in the hour that spring leaves out, moved forward",
    }
    for mark, text in told.items():
        if marks.get(mark):
            yield f"{count(marks[mark], 'event')} {text}."


def _top(counts: Mapping[str, int]) -> str:
    """The most frequent, as `"a" 12, "b" 3 and 4 more`."""
    ordered = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    shown = ", ".join(f'"{text[:80]}" {count:,}' for text, count in ordered[:SHOWN])
    more = len(ordered) - SHOWN
    return f"{shown} and {more:,} more" if more > 0 else shown


def count(number: int, word: str) -> str:
    """A count with its noun: "1 line", "2,000 lines"."""
    return f"{number:,} {word}{'s' if number != 1 else ''}"


def day(moment: int) -> str:
    """The UTC day of a moment in µs, as people write it."""
    return f"{datetime.fromtimestamp(moment / 1e6, UTC):%Y-%m-%d}"
