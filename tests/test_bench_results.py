"""What became slower is told, and what the machine's speed or the spread explains is not."""

import json
from pathlib import Path

import pytest

from tests.benchmarks.results import GATHER, Row, gathered, put, table, worse


def row(*values: float, unit: str = "s", more: bool = False) -> Row:
    return Row("bench_x", "a job", list(values), unit, more)


def test_a_job_twice_as_slow_is_told() -> None:
    (line,) = worse([row(2, 2.1, 2.2)], [row(1, 1.05, 1.1)])
    assert line == "bench_x: a job: 2.00 times as dear as before (1.05 then, 2.1 s now)"


def test_a_rate_that_halves_is_told() -> None:
    (line,) = worse([row(50, unit="events/s", more=True)], [row(100, unit="events/s", more=True)])
    assert "2.00 times" in line


def test_a_slower_machine_explains_slower_times_but_not_more_memory() -> None:
    assert not worse([row(2)], [row(1)], speed=0.5)
    assert worse([row(2, unit="MB")], [row(1, unit="MB")], speed=0.5)


def test_rounds_that_overlap_are_no_difference() -> None:
    assert not worse([row(1.0, 1.5, 1.6)], [row(0.9, 1.0, 1.1)])


def test_a_figure_that_is_no_longer_measured_is_told() -> None:
    assert worse([], [row(1)]) == ["bench_x: a job: not measured now"]


def test_rows_are_gathered_only_where_somebody_asks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "rows.jsonl"
    put("bench_x", "a job", [1.0], "s")
    assert not place.exists()
    monkeypatch.setenv(GATHER, str(place))
    put("bench_x", "a job", [1.0, 2.0], "s", instead={"a loop": [3.0, 4.0]}, note="since")
    (found,) = gathered(place)
    assert json.loads(place.read_text())["unit"] == "s"
    assert "| `bench_x`: a job | 1.5 (1 to 2) s | none | a loop 3.5 (3 to 4). since |" in table(
        [found]
    )
