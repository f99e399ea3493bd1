"""Faults by code: counts, rates, bunching, trend, hours and what they go with."""

import json
import time

import numpy as np
import pandas as pd
import pytest

from loganalyzer.cycles import cycles
from loganalyzer.facts import facts
from loganalyzer.incidents.evidence import Evidence
from loganalyzer.intervals import pair
from loganalyzer.measures.coverage import coverage
from loganalyzer.measures.fault_links import fault_links
from loganalyzer.measures.faults import fault_episodes, faults
from loganalyzer.tables import conform, empty
from tests.build import at, timeline

DAY = 86400
CODES = {("quay", "A"): {"E12": "sorter", "L1": "latch"}}


def use(start, floor="7", stream="refuse"):
    return [
        (start, floor, "press", "mark", {"stream": stream}),
        (start + 1, floor, "unlocked", "on"),
        (start + 3, floor, "open", "on"),
        (start + 9, floor, "open", "off"),
        (start + 9, floor, "unlocked", "off"),
    ]


def fault(start, code="E12", floor=None, lasts=None):
    if lasts is None:
        return [(start, floor, "fault", "mark", {"code": code})]
    return [
        (start, floor, "fault", "on", {"code": code}),
        (start + lasts, floor, "fault", "off", {"code": code}),
    ]


def ordered(*parts):
    return sorted((e for part in parts for e in part), key=lambda e: e[0])


def found(events, codes=CODES):
    log = timeline(*events)
    pairs, known, held = pair(log), facts(log, {}), coverage(log)
    used = cycles(log, pairs, {})
    spans = Evidence(log, pairs, held, pd.DataFrame(), known, codes).faults
    episodes = fault_episodes(spans, log)
    links = fault_links(episodes, log, used, pairs)
    return faults(episodes, links, used, pairs, held, known, {}), links


def test_a_code_is_counted_against_uses_and_days_with_exact_intervals():
    uses = [use(n * 3600) for n in range(100)]
    table, _ = found(ordered(*uses, *(fault(n * 20 * 3600 + 100) for n in range(5))))
    (row,) = table.to_dict("records")
    assert (row["component"], row["count"], row["cycles"]) == ("sorter", 5, 100)
    # Source: F. Garwood, Biometrika 28 (1936) 437, n = 5: 1.623486 to 11.668332.
    assert (row["low"], row["high"]) == pytest.approx((16.23486, 116.68332), abs=1e-4)
    assert row["per_month"] == pytest.approx(5 / row["days"] * 30.4375)
    assert len(json.loads(row["evidence"])) == 5


def test_a_code_that_the_profile_does_not_map_is_other_and_said():
    table, _ = found(ordered(use(0), fault(20, "X9")))
    (row,) = table.to_dict("records")
    assert (row["component"], row["mapped"]) == ("other", False)
    assert "few" in row["reason"]


def test_a_fault_that_service_ended_did_not_clear_itself():
    service = [(1000, None, "service", "on"), (2000, None, "service", "off")]
    table, _ = found(ordered(fault(0, lasts=5), fault(900, lasts=500), service))
    assert table["cleared_itself"].tolist() == [0.5]
    assert table["longest_s"].tolist() == [500]


def test_a_fault_that_never_ends_is_ongoing_and_its_length_is_at_least():
    never = [(50, None, "fault", "on", {"code": "E12"})]
    table, _ = found(ordered(use(0), never, use(DAY)))
    (row,) = table.to_dict("records")
    assert row["ongoing"]
    assert row["longest_s"] == pytest.approx(DAY + 9 - 50)
    assert pd.isna(row["cleared_itself"])


def test_a_flapping_code_is_one_episode():
    flaps = [fault(at, lasts=2) for day in (0, 3) for at in range(day * DAY, day * DAY + 600, 20)]
    table, _ = found(ordered(*flaps))
    assert table[["count", "episodes"]].to_numpy().tolist() == [[60, 2]]


def test_faults_that_come_faster_and_faster_grow():
    ages = 60 * (np.arange(1, 40) / 40) ** 0.5
    table, _ = found(ordered(use(0), *(fault(day * DAY) for day in ages), use(60 * DAY)))
    (row,) = table.to_dict("records")
    assert row["laplace"] > 1.96
    assert row["shape_low"] > 1
    assert row["shape_low"] < 2 < row["shape_high"]


def test_faults_at_one_hour_point_there():
    midnight = (24 - at(0).hour) * 3600
    nights = [fault(midnight + day * DAY + (day % 5 - 2) * 1500) for day in range(20)]
    table, _ = found(ordered(use(0), *nights))
    (row,) = table.to_dict("records")
    assert row["hour_p"] < 1e-6
    assert min(abs(row["hour"] - 0), abs(row["hour"] - 24)) < 1.5


def test_a_fault_of_one_stream_goes_with_that_stream():
    rng = np.random.default_rng(1)
    streams = rng.choice(["refuse", "recycling"], 400, p=[0.8, 0.2])
    uses = [use(n * 3000, stream=stream) for n, stream in enumerate(streams)]
    bad = [fault(n * 3000 + 1.5) for n in np.flatnonzero(streams == "recycling")[::4]]
    table, links = found(ordered(*uses, *bad))
    link = links[links["with"].eq("stream") & links["value"].eq("recycling")].iloc[0]
    assert link["lift"] == pytest.approx(1 / (streams == "recycling").mean(), rel=0.01)
    assert link["q"] < 1e-6
    assert "recycling" in table["goes_with"].iloc[0]


def test_faults_at_any_moment_go_with_nothing():
    rng = np.random.default_rng(2)
    uses = [use(n * 3000, stream="refuse" if n % 3 else "recycling") for n in range(800)]
    table, _ = found(ordered(*uses, *(fault(t) for t in rng.uniform(0, 800 * 3000, 40))))
    assert table["goes_with"].tolist() == ["[]"]


def test_ten_events_in_all_say_how_little_they_say():
    table, links = found(ordered(use(0), *(fault(t) for t in (20, 40, 60, 80, 5000))))
    (row,) = table.to_dict("records")
    assert (row["count"], row["episodes"]) == (5, 2)
    assert pd.isna(row["shape"])
    assert "fewer than" in row["reason"]
    assert links.empty


def test_no_faults_at_all_is_an_empty_table():
    table, _ = found(use(0))
    assert table.empty
    assert conform(table, "faults").num_rows == 0


def test_a_thousand_codes_and_a_code_at_every_line_take_no_longer_than_a_breath():
    rng = np.random.default_rng(3)
    many = timeline(*[(float(n), None, "fault", "mark", {"code": f"C{n}"}) for n in range(1000)])
    n = 200_000
    each = many.iloc[np.zeros(n, int)].reset_index(drop=True)
    times = pd.to_datetime(np.sort(rng.integers(0, 10**13, n)), unit="us", utc=True)
    each = each.assign(time=times.as_unit("us"), seq=np.arange(n), line=np.arange(n) + 1)
    each["device_time"] = each["time"].dt.tz_localize(None)
    codes = np.where(np.arange(n) % 2, "C1", [f"C{k}" for k in rng.integers(0, 1000, n)])
    each["code"] = pd.Categorical(codes)
    known, pairs, held = facts(each, {}), pair(each), coverage(each)
    spans = Evidence(each, pairs, held, pd.DataFrame(), known, {}).faults
    began = time.process_time()
    episodes = fault_episodes(spans, each)
    links = fault_links(episodes, each, empty("cycles"), pairs)
    table = faults(episodes, links, empty("cycles"), pairs, held, known, {})
    assert time.process_time() - began < 6
    assert len(table) == 1000
    assert table["count"].sum() == n
