"""Did the log show the controller keeping its own rules?"""

import pandas as pd
from dash import html

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.frame import Page
from dashboards.pages.view import View, moment, text, whole
from loganalyzer.language import phrase
from loganalyzer.sentences import capital, count, things
from loganalyzer.views.about_audit import other_settings
from loganalyzer.views.audit_report import CAUTION, SAYS, shown_violations, verdict
from loganalyzer.views.finding import rows

COLUMNS = {
    "rule": "Rule", "chute": "Chute", "tested": "Put to the test", "broken": "Broken",
    "verdict": "What that means",
}  # fmt: skip


def sections(view: View, data: Data, site: str) -> parts.Children:
    """The caution first: nobody may take this page for an inspection."""
    note = html.P(CAUTION.replace("\n", " "), className="caution top", role="note")
    return [note, rules(view), violations(view, data, site), settings(view, data, site)]


def rules(view: View) -> html.Section:
    """Each rule: how often tested, how often broken, or why it cannot be tested."""
    table = view.analysis.audit
    told = [
        {"rule": capital(SAYS[str(row.rule)]), "chute": str(row.chute),
         "tested": parts.door(whole(row.tested), view.behind(
             "lockouts" if str(row.rule).startswith("lockout") else "cycles",
             chute=str(row.chute))),
         "broken": parts.door(whole(row.broken), "#violations"),
         "verdict": capital(verdict(row))}
        for row in rows(table)
    ]  # fmt: skip
    broken = int(table["broken"].fillna(0).gt(0).sum())
    untold = int(table["tested"].isna().sum())
    said = phrase("{n} of {rules} are seen broken.", n=count(broken),
                  rules=things(len(table), "rule", "rules"))  # fmt: skip
    beside: list[parts.Cell] = [
        html.P(said, className="said"),
        phrase("{n} cannot be tested from this log.", n=count(untold)) if untold else None,
        "The log's time resolution is allowed for, so that whole seconds give no false alarm.",
        "A number put to the test leads to the uses or lockouts among which the tests lie.",
        view.about,
    ]
    return parts.section("rules", "Does the controller keep its rules?", beside, parts.table(
        COLUMNS, told, ["tested", "broken"], "The rules"))  # fmt: skip


def violations(view: View, data: Data, site: str) -> html.Section:
    """Each violation and the line it rests on."""
    title, found = "What broke them?", shown_violations(view.analysis)
    if found.empty:
        none = parts.nothing("Nothing in this log. That is no proof that an interlock works.")
        return parts.section("violations", title, [], none)
    told: parts.Children = []
    for rule, part in found.groupby("rule", sort=False):
        told.append(html.H3(capital(SAYS[str(rule)])))
        for row in rows(part):
            floor = "" if pd.isna(row.floor) else phrase(", floor {value}", value=row.floor)
            told.append(html.P(phrase(
                "{time}, chute {chute}{floor}: {detail}", time=moment(row.local),
                chute=row.chute, floor=floor, detail=text(row.detail),
            )))  # fmt: skip
            told += parts.lines(data.lines(site, [f"{row.source}:{row.line}"]))
    more = len(view.analysis.violations) - len(found)
    beside: list[parts.Cell] = [
        phrase("{n} more are in the table violations.", n=count(more)) if more else None,
        parts.caution(),
    ]  # fmt: skip
    return parts.section("violations", title, beside, *told)


def settings(view: View, data: Data, site: str) -> html.Section:
    """Settings that are evidently not those of the site file."""
    title, found = "Are the settings those of the site file?", list(other_settings(view.analysis))
    if not found:
        none = parts.nothing("The log shows no other setting.")
        return parts.section("settings", title, [], none)
    told: parts.Children = []
    for one in found:
        lines = parts.lines(data.lines(site, one.evidence))
        told += [html.P(one.sentence), parts.folded("Lines", *lines)]
    return parts.section("settings", title, [parts.caution()], *told)


PAGE = Page("Safety audit", sections)
