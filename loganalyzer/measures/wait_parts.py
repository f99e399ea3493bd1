"""What people wait for: each visit's time from the first press to the open door, in parts.

The parts add up to `wait_s` to the microsecond. Each moment belongs to one part:

Up to the press that the chute acted upon,
- `clearing_s`: material falls.
- `queue_s`: somebody else's use is under way, from their press to their door locked again.
- `retry_s`: the rest. The chute was free, or out of use (full, service, fault, lockout), and the
  person had not pressed again; so too while an earlier grant of the same visit came to nothing.
From that press on,
- `clearing_s`: material still falls (a controller may take a press down and wait).
- `positioning_s`: until the diverter is in place; nothing where it did not have to move.
- `latch_s`: from then until the door is unlocked.
- `reach_s`: from then until the person has opened it, their own time.

What a chute does not record is null, never 0, and is put into none of the others: the time it
would share with a part that is recorded is `unsplit_s`, and `reason` says which record is missing.
- no clearing: it cannot be told from `retry_s`; both are null.
- no positioning: it cannot be told from `latch_s`; both are null.
- no unlocking, or that of this visit not seen: `latch_s` and `reach_s` are null.

Source: the parts are the issue's words, the rule is ours; common practice, no source.
"""

from collections.abc import Hashable, Mapping

import numpy as np
import pandas as pd

from loganalyzer.facts import CHUTE, NOT_RECORDED, Facts, anchored, plain, why
from loganalyzer.localtime import HOURS_OF_WEEK, local_parts
from loganalyzer.occupied import ChuteKey, Occupied, door_times
from loganalyzer.site import Site
from loganalyzer.spans import NEVER, Cover, Places, micros
from loganalyzer.tables import require

PARTS = ("queue", "clearing", "retry", "positioning", "latch", "reach", "unsplit")
SECONDS = [f"{part}_s" for part in PARTS]
VISIT = [*CHUTE, "floor", "stream", "start", "wait_s"]
NO_USE = "no use found that ended the wait"
NO_UNLOCK = "this unlock is not in the log"
NO_WAITS = "no visit was served"
QUICK_S = 30  # the week's share of people served within so long


def wait_parts(
    visits: pd.DataFrame,
    occupied: Mapping[ChuteKey, Occupied],
    timeline: pd.DataFrame,
    facts: Facts,
) -> pd.DataFrame:
    """Split the wait of each visit that was served.

    Args:
        visits: The table of that name; those with a `wait_s` are split.
        occupied: What `occupied.occupied` returns.
        timeline: Tells which visits have times that can be trusted; others are left out.
        facts: What each chute records.

    Returns:
        One row a visit: `site`, `chute`, `floor`, `stream`, `start`, `wait_s`, its parts
        `queue_s`, `clearing_s`, `retry_s`, `positioning_s`, `latch_s`, `reach_s`, `unsplit_s`
        (seconds), `reason` (why some of these are null, else null), `source`, `line`. Sorted
        as `visits`.
    """
    require(visits, *VISIT, "end", "source", "line")
    served = visits[visits["wait_s"].notna()]
    served = served[anchored(served, timeline)]
    held = {(row["site"], row["chute"]): row for row in facts.recorded.to_dict("records")}
    pieces = [
        _chute(part, occupied[str(site), str(chute)], held[str(site), str(chute)])
        for (site, chute), part in served.groupby(CHUTE, observed=True)
    ]
    blank = served[VISIT].assign(**dict.fromkeys(SECONDS, np.nan), reason=None)
    found = pd.concat(pieces).sort_index() if pieces else blank
    found = found.astype(dict.fromkeys(SECONDS, "float64") | {"reason": "str"})
    return found.assign(source=served["source"], line=served["line"]).reset_index(drop=True)


def wait_split(parts: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """What people at each chute wait for, part by part.

    Args:
        parts: What `wait_parts` returns.
        facts: What each chute records.

    Returns:
        One row a `site`, `chute`, `part`: `n` (visits that tell it), `mean_s`, `median_s`,
        `p90_s`, `share` (of all their waiting), `reason` (why these are null, else null).
    """
    rows = []
    for site, chute in facts.recorded[CHUTE].itertuples(index=False):
        mine = parts[parts["site"].eq(site) & parts["chute"].eq(chute)]
        reasons = mine["reason"].dropna()
        for part in PARTS:
            known = mine[mine[f"{part}_s"].notna()]
            seconds, whole = known[f"{part}_s"], known["wait_s"].sum()
            said = NO_WAITS if mine.empty else reasons.iloc[0] if known.empty else None
            share = seconds.sum() / whole if whole > 0 else np.nan
            middle = seconds.quantile([0.5, 0.9]).tolist()
            rows.append((site, chute, part, len(known), seconds.mean(), *middle, share, said))
    names = [*CHUTE, "part", "n", "mean_s", "median_s", "p90_s", "share", "reason"]
    return pd.DataFrame(rows, columns=names).astype({"reason": "str"})


def week_waits(
    visits: pd.DataFrame,
    parts: pd.DataFrame,
    hours: pd.DataFrame,
    timeline: pd.DataFrame,
    facts: Facts,
    sites: Mapping[str, Site],
) -> pd.DataFrame:
    """How long people wait in each hour of the local week.

    Args:
        visits: The table of that name.
        parts: What `wait_parts` returns.
        hours: What `localtime.exposure` returns.
        timeline: Tells which visits have times that can be trusted.
        facts: What each chute records.
        sites: Their time zones.

    Returns:
        One row a `site`, `chute`, `hour_of_week` (0 to 167, from Monday 00:00): `exposure_h`
        (hours of log in it; an hour that occurs twice counts twice), `visits`, `served`,
        `gave_up`, `locked_out` (counts), `median_s`, `p90_s`, `mean_s` (first press to open
        door), `queue_s`, `clearing_s` (their means), `within_30_s` (share of the visits whose
        end is known), `reason` (why the times are null, else null).
    """
    week = pd.DataFrame({"hour_of_week": range(HOURS_OF_WEEK)})
    table = facts.recorded[[*CHUTE, "press", "open"]].merge(week, how="cross")
    exposed = hours.groupby([*CHUTE, "hour_of_week"])["seconds"].sum() / 3600
    tried, waited = _tried(visits, timeline, sites), _waited(parts, sites)
    for more in (exposed.rename("exposure_h"), tried, waited):
        table = table.merge(plain(more.reset_index(), *CHUTE), on=HOUR, how="left")
    table["exposure_h"] = table["exposure_h"].fillna(0.0)
    for name in ("visits", *RESULTS):
        table[name] = table[name].fillna(0).astype("Int64").where(table["press"])
    known = table[list(RESULTS)].sum(axis=1).astype("float64")
    table["within_30_s"] = table["quick"].fillna(0.0) / known.where((known > 0) & table["open"])
    reason = why(
        (~table["press"], NOT_RECORDED["press"]),
        (~table["open"], NOT_RECORDED["open"]),
        (table["exposure_h"].eq(0), "no log in this hour"),
        (table["median_s"].isna(), NO_WAITS),
    )
    return table.assign(reason=reason)[WEEK]


RESULTS = ("served", "gave_up", "locked_out")
HOUR = [*CHUTE, "hour_of_week"]
WEEK = [
    *HOUR, "exposure_h", "visits", *RESULTS, "median_s", "p90_s", "mean_s", "queue_s",
    "clearing_s", "within_30_s", "reason",
]  # fmt: skip


def _tried(visits: pd.DataFrame, timeline: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    sound = visits.loc[anchored(visits, timeline), [*CHUTE, "start", "result"]]
    told = {result: sound["result"].eq(result) for result in RESULTS}
    sound = sound.assign(visits=1, **told).join(local_parts(sound, sites, "start"))
    return sound.groupby(HOUR, observed=True)[["visits", *RESULTS]].sum()


def _waited(parts: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    quick = parts["wait_s"].le(QUICK_S)
    hours = parts.assign(quick=quick).join(local_parts(parts, sites, "start"))
    by = hours.groupby(HOUR, observed=True)
    means = by[["wait_s", "queue_s", "clearing_s"]].mean().rename(columns={"wait_s": "mean_s"})
    wait = by["wait_s"]
    return means.assign(median_s=wait.median(), p90_s=wait.quantile(0.9), quick=by["quick"].sum())


def _chute(visits: pd.DataFrame, taken: Occupied, held: Mapping[Hashable, bool]) -> pd.DataFrame:
    """The visits of one chute, split."""
    start, end = micros(visits["start"]), micros(visits["end"])
    pressed, unlocked, at = _use(visits, taken)
    found = at >= 0
    pressed = np.where(found, np.clip(pressed, start, end), end)
    seen = found & (unlocked != NEVER)
    unlocked = np.where(seen, np.clip(unlocked, pressed, end), end)
    placed = _in_place(taken, pressed, unlocked)

    part = dict.fromkeys(PARTS, np.zeros(len(visits), dtype=np.int64))
    early = taken.falling.within(start, pressed)
    others = taken.used.minus(taken.falling)
    part["queue"] = others.within(start, pressed) - _vain(visits, taken, others, pressed)
    part["retry"] = pressed - start - early - part["queue"]
    late = [taken.falling.within(a, b) for a, b in ((pressed, placed), (placed, unlocked))]
    part["clearing"] = early + late[0] + late[1]
    part["positioning"] = placed - pressed - late[0]
    part["latch"] = unlocked - placed - late[1]
    part["reach"] = end - unlocked
    hidden = {
        "clearing": np.full(len(visits), not held["clearing"]) | ~found,
        "retry": np.full(len(visits), not held["clearing"]) | ~found,
        "queue": ~found,
        "positioning": np.full(len(visits), not held["positioning"]) | ~found,
        "latch": np.full(len(visits), not held["positioning"]) | ~seen,
        "reach": ~seen,
    }
    unsplit = [np.where(hidden[name], part[name], 0) for name in hidden]
    part["unsplit"] = np.sum(unsplit, axis=0)
    seconds = {
        f"{name}_s": np.where(hidden.get(name, False), np.nan, part[name] / 1e6) for name in PARTS
    }
    reason = why(
        (~found, NO_USE),
        *[(np.full(len(visits), not held[s]), NOT_RECORDED[s]) for s in RECORDS],
        (~seen, NO_UNLOCK),
    )
    return visits[VISIT].assign(**seconds, reason=reason.array)


RECORDS = ("unlocked", "positioning", "clearing")


def _use(visits: pd.DataFrame, taken: Occupied) -> tuple[Places, Places, Places]:
    """The press, the unlock and the place of the cycle that opened the door to each visit."""
    cycles = taken.cycles
    opened = cycles[cycles["opened"].notna() & cycles["pressed"].notna()]
    key = door_times(opened, "opened", cycles["floor"])
    order = np.argsort(key, kind="stable")
    wanted = door_times(visits, "end", cycles["floor"])
    at = np.searchsorted(key[order], wanted)
    same = np.append(key[order], NEVER)[at] == wanted
    row = np.append(order, -1)[np.where(same, at, len(order))]
    times = (np.append(micros(opened[name]), NEVER)[row] for name in ("pressed", "unlocked"))
    press, unlock = times
    return press, unlock, row


def _in_place(taken: Occupied, pressed: Places, unlocked: Places) -> Places:
    """When the diverter was in place, for each use: its last travel's end, else the press."""
    begin, end = taken.travels
    at = np.searchsorted(begin, unlocked, side="right") - 1
    own = (at >= 0) & (np.append(begin, NEVER)[at] >= pressed)
    return np.where(own, np.minimum(np.append(end, NEVER)[at], unlocked), pressed)


def _vain(visits: pd.DataFrame, taken: Occupied, used: Cover, pressed: Places) -> Places:
    """Time of earlier grants of the same visit, which came to nothing."""
    cycles, floors = taken.cycles, taken.cycles["floor"]
    asked = cycles["pressed"].notna().to_numpy()
    following = np.append(taken.begin[1:], NEVER)[: len(asked)]
    until = np.where(taken.shut == NEVER, following, taken.shut)
    starts = door_times(visits, "start", floors)
    order = np.argsort(starts, kind="stable")
    keys = door_times(cycles[asked], "pressed", floors)
    at = np.append(order, -1)[np.searchsorted(starts[order], keys, side="right") - 1]
    press = micros(cycles["pressed"])[asked]
    mine = (at >= 0) & (micros(visits["start"])[at] <= press) & (press < pressed[at])
    mine &= visits["floor"].to_numpy()[at] == floors.to_numpy()[asked]
    spent = used.within(press[mine], np.minimum(until[asked][mine], pressed[at[mine]]))
    return np.bincount(at[mine], spent, len(visits)).astype(np.int64)
