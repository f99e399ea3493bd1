"""Fuzz every target in turn within a time: `python -m tests.fuzz --seconds 600`.

Prints, turn by turn, how many inputs were run and what was found, and the sum; stops at a
finding. An input that is a finding is kept under `fuzz-findings/`; `--replay FILE --target NAME`
runs it again, and `--replay` of the corpus is part of the tests. New inputs that reach new code
are kept in `--work` (default: a folder that is thrown away), never in the corpus here.
"""

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).parents[2]
CORPUS = Path(__file__).parent / "corpus"
FINDINGS = ROOT / "fuzz-findings"
SLICE_S = 60  # that a target has in a turn
# Longest input in bytes; seconds of one input (a MB may take 10 s); MB of memory.
LONGEST, HANG_S, MEMORY_MB = 1024, 10, 1024
DONE = re.compile(r"Done (\d+) runs in")
SEEN = re.compile(r"^#(\d+)\s", re.MULTILINE)


def main() -> int:
    """Run the targets one after the other; 1 if there was a finding."""
    options = _options()
    if options.replay:
        return _replay(options.replay, options.target)
    work = Path(options.work or tempfile.mkdtemp(prefix="fuzz-"))
    began, findings = time.monotonic(), 0
    inputs: Counter[str] = Counter()
    while (left := began + options.seconds - time.monotonic()) > 0 and not findings:
        seconds = max(min(SLICE_S, int(left / len(options.target))), 1)
        for name in options.target:
            runs, crashed = _fuzz(name, work / name, seconds, options.runs)
            inputs[name], findings = inputs[name] + runs, findings + crashed
            found = "a finding" if crashed else "none"
            print(f"{name}: {runs:,} inputs, {found}; {inputs.total():,} in all", flush=True)
        if options.runs or inputs.total() >= options.inputs:
            break
    if not options.work:
        shutil.rmtree(work)
    took = time.monotonic() - began
    each = ", ".join(f"{name} {number:,}" for name, number in inputs.items())
    print(f"{inputs.total():,} inputs in {took:,.0f} s, {findings} findings: {each}", flush=True)
    return 1 if findings else 0


def _options() -> argparse.Namespace:
    names = sorted(path.name for path in CORPUS.iterdir() if path.is_dir())
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--seconds", type=int, default=600, help="for all targets together")
    parser.add_argument("--inputs", type=int, default=10**9, help="stop once so many were run")
    parser.add_argument("--runs", type=int, help="one round, of at most so many inputs a target")
    parser.add_argument("--target", nargs="+", default=names, choices=names, metavar="NAME")
    parser.add_argument("--work", metavar="DIR", help="keep inputs that reach new code here")
    parser.add_argument("--replay", type=Path, metavar="FILE", help="run this input once")
    return parser.parse_args()


def _fuzz(name: str, work: Path, seconds: int, most: int | None) -> tuple[int, bool]:
    """One target for some seconds: how many inputs were run, and whether one was a finding."""
    work.mkdir(parents=True, exist_ok=True)
    FINDINGS.mkdir(exist_ok=True)
    command = [
        sys.executable, "-m", "tests.fuzz.one", name, str(work), str(CORPUS / name),
        f"-max_total_time={seconds}", f"-max_len={LONGEST}", f"-timeout={HANG_S}",
        f"-rss_limit_mb={MEMORY_MB}", f"-artifact_prefix={FINDINGS}/{name}-",
    ]  # fmt: skip
    command += [f"-runs={most}"] if most else []
    run = subprocess.run(command, cwd=ROOT, capture_output=True, check=False)
    told = run.stderr.decode("utf-8", "replace") + run.stdout.decode("utf-8", "replace")
    if run.returncode:
        print(told[-4000:], flush=True)
    done = [int(number) for number in DONE.findall(told) or SEEN.findall(told)]
    return max(done, default=0), bool(run.returncode)


def _replay(file: Path, targets: list[str]) -> int:
    """One input again, without the fuzzer."""
    from tests.fuzz.targets import TARGETS

    with tempfile.TemporaryDirectory() as folder:
        for name in targets:
            TARGETS[name](file.read_bytes(), Path(folder))
    return 0


if __name__ == "__main__":
    sys.exit(main())
