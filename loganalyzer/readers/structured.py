r"""Structured data of a syslog message: elements in brackets, with named parameters.

[chute@32473 door="7" stream="refuse"][extra@32473 note="a \"quoted\" word"]
"""

import re
from collections.abc import Callable

import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.readers.templates import Matcher, match_texts

NAME = r'[^ =\]"]+'
VALUE = r'(?:[^"\\]|\\.)*'
PARAMETER = rf' {NAME}="{VALUE}"'
PARAMETERS = rf"(?:\[{NAME}(?:{PARAMETER})*\])+"


def parameter(name: str) -> Callable[[pa.Array], pa.Array]:
    r"""What finds a parameter's value.

    Args:
        name: The parameter's name, in whichever element; the first one counts.

    Returns:
        A function: structured data as written (string array, nulls allowed) → the value of each
        (string array), null where it has no such parameter. Only ``\"``, ``\\`` and ``\]`` are
        escapes; a backslash before anything else stays.

    Source: RFC 5424 section 6.3.3.
    """
    before = rf"^(?:\[{NAME}(?:{PARAMETER})*\])*?\[{NAME}(?:{PARAMETER})*?"
    find = Matcher(re.compile(rf'{before} {re.escape(name)}="(?P<value>{VALUE})"'))

    def values(data: pa.Array) -> pa.Array:
        found = match_texts(find, data).columns["value"].cast(pa.string())
        return pc.replace_substring_regex(found, r'\\(["\\\]])', r"\1")

    return values
