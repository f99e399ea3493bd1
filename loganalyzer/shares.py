"""What the share of each of many groups may be, given the shares of the others.

As in `stats`, nothing here knows of chutes, and what the numbers cannot give is NaN.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, betaln, expit, logit

Numbers = NDArray[np.float64]

STRENGTHS, COMMON = 20, 9  # how many strengths, and common shares, are looked at
WIDE = 3.0  # standard errors around the common share
NEVER = 1e-4  # a world less likely than this beside the likeliest changes nothing
REACH = 6.5  # standard deviations: by Chebyshev, more than a tail of 2.5 % can reach
HALVINGS = 14  # of the search for a quantile


@dataclass(frozen=True)
class Shrunk:
    """The shares of groups, each drawn towards the common one; shape (n,) each.

    Attributes:
        mean: Of what the share may be.
        low, high: Where it lies with 95 %, equal tails.
    """

    mean: Numbers
    low: Numbers
    high: Numbers


def shrunken_shares(hits: ArrayLike, trials: ArrayLike, level: float = 0.95) -> Shrunk:
    """Shrink the shares of groups towards one another by a beta-binomial model.

    The true shares are spread by a beta distribution. How it lies is not known: every common
    share and every strength (a + b, in trials) counts by how likely it makes the counts, so that
    the intervals hold that too. Beforehand the part of its own count that a group of usual size
    keeps, trials / (trials + strength), may be anything between none and all.

    Args:
        hits: Counts of each group, shape (n,); NaN counts as a group without trials.
        trials: Counts, shape (n,); a group without any has the common share.
        level: Share of intervals that hold the truth, 0 to 1.

    Returns:
        NaN where fewer than two groups, or shares that are all 0 or all 1, leave nothing to say.

    Source: beta-binomial model, J. G. Skellam, J. R. Stat. Soc. B 10 (1948) 257-261; the prior
        of the strength: M. J. Daniels, Canadian Journal of Statistics 27 (1999) 567-578. From
        memory.
    """
    x, n = np.asarray(hits, np.float64), np.asarray(trials, np.float64)
    known = ~np.isnan(x) & (n > 0)
    if known.sum() < 2 or not 0 < x[known].sum() < n[known].sum():
        return Shrunk(*np.full((3, len(x)), np.nan))
    share, strength, weight = _worlds(x[known], n[known])
    own, every = np.where(known, x, 0.0)[:, None], np.where(known, n, 0.0)[:, None]
    a, b = own + share * strength, every - own + (1 - share) * strength
    tail = (1 - level) / 2
    return Shrunk(
        (a / (a + b)) @ weight, _quantile(a, b, weight, tail), _quantile(a, b, weight, 1 - tail)
    )


def _worlds(x: Numbers, n: Numbers) -> tuple[Numbers, Numbers, Numbers]:
    """Common shares and strengths that may be, and how likely each is; shape (worlds,) each."""
    kept = (np.arange(STRENGTHS) + 0.5) / STRENGTHS
    usual = np.exp(np.log(n).mean())
    strengths = usual * (1 - kept) / kept
    # The common share is the less sure the more the groups differ.
    told = (n / (1 + (n - 1) / (strengths[:, None] + 1))).sum(axis=1)
    middle = x.sum() / n.sum()
    error = 1 / np.sqrt(told * middle * (1 - middle))
    reach = np.linspace(-WIDE, WIDE, COMMON)
    shares = expit(logit(middle) + error[:, None] * reach)
    share, strength = shares.ravel(), np.repeat(strengths, COMMON)
    likely = _likelihood(share, strength, x, n) + np.log(np.repeat(error, COMMON))
    weight = np.exp(likely - likely.max())
    some = weight > NEVER
    return share[some], strength[some], weight[some] / weight[some].sum()


def _likelihood(share: Numbers, strength: Numbers, x: Numbers, n: Numbers) -> Numbers:
    """Log-likelihood of the counts in each world, without the binomial coefficients."""
    a, b = (share * strength)[:, None], ((1 - share) * strength)[:, None]
    whole: Numbers = (betaln(x + a, n - x + b) - betaln(a, b)).sum(axis=1)
    return whole


def _quantile(a: Numbers, b: Numbers, weight: Numbers, share: float) -> Numbers:
    """Where the mixture of beta distributions of each group (row) has this share below."""
    each = a / (a + b)
    mean = each @ weight
    variance = (each * (1 - each) / (a + b + 1) + (each - mean[:, None]) ** 2) @ weight
    reach = REACH * np.sqrt(variance)
    low, high = (np.clip(end, 0.0, 1.0)[:, None] for end in (mean - reach, mean + reach))
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        below = (betainc(a, b, middle) @ weight)[:, None] < share
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(((low + high) / 2)[:, 0], dtype=np.float64)
