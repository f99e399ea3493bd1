"""The lines behind a finding, as the controller wrote them, from the kept original."""

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np
import pyarrow as pa

from loganalyzer.profile import Profile, parse_profile
from loganalyzer.readers import READERS
from loganalyzer.readers.blocks import Block, blocks
from loganalyzer.store.disk import Find
from loganalyzer.store.manifest import Export


def lines(find: Find, export: Export, numbers: Iterable[int]) -> dict[int, str]:
    """Some lines of an export; reads no further than the last of them.

    Args:
        find: Where a file of the store is.
        export: Whose lines.
        numbers: Physical lines from 1, or rows of a sheet; those past the end are left out.
    """
    wanted = np.unique(np.fromiter(numbers, np.int64))
    wanted = wanted[wanted > 0]
    text = find(export.profile_text).read_text(encoding="utf-8")
    profile = parse_profile(text, export.profile)
    found: dict[int, str] = {}
    if not len(wanted):
        return found
    with original(find(export.original)) as stream:
        for last, part in _parts(stream, profile, export.name, wanted):
            found |= part
            if last >= wanted[-1]:
                break
    return found


def original(path: Path) -> BinaryIO:
    """An export's bytes from the kept file."""
    return cast(BinaryIO, pa.input_stream(str(path), compression="zstd"))


def _parts(
    stream: BinaryIO,
    profile: Profile,
    name: str,
    wanted: np.ndarray[tuple[int], np.dtype[np.int64]],
) -> Iterator[tuple[int, dict[int, str]]]:
    """Piece by piece: the last line so far, and the wanted lines of the piece."""
    last = 0
    if profile.layout == "sheet":
        for batch in READERS["sheet"](stream, profile, name):
            here = wanted[(wanted > last) & (wanted <= last + batch.lines)]
            last += batch.lines
            texts = batch.raw(pa.array(here)).to_pylist() if len(here) else []
            yield last, dict(zip(here.tolist(), texts, strict=True))
        return
    for block in blocks(stream, profile.encoding, name):
        last += block.lines
        yield last, _of_block(block, wanted)


def _of_block(block: Block, wanted: np.ndarray[tuple[int], np.dtype[np.int64]]) -> dict[int, str]:
    rows = np.flatnonzero(np.isin(block.numbers, wanted)).tolist()
    found = {
        int(block.numbers[row]): block.data[block.starts[row] : block.ends[row]].decode(
            "utf-8", "replace"
        )
        for row in rows
    }
    for reject in block.rejects.to_pylist():  # too long: its beginning; not text: what there is
        if reject["line"] in wanted:
            found[reject["line"]] = reject["text"]
    return found
