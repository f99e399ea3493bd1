"""Peak memory of an import against the size of the export.

    nice python -m tests.benchmarks.bench_memory [--gb 1] [--chutes 50]

Writes an export of many chutes (a column names them) to disk, imports it in a process of its own
and prints the most memory that process held, for a quarter of the size and for the whole. Then
what the merge of two overlapping exports of one chute holds a million events: that one grows.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from loganalyzer.profile import load_profile
from tests.benchmarks.results import put

GB = 1_000_000_000
HEADER = "date;time;door;material;event;reason;value;unit\n"
WORDS = ("BUTTON", "DOOR OPEN", "DOOR SHUT")
USES_A_DAY, MERGED_DAYS = 460, (180, 360)
IMPORT = """
import resource, sys
from loganalyzer.cli import main
status = main(["import", *sys.argv[1:]])
print("PEAK", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
raise SystemExit(status)
"""


def main() -> int:
    """Write, import, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--gb", type=float, default=1.0)
    parser.add_argument("--chutes", type=int, default=50)
    parser.add_argument("--folder", type=Path, help="where the export and the store are written")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        for share in (0.25, 1.0):
            _settings(folder, options.chutes)
            export = folder / "export.csv"
            size = _written(export, options.chutes, until=int(share * options.gb * GB))
            began = time.monotonic()
            peak = _imported(folder, export, folder / f"store-{share}")
            seconds = time.monotonic() - began
            print(
                f"{size / GB:.2f} GB of {options.chutes} chutes: peak {peak} MB, {seconds:.0f} s",
                flush=True,
            )
        put("bench_memory", f"import of {options.gb:g} GB, peak", [float(peak)], "MB")
        export.unlink()
        _settings(folder, 1)
        peaks, millions = [], []
        for days in MERGED_DAYS:
            one, two = folder / "one.csv", folder / "two.csv"
            _written(one, 1, days=days)
            _written(two, 1, days=3, first=days - 1)
            _imported(folder, one, folder / f"merged-{days}")
            peaks.append(_imported(folder, two, folder / f"merged-{days}"))
            millions.append(days * USES_A_DAY * len(WORDS) / 1e6)
        each = (peaks[1] - peaks[0]) / (millions[1] - millions[0])
        print(f"merging overlapping exports of one chute: {each:.0f} MB more a million events")
        put("bench_memory", "merge, a million events of one chute", [each], "MB")
    return 0


def _written(
    place: Path, chutes: int, *, until: int | None = None, days: int = 0, first: int = 0
) -> int:
    """Write an export of so many bytes, or days; its size."""
    chance = np.random.default_rng(1)
    uses = chutes * USES_A_DAY
    at = np.sort(chance.integers(0, 86_000, uses))
    doors, units = chance.integers(0, 12, uses), chance.integers(0, chutes, uses)
    lines = []
    for second, door, unit in zip(at.tolist(), doors.tolist(), units.tolist(), strict=True):
        for after, word in enumerate(WORDS):
            hour, rest = divmod(second + 4 * after, 3600)
            clock = f"{hour:02}:{rest // 60:02}:{rest % 60:02}"
            lines.append(f"DATE;{clock};{door};;{word};;;C{unit}\n")
    day_of_all, size, day = "".join(lines), 0, first
    with place.open("w", encoding="utf-8") as file:
        size += file.write(HEADER)
        while size < until if until is not None else day < first + days:
            stamp = f"{date(2000, 1, 3) + timedelta(days=400 + day):%d.%m.%Y}"
            size += file.write(day_of_all.replace("DATE", stamp))
            day += 1
    return size


def _settings(folder: Path, chutes: int) -> None:
    text = load_profile("semicolon-text", None).text
    text = text.replace('value = "value"\n', 'value = "value"\nchute = "unit"\n', 1)
    (folder / "many.toml").write_text(text, encoding="utf-8")
    site = '[site]\nid = "quay"\nname = "Quay"\ntime_zone = "UTC"\n'
    each = (f'[[chute]]\nid = "C{number}"\nprofile = "many.toml"\n' for number in range(chutes))
    (folder / "quay.toml").write_text(site + "".join(each), encoding="utf-8")


def _imported(folder: Path, export: Path, store: Path) -> int:
    """Import it in a process of its own; the most MB that it held."""
    words = [str(export), "--store", str(store), "--site", str(folder / "quay.toml")]
    run = subprocess.run(
        [sys.executable, "-c", IMPORT, *words], capture_output=True, text=True, check=False
    )
    if run.returncode:
        raise SystemExit(run.stdout[-500:] + run.stderr[-500:])
    return int(run.stdout.split("PEAK")[1])


if __name__ == "__main__":
    raise SystemExit(main())
