"""What is kept of one site besides its roll-ups: numbers, findings, standings. One row a site.

Each table of a site is a list in the site's row, so that the sites of a shard are a file of a few
rows, and one column of it is that table of all of them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from loganalyzer.kept import phrases
from loganalyzer.site import Site
from loganalyzer.tables import TABLES, UTC
from loganalyzer.views import Analysis, Finding, Summary
from loganalyzer.views.pictures import HEADLINE
from loganalyzer.views.portfolio import SIZES, STANDING, Portfolio, portfolio

TEXTS, LINES = pa.string(), pa.list_(pa.string())
_CHUTE = [("site", TEXTS), ("chute", TEXTS)]
_COUNTS = [name for name in HEADLINE if name in (
    "events", "cycles", "visits", "served", "gave_up", "locked_out", "refusals", "lockouts",
    "lockout_episodes", "incidents", "ongoing",
)]  # fmt: skip


def _typed(names: Sequence[str], special: Mapping[str, pa.DataType]) -> pa.StructType:
    texts = ("site", "chute", "floor", "reason", "question", "part", "profile", "kind", "who")
    return pa.struct(
        [(name, special.get(name, TEXTS if name in texts else pa.float64())) for name in names]
    )


def _flat(schema: pa.Schema) -> pa.StructType:
    return pa.struct(
        [(f.name, f.type.value_type if pa.types.is_dictionary(f.type) else f.type) for f in schema]
    )


FINDING = [
    "who", "site", "chute", "floor", "kind", "sentence", "value", "low", "high", "n", "evidence",
]  # fmt: skip
# Each table of a site, and what a row of it is.
HELD: dict[str, pa.StructType] = {
    "glance": pa.struct([
        ("site", TEXTS), ("name", TEXTS), ("time_zone", TEXTS), ("chutes", LINES),
        ("exports", pa.int64()), ("lines", pa.int64()), ("rejected", pa.int64()),
        ("first", UTC), ("last", UTC), ("kept_from", UTC), ("hidden_floors", pa.int64()),
    ]),
    "headline": _typed(HEADLINE, {"first": UTC, "last": UTC, **dict.fromkeys(_COUNTS, pa.int64())}),
    "findings": _typed(FINDING, {"sentence": TEXTS, "n": pa.int64(), "evidence": LINES}),
    "standings": _typed(STANDING, {"n": pa.int64(), "evidence": LINES}),
    "suspects": _flat(TABLES["suspects"]),
    "doors": _typed(["site", "chute", "floor", "profile"], {}),
    "sizes": _typed(SIZES, {"kinds": LINES, "units": pa.int64()}),
}  # fmt: skip
TOLD = pa.schema([("site", TEXTS), *((name, pa.list_(row)) for name, row in HELD.items())])


PORTFOLIO = ("standings", "suspects", "doors", "sizes")  # what `portfolio_of` reads


@dataclass(frozen=True)
class Glance:
    """What the ledger and the site file say of a site, for a line of a list.

    Attributes:
        imports: The table of that name, of the site.
        kept_from: From when on detail is kept, null: from the beginning.
        hidden: How many floors are hidden from a manager.
    """

    site: Site
    imports: pd.DataFrame
    kept_from: pd.Timestamp | None
    hidden: int

    def row(self) -> dict[str, Any]:
        """As a row of `glance`."""
        ledger = self.imports
        return {
            "site": self.site.id, "name": self.site.name, "time_zone": self.site.time_zone,
            "chutes": [chute.id for chute in self.site.chutes], "exports": len(ledger),
            "lines": int(ledger["lines"].sum()), "rejected": int(ledger["rejected"].sum()),
            "first": _value(ledger["first"].min()), "last": _value(ledger["last"].max()),
            "kept_from": _value(self.kept_from), "hidden_floors": self.hidden,
        }  # fmt: skip


def told_row(analysis: Analysis, told: Summary, glance: Glance) -> pa.Table:
    """The row of a site."""
    of = portfolio([analysis])
    tables = {
        "headline": _rows(told.headline[HEADLINE]),
        "standings": _rows(of.standings), "suspects": _rows(of.suspects),
        "doors": _rows(of.doors), "sizes": _rows(of.sizes),
        "findings": [_finding(one) for one in told.findings], "glance": [glance.row()],
    }  # fmt: skip
    site = {"site": glance.site.id}
    return pa.Table.from_pylist([site | {name: tables[name] for name in HELD}], TOLD)


def table_of(told: pa.Table, name: str) -> pa.Table:
    """One of the tables of `HELD`, of all rows, one site after the other."""
    column = told[name].combine_chunks()
    flat = column.flatten()
    return pa.table(
        [flat.field(i) for i in range(flat.type.num_fields)],
        names=[field.name for field in flat.type],
    )


def portfolio_of(told: pa.Table) -> Portfolio:
    """What `views.portfolio` looks at, from kept rows."""
    standings, suspects, doors, sizes = (
        table_of(told, name).to_pandas(integer_object_nulls=True) for name in PORTFOLIO
    )
    return Portfolio(
        standings.assign(evidence=[list(lines) for lines in standings["evidence"]]),
        suspects, doors, sizes.assign(kinds=[list(kinds) for kinds in sizes["kinds"]]),
    )  # fmt: skip


def headline_of(told: pa.Table) -> pd.DataFrame:
    """The table `headline`, counts as `views.headline` has them."""
    counts = {pa.int64(): pd.Int64Dtype()}.get
    frame: pd.DataFrame = table_of(told, "headline").to_pandas(types_mapper=counts)
    return frame


def findings_of(rows: pa.Table) -> tuple[Finding, ...]:
    """Findings from rows of the table `findings`."""
    found = []
    for row in rows.to_pylist():
        row["sentence"] = phrases.read(row["sentence"])
        found.append(Finding(**{**row, "evidence": tuple(row["evidence"])}))
    return tuple(found)


def found_rows(findings: pd.DataFrame) -> list[dict[str, Any]]:
    """Kept findings as JSON knows them."""
    told = findings[FINDING].to_dict("records")
    return [
        {str(name): _value(value) for name, value in row.items()}
        | {"sentence": str(phrases.read(row["sentence"])), "evidence": list(row["evidence"])}
        for row in told
    ]


def _finding(one: Finding) -> dict[str, Any]:
    values = {name: getattr(one, name) for name in FINDING}
    return {name: _value(value) for name, value in values.items()} | {
        "sentence": phrases.written(one.sentence), "evidence": list(one.evidence),
    }  # fmt: skip


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(name): _value(value) for name, value in row.items()}
        for row in table.to_dict("records")
    ]


def _value(value: Any) -> Any:
    if isinstance(value, list | tuple | np.ndarray):
        return list(value)
    if value is None or pd.isna(value):
        return None
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime(warn=False)
    return value.item() if hasattr(value, "item") else value
