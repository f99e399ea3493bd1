"""One regular expression over a column of distinct lines, with no trick to save work.

Arrow's engine (RE2) is used where it accepts the pattern and cannot differ from Python's `re`:
plain ASCII lines, and none of the constructs in which the two are known to part.
"""

import importlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

# Besides these, ASCII white space is the same in both engines.
ODD_SPACE = r"[\x0b\x0c\x1c-\x1f]"
MOST_REPEATS = 1000  # RE2's own limit
SAME_PLACES = ("AT_BEGINNING", "AT_END", "AT_BEGINNING_STRING", "AT_END_STRING", "AT_BOUNDARY")


@dataclass(frozen=True)
class Extracted:
    """Which lines are left out or match (bool), and a string column a named group."""

    ignored: np.ndarray
    hit: np.ndarray
    columns: dict[str, pa.Array]


def extract(
    pattern: re.Pattern[str], ignore: Sequence[re.Pattern[str]], lines: pa.Array
) -> Extracted:
    """Search a pattern in every line.

    Args:
        pattern: Its named groups become columns; null where nothing was found.
        ignore: Lines in which one of these is found are left out, and so are blank ones.
        lines: Distinct lines, strings without nulls.
    """
    ignored = np.array([passed_over(ignore, text) for text in lines.to_pylist()], bool)
    read = pc.if_else(pa.array(ignored), None, lines)
    fast = _with_arrow(pattern, lines, read)
    return Extracted(ignored, *(_with_python(pattern, read) if fast is None else fast))


def passed_over(ignore: Sequence[re.Pattern[str]], line: str) -> bool:
    """Whether a line is blank or one of the patterns is found in it."""
    return not line.strip() or any(pattern.search(line) for pattern in ignore)


def _with_python(
    pattern: re.Pattern[str], lines: pa.Array
) -> tuple[np.ndarray, dict[str, pa.Array]]:
    found = [None if text is None else pattern.search(text) for text in lines.to_pylist()]
    columns = {
        name: pa.array([match and match[name] for match in found], pa.string())
        for name in pattern.groupindex
    }
    return np.array([match is not None for match in found], bool), columns


def _with_arrow(
    pattern: re.Pattern[str], lines: pa.Array, read: pa.Array
) -> tuple[np.ndarray, dict[str, pa.Array]] | None:
    """Arrow's answer for the lines to be read, or None where it may differ from Python's."""
    if not pattern.groupindex or len(pattern.groupindex) != pattern.groups or not alike(pattern):
        return None
    if not pc.all(pc.string_is_ascii(lines)).as_py():
        return None
    if pc.any(pc.match_substring_regex(lines, ODD_SPACE)).as_py():
        return None
    try:
        found = pc.extract_regex(read, pattern.pattern)
    except pa.ArrowInvalid:  # a spelling that RE2 does not know
        return None
    columns = {field.name: words for field, words in zip(found.type, found.flatten(), strict=True)}
    return found.is_valid().to_numpy(zero_copy_only=False), columns


def alike(pattern: re.Pattern[str]) -> bool:
    """Whether both engines find the same in ASCII text.

    Not so (or not surely) with flags, backward references, looking around, groups that may take
    no part (RE2 gives an empty text), and repeats of what can be empty.
    """
    if pattern.flags & ~re.UNICODE:
        return False
    try:
        parsed = importlib.import_module("re._parser").parse(pattern.pattern)
    except (ImportError, AttributeError):
        return False
    return _same(parsed, sure=True)


def _same(parsed: Any, sure: bool) -> bool:
    """`sure`: whether this part takes part in every match exactly once."""
    return all(_same_part(str(kind), value, sure) for kind, value in parsed)


def _same_part(name: str, value: Any, sure: bool) -> bool:
    if name in ("LITERAL", "NOT_LITERAL", "ANY", "IN"):
        return True
    if name == "AT":
        return str(value) in SAME_PLACES
    if name == "SUBPATTERN":
        number, on, off, inner = value
        return (sure or number is None) and not on and not off and _same(inner, sure)
    if name == "BRANCH":
        return all(_same(branch, sure=False) for branch in value[1])
    if name in ("MAX_REPEAT", "MIN_REPEAT"):
        least, most, inner = value
        few = least <= MOST_REPEATS and (most <= MOST_REPEATS or str(most) == "MAXREPEAT")
        return few and inner.getwidth()[0] > 0 and _same(inner, sure=False)
    return False
