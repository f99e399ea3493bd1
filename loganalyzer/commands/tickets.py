"""Weigh tickets on the command line: read, and their mistakes said."""

import argparse
import dataclasses

from loganalyzer.commands.shared import answered, tell
from loganalyzer.errors import InputError, UsageError
from loganalyzer.store import Store
from loganalyzer.views import Analysis
from loganalyzer.weighing import read_tickets


def with_tickets(options: argparse.Namespace, store: Store) -> tuple[Analysis, tuple[str, ...]]:
    """What the options choose, with weigh tickets; what is wrong in their file is said at once."""
    analysis = answered(options, store)
    path = options.tickets
    if path is None:
        return analysis, ()
    if len(analysis.sites) != 1:
        raise UsageError(
            f"--tickets {path}", f"{len(analysis.sites)} sites in the store",
            "the site that was weighed", f"Add --site {next(iter(analysis.sites))}",
        )  # fmt: skip
    (name,) = analysis.sites
    read = read_tickets(path, list(dict.fromkeys(analysis.sorting.bins["stream"])))
    for line in read.mistakes:
        tell(line)
    return dataclasses.replace(analysis, tickets={name: read.table}), read.mistakes


def ticket_status(analysis: Analysis, mistakes: tuple[str, ...]) -> int:
    """The exit status of a command that read weigh tickets: 3 where most were rejected."""
    used = sum(int(table["kg"].notna().sum()) for table in analysis.tickets.values())
    return InputError.exit_status if len(mistakes) > used else 0
