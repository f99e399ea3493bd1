"""Whether the chances come true: foretold from the log before, compared with what came.

The log is cut every four weeks. At each cut life and demand are fitted to what lies before it
alone, and for each fill that began in the four weeks after it the chance is told that it is full
before the rule's next pickup. What came is in the log. A fill that was emptied before that
pickup without being full is no test.

Source: calibration and the score of G. W. Brier, Monthly Weather Review 78 (1950) 1-3.
"""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from loganalyzer.bins import BIN, collections, rows_of
from loganalyzer.lifetimes import UNKNOWN, Weibull
from loganalyzer.localtime import zone_of
from loganalyzer.measures.fill import lives
from loganalyzer.pickups.demand import Demands
from loganalyzer.pickups.simulation import SEED, draw
from loganalyzer.site import Site
from loganalyzer.stats import wilson

FIRST_WEEKS, BLOCK_WEEKS = 8, 4
AFTER = pd.Timedelta(hours=2)  # a pickup so soon after the emptying is that emptying
EDGES = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0)
WORLDS, FILLS = 60, 200
TESTED = [*BIN, "stream", "emptied", "collected", "chance", "was_full"]
CALIBRATION = [
    "site", "chute", "container", "foretold_from", "foretold_to", "fills", "foretold", "came",
    "low", "high", "brier", "brier_always_same",
]  # fmt: skip


def foretold(
    held: pd.DataFrame, containers: pd.DataFrame, demands: Demands, sites: Mapping[str, Site],
    seed: int = SEED,
) -> pd.DataFrame:  # fmt: skip
    """Every chance that was foretold for a held-back fill, and what came.

    Args:
        held: What `bins.bins` returns.
        containers: The table of that name.
        demands: Their demand.
        sites: Their time zones.
        seed: Of the draws.

    Returns:
        One row a fill: `site`, `chute`, `container`, `stream`, `emptied` (its beginning),
        `collected` (the rule's next pickup), `chance` (foretold), `was_full`.
    """
    tables = []
    for row in rows_of(held):
        key = (row.site, row.chute, row.container)
        mine = containers[(containers[BIN].astype("str") == pd.Series(key, BIN)).all(axis=1)]
        if pd.notna(row.pickup) and len(mine):
            zone = zone_of(sites, key[0])
            tables.append(_container(key, row.pickup, zone, mine, held, demands, seed))
    table = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=TESTED)
    return table[TESTED]


def _container(
    key: tuple[str, str, str], rule: str, zone: str, mine: pd.DataFrame, held: pd.DataFrame,
    demands: Demands, seed: int,
) -> pd.DataFrame:  # fmt: skip
    fills = mine[mine["state"].isin(["full", "not full"]) & mine["reason"].isna()]
    blank = pd.DataFrame(columns=TESTED)
    if fills.empty:
        return blank
    start, end = mine["ends"].min(), mine["ends"].max()
    fills = fills.assign(collected=_next_pickups(rule, zone, fills["emptied"], end))
    full = fills["full_from"].notna() & (fills["full_from"] <= fills["collected"])
    decided = full | (fills["ends"] >= fills["collected"] - AFTER)
    fills = fills.assign(was_full=full)[decided & fills["collected"].notna()]
    tables = [blank]
    cut = start + pd.Timedelta(weeks=FIRST_WEEKS)
    while cut < end:
        block = fills[fills["emptied"].between(cut, cut + pd.Timedelta(weeks=BLOCK_WEEKS))]
        if len(block):
            known = lives(mine[mine["ends"] <= cut], held).get(key, (UNKNOWN, ""))[0]
            tables.append(_block(key, zone, known, block, cut, demands, seed))
        cut += pd.Timedelta(weeks=BLOCK_WEEKS)
    kept = [table for table in tables if len(table)]
    return pd.concat(kept, ignore_index=True) if kept else blank


def _next_pickups(rule: str, zone: str, emptied: pd.Series, end: pd.Timestamp) -> pd.Series:
    """The rule's first pickup that is not the emptying itself; null after the log's end."""
    times = collections(rule, zone, emptied.min(), end)
    at = pd.to_datetime(np.append(times, 0), unit="us", utc=True).as_unit("us")
    place = np.searchsorted(
        times, (emptied + AFTER).to_numpy("datetime64[us]").astype("int64"), side="right"
    )
    found = pd.Series(at[place], index=emptied.index)
    return found.where(place < len(times))


def _block(
    key: tuple[str, str, str], zone: str, life: Weibull, block: pd.DataFrame,
    cut: pd.Timestamp, demands: Demands, seed: int,
) -> pd.DataFrame:  # fmt: skip
    """The fills of four weeks, foretold from the log before them."""
    demand = demands.of(key, cut.tz_convert(zone).tz_localize(None).normalize())
    if not life.known or demand is None:
        return pd.DataFrame(columns=TESTED)
    drawn = draw(life, demand, worlds=WORLDS, fills=FILLS, seed=seed)
    local = block["emptied"].dt.tz_convert(zone)
    start = local.dt.day_of_week * 24 + local.dt.hour + local.dt.minute / 60
    hours = (block["collected"] - block["emptied"]).dt.total_seconds() / 3600
    used = [
        float(np.interp(length, np.arange(int(length) + 3), demand.after(at, int(length) + 2)))
        for at, length in zip(start, hours, strict=True)
    ]
    chance = drawn.chances(np.array(used)).mean(axis=0)
    return block[["stream", "emptied", "collected", "was_full"]].assign(
        site=key[0], chute=key[1], container=key[2], chance=chance
    )


def calibration(table: pd.DataFrame) -> pd.DataFrame:
    """Foretold chances in classes against how often it came.

    Args:
        table: What `foretold` returns.

    Returns:
        One row a container and class of foretold chance that occurs: `site`, `chute`,
        `container`, `foretold_from`, `foretold_to`, `fills`, `foretold` (mean chance), `came`
        (share that was full) with Wilson's 95 % interval `low` to `high`. The row from 0 to 1 is
        all of them, with `brier` (mean squared miss) and `brier_always_same` (had the share
        that came been foretold every time: what skill must beat).
    """
    rows = []
    for key, part in table.groupby(BIN, sort=False):
        chance, came = part["chance"].to_numpy(float), part["was_full"].to_numpy(float)
        score = float(((chance - came) ** 2).mean())
        same = float(came.mean() * (1 - came.mean()))
        rows.append((*key, 0.0, 1.0, *_class(chance, came), score, same))
        place = np.clip(np.searchsorted(EDGES, chance, side="right") - 1, 0, len(EDGES) - 2)
        for at in np.unique(place):
            here = place == at
            rows.append((*key, EDGES[at], EDGES[at + 1], *_class(chance[here], came[here]),
                         np.nan, np.nan))  # fmt: skip
    return pd.DataFrame(rows, columns=CALIBRATION)


def _class(chance: np.ndarray, came: np.ndarray) -> tuple[int, float, float, float, float]:
    low, high = wilson([came.sum()], [len(came)])
    return len(came), float(chance.mean()), float(came.mean()), float(low[0]), float(high[0])
