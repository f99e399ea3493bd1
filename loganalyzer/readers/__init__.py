"""Bytes of an export → batches of records: one module a layout, listed here."""

from collections.abc import Iterator, Mapping
from typing import BinaryIO, Protocol

from loganalyzer.profile import Profile
from loganalyzer.readers import delimited, fixed, json_lines, lines, samples, sheet, syslog
from loganalyzer.readers.records import Batch


class Reader(Protocol):
    """Reads an export of one layout: unpacked bytes, the profile, the export's name."""

    def __call__(self, stream: BinaryIO, profile: Profile, name: str) -> Iterator[Batch]:
        """Batches in file order; a bad line is a reject, a bad file an InputError."""


READERS: Mapping[str, Reader] = {
    "delimited": delimited.read,
    "lines": lines.read,
    "syslog": syslog.read,
    "json": json_lines.read,
    "fixed": fixed.read,
    "samples": samples.read,
    "sheet": sheet.read,
}
