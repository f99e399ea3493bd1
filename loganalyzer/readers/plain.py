"""One regular expression over distinct lines, one after another: for what has no kinds."""

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from loganalyzer.patterns import Pattern, TooSlow
from loganalyzer.readers.kinds import HIT, MISS, PASSED_OVER, SLOW

Search = Pattern | re.Pattern[str]  # the second: our own patterns, known to be quick


def extract(
    pattern: Search, ignore: Sequence[Search], lines: Sequence[str]
) -> tuple[np.ndarray, dict[str, pa.Array]]:
    """Search a pattern in every line.

    Args:
        pattern: Its named groups become columns; null where nothing was found.
        ignore: Lines in which one of these is found are left out, and so are blank ones.
        lines: The lines.

    Returns:
        HIT, MISS, PASSED_OVER or SLOW a line (int8), and a string column a named group.
    """
    found = [tried(pattern, ignore, line) for line in lines]
    columns = {
        name: pa.array([match and match[name] for _, match in found], pa.string())
        for name in pattern.groupindex
    }
    return np.array([status for status, _ in found], np.int8), columns


def tried(pattern: Search, ignore: Sequence[Search], line: str) -> tuple[int, Any]:
    """What becomes of one line, and the match if it is a HIT."""
    try:
        if not line.strip() or any(each.search(line) for each in ignore):
            return PASSED_OVER, None
        found = pattern.search(line)
    except TooSlow:
        return SLOW, None
    return (MISS, None) if found is None else (HIT, found)
