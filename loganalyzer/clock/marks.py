"""How far a time can be trusted, as small codes: the lower, the worse; the worst one stands."""

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from loganalyzer.tables import CLOCK_MARKS, TEXT

Codes = NDArray[np.int8]

UNANCHORED, STEP, DRIFT, FOLD, GAP, SAMPLED, EXACT = range(len(CLOCK_MARKS))


def mark_array(codes: Codes) -> pa.DictionaryArray:
    """Codes of marks → the column `mark` (dictionary of string)."""
    words = pa.array(CLOCK_MARKS, pa.string())
    return pa.DictionaryArray.from_arrays(pa.array(codes.astype(np.int32)), words).cast(TEXT)


def mark_codes(marks: pa.Array | pa.ChunkedArray) -> Codes:
    """The column `mark`, whatever the order of its dictionary → codes; null is exact."""
    if isinstance(marks, pa.ChunkedArray):
        parts = [mark_codes(chunk) for chunk in marks.chunks]
        return np.concatenate(parts) if parts else np.empty(0, np.int8)
    if not pa.types.is_dictionary(marks.type):
        marks = marks.dictionary_encode()
    words = marks.dictionary.to_pylist()
    lookup = np.array([*(CLOCK_MARKS.index(word) for word in words), EXACT], np.int8)
    indices = marks.indices.fill_null(len(words)).to_numpy(zero_copy_only=False)
    codes: Codes = lookup[indices]
    return codes
