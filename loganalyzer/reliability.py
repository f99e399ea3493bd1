"""Formulas for repairable things: growth, control charts, circles and bunching.

As in `stats`, nothing here knows of chutes, and what the numbers cannot give is NaN. Laplace's
test, the exact ratio of two rates and the dispersion about groups' own rates are in `rates`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, chdtri, gammaln, ndtri, pdtrc

Numbers = NDArray[np.float64]
NAN = float("nan")


@dataclass(frozen=True)
class PowerLaw:
    """A power-law process: the expected number of events by age t is scale * t ** shape.

    Attributes:
        shape: Growth parameter, reduced in bias: above 1 events become more frequent.
        low: Lower end of the exact 95 % interval of the shape.
        high: Upper end of it.
        raw: The maximum likelihood estimate of the shape, which is too high for few events.
        scale: To go with `shape`.
        p: That the rate is constant, two-sided (MIL-HDBK-189).
        gap: Mean time between events at the end, in the unit of the ages.
        gap_low, gap_high: Its interval at the level asked for.
    """

    shape: float
    low: float
    high: float
    raw: float
    scale: float
    p: float
    gap: float
    gap_low: float
    gap_high: float


def power_law(ages: ArrayLike, end: float, level: float = 0.95) -> PowerLaw:
    """Fit a power-law (Crow-AMSAA) process to the events of one thing, watched from 0 to `end`.

    Args:
        ages: When each event came, shape (n,), above 0; any growing exposure.
        end: Where watching stopped.
        level: Of the interval of the time between events.

    Returns:
        All NaN with fewer than two events.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, sections 8.2.3.4 (test) and 8.4.5.2
        (fit, interval of the time between events); the interval of the shape is that of
        2 n shape / estimate being chi-square, MIL-HDBK-189, from memory.
    """
    at = np.asarray(ages, np.float64)
    n = len(at)
    if n < 2 or not end > 0 or not (at > 0).all():
        return PowerLaw(*[NAN] * 9)
    logs = float(np.log(end / at).sum())
    if logs <= 0:
        return PowerLaw(*[NAN] * 9)
    shape = (n - 1) / logs
    low, high = (chdtri(2 * n, tail) / (2 * logs) for tail in (0.975, 0.025))
    above = float(chdtrc(2 * n, 2 * logs))
    gap = end / (n * shape)
    z = float(ndtri(0.5 + level / 2))
    scaled = gap * n * (n - 1)
    return PowerLaw(
        shape, float(low), float(high), n / logs, n / end**shape,
        min(1.0, 2 * min(above, 1 - above)), gap,
        scaled / (n + z**2 / 4 + np.sqrt(n * z**2 / 2 + z**4 / 16)) ** 2,
        scaled / (n - z * np.sqrt(n / 2)) ** 2 if n > z * np.sqrt(n / 2) else float("inf"),
    )  # fmt: skip


@dataclass(frozen=True)
class Chart:
    """A control chart: a line and the limits that it leaves only rarely by chance.

    `line` and `other` are the upper and lower sums of a CUSUM; an EWMA has only `line`.
    """

    line: Numbers
    low: Numbers
    high: Numbers
    other: Numbers

    @property
    def above(self) -> NDArray[np.bool_]:
        """Where the line is above its upper limit."""
        return np.asarray(self.line > self.high)


def ewma(values: ArrayLike, target: float, sigma: float, weight: float, width: float) -> Chart:
    """Exponentially weighted moving average with limits that widen from the start.

    Args:
        values: Shape (n,), in order; NaN leaves the line where it is.
        target: Where the line starts.
        sigma: Standard deviation of a single value.
        weight: Of the newest value, 0 to 1.
        width: Of the limits, in standard deviations of the line.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.4.
    """
    x, line, at = np.asarray(values, np.float64), [], target
    for value in x.tolist():
        at = at if np.isnan(value) else weight * value + (1 - weight) * at
        line.append(at)
    steps = 1 - (1 - weight) ** (2 * np.arange(1, len(x) + 1))
    half = width * sigma * np.sqrt(weight / (2 - weight) * steps)
    return Chart(np.array(line, dtype=float), target - half, target + half, np.empty(0))


def cusum(values: ArrayLike, target: float, slack: float, limit: float) -> Chart:
    """Tabular CUSUM: sums of what lies above, and below, the target by more than the slack.

    Args:
        values: Shape (n,), in order; NaN adds nothing.
        target: What is expected.
        slack: k, in the unit of the values.
        limit: h, at which a sum signals.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3.
    """
    step = np.nan_to_num(np.asarray(values, np.float64) - target)
    high, low, up, down = [], [], 0.0, 0.0
    for value in step.tolist():
        up, down = max(0.0, up + value - slack), max(0.0, down - value - slack)
        high.append(up)
        low.append(down)
    bound = np.full(len(step), limit, dtype=float)
    return Chart(np.array(high, dtype=float), 0 * bound, bound, np.array(low, dtype=float))


@dataclass(frozen=True)
class Direction:
    """Where angles point: `mean` (radians, 0 to 2 pi), `length` (0 to 1), `p` of no direction."""

    mean: float
    length: float
    z: float
    p: float
    n: int


def rayleigh(angles: ArrayLike) -> Direction:
    """Rayleigh's test that angles point nowhere in particular.

    Args:
        angles: Radians, shape (n,).

    Returns:
        NaN without angles.

    Source: J. H. Zar, Biostatistical Analysis, chapter 27, from memory; p by the formula there.
    """
    at = np.asarray(angles, np.float64)
    n = len(at)
    if not n:
        return Direction(NAN, NAN, NAN, NAN, 0)
    total = np.exp(1j * at).sum()
    reach = float(abs(total))
    root = np.sqrt(1 + 4 * n + 4 * max(n**2 - reach**2, 0.0))
    p = min(1.0, float(np.exp(root - (1 + 2 * n))))
    return Direction(float(np.angle(total)) % (2 * np.pi), reach / n, reach**2 / n, p, n)


def bunching(counts: ArrayLike) -> tuple[float, float]:
    """Index of dispersion of counts in equal stretches, and the chance of so much of it.

    Args:
        counts: Events a stretch, shape (n,).

    Returns:
        Variance over mean (1 for Poisson, more where events come in bunches), and the upper
        tail of chi-square; NaN with fewer than two stretches or no event.

    Source: R. A. Fisher's index of dispersion, (n - 1) variance / mean against chi-square.
    """
    x = np.asarray(counts, np.float64)
    if len(x) < 2 or x.sum() <= 0:
        return NAN, NAN
    index = float(x.var(ddof=1) / x.mean())
    return index, float(chdtrc(len(x) - 1, (len(x) - 1) * index))


def at_least(count: ArrayLike, expected: ArrayLike) -> Numbers:
    """The chance of so many events or more where so many are expected (Poisson)."""
    x, mean = np.asarray(count, np.float64), np.asarray(expected, np.float64)
    return np.where(x > 0, pdtrc(np.maximum(x - 1, 0), mean), 1.0)


def burst(ages: ArrayLike, end: float, rate: float, least: float) -> tuple[int, float]:
    """From which event on there are too many for a known rate, and how sure that is.

    Args:
        ages: When each event came, ascending, shape (n,), n at least 1.
        end: Where watching stopped.
        rate: Events expected a unit of age.
        least: The shortest stretch that is looked at; a few close together are no more.

    Returns:
        Place of the first event of the stretch up to the end that chance makes least likely,
        and that chance (upper Poisson tail), for all n stretches tried together.
    """
    at = np.asarray(ages, np.float64)
    left = len(at) - np.arange(len(at))
    chance = at_least(left, rate * np.maximum(end - at, least))
    first = int(np.argmin(chance))
    return first, min(1.0, float(chance[first]) * len(at))


@dataclass(frozen=True)
class Beginning:
    """When events began to come too often: `at`, in 95 of 100 cases between `low` and `high`."""

    at: float
    low: float
    high: float


def beginning(ages: ArrayLike, end: float, rate: float, first: int) -> Beginning:
    """When events, that came at a known rate, began to come more often.

    The first of the many came some time after that; how long depends on how often they come.

    Args:
        ages: When each event came, ascending, shape (n,).
        end: Where watching stopped, not before the last event.
        rate: Events expected a unit of age before.
        first: Place of the first event that surely was too many (`burst`): `at` is no later.

    Returns:
        Median and 95 % interval of the beginnings, each as likely as it makes the events.

    Source: A. E. Raftery, V. E. Akman, Biometrika 73 (1986) 85-89, from memory: a step of a
        Poisson rate; the rate before is known here, that after has the prior 1 / rate.
    """
    at = np.asarray(ages, np.float64)
    latest = at[max(len(at) - LEAST_AFTER, first)]
    begin = np.linspace(0.0, max(float(latest), 1e-9), BEGINNINGS)
    before = np.searchsorted(at, begin, side="left")
    after = len(at) - before
    likely = before * np.log(rate) - rate * begin + gammaln(after)
    likely = likely - after * np.log(np.maximum(end - begin, 1e-9))
    share = np.exp(likely - likely.max()).cumsum()
    low, mid, high = begin[np.searchsorted(share, np.array([0.025, 0.5, 0.975]) * share[-1])]
    mid = min(mid, at[first])
    return Beginning(float(mid), float(min(low, mid)), float(high))


BEGINNINGS, LEAST_AFTER = 2001, 3  # places tried, and events that come after the last of them
