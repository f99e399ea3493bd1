"""What stands out, for each of the people who can do something about it."""

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import parts
from dashboards.pages.view import View
from loganalyzer.sentences import things
from loganalyzer.tables import INCIDENT_KINDS
from loganalyzer.views import Finding
from loganalyzer.views.summary import QUIET

FOR = {
    "technician": "For the technician", "manager": "For the manager",
    "coordinator": "For the coordinator",
}  # fmt: skip
# Where a finding leads: a page and what is chosen on it; kinds of incident lead to the incidents.
LEADS: dict[str, tuple[str, dict[str, str]]] = {
    "misuse": ("uses", {"of_what": "episodes"}), "misuse_trend": ("uses", {"of_what": "episodes"}),
    "lockouts": ("uses", {"of_what": "episodes"}), "refusals": ("uses", {"of_what": "refusals"}),
    "gave_up": ("uses", {"of_what": "visits", "result": "gave_up"}),
    "participation": ("uses", {"of_what": "cycles"}),
    "never_used": ("uses", {"of_what": "cycles"}), "open_hours": ("uses", {"of_what": "cycles"}),
    "propped_door": ("incidents", {"kind": "stuck_door"}), "waiting": ("waiting", {}),
    "wait_parts": ("waiting", {}), "busy": ("waiting", {}), "interruptions": ("waiting", {}),
    "clearing_too_short": ("audit", {}), "broken_rule": ("audit", {}), "setting": ("audit", {}),
    "broken_rules": ("audit", {}), "reading": ("audit", {}), "not_recorded": ("data", {}),
    "unlisted_floors": ("data", {}), "unread": ("data", {}),
}  # fmt: skip
OF_WHOM = {"manager": "uses", "technician": "faults", "coordinator": "sorting"}
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
    return [_of(view, who, [one for one in found if one.who == who]) for who in FOR]


def _of(view: View, who: str, found: Sequence[Finding]) -> html.Div:
    loud = [one for one in found if one.kind not in QUIET]
    later = [*loud[FIRST:], *(one for one in found if one.kind in QUIET)]
    content: list[Component] = [html.H3(FOR[who])]
    if loud:
        content.append(_sentences(view, loud[:FIRST]))
    else:
        content.append(parts.nothing("Nothing that asks for action."))
    if later:
        more = things(len(later), "more figure", "more figures")
        content.append(parts.folded(more, _sentences(view, later)))
    return html.Div(content)


def _sentences(view: View, found: Sequence[Finding]) -> html.Ol:
    return html.Ol([html.Li([one.sentence, " ", _door(view, one)]) for one in found])


def _door(view: View, one: Finding) -> dcc.Link | None:
    """Where what a finding tells stands one by one, with its lines."""
    if one.kind == "hidden_floors":
        return None
    page, chosen = LEADS.get(one.kind, (OF_WHOM[one.who], {}))
    if one.kind in INCIDENT_KINDS:
        page, chosen = "incidents", {"kind": one.kind}
    floor = {"floor": one.floor} if page in ("uses", "incidents") else {}
    where = view.door(page, chute=one.chute or view.choice.chute, **floor, **chosen)
    said: list[str | Component] = [
        "Behind it", parts.unseen(": "), parts.unseen(one.sentence)
    ]  # fmt: skip
    return dcc.Link(said, href=where, className="behind")
