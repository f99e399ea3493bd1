"""One target under the fuzzer, in a process of its own: `python -m tests.fuzz.one TARGET …`.

What follows the target are options of libFuzzer, which ends the process when it is done.
"""

import os
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["loganalyzer"]):
    from tests.fuzz.targets import TARGETS

from tests.fuzz.fence import Fence


def main() -> None:
    target = TARGETS[sys.argv[1]]
    memory = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(dir=memory if memory.is_dir() else None))
    os.environ["TMPDIR"] = str(folder)
    fence = Fence(folder)

    def run(data: bytes) -> None:
        with fence:
            target(data, folder)

    atheris.Setup([sys.argv[0], *sys.argv[2:]], run)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
