"""Which columns a profile uses, whether an export has them, and their values without blanks."""

import difflib
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from loganalyzer.errors import InputError
from loganalyzer.profile import Columns

CODED = pa.dictionary(pa.int32(), pa.string())


def used_columns(columns: Columns) -> dict[str, pa.DataType]:
    """The columns that a profile names, each once, with the type that suits what they carry.

    Labels and texts come back again and again, so they are dictionaries; stamps, values and
    counters rarely do, so they are plain strings.
    """
    coded = (*columns.event, columns.floor, columns.stream, columns.code, columns.chute)
    plain = (*columns.time, columns.value, columns.order)
    types = {name: CODED for name in coded if name is not None}
    return types | {name: pa.string() for name in plain if name is not None}


def places(names: Sequence[str], header: Sequence[str], where: str) -> dict[str, int]:
    """Where in the header each of these columns stands.

    Args:
        names: Columns that the profile uses.
        header: The export's columns, in order.
        where: The export's name, for messages.

    Raises:
        InputError: The header lacks one of them, or has it twice.
    """
    for name in names:
        if name not in header:
            near = difflib.get_close_matches(name, header, 1, 0.5)
            hint = f'The nearest is "{near[0]}"; name' if near else "Name"
            raise InputError(
                where, f'no column "{name}" in the header', f"one of {_listed(header)}",
                f"{hint} the right column in the profile, or take another profile",
            )  # fmt: skip
        if list(header).count(name) > 1:
            raise InputError(
                where, f'the column "{name}" {list(header).count(name)} times in the header',
                "it once", "Name the columns by header = false and columns = [...] in the profile",
            )  # fmt: skip
    return {name: list(header).index(name) for name in names}


def _listed(header: Sequence[str]) -> str:
    shown = ", ".join(f'"{name}"' for name in header[:12])
    return shown + (f" and {len(header) - 12} more" if len(header) > 12 else "")


def coded_texts(numbers: npt.NDArray[np.int64], text: Callable[[int], str]) -> pa.DictionaryArray:
    """A text for each number, made once for each distinct one."""
    distinct, codes = np.unique(numbers, return_inverse=True)
    words = pa.array([text(number) for number in distinct.tolist()], pa.string())
    return pa.DictionaryArray.from_arrays(pa.array(codes, pa.int32()), words)


def trimmed(values: pa.Array) -> pa.Array:
    """The values without blanks around them; what is nothing but blanks becomes null.

    Args:
        values: Strings, or a dictionary of strings.
    """
    if pa.types.is_dictionary(values.type):
        return _trimmed_dictionary(values)
    return values if not _has_blanks(values) else _trimmed_strings(values)


def _trimmed_strings(values: pa.Array) -> pa.Array:
    short = pc.utf8_trim_whitespace(values)
    return pc.if_else(pc.equal(short, ""), pa.scalar(None, short.type), short)


def _trimmed_dictionary(values: pa.DictionaryArray) -> pa.DictionaryArray:
    if not _has_blanks(values.dictionary):
        return values
    # Two spellings may come together, so each old code is led to the code of its trimmed text.
    unique = _trimmed_strings(values.dictionary).dictionary_encode()
    codes = unique.indices.take(values.indices)
    return pa.DictionaryArray.from_arrays(codes, unique.dictionary)


def _has_blanks(values: pa.Array) -> bool:
    """Whether a value is empty, or begins or ends with a byte that may be white space."""
    offsets = string_offsets(values)
    if len(offsets) < 2:
        return False
    if values.null_count == 0 and not (offsets[1:] > offsets[:-1]).all():
        return True
    buffer = values.buffers()[2]
    data = np.frombuffer(buffer, np.uint8) if buffer else np.zeros(0, np.uint8)
    full = offsets[1:] > offsets[:-1]
    first = data[offsets[:-1] if full.all() else offsets[:-1][full]]
    last = data[(offsets[1:] if full.all() else offsets[1:][full]) - 1]
    # Bytes over 127 may be a blank of another script, U+00A0 among them.
    return bool(((first <= 32) | (first > 127) | (last <= 32) | (last > 127)).any())


def string_offsets(values: pa.Array) -> npt.NDArray[np.int32]:
    """Offsets of a string array's values in its data buffer (one more than values)."""
    every = np.frombuffer(values.buffers()[1] or b"", np.int32)
    return every[values.offset : values.offset + len(values) + 1]
