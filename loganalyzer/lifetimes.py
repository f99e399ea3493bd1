"""A Weibull life fitted to lengths of which some are only known to be longer.

As in `stats`, nothing here knows of chutes, and what the numbers cannot give is NaN.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import gamma, ndtri, stdtrit

from loganalyzer.stats import survival_quantile

Numbers = NDArray[np.float64]
SHAPES = (0.05, 200.0)
FEWEST = 2
NAN = float("nan")


@dataclass(frozen=True)
class Estimate:
    """A figure and the ends of its interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Weibull:
    """Survival exp(-(t / scale)**shape).

    Attributes:
        shape: Above 1: the end grows more likely with age.
        scale: In the unit of the lengths.
        covariance: Of (log scale, log shape), shape (2, 2): the inverse of the observed
            information.
        events: How many ends it rests on.
        log_likelihood: Of the lengths it was fitted to.
    """

    shape: float
    scale: float
    covariance: Numbers
    events: int
    log_likelihood: float = NAN

    @property
    def known(self) -> bool:
        """Whether there was enough to fit."""
        return not np.isnan(self.scale)

    def quantile(self, share: float, level: float = 0.95) -> Estimate:
        """By when this share has ended; 0.5 for the median."""
        reach = np.log(-np.log1p(-share))
        return self._estimate(np.exp(reach / self.shape), -reach / self.shape, level)

    def mean(self, level: float = 0.95) -> Estimate:
        """The mean length."""
        step = 1e-5

        def log_mean(log_shape: float) -> float:
            return float(np.log(gamma(1 + np.exp(-log_shape))))

        at = np.log(self.shape)
        slope = (log_mean(at + step) - log_mean(at - step)) / (2 * step)
        return self._estimate(float(np.exp(log_mean(at))), slope, level)

    def shapes(self, level: float = 0.95) -> Estimate:
        """The shape with its interval."""
        half = self._quantile(level) * np.sqrt(self.covariance[1, 1])
        return Estimate(self.shape, self.shape * np.exp(-half), self.shape * np.exp(half))

    def draws(self, number: int, rng: np.random.Generator) -> tuple[Numbers, Numbers]:
        """Scales and shapes as the data leave them open, each of shape (number,).

        A t distribution with as many degrees of freedom as there are ends but one, so that few
        ends leave much open.
        """
        wide = np.sqrt(self._free / rng.chisquare(self._free, number))
        root = np.linalg.cholesky(self.covariance + 1e-12 * np.eye(2))
        logs = (rng.standard_normal((number, 2)) @ root.T) * wide[:, None]
        # A shape that runs away in one of many draws says nothing and would overflow.
        return (
            self.scale * np.exp(np.clip(logs[:, 0], -2, 2)),
            np.clip(self.shape * np.exp(np.clip(logs[:, 1], -2, 2)), *SHAPES),
        )

    @property
    def _free(self) -> int:
        return max(self.events - 1, 1)

    def _quantile(self, level: float) -> float:
        return float(stdtrit(self._free, 0.5 + level / 2))

    def _estimate(self, times_scale: float, slope: float, level: float) -> Estimate:
        """A figure `times_scale` the scale; `slope`: of its logarithm by the log shape."""
        by = np.array([1.0, slope])
        half = self._quantile(level) * np.sqrt(by @ self.covariance @ by)
        value = self.scale * times_scale
        return Estimate(float(value), float(value * np.exp(-half)), float(value * np.exp(half)))


UNKNOWN = Weibull(NAN, NAN, np.full((2, 2), NAN), 0)


def weibull(lengths: ArrayLike, observed: ArrayLike) -> Weibull:
    """Fit by maximum likelihood.

    Args:
        lengths: How long each was followed, shape (n,), above 0; NaN is left out.
        observed: Whether its end was seen (else it was cut off then), shape (n,).

    Returns:
        `UNKNOWN` where fewer than `FEWEST` ends were seen.

    Source: A. C. Cohen, Technometrics 7 (1965) 579-588: the score equation of the shape, the
        scale then in closed form. From memory. Interval: observed information on logarithms.
    """
    t, seen = np.asarray(lengths, np.float64), np.asarray(observed, bool)
    kept = t > 0
    t, seen = t[kept], seen[kept]
    events = int(seen.sum())
    if events < FEWEST:
        return UNKNOWN
    unit = t.max()
    log, ends = np.log(t / unit), np.log(t[seen] / unit).mean()

    def score(shape: float) -> float:
        weight = np.exp(shape * log)
        return float((weight * log).sum() / weight.sum() - 1 / shape - ends)

    low, high = SHAPES
    # Lengths that are all the same have no best shape: it stops at the highest.
    ends_above = score(high) > 0
    shape = float(brentq(score, low, high)) if ends_above and score(low) < 0 else high
    scale = float(unit * (np.exp(shape * log).sum() / events) ** (1 / shape))
    spread = np.log(t / scale)
    z = np.exp(shape * spread)
    x = shape * spread
    information = np.array([
        [shape**2 * z.sum(), -shape * (z * (1 + x)).sum() + shape * events],
        [0.0, (z * x * (1 + x)).sum() - x[seen].sum()],
    ])  # fmt: skip
    information[1, 0] = information[0, 1]
    likelihood = events * np.log(shape) - np.log(t[seen]).sum() + x[seen].sum() - z.sum()
    return Weibull(shape, scale, _inverse(information, shape, events), events, float(likelihood))


def _inverse(information: Numbers, shape: float, events: int) -> Numbers:
    """The covariance; where the shape stopped at its limit, that of so many ends all seen.

    Source: R. B. Abernethy, The New Weibull Handbook: 1.109, 0.608 and 0.257 over n. From memory.
    """
    determinant = float(np.linalg.det(information))
    if shape < 0.99 * SHAPES[1] and determinant > 0:
        return np.asarray(np.linalg.inv(information), dtype=np.float64)
    cross = 0.257 / shape
    return np.array([[1.109 / shape**2, cross], [cross, 0.608]]) / events


def median_interval(curve: pd.DataFrame, level: float = 0.95) -> Estimate:
    """The median of a Kaplan-Meier curve: where its band crosses one half.

    Args:
        curve: What `stats.kaplan_meier` returns.
        level: Share of intervals that hold the truth, 0 to 1.

    Returns:
        NaN where the curve, or that edge of the band, does not come down to one half.

    Source: R. Brookmeyer, J. Crowley, Biometrics 38 (1982) 29-41, with the log(-log) band of
        J. D. Kalbfleisch, R. L. Prentice, The Statistical Analysis of Failure Time Data (1980).
        From memory; agrees with a reference library in the tests.
    """
    s, se = curve["survival"].to_numpy(), curve["se"].to_numpy()
    inner = (s > 0) & (s < 1)
    safe = np.where(inner, s, 0.5)
    half = ndtri(0.5 + level / 2) * np.where(inner, se, 0.0) / (safe * np.abs(np.log(safe)))
    low = np.where(inner, safe ** np.exp(half), s)
    high = np.where(inner, safe ** np.exp(-half), s)
    at = [survival_quantile(curve.assign(survival=edge), 0.5) for edge in (s, low, high)]
    return Estimate(*at)
