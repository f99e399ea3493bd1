"""What would become of a file: how much is read, what is not, and whether that can be right."""

from collections.abc import Mapping, Sequence
from typing import Any

from dash import html

from dashboards import parts
from dashboards.pages.view import percent, whole
from loganalyzer.language import Phrase, phrase

Row = Mapping[str, Any]
COUNTS = {"lines": "Lines", "events": "Events", "duplicates": "Duplicates", "ignored": "Ignored",
          "rejected": "Rejected"}  # fmt: skip
FIRST = {"line": "Line", "time": "Time (UTC)", "chute": "Chute", "floor": "Floor",
         "signal": "Signal", "edge": "Edge", "stream": "Stream", "code": "Code",
         "value": "Value"}  # fmt: skip
FIGURES = {
    "understood": "Lines read, of those that are no furniture",
    "span": "From the first event to the last",
    "floors": "Doors in it, of the site's",
    "cycles": "Uses of the chute",
    "completed": "Uses that came to their end",
    "open_s": "How long a door is open, in the middle",
    "at_once": "Openings while another door is open",
    "answered": "Presses answered",
}
MOSTLY = {
    "understood": "all of them",
    "span": "the days of the export",
    "floors": "all of them",
    "cycles": "tens to hundreds a day",
    "completed": "80 % or more",
    "open_s": "1 to 90 s",
    "at_once": "none",
    "answered": "80 % or more",
}
COLUMNS = {"what": "Figure", "before": "Before", "now": "Now"}
ODD = "unlike a building"


def said(row: Row, before: Row | None = None) -> Phrase:
    """In a sentence, how much is read."""
    values = {
        "share": percent(row["understood"]) or "nothing", "events": whole(row["events"]),
        "rejected": whole(row["rejected"]),
    }  # fmt: skip
    if before is None:
        return phrase(
            "{share} of the lines are read: {events} events, {rejected} lines rejected.", **values
        )
    return phrase(
        "{share} of the lines are read: {events} events (before: {were}), {rejected} lines "
        "rejected (before: {refused}).",
        **values, were=whole(before["events"]), refused=whole(before["rejected"]),
    )  # fmt: skip


def figures(row: Row, before: Row | None = None) -> parts.Children:
    """The figures that tell whether a profile is right, beside those of before."""
    now, then = _by_key(row), _by_key(before)
    changed = before is not None
    told: list[dict[str, parts.Cell]] = []
    for key, name in FIGURES.items():
        if key not in now:
            continue
        value, odd = now[key]
        old = then[key][0] if key in then else None
        shown: parts.Cell = html.Strong(value) if changed and old != value else value
        if odd:
            shown = html.Span([value or "", " ", html.Em(ODD, className="odd")])
        mostly = html.Small(phrase("mostly {usual}", usual=Phrase(MOSTLY[key])))
        told.append({"what": html.Span([name, mostly]), "before": old, "now": shown})
    columns = {key: title for key, title in COLUMNS.items() if changed or key != "before"}
    if not told:
        return []
    return [parts.scrolled(_plain(columns, told), "Figures of the preview")]


def _plain(columns: Mapping[str, str], rows: Sequence[Mapping[str, parts.Cell]]) -> html.Table:
    head = [html.Th(title, scope="col") for title in columns.values()]
    body = [
        html.Tr(
            [
                html.Th(parts.shown(row[key]), scope="row")
                if key == "what"
                else html.Td(parts.shown(row[key]))
                for key in columns
            ]
        )
        for row in rows
    ]
    return html.Table([html.Thead(html.Tr(head)), html.Tbody(body)], className="figures")


def _by_key(row: Row | None) -> dict[str, tuple[str | None, bool]]:
    """Key → as a person reads it, and whether it is odd."""
    if row is None:
        return {}
    share = row["understood"]
    told: dict[str, tuple[str | None, bool]] = {}
    told |= {"understood": (percent(share) or "nothing", share is None or share < 0.95)}
    for one in row["figures"]:
        told[one["key"]] = (_figure(row, one), one["odd"])
    return told


def _figure(row: Row, one: Mapping[str, Any]) -> str | None:
    key, value, of = one["key"], one["value"], one["of"]
    if value is None:
        return None
    if key == "span":
        return phrase("{n} days from {first}", n=f"{value:.1f}", first=f"{row['first']:%Y-%m-%d}")
    if key == "floors":
        return f"{value:.0f} / {of}" if of else f"{value:.0f}"
    if key == "open_s":
        return f"{value:.1f} s"
    if key == "cycles":
        return whole(value)
    return percent(value)


def rest(row: Row) -> parts.Children:
    """Counts, reasons, the lines that are not read, and the first events as they would be."""
    names = {key: COUNTS[key] for key in ("lines", "events", "ignored", "rejected")}
    events = [_event(one) for one in row["first_events"]]
    lines = [
        (str(row["name"]), number, f"{text}   ← {reason}")
        for number, reason, text in row["rejects"]
    ]
    return [
        *([html.H4("First events as they would be"),
           parts.table(FIRST, events, ["value"], "First events")] if events else []),
        *([html.H4("Rejected because"), *_tally(row["reasons"]), *parts.lines(lines)]
          if row["reasons"] else []),
        parts.folded("Lines", parts.table(names, [{k: whole(row[k]) for k in names}], names,
                                          "Lines")),
    ]  # fmt: skip


def messages(row: Row) -> parts.Children:
    """What the import says of it."""
    return [html.P(str(message), className="message") for message in row["messages"]]


def _tally(counts: Mapping[str, int]) -> parts.Children:
    ordered = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))[:10]
    rows = [{"text": text[:120], "n": whole(n)} for text, n in ordered]
    return [parts.table({"text": "Reason", "n": "Lines"}, rows, ["n"], "Rejected because")]


def _event(event: Mapping[str, Any]) -> dict[str, parts.Cell]:
    time = event["time"]
    shown = {key: None if event[key] is None else str(event[key]) for key in FIRST}
    return {**shown, "time": None if time is None else f"{time:%Y-%m-%d %H:%M:%S}"}
