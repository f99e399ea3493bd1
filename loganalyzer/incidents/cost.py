"""What an incident cost: presses refused meanwhile, and visits that did not come about.

Visits lost are those usually served in such hours of the local week, by the other weeks of the
log, less those served meanwhile. Both sides count served visits, so that people who give up on
any day are not taken for a loss; below zero where more were served than usual, so that the sum
over many short incidents stays right. The interval says how many would have been served in that
very time: chance, and how few other weeks tell what is usual. Nobody is served by halves: its
ends are whole visits, rounded outwards, so that the estimate lies between them. That weeks differ
by more than chance (holidays) is not in it.

Source: the rule is ours; the interval: `stats.poisson_prediction`.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from loganalyzer.facts import CHUTE, DOOR, NO_LOG, NOT_RECORDED, anchored, plain, tally, why
from loganalyzer.incidents.evidence import Evidence
from loganalyzer.incidents.kinds import KINDS
from loganalyzer.localtime import local_parts, quarters
from loganalyzer.spans import Moments
from loganalyzer.stats import poisson_prediction

OTHER_WEEKS = 2
LONGEST_S = 8 * 7 * 86400  # what lasts longer leaves no usual weeks beside it

NO_USE = "neither unlocking nor door contacts in the log"
NO_LENGTH = "how long it lasted is not known"
TOO_LONG = "too long to compare with other weeks"
TOO_FEW = "under two other weeks of log for these hours"

# The columns that `visits_lost` adds, and their types.
COSTS = {
    "expected_visits": "float64", "served_visits": "Int64", "visits_lost": "float64",
    "lost_low": "float64", "lost_high": "float64", "cost_reason": "str",
}  # fmt: skip
CELL = ["day", "hour_of_week"]


def refused(found: pd.DataFrame, evidence: Evidence) -> pd.Series:
    """Presses refused during each incident, as its kind counts them; null where not recorded."""
    events = evidence.timeline[evidence.timeline["signal"].eq("refusal")]
    whose = found["kind"].map({kind.name: kind.refused for kind in KINDS})
    # A latch fault may not say which door it is about.
    whose = whose.mask(whose.eq("door") & found["floor"].isna(), "chute")
    counted = pd.Series(np.nan, index=found.index)
    for name, count in (("chute", _of_chute), ("door", _of_door), ("full", _of_full)):
        mine = whose.eq(name) & found["end"].notna()
        counted[mine] = count(found[mine], events)
    held = found[CHUTE].merge(evidence.facts.recorded, on=CHUTE, how="left")["refusal"]
    return counted.where(held.to_numpy()).astype("Int64")


def visits_lost(found: pd.DataFrame, evidence: Evidence) -> pd.DataFrame:
    """Compare the visits served during each incident with what such hours usually bring.

    Args:
        found: Incidents with `kind`, by place 0, 1, ….
        evidence: Reads visits, timeline, hours, facts, sites.

    Returns:
        By the index of `found`: `expected_visits` (served in such hours of other weeks),
        `served_visits` (that began meanwhile, at the door or chute that the kind is about),
        `visits_lost` with its 95 % interval `lost_low` to `lost_high`, `cost_reason` (why these
        are null, else null).
    """
    reason = _not_comparable(found, evidence)
    visits = evidence.visits
    served = visits[visits["result"].eq("served") & anchored(visits, evidence.timeline)]
    served = served[[*DOOR, "start"]].rename(columns={"start": "time"})
    served = served.join(local_parts(served, evidence.sites, "time"))
    of_door = found["kind"].isin([kind.name for kind in KINDS if kind.refused == "door"])
    of_door &= found["floor"].notna()
    columns = pd.DataFrame(np.nan, found.index, ["expected_visits", "ratio", "served_visits"])
    for by, mine in ((CHUTE, ~of_door), (DOOR, of_door)):
        spans = found[mine & reason.isna()]
        if len(spans):
            usual = _usual(spans, by, served, evidence)
            columns.loc[spans.index, ["expected_visits", "ratio"]] = usual.to_numpy()
            columns.loc[spans.index, "served_visits"] = Moments(served, by).count(spans)
    few = reason.isna() & columns["expected_visits"].isna()
    return _loss(columns.where(~few)).assign(cost_reason=reason.mask(few, TOO_FEW))


def _loss(columns: pd.DataFrame) -> pd.DataFrame:
    expected, served = columns["expected_visits"], columns["served_visits"]
    low, high = poisson_prediction(expected / columns["ratio"], columns["ratio"])
    low, high = np.minimum(low, np.floor(expected)), np.maximum(high, np.ceil(expected))
    return columns.drop(columns="ratio").assign(
        served_visits=served.astype("Int64"),
        visits_lost=expected - served,
        lost_low=low - served,
        lost_high=high - served,
    )


def _not_comparable(found: pd.DataFrame, evidence: Evidence) -> pd.Series:
    """Why an incident's visits cannot be compared whatever the other weeks hold."""
    held = found[CHUTE].merge(evidence.facts.recorded, on=CHUTE, how="left")
    return why(
        (~held["press"], NOT_RECORDED["press"]),
        (~(held["unlocked"] | held["open"]), NO_USE),
        (found["kind"].eq("log_gap"), NO_LOG),
        (found["end"].isna() | ~found["seconds"].gt(0), NO_LENGTH),
        (found["seconds"].gt(LONGEST_S), TOO_LONG),
    )


def _usual(
    spans: pd.DataFrame, by: list[str], served: pd.DataFrame, evidence: Evidence
) -> pd.DataFrame:
    """Visits usually served in the hours of each span, and the span as a share of those hours.

    NaN under two other weeks of log. The hours of the days that a span touches are left out of
    what is usual. Where hours differ in how much log there is of them, the share is the one
    that gives the sum its variance.
    """
    pieces = quarters(spans)
    pieces = pieces.join(local_parts(pieces, evidence.sites, "time"))
    cells = pieces.groupby(["row", *CELL])["seconds"].sum().reset_index()
    cells = cells.join(plain(spans[by].reset_index(drop=True), *by), on="row")
    hours = evidence.hours.rename(columns={"seconds": "covered"})
    visits = tally(served, [*by, *CELL], "visits")
    cells = cells.merge(hours, on=[*CHUTE, *CELL], how="left")
    cells = cells.merge(visits, on=[*by, *CELL], how="left")
    slots = cells.groupby(["row", *by, "hour_of_week"]).agg(
        seconds=("seconds", "sum"), own=("covered", "sum"), own_days=("covered", "count"),
        own_visits=("visits", "sum"),
    ).reset_index()  # fmt: skip
    log = hours.groupby([*CHUTE, "hour_of_week"])["covered"].agg(logged="sum", days="size")
    brought = visits.groupby([*by, "hour_of_week"])["visits"].sum().rename("all_visits")
    slots = slots.merge(log.reset_index(), on=[*CHUTE, "hour_of_week"], how="left")
    slots = slots.merge(brought.reset_index(), on=[*by, "hour_of_week"], how="left")
    enough = (slots["days"] - slots["own_days"]).ge(OTHER_WEEKS)
    count = (slots["all_visits"].fillna(0) - slots["own_visits"]).where(enough)
    other = slots["logged"] - slots["own"]
    share = slots["seconds"] / other
    sums = slots.assign(
        visits=count * share, variance=count * share**2, other=other, missing=~enough
    ).groupby("row")[["visits", "variance", "seconds", "other", "missing"]].sum()  # fmt: skip
    known = sums["missing"].eq(0)
    plain_share = sums["seconds"] / sums["other"]
    ratio = (sums["variance"] / sums["visits"].where(sums["visits"] > 0)).fillna(plain_share)
    usual = pd.DataFrame({"visits": sums["visits"].where(known), "ratio": ratio.where(known)})
    return usual.reindex(range(len(spans)))


def _of_chute(spans: pd.DataFrame, refusals: pd.DataFrame) -> NDArray[np.int64]:
    return Moments(refusals, CHUTE).count(spans)


def _of_door(spans: pd.DataFrame, refusals: pd.DataFrame) -> NDArray[np.int64]:
    return Moments(refusals[refusals["floor"].notna()], DOOR).count(spans)


def _of_full(spans: pd.DataFrame, refusals: pd.DataFrame) -> NDArray[np.float64]:
    """Those with code "full", of that stream or of no stream in particular."""
    full = refusals[refusals["code"].eq("full")]
    named = Moments(full[full["stream"].notna()], [*CHUTE, "stream"]).count(spans)
    unnamed = Moments(full[full["stream"].isna()], CHUTE).count(spans)
    coded = tally(refusals[refusals["code"].notna()], CHUTE, "coded")
    known = spans[CHUTE].merge(coded, on=CHUTE, how="left")["coded"].notna()
    return np.where(known, named + unnamed, np.nan)
