"""How long people wait: for the latch, for an open door, for the chute to clear."""

import pandas as pd

from loganalyzer.facts import CHUTE, NOT_RECORDED, Facts, anchored, counts, plain, why
from loganalyzer.stats import wilson
from loganalyzer.tables import require

# Each wait: the table it is in, its column, and the signals that a log must hold to show it.
WAITS = {
    "press_to_unlock": ("cycles", "wait_s", ("press", "unlocked")),
    "press_to_open": ("visits", "wait_s", ("press", "open")),
    "positioning": ("cycles", "positioning_s", ("positioning",)),
    "clearing": ("cycles", "clear_s", ("clearing",)),
}
NONE_WHOLE = "no wait seen from its start to its end"
# Source: common practice, no source.
WITHIN_S = (15, 30, 60)
NO_VISITS = "no visit whose end is known"


def waits(
    cycles: pd.DataFrame, visits: pd.DataFrame, timeline: pd.DataFrame, facts: Facts
) -> pd.DataFrame:
    """Quantiles of each kind of wait, chute by chute.

    Args:
        cycles: The table of that name.
        visits: The table of that name.
        timeline: Tells which waits begin at a time that can be trusted.
        facts: What is known of the chutes.

    Returns:
        One row a `site`, `chute`, `wait` (`press_to_unlock` in a cycle, `press_to_open` from
        the first press of a visit that was served, `positioning`, `clearing`): `n` (count),
        `mean_s`, `median_s`, `p90_s`, `p99_s` (seconds), `reason` (why these are null, else
        null).
    """
    tables = {"cycles": cycles, "visits": visits}
    parts = []
    for name, (source, column, signals) in WAITS.items():
        wait = _wait(tables[source], column, timeline, facts)
        parts.append(wait.assign(wait=name, reason=_reason(wait, facts, signals)))
    columns = [*CHUTE, "wait", "n", "mean_s", "median_s", "p90_s", "p99_s", "reason"]
    return pd.concat(parts, ignore_index=True)[columns]


def served_within(visits: pd.DataFrame, timeline: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """The share of visits that had an open door within 15, 30 and 60 s of the first press.

    Those who gave up or were locked out were not served within any time, so they count among
    the visits; those whose end is unknown do not.

    Args:
        visits: The table of that name.
        timeline: Tells which visits begin at a time that can be trusted.
        facts: What is known of the chutes.

    Returns:
        One row a `site`, `chute`, `within_s`: `served`, `visits` (counts), `share` with its
        95 % interval `low` to `high`, `reason` (why these are null, else null).
    """
    require(visits, *CHUTE, "wait_s", "result", "source", "line")
    known = visits["wait_s"].notna() | visits["result"].isin(["gave_up", "locked_out"])
    judged = visits.loc[known & anchored(visits, timeline), [*CHUTE, "wait_s"]]
    judged = judged.assign(**{str(limit): judged["wait_s"].le(limit) for limit in WITHIN_S})
    chutes = judged.groupby(CHUTE, observed=True)
    found = chutes[[str(limit) for limit in WITHIN_S]].sum().assign(visits=chutes.size())
    table = facts.recorded.merge(plain(found.reset_index(), *CHUTE), on=CHUTE, how="left")
    long = pd.concat(
        [table.assign(within_s=limit, served=table[str(limit)]) for limit in WITHIN_S]
    ).sort_values([*CHUTE, "within_s"], ignore_index=True)
    shown = long["press"] & long["open"]
    served, tried = counts(long["served"], shown), counts(long["visits"], shown)
    low, high = wilson(served, tried)
    share = served.astype("float64") / tried.astype("float64").where(tried.gt(0).fillna(False))
    reason = why(
        *[(~long[signal], NOT_RECORDED[signal]) for signal in ("press", "open")],
        (tried.eq(0).fillna(False), NO_VISITS),
    )
    return long[[*CHUTE, "within_s"]].assign(
        served=served, visits=tried, share=share, low=low, high=high, reason=reason
    )


def _wait(table: pd.DataFrame, column: str, timeline: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    require(table, *CHUTE, column, "source", "line")
    known = table.loc[table[column].notna(), [*CHUTE, column, "source", "line"]]
    seconds = known[anchored(known, timeline)].groupby(CHUTE, observed=True)[column]
    found = pd.DataFrame(
        {
            "n": seconds.size(),
            "mean_s": seconds.mean(),
            "median_s": seconds.quantile(0.5),
            "p90_s": seconds.quantile(0.9),
            "p99_s": seconds.quantile(0.99),
        }
    ).reset_index()
    whole = facts.recorded[CHUTE].merge(plain(found, *CHUTE), on=CHUTE, how="left")
    return whole.assign(n=counts(whole["n"], True))


def _reason(table: pd.DataFrame, facts: Facts, signals: tuple[str, ...]) -> pd.Series:
    shown = table[CHUTE].merge(facts.recorded, on=CHUTE)
    missing = [(~shown[signal], NOT_RECORDED[signal]) for signal in signals]
    return why(*missing, (table["n"].eq(0), NONE_WHOLE))
