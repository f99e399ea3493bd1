r"""Which characters a regular expression cannot tell apart.

`\d\d:\d\d D(\w+)` sees no difference between 10:31 and 10:32, nor between D7 and Dx: where one
matches, so does the other, at the same places. So lines that differ only in such characters need
to be matched once. `[0-5]\d` tells 5 from 6, but not 6 from 7.
"""

import importlib
import re
from collections.abc import Iterable, Iterator
from functools import lru_cache
from typing import Any

import numpy as np

ASCII = range(128)
DIGITS = frozenset(b"0123456789")
CATEGORIES = {
    "DIGIT": DIGITS,
    "SPACE": frozenset(code for code in ASCII if chr(code).isspace()),
    "WORD": frozenset(code for code in ASCII if chr(code).isalnum() or chr(code) == "_"),
}
REPEATS = ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT")


@lru_cache(maxsize=64)  # an export is opened several times, with the same patterns
def tables(patterns: tuple[re.Pattern[str], ...]) -> tuple[np.ndarray, ...]:
    """Map each ASCII character to one that none of the patterns tells from it.

    Args:
        patterns: Compiled patterns; all of them must not see the difference.

    Returns:
        Tables of 256 bytes (uint8): first one that changes digits only, then one that changes
        every character it can. Blanks stay blanks and a line feed stays itself. None where a
        pattern compares text with text (a backward reference) or holds a part not known here.

    Source: ours; the parsed form of a pattern is that of Python's own `re`.
    """
    seen: list[frozenset[int]] = [frozenset(b"\n"), CATEGORIES["SPACE"]]
    whole = True
    try:
        for pattern in patterns:
            seen += _seen(_parsed(pattern))
            whole &= not pattern.flags & re.IGNORECASE
    except _Unknown:
        return ()
    digits = _table(seen, DIGITS)
    # Without regard to case a letter meets others, some beyond ASCII: digits alone are sure then.
    return (digits, _table(seen, frozenset(ASCII))) if whole else (digits,)


def _table(seen: Iterable[frozenset[int]], changed: Iterable[int]) -> np.ndarray:
    """The lowest character that looks the same to every set."""
    table = np.arange(256, dtype=np.uint8)
    first: dict[tuple[bool, ...], int] = {}
    for code in sorted(changed):
        table[code] = first.setdefault(tuple(code in some for some in seen), code)
    return table


class _Unknown(Exception):
    """The pattern holds a part whose view of characters is not known here."""


def _parsed(pattern: re.Pattern[str]) -> Any:
    # A private module of the standard library: without it every pattern is just slower.
    try:
        return importlib.import_module("re._parser").parse(pattern.pattern, pattern.flags)
    except (ImportError, AttributeError) as error:
        raise _Unknown from error


def _seen(parsed: Any) -> Iterator[frozenset[int]]:
    """The set of characters that each part of a parsed pattern tells from all others."""
    for kind, value in parsed:
        name = str(kind)
        if name in ("LITERAL", "NOT_LITERAL"):
            yield frozenset({value})
        elif name == "IN":
            yield frozenset().union(*(_member(*item) for item in value))
        elif name == "AT":
            yield CATEGORIES["WORD"]  # only \b needs it
        elif name != "ANY":
            for inner in _inner(name, value):
                yield from _seen(inner)


def _inner(name: str, value: Any) -> list[Any]:
    """The parsed patterns inside a part."""
    if name in REPEATS:
        return [value[2]]
    if name == "SUBPATTERN" and not value[1]:  # without flags of its own
        return [value[3]]
    if name in ("ASSERT", "ASSERT_NOT"):
        return [value[1]]
    if name == "ATOMIC_GROUP":
        return [value]
    if name == "BRANCH":
        return list(value[1])
    raise _Unknown(name)


def _member(kind: Any, value: Any) -> frozenset[int]:
    """The ASCII characters that one member of a character class names, or leaves out."""
    name = str(kind)
    if name == "LITERAL":
        return frozenset({value})
    if name == "RANGE":
        return frozenset(range(value[0], min(value[1] + 1, 256)))
    if name == "CATEGORY":
        return _category(str(value).removeprefix("CATEGORY_"))
    if name == "NEGATE":
        return frozenset()
    raise _Unknown(name)


def _category(name: str) -> frozenset[int]:
    positive = CATEGORIES.get(name.removeprefix("NOT_"))
    if positive is None:
        raise _Unknown(name)
    return frozenset(ASCII) - positive if name.startswith("NOT_") else positive
