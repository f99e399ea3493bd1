"""The tables behind the coordinator's pictures: an `Analysis` in, a table out."""

import json

import pandas as pd

from loganalyzer.bins import DISPOSED, SORTED
from loganalyzer.facts import CHUTE
from loganalyzer.localtime import wall_clock
from loganalyzer.views.analysis import Analysis

LOST_KINDS = ("full_then_refuse", "gave_up", "quick_switch", "never_used")


def participation_by_floor(analysis: Analysis, stream: str | None = None) -> pd.DataFrame:
    """How each floor uses a stream, in the order of the site file.

    Args:
        analysis: What `analyse` returns.
        stream: Only this one; null takes all.

    Returns:
        The columns of `participation` and, of the whole log, `units`, `uses_per_unit_week` with
        its 95 % interval `rate_low` to `rate_high`.
    """
    table, streams = analysis.sorting.participation, analysis.sorting.streams
    whole = streams[streams["period"].eq("all") & streams["floor"].notna()]
    keys = [*CHUTE, "floor", "stream"]
    rates = whole[[*keys, "units", "uses_per_unit_week", "rate_low", "rate_high"]]
    both = table[table["floor"].notna()].merge(rates, on=keys, how="left")
    return both if stream is None else both[both["stream"].eq(stream)].reset_index(drop=True)


def weekly_shares(analysis: Analysis, floors: tuple[str, ...] = ()) -> pd.DataFrame:
    """The share of each stream week by week, for a trend with campaign marks.

    Args:
        analysis: What `analyse` returns.
        floors: Floors to show; none: the whole chute.

    Returns:
        Rows of `streams` with period "week" and some log, `share` with `low` to `high`.
    """
    streams = analysis.sorting.streams
    weeks = streams[streams["period"].eq("week") & streams["covered_days"].gt(0)]
    mine = weeks["floor"].isin(floors) if floors else weeks["floor"].isna()
    mine &= weeks["chute"].notna()
    return weeks[mine].reset_index(drop=True)


def chute_participation(analysis: Analysis) -> pd.DataFrame:
    """Set-out, participation and trend of each chute and stream.

    Returns:
        The columns of `set_out`, and `weeks_active`, `weeks_covered`, `trend` with `trend_low`
        to `trend_high` and its `p`, of the whole chute, from `participation`.
    """
    table = analysis.sorting.participation
    keys = [*CHUTE, "stream"]
    names = ["weeks_active", "weeks_covered", "trend", "trend_low", "trend_high", "p"]
    return analysis.sorting.set_out.merge(
        table.loc[table["floor"].isna(), [*keys, *names]], on=keys, how="left"
    )


def campaign_marks(analysis: Analysis) -> pd.DataFrame:
    """One row a campaign of the site files: `site`, `date`, `floors`, `note`."""
    rows = [
        (site.id, pd.Timestamp(campaign.date), ", ".join(campaign.floors), campaign.note)
        for site in analysis.sites.values()
        for campaign in site.campaigns
    ]
    return pd.DataFrame(rows, columns=["site", "date", "floors", "note"])


def fill_history(analysis: Analysis) -> pd.DataFrame:
    """Fills, false fulls and stuck sensors, the latest first, with the site's wall clock.

    Returns:
        The columns of `containers` and `emptied_local`, `full_from_local`, `ends_local`.
    """
    fills = analysis.sorting.containers
    local = {
        f"{name}_local": wall_clock(fills, analysis.sites, name)
        for name in ("emptied", "full_from", "ends")
    }
    fills = fills.assign(**local)
    order = fills["emptied"].fillna(fills["full_from"])
    return fills.iloc[order.argsort(kind="stable")[::-1]].reset_index(drop=True)


def container_totals(analysis: Analysis) -> pd.DataFrame:
    """What the fills of each container come to.

    Returns:
        One row a container: `site`, `chute`, `container`, `stream`, `fills`, `full`,
        `false_full`, `stuck`, `hours_full`, `refused`, `refused_others`, `visits_refused`,
        `under_half` (fills emptied at under half of the usual uses to full; null without fill
        model), and the columns of `fill_model` from `method` on.
    """
    fills, model = analysis.sorting.containers, analysis.sorting.fill_model
    keys = [*CHUTE, "container"]
    half = fills[keys].astype("str").merge(model[[*keys, "median"]], on=keys, how="left")["median"]
    done = fills["state"].isin(["full", "not full"]) & fills["reason"].isna()
    under = done & fills["drops"].astype("float64").lt(half.to_numpy() / 2)
    full = fills["state"].eq("full")
    rows = fills.assign(
        fills=fills["state"].isin(["full", "not full"]), full=full,
        false_full=fills["state"].eq("false full"), stuck=fills["state"].eq("stuck on"),
        hours_full=(fills["seconds"] / 3600).where(full), under_half=under,
        refused=fills["refused"].where(full), refused_others=fills["refused_others"].where(full),
        visits_refused=fills["visits_refused"].where(full),
    )  # fmt: skip
    totals = rows.astype(dict.fromkeys(keys, "str")).groupby(keys, sort=False)[TOTALS].sum()
    table = model[[*keys, "stream"]].merge(totals.reset_index(), on=keys, how="left")
    table[TOTALS] = table[TOTALS].fillna(0)
    whole = [name for name in TOTALS if name != "hours_full"]
    table[whole] = table[whole].astype("Int64")
    table["under_half"] = table["under_half"].where(model["median"].notna())
    return table.merge(model.drop(columns=["stream", "fills"]), on=keys)


TOTALS = [
    "fills", "full", "false_full", "stuck", "hours_full", "refused", "refused_others",
    "visits_refused", "under_half",
]  # fmt: skip


def lost_counts(analysis: Analysis) -> pd.DataFrame:
    """How many uses each floor lost to sorting, by kind.

    Returns:
        One row a `site`, `chute`, `floor`, `stream` with any: a count for each of `LOST_KINDS`.
    """
    lost = analysis.sorting.lost_sorting
    keys = [*CHUTE, "floor", "stream"]
    table = lost.groupby([*keys, "kind"]).size().unstack("kind", fill_value=0)
    table = table.reindex(columns=list(LOST_KINDS), fill_value=0)
    table.columns.name = None
    return table.reset_index()


def lost_cases(analysis: Analysis) -> pd.DataFrame:
    """Every use lost to sorting: `lost_sorting` with `local` (site's time) and `lines` as text."""
    lost = analysis.sorting.lost_sorting
    lines = [", ".join(json.loads(text)) for text in lost["evidence"]]
    return lost.assign(local=wall_clock(lost, analysis.sites, "time"), lines=lines)


def not_judged(analysis: Analysis) -> list[str]:
    """Why lost sorting cannot be told, chute by chute: a sentence each, none where it can."""
    kinds = analysis.sorting.bins.groupby(CHUTE)["kind"].agg(set)
    said = []
    for row in analysis.facts.recorded.itertuples():
        known = kinds.get((row.site, row.chute), set())
        reason = (
            "presses not in the log" if not row.press
            else "streams not in the log" if not row.stream
            else "no stream of the kinds recycling and organics, and one of kind refuse, in the "
            "site file" if not known & set(SORTED) or DISPOSED not in known else None
        )  # fmt: skip
        if reason:
            said.append(f"{row.site}, chute {row.chute}: not told: {reason}")
    return said


def pickup_table(analysis: Analysis) -> pd.DataFrame:
    """The present rule of each container and the best at each number of pickups.

    Returns:
        Rows of `pickups`, the present rule of a container first, then fewer and fewer pickups;
        a container of which nothing can be told has one row with its `reason`.
    """
    table = analysis.sorting.pickups
    shown = table["present"].eq(True) | table["best"].eq(True) | table["reason"].notna()
    keys = [*CHUTE, "container"]
    place = table.groupby(keys, sort=False).ngroup()
    order = pd.DataFrame(
        {
            "place": place,
            "not_present": ~table["present"].eq(True),
            "fewer": -table["pickups_a_week"],
        }
    )
    rows = order[shown].sort_values(["place", "not_present", "fewer"], kind="stable").index
    return table.loc[rows].reset_index(drop=True)


def forecast(analysis: Analysis) -> pd.DataFrame:
    """The chance of full by the end of each coming day, as `pickups.forecast` makes it."""
    return analysis.sorting.forecast
