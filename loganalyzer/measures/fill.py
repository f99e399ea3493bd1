"""How many uses fill a container: a length of which some are only known to be longer.

A pickup before the container was full tells only "more than so many uses". Kaplan's and Meier's
curve takes nothing for granted; a Weibull life smooths it, tells beyond the longest fill and
carries into the simulation of pickups. Where fewer than three fulls were seen but the log has
levels, each fill's highest reading is carried on to full: uses x 100 / level. A reading tells the
level to half a step of the sensor, alike in every fill: that error is added to the life's.

A sensor that tells full a little below the rim does so at `full_at` of the container's litres, as
the site file says; else where fine level readings show it (the usual reading of a full
container), else at all of it.

Litres a use follow from the container's litres: the first use beyond the rim overshoots it by
half a use and more, which renewal theory gives as (1 + v) / 2 uses, v being the squared
coefficient of variation of a use's volume, itself read from the spread of uses to full.

Source: `stats.kaplan_meier`, `lifetimes.weibull`; overshoot: D. R. Cox, Renewal Theory (1962),
section 3.1. From memory. How much log a model needs: common practice, no source.
"""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.bins import BIN, rows_of
from loganalyzer.facts import counts, why
from loganalyzer.lifetimes import UNKNOWN, Estimate, Weibull, median_interval, weibull
from loganalyzer.stats import kaplan_meier
from loganalyzer.tables import require

FEWEST_FULL = 3
FEWEST_FILLS = 4  # where levels stand for fulls
FINE_STEP = 5.0  # per cent, of level readings that show where a sensor sees full
LEAST_LEVEL = 25.0  # per cent, of a fill that is carried on to full
NO_FILLS = "no whole fill in the log"
NEVER_FULL = "never full: only 'more than so many uses' is known"
TOO_FEW = f"fewer than {FEWEST_FULL} fulls, and no levels to carry on"
NO_LITRES = "the container's litres are not in the site file"
FULL, LEVELS = "fulls seen", "levels carried on to full"
FIGURES = [
    "method", "fills", "fulls", "cut_off", "most_uses", "median_seen",
    "median_seen_low", "median_seen_high", "shape", "shape_low", "shape_high", "scale", "median",
    "median_low", "median_high", "mean", "mean_low", "mean_high", "full_at", "litres_a_use",
    "litres_low", "litres_high", "use_spread",
]  # fmt: skip
COLUMNS = [*BIN, "stream", *FIGURES, "reason"]


Key = tuple[str, str, str]


def lives(containers: pd.DataFrame, held: pd.DataFrame) -> dict[Key, tuple[Weibull, str]]:
    """The fitted life of each container, and by which method; `UNKNOWN` where none fits."""
    require(containers, *BIN, "state", "drops", "drops_before", "level", "reason")
    at = full_at(containers, held)
    return {
        key: _life(part, at[key]) for key, part in _by_container(_fills(containers)) if key in at
    }


def full_at(containers: pd.DataFrame, held: pd.DataFrame) -> dict[Key, float]:
    """The share of its litres at which each container of `held` is told full."""
    given = {(row.site, row.chute, row.container): float(row.full_at) for row in rows_of(held)}
    read = {key: _full_level(part) for key, part in _by_container(containers)}
    return {key: share if share == share else read.get(key, 1.0) for key, share in given.items()}


def _full_level(fills: pd.DataFrame) -> float:
    """The usual last reading of full containers as a share; 1 where readings are coarse."""
    readings = np.unique(fills["level"].dropna())
    step = np.diff(readings).min() if len(readings) > 1 else np.inf
    usual = fills.loc[fills["state"].eq("full"), "level"].median()
    return float(usual) / 100 if step <= FINE_STEP and 50 <= usual <= 100 else 1.0


def _by_container(table: pd.DataFrame) -> Iterator[tuple[Key, pd.DataFrame]]:
    for key, part in table.groupby(BIN, observed=True, sort=False):
        yield (str(key[0]), str(key[1]), str(key[2])), part


def fill_model(containers: pd.DataFrame, held: pd.DataFrame) -> pd.DataFrame:
    """Uses to full and litres a use of each container.

    Args:
        containers: The table of that name.
        held: What `bins.bins` returns.

    Returns:
        One row a container of `held`: `site`, `chute`, `container`, `stream` (its first),
        `method`, `fills` (with a known beginning), `fulls`, `cut_off` (emptied before),
        `most_uses` (of a fill that was not full), `median_seen` (Kaplan-Meier) with its 95 %
        interval, `shape` and `scale` of the Weibull life, its `median` and `mean` uses to full
        with theirs, `full_at` (see above), `litres_a_use` with `litres_low` to `litres_high`,
        `use_spread` (standard deviation of a use's volume over its mean), `reason` (why the
        model is null, or, with a model, the litres).
    """
    known, at = lives(containers, held), full_at(containers, held)
    fills = dict(_by_container(_fills(containers)))
    table = held.drop_duplicates(BIN).reset_index(drop=True)
    rows = [
        _row(fills.get(key), *known.get(key, (UNKNOWN, "")), row.container_l * at[key], at[key])
        for row in rows_of(held)
        for key in [(row.site, row.chute, row.container)]
    ]
    figures = pd.DataFrame(rows, index=table.index).reindex(columns=FIGURES)
    found = table[[*BIN, "first"]].rename(columns={"first": "stream"}).join(figures)
    numbers = [name for name in FIGURES if name != "method"]
    found = found.astype(dict.fromkeys(numbers, "float64") | {"method": "str"})
    for name in ("fills", "fulls", "cut_off"):
        found[name] = counts(found[name], True)
    fitted = found["scale"].notna()
    found["reason"] = why(
        (found["fills"].eq(0), NO_FILLS),
        (~fitted & found["fulls"].eq(0), NEVER_FULL), (~fitted, TOO_FEW),
        (found["litres_a_use"].isna(), NO_LITRES),
    )  # fmt: skip
    return found[COLUMNS]


def _fills(containers: pd.DataFrame) -> pd.DataFrame:
    """The fills whose uses are known from their beginning, those still going on included."""
    kept = containers["state"].isin(["full", "not full", "filling"]) & containers["reason"].isna()
    fills = containers[kept & containers["drops"].gt(0)]
    full = fills["state"].eq("full")
    uses = fills["drops_before"].where(full, fills["drops"]).astype("float64")
    return fills.assign(full=full, uses=uses)


def _life(fills: pd.DataFrame, at: float) -> tuple[Weibull, str]:
    if int(fills["full"].sum()) >= FEWEST_FULL:
        return weibull(fills["uses"], fills["full"]), FULL
    carried = _carried(fills, at)
    if len(carried) >= FEWEST_FILLS:
        return _coarse(weibull(carried, np.ones(len(carried), bool)), fills["level"]), LEVELS
    return UNKNOWN, ""


def _coarse(life: Weibull, level: pd.Series) -> Weibull:
    """The same life, less sure by the step of its sensor: evenly within half a step each way."""
    read = level[level.between(LEAST_LEVEL, 100)]
    step = float(np.diff(np.unique(np.append(read, [0.0, 100.0]))).min())
    error = step / np.sqrt(12) / float(read.mean())
    return replace(life, covariance=life.covariance + np.diag([error**2, 0.0]))


def _carried(fills: pd.DataFrame, at: float) -> NDArray[np.float64]:
    """Uses to full by the last level reading of each fill, or seen; low readings tell little."""
    level, uses = fills["level"], fills["drops_at_level"].astype("float64")
    read = uses * 100 * at / level.where(level.between(LEAST_LEVEL, 100) & uses.gt(0))
    both = fills["uses"].where(fills["full"], read)
    return both.dropna().to_numpy(dtype=np.float64)


def _row(
    fills: pd.DataFrame | None, life: Weibull, method: str, litres: float, at: float
) -> dict[str, Any]:
    """One container's figures."""
    if fills is None:
        return {"fills": 0, "fulls": 0, "cut_off": 0, "scale": np.nan, "litres_a_use": np.nan}
    curve = kaplan_meier(fills["uses"], fills["full"])
    seen = median_interval(curve) if len(curve) else Estimate(np.nan, np.nan, np.nan)
    short = fills["uses"].where(~fills["full"]).max()
    told = {
        "method": method or None, "fills": len(fills), "fulls": int(fills["full"].sum()),
        "cut_off": int((~fills["full"]).sum()), "most_uses": short,
        **_named("median_seen", seen), "scale": life.scale, "full_at": at,
    }  # fmt: skip
    if not life.known:
        return {**told, "litres_a_use": np.nan}
    mean = life.mean()
    over = (1 + use_spread(life) ** 2) / 2
    figures = [litres / max(uses - over, 1.0) for uses in (mean.value, mean.high, mean.low)]
    return {
        **told, **_named("shape", life.shapes()), **_named("median", life.quantile(0.5)),
        **_named("mean", mean), "litres_a_use": figures[0], "litres_low": figures[1],
        "litres_high": figures[2], "use_spread": use_spread(life),
    }  # fmt: skip


def use_spread(life: Weibull) -> float:
    """Standard deviation of a use's volume over its mean, from the spread of uses to full.

    The number of independent uses that fill a volume has the variance v x mean.
    """
    first = life.mean().value
    second = life.scale**2 * float(np.exp(_log_gamma(1 + 2 / life.shape)))
    return float(np.sqrt(max(second - first**2, 0.0) / first))


def _log_gamma(x: float) -> float:
    from scipy.special import gammaln

    return float(gammaln(x))


def _named(name: str, estimate: Estimate) -> dict[str, float]:
    return {
        name: estimate.value, f"{name}_low": estimate.low, f"{name}_high": estimate.high
    }  # fmt: skip
