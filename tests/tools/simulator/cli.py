"""Sample logs and years of any size, from the command line.

python -m tests.tools.simulator samples --out sample_logs
python -m tests.tools.simulator years --years 2 --buildings 3 --dialect json-events --out DIR
"""

import argparse
from pathlib import Path

from tests.tools.simulator.dialects import DIALECTS
from tests.tools.simulator.samples import sample_files, write
from tests.tools.simulator.years import write_years


def main(arguments: list[str] | None = None) -> int:
    """Run one of the commands."""
    given = _parser().parse_args(arguments)
    if given.command == "samples":
        logs, truth = sample_files()
        write(logs, given.out)
        write(truth, given.truth)
        print(f"{len(logs)} files, {sum(map(len, logs.values())) / 1e6:.2f} MB in {given.out}")
        return 0
    lines = write_years(
        given.out, given.dialect, years=given.years, buildings=given.buildings,
        lines=given.lines, seed=given.seed,
    )  # fmt: skip
    print(f"{lines} lines in {given.out}")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.tools.simulator", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    samples = commands.add_parser("samples", help="the sample logs and their truth")
    samples.add_argument("--out", type=Path, default=Path("sample_logs"))
    samples.add_argument("--truth", type=Path, default=Path("tests/expected/samples-truth"))
    years = commands.add_parser("years", help="exports of any size, for benchmarks")
    years.add_argument("--out", type=Path, required=True, help="a folder")
    years.add_argument("--dialect", choices=sorted(DIALECTS), default="semicolon-text")
    years.add_argument("--years", type=float, default=1.0)
    years.add_argument("--buildings", type=int, default=1)
    years.add_argument("--lines", type=int, help="lines a building, instead of --years")
    years.add_argument("--seed", type=int, default=1)
    return parser
