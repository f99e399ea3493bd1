"""What became of the lines of an export."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass
class Account:
    """What became of an export's lines, and what a person should hear of it.

    Attributes:
        lines: `lines == events + ignored + rejected`, counts of lines.
        rows: Events; a line may bring several.
        by_dateutil: Stamps that only python-dateutil could read.
        reasons: Rejects by reason, and `marks`: events by how far their time can be trusted.
        unknown_events: And floors, streams, dropped: see `events.Translator`.
        floored: Events at a door, in chutes that list their doors.
        implausible: Events dated before 2001 or after 2079.
        rises: Events written later than the one above them in the file, and `falls`: earlier.
    """

    lines: int = 0
    events: int = 0
    ignored: int = 0
    rejected: int = 0
    rows: int = 0
    by_dateutil: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    marks: Counter[str] = field(default_factory=Counter)
    unknown_events: Mapping[str, int] = field(default_factory=dict)
    unknown_floors: Mapping[str, int] = field(default_factory=dict)
    unknown_streams: Mapping[str, int] = field(default_factory=dict)
    dropped: Mapping[str, int] = field(default_factory=dict)
    floored: int = 0
    implausible: int = 0
    rises: int = 0
    falls: int = 0

    @property
    def newest_first(self) -> bool:
        """Whether the file seems to run from the newest line down to the oldest."""
        return self.falls >= 3 and self.falls >= 9 * self.rises

    def check(self, name: str) -> None:
        """Raise if a line was lost or counted twice: a mistake in the program."""
        if self.lines != self.events + self.ignored + self.rejected:
            raise RuntimeError(
                f"{name}: {self.lines} lines, but {self.events} with events, {self.ignored} "
                f"ignored and {self.rejected} rejected; nothing of it was kept"
            )
