"""Written wall clock → UTC, for any time zone, the repeated and the missing hour included."""

from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loganalyzer.tables import CLOCK_MARKS, TEXT

Int64s = NDArray[np.int64]
Codes = NDArray[np.int8]

# Stands in `offset_us` where a stamp carries no offset of its own.
NO_OFFSET: Final = int(np.iinfo(np.int64).min)
UNANCHORED, STEP, DRIFT, FOLD, GAP, SAMPLED, EXACT = range(len(CLOCK_MARKS))


class ZoneClock:
    """The clock of one zone, reading one sequence of written times in file order."""

    def __init__(self, zone: str) -> None:
        """Take "utc", "offset" (every stamp carries its own) or an IANA name."""
        self.zone = zone

    def to_utc(
        self, written: Int64s, offset_us: Int64s | None = None, sets_us: Int64s | None = None
    ) -> tuple[Int64s, Codes]:
        """The next block of the sequence in UTC.

        Args:
            written: Wall clock as written, µs since 1970-01-01 00:00, in file order.
            offset_us: Offset that the stamp itself carries (local - UTC, µs), NO_OFFSET where
                none; an offset is certain and is honoured whatever the zone.
            sets_us: µs added to the clock at this row (`clock_sets` of a READING block), 0
                elsewhere: a set inside the repeated hour is then not taken for its second pass.

        Returns:
            UTC µs, and the codes of the marks (index into CLOCK_MARKS): EXACT, FOLD or GAP.
        """
        raise NotImplementedError


def mark_array(codes: Codes) -> pa.DictionaryArray:
    """Codes of marks → the column `mark` (dictionary of string)."""
    return pa.DictionaryArray.from_arrays(
        pa.array(codes.astype(np.int32)), pa.array(CLOCK_MARKS, pa.string())
    ).cast(TEXT)


def mark_codes(marks: pa.Array | pa.ChunkedArray) -> Codes:
    """The column `mark`, whatever the order of its dictionary → codes (index into CLOCK_MARKS)."""
    raise NotImplementedError
