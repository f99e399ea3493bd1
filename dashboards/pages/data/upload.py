"""Handing over an export: what its profile makes of it, a draft where none does, the import."""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from dash import Dash, Input, Output, State, dcc, html
from dash.exceptions import PreventUpdate

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.pages.data import drafting, trials
from dashboards.pages.view import percent, whole
from dashboards.spoken import language_of, spoken
from dashboards.uploads import FILE_BYTES, Upload, Uploads
from loganalyzer.errors import AnalyzerError, UsageError
from loganalyzer.language import phrase
from loganalyzer.profile import shipped_profiles
from loganalyzer.receiving import DRAFT, LOOK, TAKE, Done, Job, done, kept_profiles
from loganalyzer.sentences import count

LOG = logging.getLogger(__name__)
FORBIDDEN = "Your account may not take exports in here."
ASK = "No profile fits? Draft one"
UNREAD = "No profile reads this file, so one is drafted from it: guesses, for you to decide."
AGAIN = "again"  # in the place of a key: forget what was decided
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
    working = html.P("Reading the file …", className="working")
    shown = parts.section(
        "hand-over", "Take an export in", beside, choose,
        parts.folded(
            "Which chute, which profile",
            parts.field("upload-chute", "Chute", guess, chutes),
            parts.field("upload-profile", "Profile", guess, profiles(data, site)),
        ),
        dcc.Store(id="waiting-upload"),
        dcc.Store(id="draft-answer"),
        dcc.Loading(html.Div(id="preview", **parts.aria(live="polite")), delay_show=300,
                    custom_spinner=working),
        html.Button(ASK, id="draft-ask", type="button", hidden=True),
    )  # fmt: skip
    below = [
        dcc.Loading(html.Div(id="draft"), delay_show=300, overlay_style={"visibility": "visible"},
                    custom_spinner=working),
        html.Button("Take it in", id="take-in", type="button", hidden=True),
        html.Div(id="taken-in", **parts.aria(live="polite")),
    ]  # fmt: skip
    shown.children.append(html.Div(below, className="across"))
    return shown


def profiles(data: Data, site: str) -> list[str]:
    """Names of profiles that may be asked for: no path is among them."""
    used = {chute.profile for chute in data.store.site(site).chutes}
    own = {name for name in (*used, *kept_profiles(data.store, site)) if "/" not in name}
    return sorted({*shipped_profiles(), *own})


@dataclass(frozen=True)
class Shown:
    """What the section shows after a step.

    Attributes:
        preview: What the file holds, or why it cannot be read.
        draft: The form of a drafted profile and its preview.
        token: Of the file that waits, null without one.
        taken: What became of the file.
        may_take: Whether it can be taken in; `may_draft`: whether a profile can be drafted.
    """

    preview: parts.Children = field(default_factory=list)
    draft: parts.Children = field(default_factory=list)
    token: str | None = None
    taken: parts.Children = field(default_factory=list)
    may_take: bool = False
    may_draft: bool = False


def look(data: Data, uploads: Uploads, sent: Sequence[str | None], site: str) -> Shown:
    """What a file holds; where no profile reads it, the draft of one.

    Args:
        data: The store.
        uploads: Where files wait.
        sent: Contents, name, chute and profile asked for.
        site: For which site.
    """
    contents, name, chute, profile = sent
    if not data.rights().may_upload(site):
        return Shown([parts.nothing(FORBIDDEN)])
    token = None
    try:
        token, upload = uploads.keep(contents or "", name or "", data.rights().name, site)
        with uploads.turn(upload.name):
            rows = done(_job(data, LOOK, upload, chute, profile)).rows
    except AnalyzerError as error:
        uploads.drop(token)
        return Shown([parts.nothing(str(error))])
    if any(row["events"] for row in rows):
        return Shown(preview(rows), token=token, may_take=True, may_draft=True)
    drafted = decide(data, uploads, token, ({}, chute), site)
    if not drafted.draft:
        uploads.drop(token)
        return Shown([*preview(rows), *drafted.preview])
    return replace(drafted, preview=[parts.nothing(UNREAD)])


def decide(
    data: Data, uploads: Uploads, token: str | None,
    asked: tuple[Mapping[str, str] | None, str | None], site: str,
) -> Shown:  # fmt: skip
    """The draft of a profile with what is decided by now.

    Args:
        data: The store.
        uploads: Where files wait.
        token: Of the file.
        asked: Answers that come on top, null to forget those so far; and the chute.
        site: For which site.
    """
    if not data.rights().may_upload(site):
        return Shown([parts.nothing(FORBIDDEN)])
    upload = uploads.find(token, data.rights().name, site)
    if upload is None:
        return Shown([parts.nothing(GONE)])
    more, chute = asked
    before = upload.answers or {}
    answers = {} if more is None else {**before, **more}
    try:
        found, refused = _drafted(data, uploads, upload, (answers, chute)), None
    except AnalyzerError as error:
        if upload.answers is None:  # there is no draft to go back to
            return Shown([parts.nothing(str(error))], token=token)
        refused, answers = str(error), dict(before)
        found = _drafted(data, uploads, upload, (answers, chute))
    assert found.draft is not None  # a job with answers has one
    uploads.note(token, answers, found.rows)
    form = drafting.draft(found.draft, found.rows, upload.shown, answers, refused)
    return Shown(draft=form, token=token, may_take=any(row["events"] for row in found.rows))


def _drafted(
    data: Data, uploads: Uploads, upload: Upload, asked: tuple[Mapping[str, str], str | None]
) -> Done:
    with uploads.turn(upload.name):
        return done(replace(_job(data, DRAFT, upload, asked[1], None), answers=asked[0]))


def take(
    data: Data, uploads: Uploads, token: str | None, asked: Sequence[str | None], site: str
) -> Shown:
    """Take the file in that was looked at; what became of it."""
    if not data.rights().may_upload(site):
        return Shown(taken=[parts.nothing(FORBIDDEN)])
    upload = uploads.find(token, data.rights().name, site)
    if upload is None:
        return Shown(taken=[parts.nothing(GONE)])
    chute, profile = asked
    job = replace(
        _job(data, TAKE, upload, chute, profile if upload.answers is None else None),
        answers=upload.answers,
    )
    try:
        with uploads.turn(upload.name):
            rows = done(job).rows
    except AnalyzerError as error:
        return Shown(taken=[parts.nothing(str(error))])
    finally:
        uploads.drop(token)
    LOG.info("taken in at %s by %s: %r", site, data.rights().name or "this machine", upload.name)
    return Shown(taken=outcome(rows))


def preview(rows: Sequence[Mapping[str, Any]]) -> parts.Children:
    """Each export in the file: profile, share understood, whether that can be right, events."""
    shown: parts.Children = []
    for row in rows:
        shown += [html.H3(f"{row['name']}: nothing is kept yet"), *trials.messages(row)]
        if row["profile"] is None:
            continue
        share = percent(row["understood"]) or "nothing"
        chute = row["chute"] or "told by each line"
        said = phrase("The profile {profile} understands {share} of it. Chute: {chute}.",
                      profile=row["profile"], share=share, chute=chute)  # fmt: skip
        shown += [html.P(said, className="said"), *trials.figures(row), *trials.rest(row)]
    return shown


def outcome(rows: Sequence[Mapping[str, Any]]) -> parts.Children:
    """What the import made of each export in the file."""
    columns = {"name": "File", "status": "Status", "chute": "Chute", "profile": "Profile",
               **trials.COUNTS}  # fmt: skip
    told = [
        {"name": row["name"], "status": row["status"], "chute": row["chute"] or "",
         "profile": row["profile"] or "", **{key: whole(row[key]) for key in trials.COUNTS}}
        for row in rows
    ]  # fmt: skip
    said = [message for row in rows for message in trials.messages(row)]
    table = parts.table(columns, told, trials.COUNTS, "What was taken in")
    again = html.P(html.A("Show the page with it", href=""))
    return [html.H3("Taken in"), table, *said, again]


def register(app: Dash, data: Data, uploads: Uploads) -> None:
    """The callbacks of handing over."""
    outputs = [
        Output("preview", "children"), Output("draft", "children"),
        Output("waiting-upload", "data"), Output("taken-in", "children"),
        Output("take-in", "hidden"), Output("take-in", "children"),
        Output("draft-ask", "hidden"), Output("draft-answer", "data"),
    ]  # fmt: skip
    again = [replaced(output) for output in outputs]
    asking = [State("upload-chute", "value"), State("upload-profile", "value"),
              State("site", "data"), State("address", "search")]  # fmt: skip

    @app.callback(
        outputs,
        Input("upload", "contents"), State("upload", "filename"),
        Input("upload-chute", "value"), Input("upload-profile", "value"),
        State("site", "data"), State("address", "search"),
        prevent_initial_call=True,
    )  # fmt: skip
    def _look(
        contents: str | None, name: str | None, chute: str | None, profile: str | None, site: str,
        search: str | None,
    ) -> tuple[Any, ...]:  # fmt: skip
        if not contents:
            raise PreventUpdate
        return _told(
            data, site, search, look(data, uploads, (contents, name, chute, profile), site)
        )

    @app.callback(
        again, Input("draft-ask", "n_clicks"), State("waiting-upload", "data"), *asking,
        prevent_initial_call=True,
    )  # fmt: skip
    def _draft(
        clicks: int | None, token: str | None, chute: str | None, _profile: str | None, site: str,
        search: str | None,
    ) -> tuple[Any, ...]:  # fmt: skip
        if not clicks:
            raise PreventUpdate
        return _told(data, site, search, decide(data, uploads, token, ({}, chute), site))

    @app.callback(
        again, Input("draft-answer", "data"), State("waiting-upload", "data"), *asking,
        prevent_initial_call=True,
    )  # fmt: skip
    def _decide(
        answer: Mapping[str, Any] | None, token: str | None, chute: str | None,
        _profile: str | None, site: str, search: str | None,
    ) -> tuple[Any, ...]:  # fmt: skip
        if not answer:
            raise PreventUpdate
        key, value = str(answer.get("key", "")), str(answer.get("value", ""))
        more = None if key == AGAIN else {key: value}
        return _told(data, site, search, decide(data, uploads, token, (more, chute), site))

    @app.callback(
        again, Input("take-in", "n_clicks"), State("waiting-upload", "data"), *asking,
        prevent_initial_call=True,
    )  # fmt: skip
    def _take(
        clicks: int | None, token: str | None, chute: str | None, profile: str | None, site: str,
        search: str | None,
    ) -> tuple[Any, ...]:  # fmt: skip
        if not clicks:
            raise PreventUpdate
        return _told(data, site, search, take(data, uploads, token, (chute, profile), site))


def replaced(output: Output) -> Output:
    """The same output, for one more callback."""
    return Output(output.component_id, output.component_property, allow_duplicate=True)


def _told(data: Data, site: str, search: str | None, shown: Shown) -> tuple[Any, ...]:
    """In the order of the outputs."""
    word = "Take it in with this profile" if shown.draft else "Take it in"
    said = [_spoken(data, site, search, one)
            for one in (shown.preview, shown.draft, shown.taken, [word])]  # fmt: skip
    return (
        said[0], said[1], shown.token, said[2], not shown.may_take, said[3], not shown.may_draft,
        None,
    )  # fmt: skip


def _spoken(data: Data, site: str, search: str | None, shown: parts.Children | list[str]) -> Any:
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
