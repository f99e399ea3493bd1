"""Formulas from books, on columns of numbers.

Nothing here knows of chutes. A result that the numbers cannot give is NaN, never an error,
so that one empty group does not stop a table.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import btdtrib, gammaincinv, ndtri

Numbers = NDArray[np.float64]


def wilson(hits: ArrayLike, trials: ArrayLike, level: float = 0.95) -> tuple[Numbers, Numbers]:
    """The score interval of a share.

    Args:
        hits: Counts, shape (n,).
        trials: Counts, shape (n,); 0, NaN or fewer than the hits gives NaN.
        level: Share of intervals that hold the truth, 0 to 1.

    Returns:
        Lower and upper limits of hits / trials, each of shape (n,).

    Source: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212; method 3 of R. G. Newcombe,
        Stat. Med. 17 (1998) 857-872.
    """
    x, n = _floats(hits), _floats(trials)
    n = np.where((n > 0) & (x <= n), n, np.nan)
    z = ndtri(0.5 + level / 2)
    centre = (x + z**2 / 2) / (n + z**2)
    half = z / (n + z**2) * np.sqrt(x * (n - x) / n + z**2 / 4)
    # Rounding leaves a trace where the limit is exactly 0 or 1.
    return np.where(x == 0, 0 * n, centre - half), np.where(x == n, 1 + 0 * n, centre + half)


def poisson_interval(counts: ArrayLike, level: float = 0.95) -> tuple[Numbers, Numbers]:
    """The exact interval of a Poisson mean; divide both limits by the exposure for a rate.

    Args:
        counts: Events seen, shape (n,); NaN gives NaN.
        level: Share of intervals that hold the truth, 0 to 1.

    Returns:
        Lower and upper limits of the mean, each of shape (n,); the lower is 0 at count 0.

    Source: F. Garwood, Biometrika 28 (1936) 437-442. The chi-square quantiles of the paper
        are written as quantiles of the gamma distribution.
    """
    n, tail = _floats(counts), (1 - level) / 2
    low = np.where(n > 0, gammaincinv(np.where(n > 0, n, 1.0), tail), 0.0 * n)
    return low, gammaincinv(n + 1, 1 - tail)


def poisson_prediction(
    counts: ArrayLike, ratio: ArrayLike, level: float = 0.95
) -> tuple[Numbers, Numbers]:
    """What a Poisson count may be in another time, given the count of a time before.

    Args:
        counts: Events seen, shape (n,); may be fractions, as weighted sums are.
        ratio: The other time as a share of that in which they were seen, shape (n,); 0 or NaN
            gives NaN.
        level: Share of intervals that hold the other count.

    Returns:
        Lower and upper limits of the other count, whole numbers, each of shape (n,).

    Source: the predictive distribution of a Poisson count after Jeffreys's prior, a negative
        binomial; A. Gelman et al., Bayesian Data Analysis, chapter 2 (from memory).
    """
    n, tail = _floats(counts) + 0.5, (1 - level) / 2
    share = 1 / (1 + np.where(_floats(ratio) > 0, ratio, np.nan))
    low, high = (np.maximum(np.ceil(btdtrib(n, q, share) - 1 - 1e-9), 0) for q in (tail, 1 - tail))
    return np.where(np.isnan(share), np.nan, low), np.where(np.isnan(share), np.nan, high)


def kaplan_meier(durations: ArrayLike, observed: ArrayLike) -> pd.DataFrame:
    """The share still going on after each time, where some ends were not seen.

    Args:
        durations: How long each was followed, shape (n,), any unit; NaN is left out.
        observed: Whether its end was seen (else it was cut off then), shape (n,).

    Returns:
        One row a distinct time at which an end was seen, ascending: `time`, `at_risk`,
        `events`, `survival` and its standard error `se` (Greenwood; NaN at survival 0).
        One that is cut off at a time is still at risk at that time.

    Source: E. L. Kaplan, P. Meier, J. Am. Stat. Assoc. 53 (1958) 457-481.
    """
    time, seen = _floats(durations), np.asarray(observed, dtype=bool)
    time, seen = time[~np.isnan(time)], seen[~np.isnan(time)]
    times, events = np.unique(time[seen], return_counts=True)
    at_risk = len(time) - np.searchsorted(np.sort(time), times, side="left")
    survival = np.cumprod(1 - events / at_risk)
    left = np.where(at_risk > events, at_risk - events, np.nan)
    se = survival * np.sqrt(np.cumsum(events / (at_risk * left)))
    return pd.DataFrame(
        {"time": times, "at_risk": at_risk, "events": events, "survival": survival, "se": se}
    )


def survival_quantile(curve: pd.DataFrame, share: float) -> float:
    """The time by which a share has ended, or NaN where the curve stays above it.

    Args:
        curve: What `kaplan_meier` returns.
        share: 0.5 for the median.
    """
    # A product of fractions may miss the exact share by the last bit.
    reached = np.flatnonzero(curve["survival"].to_numpy() <= 1 - share + 1e-12)
    return float(curve["time"].to_numpy()[reached[0]]) if len(reached) else float("nan")


def survival_at(curve: pd.DataFrame, time: float) -> tuple[float, float]:
    """The share still going on after a time, and its standard error.

    Args:
        curve: What `kaplan_meier` returns.
        time: In its unit; one that ends at this very time has ended.
    """
    before = int(np.searchsorted(curve["time"].to_numpy(), time, side="right"))
    if not before:
        return 1.0, 0.0
    return float(curve["survival"].iloc[before - 1]), float(curve["se"].iloc[before - 1])


@dataclass(frozen=True)
class Trend:
    """A straight trend: slope with its interval, Kendall's tau and its p-value."""

    slope: float
    low: float
    high: float
    tau: float
    p: float
    n: int


def theil_sen(x: ArrayLike, y: ArrayLike, level: float = 0.95) -> Trend:
    """The median of all slopes between two points, and a test that there is a trend.

    Args:
        x: Shape (n,).
        y: Shape (n,).
        level: Share of intervals that hold the truth, 0 to 1.

    Returns:
        All NaN where fewer than three points or no spread in `x` leave nothing to say.
        p is exact for small n without ties, else from the normal approximation.

    Source: P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389; M. G. Kendall, Biometrika 30
        (1938) 81-93; both as computed by scipy.stats.
    """
    # Heavy, and only a summary of trends needs it.
    from scipy.stats import kendalltau, theilslopes

    x, y = _floats(x), _floats(y)
    if len(x) < 3 or np.ptp(x) == 0:
        nan = float("nan")
        return Trend(nan, nan, nan, nan, nan, len(x))
    slope, _, low, high = theilslopes(y, x, level)
    if np.ptp(y) == 0:
        return Trend(0.0, float(low), float(high), 0.0, 1.0, len(x))
    tau, p = kendalltau(x, y)
    return Trend(float(slope), float(low), float(high), float(tau), float(p), len(x))


def benjamini_hochberg(p_values: ArrayLike) -> Numbers:
    """Adjusted p-values: acting on those up to q keeps false discoveries at a share of q.

    Args:
        p_values: Shape (n,); NaN stays NaN and does not count as a test.

    Source: Y. Benjamini, Y. Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300. Written out, since
        scipy.stats takes half a second to load.
    """
    p = _floats(p_values)
    adjusted, known = np.full(len(p), np.nan), np.flatnonzero(~np.isnan(p))
    order = known[np.argsort(p[known])][::-1]  # the largest first
    rank = np.arange(len(order), 0, -1)
    adjusted[order] = np.minimum.accumulate(np.minimum(p[order] * len(order) / rank, 1.0))
    return adjusted


def erlang_b(load: ArrayLike, servers: int = 1) -> Numbers:
    """The share of attempts that find all servers busy, where nobody waits or tries again.

    It holds for attempts that come independently at one rate (Poisson), whatever the lengths
    of service; with one server it is load / (1 + load).

    Args:
        load: Offered load in erlangs (attempts a second times mean seconds of service),
            shape (n,); NaN or below 0 gives NaN.
        servers: How many.

    Source: A. K. Erlang, Elektroteknikeren 13 (1917) 5-13, cited from memory; the recursion
        B(c) = A B(c-1) / (c + A B(c-1)) with B(0) = 1.
    """
    offered = _floats(load)
    offered = np.where(offered >= 0, offered, np.nan)
    lost = np.ones_like(offered)
    for server in range(1, servers + 1):
        lost = offered * lost / (server + offered * lost)
    return lost


def engset(sources: ArrayLike, load: ArrayLike) -> tuple[Numbers, Numbers, Numbers]:
    """One server and a limited number of sources, each of which is idle or served.

    Args:
        sources: How many there are, shape (n,); below 1 gives NaN.
        load: Attempts a second of one idle source times mean seconds of service, shape (n,).

    Returns:
        Time congestion (share of time the server is busy), call congestion (share of attempts
        that find it busy: the time congestion with one source less) and traffic congestion
        (share of the offered load that is lost), each of shape (n,).

    Source: T. O. Engset, Elektrotechnische Zeitschrift 39 (1918) 304-306, cited from memory.
    """
    number, idle = _floats(sources), _floats(load)
    known = (number >= 1) & (idle >= 0)
    number, idle = np.where(known, number, np.nan), np.where(known, idle, np.nan)
    time = number * idle / (1 + number * idle)
    call = (number - 1) * idle / (1 + (number - 1) * idle)
    offered, carried = number * idle / (1 + idle), time
    with np.errstate(invalid="ignore"):
        return time, call, np.where(offered > 0, 1 - carried / offered, 0.0 * offered)


def free_fall_s(height_m: ArrayLike) -> Numbers:
    """Seconds that anything takes at least to fall so far from rest; NaN for no height.

    Air and walls only slow the fall, so no real fall is faster.

    Args:
        height_m: Shape (n,), metres; NaN gives NaN, a negative height too.

    Source: t = sqrt(2 h / g); standard gravity 9.80665 m/s2, 3rd CGPM (1901).
    """
    height = _floats(height_m)
    return np.sqrt(2 * np.where(height >= 0, height, np.nan) / STANDARD_GRAVITY)


STANDARD_GRAVITY = 9.80665  # m/s2


def _floats(values: ArrayLike) -> Numbers:
    if isinstance(values, pd.Series):
        return values.to_numpy(dtype="float64", na_value=np.nan)
    return np.asarray(values, dtype="float64")
