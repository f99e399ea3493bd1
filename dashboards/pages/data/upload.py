"""Handing over an export: a look at what its profile makes of it, then the import, or not."""

import logging
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from dash import Dash, Input, Output, State, dcc, html
from dash.exceptions import PreventUpdate

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.pages.view import percent, whole
from dashboards.spoken import language_of, spoken
from dashboards.uploads import FILE_BYTES, Upload, Uploads
from loganalyzer.errors import AnalyzerError, UsageError
from loganalyzer.language import phrase
from loganalyzer.profile import shipped_profiles
from loganalyzer.receiving import LOOK, TAKE, Job, done, kept_profiles
from loganalyzer.sentences import count

LOG = logging.getLogger(__name__)
FIRST = {"line": "Line", "time": "Time (UTC)", "chute": "Chute", "floor": "Floor",
         "signal": "Signal", "edge": "Edge", "stream": "Stream", "code": "Code",
         "value": "Value"}  # fmt: skip
COUNTS = {"lines": "Lines", "events": "Events", "duplicates": "Duplicates", "ignored": "Ignored",
          "rejected": "Rejected"}  # fmt: skip
FORBIDDEN = "Your account may not take exports in here."
GONE = "The file is no longer here: it waits for 15 minutes. Choose it again."


def section(data: Data, site: str) -> html.Section:
    """Choose a file; what it holds is shown before anything is kept."""
    chutes = data.store.chutes(site)
    button = html.Button("Choose an export …", type="button")
    choose = dcc.Upload(button, id="upload", max_size=FILE_BYTES, className="upload")
    guess = "as the file tells"
    beside: list[parts.Cell] = [
        "Look first: the file is read and nothing is kept until you say so.",
        phrase("One file of at most {n} MB; .zip, .gz and .zst may hold many exports.",
               n=count(FILE_BYTES / 1e6)),
    ]  # fmt: skip
    return parts.section(
        "hand-over", "Take an export in", beside, choose,
        parts.folded(
            "Which chute, which profile",
            parts.field("upload-chute", "Chute", guess, chutes),
            parts.field("upload-profile", "Profile", guess, profiles(data, site)),
        ),
        dcc.Store(id="waiting-upload"),
        dcc.Loading(html.Div(id="preview", **parts.aria(live="polite")), delay_show=300,
                    custom_spinner=html.P("Reading the file …", className="working")),
        html.Button("Take it in", id="take-in", type="button", hidden=True),
        html.Div(id="taken-in", **parts.aria(live="polite")),
    )  # fmt: skip


def profiles(data: Data, site: str) -> list[str]:
    """Names of profiles that may be asked for: no path is among them."""
    used = {chute.profile for chute in data.store.site(site).chutes}
    own = {name for name in (*used, *kept_profiles(data.store, site)) if "/" not in name}
    return sorted({*shipped_profiles(), *own})


def look(data: Data, uploads: Uploads, sent: Sequence[str | None], site: str) -> tuple[Any, ...]:
    """What a file holds: the preview, the token of the file, whether it can be taken in.

    Args:
        data: The store.
        uploads: Where files wait.
        sent: Contents, name, chute and profile asked for.
        site: For which site.
    """
    contents, name, chute, profile = sent
    if not data.rights().may_upload(site):
        return [parts.nothing(FORBIDDEN)], None, True
    token = None
    try:
        token, upload = uploads.keep(contents or "", name or "", data.rights().name, site)
        with uploads.turn(upload.name):
            rows = done(_job(data, LOOK, upload, chute, profile))
    except AnalyzerError as error:
        uploads.drop(token)
        return [parts.nothing(str(error))], None, True
    return preview(rows), token, not any(row["events"] for row in rows)


def take(
    data: Data, uploads: Uploads, token: str | None, asked: Sequence[str | None], site: str
) -> tuple[parts.Children, None, bool]:
    """Take the file in that was looked at; what became of it."""
    if not data.rights().may_upload(site):
        return [parts.nothing(FORBIDDEN)], None, True
    upload = uploads.find(token, data.rights().name, site)
    if upload is None:
        return [parts.nothing(GONE)], None, True
    try:
        with uploads.turn(upload.name):
            rows = done(_job(data, TAKE, upload, *asked))
    except AnalyzerError as error:
        return [parts.nothing(str(error))], None, True
    finally:
        uploads.drop(token)
    LOG.info("taken in at %s by %s: %r", site, data.rights().name or "this machine", upload.name)
    return outcome(rows), None, True


def preview(rows: Sequence[Mapping[str, Any]]) -> parts.Children:
    """Each export in the file: profile, share understood, counts, reasons, first events."""
    shown: parts.Children = []
    for row in rows:
        shown += [html.H3(f"{row['name']}: nothing is kept yet"), *_messages(row)]
        if row["profile"] is None:
            continue
        share = percent(row["understood"]) or "nothing"
        chute = row["chute"] or "told by each line"
        said = phrase("The profile {profile} understands {share} of it. Chute: {chute}.",
                      profile=row["profile"], share=share, chute=chute)  # fmt: skip
        names = {key: COUNTS[key] for key in ("lines", "events", "ignored", "rejected")}
        shown += [
            html.P(said, className="said"),
            parts.table(names, [{key: whole(row[key]) for key in names}], names, "Lines"),
            *_tally("Rejected because", "Reason", row["reasons"]),
            *_tally("Not known to the profile", "Text", row["unknown_events"]),
            html.H4("First events"),
            parts.table(FIRST, [_event(one) for one in row["first_events"]], ["value"],
                        "First events"),
        ]  # fmt: skip
    return shown


def outcome(rows: Sequence[Mapping[str, Any]]) -> parts.Children:
    """What the import made of each export in the file."""
    columns = {"name": "File", "status": "Status", "chute": "Chute", "profile": "Profile", **COUNTS}
    told = [
        {"name": row["name"], "status": row["status"], "chute": row["chute"] or "",
         "profile": row["profile"] or "", **{key: whole(row[key]) for key in COUNTS}}
        for row in rows
    ]  # fmt: skip
    said = [message for row in rows for message in _messages(row)]
    table = parts.table(columns, told, COUNTS, "What was taken in")
    again = html.P(html.A("Show the page with it", href=""))
    return [html.H3("Taken in"), table, *said, again]


def register(app: Dash, data: Data, uploads: Uploads) -> None:
    """The callbacks of handing over."""

    @app.callback(
        Output("preview", "children"),
        Output("waiting-upload", "data"),
        Output("take-in", "hidden"),
        Output("taken-in", "children"),
        Input("upload", "contents"),
        State("upload", "filename"),
        Input("upload-chute", "value"),
        Input("upload-profile", "value"),
        State("site", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def _look(
        contents: str | None, name: str | None, chute: str | None, profile: str | None, site: str,
        search: str | None,
    ) -> tuple[Any, ...]:  # fmt: skip
        if not contents:
            raise PreventUpdate
        shown, *rest = look(data, uploads, (contents, name, chute, profile), site)
        return (_spoken(data, site, search, shown), *rest, [])

    @app.callback(
        Output("taken-in", "children", allow_duplicate=True),
        Output("waiting-upload", "data", allow_duplicate=True),
        Output("take-in", "hidden", allow_duplicate=True),
        Output("preview", "children", allow_duplicate=True),
        Input("take-in", "n_clicks"),
        State("waiting-upload", "data"),
        State("upload-chute", "value"),
        State("upload-profile", "value"),
        State("site", "data"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def _take(
        clicks: int | None, token: str | None, chute: str | None, profile: str | None, site: str,
        search: str | None,
    ) -> tuple[Any, ...]:  # fmt: skip
        if not clicks:
            raise PreventUpdate
        shown, *rest = take(data, uploads, token, (chute, profile), site)
        return (_spoken(data, site, search, shown), *rest, [])


def _spoken(data: Data, site: str, search: str | None, shown: parts.Children) -> Any:
    """In the language that the address asks for, else the site's."""
    known = data.store.site(site).language if data.rights().may_see(site) else "en"
    return spoken(shown, language_of(Choice.of(search).lang, known))


def _job(data: Data, what: str, upload: Upload, chute: str | None, profile: str | None) -> Job:
    """What the browser may ask for, and no other profile than those that it was offered.

    Raises:
        UsageError: It asks for another chute or profile.
    """
    offered = {"Chute": (chute, list(data.store.chutes(upload.site))),
               "Profile": (profile, profiles(data, upload.site))}  # fmt: skip
    for name, (asked, known) in offered.items():
        if asked and asked not in known:
            raise UsageError(
                name, f"'{asked}'", f"one of {', '.join(known)}", "Leave it empty if unsure"
            )
    return Job(
        what, data.whole.path, upload.site, upload.folder, upload.name, datetime.now(UTC),
        chute or None, profile or None,
    )  # fmt: skip


def _messages(row: Mapping[str, Any]) -> parts.Children:
    return [html.P(str(message), className="message") for message in row["messages"]]


def _tally(title: str, name: str, counts: Mapping[str, int]) -> parts.Children:
    if not counts:
        return []
    ordered = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))[:10]
    rows = [{"text": text[:120], "n": whole(n)} for text, n in ordered]
    return [html.H4(title), parts.table({"text": name, "n": "Lines"}, rows, ["n"], title)]


def _event(event: Mapping[str, Any]) -> dict[str, parts.Cell]:
    time = event["time"]
    shown = {key: None if event[key] is None else str(event[key]) for key in FIRST}
    return {**shown, "time": None if time is None else f"{time:%Y-%m-%d %H:%M:%S}"}
