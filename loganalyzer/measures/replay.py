"""What waiting, refusals and lockouts would be under other settings: the logged attempts again.

People come when they came, ask for what they asked, and take the chute for as long as they did:
from the press acted upon to the door locked again, each use its own logged time. Only the
clearing behind it differs, by as much as the setting does, and which presses lock a door out. A
press that finds the chute free is granted; one that finds it taken, or its door locked out, is
refused, and its person presses again when they did in the log. So each visit is compared with
itself, what differs comes from the settings alone, and with the settings as they are the replay
must give what was logged; `logged` and `present` show how near it comes. Only where the log has
no further press of theirs (they were granted then, and are not now) is something drawn: whether
they leave, and the gap to the next press, both as often and as long as the log's other refused
people did.

Without a `Rule` a press that the log's lockouts refused stays refused. With one, each door counts
its presses by the rule, granted or refused, as the controller does.

Simplified, and said: a use keeps its own travel of the diverter even where another use comes
before it now; a grant that the log does not have (its people gave up) takes the times of another
use of the chute, drawn; a press refused for another reason than busy or a lockout stays refused.
People leave as often after each refusal, however long they have waited: with a much longer
clearing the replay keeps some whose patience would have ended, and so tells a little too long a
wait.
"""

import heapq
from collections import defaultdict, deque
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.attempts import Attempts, Numbers, attempts
from loganalyzer.facts import CHUTE, Facts
from loganalyzer.occupied import ChuteKey, Occupied

Counts = NDArray[np.int64]
NO_USES = "no use that a press began"
NO_CLEARING = "clearing not in the log"
NO_CODES = "no refusal says that the chute was busy"


@dataclass(frozen=True)
class Rule:
    """When a door locks out.

    More than `press_limit` presses within `press_window_s` bring a lockout, until `quiet_s` after
    the last press. Source: common practice, no source.
    """

    press_limit: int
    press_window_s: float
    quiet_s: float


@dataclass(frozen=True)
class Played:
    """What came of each attempt; all have one entry an attempt.

    Attributes:
        wait: Seconds from first press to open door; NaN where it was not opened.
        presses: Those that asked the chute, not barred.
        refused: Those of them that found it taken.
        lockouts: Lockouts that its presses began; none are counted without a rule.
        gave_up: Whether its people left.
    """

    wait: Numbers
    presses: Counts
    refused: Counts
    lockouts: Counts
    gave_up: NDArray[np.bool_]


def play(
    attempts: Attempts, change_s: float = 0.0, seed: int = 0, rule: Rule | None = None
) -> Played:
    """Send the attempts through the chute again.

    Args:
        attempts: As logged.
        change_s: By how much each clearing is longer (shorter where negative), seconds.
        seed: Of the draws.
        rule: When doors lock out; null: when they did in the log.
    """
    draw, doors = _Draws(attempts, seed), _Doors(rule)
    size = len(attempts.granted)
    waits = np.full(size, np.nan)
    presses, refused, lockouts = [0] * size, [0] * size, [0] * size
    left = np.zeros(size, bool)
    free = -np.inf
    first, time = attempts.first.tolist(), attempts.time.tolist()
    stays = (attempts.barred if rule is None else attempts.barred & ~attempts.locked).tolist()
    granted, own, door = attempts.granted.tolist(), attempts.own.tolist(), attempts.door.tolist()
    queue = [(time[at], number, 0) for number, at in enumerate(first[:-1])]
    heapq.heapify(queue)
    while queue:
        now, number, tried = heapq.heappop(queue)
        at = first[number] + tried
        logged = first[number + 1] - first[number]
        barred = tried < logged and stays[at]
        if not own[number]:
            ignored, begun = doors.press(door[number], now)
            barred, lockouts[number] = barred or ignored, lockouts[number] + begun
        if not barred and (now >= free or own[number]):
            hold, clear, opens, more = draw.use(number)
            free = max(free, now + hold + max(clear + change_s, 0.0))
            waits[number] = now + opens - time[first[number]]
            presses[number] += more + (not own[number])
            refused[number] += more
            for after in attempts.later[number] if granted[number] else ():
                lockouts[number] += doors.press(door[number], now + after)[1]
            continue
        presses[number] += not barred
        refused[number] += not barred
        if tried + 1 < logged:
            heapq.heappush(queue, (max(time[at + 1], now), number, tried + 1))
        elif granted[number] and not draw.leaves():
            heapq.heappush(queue, (now + draw.gap(), number, tried + 1))
        else:
            left[number] = True
    return Played(
        waits, np.array(presses, np.int64), np.array(refused, np.int64),
        np.array(lockouts, np.int64), left,
    )  # fmt: skip


class _Doors:
    """What the controller remembers of each door's presses; without a rule it counts none."""

    def __init__(self, rule: Rule | None) -> None:
        self._rule = rule
        self._recent: defaultdict[int, deque[float]] = defaultdict(deque)
        self._last: dict[int, float] = {}  # the last press of each door that is locked out

    def press(self, door: int, now: float) -> tuple[bool, bool]:
        """Count a press: whether the door ignores it, and whether a lockout begins with it."""
        if self._rule is None:
            return False, False
        if door in self._last:
            if now - self._last[door] < self._rule.quiet_s:
                self._last[door] = max(now, self._last[door])
                return True, False
            del self._last[door]
        recent = self._recent[door]
        recent.append(now)
        while now - recent[0] > self._rule.press_window_s:
            recent.popleft()
        if len(recent) <= self._rule.press_limit:
            return False, False
        recent.clear()
        self._last[door] = now
        return True, True


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
    """What became of the attempts in the log; its lockouts are counted elsewhere."""
    last = of.first[1:] - 1
    wait = of.time[last] + of.open - of.time[of.first[:-1]]
    ended = np.zeros(len(of.time), dtype=bool)
    ended[last] = of.granted
    asked = ~of.barred & np.repeat(~of.own, np.diff(of.first))

    def each(presses: NDArray[np.bool_]) -> Counts:
        return np.add.reduceat(presses.astype(np.int64), of.first[:-1]) if len(last) else of.more

    return Played(
        wait, each(asked) + of.more, each(asked & ~ended) + of.more, np.zeros_like(of.more),
        ~of.granted,
    )  # fmt: skip


@dataclass(frozen=True)
class Change:
    """Other settings of a controller; null: as they are."""

    clearing_s: float | None = None
    press_limit: int | None = None
    press_window_s: float | None = None
    quiet_s: float | None = None


@dataclass(frozen=True)
class Plays:
    """One chute's attempts as logged, played as it is set, and played with the change.

    Attributes:
        day: The day (UTC) of each attempt's first press, counted from 1970.
        own: For each attempt, whether nobody pressed.
        clearing_s: Of the log (the median), and with the change.
        logged: And `present`, `other`: what came of the attempts.
        ruled: Whether lockouts were played; they are where the log holds some, or the change is
            about them.
        lockouts: How many the log holds.
    """

    day: Counts
    own: NDArray[np.bool_]
    clearing_s: tuple[float, float]
    logged: Played
    present: Played
    other: Played
    ruled: bool
    lockouts: int


def replayed(
    pressed: pd.DataFrame,
    visits: pd.DataFrame,
    occupied: Mapping[ChuteKey, Occupied],
    lockouts: pd.DataFrame,
    facts: Facts,
    change: Change,
    seed: int = 0,
) -> Mapping[ChuteKey, Plays | str]:
    """Play every chute as it is set, and with other settings.

    Args:
        pressed: What `presses.pressed` returns.
        visits: The table of that name.
        occupied: What `occupied.occupied` returns.
        lockouts: What `lockouts.lockouts` returns.
        facts: What each chute records, and how it is set.
        change: The other settings.
        seed: Of the draws.

    Returns:
        (site, chute) → the plays, or why there can be none.
    """
    return {
        key: _chute(
            pressed[_mine(pressed, key)], visits[_mine(visits, key)], occupied[key],
            int((_mine(lockouts, key) & ~lockouts["inferred"].astype(bool)).sum()),
            facts.limits[_mine(facts.limits, key)].iloc[0], change, seed,
        )
        for key in facts.recorded[CHUTE].itertuples(index=False, name=None)
    }  # fmt: skip


def _mine(table: pd.DataFrame, key: ChuteKey) -> pd.Series:
    return table["site"].eq(key[0]) & table["chute"].eq(key[1])


def _chute(
    pressed: pd.DataFrame, visits: pd.DataFrame, taken: Occupied, lockouts: int,
    limits: pd.Series, change: Change, seed: int,
) -> Plays | str:  # fmt: skip
    falls = (taken.falling.end - taken.falling.start) / 1e6
    of = attempts(pressed, visits, taken)
    for text, lacking in (
        (NO_USES, not (of.granted & ~of.own).any()),
        (NO_CLEARING, not len(falls)),
        (NO_CODES, not pressed["code"].eq("busy").any()),
    ):
        if lacking:
            return text
    clearing = float(np.median(falls))
    longer = 0.0 if change.clearing_s is None else change.clearing_s - clearing
    now = Rule(
        int(limits["press_limit"]), float(limits["press_window_s"]), float(limits["quiet_s"])
    )
    asked = {
        name: value
        for name in ("press_limit", "press_window_s", "quiet_s")
        if (value := getattr(change, name)) is not None
    }
    ruled = lockouts > 0 or bool(of.locked.any()) or bool(asked)
    return Plays(
        (of.time[of.first[:-1]] // 86_400).astype(np.int64), of.own,
        (clearing, clearing + longer), logged(of),
        play(of, 0.0, seed, now if ruled else None),
        play(of, longer, seed, replace(now, **asked) if ruled else None),
        ruled, lockouts,
    )  # fmt: skip


WHAT_IF = [
    *CHUTE, "setting", "clearing_s", "attempts", "opened", "mean_s", "median_s", "p90_s",
    "presses", "refused", "refused_share", "gave_up", "lockouts", "reason",
]  # fmt: skip
SETTINGS = ("logged", "present", "other")


def what_if(plays: Mapping[ChuteKey, Plays | str]) -> pd.DataFrame:
    """Waits, refusals and lockouts as logged, as replayed, and with the change.

    Args:
        plays: What `replayed` returns.

    Returns:
        One row a `site`, `chute`, `setting` (`logged`, `present`, `other`): `clearing_s` (the
        present one is the median of the log's), `attempts`, `opened` (counts), `mean_s`,
        `median_s`, `p90_s` (first press to open door), `presses`, `refused` (as busy or locked
        out), `refused_share`, `gave_up`, `lockouts` (null where the log holds none and nobody
        asked), `reason` (why these are null, else null). The error of the replay is `present`
        less `logged`.
    """
    rows = [
        {"site": key[0], "chute": key[1], "setting": setting, **_row(of, setting)}
        for key, of in plays.items()
        for setting in SETTINGS
    ]
    return pd.DataFrame(rows, columns=WHAT_IF).astype({"reason": "str"})


def _row(of: Plays | str, setting: str) -> dict[str, object]:
    if isinstance(of, str):
        return {"reason": of}
    played: Played = getattr(of, setting)
    wait = played.wait[~np.isnan(played.wait)]
    median, p90 = np.quantile(wait, [0.5, 0.9]) if len(wait) else (np.nan, np.nan)
    presses, refused = int(played.presses.sum()), int(played.refused.sum())
    locked = of.lockouts if setting == "logged" else int(played.lockouts.sum())
    return {
        "clearing_s": of.clearing_s[setting == "other"],
        "attempts": int((~of.own).sum()),
        "opened": len(wait),
        "mean_s": wait.mean() if len(wait) else np.nan,
        "median_s": median,
        "p90_s": p90,
        "presses": presses,
        "refused": refused,
        "refused_share": refused / presses if presses else np.nan,
        "gave_up": int(played.gave_up.sum()),
        "lockouts": locked if of.ruled else None,
        "reason": None,
    }


def changes(plays: Mapping[ChuteKey, Plays | str], seed: int = 0) -> pd.DataFrame:
    """How much each measure changes, with how far that hangs on the days that were logged.

    Args:
        plays: What `replayed` returns.
        seed: Of the days drawn.

    Returns:
        One row a `site`, `chute`, `measure` (`mean_s`, `refused_share`, `gave_up`, `lockouts`):
        `present`, `other`, `difference`, its 95 % interval `low` to `high` (days drawn again with
        replacement, both plays on the same days), `days`, `reason` (why they are null, else
        null). The interval tells of other days like these, not of how near the replay comes to
        a controller: that is `present` against `logged` in `what_if`.

    Source: paired percentile bootstrap over days: Efron and Tibshirani, An Introduction to the
    Bootstrap (1993), chapters 8 and 13, from memory.
    """
    return pd.DataFrame(
        [
            {"site": key[0], "chute": key[1], **row}
            for key, of in plays.items()
            for row in _changes(of, seed)
        ],
        columns=[*CHUTE, "measure", "present", "other", "difference", "low", "high", "days",
                 "reason"],
    ).astype({"reason": "str"})  # fmt: skip


# measure → the sum above the line, and the sum below it; null: a count, there is nothing below.
MEASURES = {
    "mean_s": ("wait", "opened"),
    "refused_share": ("refused", "presses"),
    "gave_up": ("gave_up", None),
    "lockouts": ("lockouts", None),
}
DRAWN = 1000
FEWEST_DAYS = 7


def _changes(of: Plays | str, seed: int) -> list[dict[str, object]]:
    if isinstance(of, str):
        return [{"measure": measure, "reason": of} for measure in MEASURES]
    days, day = np.unique(of.day, return_inverse=True)
    again = np.random.default_rng(seed).multinomial(
        len(days), np.full(len(days), 1 / len(days)), DRAWN
    )
    rows: list[dict[str, object]] = []
    for measure, parts in MEASURES.items():
        if measure == "lockouts" and not of.ruled:
            rows.append({"measure": measure, "reason": "no lockout in the log"})
            continue
        now, then = (_daily(played, parts, day) for played in (of.present, of.other))
        count = parts[1] is None
        drawn = _value(again @ then, count) - _value(again @ now, count)
        low, high = np.nanquantile(drawn, [0.025, 0.975])
        few = len(days) < FEWEST_DAYS
        present, other = (float(_value(sums.sum(axis=0), count)) for sums in (now, then))
        rows.append({
            "measure": measure, "present": present, "other": other, "difference": other - present,
            "low": None if few else low, "high": None if few else high, "days": len(days),
            "reason": f"fewer than {FEWEST_DAYS} days, no interval" if few else None,
        })  # fmt: skip
    return rows


def _daily(played: Played, parts: tuple[str, str | None], day: Counts) -> Numbers:
    """The two sums of a measure for each day, shape (days, 2)."""
    known = ~np.isnan(played.wait)
    columns = {
        "wait": np.where(known, played.wait, 0.0), "opened": known, "refused": played.refused,
        "presses": played.presses, "gave_up": played.gave_up, "lockouts": played.lockouts,
    }  # fmt: skip
    above, below = parts
    under = np.bincount(day, columns[below].astype(float)) if below else np.zeros(day.max() + 1)
    return np.column_stack([np.bincount(day, columns[above].astype(float)), under])


def _value(sums: Numbers, count: bool) -> Numbers:
    """A count, or a mean or share, of the two sums on the last axis; NaN of nothing."""
    above, below = sums[..., 0], sums[..., 1]
    known = np.full(above.shape, count) | (below > 0)
    share: Numbers = np.divide(
        above, np.where(count, 1.0, below), out=np.full(above.shape, np.nan), where=known
    )
    return share
