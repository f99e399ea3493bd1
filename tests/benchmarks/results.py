"""Figures of benchmarks as rows: printed, kept as JSON, and compared with those landed before.

A benchmark calls `put` once a figure. Run by itself it prints as ever; run by
`python -m tests.benchmarks` its rows are gathered as well.
"""

import json
import os
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

GATHER = "BENCH_ROWS"  # names the file that rows are added to, while they are gathered
SLOWER = 1.25  # a figure is told as worse beyond this ratio, where its spread does not explain it


@dataclass(frozen=True)
class Row:
    """One figure.

    Attributes:
        bench: The module it comes from.
        what: What was done.
        values: One a round, in `unit`.
        unit: Such as "s" or "lines/s".
        more_is_better: Rates are, seconds and MB are not.
        limit: The fastest bare library path that does the same reading and writing: how many
            times as fast as it ours is, one a round; by name.
        instead: What a user would write instead: likewise.
        note: Why, where an alternative is ahead.
    """

    bench: str
    what: str
    values: list[float]
    unit: str
    more_is_better: bool = False
    limit: dict[str, list[float]] = field(default_factory=dict)
    instead: dict[str, list[float]] = field(default_factory=dict)
    note: str = ""

    @property
    def name(self) -> str:
        """What tells it from all other rows."""
        return f"{self.bench}: {self.what}"


def put(
    bench: str,
    what: str,
    values: Sequence[float],
    unit: str,
    *,
    more_is_better: bool = False,
    limit: Mapping[str, Sequence[float]] | None = None,
    instead: Mapping[str, Sequence[float]] | None = None,
    note: str = "",
) -> None:
    """Hand a row to whoever gathers; nothing happens where nobody does."""
    if (place := os.environ.get(GATHER)) is None:
        return
    row = Row(
        bench, what, _floats(values), unit, more_is_better,
        {name: _floats(ratios) for name, ratios in (limit or {}).items()},
        {name: _floats(ratios) for name, ratios in (instead or {}).items()}, note,
    )  # fmt: skip
    with Path(place).open("a", encoding="utf-8") as out:
        out.write(json.dumps(asdict(row)) + "\n")


def gathered(place: Path) -> list[Row]:
    """The rows that were put so far."""
    return [Row(**json.loads(line)) for line in place.read_text(encoding="utf-8").splitlines()]


def worse(now: Sequence[Row], before: Sequence[Row], speed: float = 1.0) -> list[str]:
    """What became slower, or needs more memory: one line each, the worst first.

    Args:
        now: Of this run.
        before: Of the one landed last.
        speed: How many times as fast this machine was now, by the calibration of both runs;
            times and rates are put right by it, memory and shares are not.
    """
    old = {row.name: row for row in before}
    found = []
    for row in now:
        if row.name not in old:
            continue
        ratio, sure = _change(row, old[row.name], speed)
        if ratio > SLOWER and sure:
            then, today = middle(old[row.name].values), middle(row.values)
            found.append((ratio, f"{row.name}: {ratio:.2f} times as dear as before "
                          f"({then:.3g} then, {today:.3g} {row.unit} now)"))  # fmt: skip
    gone = [f"{name}: not measured now" for name in old if name not in {row.name for row in now}]
    return [line for _, line in sorted(found, reverse=True)] + gone


def _change(now: Row, before: Row, speed: float) -> tuple[float, bool]:
    """How many times as dear it became, and whether the spreads do not touch."""
    timed = now.unit.endswith("/s") or now.unit in ("s", "ms")
    scale = speed if timed else 1.0
    if now.more_is_better:
        ratio = middle(before.values) * scale / middle(now.values)
        return ratio, max(now.values) < min(before.values) * scale
    ratio = middle(now.values) * scale / middle(before.values)
    return ratio, min(now.values) * scale > max(before.values)


def table(rows: Sequence[Row]) -> str:
    """The rows as a Markdown table."""
    lines = ["| what | figure | against the limit | against what one would write instead |",
             "|---|---|---|---|"]  # fmt: skip
    for row in rows:
        instead = _ratios(row.instead) + (f". {row.note}" if row.note else "")
        lines.append(
            f"| `{row.bench}`: {row.what} | {spread(row.values)} {row.unit} "
            f"| {_ratios(row.limit)} | {instead or 'none'} |"
        )
    return "\n".join(lines)


def _ratios(ratios: Mapping[str, Sequence[float]]) -> str:
    return ", ".join(f"{name} {spread(found)}" for name, found in ratios.items()) or "none"


def spread(values: Sequence[float]) -> str:
    """The median, and from where to where the rounds went."""
    if len(values) == 1:
        return short(values[0])
    return f"{short(middle(values))} ({short(min(values))} to {short(max(values))})"


def short(value: float) -> str:
    """Three digits, without powers of ten."""
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


def middle(values: Sequence[float]) -> float:
    return float(statistics.median(values))


def _floats(values: Sequence[Any]) -> list[float]:
    return [float(f"{float(value):.4g}") for value in values]
