"""What many sites are asked, from what is kept of them: numbers, findings, the worst of all."""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.errors import AnalyzerError
from loganalyzer.facts import CHUTE
from loganalyzer.kept import phrases
from loganalyzer.kept.days import DAYS
from loganalyzer.kept.making import kept_of_site
from loganalyzer.kept.shards import Gathered, gathered
from loganalyzer.kept.told import headline_of, table_of
from loganalyzer.stats import wilson
from loganalyzer.store import Store
from loganalyzer.tables import AUDIENCES
from loganalyzer.views.many import worst_of_kinds

FEW = 12  # so many sites are worked out for somebody who asks; for more, `analyze` is to be run
_PERIOD = {
    "cycles": "cycles", "visits": "visits", "served": "served", "gave_up": "gave_up",
    "locked_out": "locked_out", "refusals": "refusals", "lockouts": "lockouts",
    "lockout_episodes": "lockout_episodes",
}  # fmt: skip


@dataclass(frozen=True)
class Many:
    """Many sites.

    Attributes:
        names: Site → its name, of those that are told of.
        headline: The table of that name, or sums of a period in the same columns.
        findings: The table `told.HELD` calls so, with `place`; null: a period.
        missing: The sites of which nothing is kept.
    """

    names: Mapping[str, str]
    headline: pd.DataFrame
    findings: pd.DataFrame | None
    missing: tuple[str, ...]

    def worst(self) -> dict[str, list[tuple[str, int, int, str]]] | None:
        """For each person and kind: site, number of sites, of findings, and a sentence."""
        if self.findings is None:
            return None
        return {
            who: [
                (
                    row["site"],
                    int(row["sites"]),
                    int(row["findings"]),
                    phrases.read(row["sentence"]),
                )
                for row in worst_of_kinds(self.findings, who).to_dict("records")
            ]
            for who in AUDIENCES
        }


def told_of(store: Store, columns: Sequence[str]) -> Gathered:
    """Tables of all sites; those of a few sites that are not kept are worked out, and then kept.

    Args:
        store: All of it.
        columns: Keys of `told.HELD`.
    """
    names = ["site", *columns]
    found = gathered(store, "told", columns=names)
    if not 0 < len(found.missing) <= FEW:
        return found
    for site in found.missing:
        with suppress(AnalyzerError):  # stays among the missing, and `analyze` says why
            kept_of_site(store.path, site)
    return gathered(store, "told", columns=names)


def many(store: Store) -> Many:
    """All sites, the whole log of each."""
    found = told_of(store, ["glance", "headline", "findings"])
    table = table_of(found.table, "findings")
    findings = table.to_pandas()
    places = findings.groupby("site").cumcount()
    return Many(
        _names(found.table), headline_of(found.table), findings.assign(place=places), found.missing
    )


def many_of_period(store: Store, start: str | None, end: str | None) -> Many:
    """All sites, the sums of the local days of a period.

    Args:
        store: All of it.
        start: A date or time (ISO): from its day on, null from the first.
        end: Up to and with the day of this one, null to the last.
    """
    told = told_of(store, ["glance"])
    columns = ["site", "chute", "day", "covered_s", *_PERIOD]
    found = gathered(store, "days", columns=columns)
    table = found.table
    if start is not None:
        table = table.filter(pc.greater_equal(table["day"], _day(start)))
    if end is not None:
        table = table.filter(pc.less_equal(table["day"], _day(end)))
    names = _names(told.table)
    return Many(names, _sums(table), None, tuple(sorted({*told.missing, *found.missing})))


def _sums(table: pa.Table) -> pd.DataFrame:
    for name in CHUTE:
        at = table.schema.get_field_index(name)
        table = table.set_column(at, name, table[name].cast(pa.string()))
    some = pc.ScalarAggregateOptions(skip_nulls=True, min_count=1)
    sums = table.group_by(CHUTE).aggregate(
        [("day", "min"), ("day", "max"), *((name, "sum", some) for name in ("covered_s", *_PERIOD))]
    )
    counts = {pa.int64(): pd.Int64Dtype()}.get
    frame = sums.to_pandas(types_mapper=counts).rename(
        columns={f"{name}_sum": name for name in ("covered_s", *_PERIOD)}
        | {"day_min": "first", "day_max": "last"}
    )
    judged = frame[["served", "gave_up", "locked_out"]].sum(axis=1).astype("float64")
    low, high = wilson(frame["served"], judged.where(judged > 0))
    share = frame["served"].astype("float64") / judged.where(judged > 0)
    found: pd.DataFrame = frame.assign(served_share=share, low=low, high=high)
    return found.sort_values(CHUTE, ignore_index=True)


def _names(told: pa.Table) -> dict[str, str]:
    glance = table_of(told, "glance")
    return dict(zip(glance["site"].to_pylist(), glance["name"].to_pylist(), strict=True))


def _day(text: str) -> pa.Scalar:
    return pa.scalar(date.fromisoformat(text[:10]), DAYS.field("day").type)
