"""Layout `delimited`: one row a record, fields between delimiters, quotes as in RFC 4180."""

from collections.abc import Iterator
from typing import BinaryIO

from loganalyzer.profile import Profile
from loganalyzer.readers.blocks import BLOCK_BYTES
from loganalyzer.readers.columns import used_columns
from loganalyzer.readers.records import Batch
from loganalyzer.readers.rows import read_rows


def read(
    stream: BinaryIO, profile: Profile, name: str, *, size: int = BLOCK_BYTES
) -> Iterator[Batch]:
    """Read an export of rows.

    Only the columns that the profile names are offered; fields are trimmed, an empty one is
    null. A line break within quotes is read as a line feed.

    Args:
        stream: The export's bytes, unpacked.
        profile: With `delimited`; `columns` says which are used.
        name: The export's name, for messages.
        size: Bytes a block. No result depends on it.

    Raises:
        InputError: Content binary; a column missing from the header or there twice.

    Source: RFC 4180 section 2 for quotes; the rest is ours (`quotes.py`).
    """
    used = used_columns(profile.columns)
    yield from read_rows(stream, profile, name, lambda header: used, size)
