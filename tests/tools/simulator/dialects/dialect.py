"""What every dialect is: a way to stamp and word rows, and to put them into a file."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from tests.tools.simulator import words as w
from tests.tools.simulator.dialects.rows import Part, Rows, joined


@dataclass(frozen=True)
class Dialect:
    """How one controller family writes.

    Attributes:
        name: As its profile is called.
        ending: Of its files.
        zone: As in a profile: site, utc, offset or an IANA name.
        resolution_us: Of its stamps.
        parts: The pieces of a line, from rows; or None where `write_all` does the work.
        head: Bytes before the first line (header, preamble), for a chute.
        encoding: Of its files.
        kinds: What it records; None is everything.
        write_all: Rows to a file, for layouts that are not lines.
    """

    name: str
    ending: str
    zone: str
    resolution_us: int
    parts: Callable[[Rows], Sequence[Part]] | None = None
    head: str = ""
    encoding: str = "utf-8"
    kinds: tuple[int, ...] | None = None
    write_all: Callable[[Rows, BinaryIO], None] | None = None

    def keep(self, rows: Rows) -> Rows:
        """The rows it records."""
        return rows if self.kinds is None else rows.take(np.isin(rows.kind, self.kinds))

    def write(self, rows: Rows, out: BinaryIO, with_head: bool = True) -> None:
        """Write rows, the head first."""
        kept = self.keep(rows)
        if self.write_all is not None:
            self.write_all(kept, out)
            return
        assert self.parts is not None  # one of the two is given
        if with_head:
            out.write(self.head.encode(self.encoding))
        for piece in kept.chunks():
            text = joined(self.parts(piece))
            out.write(text if self.encoding == "utf-8" else text.decode().encode(self.encoding))


def texts(**by_name: str) -> tuple[str, ...]:
    """A word for each kind, in the order of `words.KINDS`, from `signal_edge="word"`."""
    keys = [f"{signal}_{edge}" for signal, edge in w.KINDS]
    return tuple(by_name[key] for key in keys)


def labels(floors: Sequence[str], known: dict[str, str], form: Callable[[str], str]) -> list[str]:
    """Floor labels as a dialect writes them."""
    return [known.get(floor) or form(floor) for floor in floors]


def padded(floor: str, width: int = 2) -> str:
    """A number with leading zeros; other labels as they are."""
    return floor.zfill(width) if floor.isdigit() else floor
