"""One site: how is the chute doing, which floors misuse it, when, and what happened?"""

import json
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, urlencode

import dash_ag_grid as dag
import pandas as pd
from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboards import figures, parts
from dashboards.data import Data
from loganalyzer import views
from loganalyzer.errors import AnalyzerError
from loganalyzer.sentences import count, figure, lasting, things
from loganalyzer.views import Analysis

LINES_SHOWN = 200
Row = dict[Any, Any]  # of a table, by column


@dataclass(frozen=True)
class Choice:
    """What the address says: a site, a chute or all, a period or the whole log."""

    site: str
    chute: str | None = None
    start: str | None = None
    end: str | None = None

    @classmethod
    def of(cls, site: str, search: str | None) -> "Choice":
        """Read the part of an address behind '?'."""
        said = {key: values[-1] for key, values in parse_qs((search or "").lstrip("?")).items()}
        return cls(site, said.get("chute"), said.get("from"), said.get("to"))

    def search(self) -> str:
        """The part of an address behind '?', empty where nothing is chosen."""
        said = {"chute": self.chute, "from": self.start, "to": self.end}
        query = urlencode({key: value for key, value in said.items() if value})
        return f"?{query}" if query else ""


def layout(data: Data, choice: Choice) -> list[html.Div | html.Section | html.P]:
    """The page, or one sentence that says what is wrong with the choice."""
    site = data.store.site(choice.site)
    head = [_masthead(site.name, site.time_zone), _choices(data, choice)]
    try:
        analysis = data.analysis(choice.site, choice.chute, (choice.start, choice.end))
    except AnalyzerError as error:
        return [*head, parts.nothing(str(error))]
    return [
        *head,
        _headline(analysis),
        _findings(analysis),
        _floors(analysis),
        _week(analysis),
        _days(analysis),
        _incidents(analysis),
        _exports(data, choice.site),
    ]


def register(app: Dash, data: Data) -> None:
    """The callbacks of the page."""

    @app.callback(
        Output("address", "search"),
        Input("chute", "value"),
        Input("period", "start_date"),
        Input("period", "end_date"),
        State("address", "pathname"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def _choose(
        chute: str | None, start: str | None, end: str | None, path: str, search: str | None
    ) -> object:
        chosen = Choice(path, chute or None, _day(start), _day(end)).search()
        return no_update if chosen == (search or "") else chosen

    @app.callback(
        Output("incident-lines", "children"),
        Input("incidents", "selectedRows"),
        prevent_initial_call=True,
    )
    def _show_lines(rows: list[dict[str, str]] | None) -> object:
        return _incident(data, rows[0]) if rows else _choose_one()


def _masthead(name: str, zone: str) -> html.Div:
    return html.Div([html.H1(name), html.P(f"All times are local: {zone}")], className="masthead")


def _choices(data: Data, choice: Choice) -> html.Div:
    chutes = data.store.chutes(choice.site)
    return html.Div(
        [
            html.Label(
                [
                    "Chute",
                    dcc.Dropdown(
                        id="chute",
                        options=[
                            {"label": "all", "value": ""},
                            *({"label": c, "value": c} for c in chutes),
                        ],
                        value=choice.chute or "",
                        clearable=False,
                    ),
                ]
            ),
            html.Label(
                [
                    "From and to (both days count; empty: the whole log)",
                    dcc.DatePickerRange(
                        id="period",
                        start_date=choice.start,
                        end_date=choice.end,
                        display_format="YYYY-MM-DD",
                        clearable=True,
                    ),
                ]
            ),
        ],
        className="choices",
    )


def _headline(analysis: Analysis) -> html.Div:
    numbers = views.headline(analysis)
    cards = []
    for row in numbers.to_dict("records"):
        suffix = f", chute {row['chute']}" if len(numbers) > 1 else ""
        cards += [
            parts.card(f"Visits{suffix}", _count(row["visits"]), _served(row)),
            parts.card(
                f"Wait for an open door{suffix}", _seconds(row["wait_median_s"]), _tail(row)
            ),
            parts.card(
                f"Refused presses{suffix}",
                _count(row["refusals"]),
                "presses the controller did not act on",
            ),
            parts.card(
                f"Lockout episodes{suffix}",
                _count(row["lockout_episodes"]),
                "doors locked out for pressing too often",
            ),
            parts.card(
                f"Incidents{suffix}",
                _count(row["incidents"]),
                f"{_count(row['ongoing'])} still going on at the end of the log",
            ),
            parts.card(f"Log{suffix}", lasting(row["covered_s"]), _covered(row)),
        ]
    return html.Div(cards, className="figures")


def _served(row: Row) -> str:
    if pd.isna(row["served_share"]):
        return str(row["reason"] or "results not recorded")
    shares = [figure(100 * row[name]) for name in ("served_share", "low", "high")]
    return f"{shares[0]} % found an open door ({shares[1]} to {shares[2]} %)"


def _tail(row: Row) -> str:
    if pd.isna(row["wait_p90_s"]):
        return "presses or openings are not in the log"
    return f"median from the first press; 9 in 10 within {lasting(row['wait_p90_s'])}"


def _covered(row: Row) -> str:
    if pd.isna(row["first"]):
        return "no time in it can be trusted"
    return f"{row['first']:%Y-%m-%d} to {row['last']:%Y-%m-%d}, {100 * row['covered_share']:.0f} % covered"


def _findings(analysis: Analysis) -> html.Section:
    found = views.summary(analysis).findings
    if not found:
        return parts.section("Findings", "", parts.nothing("Nothing stands out in this period."))
    entries = [
        html.Li([one.sentence, html.Span(f" For the {one.who}.", className="who")]) for one in found
    ]
    return parts.section(
        "Findings",
        f"{things(len(found), 'finding', 'findings')}, the most important first; figures in brackets are 95 % intervals.",
        html.Ol(entries, className="findings"),
        parts.caution(),
    )


def _floors(analysis: Analysis) -> html.Section:
    floors = views.floors_ranked(analysis)
    judged = floors[floors["episodes_per_100_visits"].notna()]
    left = floors[floors["episodes_per_100_visits"].isna()]
    title = "Which floors lock themselves out"
    if judged.empty:
        return parts.section(title, "", parts.nothing(f"No floor has a rate: {_reasons(left)}."))
    lead = (
        "Lockouts that follow one another within 10 minutes at a door are one episode. The bar is "
        "what chance leaves open: where bars overlap, floors may well be alike."
    )
    rows = [_floor_row(row) for row in floors.to_dict("records")]
    return parts.section(
        title,
        lead,
        parts.graph(
            figures.floors_by_rate(floors),
            "floors-rate",
            "Lockout episodes per 100 visits by floor, the table below has the numbers",
        ),
        html.Details(
            [
                html.Summary("The numbers, floor by floor"),
                parts.table(FLOOR_COLUMNS, rows, numbers=list(FLOOR_COLUMNS)[2:-1]),
            ]
        ),
        id="floors",
    )


FLOOR_COLUMNS = {
    "chute": "Chute", "floor": "Floor", "presses": "Presses", "visits": "Visits", "served": "Served",
    "cycles": "Cycles", "open": "Open, median s", "open90": "Open, p90 s", "stuck": "Stuck open",
    "lockouts": "Lockouts", "episodes": "Episodes", "rate": "Episodes per 100 visits", "reason": "Not recorded",
}  # fmt: skip


def _floor_row(row: Row) -> dict[str, str | None]:
    rate = row["episodes_per_100_visits"]
    said = (
        None if pd.isna(rate) else f"{figure(rate)} ({figure(row['low'])} to {figure(row['high'])})"
    )
    return {
        "chute": str(row["chute"]), "floor": str(row["floor"]), "presses": _count(row["presses"]),
        "visits": _count(row["visits"]), "served": _count(row["served"]), "cycles": _count(row["cycles"]),
        "open": _tenths(row["open_s_median"]), "open90": _tenths(row["open_s_p90"]),
        "stuck": _count(row["stuck"]), "lockouts": _count(row["lockouts"]),
        "episodes": _count(row["lockout_episodes"]), "rate": said, "reason": str(row["reason"] or ""),
    }  # fmt: skip


def _week(analysis: Analysis) -> html.Section:
    hours = views.hour_of_week(analysis)
    title = "When presses are refused"
    if hours["refusals_per_hour"].isna().all():
        return parts.section(title, "", parts.nothing(f"Not shown: {_reasons(hours)}."))
    per_hour = hours.groupby("hour_of_week")["refusals"].sum(min_count=1).astype(float)
    worst = int(per_hour.to_numpy().argmax())
    lead = (
        f"Most refused presses fall on {figures.DAYS[worst // 24]} from {worst % 24:02d}:00 to "
        f"{worst % 24 + 1:02d}:00: {count(per_hour.max())} of {count(per_hour.sum())}. Colour is refused "
        "presses per hour that the log covers; blank is no log."
    )
    return parts.section(
        title, lead,
        parts.graph(figures.week_of_refusals(hours), "week", "Refused presses by floor and hour of the week"),
        id="week",
    )  # fmt: skip


def _days(analysis: Analysis) -> html.Section:
    daily = views.daily_trend(analysis)
    lead = "Each local day; a day without log is left open, never zero."
    return parts.section(
        "Day by day", lead,
        parts.graph(figures.days(daily), "days", "Cycles, visits and refused presses of each day"),
        id="daily",
    )  # fmt: skip


def _incidents(analysis: Analysis) -> html.Section:
    found = views.incident_list(analysis)
    if found.empty:
        return parts.section("Incidents", "", parts.nothing("No incident in this period."))
    rows = [_incident_row(row) for row in found.to_dict("records")]
    grid = dag.AgGrid(
        id="incidents",
        rowData=rows,
        columnDefs=[{"field": key, "headerName": title, **more} for key, title, more in INCIDENT_COLUMNS],
        defaultColDef={"sortable": True, "resizable": True},
        getRowId="params.data.incident",
        columnSize="responsiveSizeToFit",
        dashGridOptions={"rowSelection": {"mode": "singleRow", "checkboxes": False, "enableClickSelection": True}, "pagination": True, "paginationPageSize": 20, "paginationPageSizeSelector": False, "domLayout": "autoHeight"},
        style={"height": None},
    )  # fmt: skip
    return parts.section(
        "Incidents",
        f"{things(len(found), 'incident', 'incidents')}, the latest first. Choose one to see the lines of the export it rests on.",
        grid,
        html.Div(_choose_one(), id="incident-lines", role="status"),
        id="incident-list",
    )


INCIDENT_COLUMNS: tuple[tuple[str, str, dict[str, object]], ...] = (
    ("start", "Began", {"minWidth": 180}),
    ("kind", "What", {"minWidth": 140}),
    ("chute", "Chute", {"minWidth": 80}),
    ("floor", "Floor", {"minWidth": 80}),
    ("stream", "Stream", {"minWidth": 100}),
    ("code", "Code", {"minWidth": 80}),
    ("lasted", "Lasted", {"minWidth": 110}),
    ("refused", "Refused", {"minWidth": 100}),
    ("who", "For", {"minWidth": 110}),
)


def _incident_row(row: Row) -> dict[str, Any]:
    start, seconds, refused = row["start_local"], row["seconds"], row["refused"]
    lasted = "not known" if pd.isna(seconds) else lasting(float(seconds))
    return {
        "incident": row["incident"], "start": f"{start:%Y-%m-%d %H:%M:%S}",
        "kind": str(row["kind"]).replace("_", " ") + (" (inferred)" if row["inferred"] else ""),
        "chute": str(row["chute"]), "floor": _word(row["floor"]), "stream": _word(row["stream"]),
        "code": _word(row["code"]), "lasted": lasted + (", going on" if row["ongoing"] else ""),
        "refused": "not recorded" if pd.isna(refused) else count(float(refused)),
        "who": str(row["for"]), "evidence": row["evidence"], "advice": row["advice"],
    }  # fmt: skip


def _incident(data: Data, row: dict[str, str]) -> list[object]:
    evidence = json.loads(row["evidence"])
    shown = data.lines(evidence[:LINES_SHOWN])
    more = len(evidence) - LINES_SHOWN
    return [
        html.H3(f"{row['kind'].capitalize()}, {row['start']}"),
        html.P(row["advice"]),
        html.P(f"Incident {row['incident']} rests on these lines:", className="lead"),
        *parts.lines(shown),
        *([parts.nothing(f"and {count(more)} more lines.")] if more > 0 else []),
    ]


def _choose_one() -> html.P:
    return parts.nothing("No incident chosen.")


def _exports(data: Data, site: str) -> html.Section:
    imports = data.imports(site)
    rows = [
        {
            key: (_count(row[key]) if key in EXPORT_NUMBERS else str(row[key]))
            for key in EXPORT_COLUMNS
        }
        for row in imports.to_dict("records")
    ]
    return parts.section(
        "Exports", "What these figures rest on. Every line is an event, a duplicate of one, ignored or rejected.",
        html.Details([html.Summary(things(len(rows), "export", "exports")), parts.table(EXPORT_COLUMNS, rows, EXPORT_NUMBERS)]),
    )  # fmt: skip


EXPORT_NUMBERS = ("lines", "events", "duplicates", "ignored", "rejected")
EXPORT_COLUMNS = {
    "name": "File", "chute": "Chute", "profile": "Profile", "lines": "Lines", "events": "Events",
    "duplicates": "Duplicates", "ignored": "Ignored", "rejected": "Rejected", "status": "Status",
}  # fmt: skip


def _reasons(table: pd.DataFrame) -> str:
    found = [str(r) for r in table["reason"].dropna().unique() if r]
    return "; ".join(found) or "the log does not tell"


def _count(number: float) -> str | None:
    return None if pd.isna(number) else count(float(number))


def _seconds(number: float) -> str | None:
    return None if pd.isna(number) else lasting(float(number))


def _tenths(number: float) -> str | None:
    return None if pd.isna(number) else f"{number:.1f}"


def _word(value: object) -> str:
    return str(value) if isinstance(value, str) else ""


def _day(moment: str | None) -> str | None:
    return moment[:10] if moment else None
