"""Where a series of daily levels changes: the day it begins to rise, steps, and how sure that is.

As in `stats`, nothing here knows of chutes, and what the numbers cannot give is NaN.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtr

Numbers = NDArray[np.float64]
NAN = float("nan")

# How long a change may take to come about, in the unit of the times (days); 0 is a step.
RAMPS = (0.0, 7.0, 14.0, 28.0, 56.0)
# So many points must lie before a change, and after its beginning.
EDGE = 4


@dataclass(frozen=True)
class Onset:
    """A level that begins to move at `at`, over `ramp`, by `shift` up to the end.

    Attributes:
        at: Time of the beginning, the mean of all tried, each as likely as its line makes the
            levels; `at_low` to `at_high` are the beginnings that fit about as well as the best.
        ramp: How long the best took (one of `RAMPS`); what is not over at the end goes on.
        shift: How far it had moved at the end, with its 95 % interval `low` to `high`, given
            the beginning.
        before: The level before.
        p: That nothing changed, two-sided, for all beginnings that were tried together.
    """

    at: float
    at_low: float
    at_high: float
    ramp: float
    shift: float
    low: float
    high: float
    before: float
    p: float


def onset(times: ArrayLike, levels: ArrayLike, weights: ArrayLike) -> Onset:
    """Find when a level began to move, by least squares over all beginnings and ramps.

    Args:
        times: Ascending, shape (n,).
        levels: Shape (n,).
        weights: How many observations stand behind each, shape (n,), above 0.

    Returns:
        NaN with fewer than 3 * EDGE points. Levels that hang on those of the day before make
        the estimate less sure: the variance is inflated by (1 + r) / (1 - r), r their
        correlation from one point to the next.

    Source: a broken line fitted over a grid (two-phase regression, D. V. Hinkley, Biometrika 56
        (1969) 495-504, from memory); Bonferroni over the beginnings tried.
    """
    t, y, w = (np.asarray(part, np.float64) for part in (times, levels, weights))
    n = len(t)
    if n < 3 * EDGE:
        return Onset(*[NAN] * 9)
    begin = t[EDGE:-EDGE]
    at, ramp = (part.ravel() for part in np.meshgrid(begin, RAMPS, indexing="ij"))
    slope, gain, size = _fits(t, y, w, at, ramp)
    best = int(np.argmax(gain >= gain.max() * (1 - 1e-9)))  # of equal ones the shortest ramp
    shape = _shape(t, at[best], ramp[best])
    mean, centre = np.average(y, weights=w), np.average(shape, weights=w)
    rest = y - mean - slope[best] * (shape - centre)
    spread = float((w * rest**2).sum()) / (n - 3) * _inflation(rest * np.sqrt(w))
    se = np.sqrt(max(spread, 1e-18) / size[best])
    score = abs(slope[best]) / se
    p = min(1.0, 2 * float(stdtr(n - 3, -score)) * len(begin))
    near = at[gain >= gain[best] - 3.84 * spread]
    likely = np.exp((gain - gain[best]) / (2 * max(spread, 1e-18)))
    moved = slope[best] * shape[-1]
    half = 1.96 * se * abs(shape[-1])
    begun = float(np.average(at, weights=likely))
    return Onset(
        begun, float(near.min()), float(near.max()), float(ramp[best]), float(moved),
        float(moved - half), float(moved + half), float(mean - slope[best] * centre), p,
    )  # fmt: skip


def _fits(
    t: Numbers, y: Numbers, w: Numbers, at: Numbers, ramp: Numbers
) -> tuple[Numbers, Numbers, Numbers]:
    """Of each candidate: its slope, by how much it lowers the sum of squares, and its size.

    A shape (`_shape`) is nothing, then a line, then 1, so that sums over it are differences of
    running sums, and time and memory grow with the number of candidates alone.
    """
    foot, length = at - 1 - t[0], ramp + 1
    t, y = t - t[0], y - np.average(y, weights=w)
    rises, full = np.searchsorted(t, foot, side="right"), np.searchsorted(t, foot + length)

    def during(sums: Numbers) -> Numbers:
        return np.asarray(sums[full] - sums[rises])

    def after(sums: Numbers) -> Numbers:
        return np.asarray(sums[-1] - sums[full])

    ones, line, square, level, both = (
        np.append(0.0, np.cumsum(w * part)) for part in (np.ones_like(t), t, t * t, y, t * y)
    )
    x = (during(line) - foot * during(ones)) / length + after(ones)
    xx = during(square) - 2 * foot * during(line) + foot**2 * during(ones)
    xy = (during(both) - foot * during(level)) / length + after(level)
    size = np.maximum(xx / length**2 + after(ones) - x**2 / w.sum(), 0.0)
    slope = np.divide(xy, size, out=np.zeros_like(size), where=size > 0)
    return slope, slope**2 * size, np.maximum(size, 1e-18)


def _shape(t: Numbers, at: Numbers | float, ramp: Numbers | float) -> Numbers:
    """0 before `at`, 1 from `at` + `ramp` on, a straight line between."""
    gone = (t - at + 1) / (np.asarray(ramp) + 1)  # the first day of a ramp is part of it
    return np.asarray(np.clip(gone, 0, 1), dtype=np.float64)


def _inflation(rest: Numbers) -> float:
    """By how much the variance of a mean grows where residuals follow one another."""
    total = float((rest**2).sum())
    near = float((rest[1:] * rest[:-1]).sum()) / total if total > 0 else 0.0
    near = min(max(near, 0.0), 0.8)
    return (1 + near) / (1 - near)


def change_points(levels: ArrayLike, noise: float | None = None) -> list[int]:
    """Places at which the mean of a series steps; the first point of each new level.

    Args:
        levels: Shape (n,), no NaN.
        noise: Variance of a single value, null: that of the series. A further change point has to
            lower the sum of squares by 3 * noise * ln n.

    Source: exact segmentation with a penalty (PELT), as computed by the library ruptures.
    """
    # Heavy, and only the technician's tables need it.
    from ruptures import KernelCPD

    y = np.asarray(levels, np.float64)
    if len(y) < 4 or np.ptp(y) == 0:
        return []
    spread = float(y.var()) if noise is None else max(noise, 1e-9 * float(y.var()))
    found = KernelCPD(kernel="linear", min_size=2).fit(y[:, None])
    return [int(end) for end in found.predict(pen=3 * spread * np.log(len(y)))[:-1]]


def noise_of(levels: ArrayLike) -> float:
    """Variance of single values from the differences of neighbours, which steps hardly touch."""
    y = np.asarray(levels, np.float64)
    if len(y) < 3:
        return NAN
    # 1.128 is the mean range of two standard normal values (NIST e-Handbook, 6.3.2.2).
    return float((np.abs(np.diff(y)).mean() / 1.128) ** 2)
