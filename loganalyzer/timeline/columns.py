"""Arrow columns as numpy arrays, nulls told apart."""

import numpy as np
import numpy.typing as npt
import pyarrow as pa

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
NOTHING = np.iinfo(np.int64).min


def numbers(column: pa.ChunkedArray) -> Ints:
    """A column of numbers as int64, null as the smallest; float64 by its bits."""
    if pa.types.is_floating(column.type):
        floats = np.asarray(column.fill_null(float("nan")).to_numpy(), np.float64)
        return floats.view(np.int64)
    return np.asarray(column.cast(pa.int64()).fill_null(NOTHING).to_numpy(), np.int64)


def flags(column: pa.ChunkedArray) -> Flags:
    """A bool column without nulls."""
    return np.asarray(column.to_numpy(), np.bool_)


def codes(column: pa.ChunkedArray) -> Ints:
    """A text column as the numbers of its dictionary; null is -1."""
    flat = column.combine_chunks()
    flat = flat if pa.types.is_dictionary(flat.type) else flat.dictionary_encode()
    if isinstance(flat, pa.ChunkedArray):
        flat = flat.unify_dictionaries().combine_chunks()
    return np.asarray(flat.indices.fill_null(-1).to_numpy(zero_copy_only=False), np.int64)
