"""What the figures rest on: the exports, every line accounted for."""

from dash import html

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.view import Row, whole
from loganalyzer.sentences import count, things

NUMBERS = ("lines", "events", "duplicates", "ignored", "rejected")
COLUMNS = {
    "name": "File", "chute": "Chute", "profile": "Profile", "lines": "Lines", "events": "Events",
    "duplicates": "Duplicates", "ignored": "Ignored", "rejected": "Rejected", "status": "Status",
}  # fmt: skip


def section(data: Data, site: str) -> html.Section:
    """The ledger of the site's exports, of whatever period."""
    imports = data.imports(site).sort_values(["chute", "first"], kind="stable")
    read, rejected = int(imports["lines"].sum()), int(imports["rejected"].sum())
    beside: list[parts.Cell] = [
        f"{things(len(imports), 'export', 'exports')} with {things(read, 'line', 'lines')}, of "
        f"which {count(rejected)} could not be read.",
        "Every line is an event, a duplicate of one, ignored or rejected. All exports of the "
        "site, whatever the period.",
    ]
    rows = [_row(row) for row in imports.to_dict("records")]
    table = parts.table(COLUMNS, rows, NUMBERS, "Exports")
    return parts.section("exports", "What does this rest on?", beside, table)


def _row(row: Row) -> dict[str, parts.Cell]:
    numbers = {name: whole(row[name]) for name in NUMBERS}
    words = {name: str(row[name]) for name in ("chute", "profile", "status")}
    return {"name": parts.file_name(str(row["name"])), **words, **numbers}
