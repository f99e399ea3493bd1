"""Counts and rates by floor, day, hour of the week, reason and stream: zeros and nulls apart."""

import numpy as np
import pandas as pd
import pytest

from loganalyzer.site import parse_site
from loganalyzer.tables import TABLES, conform, empty
from loganalyzer.views import analyse
from tests.build import timeline

SITES = {
    "quay": parse_site(
        """
        [site]
        id = "quay"
        name = "Quay"
        time_zone = "Europe/Berlin"
        [[chute]]
        id = "A"
        profile = "p"
        [[chute.stream]]
        id = "refuse"
        kind = "refuse"
        [[chute.stream]]
        id = "recycling"
        kind = "recycling"
        [[chute.floor]]
        label = "8"
        units = 6
        [[chute.floor]]
        label = "7"
        """,
        "quay.toml",
    )
}


def use(start, floor="7", stream="refuse"):
    return [
        (start, floor, "press", "mark", {"stream": stream}),
        (start + 5, floor, "unlocked", "on"),
        (start + 6, floor, "open", "on"),
        (start + 16, floor, "open", "off"),
        (start + 17, floor, "unlocked", "off"),
    ]


def refused(start, floor="7", code="busy"):
    return [
        (start, floor, "press", "mark", {"stream": "refuse"}),
        (start, floor, "refusal", "mark", {"code": code}),
    ]


def analysed(*events):
    return analyse(timeline(*events), SITES)


def floors(*events):
    return analysed(*events).floors.set_index("floor")


def test_floors_are_those_of_the_site_file_then_those_of_the_log():
    assert floors(*use(0, "9"), *use(100, "7")).index.tolist() == ["8", "7", "9"]


def test_a_floor_that_nobody_used_has_zeros_where_the_chute_records():
    row = floors(*use(0), *refused(200)).loc["8"]
    for column in ("presses", "visits", "served", "cycles", "stuck", "lockouts"):
        assert row[column] == 0
    assert row["units"] == 6
    assert pd.isna(row["episodes_per_100_visits"])
    assert "no visits" in row["reason"]


def test_a_log_of_doors_only_has_no_visits_rather_than_none():
    row = floors((0, "7", "open", "on"), (9, "7", "open", "off")).loc["7"]
    assert row["cycles"] == 1
    for column in ("presses", "visits", "served", "lockouts", "lockout_episodes", "low"):
        assert pd.isna(row[column])
    assert row["reason"].startswith("presses not in the log")


def test_episodes_per_100_visits_have_the_exact_interval():
    uses = [e for n in range(39) for e in use(n * 1000)]
    locked = [
        (start + after, "7", "lockout", edge)
        for start in (50_000, 55_000)
        for after, edge in ((0, "on"), (90, "off"))
    ]
    row = floors(*uses, *locked, *use(90_000)).loc["7"]
    assert (row["visits"], row["lockout_episodes"], row["episodes_per_100_visits"]) == (40, 2, 5.0)
    # Source: F. Garwood, Biometrika 28 (1936) 437: 0.242209 to 7.224688 for a count of 2.
    assert np.allclose([row["low"], row["high"]], [0.242209 / 0.4, 7.224688 / 0.4], atol=1e-5)


def test_uses_are_counted_by_stream():
    table = floors(*use(0), *use(100), *use(200, stream="recycling"), *use(300, floor="8"))
    assert table.loc["7", ["cycles_refuse", "cycles_recycling"]].tolist() == [2, 1]
    assert table.loc["8", ["cycles_refuse", "cycles_recycling"]].tolist() == [1, 0]


def test_streams_that_the_log_does_not_name_are_null():
    table = floors((0, "7", "open", "on"), (9, "7", "open", "off"))
    assert not [c for c in table.columns if c.startswith("cycles_")]
    told = analysed((0, "7", "open", "on")).sorting.streams
    assert told["uses"].isna().all()
    assert told["reason"].notna().all()


def test_what_has_no_time_to_trust_counts_for_nothing():
    first, *others = use(-9e8)
    lost = [(*first[:4], {"stream": "refuse", "clock": "unanchored"})]
    lost += [(*event, {"clock": "unanchored"}) for event in others]
    row = floors(*lost, *use(0)).loc["7"]
    assert (row["presses"], row["visits"], row["cycles"]) == (1, 1, 1)


def test_the_table_fits_its_schema():
    table = conform(analysed(*use(0)).floors, "floors")
    assert table.schema.names == [*TABLES["floors"].names, "cycles_recycling", "cycles_refuse"]


def test_refusals_are_shared_out_by_reason():
    table = analysed(*use(0), *refused(30), *refused(31), *refused(40, code=None)).refusals
    assert table["code"].tolist() == ["busy", "not said"]
    assert table["refusals"].tolist() == [2, 1]
    assert table["share"].tolist() == [0.5, 0.25]
    assert (table["low"] < table["share"]).all()
    assert (table["share"] < table["high"]).all()


def test_refusals_that_a_log_does_not_hold_are_null():
    table = analysed(*use(0)).refusals
    assert table["refusals"].isna().all()
    assert table["reason"].tolist() == ["refusals not in the log"]


def test_more_refusals_than_presses_make_no_share():
    table = analysed(*use(0), (50, "7", "refusal", "mark"), (51, "7", "refusal", "mark")).refusals
    assert table["share"].isna().all()
    assert table["reason"].tolist() == ["fewer presses than refusals in the log"]


def test_refusals_fall_into_the_local_hour_of_the_week():
    # START is Monday 2025-03-03 08:00 UTC, 09:00 in Berlin.
    table = analysed(*use(0), *refused(600), *refused(7 * 86400), *use(7 * 86400 + 3600))
    hours = table.week.query("floor == '7'").set_index("hour_of_week")
    assert hours.loc[9, "refusals"] == 2
    assert hours["refusals"].sum() == 2
    assert len(hours) == 168


def test_the_heat_map_counts_the_repeated_hour_twice():
    # The night of 2025-10-26 in Berlin: 02:00 to 03:00 happens at 00:00 and at 01:00 UTC.
    begin, step = "2025-10-25T12:00:00Z", pd.Timedelta("30min")
    first = pd.Timestamp(begin)
    steps = [(first + n * step, "7", "press", "mark") for n in range(49)]
    twice = [(t, "7", "refusal", "mark") for t in ("2025-10-26T00:10:00Z", "2025-10-26T01:10:00Z")]
    events = sorted([*steps, *twice], key=lambda e: pd.Timestamp(e[0]))
    table = analysed(*events).week.query("floor == '7'").set_index("hour_of_week")
    row = table.loc[6 * 24 + 2]
    assert (row["refusals"], row["exposure_h"], row["refusals_per_hour"]) == (2, 2.0, 1.0)
    assert table.loc[6 * 24 + 3, "exposure_h"] == 1.0
    assert table.loc[2 * 24, "reason"] == "no log in this hour"


def test_days_without_log_are_null_and_say_so():
    spell = [e for n in range(100) for e in use(n * 400)]
    later = [e for n in range(10) for e in use(4 * 86400 + n * 400)]
    days = analysed(*spell, *later).daily.set_index("day")
    assert len(days) == 5
    quiet = days.loc["2025-03-05"]
    assert quiet["covered_share"] == 0
    assert pd.isna(quiet["cycles"])
    assert quiet["reason"] == "no log for this time"
    assert days["cycles"].sum() == 110
    assert days["refusals"].isna().all()


@pytest.mark.parametrize(
    ("day", "hours"),
    # Source: tz database, Europe/Berlin: 25 and 23 hours.
    [("2025-10-26", 25), ("2025-03-30", 23)],
)
def test_a_day_of_a_clock_change_can_be_covered_whole(day, hours):
    midnight = pd.Timestamp(day, tz="Europe/Berlin")
    first = midnight.tz_convert("UTC") - pd.Timedelta("1h")
    steps = [(first + pd.Timedelta(hours=n), "7", "press", "mark") for n in range(hours + 3)]
    table = analysed(*steps).daily.set_index("day")
    assert table.loc[day, "covered_share"] == pytest.approx(1.0)


def test_an_empty_timeline_gives_empty_tables():
    found = analyse(empty("timeline"), SITES)
    for name in ("floors", "daily", "refusals", "week", "waits", "incidents"):
        assert getattr(found, name).empty
