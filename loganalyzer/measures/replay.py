"""What the waiting would be with another clearing time: the logged attempts, played again.

People come when they came, ask for what they asked, and take the chute for as long as they did:
from the press acted upon to the door locked again, each use its own logged time. Only the
clearing behind it differs, by as much as the setting does. A press that finds the chute free is
granted; one that finds it taken is refused, and its person presses again when they did in the
log. So each visit is compared with itself, what differs comes from the clearing alone, and with
the setting as it is the replay must give what was logged; `logged` and `present` show how near it
comes. Only where the log has no further press of theirs (they were granted then, and are not
now) is something drawn: whether they leave, and the gap to the next press, both as often and as
long as the log's other refused people did.

Simplified, and said: a use keeps its own travel of the diverter even where another use comes
before it now; a grant that the log does not have (its people gave up) takes the times of another
use of the chute, drawn; a press refused for another reason than busy stays refused. People
leave as often after each refusal, however long they have waited: with a much longer clearing the
replay keeps some whose patience would have ended, and so tells a little too long a wait.
"""

import heapq
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from loganalyzer.attempts import Attempts, Numbers, attempts
from loganalyzer.facts import CHUTE, Facts
from loganalyzer.occupied import ChuteKey, Occupied

NO_USES = "no use that a press began"
NO_CLEARING = "clearing not in the log"
NO_CODES = "no refusal says that the chute was busy"


@dataclass(frozen=True)
class Played:
    """What came of the attempts: seconds from first press to open door, and counts.

    `presses` are those that asked the chute (not barred), `refused` those of them that found it
    taken, `gave_up` the attempts that left.
    """

    wait: Numbers
    presses: int
    refused: int
    gave_up: int


def play(attempts: Attempts, change_s: float = 0.0, seed: int = 0) -> Played:
    """Send the attempts through the chute again.

    Args:
        attempts: As logged.
        change_s: By how much each clearing is longer (shorter where negative), seconds.
        seed: Of the draws.
    """
    draw = _Draws(attempts, seed)
    waits = np.full(len(attempts.granted), np.nan)
    presses = refused = gave_up = 0
    free = -np.inf
    first, time = attempts.first.tolist(), attempts.time.tolist()
    barred, granted = attempts.barred.tolist(), attempts.granted.tolist()
    queue = [(time[at], number, 0) for number, at in enumerate(first[:-1])]
    heapq.heapify(queue)
    while queue:
        now, number, tried = heapq.heappop(queue)
        at = first[number] + tried
        logged = first[number + 1] - first[number]
        shut = tried < logged and barred[at]
        if not shut and (now >= free or attempts.own[number]):
            hold, clear, opens, more = draw.use(number)
            free = max(free, now + hold + max(clear + change_s, 0.0))
            waits[number] = now + opens - time[first[number]]
            presses, refused = presses + more, refused + more
            presses += not attempts.own[number]
            continue
        presses, refused = presses + (not shut), refused + (not shut)
        if tried + 1 < logged:
            heapq.heappush(queue, (max(time[at + 1], now), number, tried + 1))
        elif granted[number] and not draw.leaves():
            heapq.heappush(queue, (now + draw.gap(), number, tried + 1))
        else:
            gave_up += 1
    return Played(waits, presses, refused, gave_up)


class _Draws:
    """What the log's people did, drawn where the log does not say it."""

    def __init__(self, attempts: Attempts, seed: int) -> None:
        self._of, self._random = attempts, np.random.default_rng(seed)
        self._known = np.flatnonzero(attempts.granted & ~attempts.own)
        last = attempts.first[1:] - 1
        inside = np.ones(len(attempts.time), dtype=bool)
        inside[last] = False
        refused = inside & ~attempts.barred
        self._gaps = np.append(np.diff(attempts.time), 0)[refused]
        left = int((~attempts.granted & ~attempts.barred[last]).sum())
        self._leave = left / max(left + int(refused.sum()), 1)

    def leaves(self) -> bool:
        """Whether somebody who was just refused goes away; always where nobody ever came back."""
        return not len(self._gaps) or bool(self._random.random() < self._leave)

    def gap(self) -> float:
        """Seconds until a refused person presses again."""
        return float(self._gaps[self._random.integers(len(self._gaps))])

    def use(self, number: int) -> tuple[float, float, float, int]:
        """The times of an attempt's use: `hold`, `clear`, `open`, `more`."""
        of = self._of
        if not of.granted[number]:
            if not len(self._known):
                return 0.0, 0.0, np.nan, 0
            number = int(self._known[self._random.integers(len(self._known))])
            return float(of.hold[number]), float(of.clear[number]), float(of.open[number]), 0
        return (
            float(of.hold[number]),
            float(of.clear[number]),
            float(of.open[number]),
            int(of.more[number]),
        )


def logged(of: Attempts) -> Played:
    """What became of the attempts in the log."""
    last = of.first[1:] - 1
    wait = of.time[last] + of.open - of.time[of.first[:-1]]
    asked = ~of.barred
    ended = np.zeros(len(of.time), dtype=bool)
    ended[last] = of.granted
    mine = np.repeat(~of.own, np.diff(of.first))
    refused = int((asked & ~ended & mine).sum() + of.more.sum())
    return Played(
        wait, int((asked & mine).sum() + of.more.sum()), refused, int((~of.granted).sum())
    )


def what_if(
    pressed: pd.DataFrame,
    visits: pd.DataFrame,
    occupied: Mapping[ChuteKey, Occupied],
    facts: Facts,
    clearing_s: float,
    seed: int = 0,
) -> pd.DataFrame:
    """Waits and refusals as logged, as replayed, and with another clearing time.

    Args:
        pressed: What `presses.pressed` returns.
        visits: The table of that name.
        occupied: What `occupied.occupied` returns.
        facts: What each chute records.
        clearing_s: The other setting, seconds.
        seed: Of the draws.

    Returns:
        One row a `site`, `chute`, `setting` (`logged`, `present`, `other`): `clearing_s` (the
        present one is the median of the log's), `attempts`, `opened` (counts), `mean_s`,
        `median_s`, `p90_s` (first press to open door), `presses`, `refused` (as busy),
        `refused_share`, `gave_up`, `reason` (why these are null, else null). The error of the
        replay is `present` less `logged`.
    """
    rows = []
    for key in facts.recorded[CHUTE].itertuples(index=False, name=None):
        mine = pressed[pressed["site"].eq(key[0]) & pressed["chute"].eq(key[1])]
        tried = visits[visits["site"].eq(key[0]) & visits["chute"].eq(key[1])]
        rows += _settings(key, mine, tried, occupied[key], clearing_s, seed)
    return pd.DataFrame(rows, columns=WHAT_IF).astype({"reason": "str"})


WHAT_IF = [
    *CHUTE, "setting", "clearing_s", "attempts", "opened", "mean_s", "median_s", "p90_s",
    "presses", "refused", "refused_share", "gave_up", "reason",
]  # fmt: skip
SETTINGS = ("logged", "present", "other")


def _settings(
    key: ChuteKey, pressed: pd.DataFrame, visits: pd.DataFrame, taken: Occupied,
    clearing_s: float, seed: int,
) -> list[dict[str, object]]:  # fmt: skip
    falls = (taken.falling.end - taken.falling.start) / 1e6
    of = attempts(pressed, visits, taken)
    reason = next(
        text
        for lacking, text in (
            (not (of.granted & ~of.own).any(), NO_USES),
            (not len(falls), NO_CLEARING),
            (not pressed["code"].eq("busy").any(), NO_CODES),
            (True, None),
        )
        if lacking
    )
    head: dict[str, object] = {"site": key[0], "chute": key[1], "reason": reason}
    head["attempts"] = None if reason else int((~of.own).sum())
    if reason is not None:
        return [head | {"setting": setting} for setting in SETTINGS]
    present = float(np.median(falls))
    outcomes = (logged(of), play(of, 0.0, seed), play(of, clearing_s - present, seed))
    lengths = (present, present, clearing_s)
    return [
        head | {"setting": setting, "clearing_s": length, **_row(outcome)}
        for setting, length, outcome in zip(SETTINGS, lengths, outcomes, strict=True)
    ]


def _row(played: Played) -> dict[str, object]:
    wait = played.wait[~np.isnan(played.wait)]
    median, p90 = np.quantile(wait, [0.5, 0.9]) if len(wait) else (np.nan, np.nan)
    return {
        "opened": len(wait),
        "mean_s": wait.mean() if len(wait) else np.nan,
        "median_s": median,
        "p90_s": p90,
        "presses": played.presses,
        "refused": played.refused,
        "refused_share": played.refused / played.presses if played.presses else np.nan,
        "gave_up": played.gave_up,
    }
