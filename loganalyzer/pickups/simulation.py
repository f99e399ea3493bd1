"""Play a container forward: how much demand fills it, and so when it is full.

A fill ends with its N-th use, N from the container's Weibull life. Uses come by the demand, at
random (Poisson) and busier in one stretch than in another; so the demand, in expected uses, that
is used up when the container is full has a gamma distribution around N. That amount is drawn once
and serves every rule, since a rule only says how much demand lies between two pickups: rules are
compared on the same draws.

Drawn are `WORLDS` worlds (what the life and the level of demand may be, given the log) and in
each `FILLS` fills. A chance is the mean over worlds; its interval is the middle 95 % of the
worlds' chances, and the error of the simulation is the standard error of that mean.

What is taken for granted: a pickup empties the container, and nobody empties it in between.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from loganalyzer.lifetimes import Weibull
from loganalyzer.pickups.demand import Demand

Numbers = NDArray[np.float64]
WORLDS, FILLS, SEED = 200, 400, 20260302


@dataclass(frozen=True)
class Estimate:
    """A figure, its 95 % interval and the error of the simulation."""

    value: float
    low: float
    high: float
    error: float


@dataclass(frozen=True)
class Drawn:
    """Expected uses that fill a container, and that fill it half, sorted by world.

    Shape (worlds, fills) each.
    """

    full: Numbers
    half: Numbers

    def chances(self, demand: Numbers) -> Numbers:
        """The chance that it is full after so much demand, shape (worlds, len(demand))."""
        return _below(self.full, demand)

    def half_chances(self, demand: Numbers) -> Numbers:
        """The chance that it is at least half full after so much demand."""
        return _below(self.half, demand)


def draw(
    life: Weibull, demand: Demand, *, used: float = 0.0, worlds: int = WORLDS, fills: int = FILLS,
    seed: int = SEED,
) -> Drawn:  # fmt: skip
    """Draw how much demand fills a container.

    Args:
        life: Uses to full.
        demand: Uses an hour.
        used: Uses already in it, so that it is known to take more.
        worlds: How many worlds.
        fills: How many fills in each.
        seed: Of the draws.
    """
    rng = np.random.default_rng(seed)
    scale, shape = (values[:, None] for values in life.draws(worlds, rng))
    level = np.exp(demand.level_sd * rng.standard_normal((worlds, 1)))
    # Strata make each world's chances smooth without more draws.
    share = (rng.permuted(np.tile(np.arange(fills), (worlds, 1)), axis=1) + rng.random(
        (worlds, fills)
    )) / fills  # fmt: skip
    whole = scale * ((used / scale) ** shape - np.log1p(-share)) ** (1 / shape)
    left, half = np.maximum(whole - used, 1.0), np.maximum(whole / 2 - used, 0.5)
    busy: Numbers = _busy(demand.excess, (worlds, fills), rng) * level
    return Drawn(np.sort(rng.gamma(left) / busy, axis=1), np.sort(rng.gamma(half) / busy, axis=1))


def estimate(by_world: Numbers) -> Estimate:
    """A figure from its values in each world, shape (worlds,)."""
    low, high = np.quantile(by_world, [0.025, 0.975])
    error = by_world.std(ddof=1) / np.sqrt(len(by_world))
    return Estimate(float(by_world.mean()), float(low), float(high), float(error))


def _busy(excess: float, shape: tuple[int, int], rng: np.random.Generator) -> Numbers:
    """How busy each stretch is: mean 1, variance `excess`."""
    if excess <= 1e-9:
        return np.ones(shape)
    return np.asarray(rng.gamma(1 / excess, excess, shape), dtype=np.float64)


def _below(drawn: Numbers, demand: Numbers) -> Numbers:
    fills = drawn.shape[1]
    found = np.array([np.searchsorted(row, demand, side="right") for row in drawn])
    return np.asarray(found / fills, dtype=np.float64)
