"""Text on a terminal: what could move its cursor or turn its words round is shown as its code.

A log is what somebody else wrote. A label in it may hold the codes that clear a screen or rename
a window, and the invisible ones that make `a1b` look like `b1a`. Whatever is printed passes
through here; the codes are written as JSON writes them, so that a JSON document stays one.

Sources: control characters, ISO/IEC 6429; directional formatting characters, Unicode Standard
Annex 9, section 2; that they deceive readers, N. Boucher and R. Anderson, "Trojan Source" (2021).
"""

import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from typing import Any, TextIO, cast

# C0 but tab and line feed, DEL, C1; directional marks, embeddings and isolates; line and
# paragraph separators; halves of surrogate pairs, which are no characters.
HARMFUL = re.compile(
    "[\0-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]"
)


def harmless(text: str) -> str:
    r"""The text with each harmful character as ``\uXXXX``."""
    return HARMFUL.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


@contextmanager
def harmless_output() -> Iterator[None]:
    """While it lasts, whatever is printed is harmless, and can be shown by the terminal."""
    out, err = cast("TextIO", _Harmless(sys.stdout)), cast("TextIO", _Harmless(sys.stderr))
    with redirect_stdout(out), redirect_stderr(err):
        yield


class _Harmless:
    """A text stream whose text is made harmless; everything else is the stream's own."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write a text; what the terminal cannot show is written as its code, too."""
        coding = getattr(self._stream, "encoding", None) or "utf-8"
        shown = harmless(text).encode(coding, "backslashreplace").decode(coding)
        self._stream.write(shown)
        return len(text)

    def writelines(self, lines: Iterator[str]) -> None:
        """Write several."""
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)
