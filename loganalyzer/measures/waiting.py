"""How long people wait: for the latch, for an open door, for the chute to clear."""

import pandas as pd

from loganalyzer.facts import CHUTE, NOT_RECORDED, Facts, anchored, counts, plain, why
from loganalyzer.tables import require

# Each wait: the table it is in, its column, and the signals that a log must hold to show it.
WAITS = {
    "press_to_unlock": ("cycles", "wait_s", ("press", "unlocked")),
    "press_to_open": ("visits", "wait_s", ("press", "open")),
    "positioning": ("cycles", "positioning_s", ("positioning",)),
    "clearing": ("cycles", "clear_s", ("clearing",)),
}
NONE_WHOLE = "no wait seen from its start to its end"


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
        `median_s`, `p90_s`, `p99_s` (seconds), `reason` (why these are null, else null).
    """
    tables = {"cycles": cycles, "visits": visits}
    parts = []
    for name, (source, column, signals) in WAITS.items():
        wait = _wait(tables[source], column, timeline, facts)
        parts.append(wait.assign(wait=name, reason=_reason(wait, facts, signals)))
    columns = [*CHUTE, "wait", "n", "median_s", "p90_s", "p99_s", "reason"]
    return pd.concat(parts, ignore_index=True)[columns]


def _wait(table: pd.DataFrame, column: str, timeline: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    require(table, *CHUTE, column, "source", "line")
    known = table.loc[table[column].notna(), [*CHUTE, column, "source", "line"]]
    seconds = known[anchored(known, timeline)].groupby(CHUTE, observed=True)[column]
    found = pd.DataFrame(
        {
            "n": seconds.size(),
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
