"""No door is unlocked while a container is full.

The reading: a container or compactor that is full, of whatever stream, keeps all doors locked
(common practice, no source). Some controllers refuse only the stream that is full. The site file
does not say which; the log does: where a chute unlocked for other streams while one was full at
least as often as it refused them for it, and at least three times, its rule is taken to be the
second one, said so, and only unlocks for the full stream are violations.

Put to the test with each press while a container is full.
"""

import numpy as np

from loganalyzer.audit.ground import Checks, Ground
from loganalyzer.audit.unlocks import Asked, asked, first_of_each
from loganalyzer.keys import Flags, Ints, Rows, recoded

EVIDENT = 3
OWN_STREAM_ONLY = (
    "the controller's rule differs: while a container is full it unlocks for other streams "
    "({served} of {all} times); judged is the full stream only"
)


def full_holds(ground: Ground) -> Checks:
    """Find unlocks granted while a container was full."""
    log, held = ground.log, ground.held("full")
    found = asked(ground, held)
    stream = _streams(ground)[found.place]
    full = log.codes["stream"][held.start[found.span]]
    other = (stream >= 0) & (full >= 0) & (stream != full)
    remarks = _differing(ground, found, other)
    lenient = np.isin(log.chute[found.unlock], list(remarks))
    wrong = np.flatnonzero(~lenient | (stream == full) | (full < 0))
    wrong = wrong[first_of_each(found.unlock[wrong])]
    names = log.labels["stream"]
    texts = [
        f"door {ground.floor(log.doors(found.unlock[i : i + 1])[0])} unlocked"
        f"{f' for {names[stream[i]]}' if stream[i] >= 0 else ''} while the "
        f"{names[full[i]] + ' ' if full[i] >= 0 else ''}container was full (since "
        f"{ground.line(held.start[found.span[i]], found.unlock[i])})"
        for i in wrong
    ]
    broken = found.unlock[wrong]
    return Checks(found.tested, broken, log.doors(broken), texts, remarks)


def _streams(ground: Ground) -> Ints:
    """The stream of each unlock's use, as a category number of the log; -1 where not told."""
    told = ground.cycles.loc[ground.cycles["unlocked"].notna(), "stream"]
    return recoded(told, ground.log.labels["stream"])


def _differing(ground: Ground, found: Asked, other: Flags) -> dict[int, str]:
    """Chutes that evidently go on serving other streams."""
    chutes = len(ground.log.first) - 1
    served = np.bincount(ground.log.chute[found.unlock[other]], minlength=chutes)
    refused = np.bincount(ground.log.chute[_refused_others(ground)], minlength=chutes)
    return {
        chute: OWN_STREAM_ONLY.format(served=served[chute], all=served[chute] + refused[chute])
        for chute in np.flatnonzero((served >= EVIDENT) & (served >= refused)).tolist()
    }


def _refused_others(ground: Ground) -> Rows:
    """Refusals with code full of a stream whose own container was not full then."""
    log, held = ground.log, ground.held("full")
    pressed = ground.presses
    codes = log.labels["code"]
    place = codes.get_loc("full") if "full" in codes else -2
    refused = pressed.refusal >= 0
    row, refusal = pressed.row[refused], pressed.refusal[refused]
    row = row[log.codes["code"][refusal] == place]
    own = np.zeros(len(row), bool)
    for stream in np.unique(log.codes["stream"][held.start]).tolist():
        mine = held.take(log.codes["stream"][held.start] == stream)
        at = np.searchsorted(mine.start, row) - 1
        lasts = (at >= 0) & (np.append(mine.end, -1)[at] > row)
        own |= lasts & ((log.codes["stream"][row] == stream) | (log.codes["stream"][row] < 0))
    others: Rows = row[~own]
    return others
