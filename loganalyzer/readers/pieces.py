"""Pieces of a block of bytes as Arrow strings, without a loop over lines."""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

Bytes = np.ndarray  # uint8, UTF-8
Places = np.ndarray  # int64, offsets into Bytes


def pieces(data: Bytes, starts: Places, ends: Places, null: np.ndarray | None = None) -> pa.Array:
    """Cut pieces out of a block.

    Args:
        data: UTF-8.
        starts: Where each piece begins, any order.
        ends: Where it ends; not before its start, and both between characters.
        null: Where there is no piece (bool), or None if there is one everywhere.

    Returns:
        A string array, one a piece.
    """
    lengths = ends - starts
    if null is not None:
        lengths = np.where(null, 0, lengths)
    offsets = np.zeros(len(lengths) + 1, np.int32)
    np.cumsum(lengths, out=offsets[1:])
    if null is not None:
        starts, lengths = starts[~null], lengths[~null]
    return _array(_gather(data, starts, lengths, int(offsets[-1])), offsets, null)


def lines_array(data: bytes, starts: Places) -> pa.Array:
    r"""Lines as a string array, each with its ``\n``; no bytes are copied.

    Args:
        data: UTF-8 lines, each ended by ``\n``, nothing between them.
        starts: Where each line begins.
    """
    offsets = np.append(starts, len(data)).astype(np.int32)
    return _array(data, offsets, None)


def slices(
    data: bytes, starts: Places, begin: int, end: int, null: np.ndarray | None = None
) -> pa.Array:
    r"""The same place of every line, as strings.

    Args:
        data: UTF-8 lines, each ended by ``\n``, nothing between them; ASCII where some are null.
        starts: Where each line begins.
        begin: Bytes from the line's begin, between characters.
        end: The same; negative counts from behind the line feed.
        null: Lines that have no such place (bool), or None.
    """
    lines = lines_array(data, starts).view(pa.binary())
    found = pc.binary_slice(lines, begin, end)
    valid = None if null is None or not null.any() else _bits(~null)
    return pa.Array.from_buffers(pa.string(), len(found), [valid, *found.buffers()[1:]])


def _array(data: bytes | Bytes, offsets: np.ndarray, null: np.ndarray | None) -> pa.Array:
    valid = None if null is None or not null.any() else _bits(~null)
    buffers = [valid, pa.py_buffer(offsets), pa.py_buffer(data)]
    return pa.Array.from_buffers(pa.string(), len(offsets) - 1, buffers)


def _bits(valid: np.ndarray) -> pa.Buffer:
    return pa.py_buffer(np.packbits(valid, bitorder="little"))


def _gather(data: Bytes, starts: Places, lengths: np.ndarray, total: int) -> Bytes:
    """The bytes of all pieces one after another."""
    if total == 0:
        return np.zeros(0, np.uint8)
    width = int(lengths[0])
    if (lengths == width).all():  # stamps of one width: whole windows are copied at once
        whole: Bytes = np.lib.stride_tricks.sliding_window_view(data, width)[starts]
        return whole.reshape(-1)
    before = np.cumsum(lengths) - lengths
    shift = np.repeat((starts - before).astype(np.int32), lengths)
    shift += np.arange(total, dtype=np.int32)
    found: Bytes = np.take(data, shift, mode="clip")  # none is out of bounds: faster than to check
    return found
