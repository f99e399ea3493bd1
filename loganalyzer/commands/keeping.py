"""Keeping a store in order: `check`, `upgrade`."""

import argparse

from loganalyzer.commands.shared import tell, told
from loganalyzer.errors import InputError, UsageError
from loganalyzer.store import Store
from loganalyzer.store.formats import FORMAT
from loganalyzer.upkeep.problems import Checked
from loganalyzer.upkeep.repair import Repaired, repair
from loganalyzer.upkeep.wholeness import check


def check_store(options: argparse.Namespace) -> int:
    """Say whether a store is whole, and make it so where that can be done."""
    if options.repair and options.quick:
        raise UsageError(
            "loganalyzer check", "--repair with --quick", "one of them",
            "Repair looks at everything; leave --quick out",
        )  # fmt: skip
    if options.repair:
        done = repair(options.store, tell=tell)
        told(options.json, done.as_dict, lambda: _repaired_text(done))
        return _status(done.checked)
    found = check(options.store, reread=not options.quick, tell=tell)
    told(options.json, found.as_dict, lambda: _checked_text(found))
    return _status(found)


def upgrade_store(options: argparse.Namespace) -> int:
    """Bring a store to this version's format, or back to the one before."""
    store = Store.open(options.store)
    if options.back:
        format_, lost = store.go_back(anyway=options.yes)
        told(
            options.json, lambda: {"format": format_, "lost": lost},
            lambda: "\n".join([
                f"{store.path}: format {format_} again, as it was before the upgrade.",
                *(f"  no longer in it: {name}" for name in lost),
            ]),
        )  # fmt: skip
        return 0
    before = int(store.root()["format"])
    with store.writing(tell):
        pass
    told(
        options.json, lambda: {"format": FORMAT, "before": before},
        lambda: f"{store.path}: format {FORMAT}" + ("" if before < FORMAT else " already") + ".",
    )  # fmt: skip
    return 0


def _status(found: Checked) -> int:
    return 0 if found.whole else InputError.exit_status


def _checked_text(found: Checked) -> str:
    lines = [*map(str, found.problems), *(f"Note: {note}." for note in found.notes)]
    looked = (
        f"{found.exports:,} exports, {found.lines:,} lines, {found.events:,} of them in the "
        f"timeline; {found.files:,} files; {found.reread:,} originals read again."
    )
    count = len(found.problems)
    verdict = "whole" if not count else f"NOT whole, {count} problem{'s' if count > 1 else ''}"
    return "\n".join([*lines, f"{found.store}: {verdict}: {looked}"])


def _repaired_text(repaired: Repaired) -> str:
    lost = [f"Cannot be rebuilt: {line}" for line in repaired.lost]
    return "\n".join([*repaired.done, *lost, _checked_text(repaired.checked)])

