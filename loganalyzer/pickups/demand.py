"""How fast a container's streams are used: uses an hour, by hour of the local week.

Time in which a container of the chute was full is left out, uses and hours alike: nobody could
use it, so the log understates demand there. Weeks differ by more than chance; how much more is
taken from the log and carries into the simulation. The demand to come is taken to be that of the
log: no season is foreseen.

Source: the rules are ours; `rates.dispersion`.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.bins import BIN
from loganalyzer.facts import CHUTE
from loganalyzer.localtime import HOURS_OF_WEEK, local_parts, quarters
from loganalyzer.rates import dispersion
from loganalyzer.site import Site
from loganalyzer.spans import Cover, micros

Numbers = NDArray[np.float64]
PRIOR_H = 2.0  # hours of log that the same hour of other days weighs
LEAST_HOURS = 14 * 24  # with log, before a demand is told


@dataclass(frozen=True)
class Demand:
    """Uses an hour by hour of the week (0 from Monday 00:00), shape (168,).

    Attributes:
        rate: As above.
        uses: How many it rests on.
        excess: Variance of the factor by which one stretch is busier than another.
        level_sd: Standard deviation of the logarithm of the whole level.
    """

    rate: Numbers
    uses: int
    excess: float
    level_sd: float

    def after(self, hour_of_week: float, hours: int) -> Numbers:
        """Uses expected from an hour of the week until 0, 1, …, `hours` hours later."""
        whole = int(hour_of_week)
        part = hour_of_week - whole
        clock = (whole + np.arange(hours + 1)) % HOURS_OF_WEEK
        rate = self.rate[clock]
        steps = (1 - part) * rate[:-1] + part * rate[1:]
        return np.concatenate([[0.0], np.cumsum(steps)])


class Demands:
    """The demand of each container, of the whole log or of the log before a time."""

    def __init__(
        self, used: pd.DataFrame, containers: pd.DataFrame, hours: pd.DataFrame,
        held: pd.DataFrame, sites: Mapping[str, Site],
    ) -> None:  # fmt: skip
        """Count uses and hours by day and hour of the week, once.

        Args:
            used: What `uses.uses` returns.
            containers: The table of that name.
            hours: What `localtime.exposure` returns.
            held: What `bins.bins` returns.
            sites: Their time zones.
        """
        full = containers[containers["state"].eq("full") & containers["full_from"].notna()]
        spans = full[CHUTE].assign(
            start=full["full_from"], end=full["full_to"].fillna(full["ends"])
        )
        shut = quarters(spans[spans["end"].notna()])
        shut = shut.join(local_parts(shut, sites, "time"))
        cell = [*CHUTE, "day", "hour_of_week"]
        lost = shut.groupby(cell)["seconds"].sum().rename("shut")
        table = hours.merge(lost.reset_index(), on=cell, how="left")
        open_s = (table["seconds"] - table["shut"].fillna(0.0)).clip(lower=0.0)
        self._hours = table.assign(seconds=open_s)
        names = held[[*CHUTE, "stream", "container"]]
        uses = used[~_inside(used, spans[spans["end"].notna()])]
        uses = uses.join(local_parts(uses, sites, "opened"))
        self._uses = uses.merge(names, on=[*CHUTE, "stream"])[[*BIN, "day", "hour_of_week"]]

    def of(self, key: tuple[str, str, str], before: pd.Timestamp | None = None) -> Demand | None:
        """The demand of a container; null where there is too little log.

        Args:
            key: Its site, chute and container.
            before: A local day (midnight, no zone); only days before it count.
        """
        hours, uses = self._of(self._hours, key[:2]), self._of(self._uses, key)
        if before is not None:
            hours, uses = hours[hours["day"] < before], uses[uses["day"] < before]
        exposure: Numbers = np.bincount(
            hours["hour_of_week"], hours["seconds"] / 3600, HOURS_OF_WEEK
        ).astype(np.float64)
        if exposure.sum() < LEAST_HOURS or uses.empty:
            return None
        found = np.bincount(uses["hour_of_week"], minlength=HOURS_OF_WEEK)
        rate = _rates(found.astype(np.float64), exposure)
        spread = _spread(hours, uses, rate)
        number, weekly = int(found.sum()), float(rate.sum())
        excess = (spread - 1) / weekly
        return Demand(rate, number, excess, float(np.sqrt(spread / number)))

    @staticmethod
    def _of(table: pd.DataFrame, key: tuple[str, ...]) -> pd.DataFrame:
        mine = pd.Series(True, index=table.index)
        for column, value in zip(BIN, key, strict=False):
            mine &= table[column].eq(value)
        return table[mine]


def _rates(uses: Numbers, exposure: Numbers) -> Numbers:
    """Uses an hour by hour of the week, drawn a little towards the same hour of all days.

    An hour of the week in which the container was mostly full has little log, and what it has
    ends with a use; one without any is taken to be like that hour of other days.
    """
    by_day = [part.reshape(7, 24).sum(axis=0) for part in (uses, exposure)]
    mean = uses.sum() / exposure.sum()
    like = np.divide(by_day[0], by_day[1], out=np.full(24, mean), where=by_day[1] > 1)
    return np.asarray((uses + PRIOR_H * np.tile(like, 7)) / (exposure + PRIOR_H), dtype=np.float64)


def _inside(used: pd.DataFrame, spans: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether a container of its chute was full at each use."""
    inside = np.zeros(len(used), bool)
    for key, part in spans.groupby(CHUTE, observed=True):
        mine = (used["site"].eq(str(key[0])) & used["chute"].eq(str(key[1]))).to_numpy()
        shut = Cover.of(micros(part["start"]), micros(part["end"]))
        inside |= mine & shut.holds(micros(used["opened"]))
    return inside


def _spread(hours: pd.DataFrame, uses: pd.DataFrame, rate: Numbers) -> float:
    """Variance over mean of weekly uses, at least 1: against what such hours bring."""
    weeks = (hours["day"] - pd.to_timedelta(hours["day"].dt.day_of_week, unit="D")).dt.normalize()
    expected = rate[hours["hour_of_week"]] * hours["seconds"] / 3600
    by_week = expected.groupby(weeks).sum()
    monday = (uses["day"] - pd.to_timedelta(uses["day"].dt.day_of_week, unit="D")).dt.normalize()
    found = uses.groupby(monday).size().reindex(by_week.index, fill_value=0)
    value = dispersion(found.to_numpy()[None, :], by_week.to_numpy()[None, :])
    return max(value, 1.0) if np.isfinite(value) else 1.0
