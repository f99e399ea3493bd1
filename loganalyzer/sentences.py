"""Numbers as people say them, in any language: counts, shares, times and their intervals."""

from collections.abc import Sequence
from functools import reduce

from loganalyzer.language import Phrase, counted, phrase

MINUTE, HOUR, DAY = 60, 3600, 86400


def count(number: float) -> Phrase:
    """A count with its thousands marked: 12,345."""
    return phrase("{n:,}", n=round(number))


def times(number: float) -> Phrase:
    """How often: once, twice, 3 times."""
    if number in (1, 2):
        return phrase("once") if number == 1 else phrase("twice")
    return phrase("{n:,} times", n=round(number))


def things(number: float, one: str, many: str) -> Phrase:
    """A count and its noun: 1 lockout episode, 23 lockout episodes."""
    return counted(round(number), one, many)


def figure(value: float) -> Phrase:
    """A rate or a share in hundredths: two digits below 1, one below 100, else none."""
    if value == 0 or value >= 99.95:
        return count(value)
    return phrase("{v:.2f}" if value < 0.995 else "{v:.1f}", v=value)


def between(low: float, high: float) -> Phrase:
    """The interval of a figure: (3.5 to 8.4)."""
    return phrase("({low} to {high})", low=figure(low), high=figure(high))


def lasting(seconds: float) -> Phrase:
    """A length of time in the unit people would use."""
    if seconds < 2 * MINUTE:
        return phrase("{v:.1f} s" if seconds < 10 and seconds % 1 else "{v:.0f} s", v=seconds)
    if seconds < 2 * HOUR:
        return phrase("{v:.0f} min", v=seconds / MINUTE)
    if seconds < 2 * DAY:
        return phrase("{v:.1f} h", v=seconds / HOUR)
    return phrase("{v:.1f} days", v=seconds / DAY)


def listed(words: Sequence[str]) -> str:
    """Words as a list in a sentence: a, b and c."""
    if len(words) < 2:
        return words[0] if words else ""
    first = reduce(lambda one, two: phrase("{one}, {two}", one=one, two=two), words[:-1])
    return phrase("{first} and {last}", first=first, last=words[-1])


def capital(text: str) -> Phrase:
    """The same at the head of a sentence or a cell."""
    return phrase("{text:C}", text=phrase(text))


def alternatives(sentences: Sequence[str]) -> str:
    """Several statements in one sentence: a; b; c."""
    return reduce(lambda one, two: phrase("{one}; {two}", one=one, two=two), sentences)


def door(chute: str, floor: str) -> Phrase:
    """A door as people say it, at the head of a sentence."""
    return phrase("Floor {floor} of chute {chute}", floor=floor, chute=chute)
