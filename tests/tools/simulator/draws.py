"""Random numbers for a plain Python loop: drawn thousands at a time, handed out one by one."""

from collections.abc import Callable, Iterator

import numpy as np

BATCH = 4096


def supply(draw: Callable[[int], np.ndarray]) -> Callable[[], float]:
    """A function that gives the next number of `draw(BATCH)`, `draw(BATCH)`, …"""
    return _endless(draw).__next__


def lognormal_ms(
    rng: np.random.Generator, median_s: float, sigma: float, tick_ms: int
) -> Callable[[], float]:
    """Durations in ms on the controller's tick, at least one tick."""
    mu = np.log(median_s * 1000)
    return supply(lambda n: on_tick(rng.lognormal(mu, sigma, n), tick_ms))


def on_tick(ms: np.ndarray, tick_ms: int) -> np.ndarray:
    """Durations rounded to whole ticks, at least one."""
    return np.maximum(np.rint(ms / tick_ms), 1).astype(np.int64) * tick_ms


def _endless(draw: Callable[[int], np.ndarray]) -> Iterator[float]:
    while True:
        yield from draw(BATCH).tolist()
