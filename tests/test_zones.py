"""Written wall clock → UTC: the repeated and the missing hour, in any zone."""

import random
import struct
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from dateutil import tz
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.clock.marks import EXACT, FOLD, GAP, mark_array, mark_codes
from loganalyzer.clock.zones import ZoneClock
from loganalyzer.errors import SettingsError
from loganalyzer.stamps.offsets import NO_OFFSET, offsets

SECOND, HOUR, DAY = 1_000_000, 3_600_000_000, 86_400_000_000
NAMED = [
    "America/New_York", "Europe/London", "Australia/Sydney", "Australia/Lord_Howe",
    "America/Mexico_City", "Asia/Kolkata", "Europe/Lisbon",
]  # fmt: skip
# The names that the package tzdata has, whatever the machine adds.
EVERY = files("tzdata").joinpath("zones").read_text().split()
# Any of the rest, the same ones each time.
SAMPLE = random.Random(6).sample(sorted(set(EVERY) - set(NAMED)), 25)


def us(text):
    return int(np.datetime64(text, "us").astype(np.int64))


def shown(time):
    return str(np.datetime64(int(time), "us"))


def naive(time):
    return datetime(1970, 1, 1) + timedelta(microseconds=int(time))  # noqa: DTZ001


def offset_at(info, utc):
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(utc))
    return moment.astimezone(info).utcoffset() // timedelta(microseconds=1)


def written(info, utc):
    """What a clock that runs right writes."""
    return np.array([int(time) + offset_at(info, time) for time in utc], np.int64)


def in_utc(zone, *texts, sets=None):
    sets_us = None if sets is None else np.array([round(value * SECOND) for value in sets])
    times, codes = ZoneClock(zone).to_utc(np.array([us(text) for text in texts]), None, sets_us)
    return [shown(time)[11:19] for time in times], codes.tolist()


# Source: zoneinfo with tzdata 2026f, dateutil.tz; written down beside the zones' rules.
@pytest.mark.parametrize(
    ("zone", "change"),
    [
        ("America/New_York", "2025-03-09T07:00"), ("America/New_York", "2025-11-02T06:00"),
        ("Europe/London", "2025-03-30T01:00"), ("Europe/London", "2025-10-26T01:00"),
        ("Australia/Sydney", "2025-04-05T16:00"), ("Australia/Sydney", "2025-10-04T16:00"),
        ("Australia/Lord_Howe", "2025-04-05T15:00"), ("Australia/Lord_Howe", "2025-10-04T15:30"),
        ("America/Mexico_City", "2022-10-30T07:00"),
    ],
)  # fmt: skip
def test_a_change_of_offset_is_found_to_the_second(zone, change):
    year = int(change[:4])
    assert us(change) in [each.utc for each in offsets(zone, year, year).changes]


def test_a_zone_that_has_given_up_summer_time_changes_no_more():
    # Source: as above. Mexico City: none after 2022; the others none from 2020 to 2025.
    assert offsets("America/Mexico_City", 2023, 2060).changes == ()
    fixed = {
        "America/Phoenix": -7, "Asia/Kolkata": 5.5, "Asia/Kathmandu": 5.75, "Asia/Tokyo": 9,
        "Asia/Singapore": 8, "Pacific/Honolulu": -10,
    }  # fmt: skip
    for zone, hours in fixed.items():
        known = offsets(zone, 2020, 2025)
        assert (known.changes, known.offset.tolist()) == ((), [hours * HOUR])


# Source: as above; the columns are the two passes of a repeated time (the same for a missing one).
@pytest.mark.parametrize(
    ("zone", "local", "first", "second", "mark"),
    [
        ("America/New_York", "2025-03-09T02:30", "2025-03-09T07:30", None, GAP),
        ("America/New_York", "2025-11-02T01:30", "2025-11-02T05:30", "2025-11-02T06:30", FOLD),
        ("Europe/London", "2025-03-30T01:30", "2025-03-30T01:30", None, GAP),
        ("Europe/London", "2025-10-26T01:30", "2025-10-26T00:30", "2025-10-26T01:30", FOLD),
        ("Australia/Sydney", "2025-04-06T02:30", "2025-04-05T15:30", "2025-04-05T16:30", FOLD),
        ("Australia/Lord_Howe", "2025-10-05T02:15", "2025-10-04T15:45", None, GAP),
        ("Australia/Lord_Howe", "2025-04-06T01:45", "2025-04-05T14:45", "2025-04-05T15:15", FOLD),
    ],
)  # fmt: skip
def test_a_local_time_that_is_missing_or_comes_twice(zone, local, first, second, mark):
    """Missing: moves forward by the gap. Twice: the order of the lines says which."""
    times, codes = ZoneClock(zone).to_utc(np.array([us(local)]))
    assert (times.tolist(), codes.tolist()) == ([us(first)], [mark])
    if second:
        later = us(local) + 10 * 60 * SECOND
        times, codes = ZoneClock(zone).to_utc(np.array([later, us(local)]))
        assert (times.tolist()[1], codes.tolist()) == (us(second), [FOLD, FOLD])


def test_the_repeated_hour_is_in_its_second_pass_once_the_time_runs_back():
    # Source: reference "door opened 01:50 EDT, closed 01:10 EST on 2025-11-02 = 20 min".
    day = "2025-11-02T"
    times, codes = in_utc(
        "America/New_York", *(day + at for at in ("00:59", "01:50", "01:10", "01:55", "02:00"))
    )
    assert times == ["04:59:00", "05:50:00", "06:10:00", "06:55:00", "07:00:00"]
    assert codes == [EXACT, FOLD, FOLD, FOLD, EXACT]


def test_a_second_out_of_turn_is_not_the_second_pass():
    times, _ = in_utc("America/New_York", "2025-11-02T01:20:05", "2025-11-02T01:20:04")
    assert times == ["05:20:05", "05:20:04"]
    times, _ = in_utc("America/New_York", "2025-11-02T01:20:05", "2025-11-02T01:20:03")
    assert times == ["05:20:05", "06:20:03"]


def test_a_set_of_the_clock_in_the_repeated_hour_is_not_its_second_pass():
    """A nightly set to a time server must not cost an hour."""
    day = "2025-11-02T"
    written_at = [
        day + "01:29:50",
        day + "01:30:05",
        day + "01:29:55",
        day + "01:40",
        day + "01:20",
    ]
    times, _ = in_utc("America/New_York", *written_at, sets=[0, 0, -12, 0, 0])
    assert times == ["05:29:50", "05:30:05", "05:29:55", "05:40:00", "06:20:00"]


def test_the_controllers_own_switch_begins_the_second_pass():
    day = "2025-11-02T"
    times, _ = in_utc("America/New_York", day + "00:30", day + "01:00", sets=[0, -3600])
    assert times == ["04:30:00", "06:00:00"]


def test_a_line_from_after_the_repeated_hour_says_that_it_is_over():
    times, _ = in_utc("America/New_York", "2025-11-02T02:00:30", "2025-11-02T01:59:50")
    assert times == ["07:00:30", "06:59:50"]


def test_a_restarted_clock_between_does_not_forget_the_pass():
    times, _ = in_utc(
        "America/New_York", "2025-11-02T01:40", "2000-01-01T00:00", "2025-11-02T01:20"
    )
    assert times == ["05:40:00", "05:00:00", "06:20:00"]


def test_two_logs_one_after_the_other_each_have_a_first_pass():
    day = ["2025-11-01T23:00", "2025-11-02T01:40", "2025-11-02T01:20"]
    times, _ = in_utc("America/New_York", *day, *day)
    assert times == ["03:00:00", "05:40:00", "06:20:00"] * 2


def test_an_offset_in_the_stamp_is_certain_in_any_zone():
    local = np.array([us("2025-11-02T01:30"), us("2025-11-02T01:10"), us("2025-11-02T01:40")])
    offset = np.array([-5 * HOUR, NO_OFFSET, NO_OFFSET])
    times, codes = ZoneClock("America/New_York").to_utc(local, offset)
    assert [shown(time)[11:16] for time in times] == ["06:30", "05:10", "05:40"]
    assert codes.tolist() == [EXACT, FOLD, FOLD]
    times, codes = ZoneClock("offset").to_utc(local, np.full(3, 2 * HOUR))
    assert (times == local - 2 * HOUR).all()
    assert (codes == EXACT).all()


def test_utc_is_left_alone_and_an_unknown_zone_is_told():
    local = np.array([us("2025-11-02T01:30")])
    assert ZoneClock("utc").to_utc(local)[0].tolist() == local.tolist()
    with pytest.raises(SettingsError, match="expected an IANA name"):
        ZoneClock("Nowhere/Land").to_utc(local)


@pytest.mark.parametrize(
    "text", ["0001-01-01", "1850-06-01", "1970-01-01", "2099-07-01", "9998-12-31"]
)
def test_far_dates_are_read_too(text):
    times, _ = ZoneClock("Asia/Tokyo").to_utc(np.array([us(text)]))
    assert abs(times[0] - us(text)) <= 10 * HOUR


@pytest.mark.parametrize("zone", NAMED)
def test_every_change_from_2000_to_2035_agrees_with_zoneinfo_and_dateutil(zone):
    # Source: zoneinfo (tz database), dateutil.tz.datetime_exists and datetime_ambiguous.
    info, other = ZoneInfo(zone), tz.gettz(zone)
    changes = offsets(zone, 2000, 2035).changes
    assert bool(changes) == (zone != "Asia/Kolkata")
    for change in changes:
        assert offset_at(info, change.utc - SECOND) == change.before
        assert offset_at(info, change.utc) == change.after
        for local in around(change):
            moment = naive(local)
            times, codes = ZoneClock(zone).to_utc(np.array([local]))
            expected = moment.replace(tzinfo=info, fold=0).astimezone(UTC).replace(tzinfo=None)
            assert naive(times[0]) == expected
            assert (codes[0] == FOLD) == tz.datetime_ambiguous(moment, other)
            assert (codes[0] == GAP) == (not tz.datetime_exists(moment, other))
            late, _ = ZoneClock(zone).to_utc(np.array([change.end, local]))
            if codes[0] == FOLD:
                second = moment.replace(tzinfo=info, fold=1).astimezone(UTC).replace(tzinfo=None)
                assert naive(late[1]) == second


def around(change):
    middle = (change.start + change.end) // 2
    edges = [change.start, change.start + SECOND, middle, change.end, change.end + HOUR]
    return [local - step for local in edges for step in (0, SECOND)]


@pytest.mark.parametrize("zone", SAMPLE)
def test_any_zone_agrees_with_zoneinfo_at_any_time(zone):
    # Source: zoneinfo (tz database).
    info, chosen = ZoneInfo(zone), np.random.default_rng(8)
    utc = np.sort(chosen.integers(us("2000-01-01"), us("2036-01-01"), 300))
    local = written(info, utc)
    times, codes = ZoneClock(zone).to_utc(local)
    clear = codes == EXACT
    assert (times[clear] == utc[clear]).all()
    assert clear.sum() > 290
    assert (times[~clear] == [at(info, time) for time in local[~clear]]).all()


def at(info, local):
    moment = naive(local).replace(tzinfo=info, fold=0)
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def test_no_zone_changes_its_offset_twice_within_a_day():
    """Else the search for changes, which asks each day, would pass over both."""
    # Source: the compiled tz database (RFC 8536), years 1970 on.
    closest = min(
        int(np.diff(changes[changes >= 0]).min(initial=10 * 86_400))
        for changes in map(compiled_changes, EVERY)
    )
    assert closest > 86_400


def compiled_changes(zone):
    """Seconds at which the offset changes, from the second block of a TZif file (RFC 8536, 3)."""
    folder, *rest = ("tzdata.zoneinfo/" + zone).split("/")
    data = files(folder).joinpath(*rest).read_bytes()
    counts = struct.unpack(">6l", data[20:44])
    start = 44 + counts[3] * 5 + counts[4] * 6 + counts[5] + counts[2] * 8 + counts[1] + counts[0]
    _, _, _, times, types, _ = struct.unpack(">6l", data[start + 20 : start + 44])
    start += 44
    at_s = np.frombuffer(data, ">i8", times, start)
    kind = np.frombuffer(data, np.uint8, times, start + 8 * times)
    records = [struct.unpack_from(">lBB", data, start + 9 * times + 6 * i) for i in range(types)]
    offset = np.array([record[0] for record in records])[kind]
    return at_s[1:][np.diff(offset) != 0]


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_on_a_busy_log_the_order_of_lines_finds_the_truth(data):
    """Lines at most 15 minutes apart leave no doubt in an hour that comes twice."""
    zone = data.draw(st.sampled_from([*NAMED, "Africa/Casablanca", "America/St_Johns"]))
    changes = offsets(zone, 2000, 2035).changes
    if not changes:
        return
    change = data.draw(st.sampled_from(changes))
    gap = abs(change.after - change.before) // 4
    gaps = data.draw(st.lists(st.integers(SECOND, gap), min_size=40, max_size=120))
    utc = change.utc - 3 * HOUR + np.cumsum(np.array(gaps))
    local = written(ZoneInfo(zone), utc)
    clock, cut = ZoneClock(zone), data.draw(st.integers(1, 40))
    times = np.concatenate([clock.to_utc(local[i : i + cut])[0] for i in range(0, len(local), cut)])
    assert (times == utc).all()


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(-40 * 60, 5 * 3600), min_size=1, max_size=40),
    st.lists(st.sampled_from([0, 0, 0, -30, 45, -3600, -1200]), min_size=40, max_size=40),
    st.integers(1, 41),
)
def test_blocks_of_any_size_give_the_same_times(seconds, added, size):
    local = us("2025-11-01T23:30") + np.array(seconds) * SECOND
    sets = np.array(added[: len(local)]) * SECOND
    clock = ZoneClock("America/New_York")
    parts = [
        clock.to_utc(local[i : i + size], None, sets[i : i + size])
        for i in range(0, len(local), size)
    ]
    times, codes = ZoneClock("America/New_York").to_utc(local, None, sets)
    assert np.concatenate([part[0] for part in parts]).tolist() == times.tolist()
    assert np.concatenate([part[1] for part in parts]).tolist() == codes.tolist()


def test_marks_come_back_from_their_column_whatever_its_dictionary():
    codes = np.array([GAP, EXACT, FOLD], np.int8)
    assert mark_codes(mark_array(codes)).tolist() == codes.tolist()
    assert mark_codes(mark_array(codes).cast("string")).tolist() == codes.tolist()
