"""Formulas for shares of many groups: how they are spread, and what one group's share may be.

As in `stats`, nothing here knows of chutes, and what the numbers cannot give is NaN.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import betaincinv, betaln, expit, logit

Numbers = NDArray[np.float64]

# How strong a group's prior can be, in trials; above, all groups have one share.
STRENGTHS = (1e-2, 1e6)


@dataclass(frozen=True)
class Beta:
    """How the true shares of groups are spread: a beta distribution with `a` and `b`.

    Its mean is a / (a + b), its strength a + b trials. `log_likelihood` is that of the counts it
    was fitted to, without the binomial coefficients.
    """

    a: float
    b: float
    log_likelihood: float = float("nan")

    def shrink(self, hits: ArrayLike, trials: ArrayLike) -> Numbers:
        """The mean share of each group, given its count too; no trials give the common mean."""
        x, n = np.asarray(hits, np.float64), np.asarray(trials, np.float64)
        return np.asarray((x + self.a) / (n + self.a + self.b), dtype=np.float64)

    def interval(
        self, hits: ArrayLike, trials: ArrayLike, level: float = 0.95
    ) -> tuple[Numbers, Numbers]:
        """Where a group's share lies with this probability, equal tails."""
        x, n = np.asarray(hits, np.float64), np.asarray(trials, np.float64)
        a, b, tail = x + self.a, n - x + self.b, (1 - level) / 2
        return betaincinv(a, b, tail), betaincinv(a, b, 1 - tail)


def beta_binomial(hits: ArrayLike, trials: ArrayLike) -> Beta:
    """Fit the spread of the groups' shares by maximum likelihood.

    Args:
        hits: Counts of each group, shape (n,); NaN is left out.
        trials: Counts, shape (n,); a group without any is left out.

    Returns:
        NaN where fewer than two groups, or shares that are all 0 or all 1, leave nothing to fit.
        Where counts differ no more than chance makes them, the strength is the largest of
        `STRENGTHS` and every share shrinks to the common one.

    Source: beta-binomial model, J. G. Skellam, J. R. Stat. Soc. B 10 (1948) 257-261. From memory.
    """
    x, n = np.asarray(hits, np.float64), np.asarray(trials, np.float64)
    known = ~np.isnan(x) & (n > 0)
    x, n = x[known], n[known]
    if len(x) < 2 or not 0 < x.sum() < n.sum():
        return Beta(float("nan"), float("nan"))
    mean = logit(x.sum() / n.sum())
    bounds = [(mean - 5, mean + 5), tuple(np.log(STRENGTHS))]
    best = min(
        (
            minimize(lambda at: -_likelihood(at, x, n), (mean, start), method="L-BFGS-B",
                     bounds=bounds, options={"ftol": 1e-14, "gtol": 1e-9})
            for start in (1.0, 5.0)
        ),
        key=lambda found: float(found.fun),
    )  # fmt: skip
    share, strength = expit(best.x[0]), np.exp(best.x[1])
    return Beta(float(share * strength), float((1 - share) * strength), -float(best.fun))


def _likelihood(at: Numbers, x: Numbers, n: Numbers) -> float:
    """Log-likelihood; `at`: the logit of the mean share and the logarithm of the strength."""
    share, strength = expit(at[0]), np.exp(at[1])
    a, b = share * strength, (1 - share) * strength
    return float((betaln(x + a, n - x + b) - betaln(a, b)).sum())
