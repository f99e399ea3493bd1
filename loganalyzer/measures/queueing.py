"""The chute as one server without a waiting room: how often it is busy, and turns people away.

An attempt that finds the chute busy is refused; nobody stands in a line that the chute knows of.
Attempts are counted in two ways, since they answer two questions:

- as visits: what a person meets at the first press. This is what Erlang's formula is about.
- as presses: every press, second tries and impatient ones included. Those follow a refusal at
  once, when the chute is likely to be busy still, so more of them are refused.

Presses refused for another reason than busy (full, service, lockout, fault) never reached the
server and are no attempts. Nor is a visit that begins at a door whose own use is not over yet
(the door is open, or its material falls): that is nearly always the same person, pressing again.
`expected` leaves out as much of the formula's share, since some of those would be others.

What the formula takes for granted: attempts come independently at one rate, and whoever is refused
is gone. People of a building come in bunches and try again, so more refusals than it says are no
fault of the chute; by how much it differs tells how bunched they come.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.facts import CHUTE, DOOR, NOT_RECORDED, Facts, counts, plain, tally, why
from loganalyzer.occupied import ChuteKey, Occupied, door_numbers, door_times
from loganalyzer.spans import NEVER, Cover, micros
from loganalyzer.stats import engset, erlang_b, wilson
from loganalyzer.tables import require

NO_VISITS = "no visits in the log"
BUSY = "busy"
NO_CODES = "no refusal says that the chute was busy"
NO_USES = "no use seen from press to cleared"


def queue(
    pressed: pd.DataFrame,
    visits: pd.DataFrame,
    coverage: pd.DataFrame,
    week: pd.DataFrame,
    occupied: Mapping[ChuteKey, Occupied],
    facts: Facts,
) -> pd.DataFrame:
    """Load, refusals and the formula, chute by chute.

    Args:
        pressed: What `presses.pressed` returns.
        visits: The table of that name.
        coverage: The table of that name; only time with log counts.
        week: Visits and hours of log by hour of the local week, as `wait_parts.week_waits` has
            them.
        occupied: What `occupied.occupied` returns.
        facts: What each chute records, and the units it serves.

    Returns:
        One row a `site`, `chute`:
        `covered_h` (hours with log), `utilisation` (share of them that the chute was taken, from
        press to material landed), `uses`, `service_s` (mean of a use, press to landed),
        `visits` and `turned_away` (counts; of these, whose first press was refused as busy),
        `busy_share` (turned_away / visits) with its 95 % interval `low` to `high`,
        `offered_load` (visits a second times `service_s`, erlangs), `erlang_b` (share that the
        formula expects to be refused), `erlang_b_by_hour` (the same with the load of each hour
        of the week, so that busy evenings are no surprise), `engset` (`erlang_b` for as many
        people as the chute has units; null without units), `expected` (of
        `erlang_b_by_hour`, what meets a use of another door), `difference` (busy_share -
        expected: what bunches add),
        `presses`, `presses_busy` (counts), `presses_busy_share`, `reason` (why these are null).

    Source: Erlang's loss formula and Engset's, see `stats`.
    """
    require(pressed, *DOOR, "time", "code")
    table = facts.recorded.merge(_servers(coverage, occupied, facts), on=CHUTE, how="left")
    for more in (_attempts(pressed, visits, occupied), _units(facts)):
        table = table.merge(more, on=CHUTE, how="left")
    table["coded"] = table["coded"].eq(True)  # null where nothing was pressed
    for name in ("visits", "presses"):
        table[name] = counts(table[name], table["press"])
    for name in ("turned_away", "presses_busy"):
        table[name] = counts(table[name], table["press"] & table["refusal"] & table["coded"])
    tried = table["visits"].astype("float64")
    tried = tried.where(tried > 0)
    covered_s = table["covered_h"].where(table["covered_h"] > 0) * 3600
    load = tried / covered_s * table["service_s"]
    low, high = wilson(table["turned_away"], tried)
    share = table["turned_away"].astype("float64") / tried
    lost = pd.Series(erlang_b(load), index=table.index)
    by_hour = _hour_by_hour(week, table)
    same = table["same_door"]
    expected = by_hour * (1 - same) / (1 - by_hour * same)
    presses = table["presses"].astype("float64")
    table = table.assign(
        busy_share=share, low=low, high=high, offered_load=load, erlang_b=lost,
        engset=_finite(table["units"], load, table["utilisation"]), erlang_b_by_hour=by_hour,
        expected=expected, difference=share - expected,
        presses_busy_share=table["presses_busy"].astype("float64") / presses.where(presses > 0),
        reason=why(
            (~table["press"], NOT_RECORDED["press"]),
            (~table["refusal"], NOT_RECORDED["refusal"]),
            (~table["coded"], NO_CODES),
            (table["service_s"].isna(), NO_USES),
            (tried.isna(), NO_VISITS),
        ),
    )  # fmt: skip
    return table[QUEUE]


QUEUE = [
    *CHUTE, "covered_h", "utilisation", "uses", "service_s", "visits", "turned_away",
    "busy_share", "low", "high", "offered_load", "erlang_b", "erlang_b_by_hour", "engset",
    "expected", "difference", "presses", "presses_busy", "presses_busy_share", "reason",
]  # fmt: skip


def _servers(
    coverage: pd.DataFrame, occupied: Mapping[ChuteKey, Occupied], facts: Facts
) -> pd.DataFrame:
    """Hours with log, the share of them that each chute was taken, and how long a use takes."""
    known = coverage[coverage["covered"].astype(bool)]
    rows = []
    for key, taken in occupied.items():
        mine = known[known["site"].eq(key[0]) & known["chute"].eq(key[1])]
        log = Cover.of(micros(mine["start"]), micros(mine["end"]))
        whole = (taken.begin != NEVER) & (taken.free != NEVER)
        seconds = (taken.free - taken.begin)[whole] / 1e6
        length = float((log.end - log.start).sum())
        busy = float(log.within(taken.busy.start, taken.busy.end).sum())
        mean = seconds.mean() if len(seconds) else np.nan
        share = busy / length if length and len(seconds) else np.nan
        rows.append((*key, length / 3.6e9, share, len(seconds), mean))
    names = [*CHUTE, "covered_h", "utilisation", "uses", "service_s"]
    return plain(pd.DataFrame(rows, columns=names), *CHUTE)


def _attempts(
    pressed: pd.DataFrame, visits: pd.DataFrame, occupied: Mapping[ChuteKey, Occupied]
) -> pd.DataFrame:
    """Attempts at each chute, as visits and as presses, and how many found it busy."""
    asked = pressed[pressed["code"].isin(["", BUSY])]  # the rest was refused for another reason
    first = _first(asked, visits, occupied)
    of = {
        "presses": asked,
        "presses_busy": asked[asked["code"].eq(BUSY)],
        "visits": first,
        "turned_away": first[first["code"].eq(BUSY)],
    }
    table = plain(pd.DataFrame(list(occupied), columns=CHUTE), *CHUTE)
    for name, rows in of.items():
        table = table.merge(tally(rows, CHUTE, name), on=CHUTE, how="left")
    table = table.merge(_same_door(first), on=CHUTE, how="left")
    return table.assign(coded=table["presses_busy"].fillna(0).gt(0))


def _same_door(first: pd.DataFrame) -> pd.DataFrame:
    """How often two attempts picked at random are at one door: `same_door`."""
    doors = tally(first, DOOR, "n")
    share = doors["n"] / doors.groupby(CHUTE)["n"].transform("sum")
    found = doors[CHUTE].assign(same_door=share**2).groupby(CHUTE)["same_door"].sum()
    return found.reset_index()


def _first(
    asked: pd.DataFrame, visits: pd.DataFrame, occupied: Mapping[ChuteKey, Occupied]
) -> pd.DataFrame:
    """Of these presses, those that begin a visit; of several of a door at one time the first."""
    pieces = [asked.iloc[:0]]
    begun = dict(iter(visits.groupby(CHUTE, observed=True)))
    for key, mine in asked.groupby(CHUTE, observed=True):
        if key in begun:
            starts = door_times(begun[key], "start", mine["floor"])
            at = pd.Series(door_times(mine, "time", mine["floor"]), index=mine.index)
            again = _own_use_goes_on(mine, occupied[str(key[0]), str(key[1])])
            pieces.append(mine[at.isin(starts) & ~at.duplicated() & ~again])
    return pd.concat(pieces)


def _own_use_goes_on(asked: pd.DataFrame, taken: Occupied) -> NDArray[np.bool_]:
    """Whether the use that began last before each press is of the same door, and not over."""
    order = np.argsort(taken.begin, kind="stable")
    time = micros(asked["time"])
    at = np.searchsorted(taken.begin[order], time) - 1
    use = np.append(order, -1)[at]
    floors = taken.cycles["floor"]
    same = np.append(door_numbers(taken.cycles, floors), 0)[use] == door_numbers(asked, floors)
    return np.asarray(same & (time < np.append(taken.free, NEVER)[use]), dtype=bool)


def _hour_by_hour(week: pd.DataFrame, table: pd.DataFrame) -> pd.Series:
    """The formula's share of refused visits with each hour's own load, over all visits."""
    attempts = table["visits"].astype("float64")
    hours = week.merge(table[[*CHUTE, "service_s"]].assign(attempts=attempts), on=CHUTE)
    seen = hours["exposure_h"].where(hours["exposure_h"] > 0) * 3600
    # As many as there are attempts: not all visits are.
    among = hours.groupby(CHUTE)["visits"].transform("sum").astype("float64")
    tried = hours["visits"].astype("float64") * hours["attempts"] / among.where(among > 0)
    hours = hours.assign(tried=tried, lost=tried * erlang_b(tried / seen * hours["service_s"]))
    sums = hours.dropna(subset="lost").groupby(CHUTE)[["tried", "lost"]].sum()
    share = (sums["lost"] / sums["tried"].where(sums["tried"] > 0)).rename("share").reset_index()
    found: pd.Series = table[CHUTE].merge(share, on=CHUTE, how="left")["share"]
    return found


def _units(facts: Facts) -> pd.DataFrame:
    """How many units each chute serves, null where one of its floors has none given."""
    units = facts.doors.groupby(CHUTE)["units"].agg(lambda of: of.sum(skipna=False))
    return units.reset_index()


def _finite(units: pd.Series, load: pd.Series, utilisation: pd.Series) -> np.ndarray:
    """Engset's share of refused attempts with one source a unit.

    The formula asks for the load of one idle source: all attempts shared out among those who
    are not being served.
    """
    sources = units.astype("float64")
    return engset(sources, load / (sources - utilisation))[1]
