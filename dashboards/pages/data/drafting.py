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
COLUMNS = {"what": "What", "lines": "Lines", "is": "Is", "sure": "How sure", "why": "Why"}
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
            html.H4("Can that be right?"), *trials.figures(first, then),
            *trials.rest(first), *trials.messages(first),
        ],
        className="draft-seen",
    )  # fmt: skip
    wrong = [html.P(refused, className="draft-refused", role="alert")] if refused else []
    form = html.Div(
        [
            *wrong,
            *[html.P(one, className="message") for one in proposed["messages"]],
            *_form(proposed, told),
            *_profile(proposed, bool(told)),
        ],
        className="draft-asked",
    )
    return [
        html.H3(phrase("A draft for {name}: nothing is kept yet", name=first["name"])),
        said, html.Div([form, beside], className="draft"),
    ]  # fmt: skip


def _form(proposed: Mapping[str, Any], told: Mapping[str, str]) -> parts.Children:
    """The questions, then what is settled: texts, how it is written, labels.

    What was asked stays where it is once it is answered, so that nothing moves under a hand.
    """
    fields, meant = proposed["fields"], proposed["meant"]
    columns = proposed["columns"]
    asked = [one for one in (*fields, *meant) if one.asked]
    groups: dict[str, list[Field | Meant]] = {
        "Questions": sorted(asked, key=lambda one: one.key in NAMES, reverse=True),
        "What the texts mean": [one for one in meant if not one.asked],
        "How it is written": [one for one in fields if not one.asked and one.key in NAMES],
    }
    for table, title in TABLES.items():
        groups[title] = [one for one in fields if not one.asked and one.key.startswith(f"{table}:")]
    shown: parts.Children = []
    for title, ones in groups.items():
        if ones:
            drawn = _table(ones, columns, told, title)
            folded = title in TABLES.values()
            shown += [parts.folded(title, drawn)] if folded else [html.H4(title), drawn]
    return shown


def _table(
    ones: Sequence[Field | Meant], columns: Mapping[str, Sequence[str]], told: Mapping[str, str],
    name: str,
) -> html.Div:  # fmt: skip
    head = [html.Th(title, scope="col", className="number" if key == "lines" else "")
            for key, title in COLUMNS.items()]  # fmt: skip
    body = [
        html.Tr(
            [
                html.Th(_name(one), scope="row"),
                html.Td("" if one.lines is None else whole(one.lines), className="number"),
                html.Td([_control(one, columns), *_confirm(one)]),
                html.Td(_sure(one, told)),
                html.Td(_why(one)),
            ],
            className="asked" if one.open else "",
        )
        for one in ones
    ]
    drawn = html.Table([html.Thead(html.Tr(head)), html.Tbody(body)], className="decide")
    return parts.scrolled(drawn, name)


def _name(one: Field | Meant) -> parts.Cell:
    """What is decided: a text with lines of the log behind it, a label, or the name of a field."""
    if isinstance(one, Meant):
        samples = html.Pre("\n".join(one.samples), className="lines")
        return html.Details([html.Summary(html.Code(one.text)), samples])
    table, found, label = one.key.partition(":")
    if not found:
        return Phrase(NAMES[table])
    return html.Span([f"{TABLES[table]}: ", html.Code(label)] if one.asked else html.Code(label))


def _sure(one: Field | Meant, told: Mapping[str, str]) -> parts.Cell:
    if one.key in told:
        return TOLD
    certainty = f"{one.certainty:.2f}" if isinstance(one, Meant) else ""
    if one.open:
        return html.Span([html.Em(OPEN, className="odd"), f" {certainty}"])
    return certainty or Phrase(SETTLED)


def _why(one: Field | Meant) -> parts.Cell:
    if isinstance(one, Field):
        return one.why
    why: list[Any] = [one.why]
    if one.open and one.guess and one.other:
        guess, other = MEANINGS[one.guess], MEANINGS[one.other]
        why = [phrase("{guess}, or {other}?", guess=guess, other=other), " ", one.why]
    if one.doorless:
        why = ["Left out: nothing tells the door. ", *why]
    return html.Span(why)


def _confirm(one: Field | Meant) -> list[html.Button]:
    """A button that makes an open guess an answer."""
    if not one.open or not one.guess or (isinstance(one, Field) and one.free):
        return []
    named = one.text if isinstance(one, Meant) else one.key
    return [
        html.Button(
            ["Yes, so it is", parts.unseen(f": {named}")],
            type="button", className="confirm", **_answering(one.key, one.guess),
        )
    ]  # fmt: skip


def _answering(key: str, value: str | None = None) -> dict[str, Any]:
    return {"data-answer": key} | ({} if value is None else {"data-value": value})


def _select(key: str, value: str, names: Mapping[str, str], label: str) -> html.Select:
    """A choice; its own script tells the server what was chosen."""
    options = [html.Option(name, value=one, selected=one == value) for one, name in names.items()]
    return html.Select(options, **_answering(key), **parts.aria(label=label))


def _control(one: Field | Meant, columns: Mapping[str, Sequence[str]]) -> parts.Cell:
    if isinstance(one, Meant):
        return _select(one.key, one.value, MEANINGS, phrase("Meaning of {text}", text=one.text))
    name, _, label = one.key.partition(":")
    if one.free:
        listed = html.Datalist([html.Option(value=o) for o in one.options], id=f"draft-{name}")
        line = dcc.Input(id=f"draft-{name}-text", type="text", value=one.value, debounce=True,
                         list=f"draft-{name}", maxLength=2000)  # fmt: skip
        return html.Label([parts.unseen(NAMES[name]), line, listed], **_answering(one.key))
    known = WORDS.get(name, {"": "kept as written"} if label else {"": "none of them"})
    names = {option: known.get(option) or _option(option, columns) for option in one.options}
    title = phrase("Meaning of {text}", text=label) if label else NAMES[name]
    return _select(one.key, one.value, names, title)


def _option(option: str, columns: Mapping[str, Sequence[str]]) -> str:
    names = " + ".join(option.split(BETWEEN))
    values = ", ".join(columns.get(option, ()))
    return f"{names} ({values})"[:60] if values else names


def _profile(proposed: Mapping[str, Any], decided: bool) -> parts.Children:
    text = html.Pre(proposed["text"], className="lines", id="draft-text", tabIndex=0,
                    role="region", **parts.aria(label="The profile"))  # fmt: skip
    again = html.Button("Forget what I decided", type="button", **_answering("again", ""))
    named: dict[str, Any] = {"data-profile": f"{proposed['name']}.toml"}
    copied: dict[str, Any] = {"data-copy": "draft-text"}
    return [
        html.Details(
            [
                html.Summary("The profile itself"),
                html.P(
                    [html.Button("Download", type="button", className="take", **named),
                     html.Button("Copy", type="button", className="take",
                                 **copied)]
                ),
                text,
            ]
        ),
        *([html.P(again)] if decided else []),
    ]  # fmt: skip
