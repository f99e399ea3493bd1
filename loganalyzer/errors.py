"""Every error raised on purpose, one base class.

AnalyzerError
├── UsageError      exit 2: the command line asks for something that cannot be
├── SettingsError   exit 2: a site or profile file is wrong
│   ├── SiteError
│   └── ProfileError
├── StoreError      exit 2: the store folder is something else, newer, or cannot be written
├── ClusterError    exit 2: the processes or machines that were to help are gone
├── InputError      exit 3: an export cannot be read
└── TableError      exit 2: a table lacks a column (a mistake of the caller)

A bad line is not an error but a row of `rejects`; these are for what stops a file.
"""

from collections.abc import Sequence
from typing import Any


class AnalyzerError(Exception):
    """Says in one line where, what was found, what was expected and what to do."""

    exit_status = 2

    def __init__(self, where: str, found: str, expected: str, fix: str) -> None:
        """Take the four parts, each a short phrase without a full stop.

        Args:
            where: File, then line or key path, or the argument.
            found: What stands there.
            expected: What is allowed there.
            fix: What the person can do.
        """
        self.where, self.found, self.expected, self.fix = where, found, expected, fix
        super().__init__(one_line(f"{where}: found {found}, expected {expected}. {fix}."))

    def __reduce__(self) -> tuple[Any, ...]:
        """Be the same error in another process, whatever a subclass takes to be made."""
        return _as_it_was, (type(self), self.args, self.__dict__)


class UsageError(AnalyzerError):
    """The command line asks for something that cannot be."""


class SettingsError(AnalyzerError):
    """A file that people write, site or profile, is wrong: the text has a line for each mistake.

    Attributes:
        lines: The line of each mistake, this one's first.
    """

    def __init__(
        self, where: str, found: str, expected: str, fix: str,
        others: Sequence["SettingsError"] = (),
    ) -> None:  # fmt: skip
        """Take the four parts of the first mistake, and the errors of the others."""
        super().__init__(where, found, expected, fix)
        self.lines: tuple[str, ...] = (str(self), *(str(other) for other in others))
        self.args = ("\n".join(self.lines),)


class SiteError(SettingsError):
    """A site file is wrong."""


class ProfileError(SettingsError):
    """A profile file is wrong, or none or several fit an export."""


class StoreError(AnalyzerError):
    """A store folder is something else, from a newer version, or cannot be used."""


class ClusterError(AnalyzerError):
    """The processes or machines that were to help with the work are not there, or die."""


class InputError(AnalyzerError):
    """An export cannot be read."""

    exit_status = 3


class TableError(AnalyzerError):
    """A table lacks a column that a function needs."""


def one_line(text: str) -> str:
    """Fold white space and control characters, so that a message stays on its line."""
    printable = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(printable.split())


def _as_it_was(kind: type[AnalyzerError], args: Any, values: dict[str, Any]) -> AnalyzerError:
    error = kind.__new__(kind, *args)
    error.args = args
    error.__dict__.update(values)
    return error
