"""What stands out, for each of the people who can do something about it."""

from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component

from dashboards import parts
from dashboards.pages.view import View
from loganalyzer.sentences import things
from loganalyzer.views import Finding
from loganalyzer.views.summary import QUIET

PEOPLE = ("technician", "manager", "coordinator")
FIRST = 5  # findings of a person that are not folded away


def section(view: View) -> html.Section:
    """Three lists of sentences, the most important first."""
    found = view.worked.told.findings
    lists = [_of(who, [one for one in found if one.who == who]) for who in PEOPLE]
    beside: list[parts.Cell] = [
        "The most important first.",
        "Figures in brackets are 95 % intervals.",
        parts.caution(),
    ]
    return parts.section("findings", "What stands out", beside, html.Div(lists, className="people"))


def _of(who: str, found: Sequence[Finding]) -> html.Div:
    loud = [one for one in found if one.kind not in QUIET]
    later = [*loud[FIRST:], *(one for one in found if one.kind in QUIET)]
    content: list[Component] = [html.H3(f"For the {who}")]
    if loud:
        content.append(_sentences(loud[:FIRST]))
    else:
        content.append(parts.nothing("Nothing that asks for action."))
    if later:
        more = f"{things(len(later), 'more figure', 'more figures')}"
        content.append(parts.folded(more, _sentences(later)))
    return html.Div(content)


def _sentences(found: Sequence[Finding]) -> html.Ol:
    return html.Ol([html.Li(one.sentence) for one in found])
