"""What happened, door by door and part by part: a strip of time with the lines behind it."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import pandas as pd
from dash import ClientsideFunction, Dash, Input, Output, dcc, html
from dash.development.base_component import Component

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.frame import Page
from dashboards.pages.strip import payload
from dashboards.pages.strip.axis import micros
from dashboards.pages.strip.payload import Panel, microseconds, written
from dashboards.pages.view import View, duration
from loganalyzer.language import phrase, say
from loganalyzer.sentences import count, things
from loganalyzer.views.strip import FINEST_US, around, lines_near, neighbours, placed_incidents

TITLE = "What happened when?"
LINES = 40  # lines shown of a stretch
STEP = 3  # times closer or wider at a step
DAY_US, WEEK_US = 86_400_000_000, 7 * 86_400_000_000
HOW = (
    "Drag to move, double-click or pinch to look closer; with the keyboard, arrows move, plus and "
    "minus zoom, N and P go to the next and the previous incident."
)
LEGEND = (
    ("press", "press"), ("refusal", "refused press"), ("open", "open"), ("unlocked", "unlocked"),
    ("lockout", "locked out, or fault"), ("dense", "many at once: the higher, the more"),
    ("cut", "end not seen"), ("gap", "no log"), ("manager", "incident for the manager"),
    ("technician", "for the technician"), ("coordinator", "for the coordinator"),
)  # fmt: skip


def sections(view: View, data: Data, site: str) -> parts.Children:
    """The strip with its steps, and the lines of what is in view."""
    if pd.isna(view.ends[0]):
        none = parts.nothing("Not shown: no time in this log can be trusted. Import an export "
                             "with a clock set in it, or choose another chute.")  # fmt: skip
        return [parts.section("strip", TITLE, [], none)]
    shown = drawn(view)
    return [
        html.Section(
            [
                html.H2(TITLE, id="strip-title"),
                html.Nav(steps(view), id="strip-steps", **parts.aria(label="Steps in time")),
                html.P(said(view, shown), id="strip-said", className="unseen", role="status"),
                *figure(view, shown, html.Div(lines(view, data, site), id="strip-lines")),
            ],
            id="strip", className="whole", **parts.aria(labelledby="strip-title"),
        )
    ]  # fmt: skip


def figure(view: View, shown: Mapping[str, Any], *beside: Component) -> parts.Children:
    """The strip itself, with what its marks mean and how it is moved."""
    legend = html.Ul(
        [html.Li([html.Span(className=f"key {key}"), said]) for key, said in LEGEND],
        className="legend", **parts.aria(label="What the marks mean"),
    )  # fmt: skip
    return [
        html.Div(
            [html.Div(id="strip-drawn"), *beside], id="strip-body" if beside else "strip-alone"
        ),
        legend,
        html.P(HOW, className="muted"),
        dcc.Store(id="strip-data", data=dict(shown)),
        dcc.Store(id="strip-seen"),
    ]


def redraw(view: View, data: Data, site: str) -> Mapping[str, Mapping[str, Any]]:
    """What changes with the stretch in view."""
    shown = drawn(view)
    return {
        "strip-data": {"data": shown},
        "strip-steps": {"children": steps(view)},
        "strip-said": {"children": said(view, shown)},
        "strip-lines": {"children": lines(view, data, site)},
    }


def bounds(view: View) -> tuple[int, int]:
    """The whole period, in microseconds; a moment where no time can be trusted."""
    first, last = view.ends
    if pd.isna(first):
        return 0, FINEST_US
    return micros(first), micros(last) + FINEST_US


def panels(view: View) -> list[Panel]:
    """The stretch in view, and the one beside it, as the address says."""
    first, last = bounds(view)
    begin, wide = first, last - first
    chosen = placed_incidents(view.analysis)
    chosen = chosen[chosen["incident"].eq(view.choice.incident or "")]
    if len(chosen):
        begin, until = around(int(chosen["begin"].iloc[0]), int(chosen["until"].iloc[0]))
        wide = until - begin
    asked, seconds = microseconds(view.choice.at), _seconds(view.choice.wide)
    wide = wide if seconds is None else int(seconds * 1e6)
    wide = min(max(wide, FINEST_US), 2 * (last - first))
    begin = begin if asked is None else asked
    beside = microseconds(view.choice.beside)
    found = [Panel(begin, wide, "at")]
    return found if beside is None else [*found, Panel(beside, wide, "beside")]


def drawn(view: View) -> dict[str, Any]:
    """What the browser draws."""
    first, last = bounds(view)
    return {
        "rows": payload.rows(view),
        "panels": [payload.panel(view, replace(one, title=titled(view, one)))
                   for one in panels(view)],
        "zone": view.zone, "lang": view.language, "first": first / 1000, "last": last / 1000,
        "chosen": view.choice.incident,
    }  # fmt: skip


def said(view: View, shown: Mapping[str, Any]) -> str:
    """In words what is in view, and which doors."""
    doors = (
        say(phrase("Floors {floors} alone.", floors=view.choice.floor), view.language)
        if view.choice.floor else ""
    )  # fmt: skip
    beside = say("Beside it:", view.language)
    return f" {beside} ".join(one["title"] for one in shown["panels"]) + f" {doors}"


def titled(view: View, one: Panel) -> str:
    """A stretch in words."""
    until, floors = one.begin + one.wide, view.choice.floors()
    events, _ = lines_near(view.analysis, one.begin, until, one.begin, 1, floors)
    found = placed_incidents(view.analysis, floors)
    inside = int(((found["begin"] < until) & (found["until"] >= one.begin)).sum())
    return say(phrase(
        "{begin} to {until} ({lasting}), time of {zone}: {events}, {incidents}.",
        begin=_local(one.begin, view.zone), until=_local(until, view.zone),
        lasting=duration(one.wide / 1e6), zone=view.zone,
        events=things(events, "event", "events"),
        incidents=things(inside, "incident", "incidents"),
    ), view.language)  # fmt: skip


def steps(view: View) -> parts.Children:
    """Links to other stretches; each is an address of its own."""
    (one, *more), choice = panels(view), view.choice
    first, last = bounds(view)
    centre = one.begin + one.wide // 2
    found = placed_incidents(view.analysis, choice.floors())
    before, after = neighbours(found, centre, choice.incident)

    def at(begin: int, wide: int, **changed: str | None) -> str:
        seconds = f"{wide / 1e6:.3f}".rstrip("0").rstrip(".")
        return replace(choice, at=written(begin), wide=seconds, **changed).search()

    def to(place: int) -> str | None:
        if place < 0:
            return None
        row = found.iloc[place]
        begin, until = around(int(row["begin"]), int(row["until"]))
        return at(begin, until - begin, incident=str(row["incident"]))

    closer, wider = one.wide // STEP, min(one.wide * STEP, last - first)
    named = [
        ("Whole log", at(first, last - first, incident=None)),
        ("Earlier", at(one.begin - one.wide // 2, one.wide)),
        ("Later", at(one.begin + one.wide // 2, one.wide)),
        ("Closer", at(centre - closer // 2, closer) if closer >= FINEST_US else None),
        ("Wider", at(centre - wider // 2, wider) if wider > one.wide else None),
        ("Previous incident", to(before)),
        ("Next incident", to(after)),
    ]
    beside = [
        ("The day before beside it", one.begin - DAY_US),
        ("The week before beside it", one.begin - WEEK_US),
    ]
    links: parts.Children = [_step(name, href) for name, href in named]
    if more:
        links.append(_step("Alone again", replace(choice, beside=None).search()))
    else:
        links += [_step(name, at(one.begin, one.wide, beside=written(begin)))
                  for name, begin in beside]  # fmt: skip
    return links


def _step(name: str, href: str | None) -> html.Span | dcc.Link:
    """A link, or the same words where it leads nowhere."""
    if href is None:
        return html.Span(name, className="muted")
    return dcc.Link(name, href=href, className="step", id=f"step-{name.lower().replace(' ', '-')}")


def lines(view: View, data: Data, site: str) -> parts.Children:
    """The lines of each stretch, as the controller wrote them."""
    blocks: parts.Children = []
    for one in panels(view):
        centre = one.begin + one.wide // 2
        total, found = lines_near(
            view.analysis, one.begin, one.begin + one.wide, centre, LINES, view.choice.floors()
        )
        title = html.H3(phrase("Lines around {time}", time=_local(centre, view.zone)))
        if found.empty:
            blocks.append(html.Div([title, parts.nothing(
                "No event in view. Go wider, or to the next incident.")]))  # fmt: skip
            continue
        head = phrase("{n} of {events} in view.", n=count(len(found)),
                      events=things(total, "event", "events"))  # fmt: skip
        closer = (
            " Those nearest to the middle; look closer for the others."
            if total > len(found) else ""
        )  # fmt: skip
        references = [f"{row.source}:{row.line}" for row in found.itertuples()]
        raw = parts.lines(data.lines(site, references))
        blocks.append(html.Div([title, html.P([head, closer], className="muted"), *raw]))
    return blocks


def _local(us: int, zone: str) -> str:
    at = pd.Timestamp(us, unit="us", tz="UTC").tz_convert(zone)
    said = phrase("{at:%Y-%m-%d %H:%M:%S}", at=at)
    thousandths = us // 1000 % 1000
    return phrase("{said}.{ms:03d}", said=said, ms=thousandths) if thousandths else said


def _seconds(text: str | None) -> float | None:
    try:
        found = float(text or "")
    except ValueError:
        return None
    return found if 0 < found < 10**10 else None


def register(app: Dash) -> None:
    """The browser draws what the server hands it."""
    in_browser: Callable[..., None] = app.clientside_callback  # dash leaves it without types
    in_browser(
        ClientsideFunction("strip", "draw"), Output("strip-seen", "data"),
        Input("strip-data", "data"),
    )  # fmt: skip


PAGE = Page(
    "Strip of events", sections,
    dict.fromkeys(("at", "wide", "beside", "incident", "floor"), redraw),
    by_floor=True,
)  # fmt: skip
