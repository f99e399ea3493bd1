"""What every reader hands on: batches of records, with every line accounted for."""

from collections.abc import Callable
from dataclasses import dataclass

import pyarrow as pa

REJECTS = pa.schema([("line", pa.int64()), ("reason", pa.string()), ("text", pa.string())])

# The longest line that is read; a longer one is a reject, of which TEXT_LIMIT characters are kept.
LINE_LIMIT = 1_000_000
TEXT_LIMIT = 500


@dataclass(frozen=True)
class Batch:
    """Some lines of one export, read.

    `lines == distinct lines in records + rows of rejects + ignored`, always. Only the layout
    `samples` brings several records a line (and counts a scan without a change as ignored).

    Attributes:
        records: One row a record, in file order: `line` (int64, physical line from 1, preamble
            included; in a sheet, the row) and one column for each column of the layout under
            its own name, string or dictionary of string, null where the field is absent.
            From `samples` also the columns `signal` and `edge` and, where the entry gives them,
            `floor`, `stream`, `code`, `chute`, `value` (string): these are events already.
        rejects: `REJECTS`: lines that could not be read as a record, and why.
        lines: Physical lines (rows of a sheet) this batch stands for.
        ignored: How many of them are preamble, header, blank, page furniture, or the second and
            later physical lines of a record that a quoted line break spreads over several.
        raw: Line numbers of this batch (int64 array) → their text as written (string array), cut
            to TEXT_LIMIT characters. For rows that a later step rejects.
    """

    records: pa.Table
    rejects: pa.Table
    lines: int
    ignored: int
    raw: Callable[[pa.Array], pa.Array]


def rejects_table(lines: list[int], reasons: list[str], texts: list[str]) -> pa.Table:
    """Rows of `REJECTS` from three equally long lists; texts are cut to TEXT_LIMIT."""
    cut = [text[:TEXT_LIMIT] for text in texts]
    return pa.table([pa.array(lines, pa.int64()), reasons, cut], schema=REJECTS)
