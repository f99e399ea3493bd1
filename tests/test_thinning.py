"""Thinning out hides nothing that lies in view."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.views.thinning import Spans, thinned

SECOND = 1_000_000
BEGIN, UNTIL = 1_700_000_000 * SECOND, 1_700_086_400 * SECOND  # a day
ONE = st.tuples(
    st.integers(0, 3),
    st.integers(BEGIN - 3600 * SECOND, UNTIL + 3600 * SECOND),
    st.one_of(st.just(0), st.integers(0, 90 * SECOND), st.integers(0, 100_000 * SECOND)),
)


def spans(*rows: tuple[int, int, int]) -> Spans:
    """(lane, start, length) in any order."""
    table = np.array(sorted(rows), dtype=np.int64).reshape(-1, 3)
    return Spans(table[:, 0], table[:, 1], table[:, 1] + table[:, 2])


def in_view(all_spans: Spans) -> pd.DataFrame:
    rows = pd.DataFrame({"lane": all_spans.lane, "start": all_spans.start, "end": all_spans.end})
    return rows[(rows["start"] < UNTIL) & (rows["end"] >= BEGIN)]


@settings(max_examples=60, deadline=None)
@given(st.lists(ONE, max_size=60), st.integers(1, 200))
def test_every_span_in_view_lies_within_the_marks_of_its_lane(rows, pixels):
    given_spans = spans(*rows)
    marks = thinned(given_spans, BEGIN, UNTIL, pixels)
    for row in in_view(given_spans).itertuples():
        mine = marks[marks["lane"].eq(row.lane)]
        reach = max(row.start, BEGIN)
        for mark in mine.itertuples():  # sorted: walk along them
            if mark.start <= reach <= mark.end:
                reach = max(reach, mark.end)
        assert reach >= min(row.end, UNTIL)


@settings(max_examples=60, deadline=None)
@given(st.lists(ONE, max_size=60), st.integers(1, 200))
def test_the_marks_of_a_lane_count_the_spans_in_view(rows, pixels):
    given_spans = spans(*rows)
    marks = thinned(given_spans, BEGIN, UNTIL, pixels)
    counted = marks.groupby("lane")["n"].sum().to_dict()
    assert counted == in_view(given_spans).groupby("lane").size().to_dict()


@settings(max_examples=60, deadline=None)
@given(st.lists(ONE, max_size=60), st.integers(1, 200))
def test_no_lane_has_more_marks_than_pixels_and_none_shows_what_is_not_there(rows, pixels):
    given_spans = spans(*rows)
    marks = thinned(given_spans, BEGIN, UNTIL, pixels)
    assert marks.groupby("lane").size().le(pixels).all()
    assert marks["level"].between(1, 4).all()
    width = (UNTIL - BEGIN) / pixels
    there = in_view(given_spans)
    for mark in marks.itertuples():
        mine = there[there["lane"].eq(mark.lane)]
        near = mine[(mine["start"] <= mark.end) & (mine["end"] >= mark.start)]
        assert len(near)
        assert mark.start >= near["start"].clip(lower=BEGIN).min() - width - 1
        assert mark.end <= near["end"].clip(upper=UNTIL).max() + width + 1


def test_a_span_alone_is_drawn_as_it_is_and_names_its_row():
    given_spans = spans((1, BEGIN + 10 * SECOND, 5 * SECOND), (1, BEGIN + 9000 * SECOND, 0))
    marks = thinned(given_spans, BEGIN, UNTIL, 100)
    assert list(marks["single"]) == [True, True]
    assert list(marks["row"]) == [0, 1]
    assert list(marks["end"] - marks["start"]) == [5 * SECOND, 0]


@pytest.mark.parametrize(("share", "level"), [(0.05, 1), (0.2, 2), (0.5, 3), (0.9, 4)])
def test_the_level_tells_how_much_of_the_time_is_filled(share: float, level: int):
    pixel = (UNTIL - BEGIN) // 10
    half = int(pixel * share / 2)
    marks = thinned(spans((0, BEGIN, half), (0, BEGIN + half, half)), BEGIN, UNTIL, 10)
    assert list(marks["level"]) == [level]
    assert list(marks["n"]) == [2]


@pytest.mark.parametrize(("number", "level"), [(2, 2), (5, 3), (20, 4)])
def test_the_level_of_moments_tells_how_many_there_are(number: int, level: int):
    marks = thinned(spans(*((0, BEGIN + i, 0) for i in range(number))), BEGIN, UNTIL, 10)
    assert list(marks["level"]) == [level]


def test_a_long_span_among_many_short_ones_is_seen_to_its_end():
    """A door that stood open for hours while another contact of its lane bounced."""
    short = [(0, BEGIN + i * SECOND, SECOND // 2) for i in range(50)]
    marks = thinned(spans((0, BEGIN, 40_000 * SECOND), *short), BEGIN, UNTIL, 100)
    assert marks["end"].max() >= BEGIN + 40_000 * SECOND
    assert marks["n"].sum() == 51


def test_nothing_in_view_gives_no_marks():
    assert thinned(spans(), BEGIN, UNTIL, 100).empty
    assert thinned(spans((0, UNTIL, 5)), BEGIN, UNTIL, 100).empty
