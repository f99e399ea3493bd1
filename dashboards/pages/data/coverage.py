"""When there is log: a calendar of days, and each stretch without, with its reason."""

import pandas as pd
from dash import html

from dashboards import calendars, parts
from dashboards.data import Data
from dashboards.pages.view import View, duration, moment
from loganalyzer.language import phrase
from loganalyzer.localtime import wall_clock
from loganalyzer.sentences import count, figure
from loganalyzer.views import daily_trend

LINES = 12  # stretches whose last line before is shown
COLUMNS = {"from": "From", "to": "To", "chute": "Chute", "lasted": "Lasted", "reason": "Why"}
WHY = {
    "power off": "power was off", "clock not set": "the clock had restarted and was not set",
    "no lines": "no lines for longer than this chute is ever silent",
}  # fmt: skip


def section(view: View, data: Data, site: str) -> html.Section:
    """The calendar, and under it what is missing."""
    title, daily = "When is there log?", daily_trend(view.analysis)
    known = daily[daily["covered_share"].notna()]
    if known.empty:
        none = parts.nothing("No time of this log can be trusted.")
        return parts.section("coverage", title, [], none)
    drawn = parts.chart(
        calendars.months(known, view.scheme), "coverage-days",
        "For each local day the share of it that the log covers; the table has the gaps.",
        view.caption("Share of each local day with log", phrase("{n} days of a chute",
                                                               n=count(len(known)))),
    )  # fmt: skip
    gaps = view.analysis.coverage
    gaps = gaps[~gaps["covered"].astype(bool)].reset_index(drop=True)
    share = float(known["covered_share"].mean())
    beside: list[parts.Cell] = [
        html.P(phrase("{share} % of the days' time has log.", share=figure(100 * share)),
               className="said"),
        "Strong: the whole day. A number: so many percent of it. A dash: nothing.",
        view.about,
    ]  # fmt: skip
    if gaps.empty:
        return parts.section("coverage", title, beside, drawn, parts.nothing("No gap."))
    return parts.section("coverage", title, beside, drawn, *_gaps(view, data, site, gaps))


def _gaps(view: View, data: Data, site: str, gaps: pd.DataFrame) -> parts.Children:
    begin, end = (wall_clock(gaps, view.analysis.sites, name) for name in ("start", "end"))
    rows = [
        {"from": moment(first), "to": moment(last), "chute": str(chute),
         "lasted": duration(seconds), "reason": WHY.get(str(why), str(why))}
        for first, last, chute, seconds, why in zip(
            begin, end, gaps["chute"], gaps["seconds"], gaps["reason"], strict=True)
    ]  # fmt: skip
    longest = gaps.sort_values("seconds", ascending=False).head(LINES)
    evidence = [f"{source}:{line}" for source, line in zip(longest["source"], longest["line"],
                                                           strict=True)]  # fmt: skip
    lines = parts.lines(data.lines(site, evidence))
    return [
        html.H3("Without log"),
        parts.table(COLUMNS, rows, ["from", "to", "lasted"], "Stretches without log"),
        parts.folded("The last lines before the longest of them", *lines),
    ]
