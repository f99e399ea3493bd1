"""What is true of any log: the fast tables equal the slow ones, and nothing is counted twice."""

from collections import Counter
from typing import Any

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loganalyzer.cycles import cycles
from loganalyzer.intervals import pair
from loganalyzer.tables import SIGNAL_EDGES, TABLES
from loganalyzer.visits import visits
from tests.build import timeline
from tests.slow_reference import Chute, as_rows, chutes_of, slow_tables

LIMITS = {"press_window_s": 90, "clearing_s": 12}  # the defaults
AT_A_DOOR = ("press", "refusal", "unlocked", "open", "lockout")
FREQUENT = ("press", "press", "refusal", "unlocked", "open", "open", "positioning", "clearing")
STEPS = ((0,), (0, 1, 2, 5), (0, 2, 11, 12, 13, 90, 91), (0, 0.5, 1, 30, -40))

quick = settings(
    max_examples=40, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip


@st.composite
def impossible_logs(draw: st.DrawFn) -> list[tuple[Any, ...]]:
    """Events of two chutes in any order, each chute recording only some signals."""
    kept = {chute: draw(st.sets(st.sampled_from(list(SIGNAL_EDGES)))) for chute in "AB"}
    complete = draw(st.booleans())
    step = st.sampled_from(draw(st.sampled_from(STEPS)))
    signal = st.sampled_from((*FREQUENT, *FREQUENT, *SIGNAL_EDGES))
    clocks = draw(st.sampled_from((("exact",), ("exact", "exact", "unanchored"))))
    events, now = [], 0.0
    for number in range(draw(st.integers(0, 40))):
        now += draw(step)
        name, chute = draw(signal), draw(st.sampled_from("AAB"))
        if complete or name in kept[chute]:
            edge = draw(st.sampled_from(SIGNAL_EDGES[name]))
            more = details(draw, name) | {"chute": chute, "clock": draw(st.sampled_from(clocks))}
            floor = draw(st.sampled_from("78")) if name in AT_A_DOOR else more.pop("floor", None)
            events.append((now, floor, name, edge, more | {"line": number}))
    return events


def details(draw: st.DrawFn, signal: str) -> dict[str, Any]:
    """What else an event of this signal may tell."""
    if signal == "refusal":
        return {"code": draw(st.sampled_from(["busy", "lockout", None]))}
    if signal == "fault":
        return {
            "code": draw(st.sampled_from(["E1", None])),
            "floor": draw(st.sampled_from(["7", None])),
        }
    if signal == "positioning":
        return {
            "floor": draw(st.sampled_from([None, None, "7"])),
            "stream": draw(st.sampled_from(["refuse", None])),
        }
    if signal in ("press", "full", "unlocked", "open", "compacting"):
        return {"stream": draw(st.sampled_from(["refuse", "organics", None]))}
    return {}


@st.composite
def damaged_logs(draw: st.DrawFn) -> list[tuple[Any, ...]]:
    """Uses as a controller writes them, with lines lost and swapped, and trouble thrown in."""
    events, now = [], 0.0
    for _ in range(draw(st.integers(1, 5))):
        now += draw(st.sampled_from([1, 20, 60, 89, 200]))
        for after, *event in use_of(draw(st.sampled_from("78"))):
            now += after
            if draw(st.integers(0, 9)):
                events.append((now, *event))
            if not draw(st.integers(0, 19)):
                events.append((now, None, *draw(st.sampled_from(TROUBLE))))
            if len(events) > 1 and not draw(st.integers(0, 19)):
                events[-2:] = [(events[-2][0], *events[-1][1:]), (now, *events[-2][1:])]
    return events


TROUBLE = [
    ("power", "off"), ("power", "on"), ("service", "on"), ("service", "off"), ("fault", "mark"),
    ("full", "on"), ("positioning", "on"),
]  # fmt: skip


def use_of(floor: str) -> list[tuple[Any, ...]]:
    """One use: seconds since the event before, floor, signal, edge, more."""
    busy = {"code": "busy"}
    return [
        (0, floor, "press", "mark", {"stream": "refuse"}), (0, None, "positioning", "on"),
        (3, None, "positioning", "off"), (0, floor, "unlocked", "on"), (2, floor, "open", "on"),
        (1, "8", "press", "mark"), (0, "8", "refusal", "mark", busy), (5, floor, "open", "off"),
        (1, floor, "open", "on"), (1, floor, "open", "off"), (0, floor, "unlocked", "off"),
        (0, None, "clearing", "on"), (3, "7", "press", "mark"), (0, "7", "refusal", "mark", busy),
        (9, None, "clearing", "off"),
    ]  # fmt: skip


def fast_tables(log: pd.DataFrame) -> dict[str, pd.DataFrame]:
    intervals = pair(log)
    uses = cycles(log, intervals, {})
    return {"intervals": intervals, "cycles": uses, "visits": visits(log, uses, intervals, {})}


def assert_fast_equals_slow(events: list[tuple[Any, ...]]) -> None:
    log = timeline(*events)
    slow = slow_tables(log, LIMITS)
    for name, table in fast_tables(log).items():
        columns = TABLES[name].names
        assert list(table.columns) == columns
        assert as_rows(table) == [{column: row[column] for column in columns} for row in slow[name]]


@quick
@given(impossible_logs())
def test_fast_and_slow_agree_on_logs_in_any_order(events):
    assert_fast_equals_slow(events)


@quick
@given(damaged_logs())
def test_fast_and_slow_agree_on_damaged_logs(events):
    assert_fast_equals_slow(events)


@quick
@given(damaged_logs() | impossible_logs())
def test_every_press_belongs_to_exactly_one_visit(events):
    """Counted door by door; a refusal that stands alone is a press too, and no other is."""
    log = timeline(*events)
    counted: Counter[tuple[str, str]] = Counter()
    for visit in fast_tables(log)["visits"].to_dict("records"):
        counted[visit["chute"], visit["floor"]] += visit["presses"]
    asked = log[log["signal"] == "press"]
    written = Counter(zip(asked["chute"], asked["floor"], strict=True))
    alone: Counter[tuple[str, str]] = Counter()
    for chute in chutes_of(log):
        for press in Chute(chute, LIMITS).presses:
            event = chute[press["place"]]
            alone[event["chute"], event["floor"]] += event["signal"] == "refusal"
    assert counted == written + alone


@quick
@given(damaged_logs() | impossible_logs())
def test_each_opened_cycle_with_a_press_belongs_to_exactly_one_served_visit(events):
    tables = fast_tables(timeline(*events))
    uses, attempts = tables["cycles"], tables["visits"]
    served = attempts[attempts["result"] == "served"]
    for use in uses[uses["pressed"].notna() & uses["opened"].notna()].to_dict("records"):
        same = served[(served["chute"] == use["chute"]) & (served["floor"] == use["floor"])]
        same = same[(same["start"] <= use["pressed"]) & (use["pressed"] <= same["end"])]
        assert len(same) >= 1
    pressed = uses[uses["pressed"].notna()]
    assert not pressed.duplicated(["chute", "line"]).any()  # no press is acted upon twice


@quick
@given(damaged_logs() | impossible_logs())
def test_every_on_begins_one_interval_and_every_unlock_is_one_cycle(events):
    log = timeline(*events)
    tables = fast_tables(log)
    paired = log["signal"].isin(
        ["positioning", "unlocked", "open", "clearing", "lockout", "full", "service", "fault",
         "power", "compacting"]
    )  # fmt: skip
    assert tables["intervals"]["start_known"].sum() == (paired & (log["edge"] == "on")).sum()
    assert tables["intervals"]["end_known"].sum() == (paired & (log["edge"] == "off")).sum()
    unlocks = (log["signal"] == "unlocked") & (log["edge"] == "on")
    assert tables["cycles"]["unlocked"].notna().sum() == unlocks.sum()


@quick
@given(damaged_logs(), damaged_logs(), st.integers(1, 30))
def test_a_log_cut_into_pieces_gives_the_same_tables(events, more, size):
    """Long logs are worked off in pieces of whole chutes; where they are cut must not show."""
    marked = [
        (*event[:4], {**(event[4] if len(event) > 4 else {}), "chute": chute})
        for chute, part in zip("ABC", (events, more, events), strict=True)
        for event in part
    ]
    log = timeline(*marked)
    whole = fast_tables(log)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("loganalyzer.keys.PART", size)
        for name, table in fast_tables(log).items():
            pd.testing.assert_frame_equal(table, whole[name])


@quick
@given(damaged_logs())
def test_another_chute_in_the_log_changes_nothing(events):
    alone = fast_tables(timeline(*events))
    more = [(when, *rest[:3], {**(rest[3] if len(rest) > 3 else {}), "chute": "B"})
            for when, *rest in events[::2]]  # fmt: skip
    numbered = [
        (when, *rest[:3], {**(rest[3] if len(rest) > 3 else {}), "line": number})
        for number, (when, *rest) in enumerate(events, start=1)
    ]
    both = fast_tables(timeline(*numbered, *more))
    for name, table in alone.items():
        mine = both[name][(both[name]["chute"] == "A").to_numpy()]
        assert as_rows(mine) == as_rows(table)
