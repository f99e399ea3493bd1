"""The logged visits under other settings of the controller, as text and as JSON."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from loganalyzer.errors import UsageError
from loganalyzer.measures.replay import Change, Plays, changes, what_if
from loganalyzer.occupied import ChuteKey
from loganalyzer.sentences import count
from loganalyzer.views.analysis import Analysis
from loganalyzer.views.finding import rows
from loganalyzer.views.pictures import of_chute
from loganalyzer.views.summary import records
from loganalyzer.views.wait_report import clearing_caution, refuse_too_short, replay

# Settings that the replay knows, and what each must be.
KNOWN = {
    "clearing_s": "a number of seconds above 0",
    "press_limit": "a whole number of presses above 0",
    "press_window_s": "a number of seconds above 0",
    "quiet_s": "a number of seconds above 0",
}
# Settings of the site file that no visit depends on.
JUDGING = ("open_limit_s", "positioning_limit_s", "interruption_s")
LOOSE = (
    "an interlock. The one-door rule, the diverter that keeps still, and doors locked while a "
    "container is full or in service keep people from falling material and moving machines; no "
    "answer is given for a setting that loosens them"
)


def change_of(words: list[str]) -> Change:
    """The settings that a person asked for.

    Args:
        words: Each `name=value`.

    Raises:
        UsageError: A name is not known or not to be changed, or a value is none.
    """
    found: dict[str, Any] = {}
    for word in words:
        name, _, text = word.partition("=")
        _refuse_other(name, word)
        try:
            value = float(text)
        except ValueError:
            value = np.nan
        whole = name == "press_limit"
        if not 0 < value < np.inf or (whole and value % 1) or name in found:
            raise UsageError(
                f"--set {word}",
                f"{name} twice" if name in found else f"'{text}'", KNOWN[name],
                "Give each setting once, such as --set clearing_s=10 --set press_limit=6",
            )  # fmt: skip
        found[name] = int(value) if whole else value
    return Change(**found)


def _refuse_other(name: str, word: str) -> None:
    if name in JUDGING:
        raise UsageError(
            f"--set {word}", "a limit by which this program judges, not the controller",
            f"one of {', '.join(KNOWN)}", "Change it in the site file and read the summary again",
        )  # fmt: skip
    if name not in KNOWN:
        raise UsageError(
            f"--set {word}", f"'{name}', no setting that can be replayed",
            f"one of {', '.join(KNOWN)}; not {LOOSE}", "Ask the maker before any such change",
        )  # fmt: skip


def replayed(analysis: Analysis, change: Change) -> Mapping[ChuteKey, Plays | str]:
    """The plays of every chute.

    Raises:
        UsageError: Material from the highest floor cannot have fallen in that clearing time.
    """
    if change.clearing_s is not None:
        refuse_too_short(analysis, change.clearing_s, "--set")
    return replay(analysis, change)


def replay_dict(analysis: Analysis, change: Change) -> dict[str, Any]:
    """The replay as JSON knows it.

    Returns:
        `set` (the settings asked for), `what_if`, `changes` (rows of these tables), `caution`.
    """
    plays = replayed(analysis, change)
    return {
        "set": {k: v for k, v in vars(change).items() if v is not None},
        "what_if": records(what_if(plays)),
        "changes": records(changes(plays)),
        "caution": clearing_caution(analysis),
    }


def replay_text(analysis: Analysis, change: Change) -> str:
    """The replay in plain words, chute by chute."""
    plays = replayed(analysis, change)
    table, changed = what_if(plays), changes(plays)
    said = ", ".join(f"{k} = {v:g}" for k, v in vars(change).items() if v is not None)
    blocks = [f"The logged visits, played again with {said}"]
    for site, chute in plays:
        lines = [f"{site}, chute {chute}"]
        lines += [
            f"  {line}"
            for line in _chute(of_chute(table, site, chute), of_chute(changed, site, chute))
        ]
        blocks.append("\n".join(lines))
    return "\n\n".join([*blocks, clearing_caution(analysis)])


NAMES = {"logged": "as logged", "present": "replayed as it is set", "other": "replayed with these"}
# measure → how it is called, its unit, and what the figure is multiplied by.
WORDS = {
    "mean_s": ("mean wait", "s", 1),
    "refused_share": ("presses refused", "points of 100", 100),
    "gave_up": ("visits given up", "", 1),
    "lockouts": ("abuse lockouts", "", 1),
}


def _chute(table: pd.DataFrame, changed: pd.DataFrame) -> Iterator[str]:
    reason = table["reason"].iloc[0]
    if not pd.isna(reason):
        yield f"Not known: {reason}."
        return
    yield (
        f"{'':<22}{'mean wait':>10}{'9 in 10':>10}{'refused':>10}{'gave up':>10}{'lockouts':>10}"
    )
    for row in rows(table):
        locked = "-" if pd.isna(row.lockouts) else count(int(row.lockouts))
        yield (
            f"{NAMES[row.setting]:<22}{row.mean_s:>8.2f} s{row.p90_s:>8.1f} s"
            f"{100 * row.refused_share:>8.1f} %{count(int(row.gave_up)):>10}{locked:>10}"
        )
    for row in rows(changed):
        name, unit, times = WORDS[row.measure]
        if pd.isna(row.difference):
            yield f"{name}: not known, {row.reason}."
            continue
        bounds = (
            f" ({row.reason})"
            if pd.isna(row.low)
            else f" ({times * row.low:+.2f} to {times * row.high:+.2f})"
        )
        yield f"{name}: {times * row.difference:+.2f}{unit and ' ' + unit}{bounds}"
    yield _error(table)


def _error(table: pd.DataFrame) -> str:
    """How near the replay comes to the log with the settings as they are."""
    by = {row.setting: row for row in rows(table)}
    now, was = by["present"], by["logged"]
    said = [f"{now.mean_s - was.mean_s:+.2f} s of waiting",
            f"{100 * (now.refused_share - was.refused_share):+.1f} points of refusals"]  # fmt: skip
    if not pd.isna(was.lockouts):
        said.append(f"{now.lockouts - was.lockouts:+.0f} lockouts")
    return (
        f"Check: as it is set, the replay misses what was logged by {', '.join(said[:-1])} and "
        f"{said[-1]}; differences smaller than that say nothing."
    )
