"""Layout `syslog`: messages with a header by RFC 5424 or RFC 3164; one line a message.

Columns offered: stamp, host, app, msgid, text, and every structured-data parameter by its name.
A line whose header fits neither is content alone, as a relay would take it (RFC 3164 section
4.3.3): it has a text and no stamp. Beyond the RFCs a header may lack its PRI, as files often do,
and a header by RFC 3164 may have an RFC 3339 stamp.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from typing import BinaryIO

import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.profile import Profile
from loganalyzer.readers.accounts import line_batch
from loganalyzer.readers.blocks import BLOCK_BYTES, Block, blocks, kept_lines
from loganalyzer.readers.records import Batch
from loganalyzer.readers.structured import PARAMETERS, parameter
from loganalyzer.readers.templates import Matcher

ISO = r"\d{4}-\d\d-\d\dT\S+"
# "Oct 11 22:14:15", "Oct  1 22:14:15"
BSD = r"(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) {1,2}\d{1,2} \d\d:\d\d:\d\d"
# A nil value ("-") leaves its group out; so does what a line does not have.
RFC5424 = (
    rf"(?P<version>\d{{1,3}}) (?:-|(?P<stamp5>{ISO})) (?:-|(?P<host5>\S+)) (?:-|(?P<app5>\S+))"
    rf" \S+ (?:-|(?P<msgid5>\S+)) (?:-|(?P<data>{PARAMETERS}))(?: \ufeff?|$)(?P<text5>.*)"
)
RFC3164 = (
    rf"(?P<stamp3>{BSD}|{ISO}) (?P<host3>\S+)"
    r" (?:(?P<app3>[^\s:\[\]]{1,48})(?:\[[^\]\s]*\]:?|:)(?: |$))?(?P<text3>.*)"
)
MESSAGE = re.compile(rf"^(?:<(?P<pri>\d{{1,3}})>)?(?:{RFC5424}|{RFC3164}|(?P<text0>.*))$")
PARTS = {
    "stamp": ("stamp5", "stamp3"), "host": ("host5", "host3"), "app": ("app5", "app3"),
    "msgid": ("msgid5",), "text": ("text5", "text3", "text0"),
}  # fmt: skip
GOOD_PRI = r"^(?:\d|[1-9]\d|1[0-8]\d|19[01])$"
GOOD_VERSION = r"^[1-9]\d*$"


def read(
    stream: BinaryIO, profile: Profile, name: str, *, size: int = BLOCK_BYTES
) -> Iterator[Batch]:
    """Read an export of this layout; only the columns that the profile names are made.

    Args:
        stream: The export's bytes, unpacked.
        profile: Its `columns` say what is wanted.
        name: The export's name, for messages.
        size: Bytes read at a time. No result depends on it.

    Raises:
        InputError: The content is binary.
        ProfileError: The encoding is unknown.

    Source: RFC 5424 section 6, RFC 3164 section 4.
    """
    wanted = _wanted(profile)
    message = Matcher(MESSAGE, wanted=("pri", "version", *_groups(wanted)))
    parameters = {column: parameter(column) for column in wanted if column not in PARTS}
    for block in kept_lines(blocks(stream, profile.encoding, name, size=size), profile.skip_lines):
        found = message.match(block.data, block.starts, block.ends)
        header = {
            column: _first(found.columns, PARTS[column]) for column in wanted if column in PARTS
        }
        data = {
            column: _parameter(found.columns["data"], find) for column, find in parameters.items()
        }
        columns = _without_bad_headers(block, found.columns, header | data)
        yield line_batch(block, found.status, columns, {})


def _wanted(profile: Profile) -> tuple[str, ...]:
    """The columns that the profile names, each once."""
    named = profile.columns
    single = (named.floor, named.stream, named.code, named.value, named.chute, named.order)
    return tuple(dict.fromkeys(name for name in (*named.time, *named.event, *single) if name))


def _groups(wanted: tuple[str, ...]) -> list[str]:
    groups = [group for column in PARTS if column in wanted for group in PARTS[column]]
    return groups if set(wanted) <= PARTS.keys() else [*groups, "data"]


def _first(found: Mapping[str, pa.Array], groups: tuple[str, ...]) -> pa.Array:
    """The one group that took part in each line."""
    some = [found[group] for group in groups if found[group].null_count < len(found[group])]
    if len(some) < 2:
        return some[0] if some else found[groups[0]]
    return pc.coalesce(*(words.cast(pa.string()) for words in some))


def _parameter(data: pa.Array, find: Callable[[pa.Array], pa.Array]) -> pa.Array:
    """A parameter's value in every line, looked for once in each distinct structured data."""
    each = data if pa.types.is_dictionary(data.type) else data.dictionary_encode()
    values = find(each.dictionary)
    return values.take(each.indices)


def _without_bad_headers(
    block: Block, found: Mapping[str, pa.Array], columns: dict[str, pa.Array]
) -> dict[str, pa.Array]:
    """Lines with an impossible PRI or version are content alone: the whole line is the text."""
    bad = pc.or_(_unlike(found["pri"], GOOD_PRI), _unlike(found["version"], GOOD_VERSION))
    if not pc.any(bad).as_py():
        return columns
    plain = {
        name: pc.if_else(bad, None, words.cast(pa.string())) for name, words in columns.items()
    }
    if "text" in plain:
        plain["text"] = pc.if_else(bad, block.strings(), plain["text"])
    return plain


def _unlike(words: pa.Array, pattern: str) -> pa.Array:
    """Which words are there and do not fit a pattern; each distinct word is tried once."""
    each = words if pa.types.is_dictionary(words.type) else words.dictionary_encode()
    unlike = pc.invert(pc.match_substring_regex(each.dictionary, pattern))
    return unlike.take(each.indices).fill_null(False)
