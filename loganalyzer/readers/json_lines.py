"""Layout `json`: one object a line; a column is a dotted path in it.

Numbers keep the text they are written with (7, 7.50), `true` and `false` become theirs, `null`,
an object or a list is no value. Of equal keys the last one counts. A key that itself holds
dots is found too, and goes before a path of that name.

Lines that differ only in digits have their values in the same places; one of each kind is read
by Python's `json`, and the values are cut out of all. Where that could go wrong (escapes, digits
in keys), or nearly every line is a kind of its own, each distinct line is read.
"""

from collections.abc import Iterator
from typing import BinaryIO

from loganalyzer.errors import ProfileError
from loganalyzer.profile import Profile
from loganalyzer.readers.accounts import line_batch
from loganalyzer.readers.blocks import BLOCK_BYTES, blocks, kept_lines
from loganalyzer.readers.json_kinds import NO_OBJECT, NOT_JSON, JsonKinds
from loganalyzer.readers.records import Batch

REASONS = {NOT_JSON: "not JSON", NO_OBJECT: "not JSON: no object"}


def read(
    stream: BinaryIO, profile: Profile, name: str, *, size: int = BLOCK_BYTES
) -> Iterator[Batch]:
    """Read an export of this layout.

    Args:
        stream: The export's bytes, unpacked.
        profile: With a table `json`.
        name: The export's name, for messages.
        size: Bytes read at a time. No result depends on it.

    Raises:
        InputError: The content is binary.
        ProfileError: The profile has no table `json`, or an unknown encoding.
    """
    rule = profile.json_
    if rule is None:
        raise ProfileError(profile.file, "no table json", "one", "Write [json] with columns")
    kinds = JsonKinds(tuple(rule.columns.values()))
    for block in kept_lines(blocks(stream, profile.encoding, name, size=size), profile.skip_lines):
        status, values = kinds.read(block)
        yield line_batch(block, status, dict(zip(rule.columns, values, strict=True)), REASONS)
