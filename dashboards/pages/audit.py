"""Did the log show the controller keeping its own rules?"""

import pandas as pd
from dash import html

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.frame import Page
from dashboards.pages.view import View, moment, whole
from loganalyzer.sentences import count
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
        {"rule": SAYS[str(row.rule)].capitalize(), "chute": str(row.chute),
         "tested": whole(row.tested), "broken": whole(row.broken),
         "verdict": verdict(row).capitalize()}
        for row in rows(table)
    ]  # fmt: skip
    broken = int(table["broken"].fillna(0).gt(0).sum())
    untold = int(table["tested"].isna().sum())
    said = f"{count(broken)} of {count(len(table))} rules are seen broken."
    beside: list[parts.Cell] = [
        html.P(said, className="said"),
        f"{count(untold)} cannot be tested from this log." if untold else None,
        "The log's time resolution is allowed for, so that whole seconds give no false alarm.",
        f"{view.scope}.",
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
        told.append(html.H3(SAYS[str(rule)].capitalize()))
        for row in rows(part):
            floor = "" if pd.isna(row.floor) else f", floor {row.floor}"
            told.append(html.P(f"{moment(row.local)}, chute {row.chute}{floor}: {row.detail}"))
            told += parts.lines(data.lines(site, [f"{row.source}:{row.line}"]))
    more = len(view.analysis.violations) - len(found)
    beside: list[parts.Cell] = [
        f"{count(more)} more are in the table violations." if more else None, parts.caution(),
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
