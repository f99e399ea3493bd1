"""What is true of any import: order, repetition and cutting change nothing."""

import tempfile
from collections import Counter
from datetime import datetime
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from loganalyzer.ingest import undo
from loganalyzer.store import Store, disk
from tests.exports import Log, history, take, write

FEW = settings(
    max_examples=12, deadline=None,
    suppress_health_check=list(HealthCheck),
)  # fmt: skip
# An ordinary morning; the evening before and the midst of a repeated hour (tz database: Lisbon,
# 2025-10-26, 02:00 back to 01:00).
TEXTS = ("BUTTON", "DOOR OPEN")
STARTS = ("2025-03-03 08:00:00", "2025-10-26 00:20:00", "2025-10-26 01:30:00")


@pytest.fixture(autouse=True)
def _no_flushing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Waiting for the disk says nothing about these properties."""
    monkeypatch.setattr(disk.os, "fsync", lambda handle: None)


@st.composite
def logs(draw: st.DrawFn) -> list[str]:
    """A log with either a repeated hour, or restarts of the clock and drift, or large steps.

    Not all at once: what nobody could tell apart, no rule can.
    """
    start = draw(st.sampled_from(STARTS))
    log, kind = Log(start), "fold" if "10-26" in start else draw(st.sampled_from(("cuts", "steps")))
    sets = {"fold": (), "cuts": (-5, 40, 280), "steps": (-5, 40, 280, -400, 5000)}[kind]
    for what in draw(st.lists(st.sampled_from(["event"] * 6 + ["set", "cut"]), max_size=25)):
        wait = draw(st.sampled_from((0, 0, 1, 7, 240, 900, 2400)))
        if what == "cut" and kind == "cuts":
            log.power_cut(wait)
        elif what == "set" and log.restarted:
            log.put_right(wait + 1)
        elif what == "set" and sets:
            log.set_clock(draw(st.sampled_from(sets)), wait + 1)
        else:
            log.event(wait, draw(st.sampled_from("12")), draw(st.sampled_from(TEXTS)))
    assume(len(log.lines) > 1)
    return log.lines


def can_be_placed(lines: list[str]) -> bool:
    """Whether a part of a log says where in it it belongs.

    Not if it is all in one second, shorter than a set of the clock back that it holds, or never
    leaves the repeated hour (`beginnings.py`, `folds.py`).
    """
    times = [datetime.strptime(line[:19], "%d.%m.%Y;%H:%M:%S") for line in lines]  # noqa: DTZ007
    back = max([0, *(-int(line.split(";")[6]) for line in lines if "CLOCK" in line)])
    folded = all(line.startswith("26.10.2025;01") for line in lines)
    return (times[-1] - times[0]).total_seconds() > back and len(set(times)) > 1 and not folded


def imported(*commits: list[list[str]]) -> pd.DataFrame:
    """The history after some imports of some exports each."""
    with tempfile.TemporaryDirectory() as folder:
        for number, exports in enumerate(commits):
            paths = [
                write(Path(folder) / f"{number}" / f"{place}.csv", lines)
                for place, lines in enumerate(exports)
            ]
            take(Path(folder) / "store", *paths)
        return history(Path(folder) / "store")


@FEW
@given(data=st.data())
def test_cutting_an_export_in_two_changes_nothing(data: st.DataObject):
    lines = data.draw(logs())
    cut = data.draw(st.integers(1, len(lines) - 1))
    head, tail = lines[:cut], lines[cut:]
    # n equal lines stay as many as the one export holds that holds most: the contract's rule.
    assume(not set(head) & set(tail))
    assume(can_be_placed(head) and can_be_placed(tail))
    assert_frame_equal(imported([head, tail]), imported([lines]))


@FEW
@given(data=st.data())
def test_order_and_repetition_change_nothing(data: st.DataObject):
    lines = data.draw(logs())
    spot = st.integers(0, len(lines))
    windows = [sorted((data.draw(spot), data.draw(spot))) for _ in range(3)]
    exports = [lines[low:high] for low, high in windows if low < high]
    assume(exports)
    shuffled = data.draw(st.permutations(exports))
    again = data.draw(st.lists(st.sampled_from(exports), max_size=2))
    assert_frame_equal(imported(exports), imported(*[[one] for one in [*shuffled, *again]]))


@FEW
@given(data=st.data())
def test_overlapping_exports_give_the_whole_log(data: st.DataObject):
    lines = data.draw(logs())
    assume(len(set(lines)) == len(lines))
    cut = data.draw(st.integers(1, len(lines) - 1))
    over = data.draw(st.integers(1, len(lines)))
    head, tail = lines[: cut + over], lines[cut:]
    assume(can_be_placed(head) and can_be_placed(tail))
    assert_frame_equal(imported([tail], [head]), imported([lines]))


@FEW
@given(data=st.data())
def test_undo_leaves_the_store_as_if_the_export_had_never_come(data: st.DataObject):
    lines = data.draw(logs())
    cut = data.draw(st.integers(1, len(lines) - 1))
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "store"
        first = write(Path(folder) / "first.csv", lines[:cut])
        second = write(Path(folder) / "second.csv", lines[cut // 2 :])
        take(store, first)
        before = history(store), Store.open(store).imports()
        take(store, second)
        undo(Store.open(store), "second.csv")
        assert_frame_equal(history(store), before[0])
        assert_frame_equal(Store.open(store).imports(), before[1])


@FEW
@given(st.lists(st.sampled_from("abc"), min_size=1, max_size=8), st.data())
def test_n_equal_lines_stay_as_many_as_the_export_that_holds_most(
    doors: list[str], data: st.DataObject
):
    """All in one second: nothing but counting tells how many there were."""
    log = Log("2025-03-03 08:00:00")
    for door in doors:
        log.event(0, door, "BUTTON")
    exports = [
        data.draw(st.lists(st.sampled_from(log.lines), min_size=1, max_size=8)) for _ in range(2)
    ]
    exports = [log.lines, *exports]
    most = Counter[str]()
    for lines in exports:
        most |= Counter(line.split(";")[2] for line in lines)
    assert Counter(imported(exports)["floor"]) == most
