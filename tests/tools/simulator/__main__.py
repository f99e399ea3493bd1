"""`python -m tests.tools.simulator`."""

import sys

from tests.tools.simulator.cli import main

sys.exit(main())
