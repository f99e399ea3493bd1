"""Misuse by floor: who is flagged, who is not, and what is said where nobody can tell."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest

from loganalyzer.cycles import cycles as cycles_of
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.measures.coverage import coverage
from loganalyzer.measures.lockouts import lockouts
from loganalyzer.measures.misuse import misuse
from loganalyzer.service import in_service, inside
from loganalyzer.site import parse_site
from loganalyzer.visits import visits as visits_of
from tests.benchmarks.misuse import BUILDINGS, from_counts, from_simulator
from tests.build import timeline

DAY = 86_400


def site(floors="7 8 9", units=8, min_units=3):
    doors = "".join(
        f'[[chute.floor]]\nlabel = "{label}"\n' + (f"units = {units}\n" if units else "")
        for label in floors.split()
    )
    return {
        "quay": parse_site(
            f'[site]\nid = "quay"\nname = "Quay"\ntime_zone = "Europe/Lisbon"\n'
            f'min_units = {min_units}\n[[chute]]\nid = "A"\nprofile = "p"\n{doors}',
            "quay.toml",
        )
    }


def use(start, floor="7"):
    return [
        (start, floor, "press", "mark"),
        (start + 5, floor, "unlocked", "on"),
        (start + 6, floor, "open", "on"),
        (start + 16, floor, "open", "off"),
        (start + 17, floor, "unlocked", "off"),
    ]


def locked(start, floor="7"):
    """A visit of five presses that ends in a lockout."""
    presses = [(start + 3 * n, floor, "press", "mark") for n in range(5)]
    return [*presses, (start + 12, floor, "lockout", "on"), (start + 102, floor, "lockout", "off")]


def spell(days=28, floors="789", each=4, first=0):
    """So many uses a floor and day, spread over the day."""
    return [
        event
        for day in range(first, first + days)
        for place, floor in enumerate(floors)
        for n in range(each)
        for event in use(day * DAY + 3600 + n * 18_000 + place * 900, floor)
    ]


def judged(*events, sites=None, broken=None):
    """The doors by floor, from events in any order."""
    sites = site() if sites is None else sites
    log = timeline(*sorted(events, key=lambda e: e[0] if not isinstance(e[0], str) else 0))
    intervals = pair(log)
    cycles = cycles_of(log, intervals, sites)
    visits = visits_of(log, cycles, intervals, sites)
    known = facts(log, sites)
    service = in_service(coverage(log), intervals)
    hardware = known.doors["floor"].map(broken or {}).astype("str")
    table = misuse(log, visits, lockouts(log, intervals, known), service, hardware, known)
    return table.set_index("floor")


def episodes(floor, days, each=1):
    return [
        e for day in days for n in range(each) for e in locked(day * DAY + 400 + 4000 * n, floor)
    ]


def test_a_floor_far_above_the_others_is_flagged_with_its_figures():
    row = judged(*spell(), *episodes("7", range(0, 28, 2)), *episodes("8", [3])).loc["7"]
    assert row["flagged"]
    assert (row["visits_in_service"], row["episodes_in_service"]) == (126, 14)
    assert row["episodes_per_100_visits"] == pytest.approx(100 * 14 / 126)
    assert row["times_rest"] == pytest.approx(14 / 126 / (1 / 225))
    # Source: scipy.stats.binomtest; the episodes come evenly, so nothing is divided.
    assert row["dispersion"] == 1
    alone = binomtest(14, 15, 126 / (126 + 225), alternative="greater").pvalue
    assert row["p_value"] == pytest.approx(alone)
    assert row["q_value"] == pytest.approx(3 * alone)
    assert row["low"] < row["shrunken"] < row["episodes_per_100_visits"] < row["high"]
    assert row["rest_low"] > 1.5


def test_episodes_a_unit_have_the_exact_interval_over_the_days_in_service():
    row = judged(*spell(), *episodes("7", range(5))).loc["7"]
    unit_months = 8 * row["exposure_days"] / 30
    assert row["exposure_days"] == pytest.approx(27.7, abs=0.1)
    # Source: F. Garwood, Biometrika 28 (1936) 437: 1.623486 to 11.668332 for a count of 5.
    assert [row["episodes_per_unit_30d"], row["unit_low"], row["unit_high"]] == pytest.approx(
        [5 / unit_months, 1.623486 / unit_months, 11.668332 / unit_months], rel=1e-6
    )


def test_one_bad_day_accuses_nobody():
    table = judged(*spell(), *episodes("7", [9], each=12), *episodes("8", [3]))
    assert table.loc["7", "episodes_in_service"] == 12
    assert table.loc["7", "dispersion"] > 5
    assert not table["flagged"].any()


def test_all_floors_alike_are_not_flagged():
    both = [e for floor in "789" for e in episodes(floor, range(ord(floor) % 3, 28, 3))]
    assert not judged(*spell(), *both)["flagged"].any()


def test_a_broken_door_is_neither_flagged_nor_compared_with():
    events = [*spell(), *episodes("7", range(0, 28, 2)), *episodes("9", range(1, 28, 2))]
    table = judged(*events, broken={"9": "check the hardware first: it rattles"})
    assert table["flagged"].to_dict() == {"7": True, "8": False, "9": False}
    assert pd.isna(table.loc["9", "q_value"])
    assert table.loc["9", "reason"] == "check the hardware first: it rattles"
    assert pd.isna(table.loc["7", "times_rest"])  # the only other floor had none
    assert not judged(*events, broken=dict.fromkeys("789", "check the hardware first"))[
        "flagged"
    ].any()


def test_doors_are_compared_within_their_chute():
    beside = [(*e, {"chute": "B"}) for e in [*spell(), *episodes("7", range(0, 28, 2))]]
    alone = judged(*beside, *spell()).reset_index().set_index(["chute", "floor"])
    assert alone.loc[("B", "7"), "flagged"]
    assert pd.isna(alone.loc[("A", "7"), "times_rest"])


def test_a_lone_door_has_nothing_to_be_compared_with():
    row = judged(*spell(floors="7"), *episodes("7", range(0, 28, 2)), sites=site("7")).loc["7"]
    assert not row["flagged"]
    assert row["reason"] == "no other floors to compare with"
    assert row["episodes_per_100_visits"] > 0


def test_a_site_file_without_units_says_so_and_still_judges():
    row = judged(*spell(), *episodes("7", range(0, 28, 2)), sites=site(units=None)).loc["7"]
    assert row["flagged"]
    assert pd.isna(row["episodes_per_unit_30d"])
    assert row["reason"] == "units not in the site file"


def test_no_site_file_at_all_still_judges():
    assert judged(*spell(), *episodes("7", range(0, 28, 2)), sites={}).loc["7", "flagged"]


def test_a_log_of_door_contacts_only_has_no_rate():
    doors = [(n * 9000 + s, "7", "open", e) for n in range(60) for s, e in ((0, "on"), (9, "off"))]
    row = judged(*doors).loc["7"]
    assert row["reason"] == "presses not in the log"
    assert not row["flagged"]
    nulls = ["visits_in_service", "episodes_per_100_visits", "low", "shrunken", "q_value"]
    assert row[nulls].isna().all()


def test_a_floor_with_one_press_says_that_it_is_too_few():
    table = judged(*spell(floors="78"), (5 * DAY, "9", "press", "mark"), *episodes("8", range(9)))
    assert table.loc["9", "reason"] == "too few visits or days to judge: 1 visit in 27.7 days"
    assert not table.loc["9", "flagged"]
    assert pd.isna(table.loc["9", "q_value"])


def test_a_week_that_is_all_service_has_no_exposure():
    edges = [(0, None, "service", "on"), (7 * DAY, None, "service", "off")]
    table = judged(*edges, *episodes("7", range(1, 6)))
    assert (table["exposure_days"] == 0).all()
    assert table["reason"].tolist() == ["never in service while the log covers it"] * 3
    assert not table["flagged"].any()
    assert table["episodes_per_100_visits"].isna().all()


def test_what_happens_in_service_is_held_against_nobody():
    """People mash a button that does nothing because a technician is at work."""
    work = [(8 * DAY, None, "service", "on"), (15 * DAY, None, "service", "off")]
    mashed = episodes("7", range(8, 15), each=3)
    busy = [*spell(8), *spell(13, first=15), *work, *mashed, *episodes("8", [1, 20])]
    row = judged(*busy).loc["7"]
    assert (row["episodes_in_service"], row["flagged"]) == (0, False)
    assert row["exposure_days"] == pytest.approx(27.7 - 7, abs=0.2)


def test_a_service_whose_end_is_lost_swallows_no_weeks():
    lost = [(3 * DAY, None, "service", "on")]
    later = [(20 * DAY, None, "service", "on"), (20 * DAY + 3600, None, "service", "off")]
    row = judged(*spell(), *lost, *later).loc["7"]
    assert row["exposure_days"] == pytest.approx(27.7, abs=0.1)


def test_a_gap_of_ten_days_is_no_exposure():
    events = [*spell(10), *spell(10, first=20), *episodes("7", [*range(0, 9), *range(21, 29)])]
    row = judged(*events).loc["7"]
    assert row["exposure_days"] == pytest.approx(19.5, abs=0.3)
    assert row["flagged"]


def test_lockouts_inferred_from_presses_are_judged_too():
    silent = [e for e in [*spell(), *episodes("7", range(0, 28, 2))] if e[2] != "lockout"]
    row = judged(*silent).loc["7"]
    assert (row["episodes_in_service"], row["flagged"]) == (14, True)


def test_nothing_locked_anywhere_is_a_rate_of_zero_and_no_flag():
    table = judged(*spell())
    assert (table["episodes_per_100_visits"] == 0).all()
    assert (table["shrunken"] == 0).all()
    assert not table["flagged"].any()
    assert (table["q_value"] == 1).all()


def test_a_time_lies_inside_service_with_both_ends():
    service = in_service(coverage(timeline(*spell(2))), pair(timeline(*spell(2))))
    edges = service[["site", "chute"]].assign(time=service["end"])
    early = edges.assign(time=service["start"] - pd.Timedelta("1us"))
    assert inside(edges, "time", service).all()
    assert not inside(early, "time", service).any()
    assert not inside(edges.assign(time=pd.NaT), "time", service).any()


@pytest.mark.parametrize("building", BUILDINGS[:6], ids=lambda b: b.name)
def test_few_floors_are_flagged_without_misuse_and_most_are_found_with(building):
    # The whole table: python -m tests.benchmarks.misuse
    quiet, noisy = zip(*(from_counts(building, seed) for seed in range(30)), strict=True)
    assert np.mean(quiet) <= 0.05
    assert np.mean([flags[0] for flags in noisy]) >= 0.6
    assert np.mean([flags[1:] for flags in noisy]) <= 0.03


def test_the_simulated_building_is_judged_soundly():
    quiet, noisy = zip(*(from_simulator(seed) for seed in range(2)), strict=True)
    assert np.sum(quiet) <= 1
    assert all(flags[0] for flags in noisy)
