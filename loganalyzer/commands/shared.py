"""What commands share: the choice of what to analyse, JSON, the reading of the clock."""

import argparse
import json
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from loganalyzer.answers import answer
from loganalyzer.errors import UsageError
from loganalyzer.store import Store
from loganalyzer.tables import AUDIENCES
from loganalyzer.views import Analysis, Summary

CAUTION = (
    "Figures in brackets are 95 % intervals. Before anyone acts on the equipment: lock out and\n"
    "tag out first. A log is no inspection; licensed people and local codes decide."
)


def answered(options: argparse.Namespace, store: Store) -> Analysis:
    """The analysis of what `--site`, `--chute`, `--from` and `--to` choose in a store."""
    return answer(store, options.site, options.chute, period(options))


def told(as_json: bool, as_dict: Callable[[], dict[str, Any]], as_text: Callable[[], str]) -> int:
    """Print a result as one JSON document or as text; only the one asked for is made."""
    if as_json:
        print_json(as_dict())
    else:
        print(as_text())
    return 0


def period(options: argparse.Namespace) -> tuple[str | None, str | None]:
    """`--from` and `--to` as written, once they are known to be times."""
    for flag, text in (("--from", options.start), ("--to", options.end)):
        try:
            datetime.fromisoformat(text or "2026-01-01")
        except ValueError:
            raise UsageError(
                flag, f"'{text}'", "a date or a time such as 2026-10-01 or 2026-10-01T07:30",
                "Write it so",
            ) from None  # fmt: skip
    return options.start, options.end


def findings(store: Store, told: Summary) -> str:
    """The findings, site by site and person by person."""
    blocks = []
    for name in store.sites():
        mine = [finding for finding in told.findings if finding.site == name]
        if mine:
            site = store.site(name)
            blocks.append("\n".join([f"{site.name} (times: {site.time_zone})", *kept(store, name)]))
        for who in AUDIENCES:
            said = [f"  - {finding.sentence}" for finding in mine if finding.who == who]
            if said:
                blocks.append("\n".join([f"  For the {who}", *said]))
    return "\n\n".join([*blocks, CAUTION])


def kept(store: Store, site: str) -> list[str]:
    """That the detail of a site is kept only from some day on, if so."""
    return [
        f"  Kept in detail from {start:%Y-%m-%d} on; of what is older, only monthly sums "
        "(loganalyzer export month_sums)."
        for start in store.kept_from(site).values()
    ]


def now() -> datetime:
    """The present; the one place that reads the clock."""
    return datetime.now(UTC)


def tell(line: str) -> None:
    """Say a line beside the result, on standard error."""
    print(line, file=sys.stderr)


def print_json(value: Any) -> None:
    """Print one JSON document; times as RFC 3339."""
    print(json.dumps(value, ensure_ascii=False, indent=2, default=_json))


def _json(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    return str(value)
