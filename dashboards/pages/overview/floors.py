"""Which floors lock themselves out: ranked, each with what chance leaves open."""

import pandas as pd
from dash import html

from dashboards import figures, parts
from dashboards.pages.view import Row, View, reasons, tenths, text, whole, with_limits
from loganalyzer import views
from loganalyzer.language import phrase
from loganalyzer.sentences import between, count, door, figure, listed, things

TITLE = "Which floors lock themselves out?"
DRAWN = 30  # floors in the figure; all are in the table
COLUMNS = {
    "floor": "Floor", "chute": "Chute", "presses": "Presses", "visits": "Visits",
    "served": "Served", "cycles": "Cycles", "open": "Open, median s", "open90": "Open, p90 s",
    "stuck": "Stuck open", "lockouts": "Lockouts", "episodes": "Episodes",
    "rate": "Episodes per 100 visits", "shrunken": "The same, shrunk", "unit": "Per unit, 30 days",
    "times": "Times the other floors", "q": "q", "verdict": "Judged", "reason": "Why not",
}  # fmt: skip
NUMBERS = list(COLUMNS)[2:-2]


def section(view: View) -> html.Section:
    """The ranking, or why there is none."""
    floors = views.shown_to_manager(views.floors_ranked(view.analysis), view.analysis.sites)
    judged = floors[floors["episodes_per_100_visits"].notna()]
    table = parts.folded(
        phrase("The numbers of {floors}", floors=things(len(floors), "floor", "floors")),
        parts.table(
            COLUMNS, [_row(row, view) for row in floors.to_dict("records")], NUMBERS, TITLE
        ),
    )
    if judged.empty:
        why = parts.nothing(phrase("No floor has a rate: {reasons}.", reasons=reasons(floors)))
        return parts.section("floors", TITLE, [], why, table)
    beside: list[parts.Cell] = [
        _first(judged.iloc[0]),
        "Lockouts that follow one another within 10 minutes at a door are one episode. The bar is "
        "what chance leaves open: where bars overlap, floors may well be alike. A floor stands out "
        "only where its rate is at least 1.5 times the others', surely so (q at most 0.05, which "
        "allows for bunches and for the number of floors), and its button looks sound.",
        _standing_out(floors),
        phrase("The {value} highest are drawn.", value=DRAWN) if len(judged) > DRAWN else None,
        _left_out(len(floors) - len(judged)),
        *views.hidden_sentences(view.analysis),
    ]
    drawn = parts.chart(
        figures.floors_by_rate(
            judged.head(DRAWN),
            view.scheme,
            view.behind("episodes", chute=None) + "&chute={chute}&floor={row}",
        ),
        "floors-rate",
        "Lockout episodes per 100 visits, floor by floor; the table below has the numbers.",
        view.caption(
            "Lockout episodes per 100 visits, bars: exact 95 % interval (Poisson)",
            phrase(
                "{episodes_in_service} episodes in {visits_in_service} visits at {doors}",
                episodes_in_service=count(judged["episodes_in_service"].sum()),
                visits_in_service=count(judged["visits_in_service"].sum()),
                doors=things(len(judged), "door", "doors"),
            ),
        ),
    )
    return parts.section("floors", TITLE, beside, drawn, table)


def _first(row: pd.Series) -> html.P:
    """The head of the ranking as a sentence."""
    said = phrase(
        "{door} comes first: {episodes} in {visits}, {episodes_per_100_visits} per 100 {limits}.",
        door=door(str(row["chute"]), str(row["floor"])),
        episodes=things(row["episodes_in_service"], "episode", "episodes"),
        visits=things(row["visits_in_service"], "visit", "visits"),
        episodes_per_100_visits=figure(row["episodes_per_100_visits"]),
        limits=between(row["low"], row["high"]),
    )
    return html.P(said, className="said")


def _standing_out(floors: pd.DataFrame) -> str:
    flagged = floors[floors["flagged"].astype(bool)]
    doors = [door(str(row.chute), str(row.floor)) for row in flagged.itertuples()]
    if not doors:
        return "No floor stands out."
    return phrase(
        "{doors} {len} out.",
        doors=listed(doors),
        len=phrase("stands") if len(doors) == 1 else phrase("stand"),
    )


def _left_out(number: int) -> str | None:
    if not number:
        return None
    return phrase(
        "{floors} no rate; the table says why.",
        floors=things(number, "floor has", "floors have"),
    )


def _row(row: Row, view: View) -> dict[str, parts.Cell]:
    chute, floor = str(row["chute"]), str(row["floor"])

    def behind(column: str, what: str, **chosen: str) -> parts.Cell:
        return parts.door(whole(row[column]), view.behind(what, chute=chute, floor=floor, **chosen))

    stuck = view.door("incidents", chute=chute, floor=floor, kind="stuck_door")
    return {
        "floor": floor, "chute": chute, "presses": behind("presses", "presses"),
        "visits": behind("visits", "visits"), "served": behind("served", "visits", result="served"),
        "cycles": behind("cycles", "cycles"), "open": tenths(row["open_s_median"]),
        "open90": tenths(row["open_s_p90"]), "stuck": parts.door(whole(row["stuck"]), stuck),
        "lockouts": behind("lockouts", "lockouts"),
        "episodes": behind("lockout_episodes", "episodes"),
        "rate": with_limits(row, "episodes_per_100_visits", "low", "high"),
        "shrunken": None if pd.isna(row["shrunken"]) else figure(row["shrunken"]),
        "unit": with_limits(row, "episodes_per_unit_30d", "unit_low", "unit_high"),
        "times": with_limits(row, "times_rest", "rest_low", "rest_high"),
        "q": None if pd.isna(row["q_value"]) else phrase("{q:.2g}", q=row["q_value"]),
        "verdict": _verdict(row), "reason": text(row["reason"]),
    }  # fmt: skip


def _verdict(row: Row) -> str:
    if pd.isna(row["q_value"]):
        return phrase("not judged")
    return phrase("stands out") if row["flagged"] else phrase("does not stand out")
