"""The table behind each picture: an `Analysis` in, a table out."""

import pandas as pd

from loganalyzer.facts import CHUTE, NOT_RECORDED, counts, plain, tally, why
from loganalyzer.localtime import wall_clock
from loganalyzer.stats import wilson
from loganalyzer.views.analysis import Analysis


def headline(analysis: Analysis) -> pd.DataFrame:
    """The numbers at the top of a page, chute by chute.

    Returns:
        One row a `site`, `chute`: `first`, `last` (times that can be trusted), `covered_s`
        (seconds with log), `covered_share` (of first to last), `events`, `cycles`, `visits`,
        `served`, `gave_up`, `locked_out`, `refusals`, `lockouts`, `lockout_episodes`,
        `incidents`, `ongoing` (counts), `served_share` (of the visits whose result is known)
        with its 95 % interval `low` to `high`, `wait_median_s`, `wait_p90_s` (first press to
        open door), `reason` (why visits and what hangs on them are null, else null).
    """
    table = analysis.facts.recorded
    shown = _shown(analysis)
    for numbers in _counts(analysis):
        name = str(numbers.columns[-1])
        table = table.merge(numbers, on=CHUTE, how="left")
        table[name] = counts(table[name], shown[name])
    judged = (table["served"] + table["gave_up"] + table["locked_out"]).astype("float64")
    low, high = wilson(table["served"], judged)
    share = table["served"].astype("float64") / judged.where(judged > 0)
    table = table.assign(served_share=share, low=low, high=high)
    table = table.merge(_waits(analysis), on=CHUTE, how="left").merge(
        _covered(analysis), how="left"
    )
    # A chute all of whose times cannot be trusted has no stretch with log.
    table["covered_s"] = table["covered_s"].fillna(0.0)
    table["reason"] = why((~table["press"], NOT_RECORDED["press"]))
    ends = analysis.facts.ends.rename(columns={"log_start": "first", "log_end": "last"})
    return table.merge(ends, on=CHUTE, how="left")[HEADLINE]


HEADLINE = [
    *CHUTE, "first", "last", "covered_s", "covered_share", "events", "cycles", "visits", "served",
    "gave_up", "locked_out", "refusals", "lockouts", "lockout_episodes", "incidents", "ongoing",
    "served_share", "low", "high", "wait_median_s", "wait_p90_s", "reason",
]  # fmt: skip


def floors_ranked(analysis: Analysis) -> pd.DataFrame:
    """The table `floors`, the highest rate of lockout episodes first.

    Returns:
        The columns of `floors` and `rank` (1, 2, … within a site; null where there is no
        rate). Doors without a rate come last, in the order of the site file.
    """
    floors = analysis.floors
    rate = floors.groupby("site")["episodes_per_100_visits"]
    rank = rate.rank(method="min", ascending=False).astype("Int64")
    return floors.assign(rank=rank).sort_values(
        ["site", "rank"], kind="stable", na_position="last", ignore_index=True
    )


def hour_of_week(analysis: Analysis) -> pd.DataFrame:
    """Visits, refusals and lockouts by floor and hour of the local week, as `week` makes it."""
    return analysis.week


def daily_trend(analysis: Analysis) -> pd.DataFrame:
    """Cycles, visits, refusals, lockouts and coverage by local day, as `daily.daily` makes it."""
    return analysis.daily


def incident_list(analysis: Analysis) -> pd.DataFrame:
    """The table `incidents`, the latest first.

    Returns:
        The columns of `incidents` and `start_local`, `end_local` (the site's wall clock,
        without zone).
    """
    found = analysis.incidents.sort_values("start", ascending=False, ignore_index=True)
    return found.assign(
        start_local=wall_clock(found, analysis.sites, "start"),
        end_local=wall_clock(found, analysis.sites, "end"),
    )


def of_chute(
    table: pd.DataFrame, site: str | None = None, chute: str | None = None
) -> pd.DataFrame:
    """The rows of one site or chute; all where nothing is named."""
    for column, wanted in (("site", site), ("chute", chute)):
        if wanted is not None:
            table = table[table[column].eq(wanted)]
    return table.reset_index(drop=True)


def _counts(analysis: Analysis) -> list[pd.DataFrame]:
    visits, incidents = analysis.visits, analysis.incidents
    results = {
        name: visits[visits["result"].eq(name)] for name in ("served", "gave_up", "locked_out")
    }
    locked = analysis.lockouts
    rows = {
        "events": analysis.timeline,
        "cycles": analysis.cycles,
        "visits": visits,
        **results,
        "refusals": analysis.timeline[analysis.timeline["signal"].eq("refusal")],
        "lockouts": locked,
        "lockout_episodes": locked[locked["in_episode"].eq(1)],
        "incidents": incidents,
        "ongoing": incidents[incidents["ongoing"].astype(bool)],
    }
    return [tally(part, CHUTE, name) for name, part in rows.items()]


def _shown(analysis: Analysis) -> pd.DataFrame:
    """Whether each chute records what a count of the headline needs."""
    held = analysis.facts.recorded
    use = held["unlocked"] | held["open"]
    locked = held["lockout"] | held["press"]
    return held[CHUTE].assign(
        events=True, cycles=use, visits=held["press"], served=held["press"] & use,
        gave_up=held["press"] & use, locked_out=held["press"] & use, refusals=held["refusal"],
        lockouts=locked, lockout_episodes=locked, incidents=True, ongoing=True,
    )  # fmt: skip


def _waits(analysis: Analysis) -> pd.DataFrame:
    opened = analysis.waits[analysis.waits["wait"].eq("press_to_open")]
    return opened.rename(columns={"median_s": "wait_median_s", "p90_s": "wait_p90_s"})[
        [*CHUTE, "wait_median_s", "wait_p90_s"]
    ]


def _covered(analysis: Analysis) -> pd.DataFrame:
    stretches = analysis.coverage
    covered = stretches["seconds"].where(stretches["covered"].astype(bool), 0.0)
    sums = plain(stretches[CHUTE].assign(covered_s=covered, whole=stretches["seconds"]), *CHUTE)
    table = sums.groupby(CHUTE)[["covered_s", "whole"]].sum().reset_index()
    share = table["covered_s"] / table["whole"].where(table["whole"] > 0)
    return table.assign(covered_share=share).drop(columns="whole")
