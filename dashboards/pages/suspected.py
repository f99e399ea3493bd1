"""What stands behind one suspect: its timing against control limits, and each of its troubles."""

import pandas as pd
from dash import html

from dashboards import parts, shapes
from dashboards.data import Data
from dashboards.pages.view import Row, View, duration, moment, word
from loganalyzer.sentences import count, things
from loganalyzer.views.technician import drift_chart, occurrences

TIMING_OF = {
    "door": ("open_s", "open time"), "latch": ("unlock_s", "unlock delay"),
    "sorter": ("positioning_s", "diverter travel"), "control": ("clear_s", "clearing"),
}  # fmt: skip
# Column of the chart, its panel (null: the timing itself), its name.
LINES = (
    ("level_s", None, "level of a day"), ("ewma", None, "moving average (EWMA)"),
    ("ewma_high", None, "its upper limit"), ("ewma_low", None, "its lower limit"),
    ("cusum", "sum of excess (CUSUM)", "sum of excess"),
    ("cusum_limit", "sum of excess (CUSUM)", "its upper limit"),
)  # fmt: skip
SHOWN = 10
AROUND_S = 60  # to each side of a moment in the strip


def charted(view: View, place: int, row: Row) -> parts.Children:
    """The part's own timing with its control limits; nothing where it has none."""
    if str(row["component"]) not in TIMING_OF:
        return []
    what, name = TIMING_OF[str(row["component"])]
    floor = word(row["floor"]) or None
    days = drift_chart(view.analysis, str(row["site"]), str(row["chute"]), what, floor)
    if days["ewma"].isna().all():
        return []
    rows = pd.concat(
        pd.DataFrame({"panel": panel or name, "line": line, "x": days["day"],
                      "value": days[column]})
        for column, panel, line in LINES
    ).dropna(subset="value")  # fmt: skip
    outside = days.loc[days["out"], "day"]
    said = (
        "never out of limits" if outside.empty else f"out of limits from {outside.min():%Y-%m-%d}"
    )
    drawn = parts.chart(
        shapes.lines(rows, "seconds", view.scheme), f"limits-{place}",
        f"Daily {name} less what the other doors did, with the limits of its moving average and "
        f"of its sum of excess: {said}.",
        view.caption(f"Seconds, by local day, less what the chute's other doors did; {said}",
                     f"{count(days['n'].sum())} uses"),
    )  # fmt: skip
    return [html.Div([drawn, parts.numbers(rows, "Day", "Seconds", f"Limits, {name}, {place}")])]


def happened(view: View, data: Data, site: str, row: Row) -> parts.Children:
    """The latest troubles of the part: each leads to the strip around it, with its line."""
    chute, floor = str(row["chute"]), word(row["floor"]) or None
    found = occurrences(view.analysis, site, chute, str(row["component"]), floor)
    if found.empty:
        return []
    latest = found.head(SHOWN)
    told = [
        {"when": parts.door(moment(one["local"]), _strip(view, chute, one)),
         "what": str(one["what"]), "floor": word(one["floor"]) or "chute",
         "lasted": duration(one["seconds"])}
        for one in latest.to_dict("records")
    ]  # fmt: skip
    columns = {"when": "When", "what": "What", "floor": "Floor", "lasted": "Lasted"}
    lines = latest["source"].astype("str") + ":" + latest["line"].astype("Int64").astype("str")
    of = things(len(found), "trouble", "troubles")
    said = f"The latest {len(latest)} of {of}" if len(found) > SHOWN else f"All {of}"
    name = f"Troubles of the {row['component']}, chute {chute}, floor {floor or 'none'}"
    return [
        html.P(f"{said}; the time leads to what happened around it."),
        parts.table(columns, told, ["lasted"], name),
        parts.folded("Their lines", *parts.lines(data.lines(site, lines.tolist()))),
    ]


def _strip(view: View, chute: str, one: Row) -> str:
    """The address of the strip around a moment."""
    begin = one["time"] - pd.Timedelta(seconds=AROUND_S)
    return view.door("strip", chute=chute, at=f"{begin:%Y-%m-%dT%H:%M:%SZ}",
                     wide=str(2 * AROUND_S))  # fmt: skip
