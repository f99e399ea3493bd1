"""Stamps that are plain numbers: seconds or milliseconds since 1970 or since the power-on.

Digits, a sign and a fraction after a point or a comma; what lies outside the years 1 to 9999, or
an uptime of over 300 years, is no stamp (microseconds in a column of seconds, say).
"""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

SCALE_US = {"epoch_s": 1_000_000, "epoch_ms": 1_000, "uptime_s": 1_000_000}
_NUMBER = r"^\s*[+-]?\d+([.,]\d*)?\s*$"
_FIRST, _LAST = -62_135_596_800_000_000, 253_402_300_800_000_000  # years 1 and 10000, µs
_LONGEST_UPTIME = 10**16


def read_numbers(
    stamps: pa.StringArray, time_format: str
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Numbers as text → µs.

    Args:
        stamps: Strings without nulls.
        time_format: A key of SCALE_US.

    Returns:
        µs (0 where not read), and which rows were read.
    """
    numbers = _floats(stamps) * SCALE_US[time_format]
    low, high = (0, _LONGEST_UPTIME) if time_format == "uptime_s" else (_FIRST, _LAST)
    ok = (numbers >= low) & (numbers < high)  # NaN is neither
    return np.rint(np.where(ok, numbers, 0)).astype(np.int64), ok


def _floats(stamps: pa.StringArray) -> NDArray[np.float64]:
    """float64 keeps microseconds until the year 2242; NaN where the text is no number."""
    try:
        return np.asarray(pc.cast(stamps, pa.float64()).to_numpy(zero_copy_only=False))
    except pa.ArrowInvalid:
        good = pc.match_substring_regex(stamps, _NUMBER)
        plain = pc.replace_substring(pc.utf8_trim_whitespace(stamps), ",", ".")
        kept = pc.if_else(good, plain, pa.scalar(None, pa.string()))
        return np.asarray(pc.cast(kept, pa.float64()).to_numpy(zero_copy_only=False))
