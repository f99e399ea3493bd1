"""Progress on a terminal: a bar for anything that takes over a second, on standard error."""

import sys
from types import TracebackType
from typing import Any, Self

from loganalyzer.terminal import harmless

PATIENCE_S = 1.0  # nothing is shown for what is done before


class Bar:
    """Draws how far an import has come: bytes read, rows, rate and time left.

    Silent where standard error is no terminal, so that logs and pipes stay clean. It moves the
    cursor, so it writes past what makes printed text harmless.
    """

    def __init__(self) -> None:
        self._bar: Any = None
        self._rows = 0

    def start(self, name: str, total_bytes: int | None) -> None:
        """Begin an export; `total_bytes` is null where packing hides the size."""
        from tqdm import tqdm  # heavy, and `--help` does without it

        self.finish()
        self._rows = 0
        self._bar = tqdm(
            total=total_bytes, desc=harmless(name)[-40:], unit="B", unit_scale=True,
            delay=PATIENCE_S, leave=False, file=sys.__stderr__, disable=None, dynamic_ncols=True,
        )  # fmt: skip

    def advance(self, read_bytes: int, rows: int) -> None:
        """Count what was read since the last call."""
        self._rows += rows
        if self._bar is not None:
            self._bar.set_postfix_str(f"{self._rows:,} rows", refresh=False)
            self._bar.update(read_bytes)

    def finish(self) -> None:
        """End the export and take the bar away."""
        if self._bar is not None:
            self._bar.close()
            self._bar = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.finish()


class Steps:
    """Draws how many of several pieces of work are done; as silent as `Bar`."""

    def __init__(self, said: str, total: int) -> None:
        self._said, self._total = said, total

    def __enter__(self) -> Self:
        from tqdm import tqdm  # heavy, and `--help` does without it

        self._bar = tqdm(
            total=self._total, desc=harmless(self._said), delay=PATIENCE_S, leave=False,
            file=sys.__stderr__, disable=None, dynamic_ncols=True,
        )  # fmt: skip
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.close()

    def done(self) -> None:
        """Count one more piece."""
        self._bar.update()
