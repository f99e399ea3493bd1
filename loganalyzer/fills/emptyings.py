"""When a container was emptied, and what tells so.

It is emptied when its `full` goes off, when its level drops, or else when its pickup rule says
so: a rule is taken to be kept unless the container stays full, or its level high, through the
hours of the pickup.

Source: the rules are ours; hours and levels are common practice, no source.
"""

import numpy as np
from numpy.typing import NDArray

from loganalyzer.bins import Times
from loganalyzer.fills.fulls import HOUR, Fulls
from loganalyzer.fills.log import LEVEL_DROP, Log, any_within
from loganalyzer.spans import micros

EARLY, LATE = 2 * HOUR, 12 * HOUR  # how far from its rule a pickup may come
SAME = 2 * HOUR  # two signs of one emptying


def emptied(log: Log, fulls: Fulls) -> tuple[Times, NDArray[np.object_]]:
    """When the container was emptied, ascending, and what tells so."""
    real = fulls.take(fulls.state != "false full")
    offs = real.end[real.off]
    fell = log.fell
    fell = fell[~any_within(offs, fell - SAME, fell + SAME)]
    signs = np.concatenate([offs, fell])
    off_by = np.where(real.read[real.off], "level drop", _by_service(log, offs)).astype(object)
    by = np.concatenate([off_by, np.full(len(fell), "level drop", dtype=object)])
    order = np.argsort(signs, kind="stable")
    signs, by = signs[order], by[order]
    by[any_within(log.rule, signs - LATE, signs + EARLY) & (by != "service")] = "pickup rule"
    unseen = log.rule[~any_within(signs, log.rule - EARLY, log.rule + LATE)]
    unseen = unseen[~_missed(log, real, unseen)]
    times = np.concatenate([signs, unseen])
    words = np.concatenate([by, np.full(len(unseen), "pickup rule", dtype=object)])
    order = np.argsort(times, kind="stable")
    return times[order], words[order]


def _by_service(log: Log, offs: Times) -> NDArray[np.object_]:
    start, end = micros(log.services["start"]), micros(log.services["end"])
    inside = np.zeros(len(offs), bool)
    for low, high in zip(start, end, strict=True):
        inside |= (offs >= low) & (offs <= high)
    return np.where(inside, "service", "full off").astype(object)


def _missed(log: Log, fulls: Fulls, rule: Times) -> NDArray[np.bool_]:
    """Pickups that the rule promised and that evidently did not come."""
    at = np.searchsorted(fulls.start, rule, side="right") - 1
    held = (at >= 0) & (np.append(fulls.end, 0)[at] >= np.minimum(rule + LATE, log.end))
    held &= np.append(fulls.state, "")[at] != "stuck on"
    if not len(log.levels):
        return np.asarray(held, dtype=bool)
    # A level that was high and is at least as high in the first reading after nobody lowered.
    before = np.searchsorted(log.levels, rule - EARLY, side="right") - 1
    after = np.searchsorted(log.levels, rule + LATE, side="right")
    known = (before >= 0) & (after < len(log.levels))
    padded = np.append(log.level, 0.0)
    last, following = padded[np.minimum(before, len(log.level))], padded[after]
    return np.asarray(held | (known & (last >= LEVEL_DROP) & (following >= last)), dtype=bool)
