"""How often the 95 % intervals of uses to full, diversion and pickup risk hold the truth.

    python -m tests.benchmarks.containers --seeds 200

Buildings with known volumes. A fast generator of its own makes their uses, fulls and pickups (no
doors, no waiting: those have the simulator): uses by a rate for each hour of the week, busier in
one week than in another by a gamma factor; each use's volume from a gamma distribution; a full
container is swapped some hours later or collected by its rule, whichever comes first, and takes
nothing meanwhile. What the analyzer is given are uses, `full` events and the site file.

The truth needs no simulation: the volume of n uses is gamma, so that the chance that n uses fill
the container, and with it the median uses to full and the chance that a week's uses do, is a sum.

- uses to full: mean and median of the Weibull life, and the median of the Kaplan-Meier curve,
  against the true ones.
- diversion by volume: each whole month's interval against the litres that really fell in it.
- diversion by mass: the same in kilograms; true densities are drawn around the published ones
  with the deviation that the analyzer assumes, so this tests the bookkeeping, not the assumption.
  Months of one building share their fill model and densities: they are not independent.
- pickup risk: the chance that a container is full before the next pickup, under the present rule.
"""

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import gamma, nbinom

from loganalyzer.bins import collections
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.localtime import exposure
from loganalyzer.measures.coverage import coverage
from loganalyzer.measures.mass import FACTORS, KG_M3, PUBLISHED_SPREAD
from loganalyzer.site import parse_site
from loganalyzer.stats import wilson
from loganalyzer.tables import conform, empty
from loganalyzer.views.sorting import Sorting

START = pd.Timestamp("2025-01-06", tz="UTC")  # a Monday
WEEKS = 26
HOUR = 3_600_000_000
KINDS = ("refuse", "recycling", "organics")
RULES = ("MO,TH", "TU,FR", "WE")
LITRES = (5.0, 5.0, 3.0)


@dataclass(frozen=True)
class Stream:
    """One stream as it truly is."""

    kind: str
    days: str
    litres: float
    spread: float
    container_l: float
    density: float
    rate: np.ndarray  # uses an hour by hour of the week
    busy: float  # variance of a week's factor

    @property
    def form(self) -> float:
        """Shape of the gamma distribution of one use's volume."""
        return 1 / self.spread**2

    @property
    def rule(self) -> str:
        return f"FREQ=WEEKLY;BYDAY={self.days};BYHOUR=7"

    def fills_by(self, uses: np.ndarray) -> np.ndarray:
        """The chance that so many uses fill the container."""
        volume = gamma(np.maximum(uses, 1e-9) * self.form, scale=self.litres / self.form)
        return np.where(uses > 0, volume.sf(self.container_l), 0.0)

    def median(self) -> float:
        uses = np.arange(1, 20_000)
        return float(uses[np.searchsorted(self.fills_by(uses), 0.5)])

    def mean(self) -> float:
        return 1 + float((1 - self.fills_by(np.arange(1, 20_000))).sum())

    def risk(self) -> float:
        """The chance that it is full before the next pickup, over the pickups of a week."""
        at = [("MO", "TU", "WE", "TH", "FR", "SA", "SU").index(d) * 24 + 7
              for d in self.days.split(",")]  # fmt: skip
        return float(np.mean([
            self._between(a, b) for a, b in zip(at, [*at[1:], at[0] + 168], strict=True)
        ]))  # fmt: skip

    def _between(self, start: int, end: int) -> float:
        """Of one fill; each calendar week that it touches has a factor of its own."""
        hours = np.arange(start, end)
        parts = [self.rate[hours[hours // 168 == week] % 168].sum() for week in (0, 1)]
        counts = np.array([1.0])
        for mean in parts:
            if mean > 0:
                one = nbinom(1 / self.busy, 1 / (1 + self.busy * mean))
                counts = np.convolve(counts, one.pmf(np.arange(int(one.ppf(1 - 1e-9)) + 2)))
        return float((counts * self.fills_by(np.arange(len(counts)))).sum())


def stream(number: int, rng: np.random.Generator) -> Stream:
    """A stream whose container fills in about the time between two pickups."""
    kind, days = KINDS[number], RULES[number]
    hour = np.arange(168) % 24
    shape = 0.05 + np.exp(-((hour - 8) ** 2) / 8) + 1.6 * np.exp(-((hour - 19) ** 2) / 10)
    shape *= np.where(np.arange(168) >= 120, rng.uniform(0.9, 1.5), 1.0)
    weekly = rng.uniform(120, 500)
    litres = LITRES[number] * rng.uniform(0.8, 1.25)
    between = weekly * litres / len(days.split(","))
    factor = PUBLISHED_SPREAD * rng.standard_normal()
    return Stream(
        kind, days, litres, rng.uniform(0.4, 1.0), between * rng.uniform(0.9, 1.25),
        FACTORS[kind][0] * KG_M3 * np.exp(factor), weekly * shape / shape.sum(),
        rng.uniform(0.002, 0.01),
    )  # fmt: skip


def played(one: Stream, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, list[tuple]]:
    """Times (µs) and volumes of the uses that fell, and (time, "on" | "off") of the sensor."""
    start = START.value // 1000
    factor = rng.gamma(1 / one.busy, one.busy, WEEKS)
    counts = rng.poisson(np.repeat(factor, 168) * np.tile(one.rate, WEEKS))
    hours = np.repeat(np.arange(WEEKS * 168), counts)
    asked = np.sort(start + ((hours + rng.random(len(hours))) * HOUR).astype(np.int64))
    volume = rng.gamma(one.form, one.litres / one.form, len(asked))
    until = start + WEEKS * 168 * HOUR
    picked = collections(one.rule, "UTC", START, START + pd.Timedelta(weeks=WEEKS))
    kept, sensor, at = np.ones(len(asked), bool), [], start
    level = rng.uniform(0, 0.5) * one.container_l
    while at < until:
        first = int(np.searchsorted(asked, at))
        later = picked[picked > at]
        collected = int(later[0]) if len(later) else until
        running = level + np.cumsum(volume[first : int(np.searchsorted(asked, collected))])
        full = int(np.searchsorted(running, one.container_l))
        at = collected
        if full < len(running):
            rose = int(asked[first + full])
            at = min(collected, rose + int(rng.lognormal(np.log(4), 0.6) * HOUR))
            kept[(asked > rose) & (asked < at)] = False
            sensor += [(rose + 1, "on"), (min(at, until - 1), "off")]
        level = 0.0
    return asked[kept], volume[kept], sensor


def building(seed: int) -> tuple[list[Stream], Sorting, pd.DataFrame]:
    """The truth, what the analyzer makes of it, and every use's volume."""
    rng = np.random.default_rng([20260304, seed])
    truth = [stream(number, rng) for number in range(3)]
    uses, events = [], []
    for one in truth:
        times, volume, sensor = played(one, rng)
        floors = rng.integers(1, 7, len(times)).astype(str)
        uses.append(pd.DataFrame({"time": times, "volume": volume, "stream": one.kind,
                                  "floor": floors, "density": one.density}))  # fmt: skip
        events += [(t, "full", edge, one.kind) for t, edge in sensor]
    fell = pd.concat(uses).sort_values("time", ignore_index=True)
    events += [(t, "open", "on", None) for t in fell["time"]]
    return truth, _sorting(truth, fell, events), fell


def _sorting(truth: list[Stream], fell: pd.DataFrame, events: list[tuple]) -> Sorting:
    rows = pd.DataFrame(events, columns=["time", "signal", "edge", "stream"])
    rows = rows.sort_values("time", kind="stable", ignore_index=True)
    time_of = pd.to_datetime(rows["time"], unit="us", utc=True).dt.as_unit("us")
    rows = rows.assign(
        site="s", chute="A", time=time_of, device_time=time_of.dt.tz_localize(None),
        seq=rows.index, line=rows.index + 1, source="log", clock="exact",
        floor=np.where(rows["signal"].eq("open"), "1", None),
    )  # fmt: skip
    rows["floor"] = rows["floor"].astype("str").where(rows["signal"].eq("open"))
    timeline = conform(rows, "timeline").to_pandas()
    site = parse_site(_toml(truth), "s.toml")
    sites = {"s": site}
    covered = coverage(timeline)
    opened = pd.to_datetime(fell["time"], unit="us", utc=True).dt.as_unit("us")
    cycles = conform(
        fell[["stream", "floor"]].assign(
            site="s", chute="A", opened=opened, closed=opened, source="log", line=fell.index + 1
        ),
        "cycles",
    ).to_pandas()
    return Sorting(
        timeline, pair(timeline), cycles, empty("visits"), covered, exposure(covered, sites),
        facts(timeline, sites), sites,
    )  # fmt: skip


def _toml(truth: list[Stream]) -> str:
    head = '[site]\nid = "s"\nname = "S"\ntime_zone = "UTC"\n[[chute]]\nid = "A"\nprofile = "x"\n'
    return head + "".join(
        f'[[chute.stream]]\nid = "{one.kind}"\nkind = "{one.kind}"\n'
        f'container_l = {one.container_l:.6f}\npickup = "{one.rule}"\n'
        for one in truth
    )


def results(seed: int) -> Iterator[tuple[str, bool, float]]:
    """What was asked, whether its interval holds the truth, and its width over the truth."""
    truth, found, fell = building(seed)
    model = found.fill_model.set_index("container")
    pickups = found.pickups[found.pickups["present"].eq(True)].set_index("container")
    for one in truth:
        row, true = model.loc[one.kind], one.median()
        if pd.notna(row["median"]):
            yield _held("uses to full", row["mean_low"], row["mean_high"], one.mean())
            yield _held("uses to full, median", row["median_low"], row["median_high"], true)
        curve_low, curve_high = row["median_seen_low"], row["median_seen_high"]
        if pd.notna(curve_low) and pd.notna(curve_high):
            yield _held("uses to full, Kaplan-Meier", curve_low, curve_high, true)
        risk, plan = one.risk(), pickups.loc[one.kind]
        if pd.notna(plan["chance_full"]):
            yield _held("pickup risk", plan["chance_low"], plan["chance_high"], risk)
    month = pd.to_datetime(fell["time"], unit="us").dt.strftime("%Y-%m")
    sorted_out = fell["stream"].ne("refuse")
    for name, column in (("volume", "diversion_by_volume"), ("mass", "diversion")):
        size = fell["volume"] * (fell["density"] if name == "mass" else 1.0)
        true = size.where(sorted_out, 0.0).groupby(month).sum() / size.groupby(month).sum()
        table = found.monthly.drop_duplicates("month").set_index("month")
        for at in true.index[1:-1]:  # whole months
            if pd.notna(table.loc[at, column]):
                low, high = table.loc[at, f"{column}_low"], table.loc[at, f"{column}_high"]
                yield _held(f"diversion by {name}", low, high, true[at])


def _held(name: str, low: float, high: float, true: float) -> tuple[str, bool, float]:
    return name, bool(low <= true <= high), (high - low) / true if true > 0 else np.nan


def main() -> None:
    """Print the coverage."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--seeds", type=int, default=200)
    seeds = options.parse_args().seeds
    begun = time.perf_counter()
    rows = [row for seed in range(seeds) for row in results(seed)]
    table = pd.DataFrame(rows, columns=["interval", "held", "width"])
    print(f"{seeds} buildings of {WEEKS} weeks, {time.perf_counter() - begun:.0f} s; wanted: 90 to "
          "98 % of the 95 % intervals hold the truth")  # fmt: skip
    for name, part in table.groupby("interval", sort=False):
        hits, n = int(part["held"].sum()), len(part)
        low, high = wilson([hits], [n])
        print(f"{name:28} {100 * hits / n:5.1f} % of {n} ({100 * low[0]:.1f} to "
              f"{100 * high[0]:.1f}); half of them narrower than "
              f"{100 * part['width'].median():.1f} % of the truth")  # fmt: skip


if __name__ == "__main__":
    main()
