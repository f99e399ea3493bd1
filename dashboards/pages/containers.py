"""How containers fill, when they will be full, and which pickups would serve better."""

import pandas as pd
from dash import html
from dash.development.base_component import Component

from dashboards import parts, shapes
from dashboards.figures import DAYS, column, of_chute
from dashboards.pages.view import (
    Row,
    View,
    duration,
    moment,
    percent,
    reasons,
    tenths,
    text,
    whole,
    with_limits,
    word,
)
from loganalyzer.language import phrase
from loganalyzer.sentences import listed, things
from loganalyzer.views import streams as tables
from loganalyzer.views.pickup_report import ASSUMES, NOT_TESTED

CODES = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")  # RFC 5545
AROUND_MIN = 30  # shown in the strip before and after a moment of a fill
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
         "fills": parts.door(whole(row["fills"]), view.behind(
             "cycles", chute=str(row["chute"]), stream=word(row["stream"]) or None)),
         "full": parts.door(whole(row["full"]), _fulls(view, str(row["chute"]))),
         "hours": parts.door(tenths(row["hours_full"]), _fulls(view, str(row["chute"]))),
         "refused": parts.door(whole(row["visits_refused"]), view.behind(
             "refusals", chute=str(row["chute"]), result="full")),
         "half": whole(row["under_half"]), "false": whole(row["false_full"]),
         "uses": with_limits(row, "mean", "mean_low", "mean_high"),
         "seen": with_limits(row, "median_seen", "median_seen_low", "median_seen_high"),
         "reason": text(row["reason"])}
        for row in totals.to_dict("records")
    ]  # fmt: skip
    history = {"container": "Container", "chute": "Chute", "state": "State", "from": "Emptied",
               "full": "Full from", "to": "Until", "by": "Emptied by", "uses": "Uses",
               "lasted": "Full for", "reason": "Why not"}  # fmt: skip
    latest = [
        {"container": str(row["container"]), "chute": str(row["chute"]),
         "state": text(row["state"]),
         "from": _around(view, row, "emptied"), "full": _around(view, row, "full_from"),
         "to": _around(view, row, "ends"), "by": text(row["emptied_by"]),
         "uses": whole(row["drops"]),
         "lasted": duration(row["seconds"]), "reason": text(row["reason"])}
        for row in fills.head(LATEST).to_dict("records")
    ]  # fmt: skip
    return parts.section(
        "containers", title, ["In brackets: 95 % interval.", view.about],
        parts.table(columns, told, list(columns)[2:-1], title),
        parts.folded(phrase(
            "The latest of {fills}", fills=things(len(fills), "fill", "fills")), parts.table(
            history, latest, ["uses", "lasted"], "Fills, the latest first")),
    )  # fmt: skip


def _fulls(view: View, chute: str) -> str:
    """The address of the incidents of containers that were full."""
    return view.door("incidents", chute=chute, kind="container_full")


def _around(view: View, row: Row, name: str) -> parts.Cell:
    """A moment of a fill, which leads to the strip around it."""
    if pd.isna(row[name]):
        return None
    begin = row[name] - pd.Timedelta(minutes=AROUND_MIN)
    return parts.door(moment(row[f"{name}_local"]), view.door(
        "strip", chute=str(row["chute"]), at=f"{begin:%Y-%m-%dT%H:%M:%SZ}",
        wide=str(2 * 60 * AROUND_MIN)))  # fmt: skip


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
        "panel": column(map(of_chute, known["chute"]), known),
        "line": known["container"].astype(str),
        "x": known["day"], **{n: 100 * known[c].astype(float) for n, c in
                              (("value", "chance_full"), ("low", "low"), ("high", "high"))},
    })  # fmt: skip
    doors: dict[tuple[str, str], str] = {
        (of_chute(chute), str(container)): _fulls(view, str(chute))
        for chute, container in known[["chute", "container"]].drop_duplicates().to_numpy()
    }
    drawn = parts.chart(
        shapes.lines(rows, "chance full, %", view.scheme, doors=doors), "forecast-lines",
        "Chance that each container is full by the end of each coming day, a panel a chute.",
        view.caption("% chance of full by the end of a local day; bars: 95 % interval",
                     things(len(known), "forecast", "forecasts")),
    )  # fmt: skip
    unknown = table[table["chance_full"].isna()]
    beside: list[parts.Cell] = [
        "Made at the end of the log, as if nothing were emptied before. A mark leads to the times "
        "at which that chute's containers were full.",
        *(
            phrase(
                "{container} of chute {chute}: {reason}.",
                container=row.container,
                chute=row.chute,
                reason=text(row.reason),
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
        {"container": str(row["container"]), "chute": str(row["chute"]),
         "rule": _in_words(row["rule"]), "what": _which(row),
         "chance": with_limits(row, "chance_full", "chance_low", "chance_high", 100),
         "hours": with_limits(row, "hours_full_a_week", "hours_low", "hours_high"),
         "refused": with_limits(row, "refused_a_week", "refused_low", "refused_high"),
         "half": percent(row["under_half"]), "reason": text(row["reason"])}
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
                value=phrase(NOT_TESTED),
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
    return phrase("present") if row["present"] is True else best


def _in_words(rule: object) -> parts.Cell:
    """A pickup rule as people say it; one that says more than days and an hour as it stands."""
    if not isinstance(rule, str):
        return None
    said = dict(part.split("=", 1) for part in rule.split(";") if "=" in part)
    if said.pop("FREQ", "") != "WEEKLY" or set(said) - {"BYDAY", "BYHOUR", "INTERVAL"}:
        return rule
    weeks, days = said.get("INTERVAL", "1"), said.get("BYDAY", "").split(",")
    if not set(days) <= set(CODES) or not said.get("BYHOUR", "0").isdecimal():
        return rule
    named = listed([phrase(DAYS[CODES.index(day)]) for day in days])
    hour = phrase(", {hour:02d}:00", hour=int(said["BYHOUR"])) if "BYHOUR" in said else ""
    every = "{days}{hour}" if weeks == "1" else "{days}{hour}, every {weeks} weeks"
    return html.Span(phrase(every, days=named, hour=hour, weeks=weeks), title=rule)
