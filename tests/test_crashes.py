"""The quick part of the crash harness: each kind of disturbance once."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGKILL and no fork")
def test_stores_survive_kills_faults_full_disks_and_crowds():
    command = [sys.executable, "-m", "tests.soak.crashes", "--kills", "12", "--quick"]
    run = subprocess.run(
        command, cwd=Path(__file__).parent.parent, capture_output=True, text=True, check=False
    )
    print(run.stdout)
    assert run.returncode == 0, run.stdout + run.stderr[-2000:]
    counts = dict(re.findall(r"^(.+): (\d+) of \d+ survived", run.stdout, re.MULTILINE))
    assert int(counts["import killed"]) == 12
    assert int(counts["import with faults"]) >= 15  # five kinds of calls, three errors
    assert {"import on a full disk", "importers at once", "import, the folder vanishing"} <= {
        *counts
    }
