"""Never two doors at once: no door is unlocked or open while another one is.

Put to the test each time that a door is unlocked (opened, where unlocking is not recorded). A
locked leaf whose contact only flickers counts as shut.
"""

import numpy as np

from loganalyzer.audit.ground import Checks, Ground, Held, expand, first_of_endless, seconds
from loganalyzer.keys import Flags, Rows


def one_door(ground: Ground) -> Checks:
    """Find doors that were unlocked or open together for longer than the log's doubt."""
    unlocked, openings = ground.held("unlocked"), ground.openings
    both, is_open = _together(unlocked, openings)
    first, second = _pairs(ground, both)
    for which in (0, 1):
        keep = first_of_endless((first, second)[which], both)
        first, second = first[keep], second[keep]
    # A use is unlocked and open: one violation a use, where it begins.
    _, fresh = np.unique(_use(ground, unlocked, both, second), return_index=True)
    first, second = first[np.sort(fresh)], second[np.sort(fresh)]
    texts = [
        f"door {ground.floor(both.door[j])} {_state(is_open[j])} while door "
        f"{ground.floor(both.door[i])} was {_state(is_open[i])} "
        f"({ground.line(both.start[i], both.start[j])}), both for at least "
        f"{seconds(_shared(ground, both, i, j))}"
        for i, j in zip(first, second, strict=True)
    ]
    has_unlock = ground.log.has("unlocked")[ground.log.chute[both.start]]
    tested = both.start[(~is_open | ~has_unlock) & (ground.least(both.start, both.end) > 0)]
    return Checks(tested, both.start[second], both.door[second], texts)


def _together(a: Held, b: Held) -> tuple[Held, Flags]:
    """Both, sorted by start, and which are of the second."""
    order = np.argsort(np.append(a.start, b.start), kind="stable")
    columns = Held.__dataclass_fields__
    both = Held(*(np.append(getattr(a, name), getattr(b, name))[order] for name in columns))
    return both, order >= len(a.start)


def _pairs(ground: Ground, both: Held) -> tuple[Rows, Rows]:
    """Stretches of two doors that certainly overlap, the earlier first, as the later ones begin."""
    start, end = both.start, both.end
    first, second = expand(np.searchsorted(start, start, "right"), np.searchsorted(start, end))
    apart = both.door[first] != both.door[second]
    first, second = first[apart], second[apart]
    sure = ground.follows(start[second], np.minimum(end[first], end[second]))
    first, second = first[sure], second[sure]
    order = np.argsort(start[second], kind="stable")
    return first[order], second[order]


def _use(ground: Ground, unlocked: Held, both: Held, which: Rows) -> Rows:
    """A number for the use that each stretch belongs to: the unlock of its door before it."""
    log, about = ground.log, unlocked.take(np.isin(unlocked.door, both.door[which]))
    keys = np.sort(log.keys_of(about.door, about.start))
    mine = log.keys_of(both.door[which], both.start[which])
    at = np.searchsorted(keys, mine, "right") - 1
    owner = np.append(keys, -1)[at]
    mine_too = (at >= 0) & (owner // (len(log) + 1) == both.door[which])
    use: Rows = np.where(mine_too, owner, mine)
    return use


def _state(is_open: bool) -> str:
    return "open" if is_open else "unlocked"


def _shared(ground: Ground, both: Held, i: int, j: int) -> float:
    begin = np.array([max(both.start[i], both.start[j])])
    return float(ground.least(begin, np.array([min(both.end[i], both.end[j])]))[0])
