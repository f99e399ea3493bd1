"""Who sorts, how containers fill, when they will be full, and the figures of each month."""

from urllib.parse import quote

import pandas as pd
from dash import html
from dash.development.base_component import Component

from dashboards import parts, shapes
from dashboards.data import Data
from dashboards.figures import column, label, of_chute, of_floor
from dashboards.pages.containers import containers, forecast, pickups
from dashboards.pages.frame import Page
from dashboards.pages.view import Row, View, moment, reasons, text, whole, with_limits
from loganalyzer.export import csv_text
from loganalyzer.language import phrase
from loganalyzer.sentences import alternatives, count, listed, things
from loganalyzer.views import shown_to_manager
from loganalyzer.views import streams as tables
from loganalyzer.views.about_streams import campaign_effects
from loganalyzer.views.streams_report import NOTE

CASES = 40  # in the table of lost sorting
LOST_NOTE = (
    "Container full, then refuse: a press refused because that container was full, and a refuse "
    "use at the same door within two minutes. Never used: so many uses of other streams that "
    "chance alone makes it unlikely; a broken button, or nobody knows."
)


def sections(view: View, data: Data, site: str) -> parts.Children:
    """Sorting first, then containers, then what to do about pickups, then the figures."""
    return [
        participation(view), trend(view), lost(view), containers(view), forecast(view),
        pickups(view), monthly(view),
    ]  # fmt: skip


def participation(view: View) -> html.Section:
    """How each floor uses each stream."""
    title = "How does each floor sort?"
    table = shown_to_manager(tables.participation_by_floor(view.analysis), view.analysis.sites)
    known = table[table["shrunken"].notna() & table["stream"].ne("refuse")]
    columns = {"floor": "Floor", "chute": "Chute", "stream": "Stream", "uses": "Uses",
               "share": "Share, %", "shrunken": "Shrunk, %", "rate": "Uses a unit and week",
               "weeks": "Weeks active", "reason": "Why not"}  # fmt: skip
    told = [
        {"floor": str(row["floor"]), "chute": str(row["chute"]), "stream": str(row["stream"]),
         "uses": parts.door(whole(row["uses"]), view.behind(
             "cycles", chute=str(row["chute"]), floor=str(row["floor"]),
             stream=str(row["stream"]))),
         "share": with_limits(row, "share", "low", "high", 100),
         "shrunken": with_limits(row, "shrunken", "shrunken_low", "shrunken_high", 100),
         "rate": with_limits(row, "uses_per_unit_week", "rate_low", "rate_high"),
         "weeks": phrase(
             "{whole} of {whole2}",
             whole=whole(row["weeks_active"]), whole2=whole(row["weeks_covered"]),
         ),
         "reason": text(row["reason"])}
        for row in table.to_dict("records")
    ]  # fmt: skip
    numbers = parts.folded("The numbers", parts.table(
        columns, told, ["uses", "share", "shrunken", "rate", "weeks"], title))  # fmt: skip
    if known.empty:
        why = parts.nothing(phrase("Not drawn: {reasons}.", reasons=reasons(table)))
        return parts.section("participation", title, [], why, numbers)
    drawn = [_floors(view, str(stream), part) for stream, part in known.groupby(
        "stream", observed=True, sort=False)]  # fmt: skip
    beside: list[parts.Cell] = [
              *(_most_and_least(str(stream), part) for stream, part in known.groupby(
                  "stream", observed=True, sort=False)),
              NOTE.replace("\n", " "), "Drawn is the shrunken share: a floor of few units is drawn "
              "towards the building's, so that luck neither crowns nor shames it."]  # fmt: skip
    return parts.section("participation", title, beside, *drawn, numbers)


def _floors(view: View, stream: str, part: pd.DataFrame) -> html.Figure:
    several = part["chute"].nunique() > 1
    ranked = part.sort_values("shrunken", ascending=False)
    names = [of_floor(row.floor, row.chute if several else None) for row in ranked.itertuples()]
    hundred = {name: 100 * ranked[column].astype(float).to_numpy() for name, column in
               (("value", "shrunken"), ("low", "shrunken_low"),
                ("high", "shrunken_high"))}  # fmt: skip
    return parts.chart(
        shapes.dots(
            ranked[["chute", "floor"]].assign(name=column(names, ranked), **hundred),
            phrase("{stream}, % of uses", stream=label(stream)), view.scheme,
            view.behind("cycles", chute=None, stream=stream) + "&chute={chute}&floor={row}",
        ),
        f"share-{stream}", phrase(
            "Shrunken share of {stream} by floor; the table has the numbers.",
            stream=stream,
        ),
        view.caption(phrase(
            "{stream}, % of a floor's uses, shrunken; bars: 95 % interval",
            stream=stream.capitalize(),
        ),
                     phrase("{uses} uses", uses=count(part["uses"].sum()))),
    )  # fmt: skip


def _most_and_least(stream: str, part: pd.DataFrame) -> html.P:
    """The floors that use a stream most and least, in words."""
    ranked = part.sort_values("shrunken", ascending=False).to_dict("records")
    most, least = (
        phrase("floor {floor} of chute {chute} with {share} %", floor=row["floor"],
               chute=row["chute"], share=with_limits(
                   row, "shrunken", "shrunken_low", "shrunken_high", 100))
        for row in (ranked[0], ranked[-1])
    )  # fmt: skip
    said = "{stream}: the largest share of its uses has {most}, the smallest {least}."
    return html.P(phrase(said, stream=stream.capitalize(), most=most, least=least),
                  className="said")  # fmt: skip


def trend(view: View) -> html.Section:
    """The share of each stream week by week, with campaigns marked."""
    title, weeks = "Does sorting change?", tables.weekly_shares(view.analysis)
    known = weeks[weeks["share"].notna()]
    if known.empty:
        return parts.section(
            "trend",
            title,
            [],
            parts.nothing(
                phrase(
                    "Not shown: {reasons}.",
                    reasons=reasons(weeks),
                )
            ),
        )
    rows = pd.DataFrame({
        "panel": column(map(of_chute, known["chute"]), known), "line": known["stream"].astype(str),
        "x": known["start"], **{n: 100 * known[c].astype(float) for n, c in
                                (("value", "share"), ("low", "low"), ("high", "high"))},
    })  # fmt: skip
    campaigns = tables.campaign_marks(view.analysis)
    marks = [(pd.Timestamp(str(row.date)), str(row.note)) for row in campaigns.itertuples()]
    doors: dict[tuple[str, str], str] = {
        (of_chute(chute), str(stream)): view.behind(
            "cycles", chute=str(chute), stream=str(stream), start=None, end=None)
        + "&from={x}&to={last}"
        for chute, stream in known[["chute", "stream"]].drop_duplicates().to_numpy()
    }  # fmt: skip
    drawn = parts.chart(
        shapes.lines(rows, "% of uses", view.scheme, marks, doors), "trend-lines",
        "Share of each stream week by week, a panel a chute.",
        view.caption("% of the uses of a week; bars: 95 % interval (Wilson)",
                     phrase("{uses} uses", uses=count(known["uses"].sum()))),
    )  # fmt: skip
    said = "Upright lines are campaigns." if marks else "The site file names no campaign."
    effects = [html.P(one.sentence) for one in campaign_effects(view.analysis)]
    return parts.section(
        "trend",
        title,
        [_latest(known), said],
        drawn,
        parts.numbers(rows, "Week from", "% of uses", title),
        *effects,
        _changes(view),
    )


def _latest(known: pd.DataFrame) -> html.P:
    """The shares of the latest week in words, chute by chute."""
    told = []
    for chute, part in known.groupby("chute", observed=True, sort=False):
        week = part[part["start"].eq(part["start"].max())]
        shares = listed([
            phrase("{stream} {share} %", stream=row["stream"],
                   share=with_limits(row, "share", "low", "high", 100) or phrase("not recorded"))
            for row in week.to_dict("records")
        ])  # fmt: skip
        told.append(
            phrase(
                "Chute {chute}, week from {start:%Y-%m-%d}: {shares}",
                chute=chute,
                start=week["start"].iloc[0],
                shares=shares,
            )
        )
    return html.P([part for one in told for part in (one, ". ")], className="said")


def _changes(view: View) -> Component:
    """Set-out, participation and the trend of each chute and stream."""
    table = tables.chute_participation(view.analysis)
    columns = {"stream": "Stream", "chute": "Chute", "out": "Set-out, %",
               "part": "Participation, %", "active": "Weeks active",
               "trend": "Trend, points a year", "p": "p (Kendall)"}  # fmt: skip
    told = [
        {"stream": str(row["stream"]), "chute": str(row["chute"]),
         "out": with_limits(row, "set_out", "set_out_low", "set_out_high", 100),
         "part": with_limits(row, "participation", "low", "high", 100),
         "active": phrase(
             "{whole} of {whole2}",
             whole=whole(row["weeks_active"]), whole2=whole(row["weeks_covered"]),
         ),
         "trend": with_limits(row, "trend", "trend_low", "trend_high"),
         "p": None if pd.isna(row["p"]) else phrase("{p:.2g}", p=row["p"])}
        for row in table.to_dict("records")
    ]  # fmt: skip
    title = "Set-out and participation of floors, and trends"
    return parts.folded(title, parts.table(
        columns, told, ["out", "part", "active", "trend", "p"], title))  # fmt: skip


def lost(view: View) -> html.Section:
    """Uses that would have been sorted and were not, by floor, and the lines behind them."""
    title, analysis = "What was not sorted and would have been?", view.analysis
    counts = shown_to_manager(tables.lost_counts(analysis), analysis.sites)
    cases = shown_to_manager(tables.lost_cases(analysis), analysis.sites)
    if cases.empty:
        why = tables.not_judged(analysis) or [phrase("Nothing found")]
        none = phrase("{why}.", why=alternatives(why))
        return parts.section("lost", title, [], parts.nothing(none))
    kinds = {"full_then_refuse": "Container full, then refuse", "gave_up": "Gave up",
             "quick_switch": "Quick switch to refuse", "never_used": "Never used"}  # fmt: skip
    columns = {"floor": "Floor", "chute": "Chute", "stream": "Stream", **kinds}
    told = [
        {**{name: str(row[name]) for name in ("floor", "chute", "stream")},
         **{name: parts.door(whole(row[name]), _lost_behind(view, row, name)) for name in kinds}}
        for row in counts.to_dict("records")
    ]  # fmt: skip
    each = {"floor": "Floor", "chute": "Chute", "stream": "Stream", "kind": "Kind",
            "time": "When", "detail": "What", "lines": "Lines (source:line)"}  # fmt: skip
    shown = [
        {**{name: str(row[name]) for name in ("floor", "chute", "stream", "lines")},
         "detail": text(row["detail"]), "kind": phrase(kinds[str(row["kind"])]),
         "time": moment(row["local"])}
        for row in cases.head(CASES).to_dict("records")
    ]  # fmt: skip
    folded = phrase(
        "The first {len} of {cases}",
        len=min(CASES, len(cases)),
        cases=things(len(cases), "case", "cases"),
    )
    return parts.section(
        "lost", title, [LOST_NOTE, view.about],
        parts.table(columns, told, list(kinds), title),
        parts.folded(folded, parts.table(each, shown, [], "Cases with their lines")),
    )  # fmt: skip


def _lost_behind(view: View, row: Row, kind: str) -> str:
    """The rows among which the uses lost to sorting lie."""
    where = {name: str(row[name]) for name in ("chute", "floor")}
    if kind == "full_then_refuse":
        return view.behind("refusals", stream=str(row["stream"]), result="full", **where)
    if kind == "gave_up":
        return view.behind("visits", stream=str(row["stream"]), result="gave_up", **where)
    return view.behind("visits" if kind == "quick_switch" else "cycles", **where)


def monthly(view: View) -> html.Section:
    """The figures a municipality or owner asks for, to read and to take along."""
    title, table = "Figures of each month", view.analysis.sorting.monthly
    columns = {"month": "Month", "stream": "Stream", "uses": "Uses", "litres": "Litres",
               "kg": "kg", "share": "Share, %", "diversion": "Diversion by mass, %",
               "volume": "Diversion by volume, %", "method": "Method",
               "reason": "Why not"}  # fmt: skip
    told = [
        {"month": phrase("{month:%Y-%m}", month=pd.Timestamp(str(row["month"]))),
         "stream": str(row["stream"]),
         "uses": parts.door(whole(row["uses"]), _month_behind(view, row)),
         "litres": whole(row["litres"]), "kg": whole(row["kg"]),
         "share": with_limits(row, "share", "share_low", "share_high", 100),
         "diversion": with_limits(row, "diversion", "diversion_low", "diversion_high", 100),
         "volume": with_limits(row, "diversion_by_volume", "diversion_by_volume_low",
                               "diversion_by_volume_high", 100),
         "method": text(row["method"]), "reason": text(row["reason"])}
        for row in table.to_dict("records")
    ]  # fmt: skip
    csv = csv_text(table, "monthly")
    take = html.A("Take them along as CSV", download="monthly-figures.csv",
                  href=f"data:text/csv;charset=utf-8,{quote(csv)}")  # fmt: skip
    beside = [
        "The file holds the uncertainty of each figure too.",
        view.about,
    ]
    return parts.section("monthly", title, beside, parts.table(
        columns, told, list(columns)[2:-2], title), html.P(take))  # fmt: skip


def _month_behind(view: View, row: Row) -> str:
    """The uses of a stream in a month."""
    first = pd.Timestamp(str(row["month"]))
    last = first + pd.offsets.MonthEnd(0)
    return view.behind("cycles", stream=str(row["stream"]), start=f"{first:%Y-%m-%d}",
                       end=f"{last:%Y-%m-%d}")  # fmt: skip


PAGE = Page("Sorting and containers", sections)
