r"""Which digits a regular expression cannot tell apart.

A pattern such as `\d\d:\d\d D(\w+)` sees no difference between 10:31 and 10:32: where one
matches, so does the other, at the same places. So lines that differ only in such digits need
to be matched once. `[0-5]\d` tells 5 from 6, but not 6 from 7.
"""

import importlib
import re
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

DIGITS = range(ord("0"), ord("9") + 1)
ALL = frozenset(DIGITS)


def digit_table(patterns: Iterable[re.Pattern[str]]) -> np.ndarray | None:
    """Map each digit to the lowest digit that none of the patterns tells from it.

    Args:
        patterns: Compiled patterns; all of them must not see the difference.

    Returns:
        256 bytes (uint8), itself for all but the digits; None where a pattern holds something
        that compares text with text (a backward reference), or that is not known here.

    Source: ours; the parsed form of a pattern is that of Python's own `re`.
    """
    try:
        seen = [digits for pattern in patterns for digits in _digit_sets(_parsed(pattern))]
    except (_Unknown, ImportError, AttributeError):
        return None
    table = np.arange(256, dtype=np.uint8)
    first: dict[tuple[bool, ...], int] = {}
    for digit in DIGITS:
        table[digit] = first.setdefault(tuple(digit in digits for digits in seen), digit)
    return table


class _Unknown(Exception):
    """The pattern holds a part whose view of digits is not known here."""


def _parsed(pattern: re.Pattern[str]) -> Any:
    # A private module of the standard library: without it every pattern is just slower.
    return importlib.import_module("re._parser").parse(pattern.pattern, pattern.flags)


def _digit_sets(parsed: Any) -> Iterator[frozenset[int]]:
    """The set of digits that each single-character part of a parsed pattern accepts."""
    for kind, value in parsed:
        name = str(kind)
        if name in ("LITERAL", "NOT_LITERAL"):
            yield frozenset({value}) & ALL
        elif name == "IN":
            yield frozenset().union(*(_member(*item) for item in value))
        elif name in ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"):
            yield from _digit_sets(value[2])
        elif name == "SUBPATTERN":
            yield from _digit_sets(value[3])
        elif name in ("ASSERT", "ASSERT_NOT"):
            yield from _digit_sets(value[1])
        elif name == "ATOMIC_GROUP":
            yield from _digit_sets(value)
        elif name == "BRANCH":
            for branch in value[1]:
                yield from _digit_sets(branch)
        elif name not in ("ANY", "AT"):
            raise _Unknown(name)


def _member(kind: Any, value: Any) -> frozenset[int]:
    """The digits that one member of a character class names."""
    name = str(kind)
    if name == "LITERAL":
        return frozenset({value}) & ALL
    if name == "RANGE":
        return frozenset(range(value[0], value[1] + 1)) & ALL
    if name in ("CATEGORY", "NEGATE"):  # \d, \w, \S hold all digits, \D, \W, \s none
        return frozenset()
    raise _Unknown(name)
