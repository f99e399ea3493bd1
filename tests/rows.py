"""Read bytes with a profile, for the tests of the readers; every line is counted."""

import io
from typing import NamedTuple

from loganalyzer.profile import Profile, parse_profile
from loganalyzer.readers import READERS


class Told(NamedTuple):
    """What a reader made of an export, whatever its blocks were."""

    records: list[dict]
    rejects: list[tuple[int, str, str]]
    lines: int
    ignored: int

    def column(self, name: str) -> list[str | None]:
        return [record[name] for record in self.records]

    def reasons(self) -> list[tuple[int, str]]:
        return [(line, reason) for line, reason, _ in self.rejects]


def delimited(columns: list[str] | None = None, delimiter: str = ";", more: str = "") -> Profile:
    """A profile of rows whose first column is the time and all others the event."""
    named = f"header = false\ncolumns = {columns}" if columns else "header = true"
    used = columns or ["t", "a", "b"]
    event = f"event = {used[1:]}" if used[1:] else ""
    return parse_profile(
        f'name = "rows"\nlayout = "delimited"\n{more}\n'
        f"[delimited]\ndelimiter = '{delimiter}'\n{named}\n"
        f"[columns]\ntime = {used[:1]}\n{event}\n"
        '[time]\nformat = "iso"\n',
        "rows.toml",
    )


def told(data: bytes, profile: Profile, size: int = 1 << 20) -> Told:
    """Read an export in blocks of `size` bytes; the accounts are checked batch by batch."""
    batches = list(READERS[profile.layout](io.BytesIO(data), profile, "log.csv", size=size))
    for batch in batches:
        lines = set(batch.records["line"].to_pylist())
        assert batch.lines == len(lines) + batch.rejects.num_rows + batch.ignored
        assert batch.raw(batch.records["line"].combine_chunks()).null_count == 0
    records = [record for batch in batches for record in batch.records.to_pylist()]
    rejects = [tuple(row.values()) for batch in batches for row in batch.rejects.to_pylist()]
    return Told(
        records, sorted(rejects), sum(b.lines for b in batches), sum(b.ignored for b in batches)
    )
