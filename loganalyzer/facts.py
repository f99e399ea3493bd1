"""What is known of each chute before anything is measured: signals, limits, doors, precision.

A signal that never occurs in a chute's log counts as not recorded there. A log cannot show the
difference between "recorded and never happened" and "not recorded"; a null with its reason is
the honest answer to both.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from loganalyzer.site import Limits, Site
from loganalyzer.tables import NEEDS_FLOOR, SIGNALS, require

Places = NDArray[np.int64]

CHUTE = ["site", "chute"]
DOOR = ["site", "chute", "floor"]
TEXT_KEYS = (*DOOR, "stream", "code")
MANY = 1_000_000  # keys that may be counted in an array with a place for each

NOT_RECORDED = {
    "press": "presses not in the log",
    "refusal": "refusals not in the log",
    "unlocked": "unlocking not in the log",
    "open": "door contacts not in the log",
    "clearing": "clearing not in the log",
    "positioning": "positioning not in the log",
    "lockout": "lockouts not in the log",
    "stream": "streams not in the log",
}
NO_LOG = "no log for this time"


@dataclass(frozen=True)
class Facts:
    """The tables of this module for one timeline, each as its function describes it."""

    recorded: pd.DataFrame
    limits: pd.DataFrame
    doors: pd.DataFrame
    ends: pd.DataFrame
    precision: pd.DataFrame


def facts(timeline: pd.DataFrame, sites: Mapping[str, Site]) -> Facts:
    """Everything known of the chutes of a timeline beforehand."""
    return Facts(
        recorded(timeline),
        limits(timeline, sites),
        doors(timeline, sites),
        log_ends(timeline),
        precision(timeline),
    )


def recorded(timeline: pd.DataFrame) -> pd.DataFrame:
    """Which signals each chute's log holds.

    Returns:
        One row a `site`, `chute` of the timeline, sorted; a yes/no column for each signal and
        for `stream` (any event names a stream).
    """
    require(timeline, *CHUTE, "signal", "stream")
    named = tally(timeline, [*CHUTE, "stream"], "n").drop_duplicates(CHUTE)[[*CHUTE, "stream"]]
    counts = tally(timeline, [*CHUTE, "signal"], "n").set_index([*CHUTE, "signal"])["n"]
    table = counts.unstack("signal").reindex(columns=list(SIGNALS)).gt(0)
    table.columns.name = None
    whole = table.reset_index().merge(named, on=CHUTE, how="left")
    return whole.assign(stream=whole["stream"].notna())


def limits(timeline: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """The limits of each chute of the timeline; the defaults where no site file names it.

    Returns:
        One row a `site`, `chute`, sorted, with the fields of `Limits` as columns.
    """
    chutes = tally(timeline, CHUTE, "n")[CHUTE]
    found = [_limits(sites, *key).model_dump() for key in chutes.itertuples(index=False)]
    return chutes.join(pd.DataFrame(found, columns=list(Limits.model_fields)))


def doors(timeline: pd.DataFrame, sites: Mapping[str, Site]) -> pd.DataFrame:
    """Every door of each chute of the timeline: those of the site file, then others seen.

    Returns:
        `site`, `chute`, `floor`, `place` (0, 1, … in the order of the site file, then by label),
        `units` (nullable count), `elevation_m` (metres). Sorted by site, chute, place.
    """
    require(timeline, *DOOR, "signal")
    at_doors = timeline["signal"].isin(NEEDS_FLOOR)
    seen = tally(timeline.loc[at_doors, DOOR], DOOR, "n")[DOOR]
    chutes = tally(timeline, CHUTE, "n")[CHUTE]
    listed = pd.DataFrame(
        [
            (site.id, chute.id, floor.label, floor.units, floor.elevation_m)
            for site in sites.values()
            for chute in site.chutes
            for floor in chute.floors
        ],
        columns=[*DOOR, "units", "elevation_m"],
    ).astype({"site": "str", "chute": "str", "floor": "str", "elevation_m": "float64"})
    listed["units"] = listed["units"].astype("Int64")
    both = pd.concat([listed.merge(chutes, on=CHUTE), seen]).drop_duplicates(DOOR)
    both = both.assign(place=both.groupby(CHUTE).cumcount())
    columns = [*DOOR, "place", "units", "elevation_m"]
    return both.sort_values([*CHUTE, "place"], ignore_index=True)[columns]


def log_ends(timeline: pd.DataFrame) -> pd.DataFrame:
    """First and last anchored time of each chute: `site`, `chute`, `log_start`, `log_end`."""
    sound = timeline["clock"].ne("unanchored").to_numpy()
    rows = timeline[[*CHUTE, "time"]]
    parts = by_key(rows if sound.all() else rows[sound], CHUTE)
    ends = [(*key, part["time"].min(), part["time"].max()) for key, part in parts]
    table = pd.DataFrame(ends, columns=[*CHUTE, "log_start", "log_end"])
    times = dict.fromkeys(["log_start", "log_end"], timeline["time"].dtype)
    return plain(table.astype(times), *CHUTE)


def precision(timeline: pd.DataFrame, by: Sequence[str] = tuple(CHUTE)) -> pd.DataFrame:
    """How finely each chute's log, or each export, tells the time, in seconds.

    The largest of 60, 1, 0.1, 0.01 and 0.001 s that divides all stamps as written; for a log of
    scanned inputs the shortest time between two scans, where that is more.

    Args:
        timeline: Reads the columns of `by`, `device_time`, `time`, `clock`.
        by: What is told of: a chute, or `source`, an export.

    Returns:
        The columns of `by` and `precision_s`. Sorted.
    """
    rows = timeline[[*by, "device_time", "time", "clock"]]
    found = [(*key, _precision(part)) for key, part in by_key(rows, by)]
    return pd.DataFrame(found, columns=[*by, "precision_s"])


def anchored(table: pd.DataFrame, timeline: pd.DataFrame) -> pd.Series:
    """Whether each row of a table begins at a line whose time can be trusted.

    Events of a restarted clock that nobody set stay out of every rate.

    Args:
        table: Has `source` and `line`.
        timeline: Has `source`, `line`, `clock`.
    """
    loose = timeline["clock"].eq("unanchored").to_numpy()
    if not loose.any():
        return pd.Series(True, index=table.index)
    lost = pd.MultiIndex.from_frame(plain(timeline.loc[loose, ["source", "line"]], "source"))
    return pd.Series(
        ~pd.MultiIndex.from_frame(plain(table[["source", "line"]], "source")).isin(lost),
        index=table.index,
    )


def plain(table: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """The same table with these text columns as strings, so that tables of any origin join."""
    return table.astype(dict.fromkeys(columns, "str"))


def tally(rows: pd.DataFrame, keys: list[str], name: str) -> pd.DataFrame:
    """How many rows there are of each key: the keys and the count `name`; null keys are left out.

    Sorted by key. Counts by the categories' codes; only the few keys become text.
    """
    place, known, labels = _placed(rows, keys)
    place = place if known.all() else place[known]
    shape = _shape(labels)
    if np.prod(shape, dtype=np.float64) <= MANY:
        counted = np.bincount(place)
        at = np.flatnonzero(counted)
        number = counted[at]
    else:
        at, number = np.unique(place, return_counts=True)
    codes = np.unravel_index(at, shape)
    columns = {key: names.take(code) for key, names, code in zip(keys, labels, codes, strict=True)}
    found = pd.DataFrame({**columns, name: number})
    return plain(found, *(key for key in keys if key in TEXT_KEYS))


def by_key(
    rows: pd.DataFrame, keys: Sequence[str]
) -> Iterator[tuple[tuple[str, ...], pd.DataFrame]]:
    """The rows of each key, by key, in their own order; null keys are left out.

    Rows that stand together already, as those of a chute do, are not copied.
    """
    place, known, labels = _placed(rows, keys)
    if not known.all():
        rows, place = rows[known], place[known]
    if (place[1:] < place[:-1]).any():
        order = np.argsort(place, kind="stable")
        rows, place = rows.iloc[order], place[order]
    cuts = [*np.flatnonzero(np.diff(place, prepend=-1)), len(place)]
    shape = _shape(labels)
    for begin, end in pairwise(cuts):
        codes = np.unravel_index(place[begin], shape)
        key = tuple(str(names[code]) for names, code in zip(labels, codes, strict=True))
        yield key, rows.iloc[begin:end]


def places(rows: pd.DataFrame, known: pd.DataFrame, keys: Sequence[str]) -> Places:
    """For each row of a long table the place of the row of a short one with the same keys, or -1.

    What a left join finds, without making text of the long table: only labels are compared.
    """
    number, named, labels = _placed(rows, keys)
    theirs: Places = np.zeros(len(known), np.int64)
    met = np.ones(len(known), bool)
    for key, names in zip(keys, labels, strict=True):
        at = pd.Index(names).astype("str").get_indexer(pd.Index(known[key]).astype("str"))
        met &= at >= 0
        theirs = theirs * max(len(names), 1) + at
    mine = np.flatnonzero(met)
    if np.prod(_shape(labels), dtype=np.float64) <= MANY:
        table = np.full(math.prod(_shape(labels)), -1)
        table[theirs[mine]] = mine
        return np.where(named, table[number], -1)
    order = mine[np.argsort(theirs[mine])]
    at = np.minimum(np.searchsorted(theirs[order], number), len(order) - 1)
    found = np.append(order, -1)[at]
    return np.where(named & (np.append(theirs, -1)[found] == number), found, -1)


def _placed(
    rows: pd.DataFrame, keys: Sequence[str]
) -> tuple[NDArray[np.int64], NDArray[np.bool_], list[pd.Index]]:
    """One number for the key of each row, sorting as the keys do, which rows have one, labels."""
    parts = [_coded(rows[key]) for key in keys]
    labels = [names for _, names in parts]
    small = np.prod(_shape(labels), dtype=np.float64) <= MANY
    place: NDArray[np.int64] = np.zeros(len(rows), np.int32 if small else np.int64)
    known: NDArray[np.bool_] = np.ones(len(rows), bool)
    for codes, names in parts:
        known &= codes >= 0
        place *= max(len(names), 1)
        place += codes
    return place, known, labels


def _shape(labels: list[pd.Index]) -> list[int]:
    return [max(len(names), 1) for names in labels]


def _coded(column: pd.Series) -> tuple[NDArray[np.integer], pd.Index]:
    """A column as numbers of its sorted labels; -1 is null."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy(), column.cat.categories
    codes, labels = pd.factorize(column, sort=True)
    return codes, pd.Index(labels)


def counts(numbers: pd.Series, shown: ArrayLike) -> pd.Series:
    """Counts where the log can show them: a missing number is 0 there, and null elsewhere."""
    whole: pd.Series = numbers.fillna(0).astype("Int64")
    held = np.broadcast_to(np.asarray(shown, dtype=bool), len(whole))
    return whole.where(pd.Series(held, index=whole.index))


def why(*cases: tuple[ArrayLike, str]) -> pd.Series:
    """A column of reasons, row by row the first that applies, null where none does.

    Args:
        cases: Yes/no for each row, and the reason.
    """
    masks = [np.asarray(mask, dtype=bool) for mask, _ in cases]
    texts = np.select(masks, [text for _, text in cases], default="")
    return pd.Series(texts, dtype="str").replace("", np.nan)


def _limits(sites: Mapping[str, Site], site: str, chute: str) -> Limits:
    chutes = sites[site].chutes if site in sites else ()
    return next((c.limits for c in chutes if c.id == chute), Limits())


def _precision(events: pd.DataFrame) -> float:
    written = events["device_time"]
    stamps = written.to_numpy("datetime64[us]").astype("int64")
    known = written.notna().to_numpy()
    common = int(np.gcd.reduce(stamps if known.all() else stamps[known]))
    steps = (60_000_000, 1_000_000, 100_000, 10_000, 1_000)
    finest = next((s for s in steps if known.any() and common % s == 0), 1_000) / 1e6
    if not events["clock"].eq("sampled").any():
        return finest
    scans = np.diff(np.unique(events["time"].to_numpy("datetime64[us]").astype("int64")))
    return max(finest, scans.min() / 1e6) if len(scans) else finest
