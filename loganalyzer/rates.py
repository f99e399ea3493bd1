"""Formulas for rates: counts over an exposure, compared, shrunk and followed over time.

As in `stats`, nothing here knows of chutes, and what the numbers cannot give is NaN.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import betainc, betaincinv, gammaln, ndtr, ndtri, xlogy

Numbers = NDArray[np.float64]

# Shapes of the gamma distribution that are told apart; above, all groups have one rate.
SHAPES = (1e-3, 1e6)


@dataclass(frozen=True)
class Ratio:
    """A rate over another.

    Attributes:
        ratio: Infinite where the other rate is 0; NaN where both are, or an exposure is 0.
        low: Lower end of its interval.
        high: Upper end of it, infinite where the other rate is 0.
        p: That the rates are the same: twice the smaller tail.
        p_more: The same against the first rate being the higher: its upper tail alone.
    """

    ratio: Numbers
    low: Numbers
    high: Numbers
    p: Numbers
    p_more: Numbers


def poisson_ratio(
    count: ArrayLike, exposure: ArrayLike, other_count: ArrayLike, other_exposure: ArrayLike,
    dispersion: ArrayLike = 1.0, level: float = 0.95,
) -> Ratio:  # fmt: skip
    """Compare two Poisson rates, exactly, given how many events both have together.

    Given the total, the first count is binomial with the share of the first exposure. The
    interval is Clopper's and Pearson's, and `p` twice the smaller tail, so that it is at most
    1 - level just where the interval excludes 1.

    Args:
        count: Events, shape (n,) or one number; so are the other arguments.
        exposure: What they are counted over, above 0.
        other_count: Events to compare with.
        other_exposure: What those are counted over, in the same unit.
        dispersion: Variance over mean of the counts, 1 for Poisson. Both counts are divided by
            it: so many independent events are as sure as these that come in bunches. The
            binomial tails, which need no whole numbers, are read there.
        level: Share of intervals that hold the truth, 0 to 1.

    Source: the conditional test of J. Przyborowski, H. Wilenski, Biometrika 31 (1940) 313-323;
        inflation by the dispersion: P. McCullagh, J. A. Nelder, Generalized Linear Models,
        2nd ed. (1989), section 4.5. From memory.
    """
    parts = (count, exposure, other_count, other_exposure, dispersion)
    x, t, y, u, spread = np.broadcast_arrays(*(np.asarray(part, np.float64) for part in parts))
    t, u = np.where(t > 0, t, np.nan), np.where(u > 0, u, np.nan)
    x, y, share, tail = x / spread, y / spread, t / (t + u), (1 - level) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = (
            np.divide(limit, 1 - limit) * u / t
            for limit in (
                np.where(x > 0, betaincinv(np.where(x > 0, x, 1.0), y + 1, tail), 0.0),
                np.where(y > 0, betaincinv(x + 1, np.where(y > 0, y, 1.0), 1 - tail), 1.0),
            )
        )
        ratio = (x / t) / (y / u)
    more, fewer = _at_least(x, y, share), _at_least(y, x, 1 - share)
    p = np.minimum(2 * np.minimum(more, fewer), 1.0)
    known = ~np.isnan(share)
    return Ratio(ratio, np.where(known, low, np.nan), np.where(known, high, np.nan), p, more)


def _at_least(x: Numbers, y: Numbers, share: Numbers) -> Numbers:
    """The chance of x or more of x + y trials, each with that share; 1 for x = 0."""
    tail = betainc(np.where(x > 0, x, 1.0), y + 1, share)
    return np.where(x > 0, tail, 1.0 + 0 * share)


def dispersion(counts: ArrayLike, exposure: ArrayLike) -> float:
    """Variance over mean of counts in blocks of time, each group about a rate of its own.

    1 for Poisson counts, more where events come in bunches. Of one group with equal exposures
    it is the variance-to-mean ratio.

    Args:
        counts: Events, shape (groups, blocks).
        exposure: What they are counted over, the same shape; blocks without any are left out.

    Returns:
        NaN where no group has an event and two blocks.

    Source: the moment form of Pearson's dispersion (P. McCullagh, J. A. Nelder, Generalized
        Linear Models, 2nd ed. (1989), section 4.5), squares and expectations summed before
        they are divided, so that blocks with little exposure do not rule it. From memory.
    """
    y, e = np.asarray(counts, np.float64), np.asarray(exposure, np.float64)
    y = np.where(e > 0, y, 0.0)
    total = e.sum(axis=1, keepdims=True)
    share = np.divide(e, total, out=np.zeros_like(e), where=total > 0)
    expected = y.sum(axis=1, keepdims=True) * share
    free = float((expected * (1 - share)).sum())
    return float(((y - expected) ** 2).sum()) / free if free > 0 else float("nan")


@dataclass(frozen=True)
class Gamma:
    """How the true rates of groups are spread: a gamma distribution of `shape` and `rate`.

    Its mean is shape / rate. `log_likelihood` is that of the counts it was fitted to.
    """

    shape: float
    rate: float
    log_likelihood: float = float("nan")

    def shrink(self, counts: ArrayLike, exposure: ArrayLike) -> Numbers:
        """The mean rate of each group, given its count too.

        Args:
            counts: Events, shape (n,).
            exposure: What they are counted over, shape (n,); 0 gives the mean of all groups.
        """
        y, t = np.asarray(counts, np.float64), np.asarray(exposure, np.float64)
        return np.asarray((y + self.shape) / (t + self.rate), dtype=np.float64)


def gamma_poisson(counts: ArrayLike, exposure: ArrayLike) -> Gamma:
    """Fit the spread of the groups' rates by maximum likelihood (negative binomial counts).

    Args:
        counts: Events of each group, shape (n,); NaN is left out.
        exposure: What they are counted over, shape (n,); a group without any is left out.

    Returns:
        All NaN where fewer than two groups, or no event, leave nothing to fit. Where counts
        differ no more than chance makes them, the shape is the largest of `SHAPES` and every
        rate shrinks to the common one.

    Source: empirical Bayes rates, D. P. Gaver, I. G. O'Muircheartaigh, Technometrics 29 (1987)
        1-15.
    """
    y, t = np.asarray(counts, np.float64), np.asarray(exposure, np.float64)
    known = ~np.isnan(y) & (t > 0)
    y, t = y[known], t[known]
    if len(y) < 2 or y.sum() <= 0:
        return Gamma(float("nan"), float("nan"))
    common = np.log(y.sum() / t.sum())
    bounds = [np.log(SHAPES), (common - 7, common + 7)]
    # Nelder and Mead's simplex needs no slopes, and few steps for two numbers.
    best = minimize(
        lambda at: -_likelihood(at, y, t), (0.0, common), method="Nelder-Mead", bounds=bounds,
        options={"xatol": 1e-7, "fatol": 1e-11, "maxiter": 2000},
    )  # fmt: skip
    shape, mean = np.exp(best.x)
    return Gamma(float(shape), float(shape / mean), -float(best.fun))


def _likelihood(at: Numbers, y: Numbers, t: Numbers) -> float:
    """Log-likelihood of negative binomial counts; `at`: logarithms of shape and mean rate."""
    shape, mean = np.exp(at)
    rate = shape / mean
    fixed = gammaln(y + shape) - gammaln(shape) - gammaln(y + 1)
    return float((fixed - shape * np.log1p(t / rate) + xlogy(y, t / (rate + t))).sum())


@dataclass(frozen=True)
class Drift:
    """Whether events become more frequent: `z` above 0 where they do, and its two-sided `p`."""

    z: float
    p: float


def laplace(ages: ArrayLike, end: float, dispersion: float = 1.0) -> Drift:
    """Laplace's test for a trend in the rate of events, watched from 0 to `end`.

    Args:
        ages: When each event came, shape (n,), in time or any other growing exposure.
        end: Where watching stopped, not at an event.
        dispersion: Variance over mean of counts of such events; more than 1 in bunches.

    Returns:
        NaN without events.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 8.2.3.4; what `dispersion`
        does is as in `poisson_ratio`.
    """
    at = np.asarray(ages, np.float64)
    if not len(at) or not end > 0:
        return Drift(float("nan"), float("nan"))
    z = float(np.sqrt(12 * len(at) / dispersion) * (at.mean() / end - 0.5))
    return Drift(z, float(2 * ndtr(-abs(z))))


@dataclass(frozen=True)
class Effect:
    """How a rate changed against how that of others changed: 1 is no effect.

    `ratio` with its interval `low` to `high`, and the two-sided `p` that it is 1.
    """

    ratio: float
    low: float
    high: float
    p: float


def ratio_of_ratios(
    after: float, exposure_after: float, before: float, exposure_before: float,
    others: tuple[float, float, float, float] | None = None, dispersion: float = 1.0,
) -> Effect:  # fmt: skip
    """Difference in differences on log rates of Poisson counts.

    Args:
        after: Events after something was done, and before it, with what they are counted over.
        exposure_after: Above 0, as `exposure_before`.
        before: Events before.
        exposure_before: In the same unit.
        others: The same four for those where nothing was done; null: before and after alone.
        dispersion: Variance over mean of the counts, 1 for Poisson.

    Returns:
        Wald's interval. With a count of 0 anywhere, half an event is added to each count.

    Source: the interaction of a Poisson regression with two groups and two periods, whose
        estimate and error have this closed form (Poisson regression: P. McCullagh, J. A. Nelder,
        Generalized Linear Models, 2nd ed. (1989), chapter 6); half an event: J. B. S. Haldane,
        Ann. Hum. Genet. 20 (1956) 309-311. From memory.
    """
    groups = [(after, exposure_after, before, exposure_before), *([others] if others else [])]
    counts = np.array([[g[0], g[2]] for g in groups], np.float64)
    exposures = np.array([[g[1], g[3]] for g in groups], np.float64)
    if (counts == 0).any():
        counts = counts + 0.5
    changes = np.log(counts[:, 0] / exposures[:, 0]) - np.log(counts[:, 1] / exposures[:, 1])
    change = float(changes[0] - (changes[1] if others else 0.0))
    error = float(np.sqrt(dispersion * (1 / counts).sum()))
    half = float(ndtri(0.975)) * error
    return Effect(
        float(np.exp(change)), float(np.exp(change - half)), float(np.exp(change + half)),
        float(2 * ndtr(-abs(change) / error)),
    )  # fmt: skip


def exposure_to_tell(
    rate: float, before: float, ratio: float, power: float = 0.8, level: float = 0.95,
    others: float = 0.0, dispersion: float = 1.0,
) -> float:  # fmt: skip
    """How much exposure after something was done it takes to tell a change of the rate.

    Args:
        rate: Events for each unit of exposure before, above 0.
        before: Events before.
        ratio: The change that is to be told, such as 0.5 for half as many.
        power: The chance to tell it where it is so.
        level: Of the interval that must exclude 1.
        others: What the others' counts add to the variance of the log ratio: the sum of 1 over
            each, 0 without others.
        dispersion: Variance over mean of the counts.

    Returns:
        Exposure in the unit of `rate`; infinite where the counts before are too few for any wait.

    Source: Wald's test of a log ratio of two Poisson rates, the variance under the alternative:
        K. Gu, H. K. T. Ng, M. L. Tang, W. R. Schucany, Biom. J. 50 (2008) 283-298, from memory.
    """
    needed = (np.log(ratio) / (ndtri(0.5 + level / 2) + ndtri(power))) ** 2 / dispersion
    left = needed - 1 / before - others
    return float(1 / (left * rate * ratio)) if left > 0 else float("inf")
