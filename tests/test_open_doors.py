"""How long doors stand open: shares with intervals, hours, the longest, and who had to wait."""

import json

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest

from loganalyzer.cycles import cycles
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.localtime import exposure
from loganalyzer.measures.coverage import coverage
from loganalyzer.measures.doors import open_times
from loganalyzer.measures.open_doors import followed, longest_openings, open_doors, open_hours
from loganalyzer.site import parse_site
from loganalyzer.stats import kaplan_meier, survival_at
from loganalyzer.tables import TABLES, conform
from tests.build import at, timeline

SITE = """
[site]
id = "quay"
name = "Quay"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
[chute.limits]
open_limit_s = 30
[[chute.floor]]
label = "7"
[[chute.floor]]
label = "8"
"""
SITES = {"quay": parse_site(SITE, "quay.toml")}


def measured(*events, sites=SITES):
    log = timeline(*events)
    known, pairs = facts(log, sites), pair(log)
    uses = cycles(log, pairs, sites)
    seen = followed(uses, pairs, log, known)
    hours = exposure(coverage(log), sites)
    tables = {
        "open_doors": open_doors(seen, open_times(uses, pairs, known), known),
        "open_hours": open_hours(seen, hours, known, sites),
        "longest_openings": longest_openings(seen, log, known),
    }
    for name, table in tables.items():
        assert list(table.columns) == TABLES[name].names
        assert conform(table, name).num_rows == len(table)
    return tables


def opened(on, seconds, floor="7"):
    return [(on, floor, "open", "on"), (on + seconds, floor, "open", "off")]


def refused(when, floor, code="busy"):
    return [(when, floor, "press", "mark"), (when, floor, "refusal", "mark", {"code": code})]


def in_order(*events):
    return sorted(events, key=lambda event: event[0])


def row(table, floor="7"):
    (found,) = table[table["floor"].eq(floor)].to_dict("records")
    return found


def test_the_share_over_the_limit_has_the_score_interval():
    uses = [o for n in range(60) for o in opened(n * 100, 40 if n < 23 else 30)]
    found = row(measured(*uses)["open_doors"])
    assert (found["open_limit_s"], found["openings"], found["over_limit"]) == (30, 60, 23)
    # Source: 23/60, reference table 3.1; scipy.stats.binomtest(...).proportion_ci("wilson").
    assert (found["low"], found["high"]) == pytest.approx((0.270883, 0.509824), abs=1e-6)
    expected = binomtest(23, 60).proportion_ci(method="wilson")
    assert (found["low"], found["high"]) == pytest.approx((expected.low, expected.high))
    assert found["km_share"] == pytest.approx(23 / 60)  # nothing was cut off
    assert pd.isna(found["reason"])


def test_a_door_open_exactly_as_long_as_the_limit_is_not_over_it():
    assert row(measured(*opened(0, 30), *opened(100, 30.001))["open_doors"])["over_limit"] == 1


def test_an_opening_cut_off_before_the_limit_is_not_judged_and_kaplan_meier_counts_it_till_then():
    uses = [o for n in range(3) for o in opened(n * 100, (10, 20, 60)[n])]
    cut = [(400, "7", "open", "on"), (415, None, "power", "off"), (500, None, "power", "on")]
    found = row(measured(*uses, *cut)["open_doors"])
    assert (found["openings"], found["cut_off"], found["judged"]) == (4, 1, 3)
    assert found["share"] == pytest.approx(1 / 3)
    # By hand: of 4 one closes at 10 (3/4), one is cut off at 15, of 2 one closes at 20 (1/2).
    assert found["km_share"] == pytest.approx(3 / 8)


def test_a_door_still_open_past_the_limit_is_over_it_though_nobody_saw_it_close():
    found = measured(*opened(0, 10), (100, "7", "open", "on"), (200, "8", "note", "mark"))
    door = row(found["open_doors"])
    assert (door["judged"], door["over_limit"], door["cut_off"]) == (2, 1, 1)
    first = found["longest_openings"].iloc[0]
    assert (first["seconds"], first["closed"], first["until"]) == (100, False, at(200))
    assert json.loads(first["evidence"]) == ["log:3"]


@settings(max_examples=10, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 60), st.booleans()), min_size=1, max_size=40),
    st.integers(0, 70),
)
def test_the_share_still_going_on_agrees_with_lifelines(rows, time):
    from lifelines import KaplanMeierFitter

    durations, seen = zip(*rows, strict=True)
    share, _ = survival_at(kaplan_meier(durations, seen), time)
    fitted = KaplanMeierFitter().fit(durations, seen)
    assert share == pytest.approx(float(fitted.survival_function_at_times(time).iloc[0]))


def test_survival_at_a_time_is_that_of_the_published_trial():
    # Source: Freireich et al., Blood 21 (1963) 699, 6-MP arm; reference table 2.
    times = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    censored = {3, 5, 7, 8, 11, 12, 13, 16, 17, 18, 19, 20}
    curve = kaplan_meier(times, [place not in censored for place in range(21)])
    assert survival_at(curve, 5.9) == (1.0, 0.0)
    assert survival_at(curve, 6) == pytest.approx((0.857143, 0.076360), abs=1e-6)
    assert survival_at(curve, 12) == pytest.approx((0.752941, 0.096350), abs=1e-6)
    assert survival_at(curve, 99) == pytest.approx((0.448179, 0.134591), abs=1e-6)


def test_an_hour_that_occurs_twice_counts_twice_in_exposure():
    # Source: tz database, Europe/Lisbon, 2025-10-26: 02:00 summer time back to 01:00.
    uses = [o for h in range(5) for o in _at(f"2025-10-25T{22 + h:02}:30" if h < 2 else
            f"2025-10-26T{h - 2:02}:30", 40 if h == 3 else 10)]  # fmt: skip
    table = measured(("2025-10-25T22:00:00Z", None, "note", "mark"), *uses,
                     ("2025-10-26T04:00:00Z", None, "note", "mark"))["open_hours"]  # fmt: skip
    hours = table[table["floor"].eq("7")].set_index("hour")
    assert hours.loc[1, "exposure_h"] == 2
    assert hours.loc[2, "exposure_h"] == 1
    assert (hours.loc[1, "judged"], hours.loc[1, "over_limit"]) == (2, 1)
    assert hours.loc[1, "over_per_100_h"] == 50
    assert hours.loc[12, "reason"] == "no log in this hour"
    assert pd.isna(hours.loc[12, "over_limit"])
    assert table.groupby("floor").size().tolist() == [24, 24]


def _at(minute, seconds):
    start = pd.Timestamp(minute + ":00Z")
    return [(start, "7", "open", "on"), (start + pd.Timedelta(seconds=seconds), "7", "open", "off")]


def test_the_longest_come_first_with_their_lines_and_those_who_had_to_wait():
    events = in_order(
        *opened(0, 20, "8"), *opened(100, 90), *refused(110, "8"), *refused(120, "8"),
        *refused(130, "9"), *refused(140, "7"), *refused(150, "9", "full"), *opened(300, 50, "8"),
        *refused(310, "7"),
    )  # fmt: skip
    table = measured(*events)["longest_openings"]
    assert table["seconds"].tolist() == [90, 50, 20]
    assert table["over_limit"].tolist() == [True, True, False]
    assert table["refused_elsewhere"].tolist() == [3, 1, 0]
    assert table["doors_waiting"].tolist() == [2, 1, 0]
    assert table["propped"].tolist() == [True, False, False]
    lines = [events.index(event) + 1 for event in (
        (100, "7", "open", "on"), (190, "7", "open", "off"), refused(110, "8")[1],
        refused(120, "8")[1], refused(130, "9")[1],
    )]  # fmt: skip
    assert json.loads(table["evidence"].iloc[0]) == [f"log:{n}" for n in lines]


def test_refusals_without_codes_are_all_counted_as_busy():
    plain = [(s, "8", "refusal", "mark") for s in (10, 20, 30)]
    first = measured(*in_order(*opened(0, 60), *plain))["longest_openings"].iloc[0]
    assert (first["refused_elsewhere"], first["propped"]) == (3, True)


def test_without_refusals_in_the_log_nobody_knows_who_waited():
    first = measured(*opened(0, 60))["longest_openings"].iloc[0]
    assert pd.isna(first["refused_elsewhere"])
    assert pd.isna(first["propped"])
    assert first["reason"] == "refusals not in the log"


def test_a_log_without_door_contacts_says_so_and_counts_nothing():
    found = measured((0, "7", "press", "mark"), (5, "7", "unlocked", "on"),
                     (50, "7", "unlocked", "off"))  # fmt: skip
    for name in ("open_doors", "open_hours"):
        assert found[name]["over_limit"].isna().all()
        assert found[name]["share"].isna().all()
        assert found[name]["reason"].eq("door contacts not in the log").all()
    assert found["longest_openings"].empty


def test_a_door_that_never_opened_and_one_opened_once_divide_by_nothing():
    found = measured(*opened(0, 10), (5000, "8", "press", "mark"))["open_doors"]
    assert row(found)["share"] == 0
    assert row(found, "8")["reason"] == "never opened in this log"
    assert pd.isna(row(found, "8")["share"])


def test_a_bouncing_contact_is_one_opening():
    bounced = [*opened(0, 20), *opened(21, 20), *opened(42, 5)]
    door = row(measured(*bounced)["open_doors"])
    assert (door["openings"], door["over_limit"]) == (1, 1)


def test_an_opening_by_a_clock_that_nobody_set_is_in_no_share():
    lost = [(*o, {"clock": "unanchored"}) for o in opened(500, 90)]
    door = row(measured(*opened(0, 10), *lost, (900, "8", "note", "mark"))["open_doors"])
    assert (door["judged"], door["over_limit"]) == (1, 0)
