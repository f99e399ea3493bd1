"""Layout `lines`: lines of text; the named groups of a pattern are the columns."""

from collections.abc import Iterator
from typing import BinaryIO

from loganalyzer.errors import ProfileError
from loganalyzer.patterns import Pattern
from loganalyzer.profile import Profile
from loganalyzer.readers.accounts import line_batch
from loganalyzer.readers.blocks import BLOCK_BYTES, blocks, kept_lines
from loganalyzer.readers.kinds import MISS, SLOW
from loganalyzer.readers.records import Batch
from loganalyzer.readers.templates import Matcher

REASONS = {MISS: "no match", SLOW: "pattern takes too long"}


def read(
    stream: BinaryIO, profile: Profile, name: str, *, size: int = BLOCK_BYTES
) -> Iterator[Batch]:
    """Read an export of this layout.

    A line in which one of `ignore` is found is page furniture, even if the pattern fits it too.

    Args:
        stream: The export's bytes, unpacked.
        profile: With a table `lines`.
        name: The export's name, for messages.
        size: Bytes read at a time. No result depends on it.

    Raises:
        InputError: The content is binary.
        ProfileError: The profile has no table `lines`, an unknown encoding, or a pattern that
            takes too long too often.
    """
    rule = profile.lines
    if rule is None:
        raise ProfileError(profile.file, "no table lines", "one", "Write [lines] with a pattern")
    matcher = Matcher(Pattern(rule.pattern), [Pattern(text) for text in rule.ignore])
    for block in kept_lines(blocks(stream, profile.encoding, name, size=size), profile.skip_lines):
        found = matcher.match(block.data, block.starts, block.ends)
        yield line_batch(block, found.status, found.columns, REASONS)
