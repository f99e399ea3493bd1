"""The exports of a site, every line accounted for."""

from dash import html

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.view import Row, moment, whole
from loganalyzer.language import phrase
from loganalyzer.sentences import count, things

TIMES = ("first", "last", "imported_at")
NUMBERS = ("lines", "events", "duplicates", "ignored", "rejected")
COLUMNS = {
    "name": "File", "chute": "Chute", "profile": "Profile", "lines": "Lines", "events": "Events",
    "duplicates": "Duplicates", "ignored": "Ignored", "rejected": "Rejected", "first": "From",
    "last": "To", "imported_at": "Taken in", "status": "Status", "source": "SHA-256 begins",
}  # fmt: skip


def section(data: Data, site: str) -> html.Section:
    """The ledger, whatever period is chosen."""
    imports = data.imports(site).sort_values(["chute", "first"], kind="stable")
    zone = data.store.site(site).time_zone
    for name in TIMES:
        imports[name] = imports[name].dt.tz_convert(zone)
    sums = {name: int(imports[name].sum()) for name in NUMBERS}
    said = phrase(
        "{exports} with {lines}: {events} with events, {duplicates} that other exports hold too, "
        "{ignored} without content, {rejected} that could not be read.",
        exports=things(len(imports), "export", "exports"),
        lines=things(sums["lines"], "line", "lines"),
        **{name: count(sums[name]) for name in NUMBERS[1:]},
    )
    beside: list[parts.Cell] = [
        html.P(said, className="said"),
        "Events, duplicates, ignored and rejected lines of a file add up to its lines.",
        phrase("All exports of the site, whatever the period. Times of {zone}.", zone=zone),
    ]
    rows = [_row(row) for row in imports.to_dict("records")]
    table = parts.table(COLUMNS, rows, (*NUMBERS, *TIMES), "Exports taken in")
    return parts.section("imports", "Which exports were taken in?", beside, table)


def _row(row: Row) -> dict[str, parts.Cell]:
    words = {name: str(row[name]) for name in ("chute", "profile", "status")}
    times = {name: moment(row[name]) for name in TIMES}
    numbers = {name: whole(row[name]) for name in NUMBERS}
    source = html.Code(str(row["source"])[:12], title=str(row["source"]))
    return {"name": parts.file_name(str(row["name"])), **words, **times, **numbers,
            "source": source}  # fmt: skip
