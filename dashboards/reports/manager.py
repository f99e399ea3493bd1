"""The property manager's month: what asks for something, who misuses it, what waiting costs."""

import pandas as pd

from dashboards.pages.overview.headline import MEASURES
from dashboards.pages.view import Row, View, percent, reasons, tenths, whole, with_limits
from dashboards.parts import CAUTION
from dashboards.reports import charts
from dashboards.reports.claims import calm, loud
from dashboards.reports.month import Month
from dashboards.reports.sheet import Block, Grid, Picture, Section, Sheet, Words, kept
from loganalyzer import views
from loganalyzer.language import Phrase, phrase
from loganalyzer.sentences import count, things
from loganalyzer.views.about_waits import CAUSE_NAMES, PART_NAMES

ACTED_ON, TOLD = 8, 8  # findings that ask for something, and others
CHUTES, DOORS = 6, 30  # chutes, and rows of the map of the week, that fit on the paper
WIDE, MANY = 3, 12  # chutes side by side in a table, and below one another
FLOORS = 8  # floors in a table or drawing


def manager(month: Month) -> Sheet:
    """The sheet."""
    view = month.view
    return month.sheet(
        phrase("Report for the property manager"),
        [
            act_on(month, "manager"), numbers(view), floors(view, month.site.language),
            hours(view, month.site.language), days(view, month.site.language),
            waiting(view, month.site.language), doors(view), interruptions(view),
            also(month, "manager"),
        ],
    )  # fmt: skip


def act_on(month: Month, who: str) -> Section:
    """What asks for something, with the caution that belongs to it."""
    found = loud(month.findings, who)
    more = phrase("{n} more in: loganalyzer summary.", n=count(len(found) - ACTED_ON))
    none = phrase("Nothing in this month's log asks for action.")
    return Section(phrase("What to act on"), kept([
        month.claims.points(found[:ACTED_ON]) if found else Words(none, "said"),
        Words(more, "muted") if len(found) > ACTED_ON else None,
        Words(phrase(CAUTION), "caution"),
    ]))  # fmt: skip


def also(month: Month, who: str) -> Section | None:
    """What else the month's log tells of how things are."""
    found = calm(month.findings, who)
    if not found:
        return None
    return Section(phrase("What else the log tells"), [month.claims.points(found[:TOLD])])


def numbers(view: View) -> Section:
    """A row a measure, a column a chute, as at the head of the dashboard."""
    table = view.headline.to_dict("records")
    if len(table) > WIDE:
        return _many(view)
    columns = {"measure": "Measure"} | {
        f"chute{place}": phrase("Chute {chute}", chute=row["chute"])
        for place, row in enumerate(table)
    }
    cells: list[dict[str, str | None]] = []
    for name, said in MEASURES.items():
        cells.append({"measure": phrase(name)})
        for place, row in enumerate(table):
            value, note = said(row)
            known = phrase("{value}; {note}", value=value, note=phrase(note))
            absent = phrase("not recorded: {reason}", reason=phrase(note))
            cells[-1][f"chute{place}"] = absent if value is None else known
    return Section(phrase("In numbers"), [Grid(columns, cells, note=view.scope)])


def _many(view: View) -> Section:
    """The same with a row a chute, where there are too many to stand side by side."""
    columns: dict[str, str] = {"chute": "Chute"} | {name: phrase(name) for name in MEASURES}
    table = view.headline.head(MANY).to_dict("records")
    cells = [
        {"chute": str(row["chute"]), **{name: said(row)[0] for name, said in MEASURES.items()}}
        for row in table
    ]
    more = _some(view.headline, "chute", MANY)
    return Section(phrase("In numbers"), [*more, Grid(columns, cells, list(MEASURES), view.scope)])


def floors(view: View, language: str) -> Section:
    """Which floors lock themselves out, ranked, with what chance leaves open."""
    title = phrase("Which floors lock themselves out?")
    table = views.shown_to_manager(views.floors_ranked(view.analysis), view.analysis.sites)
    known = table[table["episodes_per_100_visits"].notna()].head(FLOORS)
    if known.empty:
        return Section(title, [not_shown(reasons(table))])
    drawn = pd.DataFrame({
        "name": [_door(row, several=table["chute"].nunique() > 1) for row in
                 known.to_dict("records")],
        "value": known["episodes_per_100_visits"], "low": known["low"], "high": known["high"],
    }, dtype=object)  # fmt: skip
    n = phrase("{episodes} in {visits}",
               episodes=things(known["episodes_in_service"].sum(), "episode", "episodes"),
               visits=things(known["visits_in_service"].sum(), "visit", "visits"))  # fmt: skip
    caption = view.caption(
        "Lockout episodes per 100 visits, bars: exact 95 % interval (Poisson)", n
    )
    columns = {"floor": "Floor", "chute": "Chute", "visits": "Visits", "episodes": "Episodes",
               "rate": "Episodes per 100 visits", "times": "Times the other floors",
               "verdict": "Judged"}  # fmt: skip
    cells = [
        {"floor": str(row["floor"]), "chute": str(row["chute"]),
         "visits": whole(row["visits_in_service"]), "episodes": whole(row["episodes_in_service"]),
         "rate": with_limits(row, "episodes_per_100_visits", "low", "high"),
         "times": with_limits(row, "times_rest", "rest_low", "rest_high"),
         "verdict": phrase("stands out" if row["flagged"] else "does not stand out")}
        for row in known.to_dict("records")
    ]  # fmt: skip
    first = phrase("The {n} highest; where bars overlap, floors may well be alike. Lockouts within "
                   "10 minutes at a door are one episode. A log shows presses and not people: "
                   "have the button looked at before anybody is spoken to.",
                   n=count(len(known)))  # fmt: skip
    hidden = [Words(phrase(said), "muted") for said in views.hidden_sentences(view.analysis)]
    return Section(title, [
        Words(first),
        Picture(charts.dots(drawn, "episodes per 100 visits", language),
                phrase("Lockout episodes per 100 visits, floor by floor; the table has the "
                       "numbers."), caption),
        Grid(columns, cells, ["visits", "episodes", "rate", "times"]), *hidden,
    ])  # fmt: skip


def hours(view: View, language: str) -> Section:
    """At which hours presses are refused."""
    title = phrase("At which hours are presses refused?")
    table = views.shown_to_manager(views.hour_of_week(view.analysis), view.analysis.sites)
    known = table[table["refusals_per_hour"].notna()]
    if known.empty:
        return Section(title, [not_shown(reasons(table))])
    kept_chutes = table[table["chute"].isin(known["chute"].unique())]
    busiest = known.groupby(["chute", "floor"], observed=True)["refusals"].sum().nlargest(DOORS)
    doors = pd.MultiIndex.from_frame(kept_chutes[["chute", "floor"]])
    shown = kept_chutes[doors.isin(busiest.index)]
    n = things(shown["refusals"].sum(), "refused press", "refused presses")
    unit = "Refused presses per hour of log, by hour of the local week; blank: no log"
    return Section(title, [*_some(known, "floor", DOORS), Picture(
        charts.week(shown, "refusals_per_hour", "an hour", language),
        phrase("Refused presses per hour of log, by floor and hour of the week."),
        view.caption(unit, n),
    )])  # fmt: skip


def days(view: View, language: str) -> Section:
    """Visits and refused presses of each local day."""
    title = phrase("How do the days compare?")
    daily = views.daily_trend(view.analysis)
    use = "cycles" if daily["visits"].isna().all() else "visits"
    columns = {use: use, "refusals": "refused presses"}
    there = {column: name for column, name in columns.items() if daily[column].notna().any()}
    if not there:
        return Section(title, [not_shown("neither presses nor door contacts with a time that can "
                                          "be trusted")])  # fmt: skip
    covered = daily[daily["covered_share"] > 0]["day"].nunique()
    shown = daily[daily["chute"].isin(daily["chute"].unique()[:CHUTES])]
    return Section(title, [*_some(daily, "chute", CHUTES), Picture(
        charts.days(shown, there, language),
        phrase("Visits and refused presses of each local day, a panel a chute."),
        view.caption("Number a local day; a day without log is left open, never zero",
                     things(covered, "day", "days")),
    )])  # fmt: skip


def waiting(view: View, language: str) -> Section:
    """What people wait for, and how many are served soon enough."""
    title = phrase("What do people wait for?")
    split, served = view.analysis.wait_split, view.analysis.served_within
    known = split[split["mean_s"].notna() & split["mean_s"].gt(0)]
    blocks: list[Block] = []
    if known.empty:
        blocks.append(not_shown(reasons(split)))
    else:
        known = known[known["chute"].isin(known["chute"].unique()[:CHUTES])]
        names = [phrase("Chute {chute}", chute=chute) for chute in known["chute"].astype(str)]
        bars = pd.DataFrame({
            "of": pd.Series(names, dtype=object),  # text of pandas would forget how it was made
            "part": known["part"].astype(str).map(PART_NAMES).to_numpy(),
            "value": known["mean_s"].to_numpy(float),
        })  # fmt: skip
        n = int(known.groupby("chute", observed=True)["n"].max().sum())
        blocks.append(Picture(
            charts.split(bars, "seconds a visit, mean", language),
            phrase("The mean wait of a visit in its parts, a bar a chute."),
            view.caption("Mean seconds from the first press to the open door, visits served",
                         things(n, "visit", "visits")),
        ))  # fmt: skip
    limits = sorted(served["within_s"].unique())
    columns = {"chute": "Chute", "visits": "Visits"} | {
        f"within{limit}": phrase("Served within {v} s, of 100 visits", v=limit) for limit in limits
    }
    cells: list[dict[str, str | None]] = []
    for chute, part in list(served.groupby("chute", observed=True, sort=False))[:CHUTES]:
        cells.append({"chute": str(chute), "visits": whole(part["visits"].iloc[0])})
        for row in part.to_dict("records"):
            share = with_limits(row, "share", "low", "high", 100) or _why(row["reason"])
            cells[-1][f"within{row['within_s']}"] = share
    blocks.append(
        Grid(
            columns,
            cells,
            list(columns)[1:],
            phrase("Of all visits, those who gave up too; 95 % interval (Wilson)."),
        )
    )
    return Section(title, blocks)


def doors(view: View) -> Section:
    """Which doors are left open."""
    title = phrase("Which doors are left open?")
    table = views.shown_to_manager(view.analysis.open_doors, view.analysis.sites)
    known = table[table["share"].notna()].sort_values("share", ascending=False, kind="stable")
    doors_judged = len(known)
    known = known[known["over_limit"].gt(0)]
    if not doors_judged:
        return Section(title, [not_shown(reasons(table))])
    columns = {"floor": "Floor", "chute": "Chute", "limit": "Limit, s", "openings": "Openings",
               "over": "Over the limit", "share": "Of 100 openings",
               "p90": "9 in 10 within, s"}  # fmt: skip
    cells = [
        {"floor": str(row["floor"]), "chute": str(row["chute"]),
         "limit": phrase("{v:g}", v=row["open_limit_s"]), "openings": whole(row["judged"]),
         "over": whole(row["over_limit"]),
         "share": with_limits(row, "share", "low", "high", 100), "p90": tenths(row["open_s_p90"])}
        for row in known.head(FLOORS).to_dict("records")
    ]  # fmt: skip
    note = phrase("The {n} worst of {doors}; the others were never open for longer than their "
                  "limit. 95 % interval (Wilson).", n=count(len(cells)),
                  doors=things(doors_judged, "door", "doors"))  # fmt: skip
    none = phrase("None of {doors} was open for longer than its limit.",
                  doors=things(doors_judged, "door", "doors"))  # fmt: skip
    if known.empty:
        return Section(title, [Words(none)])
    more = phrase("The {n} worst of {doors}. 95 % interval (Wilson).", n=count(len(cells)),
                  doors=things(doors_judged, "door", "doors"))  # fmt: skip
    return Section(title, [Grid(columns, cells, list(columns)[2:],
                                note if len(known) <= FLOORS else more)])  # fmt: skip


def interruptions(view: View) -> Section:
    """How often and how long units were without their door."""
    title = phrase("How often were people without their door?")
    table = view.analysis.indices
    whole_period = table[table["month"].eq("all")]
    known = whole_period[whole_period["interruptions_per_unit"].notna()]
    several = known["chute"].nunique() > WIDE
    known = known[known["cause"].eq("all") | (known["unit_interruptions"].gt(0) & (not several))]
    more = _some(known, "chute", MANY)
    known = known[known["chute"].isin(known["chute"].unique()[:MANY])]
    if known.empty:
        return Section(title, [not_shown(reasons(whole_period))])
    columns = {"chute": "Chute", "cause": "Cause", "often": "Times a unit",
               "minutes": "Minutes a unit", "available": "Available"}  # fmt: skip
    cells = [
        {"chute": str(row["chute"]),
         "cause": phrase(CAUSE_NAMES.get(str(row["cause"]), "all causes")),
         "often": phrase("{v:.2f}", v=row["interruptions_per_unit"]),
         "minutes": tenths(row["minutes_per_unit"]), "available": percent(row["availability"])}
        for row in known.to_dict("records")
    ]  # fmt: skip
    note = phrase("Interruptions of more than the site's limit; counted as IEEE 1366 counts them. "
                  "Counts of what happened, not a sample: no interval.")  # fmt: skip
    return Section(title, [*more, Grid(columns, cells, ["often", "minutes", "available"], note)])


def _some(table: pd.DataFrame, of: str, most: int) -> list[Block]:
    """That only some are shown; nothing where all are."""
    there = len(table[["chute", of]].drop_duplicates()) if of != "chute" else table[of].nunique()
    if there <= most:
        return []
    said = phrase("{n} of {all} are shown; the dashboard shows all.", n=count(most),
                  all=count(there))  # fmt: skip
    return [Words(said, "muted")]


def _door(row: Row, *, several: bool) -> Phrase:
    one = phrase("Floor {floor}", floor=row["floor"])
    return phrase("{floor}, {chute}", floor=one, chute=row["chute"]) if several else one


def not_shown(reason: str) -> Words:
    """What stands where there is nothing to show."""
    return Words(phrase("Not shown: {reason}.", reason=phrase(reason)), "muted")


def _why(reason: object) -> Phrase | None:
    return phrase(reason) if isinstance(reason, str) and reason else None
