"""Stretches with and without log, and the local hours they cover."""

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.localtime import exposure
from loganalyzer.measures.coverage import coverage
from loganalyzer.site import Chute, Site
from loganalyzer.tables import conform, empty
from tests.build import timeline

HOUR, DAY = 3600, 86400


def site(zone):
    return {"quay": Site("quay", "Quay", zone, (Chute(id="A", profile="p"),))}


def busy(start, hours, floor="7"):
    """A press every ten minutes."""
    return [(start + i * 600, floor, "press", "mark") for i in range(hours * 6)]


def test_a_log_without_silence_is_one_stretch():
    (row,) = coverage(timeline(*busy(0, 24))).to_dict("records")
    assert row["covered"]
    assert (row["seconds"], row["events"], row["line"]) == (24 * HOUR - 600, 144, 1)


def test_a_silence_of_two_days_is_a_gap_with_its_last_line():
    table = coverage(timeline(*busy(0, 24), *busy(3 * DAY, 24)))
    assert table["covered"].tolist() == [True, False, True]
    assert table["reason"].tolist()[1] == "no lines"
    assert table["line"].tolist() == [1, 144, 145]
    assert table["events"].sum() == 288


def test_stretches_touch_and_add_up_to_the_whole():
    table = coverage(timeline(*busy(0, 24), *busy(3 * DAY, 24), *busy(9 * DAY, 5)))
    assert (table["start"].iloc[1:].to_numpy() == table["end"].iloc[:-1].to_numpy()).all()
    assert table["seconds"].sum() == 9 * DAY + 5 * HOUR - 600


def test_nights_of_a_quiet_building_are_not_gaps():
    # Every night is silent for 11 h; one of 13 h is below three times the usual.
    days = [e for day in range(30) for e in busy(day * DAY, 13)]
    assert coverage(timeline(*days, *busy(30 * DAY + 2 * HOUR, 2)))["covered"].all()


def test_a_power_cut_is_power_off_however_short():
    table = coverage(
        timeline(
            *busy(0, 2),
            (2 * HOUR, None, "power", "off"),
            (2 * HOUR + 60, None, "power", "on"),
            (3 * HOUR, "7", "press", "mark"),
        )
    )
    assert table["reason"].fillna("").tolist() == ["", "power off", ""]
    assert table["seconds"].tolist()[1] == 60


def test_events_of_a_clock_that_nobody_set_cover_nothing():
    lost = [(-800_000_000, "7", "press", "mark", {"clock": "unanchored"})] * 3
    table = coverage(timeline(*busy(0, 2), *lost, (3 * HOUR, "7", "press", "mark")))
    assert table["covered"].tolist() == [True, False]
    assert table["reason"].tolist()[1] == "clock not set"
    assert table["events"].sum() == 13


def test_a_clock_that_ran_back_a_little_makes_no_negative_silence():
    table = coverage(
        timeline((100, "7", "press", "mark"), (40, "7", "press", "mark"), *busy(160, 1))
    )
    assert table["seconds"].ge(0).all()


def test_no_events_no_stretches():
    assert conform(coverage(empty("timeline")), "coverage").num_rows == 0
    lost = timeline((0, "7", "press", "mark", {"clock": "unanchored"}))
    assert coverage(lost).empty


def covering(start, end):
    return pd.DataFrame(
        {
            "site": ["quay"], "chute": ["A"], "start": [pd.Timestamp(start, tz="UTC")],
            "end": [pd.Timestamp(end, tz="UTC")], "covered": [True],
        }
    ).astype({"start": "datetime64[us, UTC]", "end": "datetime64[us, UTC]"})  # fmt: skip


@pytest.mark.parametrize(
    ("zone", "day", "hour", "hours"),
    [
        # Source: tz database. Clocks go back in the night to Sunday 2025-10-26 in Europe, and
        # forward in the night to Sunday 2025-03-30; Lord Howe moves by half an hour.
        ("Europe/Berlin", "2025-10-26", 2, 2.0),
        ("Europe/Berlin", "2025-03-30", 2, 0.0),
        ("Europe/Berlin", "2025-06-01", 2, 1.0),
        ("Australia/Lord_Howe", "2025-04-06", 1, 1.5),
        ("Australia/Lord_Howe", "2025-10-05", 2, 0.5),
        ("Asia/Kathmandu", "2025-06-01", 2, 1.0),
    ],
)
def test_an_hour_that_occurs_twice_counts_twice(zone, day, hour, hours):
    noon = pd.Timestamp(day)
    table = exposure(covering(noon - pd.Timedelta("2D"), noon + pd.Timedelta("2D")), site(zone))
    sunday = table[table["day"].eq(noon) & table["hour_of_week"].eq(6 * 24 + hour)]
    assert sunday["seconds"].sum() == hours * HOUR


@settings(max_examples=30, deadline=None)
@given(
    st.integers(0, 400 * DAY),
    st.integers(1, 20 * DAY),
    st.sampled_from(["UTC", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe"]),
)
def test_exposure_adds_up_to_the_time_covered(start, length, zone):
    begin = pd.Timestamp("2025-01-01") + pd.Timedelta(seconds=start)
    table = exposure(covering(begin, begin + pd.Timedelta(seconds=length)), site(zone))
    assert table["seconds"].sum() == pytest.approx(length)
