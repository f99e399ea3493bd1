"""The recycling coordinator's month: who sorts how much, how containers fill, which pickups."""

import pandas as pd

from dashboards.pages.view import Row, View, percent, reasons, tenths, whole, with_limits, word
from dashboards.reports import charts
from dashboards.reports.manager import act_on, also, not_shown
from dashboards.reports.month import Month
from dashboards.reports.sheet import Block, Grid, Picture, Section, Sheet, Words
from loganalyzer import views
from loganalyzer.language import Phrase, phrase
from loganalyzer.sentences import between, count, figure, things
from loganalyzer.views import streams as tables
from loganalyzer.views.pickup_report import ASSUMES
from loganalyzer.views.streams_report import NOTE

FLOORS = 10  # in a drawing
STREAMS = 3  # drawings of streams
CONTAINERS = 12  # in a table or drawing
SORTED = ("recycling", "organics")  # kinds whose participation is drawn


def coordinator(month: Month) -> Sheet:
    """The sheet."""
    view, language = month.view, month.site.language
    return month.sheet(
        phrase("Report for the recycling coordinator"),
        [
            act_on(month, "coordinator"), figures(view), sorting(view, language),
            containers(month, language), pickups(view), forecast(view), also(month, "coordinator"),
        ],
    )  # fmt: skip


def figures(view: View) -> Section:
    """The month's figures by stream, with how they were worked out."""
    table = view.analysis.sorting.monthly
    columns = {"stream": "Stream", "uses": "Uses", "litres": "Litres", "kg": "kg",
               "share": "Share", "method": "Method"}  # fmt: skip
    cells = [
        {"stream": str(row["stream"]), "uses": whole(row["uses"]),
         "litres": _amount(row, "litres"), "kg": _amount(row, "kg"),
         "share": with_limits(row, "share", "share_low", "share_high", 100),
         "method": phrase(word(row["method"]))}
        for row in table.to_dict("records")
    ]  # fmt: skip
    blocks: list[Block] = [
        *_diversion(table),
        Grid(columns, cells, list(columns)[1:-1], view.scope),
    ]
    return Section(phrase("How much was sorted?"), blocks)


def _diversion(table: pd.DataFrame) -> list[Block]:
    """What was kept from disposal, by mass and by volume apart."""
    said: list[Block] = []
    for row in table.head(1).to_dict("records"):
        for name, unit in (("diversion", "mass"), ("diversion_by_volume", "volume")):
            if pd.notna(row[name]):
                value, low, high = (100 * row[f"{name}{end}"] for end in ("", "_low", "_high"))
                said.append(Words(phrase(
                    "{value} % {limits} was kept from disposal, by {unit}.", value=figure(value),
                    limits=between(low, high), unit=phrase(unit),
                ), "said"))  # fmt: skip
    return said or [not_shown(reasons(table))]


def sorting(view: View, language: str) -> Section:
    """How each floor sorts, a drawing a stream."""
    title = phrase("How does each floor sort?")
    table = views.shown_to_manager(
        tables.participation_by_floor(view.analysis), view.analysis.sites
    )
    kinds = view.analysis.sorting.bins[["site", "chute", "stream", "kind"]]
    table = table.merge(kinds, on=["site", "chute", "stream"])
    known = table[table["shrunken"].notna() & table["kind"].isin(SORTED)]
    if known.empty:
        return Section(title, [not_shown(reasons(table))])
    several = known["chute"].nunique() > 1
    blocks: list[Block] = [Words(phrase(NOTE.replace("\n", " ")), "muted")]
    for stream, part in list(known.groupby("stream", observed=True, sort=False))[:STREAMS]:
        ranked = part.sort_values("shrunken", ascending=False, kind="stable")
        ends = pd.concat([ranked.head(FLOORS // 2), ranked.tail(FLOORS // 2)]).drop_duplicates()
        drawn = pd.DataFrame({
            "name": [_door(row, several=several) for row in ends.to_dict("records")],
            **{name: 100 * ends[column].astype(float).to_numpy() for name, column in
               (("value", "shrunken"), ("low", "shrunken_low"), ("high", "shrunken_high"))},
        })  # fmt: skip
        drawn["name"] = pd.Series([_door(row, several=several) for row in
                                   ends.to_dict("records")], dtype=object)  # fmt: skip
        unit = phrase("{stream}, % of a floor's uses, drawn towards the building's where few; "
                      "bars: 95 % interval; the {n} highest and lowest of {floors}",
                      stream=str(stream), n=count(FLOORS // 2),
                      floors=things(len(ranked), "floor", "floors"))  # fmt: skip
        blocks.append(Picture(
            charts.dots(drawn, phrase("{stream}, % of uses", stream=str(stream)), language),
            phrase("Share of {stream} by floor.", stream=str(stream)),
            view.caption(unit, things(part["uses"].sum(), "use", "uses")),
        ))  # fmt: skip
    hidden = [Words(phrase(said), "muted") for said in views.hidden_sentences(view.analysis)]
    return Section(title, [*blocks, *hidden])


def containers(month: Month, language: str) -> Section:
    """When each container was full and emptied, and what its fills come to."""
    title, view = phrase("How did the containers fill?"), month.view
    totals, fills = tables.container_totals(view.analysis), tables.fill_history(view.analysis)
    if totals.empty:
        return Section(title, [not_shown("no container in the log or the site file")])
    columns = {"container": "Container", "chute": "Chute", "fills": "Fills", "full": "Got full",
               "hours": "Hours full", "refused": "Visits refused", "half": "Emptied under half",
               "uses": "Uses to full, median"}  # fmt: skip
    cells = [
        {"container": str(row["container"]), "chute": str(row["chute"]),
         "fills": whole(row["fills"]), "full": whole(row["full"]),
         "hours": tenths(row["hours_full"]), "refused": whole(row["visits_refused"]),
         "half": whole(row["under_half"]),
         "uses": with_limits(row, "median", "median_low", "median_high")
         or phrase(word(row["reason"]))}
        for row in totals.head(CONTAINERS).to_dict("records")
    ]  # fmt: skip
    grid = Grid(columns, cells, list(columns)[2:], phrase("In brackets: 95 % interval."))
    return Section(title, [*_lanes(month, fills, language), grid])


def _lanes(month: Month, fills: pd.DataFrame, language: str) -> list[Block]:
    """A lane a container over the month; nothing where none was seen full or emptied."""
    several = fills["chute"].nunique() > 1
    name = fills["container"].astype(str)
    name = name + (", " + fills["chute"].astype(str) if several else "")
    fills = fills.assign(name=name).sort_values("name", kind="stable")
    fills = fills[fills["name"].isin(fills["name"].unique()[:CONTAINERS])]
    full = fills[fills["state"].eq("full") & fills["full_from_local"].notna()
                 & fills["ends_local"].notna()]  # fmt: skip
    emptied = fills[fills["emptied_local"].notna()]
    if full.empty and emptied.empty:
        return []
    bars = full.assign(start=full["full_from_local"], end=full["ends_local"])
    start = pd.Timestamp(f"{month.name}-01")
    return [Picture(
        charts.lanes(bars, emptied.assign(time=emptied["emptied_local"]),
                     (start, start + pd.offsets.MonthBegin(1)), language),
        phrase("When each container was full and when it was emptied, a lane a container."),
        month.view.caption("Local time; an upright mark is where the log or the pickup rule has it "
                           "emptied", things(len(full), "time full", "times full")),
    )]  # fmt: skip


def pickups(view: View) -> Section:
    """The present rule, and the best with no more pickups."""
    title, shown = phrase("Would other pickups serve better?"), tables.pickup_table(view.analysis)
    known = shown[shown["chance_full"].notna()]
    if known.empty:
        return Section(title, [not_shown(reasons(shown))])
    columns = {"container": "Container", "chute": "Chute", "which": "Which", "rule": "Rule",
               "chance": "Full before the next, %", "refused": "Refused a week",
               "half": "Emptied under half"}  # fmt: skip
    cells = [
        {"container": str(row["container"]), "chute": str(row["chute"]), "which": _which(row),
         "rule": word(row["rule"]),
         "chance": with_limits(row, "chance_full", "chance_low", "chance_high", 100),
         "refused": with_limits(row, "refused_a_week", "refused_low", "refused_high"),
         "half": percent(row["under_half"])}
        for row in _worth_showing(known).to_dict("records")
    ]  # fmt: skip
    return Section(title, [Grid(columns, cells, ["chance", "refused", "half"], phrase(ASSUMES))])


def _worth_showing(table: pd.DataFrame) -> pd.DataFrame:
    """The present rule of each container, and the best with no more pickups."""
    keys = ["site", "chute", "container"]
    return table.groupby(keys, sort=False).head(2).head(2 * CONTAINERS)


def _which(row: Row) -> Phrase:
    if row["present"] is True:
        return phrase("present")
    return phrase("best at {n:g} a week", n=row["pickups_a_week"])


def forecast(view: View) -> Section:
    """The chance that each container is full by the end of each of the days after the log."""
    title, table = phrase("When will they be full?"), view.analysis.sorting.forecast
    known = table[table["chance_full"].notna()]
    if known.empty:
        return Section(title, [not_shown(reasons(table))])
    days = sorted(known["day"].unique())[:6]
    columns = {"container": "Container", "chute": "Chute"} | {
        f"{day:%m%d}": phrase("{d:%m-%d}", d=day) for day in days
    }
    cells: list[dict[str, str | None]] = []
    for (_, chute, container), part in known.groupby(["site", "chute", "container"],
                                                     observed=True, sort=False):  # fmt: skip
        by_day = {row["day"]: with_limits(row, "chance_full", "low", "high", 100)
                  for row in part.to_dict("records")}  # fmt: skip
        cells.append({"container": str(container), "chute": str(chute),
                      **{f"{day:%m%d}": by_day.get(day) for day in days}})  # fmt: skip
    note = phrase("% chance of full by the end of that local day, made at the end of the month's "
                  "log, as if nothing were emptied before; 95 % interval.")  # fmt: skip
    return Section(title, [Grid(columns, cells[:CONTAINERS], list(columns)[2:], note)])


def _amount(row: Row, name: str) -> str | None:
    return with_limits(row, name, f"{name}_low", f"{name}_high")


def _door(row: Row, *, several: bool) -> Phrase:
    one = phrase("Floor {floor}", floor=row["floor"])
    return phrase("{floor}, {chute}", floor=one, chute=row["chute"]) if several else one
