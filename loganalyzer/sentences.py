"""Numbers as people say them: counts, shares, times and their intervals."""

from collections.abc import Sequence

MINUTE, HOUR, DAY = 60, 3600, 86400


def count(number: float) -> str:
    """A count with its thousands marked: 12,345."""
    return f"{round(number):,}"


def times(number: int) -> str:
    """How often: once, twice, 3 times."""
    return {1: "once", 2: "twice"}.get(number, f"{count(number)} times")


def things(number: int, one: str, many: str) -> str:
    """A count and its noun: 1 lockout episode, 23 lockout episodes."""
    return f"{count(number)} {one if number == 1 else many}"


def figure(value: float) -> str:
    """A rate or a share in hundredths: two digits below 1, one below 100, else none."""
    if value == 0 or value >= 99.95:
        return count(value)
    return f"{value:.2f}" if value < 0.995 else f"{value:.1f}"


def between(low: float, high: float) -> str:
    """The interval of a figure: (3.5 to 8.4)."""
    return f"({figure(low)} to {figure(high)})"


def lasting(seconds: float) -> str:
    """A length of time in the unit people would use."""
    if seconds < 2 * MINUTE:
        return f"{seconds:.1f} s" if seconds < 10 and seconds % 1 else f"{seconds:.0f} s"
    if seconds < 2 * HOUR:
        return f"{seconds / MINUTE:.0f} min"
    if seconds < 2 * DAY:
        return f"{seconds / HOUR:.1f} h"
    return f"{seconds / DAY:.1f} days"


def listed(words: Sequence[str]) -> str:
    """Words as a list in a sentence: a, b and c."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def door(chute: str, floor: str) -> str:
    """A door as people say it, at the head of a sentence."""
    return f"Floor {floor} of chute {chute}"
