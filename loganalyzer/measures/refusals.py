"""Presses that the controller did not act on, and why."""

import pandas as pd

from loganalyzer.facts import CHUTE, NOT_RECORDED, Facts, counts, tally, why
from loganalyzer.stats import wilson
from loganalyzer.tables import require

NOT_SAID = "not said"
PRESSES_MISSING = "fewer presses than refusals in the log"


def by_reason(timeline: pd.DataFrame, facts: Facts) -> pd.DataFrame:
    """Refused presses of each chute by the reason that the controller gave.

    Args:
        timeline: Reads `site`, `chute`, `signal`, `code`, `clock`.
        facts: What is known of the chutes.

    Returns:
        One row a `site`, `chute`, `code` ("not said" where none was logged), most frequent
        first; a chute that records no refusals has one row with `code` null. `refusals`,
        `presses` (of the chute, counts), `share` (refusals / presses) with its 95 % interval
        `low` to `high`, `reason` (why counts or share are null, else null).
    """
    require(timeline, *CHUTE, "signal", "code", "clock")
    sound = timeline["clock"].ne("unanchored")
    refused = timeline.loc[sound & timeline["signal"].eq("refusal"), [*CHUTE, "code"]]
    silent = tally(refused[refused["code"].isna()], CHUTE, "refusals").assign(code=NOT_SAID)
    codes = pd.concat([tally(refused, [*CHUTE, "code"], "refusals"), silent])
    codes = codes.sort_values("refusals", ascending=False, kind="stable")
    table = facts.recorded[[*CHUTE, "press", "refusal"]].merge(codes, on=CHUTE, how="left")
    table = table.merge(_presses(timeline[sound]), on=CHUTE, how="left")
    return _shares(table).drop(columns=["press", "refusal"])


def _presses(events: pd.DataFrame) -> pd.DataFrame:
    pressed = events.loc[events["signal"].eq("press"), CHUTE]
    return tally(pressed, CHUTE, "presses")


def _shares(table: pd.DataFrame) -> pd.DataFrame:
    refusals = counts(table["refusals"], table["refusal"])
    presses = counts(table["presses"], table["press"])
    whole = table.groupby(CHUTE)["refusals"].transform("sum").le(table["presses"])
    trials = presses.astype("float64").where(whole & table["refusal"])
    low, high = wilson(refusals, trials)
    share = refusals.astype("float64") / trials
    reason = why(
        (~table["refusal"], NOT_RECORDED["refusal"]),
        (~table["press"], NOT_RECORDED["press"]),
        (~whole, PRESSES_MISSING),
    )
    return table.assign(
        refusals=refusals, presses=presses, share=share, low=low, high=high, reason=reason
    )
