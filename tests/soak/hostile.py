"""Exports made to exhaust a machine: seconds and memory of each, `python -m tests.soak.hostile`.

Each file is inspected in a process of its own. Wanted: an answer in one line or a line rejected,
within 10 s a MB of the file (at least 10 s) and within 1 GB of memory; 1 if one is not.
"""

import io
import resource
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path

import pyarrow as pa

from tests.fuzz.targets import RELS, SHEET, STRINGS, WORKBOOK

MEMORY_MB, S_PER_MB, LEAST_S = 1024, 10, 10
HEADER = b"date;time;door;material;event;reason;value\n"
GOOD = b"05.10.2026;08:00:10;7;;DOOR OPEN;;\n05.10.2026;08:00:20;7;;DOOR SHUT;;\n"
MB = 1 << 20


def long_line(path: Path) -> None:
    """A line of 500 MB between good ones."""
    with path.open("wb") as file:
        file.write(HEADER + GOOD)
        for _ in range(500):
            file.write(b"x" * MB)
        file.write(b"\n" + GOOD.replace(b"05.10", b"06.10"))


def one_quote(path: Path) -> None:
    """A quote that never closes, before 50 MB of rows."""
    path.write_bytes(HEADER + GOOD + b'05.10.2026;"' + GOOD * (50 * MB // len(GOOD)))


def many_kinds(path: Path) -> None:
    """50 MB of lines that are all different and fit nothing."""
    lines = (f"{n * 7919:x} {n:o} ?\n".encode() for n in range(2_500_000))
    path.write_bytes(HEADER + GOOD + b"".join(lines))


def gzip_bomb(path: Path) -> None:
    """4 GB of zeros in 4 MB of gzip."""
    with pa.CompressedOutputStream(str(path), "gzip") as out:
        for _ in range(400):
            out.write(bytes(10 * MB))


def many_members(path: Path) -> None:
    """An archive of 200,000 files."""
    with zipfile.ZipFile(path, "w") as archive:
        for number in range(200_000):
            archive.writestr(f"{number}.csv", b"x")


def nested_json(path: Path) -> None:
    """A line of JSON, 900,000 brackets deep."""
    path.write_bytes(b'{"ts":"2026-10-05T08:00:10Z"}\n' * 3 + b"[" * 900_000 + b"\n")


def workbook(path: Path, sheet: bytes | None = None, strings: bytes | None = None) -> None:
    """A workbook with this sheet, or these strings, packed as small as can be."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, text in WORKBOOK.items():
            archive.writestr(name, text)
        archive.writestr("xl/worksheets/sheet1.xml", sheet or SHEET)
        archive.writestr("xl/sharedStrings.xml", strings or STRINGS)


def entities(path: Path) -> None:
    """A billion laughs: entities of entities, in the sheet."""
    levels = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 10))
    doctype = f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e0 "ha">{levels}]>'
    workbook(path, (doctype + SHEET.replace('t="s"><v>0</v>', 't="str"><v>&e9;</v>')).encode())


def far_corner(path: Path) -> None:
    """Two cells, in the first and in the last corner of a sheet."""
    cells = '<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"/></row>'
    workbook(path, f'<worksheet xmlns="{RELS}/spreadsheetml/2006/main"><sheetData>{cells}'
             "</sheetData></worksheet>".encode())  # fmt: skip


def dense(path: Path) -> None:
    """Nearly as many cells as a sheet may have; none says where it stands."""
    rows = io.BytesIO()
    cells = b"".join(b"<c><v>%d</v></c>" % n for n in range(9))
    for _ in range(1_000_000):
        rows.write(b"<row>" + cells + b"</row>")
    workbook(path, b"<worksheet><sheetData>" + rows.getvalue() + b"</sheetData></worksheet>")


def too_dense(path: Path) -> None:
    """Fifty million cells that do not say where they stand."""
    row = b"<row>" + b"<c><v>1</v></c>" * 50 + b"</row>"
    workbook(path, b"<worksheet><sheetData>" + row * 1_000_000 + b"</sheetData></worksheet>")


def strings(path: Path) -> None:
    """400 MB of shared strings, of which none is used."""
    item = b"<si><t>" + b"x" * 1000 + b"</t></si>"
    workbook(path, None, b"<sst>" + item * 400_000 + b"</sst>")


def short_strings(path: Path) -> None:
    """Ten million shared strings of one character."""
    workbook(path, None, b"<sst>" + b"<si><t>x</t></si>" * 10_000_000 + b"</sst>")


FILES: Mapping[str, Callable[[Path], None]] = {
    "long-line.csv": long_line, "one-quote.csv": one_quote, "many-kinds.csv": many_kinds,
    "bomb.csv.gz": gzip_bomb, "many-members.zip": many_members, "nested.jsonl": nested_json,
    "entities.xlsx": entities, "far-corner.xlsx": far_corner, "dense.xlsx": dense,
    "too-dense.xlsx": too_dense,
    "strings.xlsx": strings, "short-strings.xlsx": short_strings,
}  # fmt: skip


def main() -> int:
    wanted = sys.argv[1:] or list(FILES)
    bad = 0
    with tempfile.TemporaryDirectory() as folder:
        for name in wanted:
            path = Path(folder) / name
            FILES[name](path)
            bad += not _bearable(path)
            path.unlink()
    return 1 if bad else 0


def _bearable(path: Path) -> bool:
    """Inspect a file in a process of its own; print what it took."""
    code = (
        "import sys; from loganalyzer.cli import main; status = main(sys.argv[1:]);"
        "most = [l for l in open('/proc/self/status') if l.startswith('VmHWM')][0].split()[1];"
        "print('MB', int(most) // 1024); sys.exit(status)"
    )
    began, before = time.monotonic(), _children_s()
    run = subprocess.run(
        [sys.executable, "-c", code, "inspect", str(path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    took, cpu = time.monotonic() - began, _children_s() - before
    size = path.stat().st_size / MB
    memory = int(run.stdout.rpartition("MB ")[2] or 0)
    good = (
        run.returncode in (0, 3)
        and "Traceback" not in run.stderr
        and memory <= MEMORY_MB
        and cpu <= max(LEAST_S, S_PER_MB * size)
    )
    said = (run.stderr + run.stdout).strip().splitlines()[:1]
    verdict = f"{'held' if good else 'NOT HELD'}; {said[0][-150:] if said else ''}"
    print(
        f"{path.name}: {size:.1f} MB, {took:.1f} s ({cpu:.1f} s of processor), {memory} MB, "
        f"exit {run.returncode}: {verdict}",
        flush=True,
    )
    return good


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    sys.exit(main())
