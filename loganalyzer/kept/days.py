"""Roll-ups: what happened at each chute and door, by local day and by hour.

Sums that can be added over days, so that a period of many buildings is a sum of a few rows. A
count that the chute does not record is null, in every row; so is one of a day without log. An
event belongs to the day in which it begins, seconds to the day in which they pass. What has no
time that can be trusted is left out.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from loganalyzer.facts import CHUTE, Facts, anchored, by_key
from loganalyzer.incidents.evidence import Evidence
from loganalyzer.incidents.stuck_door import stuck_doors
from loganalyzer.localtime import quarters
from loganalyzer.measures.month_sums import COUNTED
from loganalyzer.measures.waiting import WITHIN_S
from loganalyzer.spans import micros

HOUR = 3_600_000_000  # µs
REASONS = ("busy", "full", "service", "lockout", "fault")
_VISIT, _USE = COUNTED["visits"][0], COUNTED["uses"][0]
_SERVED, _LOCKED = COUNTED["served"][0], COUNTED["lockouts"][0]
_OPENED = (("press",), ("open",))
# Each column: the signals of which a chute must record one in each group.
NEEDS: dict[str, tuple[tuple[str, ...], ...]] = {
    "presses": COUNTED["presses"][0],
    "refusals": COUNTED["refusals"][0],
    **{f"refused_{reason}": COUNTED["refusals"][0] for reason in (*REASONS, "other")},
    "visits": _VISIT,
    **dict.fromkeys(("served", "gave_up", "locked_out"), _SERVED),
    "cycles": _USE,
    "lockouts": _LOCKED,
    "lockout_episodes": _LOCKED,
    "locked_s": _LOCKED,
    "openings": (("open",),),
    "open_s": (("open",),),
    "stuck": (("open",),),
    "waits": _OPENED,
    "wait_s": _OPENED,
    "judged": _OPENED,
    **{f"within_{limit}_s": _OPENED for limit in WITHIN_S},
    "faults": COUNTED["faults"][0],
    "fulls": COUNTED["fulls"][0],
    "full_s": COUNTED["fulls"][0],
    "service_s": (("service",),),
}
HOURLY = ("presses", "visits", "refusals", "lockouts", "waits", "wait_s")
TEXT = pa.dictionary(pa.int32(), pa.string())
DAYS = pa.schema(
    [
        *((name, TEXT) for name in ("site", "chute", "floor")),
        ("day", pa.date32()),
        ("covered_s", pa.float64()),
        *((name, pa.float64() if name.endswith("_s") and not name.startswith("within")
           else pa.int32()) for name in NEEDS),
    ]
)  # fmt: skip
STREAMS = pa.schema(
    [*((n, TEXT) for n in ("site", "chute", "floor", "stream")), ("day", pa.date32()),
     ("cycles", pa.int32())]
)  # fmt: skip
HOURS = pa.schema(
    [
        *((name, TEXT) for name in ("site", "chute", "floor")),
        ("hour", pa.timestamp("us", "UTC")),
        ("covered_s", pa.float64()),
        *((name, DAYS.field(name).type) for name in HOURLY),
    ]
)
Counts = dict[str, NDArray[np.float64]]  # column → rows of places (the chute, its doors) and days


@dataclass(frozen=True)
class Seen:
    """What is known of one chute, the whole or from some moment on, as `Analysis` holds it."""

    timeline: pd.DataFrame
    intervals: pd.DataFrame
    cycles: pd.DataFrame
    visits: pd.DataFrame
    locked: pd.DataFrame
    coverage: pd.DataFrame
    facts: Facts


@dataclass(frozen=True)
class Grid:
    """The places and local days of one chute.

    Attributes:
        site: Its site, and `chute` its id.
        floors: Its doors; place 0 is the chute as a whole, place 1 the first door.
        first: Its first day; `edges` are the midnights (µs UTC) from that day on, one more than
            there are days.
        recorded: Which signals its log holds.
    """

    site: str
    chute: str
    floors: tuple[str, ...]
    first: np.datetime64
    edges: NDArray[np.int64]
    recorded: Mapping[str, bool]

    @property
    def shape(self) -> tuple[int, int]:
        """Places and days."""
        return len(self.floors) + 1, len(self.edges) - 1

    @property
    def days(self) -> NDArray[np.datetime64]:
        """Each day."""
        return self.first + np.arange(self.shape[1])

    def shown(self, name: str) -> bool:
        """Whether the chute records what a column counts."""
        return all(any(self.recorded[s] for s in signals) for signals in NEEDS[name])

    def day(self, time: NDArray[np.int64]) -> NDArray[np.int64]:
        """The place of each time's day."""
        return np.searchsorted(self.edges, time, side="right") - 1

    def place(self, floors: pd.Series) -> NDArray[np.int64]:
        """The place of each door; 0 where it is none."""
        doors = pd.Index(self.floors, dtype="object")
        if not isinstance(floors.dtype, pd.CategoricalDtype):
            return doors.get_indexer(pd.Index(floors, dtype="object")).astype(np.int64) + 1
        known = doors.get_indexer(floors.cat.categories.astype("object"))
        return np.append(known, -1)[floors.cat.codes.to_numpy()].astype(np.int64) + 1


def grids(facts: Facts, zone: str) -> Iterator[Grid]:
    """The grid of each chute that has a time that can be trusted."""
    doors = dict(by_key(facts.doors, CHUTE))
    for row in facts.ends.itertuples():
        key = (str(row.site), str(row.chute))
        ends = [getattr(row, end).tz_convert(zone).tz_localize(None) for end in
                ("log_start", "log_end")]  # fmt: skip
        first, last = (end.normalize() for end in ends)
        floors = tuple(map(str, doors[key]["floor"])) if key in doors else ()
        held = facts.recorded[
            facts.recorded["site"].eq(key[0]) & facts.recorded["chute"].eq(key[1])
        ]
        recorded = {str(name): bool(value) for name, value in held.iloc[0].items()
                    if name not in CHUTE}  # fmt: skip
        yield Grid(*key, floors, first.to_numpy().astype("datetime64[D]"),
                   midnights(first, last, zone), recorded)  # fmt: skip


def midnights(first: pd.Timestamp, last: pd.Timestamp, zone: str) -> NDArray[np.int64]:
    """When each local day from first to last begins, and the last one ends (µs UTC).

    Where midnight comes twice, the day begins at the first; where it is left out, at the next
    time there is.
    """
    days = pd.date_range(first, last + pd.Timedelta(days=1), freq="D").as_unit("us")
    twice = np.ones(len(days), bool)
    local = days.tz_localize(zone, ambiguous=twice, nonexistent="shift_forward")
    return np.asarray(local.tz_convert("UTC").tz_localize(None).to_numpy().astype("int64"))


def counted(seen: Seen, grid: Grid) -> Counts:
    """Every column but `covered_s`, of what is seen of a chute."""
    found = {name: np.zeros(grid.shape) for name in NEEDS}
    moments = _moments(seen)
    for name, rows in moments.items():
        found[name] = _tally(rows, grid)
    waited = moments["waits"]
    found["wait_s"] = _tally(waited, grid, waited["wait_s"].to_numpy("float64"))
    held = Evidence(seen.timeline, seen.intervals, seen.coverage, seen.locked, seen.facts)
    stuck = stuck_doors(held)
    found["stuck"] = _tally(stuck.assign(time=stuck["start"]), grid)
    opened = held.held("open")
    found["openings"] = _tally(_sound(opened.assign(time=opened["start"]), seen), grid)
    for name, spans in (
        ("open_s", opened), ("full_s", held.held("full")), ("service_s", held.held("service")),
        ("locked_s", seen.locked),
    ):  # fmt: skip
        found[name] = _seconds(_sound(spans[spans["seconds"].notna()], seen), grid)
    return found


def covered(coverage: pd.DataFrame, grid: Grid) -> NDArray[np.float64]:
    """Seconds of each day that the log covers."""
    mine = coverage[coverage["covered"].astype(bool)]
    start, end = micros(mine["start"]), micros(mine["end"])
    log: NDArray[np.float64] = _spread(start, end, np.zeros(len(start), np.int64), grid)[0]
    return log


def hourly(seen: Seen, grid: Grid) -> pa.Table:
    """Rows of `HOURS` of a chute: each hour and place with an event, each hour with log."""
    moments = _moments(seen)
    waited = moments["waits"]
    things = {name: (moments[name], None) for name in HOURLY if name != "wait_s"}
    parts = []
    for name, (rows, _) in things.items():
        hour, place = _hour(rows), grid.place(rows["floor"])
        parts.append(pd.DataFrame({"hour": hour, "place": 0, name: 1.0}))
        parts.append(pd.DataFrame({"hour": hour, "place": place, name: 1.0}).query("place > 0"))
    hour, place = _hour(waited), grid.place(waited["floor"])
    parts.append(pd.DataFrame({"hour": hour, "place": 0, "wait_s": waited["wait_s"].to_numpy()}))
    at_door = pd.DataFrame({"hour": hour, "place": place, "wait_s": waited["wait_s"].to_numpy()})
    parts.append(at_door.query("place > 0"))
    log = quarters(seen.coverage[seen.coverage["covered"].astype(bool)])
    parts.append(pd.DataFrame({"hour": _hour(log), "place": 0, "covered_s": log["seconds"]}))
    every = pd.concat(parts, ignore_index=True)
    sums = every.groupby(["hour", "place"])[["covered_s", *HOURLY]].sum().reset_index()
    place = sums["place"].to_numpy()
    columns = {"hour": pa.array(sums["hour"] * HOUR, pa.timestamp("us", "UTC"))}
    columns["covered_s"] = pa.array(sums["covered_s"], mask=place > 0)
    for name in HOURLY:
        hidden = np.full(len(sums), not grid.shown(name))
        columns[name] = pa.array(sums[name].round(3), mask=hidden)
    return _named(columns, grid, place, HOURS)


def streams(seen: Seen, grid: Grid) -> pa.Table:
    """Rows of `STREAMS`: uses by stream, place and day, of those that name one."""
    used = _used(seen)
    used = used[used["stream"].notna()]
    rows = pd.DataFrame(
        {"day": grid.day(micros(used["time"])), "place": grid.place(used["floor"]),
         "stream": used["stream"].astype("str").to_numpy()}
    )  # fmt: skip
    both = pd.concat([rows[rows["place"] > 0], rows.assign(place=0)])
    sums = both.groupby(["place", "stream", "day"]).size().rename("cycles").reset_index()
    columns = {
        "day": pa.array(grid.first + sums["day"].to_numpy().astype("timedelta64[D]")),
        "stream": pa.array(sums["stream"], pa.string()), "cycles": pa.array(sums["cycles"]),
    }  # fmt: skip
    return _named(columns, grid, sums["place"].to_numpy(), STREAMS)


def table(found: Counts, log: NDArray[np.float64], grid: Grid) -> pa.Table:
    """Rows of `DAYS`: the chute as a whole, then each door, day by day."""
    places, days = grid.shape
    place = np.repeat(np.arange(places), days)
    whole = np.tile(log, places)
    columns = {"day": pa.array(np.tile(grid.days, places)), "covered_s": pa.array(whole)}
    for name, numbers in found.items():
        flat = numbers.reshape(-1).round(3)
        hidden = (whole == 0) & (flat == 0) if grid.shown(name) else np.ones(len(flat), bool)
        columns[name] = pa.array(flat, mask=hidden)
    return _named(columns, grid, place, DAYS)


def counts_of(rows: pa.Table, grid: Grid) -> Counts | None:
    """The counts of a chute back from its rows; null where the places are not the same."""
    floors = tuple(rows["floor"].unique().to_pylist())
    if floors != (None, *grid.floors):
        return None
    places = len(floors)
    return {
        name: rows[name].fill_null(0).to_numpy().astype("float64").reshape(places, -1)
        for name in NEEDS
    }


def _moments(seen: Seen) -> dict[str, pd.DataFrame]:
    """The rows that each count counts, with their `floor` and `time`."""
    timeline = seen.timeline
    sound = timeline[timeline["clock"].ne("unanchored")]
    begins = sound["edge"].ne("off")
    refused = sound[sound["signal"].eq("refusal")]
    tried = seen.visits.assign(time=seen.visits["start"])[anchored(seen.visits, timeline)]
    known = tried["wait_s"].notna() | tried["result"].isin(["gave_up", "locked_out"])
    locks = seen.locked.assign(time=seen.locked["start"])
    return {
        "presses": sound[sound["signal"].eq("press")],
        "refusals": refused,
        **{f"refused_{reason}": refused[refused["code"].eq(reason)] for reason in REASONS},
        "refused_other": refused[~refused["code"].isin(REASONS)],
        "visits": tried,
        **{result: tried[tried["result"].eq(result)]
           for result in ("served", "gave_up", "locked_out")},
        "cycles": _used(seen),
        "lockouts": locks,
        "lockout_episodes": locks[locks["in_episode"].eq(1)],
        "waits": tried[tried["wait_s"].notna()],
        "judged": tried[known],
        **{f"within_{limit}_s": tried[tried["wait_s"].le(limit)] for limit in WITHIN_S},
        "faults": sound[sound["signal"].eq("fault") & begins],
        "fulls": sound[sound["signal"].eq("full") & begins],
    }  # fmt: skip


def _used(seen: Seen) -> pd.DataFrame:
    cycles = seen.cycles
    began = cycles["pressed"].fillna(cycles["unlocked"]).fillna(cycles["opened"])
    used = cycles.assign(time=began)
    return used[anchored(cycles, seen.timeline) & began.notna()]


def _sound(spans: pd.DataFrame, seen: Seen) -> pd.DataFrame:
    return spans[anchored(spans, seen.timeline)]


def _tally(
    rows: pd.DataFrame, grid: Grid, weights: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """How many rows, or how much, each place and day has."""
    day = grid.day(micros(rows["time"]))
    return _summed(grid.place(rows["floor"]), day, weights, grid)


def _seconds(spans: pd.DataFrame, grid: Grid) -> NDArray[np.float64]:
    """Seconds of spans by place and day."""
    start = micros(spans["start"])
    end = start + np.round(spans["seconds"].to_numpy("float64") * 1e6).astype(np.int64)
    return _spread(start, end, grid.place(spans["floor"]), grid)


def _spread(
    start: NDArray[np.int64], end: NDArray[np.int64], place: NDArray[np.int64], grid: Grid
) -> NDArray[np.float64]:
    """Seconds of spans by place and day, cut at the midnights."""
    start, end = np.maximum(start, grid.edges[0]), np.minimum(end, grid.edges[-1])
    day = grid.day(start)
    last = np.searchsorted(grid.edges, end, side="left") - 1
    pieces = np.maximum(last - day + 1, 0)
    row = np.repeat(np.arange(len(start)), pieces)
    step = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    of = day[row] + step
    inside = np.minimum(grid.edges[of + 1], end[row]) - np.maximum(grid.edges[of], start[row])
    return _summed(place[row], of, inside / 1e6, grid)


def _summed(
    place: NDArray[np.int64],
    day: NDArray[np.int64],
    weights: NDArray[np.float64] | None,
    grid: Grid,
) -> NDArray[np.float64]:
    places, days = grid.shape
    inside = (day >= 0) & (day < days)
    if not inside.all():
        place, day = place[inside], day[inside]
        weights = None if weights is None else weights[inside]
    at = place * days + day
    sums = np.bincount(at, weights, places * days).astype("float64").reshape(places, days)
    sums[0] = np.bincount(day, weights, days)  # the chute: what is at a door, and what is at none
    return sums


def _hour(rows: pd.DataFrame) -> NDArray[np.int64]:
    return micros(rows["time"]) // HOUR


def _named(
    columns: Mapping[str, pa.Array], grid: Grid, place: NDArray[np.int64], schema: pa.Schema
) -> pa.Table:
    """With site, chute and floor, in the order and types of a schema."""
    rows = len(place)
    floors = pa.array(place - 1, pa.int32(), mask=place == 0)
    texts = {
        "site": pa.DictionaryArray.from_arrays(np.zeros(rows, np.int32), [grid.site]),
        "chute": pa.DictionaryArray.from_arrays(np.zeros(rows, np.int32), [grid.chute]),
        "floor": pa.DictionaryArray.from_arrays(floors, pa.array(grid.floors, pa.string())),
    }
    every = {**texts, **columns}
    return pa.table({name: every[name].cast(schema.field(name).type) if name != "stream"
                     else every[name].dictionary_encode() for name in schema.names},
                    schema=schema)  # fmt: skip
