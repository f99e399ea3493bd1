"""One regular expression over distinct lines, one after another: for what has no kinds."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import pyarrow as pa


@dataclass(frozen=True)
class Extracted:
    """Which lines are left out or match, and a string column a named group."""

    ignored: list[bool]
    hit: list[bool]
    columns: dict[str, pa.Array]


def extract(
    pattern: re.Pattern[str], ignore: Sequence[re.Pattern[str]], lines: Sequence[str]
) -> Extracted:
    """Search a pattern in every line.

    Args:
        pattern: Its named groups become columns; null where nothing was found.
        ignore: Lines in which one of these is found are left out, and so are blank ones.
        lines: The lines.
    """
    ignored = [passed_over(ignore, line) for line in lines]
    found = [
        None if skip else pattern.search(line) for line, skip in zip(lines, ignored, strict=True)
    ]
    columns = {
        name: pa.array([match and match[name] for match in found], pa.string())
        for name in pattern.groupindex
    }
    return Extracted(ignored, [match is not None for match in found], columns)


def passed_over(ignore: Sequence[re.Pattern[str]], line: str) -> bool:
    """Whether a line is blank or one of the patterns is found in it."""
    return not line.strip() or any(pattern.search(line) for pattern in ignore)
