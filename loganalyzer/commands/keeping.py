"""Keeping a store in order: `check`, `retain`, `upgrade`."""

import argparse

from loganalyzer.commands.shared import now, tell, told
from loganalyzer.errors import InputError, UsageError
from loganalyzer.store import Store
from loganalyzer.store.formats import FORMAT
from loganalyzer.upkeep.problems import Checked
from loganalyzer.upkeep.repair import Repaired, repair
from loganalyzer.upkeep.retention import Going, Retention, days_of, retain
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


def retain_store(options: argparse.Namespace) -> int:
    """Remove what is older than may be kept; without `--yes` only say what that would be."""
    found = retain(
        Store.open(options.store), days_of(options.keep), now(), site=options.site,
        do=options.yes, tell=tell,
    )  # fmt: skip
    return told(options.json, found.as_dict, lambda: _retention_text(found))


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


def _retention_text(found: Retention) -> str:
    did = "removed" if found.done else "would go"
    lines = []
    for site, limit in found.limits.items():
        mine = [one for one in found.going if one.site == site]
        lines.append(f"{site}: kept in detail from {limit:%Y-%m-%d %H:%M} UTC on")
        lines += [f"  {_going_text(one)}" for one in mine]
        lines += [] if mine else ["  nothing is older"]
    lines += [f"  also: {line}" for line in found.also]
    whole = sum(one.whole for one in found.going)
    total = f"{whole:,} exports and {found.events:,} events of the timeline {did}"
    rest = "" if found.done else " Nothing was changed; add --yes to do it. It cannot be undone."
    return "\n".join([*lines, f"{total}; their monthly sums stay (export month_sums).{rest}"])


def _going_text(one: Going) -> str:
    if one.whole:
        return f"{one.name}: all of it, {one.of:,} lines"
    stays = ", but its file stays as it is until all of it is older" if one.file_stays else ""
    return f"{one.name}: {one.lines:,} of {one.of:,} lines{stays}"


def _repaired_text(repaired: Repaired) -> str:
    lost = [f"Cannot be rebuilt: {line}" for line in repaired.lost]
    return "\n".join([*repaired.done, *lost, _checked_text(repaired.checked)])
