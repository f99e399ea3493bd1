"""Labels that mean harm, in every place where a log, a file or a person can put text.

Source: public knowledge of cross-site scripting (script, event handlers, links, style, SVG,
# template braces of client-side frameworks), Unicode Technical Report 36 (bidi controls).
"""

from datetime import datetime, timedelta
from pathlib import Path

from tests.exports import site, take, write

LABELS = (
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(2)>",
    '<a href="javascript:alert(3)">7</a>',
    "<svg/onload=alert(4)>",
    "{{constructor.constructor('alert(5)')()}}",
    "${alert(6)}%{customdata}",
    "'\"><iframe srcdoc='<script>alert(7)</script>'>",
    "\u202e7 roolF\u2066",
    "</title></style></pre><b onmouseover=alert(8)>",
    "<style>*{display:none}</style>",
)
CODE, STREAM = LABELS[1], LABELS[3]
FILE = "<img src=x onerror=alert(9)>.csv"
SITE = f"""
[site]
id = "quay"
name = "{LABELS[0]}"
time_zone = "Europe/Lisbon"
min_units = 0
[[chute]]
id = "A"
profile = "semicolon-text"
[[chute.stream]]
id = "{STREAM}"
kind = "recycling"
"""
USE = (
    (600, "BUTTON"), (3, "LATCH RELEASED"), (2, "DOOR OPEN"), (90, "DOOR SHUT"),
    *([(2, "BUTTON"), (0, "BUTTON NOT TAKEN")] * 6),
    (5, "TROUBLE BEGINS"), (20, "TROUBLE ENDS"), (5, "BIN FULL"), (60, "BIN HAS ROOM"),
    (5, f"{LABELS[0]} HAPPENED"), (5, f"MEMO {LABELS[1]}"),
)  # fmt: skip


def hostile_store(folder: Path) -> Path:
    """A store in which labels, codes, streams, names of a file and of the site mean harm."""
    take(folder / "store", hostile_export(folder), of=site(SITE))
    return folder / "store"


def hostile_export(folder: Path, start: str = "2025-03-03T08:00:00") -> Path:
    """For each door some uses, a lockout, an opening that lasts, a fault, an unknown text."""
    now, lines = datetime.fromisoformat(start), []
    for _ in range(4):
        for label in LABELS:
            for seconds, text in USE:
                now += timedelta(seconds=seconds)
                stream = STREAM if text.startswith(("BUTTON", "BIN")) else ""
                code = CODE if text.startswith(("TROUBLE", "BUTTON NOT")) else ""
                lines.append(row(f"{now:%d.%m.%Y}", f"{now:%H:%M:%S}", label, stream, text, code))
    return write(folder / FILE, lines)


def row(*fields: str) -> str:
    """Every field in quotes, as RFC 4180 wants text written that holds quotes."""
    return ";".join('"' + field.replace('"', '""') + '"' for field in (*fields, ""))
