"""Lockouts and episodes: logged, inferred, counted once."""

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.facts import facts
from loganalyzer.measures.lockouts import infer, lockouts
from loganalyzer.tables import empty
from tests.build import at, timeline

NO_INTERVALS = empty("intervals")


def presses(*seconds, floor="7"):
    return [(s, floor, "press", "mark") for s in seconds]


def found(*events):
    log = timeline(*events)
    return lockouts(log, NO_INTERVALS, facts(log, {}))


def logged(*spans, floor="7", known=True):
    """Intervals of logged lockouts, and a timeline that holds their edges."""
    events = [
        e
        for on, off in spans
        for e in [(on, floor, "lockout", "on"), (off, floor, "lockout", "off")]
    ]
    log = timeline(*events)
    ons = log[log["edge"].eq("on")]
    rows = ons[["site", "chute", "floor", "signal", "source", "line"]].assign(
        start=ons["time"].to_numpy(),
        end=log.loc[log["edge"].eq("off"), "time"].to_numpy(),
        start_known=True,
        end_known=known,
        ended_by="off",
    )
    rows["start"] = pd.to_datetime(rows["start"], utc=True)
    rows["end"] = pd.to_datetime(rows["end"], utc=True)
    rows["seconds"] = (rows["end"] - rows["start"]).dt.total_seconds()
    return lockouts(log, rows, facts(log, {}))


# Source of the limits 4 presses, 90 s, 90 s: common practice, no source.
def test_the_fifth_press_within_the_window_locks_the_door():
    (lockout,) = found(*presses(0, 10, 20, 30, 40), (600, "8", "press", "mark")).to_dict("records")
    assert (lockout["start"], lockout["end"]) == (at(40), at(40 + 90))
    assert lockout["inferred"]
    assert lockout["seconds"] == 90
    assert lockout["line"] == 5


def test_four_presses_lock_nothing():
    assert found(*presses(0, 10, 20, 30), (600, "8", "press", "mark")).empty


def test_a_press_exactly_at_the_end_of_the_window_is_inside():
    assert len(found(*presses(0, 10, 20, 30, 90))) == 1
    assert found(*presses(0, 10, 20, 30, 90.001)).empty


def test_a_press_during_the_lockout_prolongs_it():
    (lockout,) = found(*presses(0, 1, 2, 3, 4, 90), (600, "8", "press", "mark")).to_dict("records")
    assert lockout["end"] == at(180)


def test_after_a_lockout_the_count_begins_anew():
    # 100 is after the end at 94: with 101 to 103 that makes four, not a second lockout.
    table = found(*presses(0, 1, 2, 3, 4, 100, 101, 102, 103), (900, "8", "press", "mark"))
    assert len(table) == 1
    table = found(*presses(0, 1, 2, 3, 4, 100, 101, 102, 103, 104), (900, "8", "press", "mark"))
    assert table["start"].tolist() == [at(4), at(104)]


def test_other_doors_presses_do_not_count():
    assert found(*presses(0, 10, 20, 30), *presses(40, floor="8")).empty


def test_a_lockout_that_the_log_does_not_see_end_has_no_length():
    (lockout,) = found(*presses(0, 10, 20, 30, 40)).to_dict("records")
    assert lockout["ongoing"]
    assert not lockout["end_known"]
    assert np.isnan(lockout["seconds"])


def test_where_lockouts_are_logged_none_is_inferred():
    events = [*presses(0, 10, 20, 30, 40), (5000, "9", "lockout", "on")]
    assert found(*events).empty


def test_presses_of_a_clock_that_nobody_set_count_for_nothing():
    events = [(*p, {"clock": "unanchored"}) for p in presses(0, 10, 20, 30, 40)]
    assert found(*events, (900, "8", "press", "mark")).empty


def test_lockouts_within_ten_minutes_are_one_episode():
    table = logged((0, 90), (690, 800), (1401, 1500))
    assert table["in_episode"].tolist() == [1, 2, 1]
    assert table["episode_size"].tolist() == [2, 2, 1]
    assert table["episode_start"].tolist() == [at(0), at(0), at(1401)]
    assert not table["inferred"].any()


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=60),
    st.integers(1, 5),
    st.integers(1, 60),
    st.integers(1, 60),
)
def test_inferred_lockouts_agree_with_a_controller_played_press_by_press(
    gaps, limit, window, quiet
):
    times = np.cumsum(gaps)
    assert infer(times, limit, window, quiet) == played(times, limit, window, quiet)


def played(times, limit, window, quiet):
    """The same rule as a controller would run it: slow and obvious."""
    counted, spans = [], []
    for place, time in enumerate(times):
        if spans and time < times[spans[-1][1]] + quiet:
            spans[-1] = (spans[-1][0], place)
            continue
        counted = [p for p in counted if time - times[p] <= window] + [place]
        if len(counted) > limit:
            spans.append((place, place))
            counted = []
    return spans
