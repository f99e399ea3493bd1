"""How containers fill, when they will be full, and which pickups would serve better."""

import pandas as pd
from dash import html
from dash.development.base_component import Component

from dashboards import parts, shapes
from dashboards.pages.view import (
    Row,
    View,
    duration,
    moment,
    percent,
    reasons,
    tenths,
    whole,
    with_limits,
    word,
)
from loganalyzer.language import phrase
from loganalyzer.sentences import things
from loganalyzer.views import streams as tables
from loganalyzer.views.pickup_report import ASSUMES, NOT_TESTED

LATEST = 40  # fills in the table


def containers(view: View) -> html.Section:
    """What each container's fills come to, and the latest fills."""
    title = "How do the containers fill?"
    totals, fills = tables.container_totals(view.analysis), tables.fill_history(view.analysis)
    columns = {"container": "Container", "chute": "Chute", "fills": "Fills", "full": "Got full",
               "hours": "Hours full", "refused": "Visits refused",
               "half": "Emptied under half",
               "uses": "Uses to full, mean (Weibull)", "seen": "Median seen (Kaplan-Meier)",
               "false": "False full", "reason": "Why not"}  # fmt: skip
    told = [
        {"container": str(row["container"]), "chute": str(row["chute"]),
         "fills": whole(row["fills"]), "full": whole(row["full"]),
         "hours": tenths(row["hours_full"]), "refused": whole(row["visits_refused"]),
         "half": whole(row["under_half"]), "false": whole(row["false_full"]),
         "uses": with_limits(row, "mean", "mean_low", "mean_high"),
         "seen": with_limits(row, "median_seen", "median_seen_low", "median_seen_high"),
         "reason": word(row["reason"])}
        for row in totals.to_dict("records")
    ]  # fmt: skip
    history = {"container": "Container", "chute": "Chute", "state": "State", "from": "Emptied",
               "full": "Full from", "to": "Until", "by": "Emptied by", "uses": "Uses",
               "lasted": "Full for", "reason": "Why not"}  # fmt: skip
    latest = [
        {"container": str(row["container"]), "chute": str(row["chute"]),
         "state": word(row["state"]), "from": moment(row["emptied_local"]),
         "full": moment(row["full_from_local"]), "to": moment(row["ends_local"]),
         "by": word(row["emptied_by"]), "uses": whole(row["drops"]),
         "lasted": duration(row["seconds"]), "reason": word(row["reason"])}
        for row in fills.head(LATEST).to_dict("records")
    ]  # fmt: skip
    return parts.section(
        "containers", title, ["In brackets: 95 % interval.", view.about],
        parts.table(columns, told, list(columns)[2:-1], title),
        parts.folded(phrase(
            "The latest of {fills}", fills=things(len(fills), "fill", "fills")), parts.table(
            history, latest, ["uses", "lasted"], "Fills, the latest first")),
    )  # fmt: skip


def forecast(view: View) -> html.Section:
    """How likely each container is full by the end of each coming day."""
    title, table = "When will they be full?", view.analysis.sorting.forecast
    known = table[table["chance_full"].notna()]
    if known.empty:
        return parts.section(
            "forecast",
            title,
            [],
            parts.nothing(
                phrase(
                    "Not shown: {reasons}.",
                    reasons=reasons(table),
                )
            ),
        )
    rows = pd.DataFrame({
        "panel": "Chute " + known["chute"].astype(str), "line": known["container"].astype(str),
        "x": known["day"], **{n: 100 * known[c].astype(float) for n, c in
                              (("value", "chance_full"), ("low", "low"), ("high", "high"))},
    })  # fmt: skip
    drawn = parts.chart(
        shapes.lines(rows, "chance full, %", view.scheme), "forecast-lines",
        "Chance that each container is full by the end of each coming day, a panel a chute.",
        view.caption("% chance of full by the end of a local day; bars: 95 % interval",
                     f"{things(len(known), 'forecast', 'forecasts')}"),
    )  # fmt: skip
    unknown = table[table["chance_full"].isna()]
    beside: list[parts.Cell] = [
        "Made at the end of the log, as if nothing were emptied before.",
        *(
            phrase(
                "{container} of chute {chute}: {reason}.",
                container=row.container,
                chute=row.chute,
                reason=row.reason,
            )
            for row in unknown.itertuples()
        ),
    ]
    numbers = parts.numbers(rows, "End of", "Chance full, %", title)
    return parts.section("forecast", title, [_fullest(known), *beside], drawn, numbers)


def _fullest(known: pd.DataFrame) -> html.P:
    """The container most likely to be full by the end of the first day foretold."""
    first = known[known["day"].eq(known["day"].min())]
    row = first.sort_values("chance_full", ascending=False).to_dict("records")[0]
    return html.P(
        phrase(
            "By the end of {day:%Y-%m-%d} the {container} container of chute {chute} is full "
            "with a chance of {with_limits} %, the highest of all.",
            day=row["day"], container=row["container"], chute=row["chute"],
            with_limits=with_limits(row, "chance_full", "low", "high", 100),
        ),
        className="said",
    )  # fmt: skip


def pickups(view: View) -> html.Section:
    """The present rule, and the best at each number of pickups."""
    title, shown = "Would other pickups serve better?", tables.pickup_table(view.analysis)
    columns = {"container": "Container", "chute": "Chute", "rule": "Rule", "what": "Which",
               "chance": "Full before the next, %", "hours": "Hours full a week",
               "refused": "Refused a week", "half": "Emptied under half",
               "reason": "Why not"}  # fmt: skip
    told = [
        {"container": str(row["container"]), "chute": str(row["chute"]), "rule": word(row["rule"]),
         "what": _which(row),
         "chance": with_limits(row, "chance_full", "chance_low", "chance_high", 100),
         "hours": with_limits(row, "hours_full_a_week", "hours_low", "hours_high"),
         "refused": with_limits(row, "refused_a_week", "refused_low", "refused_high"),
         "half": percent(row["under_half"]), "reason": word(row["reason"])}
        for row in shown.to_dict("records")
    ]  # fmt: skip
    return parts.section("pickups", title, [ASSUMES, view.about], parts.table(
        columns, told, ["chance", "hours", "refused", "half"], title), _backtest(view))  # fmt: skip


def _backtest(view: View) -> Component:
    """Whether such chances came true on weeks that were held back."""
    table = view.analysis.sorting.backtest
    if table.empty:
        return parts.nothing(
            phrase(
                "Not tested on held-back weeks: {value}.",
                value=NOT_TESTED,
            )
        )
    columns = {"container": "Container", "chute": "Chute", "range": "Foretold, %",
               "fills": "Fills held back", "foretold": "Foretold on average",
               "came": "Came true, %", "miss": "Squared miss"}  # fmt: skip
    told = [
        {"container": str(row["container"]), "chute": str(row["chute"]),
         "range": phrase(
             "{foretold_from:.0f} to {foretold_to:.0f}",
             foretold_from=100 * row["foretold_from"], foretold_to=100 * row["foretold_to"],
         ),
         "fills": whole(row["fills"]), "foretold": percent(row["foretold"]),
         "came": with_limits(row, "came", "low", "high", 100), "miss": _miss(row)}
        for row in table.to_dict("records")
    ]  # fmt: skip
    title = "Did such chances come true on held-back weeks?"
    return parts.folded(title, parts.table(
        columns, told, ["range", "fills", "foretold", "came", "miss"], title))  # fmt: skip


def _miss(row: Row) -> str | None:
    """The mean squared miss, and that of always saying the same, which skill must beat."""
    if pd.isna(row["brier"]):
        return None
    return phrase(
        "{brier:.3f} (always the same: {brier_always_same:.3f})",
        brier=row["brier"],
        brier_always_same=row["brier_always_same"],
    )


def _which(row: Row) -> str:
    best = phrase("best at {pickups_a_week:g} a week", pickups_a_week=row["pickups_a_week"])
    return "present" if row["present"] is True else best
