"""Very many sites: a list to search, sort and page through, with what stands out at each.

It reads what is kept of the sites, so that a thousand take no longer than one; which part of the
list is shown stands in the address.
"""

import threading
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Self
from urllib.parse import parse_qs, urlencode

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboards import parts
from dashboards.data import Data
from dashboards.pages.choice import Choice
from dashboards.pages.view import duration, whole
from dashboards.spoken import language_of, spoken
from loganalyzer.errors import AnalyzerError
from loganalyzer.kept import phrases
from loganalyzer.kept.names import key_of
from loganalyzer.kept.shards import gathered
from loganalyzer.kept.told import table_of
from loganalyzer.language import phrase
from loganalyzer.sentences import count, listed, things
from loganalyzer.views.summary import QUIET

SHOWN = 25  # sites on a page
PEOPLE = {"manager": "For the manager", "technician": "For the technician",
          "coordinator": "For the coordinator"}  # fmt: skip
COLUMNS = {"site": "Site", "chutes": "Chutes", "log": "Log, local days", "ends": "Ends",
           "lines": "Lines", "rejected": "Rejected", "loud": "Findings", **PEOPLE}  # fmt: skip
ORDERS = {"findings": "Most findings first", "ends": "Log ends earliest first",
          "rejected": "Most rejected lines first", "name": "By name"}  # fmt: skip
NOT_KEPT = "not analysed yet"


@dataclass(frozen=True)
class Asked:
    """Which part of the list an address asks for.

    Attributes:
        find: A part of a site's name or id.
        by: One of `ORDERS`.
        page: From 1.
        lang: A language, as the other pages take it.
    """

    find: str = ""
    by: str = "findings"
    page: int = 1
    lang: str | None = None

    @classmethod
    def of(cls, search: str | None) -> Self:
        """Read it; what cannot be is left out."""
        said = {key: values[-1] for key, values in parse_qs((search or "").lstrip("?")).items()}
        page, by = said.get("page", "1"), said.get("by", "")
        return cls(
            said.get("find", ""), by if by in ORDERS else "findings",
            int(page) if page.isascii() and page.isdecimal() and len(page) < 7 else 1,
            said.get("lang"),
        )  # fmt: skip

    def search(self) -> str:
        """Write it; empty where nothing is chosen."""
        by, page = self.by if self.by != "findings" else "", str(self.page)
        said = {"find": self.find, "by": by, "page": page if self.page > 1 else "",
                "lang": self.lang}  # fmt: skip
        query = urlencode({key: value for key, value in said.items() if value})
        return f"?{query}" if query else ""


class Glances:
    """One row a site that may be seen, made again when the store, or what is kept, changed."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._of: tuple[Any, pd.DataFrame] = (None, pd.DataFrame())

    def table(self, data: Data) -> pd.DataFrame:
        """Of all sites of the store, whoever asks: `site`, `name`, `chutes`, …, `kept`."""
        named = data.whole.root()["sites"]
        state = frozenset(key_of(manifest) for manifest in named.values())
        with self._lock:
            held, table = self._of
        if held == state:
            return table
        table = glances(data, named)
        if table["kept"].all():  # else somebody may be working them out
            with self._lock:
                self._of = (state, table)
        return table


def glances(data: Data, named: Mapping[str, str]) -> pd.DataFrame:
    """One row a site: the columns of `glance`, `loud` (findings), the worst for each person."""
    told = gathered(data.whole, "told", columns=["site", "glance", "findings"]).table
    glance = table_of(told, "glance").to_pandas()
    found = table_of(told, "findings").select(["site", "who", "kind", "sentence"])
    loud = found.filter(pc.invert(pc.is_in(found["kind"], pa.array(QUIET))))
    rows = loud.to_pandas()
    first = rows.drop_duplicates(["site", "who"]).pivot(
        index="site", columns="who", values="sentence"
    )
    table = pd.DataFrame({"site": sorted(named)}).merge(glance, on="site", how="left")
    table = table.merge(rows.groupby("site").size().rename("loud"), on="site", how="left")
    table = table.merge(first.reindex(columns=list(PEOPLE)), on="site", how="left")
    kept = table["name"].notna()
    return table.assign(
        kept=kept, name=table["name"].fillna(table["site"]),
        loud=table["loud"].fillna(0).astype("Int64").where(kept),
    )  # fmt: skip


def section(asked: Asked) -> html.Section:
    """The place of the list, with its field and orders."""
    field = dcc.Input(id="find", type="search", value=asked.find, debounce=True, size="24")
    beside: list[parts.Cell] = [
        html.Label(["Part of a name", field]),
        html.Div(id="sites-said", **parts.aria(live="polite")),
        "For each person the finding that weighs most. Brackets: 95 % interval.",
        "Lines and rejects of all exports; a log that ends early misses an export.",
        parts.caution(),
    ]
    return parts.section("sites", "All sites", beside, html.Div(id="sites-listed"))


def listing(table: pd.DataFrame, asked: Asked) -> tuple[parts.Children, parts.Children]:
    """What is said of the list, with the links of its orders; and the part asked for."""
    found = _found(table, asked.find)
    ordered = _ordered(found, asked.by)
    pages = max(-(-len(ordered) // SHOWN), 1)
    page = min(max(asked.page, 1), pages)
    shown = ordered.iloc[(page - 1) * SHOWN : page * SHOWN]
    newest = table["last"].max()
    rows = [_row(row, newest, asked.lang) for row in shown.to_dict("records")]
    missing = int((~table["kept"]).sum())
    said: parts.Children = [html.P(phrase(
        "{n} of {sites}.", n=count(len(found)), sites=things(len(table), "site", "sites")
    ), className="said")]  # fmt: skip
    if missing:
        said.append(html.P(phrase(
            "{n} of {sites} not analysed yet: run loganalyzer analyze.", n=count(missing),
            sites=things(len(table), "site", "sites"),
        )))  # fmt: skip
    orders = [_link(name, replace(asked, by=by, page=1), by == asked.by)
              for by, name in ORDERS.items()]  # fmt: skip
    said.append(html.Nav(orders, className="choices", **parts.aria(label="Order")))
    if not rows:
        return said, [parts.nothing("No site has such a name.")]
    near = sorted({1, page - 1, page, page + 1, pages} & set(range(1, pages + 1)))
    turn = [_link(phrase("Page {n}", n=n), replace(asked, page=n), n == page) for n in near]
    listed_ = parts.table(COLUMNS, rows, ["lines", "rejected", "loud"], "Sites")
    nav = html.Nav(turn, className="choices", **parts.aria(label="Pages of the list"))
    return said, [listed_, *([nav] if pages > 1 else [])]


def register(app: Dash, data: Data) -> None:
    """The list follows the address, and the field writes itself into it."""
    kept = Glances()

    @app.callback(
        Output("sites-said", "children"),
        Output("sites-listed", "children"),
        Output("find", "value"),
        Input("address", "search"),
        Input("sites-listed", "id"),
        prevent_initial_call=False,
    )
    def _list(search: str | None, _: str) -> Any:
        asked = Asked.of(search)
        language = language_of(asked.lang)
        try:
            table = kept.table(data)
            mine = table[table["site"].isin(data.store.sites())]
            said, shown = listing(mine, asked)
        except AnalyzerError as error:
            said, shown = [], [parts.nothing(str(error))]
        return spoken(said, language), spoken(shown, language), asked.find

    @app.callback(
        Output("address", "search", allow_duplicate=True),
        Input("find", "value"),
        State("address", "search"),
        prevent_initial_call=True,
    )
    def _find(value: str | None, search: str | None) -> Any:
        asked = Asked.of(search)
        wanted = (value or "").strip()
        return no_update if wanted == asked.find else replace(asked, find=wanted, page=1).search()


def _found(table: pd.DataFrame, find: str) -> pd.DataFrame:
    if not find:
        return table
    part = find.casefold()
    hit = [part in f"{name} {site}".casefold() for name, site in
           zip(table["name"], table["site"], strict=True)]  # fmt: skip
    return table[hit]


def _ordered(table: pd.DataFrame, by: str) -> pd.DataFrame:
    named = table.assign(order=table["name"].str.casefold())
    if by == "name":
        return named.sort_values(["order", "site"])
    if by == "ends":
        return named.sort_values(["last", "order", "site"], na_position="first")
    column = "loud" if by == "findings" else by
    return named.sort_values([column, "order", "site"], ascending=[False, True, True],
                             na_position="first")  # fmt: skip


def _row(
    row: Mapping[Hashable, Any], newest: pd.Timestamp, lang: str | None
) -> dict[str, parts.Cell]:
    tail = Choice(lang=lang).search()
    link = dcc.Link(str(row["name"]), href=f"/site/{row['site']}{tail}")
    if not row["kept"]:
        return {"site": link, **dict.fromkeys(PEOPLE, phrase(NOT_KEPT))}
    data = f"/site/{row['site']}/data{tail}"
    return {
        "site": link, "chutes": listed([str(chute) for chute in row["chutes"]]),
        "log": _log(row), "ends": _ends(row, newest),
        "lines": parts.door(whole(row["lines"]), data),
        "rejected": parts.door(whole(row["rejected"]), data), "loud": whole(row["loud"]),
        **{who: phrases.read(row[who]) if isinstance(row[who], str)
           else phrase("Nothing that asks for action.") for who in PEOPLE},
    }  # fmt: skip


def _log(row: Mapping[Hashable, Any]) -> str:
    if pd.isna(row["first"]):
        return phrase("no time that can be trusted")
    return phrase(
        "{from_day:%Y-%m-%d} to {to_day:%Y-%m-%d}",
        from_day=row["first"].tz_convert(row["time_zone"]),
        to_day=row["last"].tz_convert(row["time_zone"]),
    )


def _ends(row: Mapping[Hashable, Any], newest: pd.Timestamp) -> str | None:
    if pd.isna(row["last"]):
        return None
    behind = (newest - row["last"]).total_seconds()
    if behind > 86_400:
        return phrase("{duration} before the latest", duration=duration(behind))
    return phrase("with the latest")


def _link(name: str, asked: Asked, chosen: bool) -> dcc.Link:
    return dcc.Link(
        [name, parts.unseen(" (shown)")] if chosen else name, href=f"/{asked.search()}",
        className="chosen" if chosen else "",
    )  # fmt: skip
