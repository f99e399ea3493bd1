"""Stamps: by column where the format allows, by python-dateutil where it does not, else not ok."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pyarrow as pa
import pytest
from babel import Locale
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.clock.zones import ZoneClock
from loganalyzer.errors import ProfileError
from loganalyzer.stamps import Stamps, YearFinder, is_uptime, needs_year
from loganalyzer.stamps.forms import form
from loganalyzer.stamps.offsets import NO_OFFSET

RECEIVED = datetime(2026, 3, 1, 12, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)
DAYFIRST = "%d.%m.%Y %H:%M:%S"


@dataclass(frozen=True)
class Rule:
    format: str
    zone: str = "site"


def parsed(time_format, *texts, zone="site", first_year=None):
    return Stamps(Rule(time_format, zone), RECEIVED, first_year).parse(pa.array(texts, pa.string()))


def read(time_format, *texts, **more):
    """Written times as ISO text, None where not ok."""
    found = parsed(time_format, *texts, **more)
    return [
        str(np.datetime64(int(time), "us")).removesuffix(".000000") if ok else None
        for time, ok in zip(found.written, found.ok, strict=True)
    ]


def us(moment):
    return (moment - datetime(1970, 1, 1)) // MICROSECOND  # noqa: DTZ001


# Source: RFC 3339 section 5.8, as listed in public tests. A leap second is the next second.
@pytest.mark.parametrize(
    ("text", "unix"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397),
        ("1990-12-31T23:59:60Z", 662688000),
        ("1990-12-31T15:59:60-08:00", 662688000),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
        ("1985-04-12t23:20:50.52z", 482196050.52),
        ("1996-12-20T00:39:57-00:00", 851042397),
    ],
)
def test_the_examples_of_rfc_3339(text, unix):
    found = parsed("iso", text)
    assert found.ok.all()
    assert found.by_dateutil == 0
    utc, _ = ZoneClock("Asia/Tokyo").to_utc(found.written, found.offset_us)
    assert utc[0] == round(unix * 1e6)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2024-10-27T01:30:00", "2024-10-27T01:30:00"),
        ("2024-10-27 01:30:00", "2024-10-27T01:30:00"),
        ("2024-10-27 01:30", "2024-10-27T01:30:00"),
        ("2024-10-27 01:30:00,25", "2024-10-27T01:30:00.250000"),
        ("2024-10-27 01:30:00.123456789", "2024-10-27T01:30:00.123456"),
        ("2024-10-27 01:30:00.5+01", "2024-10-27T01:30:00.500000"),
        ("2024-02-29 00:00:00", "2024-02-29T00:00:00"),
        ("2023-02-29 00:00:00", None),
        ("2024-02-31 00:00:00", None),
        ("2024-10-27 24:00:00", None),
        ("2024-10-27 23:60:00", None),
        ("2024-10-27 23:58:60", None),
        ("2024-10-27 23:59:61", None),
        ("2024-10-27 01:3x:00", None),
        ("2024-10-27 01:30:00+24:00", None),
    ],
)
def test_iso_as_controllers_write_it(text, expected):
    assert read("iso", text) == [expected]


@pytest.mark.parametrize(
    ("time_format", "text", "expected"),
    [
        (DAYFIRST, "27.10.2024 01:30:00", "2024-10-27T01:30:00"),
        (DAYFIRST, "1.2.2024 3:04:05", "2024-02-01T03:04:05"),
        (DAYFIRST, "31.02.2024 01:30:00", None),
        (DAYFIRST, "30.06.2015 23:59:60", "2015-07-01T00:00:00"),
        ("%m/%d/%Y %I:%M:%S %p", "10/27/2024 12:30:00 AM", "2024-10-27T00:30:00"),
        ("%m/%d/%Y %I:%M:%S %p", "10/27/2024 12:30:00 PM", "2024-10-27T12:30:00"),
        ("%m/%d/%Y %I:%M:%S %p", "1/7/2024 1:30:00 PM", "2024-01-07T13:30:00"),
        ("%m/%d/%Y %I:%M:%S %p", "1/7/2024 13:30:00 PM", None),
        ("%d-%b-%y %H:%M", "07-Oct-24 23:05", "2024-10-07T23:05:00"),
        ("%d %B %Y %H:%M", "7 October 2024 23:05", "2024-10-07T23:05:00"),
        ("%Y%m%d%H%M%S", "20241027013000", "2024-10-27T01:30:00"),
        ("%Y %j %H:%M:%S.%f", "2024 060 01:30:00.5", "2024-02-29T01:30:00.500000"),
        ("%H:%M:%S %d/%m/%y", "01:30:59 27/10/24", "2024-10-27T01:30:59"),
        ("%c", "Sun Oct 27 01:30:00 2024", "2024-10-27T01:30:00"),
    ],
)
def test_strptime_formats(time_format, text, expected):
    assert read(time_format, text) == [expected]


def test_a_zone_in_the_format_is_honoured():
    found = parsed("%Y-%m-%d %H:%M:%S %z", "2024-10-27 01:30:00 +0530", "2024-10-27 01:30:00 Z")
    assert found.offset_us.tolist() == [19_800_000_000, 0]
    assert found.by_dateutil == 0


def test_zone_offset_needs_an_offset_in_the_stamp():
    texts = ["2024-10-27T01:30:00+02:00", "2024-10-27T01:30:00", "27 Oct 2024 01:30 +0200"]
    assert parsed("iso", *texts, zone="offset").ok.tolist() == [True, False, True]
    found = parsed("iso", *texts)
    assert found.offset_us.tolist() == [7_200_000_000, NO_OFFSET, 7_200_000_000]
    assert parsed("iso", texts[1]).offset_us is None


def test_numbers_since_1970():
    # Source: 1730000000 is 2024-10-27T03:33:20Z by datetime.fromtimestamp.
    assert read("epoch_s", "1730000000", "1730000000.25", "1730000000,25", "-1") == [
        "2024-10-27T03:33:20", "2024-10-27T03:33:20.250000", "2024-10-27T03:33:20.250000",
        "1969-12-31T23:59:59",
    ]  # fmt: skip
    assert read("epoch_ms", "1730000000123") == ["2024-10-27T03:33:20.123000"]
    assert read("epoch_s", "1730000000000000", "nan", "inf", "12 s", "", None) == [None] * 6


def test_epoch_stamps_are_utc_whatever_the_zone_says():
    found = parsed("epoch_s", "1730000000")
    utc, _ = ZoneClock("America/New_York").to_utc(found.written, found.offset_us)
    assert utc.tolist() == [1_730_000_000_000_000]


def test_uptimes_are_numbers_and_nothing_else():
    assert is_uptime("uptime_s")
    found = parsed("uptime_s", "0", "12.5", "-3", "2024-10-27 01:30:00")
    assert found.ok.tolist() == [True, True, False, False]
    assert found.written[:2].tolist() == [0, 12_500_000]
    assert found.offset_us is None


@pytest.mark.parametrize(
    ("time_format", "text", "expected"),
    [
        (DAYFIRST, "05/06/2024 10:00", "2024-06-05T10:00:00"),
        ("%m/%d/%Y %H:%M", "05.06.2024 10:00:30", "2024-05-06T10:00:30"),
        (DAYFIRST, "2024-10-11 10:00:00", "2024-10-11T10:00:00"),
        (DAYFIRST, "5 June 2024, 9:15 pm", "2024-06-05T21:15:00"),
        (DAYFIRST, "05.06.24 10:00:00", "2024-06-05T10:00:00"),
        (DAYFIRST, "05.06.70 10:00:00", "1970-06-05T10:00:00"),
        ("%y-%m-%d %H:%M:%S", "24-10-11 10:00", "2024-10-11T10:00:00"),
        ("iso", "20241027T013000", "2024-10-27T01:30:00"),
        ("iso", "27 Oct 2024 01:30:05.5", "2024-10-27T01:30:05.500000"),
        ("iso", "27/10/2024 01:30", "2024-10-27T01:30:00"),
        ("iso", "05.06.2024 01:30", "2024-06-05T01:30:00"),  # common practice, no source
        ("epoch_s", "05.06.24 01:30:00", "2024-06-05T01:30:00"),
        ("epoch_s", "2024-10-27 01:30:00", "2024-10-27T01:30:00"),
    ],
)
def test_what_the_format_cannot_read_goes_to_dateutil_and_is_counted(time_format, text, expected):
    assert read(time_format, text) == [expected]
    assert parsed(time_format, text).by_dateutil == 1


@pytest.mark.parametrize(
    "text",
    [
        "hello", "12", "10:05", "2024-10-27", "1730000000", "202410270130", "Monday 10:05",
        "27 Oct 10:05", "10:05 2024", "2024-10-27 10:05 closed", "99.99.2024 10:00", "", "  ",
        "05.13.2024 10:00", "2024-10-27 25:00", "x" * 100_000,
    ],
)  # fmt: skip
def test_what_holds_no_date_and_time_is_not_ok(text):
    """dateutil alone would take most of these, filling the rest from today."""
    found = parsed(DAYFIRST, text, "27.10.2024 01:30:00")
    assert found.ok.tolist() == [False, True]
    assert found.by_dateutil == 0
    assert found.written[0] == 0


def test_day_and_month_that_could_be_either_are_not_guessed():
    assert read("iso", "05/06/2024 10:00:00", "05/06/24 10:00:00") == [None, None]


def test_two_formats_in_one_block_are_both_read_and_the_second_counted():
    one = [f"{day:02d}.10.2024 01:30:00" for day in range(1, 29)]
    other = [f"2024-11-{day:02d} 07:08:09" for day in range(1, 29)]
    found = parsed(DAYFIRST, *(text for pair in zip(one, other, strict=True) for text in pair))
    assert found.ok.all()
    assert found.by_dateutil == 28


def test_nulls_and_dictionaries_and_chunks_are_taken():
    texts = pa.array(["27.10.2024 01:30:00", None, "27.10.2024 01:30:01"])
    whole = Stamps(Rule(DAYFIRST), RECEIVED).parse(texts)
    assert whole.ok.tolist() == [True, False, True]
    pieces, large = pa.chunked_array([texts[:1], texts[1:]]), texts.cast(pa.large_string())
    for given_as in (texts.dictionary_encode(), pieces, large):
        again = Stamps(Rule(DAYFIRST), RECEIVED).parse(given_as)
        assert again.written.tolist() == whole.written.tolist()
        assert again.ok.tolist() == whole.ok.tolist()
    sliced = Stamps(Rule(DAYFIRST), RECEIVED).parse(texts[2:])
    assert sliced.written.tolist() == whole.written[2:].tolist()
    assert Stamps(Rule(DAYFIRST), RECEIVED).parse(texts[:0]).ok.tolist() == []


FORMATS = [
    "iso", DAYFIRST, "%m/%d/%Y %I:%M:%S %p", "%Y%m%d %H%M%S", "%d %b %Y %H:%M:%S.%f",
    "%A, %d. %B %Y %H:%M:%S", "%H:%M:%S %d-%m-%y", "%Y-%m-%dT%H:%M:%S.%f%z", "%y%j %H:%M:%S",
]  # fmt: skip


@settings(max_examples=120, deadline=None)
@given(
    st.sampled_from(FORMATS),
    st.lists(
        st.datetimes(datetime(1970, 1, 1), datetime(2068, 12, 31)),  # noqa: DTZ001
        min_size=1,
        max_size=30,
    ),
    st.booleans(),
)
def test_any_time_written_in_a_format_is_read_back(time_format, moments, unpadded):
    """Against strptime, one by one."""
    if "%f" not in time_format:
        moments = [moment.replace(microsecond=0) for moment in moments]
    zoned = [m.replace(tzinfo=timezone(timedelta(minutes=m.minute))) for m in moments]
    style = "%Y-%m-%dT%H:%M:%S" if time_format == "iso" else time_format
    texts = [moment.strftime(style) for moment in zoned]
    if unpadded and time_format in FORMATS[1:3]:
        texts = [text.removeprefix("0").replace(" 0", " ") for text in texts]
    found = parsed(time_format, *texts)
    assert found.ok.all()
    assert found.by_dateutil == 0
    assert found.written.tolist() == [us(moment) for moment in moments]
    if "%z" in time_format:
        assert found.offset_us.tolist() == [m.minute * 60_000_000 for m in moments]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.text("0123456789:.- T+Zx", min_size=19, max_size=19), min_size=1, max_size=20))
def test_text_of_the_right_width_is_read_by_column_as_it_is_alone(texts):
    texts = ["2024-10-27T01:30:00", *texts]
    alone = form("iso")
    found = parsed("iso", *texts)
    for text, time, ok in zip(texts, found.written, found.ok, strict=True):
        expected = alone.read(text)
        if expected:
            assert (ok, time) == (True, expected[0])


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.integers(0, 10**9), min_size=1, max_size=20),
    st.lists(st.tuples(st.integers(0, 18), st.sampled_from("0123456789x: ")), max_size=8),
)
def test_one_wrong_digit_is_judged_by_column_as_it_is_alone(seconds, damage):
    texts = [str(np.datetime64(second, "s")) for second in seconds]
    for number, (place, letter) in enumerate(damage):
        text = texts[number % len(texts)]
        texts[number % len(texts)] = text[:place] + letter + text[place + 1 :]
    found = parsed("iso", *texts)
    strictly = [form("iso").read(text) for text in texts]
    lone = [Stamps(Rule("iso"), RECEIVED).parse(pa.array([text])) for text in texts]
    assert found.ok.tolist() == [bool(one.ok[0]) for one in lone]
    assert found.written.tolist() == [int(one.written[0]) for one in lone]
    assert all(bool(ok) for ok, one in zip(found.ok, strictly, strict=True) if one)


# Years that are not written.


def in_years(*texts, received=RECEIVED, size=100):
    """Read a file without years twice, as an import does."""
    rule, array = Rule("%b %d %H:%M:%S"), pa.array(texts)
    finder = YearFinder(rule)
    for first in range(0, len(texts), size):
        finder.add(array[first : first + size])
    stamps = Stamps(rule, received, finder.first_year(received))
    times = []
    for first in range(0, len(texts), size):
        found = stamps.parse(array[first : first + size])
        assert found.ok.all()
        times += [str(np.datetime64(int(time), "us"))[:10] for time in found.written]
    return times


def test_which_formats_hold_no_year():
    assert needs_year("%b %d %H:%M:%S")
    assert not any(map(needs_year, ["iso", "epoch_s", "uptime_s", DAYFIRST, "%d.%m.%y %H:%M"]))


@pytest.mark.parametrize("size", [1, 2, 100])
def test_january_after_december_is_the_next_year(size):
    # Source: RFC 3164 section 4.1.2 (no year in the stamp, one-digit days padded by a blank).
    texts = ["Nov 30 10:00:00", "Dec 31 23:59:59", "Jan  1 00:00:00", "Feb  2 08:00:00"]
    assert in_years(*texts, size=size) == ["2025-11-30", "2025-12-31", "2026-01-01", "2026-02-02"]


def test_the_last_line_is_not_later_than_a_day_after_it_was_received():
    assert in_years("Mar  2 11:00:00") == ["2026-03-02"]
    assert in_years("Mar  2 13:00:00") == ["2025-03-02"]


def test_lines_out_of_turn_at_new_year_keep_their_years():
    texts = ["Dec 31 23:59:59", "Jan  1 00:00:01", "Dec 31 23:59:58", "Jan  1 00:00:02"]
    assert in_years(*texts) == ["2025-12-31", "2026-01-01", "2025-12-31", "2026-01-01"]


def test_a_quiet_new_year_is_seen_but_a_clock_that_lost_its_date_is_not_one():
    assert in_years("Nov 30 10:00:00", "Feb  2 08:00:00") == ["2025-11-30", "2026-02-02"]
    lost = in_years("Oct 10 10:00:00", "Jan  1 00:00:00", "Oct 11 08:00:00")
    assert lost == ["2025-10-10", "2025-01-01", "2025-10-11"]


def test_a_leap_day_says_which_years_can_be_meant():
    texts = ["Dec 31 10:00:00", "Feb 29 10:00:00", "Mar  1 10:00:00"]
    assert in_years(*texts) == ["2023-12-31", "2024-02-29", "2024-03-01"]


def test_a_file_without_one_readable_stamp_has_no_year():
    finder = YearFinder(Rule("%b %d %H:%M:%S"))
    finder.add(pa.array(["nothing", None]))
    assert finder.first_year(RECEIVED) is None


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 150 * 86_400), min_size=1, max_size=30), st.integers(1, 31))
def test_a_log_with_no_gap_of_half_a_year_gets_its_years_back(gaps, size):
    last = datetime(2026, 2, 28)  # noqa: DTZ001
    moments = [last]
    for gap in gaps:
        moments.append(moments[-1] - timedelta(seconds=gap))
    moments.reverse()
    # 1 January after another month than December reads as a lost date.
    moments = [m for m in moments if (m.month, m.day) != (1, 1)]
    texts = [m.strftime("%b %d %H:%M:%S") for m in moments]
    assert in_years(*texts, size=size) == [str(m.date()) for m in moments]


@pytest.mark.parametrize(
    ("time_format", "problem"),
    [
        ("%H:%M:%S", "no day"),
        ("%d.%m.%Y", "no hour"),
        ("%d.%m.%Y %H:%Q", "bad directive"),
        ("soon", "no day"),
    ],
)
def test_a_format_that_cannot_tell_the_time_is_a_mistake_in_the_profile(time_format, problem):
    with pytest.raises(ProfileError, match=problem):
        Stamps(Rule(time_format), RECEIVED)


@pytest.mark.parametrize("language", ["en", "de", "fr", "es", "pt"])
def test_month_names_in_five_languages_are_read_as_unicode_writes_them(language):
    # Unicode CLDR, through babel: every wide and abbreviated form.
    months = Locale(language).months
    for context in ("format", "stand-alone"):
        for width in ("wide", "abbreviated"):
            for number in range(1, 13):
                name = months[context][width][number]
                for name_form in ("%b", "%B"):
                    assert read(f"%d {name_form} %Y %H:%M:%S", f"03 {name} 2026 12:30:00") == [
                        f"2026-{number:02}-03T12:30:00"
                    ], name


def test_months_are_read_by_column_with_accents_too():
    stamps = ["03 février 2026 12:30:00", "03 février 2026 12:31:07", "04 août 2026 00:00:00"]
    found = parsed("%d %b %Y %H:%M:%S", *stamps)
    assert found.ok.all()
    assert found.by_dateutil == 0
    assert read("%d. %b %Y %H:%M", "1. Jui 2026 12:00") == [None]  # June or July?
