"""A lockout ends after the quiet time without a press, and not before.

Put to the test by each lockout whose beginning, end and presses are in the log. A late release is
not judged where a line that is no event stands between, nor in scanned inputs: there may have
been a press.
"""

import numpy as np

from loganalyzer.audit.counting import ANSWER_S
from loganalyzer.audit.ground import Checks, Ground, seconds
from loganalyzer.audit.releases import releases


def lockout_releases(ground: Ground) -> Checks:
    """Find lockouts that ended too early or too late."""
    found = ground.made(releases)
    known = ~np.isnan(found.timed.low) & ~np.isnan(found.timed.high)
    early = known & (found.timed.high < found.quiet)
    late = np.flatnonzero(known & (found.timed.low > found.quiet + ANSWER_S))
    doubted = [
        i
        for i in late.tolist()
        if ground.sampled[found.off[i]]
        or not ground.unbroken(int(found.last[i]), int(found.off[i]))
    ]
    known[doubted] = False
    late = np.setdiff1d(late, doubted)
    broken = np.sort(np.append(np.flatnonzero(early), late))
    texts = [
        f"door {ground.floor(found.timed.door[i])} released "
        + (
            f"at most {seconds(found.timed.high[i])}"
            if early[i]
            else f"{seconds(found.timed.low[i])} or more"
        )
        + f" after {_since(ground, found.remarks, i, found.last, found.on, found.off)}; "
        f"the quiet time is {seconds(found.quiet[i])}"
        for i in broken
    ]
    rows = found.off[broken]
    return Checks(found.off[known], rows, found.timed.door[broken], texts, found.remarks)


def _since(
    ground: Ground,
    remarks: dict[int, str],
    i: int,
    last: np.ndarray,
    on: np.ndarray,
    off: np.ndarray,
) -> str:
    fixed = int(ground.log.chute[off[i]]) in remarks
    start, what = (on[i], "its beginning") if fixed else (last[i], "the last press")
    return f"{what} ({ground.line(start, off[i])})"
