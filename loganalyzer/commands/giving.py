"""Giving a table away: `export`."""

import argparse
import difflib

from loganalyzer import export as files
from loganalyzer.answers import month_sums
from loganalyzer.commands.shared import period, tell
from loganalyzer.commands.tickets import with_tickets
from loganalyzer.errors import UsageError
from loganalyzer.privacy import Discretion, discreet, read_floors, read_step
from loganalyzer.store import Store
from loganalyzer.tables import TABLES
from loganalyzer.views.condition import TABLES_HERE as CONDITION_TABLES
from loganalyzer.views.effects import effects_of
from loganalyzer.views.sorting import TABLES_HERE as SORTING_TABLES


def export_table(options: argparse.Namespace) -> int:
    """Write a table to a file."""
    if options.table not in TABLES:
        near = difflib.get_close_matches(options.table, TABLES, 1)
        raise UsageError(
            "loganalyzer export", f"the table '{options.table}'", ", ".join(TABLES),
            f"Did you mean {near[0]}" if near else "Name one of these",
        )  # fmt: skip
    files.format_of(options.out)
    store = Store.open(options.store)
    leave = _discretion(options, store)
    if options.table in ("imports", "rejects"):
        table = getattr(store, options.table)(options.site)
    elif options.table == "month_sums":
        table = month_sums(store, options.site, options.chute, period(options))
    else:
        analysis, _ = with_tickets(options, store)
        held: object = analysis.sorting if options.table in SORTING_TABLES else analysis
        held = analysis.condition if options.table in CONDITION_TABLES else held
        table = effects_of(analysis) if options.table == "effects" else getattr(held, options.table)
    rows = files.write(discreet(table, leave), options.table, options.out)
    tell(f"{rows:,} rows of {options.table} written to {options.out}")
    return 0


def _discretion(options: argparse.Namespace, store: Store) -> Discretion:
    """What the person asks to leave out."""
    step = read_step(options.round_times) if options.round_times else None
    if options.without_floors is None:
        return Discretion(step=step)
    sites = [store.site(site) for site in store.sites()]
    known = {floor.label for site in sites for chute in site.chutes for floor in chute.floors}
    known |= set(store.timeline(site=options.site)["floor"].dropna().unique())
    return Discretion(read_floors(options.without_floors, known), step)
