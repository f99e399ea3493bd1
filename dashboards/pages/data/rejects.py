"""Lines that could not be read: how many, why, what helps, and the lines themselves."""

import pandas as pd
from dash import html

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.view import whole
from loganalyzer.language import phrase
from loganalyzer.sentences import count, listed, things

SHOWN = 20  # lines of a reason
COLUMNS = {"reason": "Reason", "lines": "Lines", "files": "Files", "detail": "Most often",
           "helps": "What helps"}  # fmt: skip
HELPS = {
    "unknown event": "Add [[event]] entries to the profile, then loganalyzer import --again.",
    "no match": "Check the profile's pattern against such a line, then import --again.",
    "not JSON": "See whether the export was cut or edited; export it again.",
    "wrong number of columns": "See whether a delimiter stands in a text without quotes.",
    "line too long": "See whether line ends were lost; export it again.",
    "cut off": "Export the file again: it ends in the middle of a record.",
    "unreadable time": "Check [time] format of the profile against such a line.",
    "floor missing": "Check which column holds the floor.",
    "stream missing": "Check which column holds the stream.",
    "unknown chute": "Add the label to [chutes] of the profile, or the chute to the site file.",
    "unreadable value": "Check the decimal sign of the profile.",
}


def section(data: Data, site: str) -> html.Section:
    """Rejected lines by reason, of all exports of the site."""
    title, found = "What could not be read?", data.store.rejects(site)
    lines = int(data.imports(site)["lines"].sum())
    if found.empty:
        none = parts.nothing("Every line was read.")
        return parts.section("rejects", title, [], none)
    found = found.assign(
        kind=found["reason"].str.split(":").str[0],
        detail=found["reason"].str.partition(":")[2].str.strip(),
    )
    ordered = found["kind"].value_counts().index
    parts_of = [(str(kind), found[found["kind"].eq(kind)]) for kind in ordered]
    share = 100 * len(found) / lines if lines else 0.0
    said = phrase(
        "{lines} of {all} could not be read ({share:.2f} %).",
        lines=things(len(found), "line", "lines"), all=count(lines), share=share,
    )  # fmt: skip
    beside: list[parts.Cell] = [
        html.P(said, className="said"),
        "They are kept as they are and stay out of every figure.",
        "All exports of the site, whatever the period.",
    ]
    rows = [
        {"reason": kind, "lines": whole(len(part)), "files": whole(part["source"].nunique()),
         "detail": _details(part), "helps": HELPS.get(kind, "Look at the lines below.")}
        for kind, part in parts_of
    ]  # fmt: skip
    table = parts.table(COLUMNS, rows, ["lines", "files"], "Lines that could not be read")
    ledger = data.imports(site)
    names = dict(zip(ledger["source"], ledger["name"], strict=True))
    raw = [parts.folded(f"Lines: {kind}", *_lines(part, names)) for kind, part in parts_of]
    return parts.section("rejects", title, beside, table, *raw)


def _details(part: pd.DataFrame) -> str:
    """What the reasons or the lines say most often; empty where each differs."""
    told = part["detail"][part["detail"].ne("")].value_counts()
    return listed([f"{str(text)[:60]} ({count(n)})" for text, n in told.head(3).items()])


def _lines(part: pd.DataFrame, names: dict[str, str]) -> parts.Children:
    head = part.head(SHOWN)
    more = len(part) - len(head)
    numbered = [
        (names.get(source, source), int(line), str(text))
        for source, line, text in zip(head["source"], head["line"], head["text"], strict=True)
    ]
    rest = [parts.nothing(phrase("and {n} more.", n=count(more)))] if more else []
    return [*parts.lines(numbered), *rest]
