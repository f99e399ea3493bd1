"""The draft of a profile as a form: each guess with its evidence, to be kept or decided otherwise.

What a person decides is kept beside the file that waits; the browser sends one answer at a time
and no profile. The whole is worked out anew at each, and stands beside what it was before.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from dash import dcc, html

from dashboards import parts
from dashboards.pages.data import trials
from dashboards.pages.view import whole
from loganalyzer.drafting.deciding import BETWEEN, Field, Meant
from loganalyzer.language import Phrase, phrase
from loganalyzer.sentences import count

NAMES = {
    "layout": "Layout", "encoding": "Encoding", "delimiter": "Between fields",
    "pattern": "Form of a line", "time": "Column of the time", "format": "How stamps are written",
    "zone": "Whose clock", "event": "Column of the text", "floor": "Column of the door",
    "stream": "Column of the stream", "code": "Column of the code",
    "value": "Column of the number", "chute": "Column of the chute", "order": "Counter of lines",
}  # fmt: skip
TABLES = {
    "floors": "Labels of doors", "streams": "Labels of streams", "chutes": "Labels of chutes",
    "refusals": "Reasons of refusals",
}  # fmt: skip
WORDS = {
    "layout": {
        "json": "JSON, an object a line", "syslog": "syslog, with its header",
        "delimited": "fields with a character between", "fixed": "columns at fixed places",
        "lines": "free text with a stamp", "sheet": "a sheet of a workbook",
        "samples": "scans of inputs, a row a scan",
    },
    "encoding": {"": "as the file tells"},
    "delimiter": {"\t": "a tab", ";": "; (semicolon)", "|": "| (bar)", ",": ", (comma)"},
    "zone": {"site": "the building's clock", "utc": "UTC (no summer time)",
             "offset": "told in each stamp"},
    "format": {"iso": "ISO, as 2026-10-25 07:30", "epoch_s": "seconds since 1970",
               "epoch_ms": "milliseconds since 1970", "uptime_s": "seconds since power on"},
    "refusals": {"": "not known, kept as written", "busy": "chute was busy",
                 "full": "container was full", "service": "out of service",
                 "lockout": "door was locked out", "fault": "a fault stood"},
}  # fmt: skip
MEANINGS = {
    "": "not known, its lines are rejected",
    "press mark": "press: a button is pressed",
    "refusal mark": "refusal: a press is not acted on",
    "positioning on": "positioning on: diverter sets off",
    "positioning off": "positioning off: diverter in place",
    "unlocked on": "unlocked on: door may be opened",
    "unlocked off": "unlocked off: door is locked again",
    "open on": "open on: door is opened",
    "open off": "open off: door is closed",
    "clearing on": "clearing on: material begins to fall",
    "clearing off": "clearing off: chute is free again",
    "lockout on": "lockout on: door ignores its buttons",
    "lockout off": "lockout off: door answers again",
    "full on": "full on: container is full",
    "full off": "full off: container is emptied",
    "service on": "service on: doors out of use",
    "service off": "service off: doors in use again",
    "fault on": "fault on: a fault begins",
    "fault off": "fault off: a fault ends",
    "fault mark": "fault: told once, no end",
    "power on": "power on: controller starts",
    "power off": "power off: controller stops",
    "compacting on": "compacting on: ram starts",
    "compacting off": "compacting off: ram stops",
    "clock mark": "clock: the clock is set",
    "level mark": "level: a fill reading",
    "note mark": "note: kept, not analysed",
    "ignore": "ignored: sign of life, page furniture",
}
FIELD_COLUMNS = {"what": "What", "is": "Is", "sure": "How sure", "why": "Why"}
MEANT_COLUMNS = {"text": "Text in the log", "lines": "Lines", "means": "Means", "sure": "How sure",
                 "why": "Why"}  # fmt: skip
OPEN, SETTLED, TOLD = "a question", "settled", "as you say"


def draft(
    proposed: Mapping[str, Any], rows: Sequence[Mapping[str, Any]],
    before: Sequence[Mapping[str, Any]], told: Mapping[str, str], refused: str | None = None,
) -> parts.Children:  # fmt: skip
    """The form and its preview.

    Args:
        proposed: A draft: `fields`, `meant`, `columns`, `text`, `name`, `messages`.
        rows: What would become of each export with it.
        before: The same before the last answer; empty at the first look.
        told: The answers so far.
        refused: Why the last answer could not be kept.
    """
    first = rows[0]
    then = before[0] if before else None
    asked = sum(one.open for one in (*proposed["fields"], *proposed["meant"]))
    questions = (
        phrase("{n} questions are open; they stand first.", n=count(asked))
        if asked > 1
        else "One question is open; it stands first."
        if asked
        else "No question is open."
    )
    said = html.P(
        [trials.said(first, then), " ", html.Span(questions)], className="draft-said", role="status"
    )
    beside = html.Div(
        [
            html.H4("Can that be right?"),
            *trials.figures(first, then),
            *trials.rest(first),
            *trials.messages(first),
        ],
        className="draft-seen",
    )
    wrong = [html.P(refused, className="draft-refused", role="alert")] if refused else []
    form = html.Div(
        [
            *wrong,
            *[html.P(one, className="message") for one in proposed["messages"]],
            *_meant(proposed["meant"], told),
            *_fields(proposed, told),
            *_profile(proposed, bool(told)),
        ],
        className="draft-asked",
    )
    return [
        html.H3(phrase("A draft for {name}: nothing is kept yet", name=first["name"])),
        said, html.Div([form, beside], className="draft"),
    ]  # fmt: skip


def _meant(kinds: Sequence[Meant], told: Mapping[str, str]) -> parts.Children:
    if not kinds:
        return []
    head = [html.Th(title, scope="col") for title in MEANT_COLUMNS.values()]
    body = [
        html.Tr(
            [
                html.Th(_text(one), scope="row"),
                html.Td(whole(one.lines), className="number"),
                html.Td(
                    [
                        _select(
                            one.key, one.value, MEANINGS, phrase("Meaning of {text}", text=one.text)
                        ),
                        *_confirm(one, one.guess if one.value else ""),
                    ]
                ),
                html.Td(_sure(one, told)),
                html.Td(_why(one)),
            ],
            className="asked" if one.open else "",
        )
        for one in kinds
    ]
    return [
        html.H4("What do the texts mean?"),
        parts.scrolled(
            html.Table([html.Thead(html.Tr(head)), html.Tbody(body)], className="decide"),
            "What the texts mean",
        ),
    ]


def _text(one: Meant) -> html.Div:
    samples = html.Pre("\n".join(one.samples), className="lines")
    return html.Div([html.Code(one.text), parts.folded("Lines of the log", samples)])


def _sure(one: Meant, told: Mapping[str, str]) -> parts.Cell:
    if one.key in told:
        return TOLD
    return html.Span([html.Em(OPEN, className="odd"), f" {one.certainty:.2f}"]) if one.open else (
        f"{one.certainty:.2f}"
    )  # fmt: skip


def _why(one: Meant) -> parts.Cell:
    parts_ = [one.why]
    if one.open and one.guess:
        other = MEANINGS.get(one.other, one.other)
        guess = MEANINGS.get(one.guess, one.guess)
        parts_ = [phrase("{guess}, or {other}?", guess=guess, other=other), " ", one.why]
    if one.doorless:
        parts_ = ["Left out: nothing tells the door. ", *parts_]
    return html.Span(parts_)


def _confirm(one: Meant | Field, value: str) -> list[html.Button]:
    """A button that makes an open guess an answer."""
    if not one.open or not value:
        return []
    return [
        html.Button(
            ["Yes, so it is", parts.unseen(f": {getattr(one, 'text', one.key)}")],
            type="button", className="confirm", **_answering(one.key, value),
        )
    ]  # fmt: skip


def _answering(key: str, value: str | None = None) -> dict[str, Any]:
    return {"data-answer": key} | ({} if value is None else {"data-value": value})


def _select(key: str, value: str, names: Mapping[str, str], label: str) -> html.Select:
    """A choice; its own script tells the server what was chosen."""
    options = [html.Option(name, value=one, selected=one == value) for one, name in names.items()]
    return html.Select(options, **_answering(key), **parts.aria(label=label))


def _fields(proposed: Mapping[str, Any], told: Mapping[str, str]) -> parts.Children:
    plain = [one for one in proposed["fields"] if one.key in NAMES]
    labels: dict[str, list[Field]] = {}
    for one in proposed["fields"]:
        table, found, _ = one.key.partition(":")
        if found:
            labels.setdefault(table, []).append(one)
    shown: parts.Children = [
        html.H4("How is it written?"),
        _table(plain, proposed["columns"], told, "How it is written"),
    ]
    for table, fields in labels.items():
        title = TABLES[table]
        asked = any(one.open for one in fields)
        drawn = _table(fields, {}, told, title)
        shown += [html.Details([html.Summary(title), drawn], open=asked)]
    return shown


def _table(
    fields: Sequence[Field], columns: Mapping[str, Sequence[str]], told: Mapping[str, str],
    name: str,
) -> html.Div:  # fmt: skip
    ordered = sorted(fields, key=lambda one: not (one.open or one.key in told))
    if not any(one.lines for one in fields):
        ordered = list(fields)
    head = [html.Th(title, scope="col") for title in FIELD_COLUMNS.values()]
    body = [
        html.Tr(
            [
                html.Th(_name(one), scope="row"),
                html.Td([_control(one, columns), *_confirm(one, one.value)]),
                html.Td(_state(one, told)),
                html.Td(_evidence(one)),
            ],
            className="asked" if one.open else "",
        )
        for one in ordered
    ]
    table = html.Table([html.Thead(html.Tr(head)), html.Tbody(body)], className="decide")
    return parts.scrolled(table, name)


def _name(one: Field) -> parts.Cell:
    table, found, label = one.key.partition(":")
    return html.Code(label) if found else Phrase(NAMES[table])


def _evidence(one: Field) -> parts.Cell:
    if one.lines is not None:
        return phrase("{n} lines", n=count(one.lines))
    return one.why or ""


def _state(one: Field, told: Mapping[str, str]) -> parts.Cell:
    if one.key in told:
        return TOLD
    return html.Em(OPEN, className="odd") if one.open else Phrase(SETTLED)


def _control(one: Field, columns: Mapping[str, Sequence[str]]) -> parts.Cell:
    name, _, label = one.key.partition(":")
    title = NAMES.get(one.key) or phrase("Meaning of {text}", text=label)
    if one.free:
        return html.Div(
            [dcc.Input(type="text", value=one.value, list=f"draft-{name}", debounce=True,
                       name=name, maxLength=2000, className="free",
                       id={"draft-field": one.key}),
             html.Datalist([html.Option(value=option) for option in one.options],
                           id=f"draft-{name}")],
            **_answering(one.key),
        )  # fmt: skip
    known = WORDS.get(name, {})
    names = {option: known.get(option) or _option(option, columns) for option in one.options}
    return _select(one.key, one.value, names, title)


def _option(option: str, columns: Mapping[str, Sequence[str]]) -> str:
    if not option:
        return "none of them"
    names = " + ".join(option.split(BETWEEN))
    values = ", ".join(columns.get(option, ()))
    return f"{names} ({values})"[:60] if values else names


def _profile(proposed: Mapping[str, Any], decided: bool) -> parts.Children:
    text = html.Pre(proposed["text"], className="lines", id="draft-text", tabIndex=0,
                    role="region", **parts.aria(label="The profile"))  # fmt: skip
    again = html.Button("Forget what I decided", type="button", **_answering("again", ""))
    named: dict[str, Any] = {"data-profile": f"{proposed['name']}.toml"}
    return [
        html.Details(
            [
                html.Summary("The profile itself"),
                html.P(
                    [html.Button("Download", type="button", className="take", **named),
                     html.Button("Copy", type="button", className="take",
                                 **{"data-copy": "draft-text"})]
                ),
                text,
            ]
        ),
        *([html.P(again)] if decided else []),
    ]  # fmt: skip
