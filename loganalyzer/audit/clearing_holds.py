"""No door is unlocked and the diverter does not set off while material falls.

Put to the test with each clearing that lasts longer than the log's doubt.
"""

import numpy as np

from loganalyzer.audit.ground import Checks, Ground, seconds, within


def clearing_holds(ground: Ground) -> Checks:
    """Find unlocks and travels that begin inside a clearing."""
    log, held = ground.log, ground.held("clearing")
    kinds = [(log.rows("unlocked", "on"), True), (log.rows("positioning", "on"), False)]
    found: list[tuple[int, str]] = []
    for rows, is_door in kinds:
        point, span = within(ground, rows, held)
        for row, i in zip(rows[point], span, strict=True):
            what = f"door {ground.floor(log.doors(np.array([row]))[0])} unlocked"
            since = float(ground.least(held.start[i : i + 1], np.array([row]))[0])
            begun = ground.line(held.start[i], row)
            found.append((
                int(row),
                f"{what if is_door else 'the diverter set off'} {seconds(since)} or more into a "
                f"clearing ({begun}), before it was over",
            ))  # fmt: skip
    found.sort()
    broken = np.array([row for row, _ in found], np.int64)
    # One stamp inside a clearing must lie a step from either end to be certain.
    certain = ground.least(held.start, held.end) > ground.tick[held.start]
    tested = held.start[certain]
    return Checks(tested, broken, log.doors(broken), [text for _, text in found])
