"""The service technician's month: what to look at first, why, and what the log shows of it."""

import json
from typing import Any

import pandas as pd

from dashboards.pages.view import View, duration, moment, whole, with_limits, word
from dashboards.parts import CAUTION
from dashboards.reports import charts
from dashboards.reports.manager import also, not_shown
from dashboards.reports.month import Month
from dashboards.reports.sheet import Block, Grid, Picture, Points, Section, Sheet, Words, kept
from loganalyzer.audit import RULES
from loganalyzer.language import phrase
from loganalyzer.localtime import wall_clock
from loganalyzer.sentences import count, figure, lasting, listed, things
from loganalyzer.views.about_chutes import NAMES
from loganalyzer.views.about_condition import sign_said
from loganalyzer.views.finding import rows
from loganalyzer.views.technician import drift_chart

SUSPECTS, DRAWN, SIGNS = 5, 2, 4  # told, drawn, signs told of each
FAULTS, INCIDENTS, REPAIRS = 10, 12, 6  # rows of tables
TIMINGS = {
    "open_s": "seconds a door stands open", "unlock_s": "seconds to unlock",
    "positioning_s": "seconds the diverter travels", "clear_s": "seconds of clearing",
}  # fmt: skip


def technician(month: Month) -> Sheet:
    """The sheet."""
    language = month.site.language
    return month.sheet(
        phrase("Report for the service technician"),
        [
            Section(phrase("Before anything else"), [Words(phrase(CAUTION), "caution")]),
            suspects(month, language), faults(month.view), audit(month.view), incidents(month),
            repairs(month.view), also(month, "technician"),
        ],
    )  # fmt: skip


def suspects(month: Month, language: str) -> Section:
    """Each suspect: since when, the signs for and against it, what to check first."""
    title, view = phrase("What should be looked at first?"), month.view
    table: pd.DataFrame = view.analysis.condition.suspects
    if table.empty:
        none = phrase("Nothing stands out: no part shows more than a sound one does.")
        return Section(title, [Words(none, "said")])
    table = table.assign(local=wall_clock(table, view.analysis.sites, "since"))
    blocks: list[Block] = []
    for place, row in enumerate(rows(table.head(SUSPECTS))):
        blocks += _suspect(month, row, drawn=place < DRAWN, language=language)
    more = len(table) - SUSPECTS
    rest = phrase("{n} more in: loganalyzer suspects.", n=count(more))
    said = phrase("The score adds up how unlikely the signs are for a sound part (5: one chance in "
                  "100,000), less what speaks against it.")  # fmt: skip
    return Section(title, kept([Words(said, "muted"), *blocks,
                                Words(rest, "muted") if more > 0 else None]))  # fmt: skip


def _suspect(month: Month, row: Any, *, drawn: bool, language: str) -> list[Block]:
    evidence = json.loads(row.evidence)
    floor = word(row.floor)
    where = phrase("chute {chute}, floor {floor}", chute=row.chute, floor=floor) if floor else (
        phrase("chute {chute}", chute=row.chute)
    )  # fmt: skip
    head = phrase(
        "{part}, {where}: since about {since:%Y-%m-%d}, score {score:.1f}.",
        part=phrase(str(row.component).capitalize()), where=where, since=row.local,
        score=row.score,
    )  # fmt: skip
    signs = [(phrase(sign_said(one)), month.claims.cite(one["lines"]))
             for one in evidence["for"][:SIGNS]]  # fmt: skip
    against = [(phrase("Against it: {said}.", said=phrase(one["says"])), ())
               for one in evidence["against"]]  # fmt: skip
    misuse = phrase("Rather somebody's doing than a fault.")
    return kept([
        Words(head, "said"), Points([*signs, *against]),
        Words(misuse) if row.misuse is True else None, Words(phrase(row.advice)),
        _timing(month.view, row, language) if drawn else None,
    ])  # fmt: skip


def _timing(view: View, row: Any, language: str) -> Picture | None:
    """The timing that shifted most at the suspect's place; None where none did."""
    drift = view.analysis.condition.drift
    floor = word(row.floor) or None
    mine = drift[drift["site"].eq(row.site) & drift["chute"].eq(row.chute) & drift["pair"].isna()]
    mine = mine[mine["floor"].eq(floor) if floor else mine["floor"].isna()]
    mine = mine[mine["slower"].fillna(False).astype(bool)].sort_values("p")
    if mine.empty:
        return None
    what = str(mine["what"].iloc[0])
    table = drift_chart(view.analysis, row.site, row.chute, what, floor)
    table = table[table["median_s"].notna()]
    return Picture(
        charts.timing(table, language),
        phrase("Daily medians and upper deciles of {what}.", what=phrase(TIMINGS[what])),
        view.caption(phrase("{what}, by local day; the spread is median to 9 in 10",
                            what=phrase(TIMINGS[what].capitalize())),
                     things(table["n"].sum(), "use", "uses")),
    )  # fmt: skip


def faults(view: View) -> Section:
    """Each kind of fault with its rate."""
    title, table = phrase("Which faults occurred?"), view.analysis.condition.faults
    if table.empty:
        return Section(title, [Words(phrase("None in this log."))])
    last = wall_clock(table, view.analysis.sites, "last")
    shown = table.assign(local=last).sort_values("count", ascending=False, kind="stable")
    columns = {
        "component": "Component",
        "chute": "Chute",
        "floor": "Floor",
        "code": "Code",
        "count": "Number",
        "rate": "Per 1,000 uses",
        "last": "Last",
        "longest": "Longest",
    }
    cells = [
        {"component": phrase(str(row["component"])), "chute": str(row["chute"]),
         "floor": word(row["floor"]) or phrase("chute"), "code": word(row["code"]),
         "count": whole(row["count"]), "rate": with_limits(row, "per_1000_cycles", "low", "high"),
         "last": moment(row["local"]), "longest": duration(row["longest_s"])}
        for row in shown.head(FAULTS).to_dict("records")
    ]  # fmt: skip
    note = phrase("The {n} most frequent of {kinds}; exact 95 % interval (Poisson).",
                  n=count(len(cells)), kinds=things(len(table), "kind", "kinds"))  # fmt: skip
    return Section(title, [Grid(columns, cells, ["count", "rate", "longest"], note)])


def audit(view: View) -> Section:
    """How each safety rule fared, over the chutes."""
    says = {rule.name: rule.says for rule in RULES}
    table = view.analysis.audit
    columns = {"rule": "Rule", "tested": "Tests", "broken": "Shown broken", "where": "Where",
               "reason": "What to know"}  # fmt: skip
    cells: list[dict[str, str | None]] = []
    for rule, part in table.groupby("rule", observed=True, sort=False):
        broken = part[part["broken"].fillna(0).gt(0)]
        chutes = [phrase("chute {chute}", chute=str(chute)) for chute in broken["chute"]]
        known = [phrase(text) for text in part["reason"].dropna().unique()]
        cells.append({
            "rule": phrase(says[str(rule)]), "tested": whole(part["tested"].sum(min_count=1)),
            "broken": whole(part["broken"].sum(min_count=1)), "where": listed(chutes) or "",
            "reason": listed(known) or "",
        })  # fmt: skip
    note = phrase("All chutes together. A rule that is not shown broken is not shown to work: a "
                  "log is no inspection.")  # fmt: skip
    return Section(phrase("Did the controller keep its safety rules?"),
                   [Grid(columns, cells, ["tested", "broken"], note)])  # fmt: skip


def incidents(month: Month) -> Section:
    """The incidents that took longest, with the id by which each is looked up."""
    title, view = phrase("Which incidents took longest?"), month.view
    found = view.analysis.incidents
    mine = found[found["for"].eq("technician") & found["part_of"].isna()]
    if mine.empty:
        return Section(title, [not_shown("no incident for the technician in this log")])
    mine = mine.assign(local=wall_clock(mine, view.analysis.sites, "start"))
    longest = mine.sort_values("seconds", ascending=False, kind="stable").head(INCIDENTS)
    columns = {"what": "Incident", "chute": "Chute", "floor": "Floor", "from": "From",
               "lasted": "Lasted", "refused": "Presses refused", "id": "Name"}  # fmt: skip
    cells = [
        {"what": phrase(NAMES[str(row["kind"])][1]), "chute": str(row["chute"]),
         "floor": word(row["floor"]) or phrase("chute"), "from": moment(row["local"]),
         "lasted": duration(row["seconds"]), "refused": whole(row["refused"]),
         "id": str(row["incident"])}
        for row in longest.to_dict("records")
    ]  # fmt: skip
    note = phrase("{n} of {all}. Everything about one: loganalyzer evidence NAME.",
                  n=count(len(cells)), all=things(len(mine), "incident", "incidents"))  # fmt: skip
    return Section(title, [Grid(columns, cells, ["lasted", "refused"], note)])


def repairs(view: View) -> Section | None:
    """Whether repairs held; None where there was none."""
    table = view.analysis.condition.repairs
    if table.empty:
        return None
    table = table.assign(local=wall_clock(table, view.analysis.sites, "start"))
    columns = {
        "when": "When",
        "by": "By",
        "what": "Trouble",
        "floor": "Floor",
        "before": "Before, a day",
        "after": "After, a day",
        "verdict": "What it shows",
    }
    cells = [
        {"when": moment(row["local"]), "by": phrase(word(row["by"])), "what": word(row["code"]),
         "floor": word(row["floor"]) or phrase("chute"),
         "before": _a_day(row["before"], row["before_days"]),
         "after": _a_day(row["after"], row["after_days"]), "verdict": phrase(word(row["verdict"]))}
        for row in table.head(REPAIRS).to_dict("records")
    ]  # fmt: skip
    return Section(phrase("Did repairs hold?"), [Grid(columns, cells, ["before", "after"])])


def _a_day(number: Any, over: Any) -> str | None:
    if pd.isna(number) or pd.isna(over) or not over:
        return None
    return phrase("{rate} ({n} in {time})", rate=figure(float(number) / float(over)),
                  n=count(number), time=lasting(86_400 * float(over)))  # fmt: skip
