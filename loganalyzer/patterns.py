r"""Regular expressions that people write in profiles, searched within a bound of time.

A pattern such as `(\w+\s?)+$` tries more ways to fit some texts than anybody can wait for, and
Python's `re` cannot be stopped meanwhile. So patterns are compiled by the `regex` module, whose
searches can be, and are held to what both modules understand in the same way. A search over
LIMIT_S is given up: that line becomes a reject. Once slow searches have taken PATIENCE_S
together, the pattern is refused and with it the profile. Only time of the processor counts, so
that a busy machine refuses nothing.
"""

import importlib
import re
import time
import warnings
from contextlib import suppress
from typing import Any

import regex

from loganalyzer.errors import ProfileError

LIMIT_S, PATIENCE_S = 1.0, 5.0
SEEMS_SLOW_S = 0.02
LONGEST, MOST_PARTS = 2_000, 10_000
# To `regex` a brace with one of these letters allows for errors of spelling; to `re` it is text.
SPELLING = re.compile(r"(?<!\\)\{[\d\s,<=+eids]*[eids][\d\s,<=+eids:]*\}")


class TooSlow(ProfileError):
    """One search took too long; others may not."""


class Pattern:
    """A regular expression as `re` understands it, of which a search ends.

    Attributes:
        pattern: Its text.
        flags: As `re` has them.
        groupindex: Its named groups and their numbers.
    """

    def __init__(self, text: str) -> None:
        r"""Take the text; flags stand in it, as in `(?i)open`.

        Raises:
            re.error: It is none, or not one that both modules understand in the same way.
        """
        seen = _checked(text)
        self.pattern, self.flags, self.groupindex = text, seen.flags, seen.groupindex
        self._search = regex.compile(text, regex.VERSION0).search
        self._spent = 0.0

    def search(self, text: str) -> Any:
        """The first place where it fits, as a match of `re`; null if there is none.

        Raises:
            TooSlow: This text takes too long.
            ProfileError: Too many texts took long.
        """
        began = time.perf_counter()
        try:
            found = self._search(text, timeout=LIMIT_S)
        except TimeoutError:
            self._charge(LIMIT_S, text)
            raise self._too_slow(TooSlow, text) from None
        if time.perf_counter() - began > SEEMS_SLOW_S:
            self._charge(self._again(text), text)
        return found

    def _again(self, text: str) -> float:
        """Seconds of the processor that a search takes: the machine may just have been busy."""
        began = time.thread_time()
        with suppress(TimeoutError):
            self._search(text, timeout=LIMIT_S)
        return time.thread_time() - began

    def _charge(self, seconds: float, text: str) -> None:
        self._spent += seconds
        if self._spent > PATIENCE_S:
            raise self._too_slow(ProfileError, text)

    def _too_slow(self, kind: type[ProfileError], text: str) -> ProfileError:
        shown = self.pattern if len(self.pattern) <= 60 else self.pattern[:57] + "..."
        return kind(
            f"pattern '{shown}'", f"searches that take seconds in texts of {len(text)} characters",
            "a pattern that is soon done",
            "Write it so that no two repeats that follow or hold one another fit the same text",
        )  # fmt: skip


def _checked(text: str) -> re.Pattern[str]:
    """The pattern by `re`, if the other module sees the same in it and can hold it."""
    if len(text) > LONGEST:
        raise re.error(f"longer than {LONGEST} characters")
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # what `re` will understand otherwise one day
        try:
            found = re.compile(text)
        except Warning as warning:
            raise re.error(str(warning)) from None
    if brace := SPELLING.search(text):
        raise re.error("a brace that is not escaped", text, brace.start())
    if _parts(_parsed(text)) > MOST_PARTS:
        raise re.error("repeats within repeats, too many times")
    try:
        regex.compile(text, regex.VERSION0)
    except regex.error as error:
        raise re.error(str(error)) from None
    return found


def _parsed(text: str) -> Any:
    # A private module of the standard library; its trees are lists of (name, value).
    return importlib.import_module("re._parser").parse(text)


def _parts(parsed: Any) -> int:
    """How many parts the pattern has with each repeat written out as often as it must come."""
    total = 0
    for kind, value in parsed:
        times = max(value[0], 1) if "REPEAT" in str(kind) else 1
        total += 1 + times * sum(_parts(inner) for inner in _inner(value))
    return total


def _inner(value: Any) -> list[Any]:
    """The parsed patterns inside a part, whatever part it is."""
    if hasattr(value, "getwidth"):
        return [value]
    return (
        [each for one in value for each in _inner(one)] if isinstance(value, tuple | list) else []
    )
