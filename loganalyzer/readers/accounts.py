"""A block of lines and what a layout made of each → a batch that accounts for every line."""

from collections.abc import Mapping

import numpy as np
import pyarrow as pa

from loganalyzer.readers.blocks import Block
from loganalyzer.readers.kinds import HIT, PASSED_OVER
from loganalyzer.readers.records import REJECTS, Batch


def line_batch(
    block: Block, status: np.ndarray, columns: Mapping[str, pa.Array], reasons: Mapping[int, str]
) -> Batch:
    """Make the batch of a block whose lines are a record each, or none.

    Args:
        block: The lines that were read.
        status: What became of each: HIT, PASSED_OVER (counted as ignored), or a key of `reasons`.
        columns: As long as the lines.
        reasons: Why lines of any other status are rejects.
    """
    hit = status == HIT
    passed = int(np.count_nonzero(status == PASSED_OVER))
    records = pa.table({**columns, "line": pa.array(block.numbers)})
    bad = np.flatnonzero(~hit & (status != PASSED_OVER))
    why = pa.array([reasons[int(code)] for code in status[bad]], pa.string())
    rejects = pa.table([pa.array(block.numbers[bad]), why, block.texts(bad)], schema=REJECTS)
    return Batch(
        records if hit.all() else records.filter(pa.array(hit)),
        pa.concat_tables([block.rejects, rejects]),
        block.lines,
        block.ignored + passed,
        block.raw,
    )
