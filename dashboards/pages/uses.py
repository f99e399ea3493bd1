"""What a number counts, one by one, each with its line in the export and its place in the strip."""

import pandas as pd
from dash import dcc, html

from dashboards import parts
from dashboards.data import Data
from dashboards.figures import DAYS
from dashboards.pages.choice import Choice
from dashboards.pages.frame import Page
from dashboards.pages.strip.axis import micros
from dashboards.pages.strip.payload import written
from dashboards.pages.view import Row, View, coded, duration, moment, whole, word
from loganalyzer import views
from loganalyzer.language import phrase
from loganalyzer.sentences import count, listed
from loganalyzer.views.behind import KINDS, Wanted, behind

TITLE = "What was counted?"
SHOWN = 100  # rows of the table; the file to take along has all
AROUND_US = 60_000_000  # shown in the strip before and after a row
NAMES = {
    "visits": "Visits", "cycles": "Cycles", "refusals": "Refused presses", "presses": "Presses",
    "lockouts": "Lockouts", "episodes": "Lockout episodes, the first lockout of each",
}  # fmt: skip
ENDED = {
    "served": "served", "gave_up": "gave up", "locked_out": "locked out", "unknown": "not known",
    "completed": "completed", "not_opened": "not opened", "interrupted": "interrupted",
    "inferred from presses": "inferred from presses", "logged": "logged",
}  # fmt: skip
SECONDS = {"visits": "Waited", "cycles": "Open for", "lockouts": "Lasted", "episodes": "Lasted"}
RESULT = {
    "visits": "Ended",
    "cycles": "Ended",
    "refusals": "Because",
    "lockouts": "Known from",
    "episodes": "Known from",
}


def sections(view: View, data: Data, site: str) -> parts.Children:
    """What to list, the rows, the lines of the first of them."""
    what = view.choice.of_what if view.choice.of_what in KINDS else "visits"
    wanted, trouble = _wanted(view.choice)
    choose = html.Nav(_kinds(view.choice, what), id="counted", **parts.aria(label="What to list"))
    hidden = views.hidden_sentences(view.analysis)
    if trouble:
        return [parts.section("uses", TITLE, [choose], parts.nothing(trouble))]
    found = behind(view.analysis, what, wanted)
    if found.empty:
        none = "None in this log. Take a choice away above, or choose another period."
        return [parts.section("uses", TITLE, [choose, *hidden, _scope(view)], parts.nothing(none))]
    head = html.P(phrase("{what}: {n}.", what=phrase(NAMES[what]), n=count(len(found))),
                  className="said")  # fmt: skip
    later = phrase("The first {n} are listed; choose a day or floors for the others.",
                   n=count(SHOWN)) if len(found) > SHOWN else None  # fmt: skip
    shown = found.head(SHOWN)
    names = dict(data.imports(site)[["source", "name"]].itertuples(index=False, name=None))
    rows = [_row(row, view, names) for row in shown.to_dict("records")]
    columns = {"time": "When", "chute": "Chute", "floor": "Floor", "stream": "Stream"}
    columns |= {"seconds": SECONDS[what]} if what in SECONDS else {}
    columns |= {"presses": "Presses", "refusals": "Refused"} if what == "visits" else {}
    columns |= {"result": RESULT[what]} if what in RESULT else {}
    columns |= {"line": "Line"}
    table = parts.table(columns, rows, ["seconds", "presses", "refusals"], NAMES[what])
    references = [f"{row.source}:{row.line}" for row in shown.itertuples()]
    raw = parts.folded(
        "Their lines, as the controller wrote them", *parts.lines(data.lines(site, references))
    )
    beside = [head, choose, later, *hidden, _scope(view)]
    return [parts.section("uses", TITLE, beside, table, raw)]


def _scope(view: View) -> str:
    """Which rows, in words."""
    choice = view.choice
    hour = _whole(choice.hour)
    told = [
        phrase("floor {floor}", floor=choice.floor) if choice.floor else None,
        phrase("stream {stream}", stream=choice.stream) if choice.stream else None,
        phrase("'{result}'", result=_ended(choice.result)) if choice.result else None,
        _day(choice.day),
        phrase("{day} from {hour:02d}:00 to {hour2:02d}:00", day=phrase(DAYS[hour // 24]),
               hour=hour % 24, hour2=hour % 24 + 1)
        if hour is not None and hour < 168 else None,
    ]  # fmt: skip
    only = listed([one for one in told if one])
    if not only:
        return view.about
    return phrase("{scope}. Only {only}.", scope=view.scope, only=only)


def _day(text: str | None) -> str | None:
    """A day of the address; None where it is none."""
    day = pd.to_datetime(text, errors="coerce") if text else pd.NaT
    return None if pd.isna(day) else phrase("{day:%Y-%m-%d}", day=day)


def _ended(result: str) -> str:
    """How a row ended, in words; a code of the log stays as it is written."""
    return phrase(ENDED[result]) if result in ENDED else coded(result)


def _wanted(choice: Choice) -> tuple[Wanted, str | None]:
    """What the address asks for, and what is wrong with it."""
    hour, day = _whole(choice.hour), None
    if choice.hour and (hour is None or hour >= 168):
        return Wanted(), phrase("The address asks for hour '{hour}'; a week has 0 to 167.",
                                hour=choice.hour)  # fmt: skip
    if choice.day:
        try:
            day = f"{pd.Timestamp(choice.day):%Y-%m-%d}"
        except ValueError:
            return Wanted(), phrase("The address asks for '{moment}'; a day is written as "
                                    "2026-10-01.", moment=choice.day)  # fmt: skip
    return Wanted(choice.floors(), choice.stream, choice.result, hour, day), None


def _kinds(choice: Choice, shown: str) -> parts.Children:
    """A link for each thing that can be listed; floors, hour and day are kept."""
    return [
        html.P(dcc.Link(
            name, className="chosen" if key == shown else "",
            href=choice.of_list(key).search(),
        ))
        for key, name in NAMES.items()
    ]  # fmt: skip


def _row(row: Row, view: View, names: dict[str, str]) -> dict[str, parts.Cell]:
    at = micros(row["time"])
    href = view.door(
        "strip", at=written(at - AROUND_US), wide=str(2 * AROUND_US // 10**6)
    )  # fmt: skip
    file = parts.file_name(str(names.get(row["source"], row["source"])))
    return {
        "time": dcc.Link(moment(row["local"]), href=href, title="In the strip of events"),
        "chute": str(row["chute"]), "floor": word(row["floor"]), "stream": word(row["stream"]),
        "seconds": duration(row["seconds"]), "presses": whole(row["presses"]),
        "refusals": whole(row["refusals"]),
        "result": _ended(word(row["result"])) or None,
        "line": html.Span([file, f":{row['line']}"], className="file"),
    }  # fmt: skip


def _whole(text: str | None) -> int | None:
    return int(text) if text and text.isdecimal() else None


PAGE = Page("One by one", sections, by_floor=True)
