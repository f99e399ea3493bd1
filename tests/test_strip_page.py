"""What the browser is handed of a strip, and where its axis has ticks."""

import pandas as pd
import pytest

from dashboards.pages.strip.axis import EPOCH, micros, ticks
from dashboards.pages.strip.payload import microseconds, written

LISBON = "Europe/Lisbon"


def us(text: str) -> int:
    return micros(pd.Timestamp(text))


@pytest.mark.parametrize(
    ("begin", "wide_s", "first", "label"),
    [
        ("2026-10-05T06:00:00Z", 3600, "2026-10-05T06:00:00Z", "07:00"),
        ("2026-10-05T06:00:00.25Z", 4, "2026-10-05T06:00:01Z", "07:00:01"),
        ("2026-10-04T22:30:00Z", 7200, "2026-10-04T22:30:00Z", "23:30"),
        ("2026-10-01T00:00:00Z", 30 * 86_400, "2026-10-04T23:00:00Z", "05 Oct"),
        ("2025-11-20T00:00:00Z", 365 * 86_400, "2026-01-01T00:00:00Z", "Jan 2026"),
    ],
)
def test_ticks_stand_at_whole_local_times(begin: str, wide_s: float, first: str, label: str):
    wide = int(wide_s * 1e6)
    found = ticks(us(begin), us(begin) + wide, wide, LISBON)
    assert 2 <= len(found) <= 9
    assert us(first) in [at for at, _ in found]
    assert dict(found)[us(first)] == label


def test_midnight_names_its_day():
    found = ticks(us("2026-10-04T20:00:00Z"), us("2026-10-05T04:00:00Z"), 8 * 3600 * 10**6, LISBON)
    assert dict(found)[us("2026-10-04T23:00:00Z")] == "Mon 05 Oct"


@pytest.mark.parametrize("day", ["2026-10-25", "2026-03-29"])
def test_ticks_are_there_and_rise_on_the_days_when_clocks_change(day: str):
    begin = us(f"{day}T00:00:00Z")
    for wide in (3600, 6 * 3600, 86_400, 3 * 86_400):
        found = [at for at, _ in ticks(begin, begin + wide * 10**6, wide * 10**6, LISBON)]
        assert found == sorted(set(found))
        assert len(found) >= 2


@pytest.mark.parametrize("at", ["2026-10-05T06:00:00Z", "2026-10-25T00:59:59.500Z"])
def test_an_address_gives_back_the_time_that_wrote_it(at: str):
    assert written(us(at)) == at
    assert microseconds(at) == us(at)


@pytest.mark.parametrize("text", [None, "", "soon", "2026-13-40", "<b>"])
def test_what_is_no_time_is_none(text: str | None):
    assert microseconds(text) is None


def test_microseconds_count_from_1970():
    assert micros(EPOCH) == 0
    assert microseconds("1970-01-01T00:00:01") == 1_000_000
