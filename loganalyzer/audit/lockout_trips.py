"""More presses than the limit inside the window always bring a lockout, fewer never do.

Put to the test by each lockout, and by each run of presses that should have brought one. See
`counting.py` for what counts. A lockout that is one press short is not judged where a line that
is no event stands between: that line may have been the press. Nor is one with too few presses in
scanned inputs, where quick presses run together.
"""

import numpy as np

from loganalyzer.audit.counting import Counted
from loganalyzer.audit.ground import Checks, Ground, seconds
from loganalyzer.audit.trips import Against, Rule, against, trips

Told = tuple[int, int, str]


def lockout_trips(ground: Ground) -> Checks:
    """Find lockouts after too few presses, and too many presses without a lockout."""
    found = ground.made(trips)
    tested: list[int] = []
    told: list[Told] = []
    for door, rule in found.doors:
        wrong = against(ground, door, rule)
        early = [i for i in wrong.lockouts.tolist() if not _one_line_short(ground, door, i, rule)]
        tested += door.on[wrong.met].tolist() + door.on[early].tolist()
        tested += door.row[wrong.presses].tolist()
        told += [_early(ground, door, i, rule) for i in early]
        told += _missing(ground, door, wrong, rule)
    told.sort()
    broken = np.array([row for row, _, _ in told], np.int64)
    doors = np.array([door for _, door, _ in told], np.int64)
    rows = np.sort(np.array(tested, np.int64))
    return Checks(rows, broken, doors, [text for _, _, text in told], found.remarks)


def _presses_before(ground: Ground, door: Counted, lockout: int, rule: Rule) -> np.ndarray:
    """Rows of the presses that may have counted towards a lockout."""
    upto = door.row[: door.late[lockout] + 1]
    upto = upto[upto > door.since[lockout]]
    gap = ground.least(upto, np.full(len(upto), door.on[lockout]))
    near: np.ndarray = upto[~(gap > rule.window)]
    return near


def _one_line_short(ground: Ground, door: Counted, lockout: int, rule: Rule) -> bool:
    """Whether the one press that is missing may be a line that could not be read."""
    if len(_presses_before(ground, door, lockout, rule)) != rule.limit:
        return False
    on = int(door.on[lockout])
    first = int(ground.log.first[ground.log.chute[on]])
    earlier = np.arange(max(first, int(door.since[lockout])), on)
    outside = np.flatnonzero(ground.least(earlier, np.full(len(earlier), on)) > rule.window)
    begin = int(earlier[outside[-1]]) if len(outside) else int(earlier[0]) if len(earlier) else on
    return not ground.unbroken(begin, on)


def _early(ground: Ground, door: Counted, lockout: int, rule: Rule) -> Told:
    presses = _presses_before(ground, door, lockout, rule)
    on = int(door.on[lockout])
    first = f", the first at {ground.line(presses[0], on)}" if len(presses) else ""
    times = f"{len(presses)} press{'es' if len(presses) != 1 else ''}"
    return on, door.door, (
        f"door {ground.floor(door.door)} locked out after {times} within "
        f"{seconds(rule.window)}{first}; the limit is {rule.limit}"
    )  # fmt: skip


def _missing(ground: Ground, door: Counted, wrong: Against, rule: Rule) -> list[Told]:
    return [
        (
            int(door.row[i]), door.door,
            f"door {ground.floor(door.door)}: no lockout after {rule.limit + 1} presses within "
            f"{seconds(rule.window)}, the first at "
            f"{ground.line(door.row[i - rule.limit], door.row[i])}; the limit is {rule.limit}",
        )
        for i in wrong.presses.tolist()
    ]  # fmt: skip
