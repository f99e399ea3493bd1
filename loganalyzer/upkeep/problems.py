"""What a check finds: problems, each in one line, and what was looked at."""

from dataclasses import asdict, dataclass
from typing import Any

from loganalyzer.errors import one_line

# What a problem is about; repair goes by it.
ROOT, MANIFEST, TABLE, ORIGINAL, SETTINGS = "root", "manifest", "table", "original", "settings"
EXPORT, STRETCH = "export", "timeline"


@dataclass(frozen=True)
class Problem:
    """Something that is not as it was written, or does not follow from what it was made of.

    Attributes:
        about: "root", "manifest", "table" (a file of rows), "original", "settings" (a site or
            profile file), "export" (its counts or rows are not those of its original) or
            "timeline" (a part of it does not follow from its exports).
        where: The file in the store, or the export's name.
        found: What is there, and `expected`: what ought to be; `fix`: what to do.
        site: Whose, null where nobody can tell.
        source: SHA-256 of the export it is about, if it is about one.
        file: The file in the store, if it is about one.
    """

    about: str
    where: str
    found: str
    expected: str
    fix: str
    site: str | None = None
    source: str | None = None
    file: str | None = None

    def __str__(self) -> str:
        """The problem in one line."""
        return one_line(f"{self.where}: found {self.found}, expected {self.expected}. {self.fix}.")


@dataclass(frozen=True)
class Checked:
    """What a check looked at and found.

    Attributes:
        store: The folder.
        problems: None if it is whole.
        notes: What a person may want to know though nothing is wrong, one line each.
        exports, lines, events: How many were accounted for.
        files: How many files were compared with their checksums, originals included.
        reread: How many originals were read again and gave the same.
    """

    store: str
    problems: tuple[Problem, ...]
    notes: tuple[str, ...] = ()
    exports: int = 0
    lines: int = 0
    events: int = 0
    files: int = 0
    reread: int = 0

    @property
    def whole(self) -> bool:
        """Nothing is wrong."""
        return not self.problems

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        problems = [{**asdict(one), "sentence": str(one)} for one in self.problems]
        return {**asdict(self), "whole": self.whole, "problems": problems}
