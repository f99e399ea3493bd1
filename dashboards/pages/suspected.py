"""What stands behind one suspect: its timing against control limits, and each of its troubles."""

import pandas as pd
from dash import html

from dashboards import parts, shapes
from dashboards.data import Data
from dashboards.figures import column
from dashboards.pages.view import Row, View, component, duration, moment, text, word
from loganalyzer.language import phrase
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
        pd.DataFrame({"panel": column([phrase(panel or name)] * len(days), days),
                      "line": column([phrase(line)] * len(days), days), "x": days["day"],
                      "value": days[value]})
        for value, panel, line in LINES
    ).dropna(subset="value")  # fmt: skip
    outside = days.loc[days["out"], "day"]
    said = (
        phrase("never out of limits") if outside.empty
        else phrase("out of limits from {day:%Y-%m-%d}", day=outside.min())
    )  # fmt: skip
    drawn = parts.chart(
        shapes.lines(rows, "seconds", view.scheme, doors=day_doors(view, rows, row)),
        f"limits-{place}",
        phrase("Daily {timing} less what the other doors did, with the limits of its moving "
               "average and of its sum of excess: {said}.", timing=phrase(name), said=said),
        view.caption(
            phrase("Seconds, by local day, less what the chute's other doors did; {said}",
                   said=said),
            phrase("{n} uses", n=count(days["n"].sum()))),
    )  # fmt: skip
    named = phrase("Limits, {timing}, {place}", timing=phrase(name), place=place + 1)
    return [html.Div([drawn, parts.numbers(rows, "Day", "Seconds", named)])]


def day_doors(view: View, rows: pd.DataFrame, row: Row) -> dict[tuple[str, str], str]:
    """Where the days of a part's lines lead: to the uses of that day."""
    uses = view.behind("cycles", chute=str(row["chute"]), floor=word(row["floor"]) or None)
    each = rows[["panel", "line"]].drop_duplicates().itertuples(index=False, name=None)
    return dict.fromkeys(each, uses + "&day={x}")


def happened(view: View, data: Data, site: str, row: Row) -> parts.Children:
    """The latest troubles of the part: each leads to the strip around it, with its line."""
    chute, floor = str(row["chute"]), word(row["floor"]) or None
    found = occurrences(view.analysis, site, chute, str(row["component"]), floor)
    if found.empty:
        return []
    latest = found.head(SHOWN)
    told = [
        {"when": parts.door(moment(one["local"]), _strip(view, chute, one)),
         "what": text(one["what"]), "floor": word(one["floor"]) or phrase("chute"),
         "lasted": duration(one["seconds"])}
        for one in latest.to_dict("records")
    ]  # fmt: skip
    columns = {"when": "When", "what": "What", "floor": "Floor", "lasted": "Lasted"}
    lines = latest["source"].astype("str") + ":" + latest["line"].astype("Int64").astype("str")
    of = things(len(found), "trouble", "troubles")
    said = (
        phrase("The latest {n} of {of}", n=len(latest), of=of) if len(found) > SHOWN
        else phrase("All {of}", of=of)
    )  # fmt: skip
    name = phrase("Troubles of the {part}, chute {chute}, floor {floor}",
                  part=component(row["component"]), chute=chute,
                  floor=floor or phrase("none"))  # fmt: skip
    return [
        html.P(phrase("{said}; the time leads to what happened around it.", said=said)),
        parts.table(columns, told, ["lasted"], name),
        parts.folded("Their lines", *parts.lines(data.lines(site, lines.tolist()))),
    ]


def _strip(view: View, chute: str, one: Row) -> str:
    """The address of the strip around a moment."""
    begin = one["time"] - pd.Timedelta(seconds=AROUND_S)
    return view.door("strip", chute=chute, at=f"{begin:%Y-%m-%dT%H:%M:%SZ}",
                     wide=str(2 * AROUND_S))  # fmt: skip
