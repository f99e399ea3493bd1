"""Which floors lock themselves out: ranked, each with what chance leaves open."""

import pandas as pd
from dash import html

from dashboards import figures, parts
from dashboards.pages.site.view import Row, View, reasons, tenths, whole, word
from loganalyzer import views
from loganalyzer.sentences import between, count, door, figure, things

TITLE = "Which floors lock themselves out?"
DRAWN = 30  # floors in the figure; all are in the table
COLUMNS = {
    "floor": "Floor", "chute": "Chute", "presses": "Presses", "visits": "Visits",
    "served": "Served", "cycles": "Cycles", "open": "Open, median s", "open90": "Open, p90 s",
    "stuck": "Stuck open", "lockouts": "Lockouts", "episodes": "Episodes",
    "rate": "Episodes per 100 visits", "reason": "Not recorded",
}  # fmt: skip
NUMBERS = list(COLUMNS)[2:-1]


def section(view: View) -> html.Section:
    """The ranking, or why there is none."""
    floors = views.floors_ranked(view.analysis)
    judged = floors[floors["episodes_per_100_visits"].notna()]
    table = parts.folded(
        f"The numbers of {things(len(floors), 'floor', 'floors')}",
        parts.table(COLUMNS, [_row(row) for row in floors.to_dict("records")], NUMBERS, TITLE),
    )
    if judged.empty:
        why = parts.nothing(f"No floor has a rate: {reasons(floors)}.")
        return parts.section("floors", TITLE, [], why, table)
    beside: list[parts.Cell] = [
        _first(judged.iloc[0]),
        "Lockouts that follow one another within 10 minutes at a door are one episode. The bar is "
        "what chance leaves open: where bars overlap, floors may well be alike.",
        f"The {DRAWN} highest are drawn." if len(judged) > DRAWN else None,
        _left_out(len(floors) - len(judged)),
    ]
    drawn = parts.chart(
        figures.floors_by_rate(judged.head(DRAWN), view.scheme),
        "floors-rate",
        "Lockout episodes per 100 visits, floor by floor; the table below has the numbers.",
        view.caption(
            "Lockout episodes per 100 visits, bars: exact 95 % interval (Poisson)",
            f"{count(judged['lockout_episodes'].sum())} episodes in "
            f"{count(judged['visits'].sum())} visits at {things(len(judged), 'door', 'doors')}",
        ),
    )
    return parts.section("floors", TITLE, beside, drawn, table)


def _first(row: pd.Series) -> html.P:
    """The head of the ranking as a sentence."""
    said = (
        f"{door(row['chute'], row['floor'])} comes first: "
        f"{things(row['lockout_episodes'], 'episode', 'episodes')} in "
        f"{things(row['visits'], 'visit', 'visits')}, "
        f"{figure(row['episodes_per_100_visits'])} per 100 {between(row['low'], row['high'])}."
    )
    return html.P(said, className="said")


def _left_out(number: int) -> str | None:
    if not number:
        return None
    return f"{things(number, 'floor has', 'floors have')} no rate; the table says why."


def _row(row: Row) -> dict[str, parts.Cell]:
    rate = row["episodes_per_100_visits"]
    said: parts.Cell = (
        None if pd.isna(rate) else f"{figure(rate)} {between(row['low'], row['high'])}"
    )
    return {
        "floor": str(row["floor"]), "chute": str(row["chute"]), "presses": whole(row["presses"]),
        "visits": whole(row["visits"]), "served": whole(row["served"]),
        "cycles": whole(row["cycles"]), "open": tenths(row["open_s_median"]),
        "open90": tenths(row["open_s_p90"]), "stuck": whole(row["stuck"]),
        "lockouts": whole(row["lockouts"]), "episodes": whole(row["lockout_episodes"]),
        "rate": said, "reason": word(row["reason"]),
    }  # fmt: skip
