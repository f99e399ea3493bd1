"""A stretch of the log as a strip: lanes, incidents, gaps, lines."""

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.site import Site, parse_site
from loganalyzer.spans import micros
from loganalyzer.views import Analysis, analyse
from loganalyzer.views.lanes import lanes
from loganalyzer.views.strip import around, lines_near, neighbours, placed_incidents, stretch
from tests.build import at, timeline

SITE = """
[site]
id = "quay"
name = "Quay"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
[[chute.floor]]
label = "G"
[[chute.floor]]
label = "1"
[[chute.floor]]
label = "10"
"""
DAY = 86_400


def site() -> Site:
    return parse_site(SITE, "quay.toml")


def us(when: float) -> int:
    return int(micros(pd.Series([at(when)]))[0])


@pytest.fixture(scope="module")
def log() -> Analysis:
    """A use of each door, a door that stays open, a container that is full."""
    events = []
    for start, floor in ((0, "G"), (1000, "1"), (2000, "10")):
        events += [
            (start, floor, "press", "mark", {"stream": "refuse"}),
            (start + 4, floor, "unlocked", "on"),
            (start + 6, floor, "open", "on"),
            (start + (500 if floor == "1" else 12), floor, "open", "off"),
            (start + 510, floor, "unlocked", "off"),
        ]
    events += [(3000, None, "full", "on", {"stream": "refuse"}),
               (9000, None, "full", "off", {"stream": "refuse"}),
               (9500, "G", "open", "on")]  # fmt: skip
    return analyse(timeline(*events), {"quay": site()})


def test_doors_stand_as_in_the_building_and_the_chutes_own_parts_below(log: Analysis):
    names = lanes(log).names
    assert list(names["floor"].drop_duplicates()) == ["10", "1", "G", ""]
    assert list(names.loc[names["floor"].eq("1"), "signal"]) == ["press", "unlocked", "open"]
    assert names.iloc[-1][["signal", "stream"]].tolist() == ["full", "refuse"]


def test_floors_that_no_site_file_lists_stand_by_the_number_in_their_label():
    rows = [(0, "2", "press", "mark"), (1, "12", "press", "mark"), (2, "9", "press", "mark")]
    names = lanes(analyse(timeline(*rows), {})).names
    assert list(names["floor"]) == ["12", "9", "2"]


def test_a_span_whose_end_the_log_does_not_show_is_marked_so(log: Analysis):
    found = stretch(log, lanes(log), us(9000), us(9600), 100)
    last = found.marks[found.marks["single"]].iloc[-1]
    opened = lanes(log).names.set_index("lane").loc[
        found.marks.loc[~found.marks["whole"], "lane"], "signal"
    ]  # fmt: skip
    assert list(opened) == ["open"]
    assert last["start"] >= us(9000)


def test_only_the_floors_wanted_and_what_belongs_to_no_door(log: Analysis):
    found = stretch(log, lanes(log), us(0), us(DAY), 100, frozenset({"10"}))
    names = lanes(log).names.set_index("lane").loc[found.marks["lane"].unique()]
    assert set(names["floor"]) == {"10", ""}
    assert "stuck_door" not in set(found.incidents["kind"])  # that was floor 1


@settings(max_examples=40, deadline=None)
@given(st.integers(-DAY, DAY), st.integers(1, 40 * DAY), st.integers(1, 2000))
def test_every_incident_that_touches_the_stretch_is_kept_at_any_zoom(log, begin, length, pixels):
    first, last = us(begin), us(begin) + length * 1_000_000
    found = stretch(log, lanes(log), first, last, pixels).incidents
    every = log.incidents
    there = every[(micros(every["start"]) < last) & (micros(every["end"]) >= first)]
    assert set(found["incident"]) == set(there["incident"])


def test_one_steps_from_incident_to_incident_and_stops_at_the_ends(log: Analysis):
    found = placed_incidents(log)
    assert len(found) >= 2
    first, second = found["incident"].iloc[:2]
    assert neighbours(found, 0, first) == (-1, 1)
    assert neighbours(found, us(-DAY), None) == (-1, 0)
    assert neighbours(found, 0, second)[0] == 0
    assert neighbours(found, us(2 * DAY), None) == (len(found) - 1, -1)


def test_an_incident_is_shown_with_what_was_around_it():
    assert around(us(0), us(0)) == (us(-60), us(60))
    assert around(us(0), us(4000)) == (us(-1000), us(5000))


def test_the_lines_nearest_to_a_moment_in_the_order_of_the_log(log: Analysis):
    total, found = lines_near(log, us(0), us(DAY), us(1500), 4)
    assert total == len(log.timeline)
    assert len(found) == 4
    assert found["time"].is_monotonic_increasing
    assert (found["time"] - at(1500)).abs().max() <= pd.Timedelta(seconds=1000)
    assert lines_near(log, us(0), us(13), us(0), 99)[0] == 4


def test_a_log_without_a_time_that_can_be_trusted_has_no_lanes():
    rows = [(0, "1", "open", "on"), (9, "1", "open", "off"), (20, "1", "press", "mark")]
    analysis = analyse(timeline(*rows, clock="unanchored"), {"quay": site()})
    found = lanes(analysis)
    assert found.names.empty
    assert stretch(analysis, found, us(0), us(99), 100).marks.empty


def test_time_without_log_is_a_gap():
    events = [(day * DAY + hour * 3600, "1", "press", "mark")
              for day in (0, 1, 20, 21) for hour in range(24)]  # fmt: skip
    analysis = analyse(timeline(*events), {"quay": site()})
    gaps = stretch(analysis, lanes(analysis), us(0), us(30 * DAY), 100).gaps
    assert len(gaps) == 1
    assert gaps["until"].iloc[0] - gaps["begin"].iloc[0] > 17 * DAY * 1_000_000
