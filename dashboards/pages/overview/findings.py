"""What stands out, for each of the people who can do something about it."""

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import parts
from dashboards.pages.view import View
from loganalyzer.language import phrase
from loganalyzer.sentences import things
from loganalyzer.views import Finding
from loganalyzer.views.summary import QUIET

PEOPLE = ("technician", "manager", "coordinator")
FIRST = 5  # findings of a person that are not folded away


def section(view: View) -> html.Section:
    """Three lists of sentences; they need every table there is, so they come after the rest."""
    beside: list[parts.Cell] = [
        "The most important first.",
        "Figures in brackets are 95 % intervals.",
        parts.caution(),
    ]
    lists = html.Div(
        parts.nothing("Weighing what the log says …"), id="findings-lists", className="people",
        **parts.aria(live="polite"),
    )  # fmt: skip
    asked = dcc.Store(id="findings-asked", data=view.choice.of_page().search())
    return parts.section("findings", "What stands out", beside, lists, asked)


def lists(view: View) -> parts.Children:
    """A list a person, the most important first."""
    found = view.worked.told.findings
    return [_of(who, [one for one in found if one.who == who]) for who in PEOPLE]


def _of(who: str, found: Sequence[Finding]) -> html.Div:
    loud = [one for one in found if one.kind not in QUIET]
    later = [*loud[FIRST:], *(one for one in found if one.kind in QUIET)]
    content: list[Component] = [html.H3(phrase("For the {who}", who=who))]
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
