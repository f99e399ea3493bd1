"""Interruptions of units: the standard's worked example, causes, overlaps, months, units."""

import pandas as pd
import pytest

from loganalyzer.facts import facts
from loganalyzer.measures.service_indices import CAUSES, NO_UNITS, service_indices
from loganalyzer.site import parse_site
from loganalyzer.tables import TABLES, conform
from loganalyzer.views import analyse
from loganalyzer.views.index_report import indices_dict, indices_text
from tests.build import at, timeline

YEAR_S = 8760 * 3600
RECORDS = [
    (0, None, "power", "on"),
    (1, None, "service", "on"),
    (2, None, "service", "off"),
    (3, None, "full", "on", {"stream": "refuse"}),
    (4, None, "full", "off", {"stream": "refuse"}),
    (5, "7", "open", "on"),
    (6, "7", "open", "off"),
    (7, None, "fault", "mark", {"code": "E1"}),
]


def site(units, zone="UTC", limits=""):
    floors = "".join(
        f'[[chute.floor]]\nlabel = "{label}"\n' + (f"units = {number}\n" if number else "")
        for label, number in units.items()
    )
    text = f"""
    [site]
    id = "quay"
    name = "Quay"
    time_zone = "{zone}"
    [[chute]]
    id = "A"
    profile = "p"
    {limits}
    """
    return {"quay": parse_site(text + floors, "quay.toml")}


def outage(kind, start, end, floor=None):
    """An incident from `start` to `end`, seconds after START or times."""
    first, last = at(start), at(end)
    row = {"site": "quay", "chute": "A", "kind": kind, "floor": floor, "start": first, "end": last}
    return row | {"seconds": (last - first).total_seconds()}


def covered(*stretches):
    """Stretches of log: (start, end) or (start, end, why there is none)."""
    rows = [
        {"site": "quay", "chute": "A", "start": at(s), "end": at(e), "covered": not why,
         "reason": why[0] if why else None}
        for s, e, *why in stretches
    ]  # fmt: skip
    return pd.DataFrame(rows)


def table(*outages, units=None, log=((0, YEAR_S),), sites=None, records=RECORDS):
    sites = sites or site(units or {"7": 6, "8": 4})
    columns = ["site", "chute", "kind", "floor", "start", "end", "seconds"]
    incidents = pd.DataFrame(list(outages), columns=columns)
    times = dict.fromkeys(["start", "end"], "datetime64[us, UTC]")
    known = facts(timeline(*records), sites)
    found = service_indices(incidents.astype(times), covered(*log), known, sites)
    assert conform(found, "indices").schema.names == TABLES["indices"].names
    return found.set_index(["month", "cause"])


def whole(*outages, **more):
    return table(*outages, **more).loc["all"]


# Source: the sample data of IEEE Std 1366, from memory, arithmetic checked: 2000 customers, one
# year. The floors here have such units that some of them together are each line's customers.
UNITS = {"a": 200, "b": 600, "c": 25, "d": 90, "e": 700, "f": 100, "g": 285}
SUSTAINED = [
    ("12:12:20", "12:20:30", "a", 8.17),
    ("00:23:10", "01:34:29", "b", 71.3),
    ("23:17:00", "23:47:14", "c", 30.3),
    ("15:45:39", "20:12:50", "d", 267.2),
    ("08:20:00", "10:20:00", "e", 120),
    ("17:10:00", "17:20:00", "abe", 10),  # 1500
    ("10:15:00", "10:55:00", "f", 40),
]
MOMENTARY = [("18:23:56", "18:24:26", "cdg", 0.5), ("09:30:10", "09:31:10", "abcdefg", 1.0)]


def example(rounded):
    for day, (start, end, floors, minutes) in enumerate(SUSTAINED + MOMENTARY, start=10):
        first = pd.Timestamp(f"2025-04-{day}T{start}Z")
        last = pd.Timestamp(f"2025-04-{day}T{end}Z")
        if rounded:
            last = first + pd.Timedelta(seconds=round(minutes * 60, 3))
        yield from (outage("latch_fault", first, last, floor) for floor in floors)


@pytest.mark.parametrize(
    ("rounded", "minutes", "per_unit", "each", "available"),
    [(False, 172225 + 2 / 3, 86.112833, 53.569414, 0.99983616),
     (True, 172219.5, 86.10975, 53.567496, 0.999836)],
)  # fmt: skip
def test_the_worked_example_of_the_standard(rounded, minutes, per_unit, each, available):
    row = whole(*example(rounded), units=UNITS).loc["all"]
    assert (row["units"], row["period_h"]) == (2000, 8760)
    assert row["unit_interruptions"] == 3215
    assert row["interruptions_per_unit"] == 1.6075
    assert row["unit_minutes"] == pytest.approx(minutes, abs=1e-3)
    assert row["minutes_per_unit"] == pytest.approx(per_unit, abs=1e-6)
    assert row["minutes_per_interruption"] == pytest.approx(each, abs=1e-6)
    assert row["availability"] == pytest.approx(available, abs=1e-6)


def test_only_what_lasts_longer_than_the_limit_interrupts():
    assert whole(outage("service", 0, 300)).loc["all", "unit_interruptions"] == 0
    assert whole(outage("service", 0, 301)).loc["all", "unit_interruptions"] == 10
    sites = site({"7": 6}, limits="[chute.limits]\ninterruption_s = 60")
    assert whole(outage("service", 0, 61), sites=sites).loc["all", "unit_interruptions"] == 6


@pytest.mark.parametrize(
    ("kind", "cause", "units"),
    [("container_full", "container", 10), ("service", "service", 10), ("power_loss", "power", 10),
     ("sorter_fault", "sorter", 10), ("stuck_door", "door", 10), ("latch_fault", "door", 6)],
)  # fmt: skip
def test_each_cause_interrupts_whom_it_keeps_out(kind, cause, units):
    """A stuck door keeps every floor waiting; a latch that fails only its own."""
    found = whole(outage(kind, 0, 600, "7" if kind in ("stuck_door", "latch_fault") else None))
    assert found.loc[cause, "unit_interruptions"] == found.loc["all", "unit_interruptions"] == units
    assert found.loc[cause, "unit_minutes"] == units * 10
    others = [c for c in CAUSES if c != cause]
    assert found.loc[others, "unit_interruptions"].tolist() == [0] * 4
    assert found.loc[others, "minutes_per_interruption"].isna().all()


def test_a_lockout_is_the_users_doing_and_no_interruption():
    assert whole(outage("abuse_lockout", 0, 9000, "7")).loc["all", "unit_interruptions"] == 0


def test_causes_that_overlap_are_one_interruption_by_the_first():
    found = whole(outage("container_full", 0, 600), outage("service", 300, 900))
    assert found.loc["container", ["unit_interruptions", "unit_minutes"]].tolist() == [10, 150]
    assert found.loc["service", ["unit_interruptions", "unit_minutes"]].tolist() == [0, 0]
    assert found.loc["all", "unit_minutes"] == 150


def test_short_troubles_that_touch_keep_a_door_out_of_use_together():
    found = whole(outage("service", 0, 200), outage("container_full", 200, 400))
    assert found.loc["service", "unit_minutes"] == pytest.approx(10 * 400 / 60)


def test_an_interruption_counts_in_the_month_it_began_and_its_minutes_where_they_fell():
    # Source: tz database: midnight of 1 April 2025 in Berlin is 22:00 UTC.
    change = pd.Timestamp("2025-03-31T22:00Z")
    one = outage("service", change - pd.Timedelta("1h"), change + pd.Timedelta("3h"))
    found = table(one, sites=site({"7": 6, "8": 4}, "Europe/Berlin"), log=((0, 60 * 86400),))
    march, april = found.loc[("2025-03", "all")], found.loc[("2025-04", "all")]
    assert (march["unit_interruptions"], march["unit_minutes"]) == (10, 600)
    assert (april["unit_interruptions"], april["unit_minutes"]) == (0, 1800)
    assert april["period_h"] == 30 * 24
    months = found.xs("all", level="cause").drop("all")
    assert months["unit_minutes"].sum() == found.loc[("all", "all"), "unit_minutes"]
    assert months["period_h"].sum() == pytest.approx(60 * 24)


def test_nobody_knows_what_happened_without_log():
    """A service that a gap of ten days hides counts for the time that is known."""
    day = 86400
    gap = [(0, 2 * day), (2 * day, 12 * day, "no lines"), (12 * day, 14 * day)]
    row = whole(outage("service", day, 13 * day), log=gap).loc["all"]
    assert row["period_h"] == 4 * 24
    assert row["minutes_per_unit"] == 2 * 24 * 60
    assert row["availability"] == 0.5


def test_time_without_power_is_known_to_be_lost():
    log = [(0, 3600), (3600, 7200, "power off"), (7200, 14400)]
    row = whole(outage("power_loss", 3600, 7200), log=log).loc["power"]
    assert (row["period_h"], row["availability"]) == (4, 0.75)


def test_what_has_no_length_is_counted_apart():
    unseen = outage("power_loss", 0, 900) | {"seconds": None}
    found = whole(unseen)
    assert found["unmeasured"].to_dict() == {"all": 1, "power": 1} | dict.fromkeys(
        ["service", "container", "sorter", "door"], 0
    )
    assert found.loc["all", "unit_interruptions"] == 0


def test_without_units_each_door_counts_as_one_and_that_is_said():
    row = whole(outage("service", 0, 600), units={"7": None, "8": None}).loc["all"]
    assert (row["units"], row["unit_interruptions"], row["interruptions_per_unit"]) == (2, 2, 1)
    assert row["reason"] == NO_UNITS


def test_floors_without_units_are_left_out_where_others_have_some():
    row = whole(outage("service", 0, 600), units={"7": 6, "B1": None}).loc["all"]
    assert (row["units"], row["unit_interruptions"]) == (6, 6)
    assert row["reason"] == "floors without units are left out: B1"


def test_a_cause_that_the_log_does_not_show_is_null_and_named():
    found = whole(outage("service", 0, 600), records=[r for r in RECORDS if r[2] != "full"])
    assert pd.isna(found.loc["container", "interruptions_per_unit"])
    assert found.loc["container", "reason"] == (
        "no container trouble in the log: none, or not recorded"
    )
    assert found.loc["all", "reason"] == "without container: not in the log"


def test_a_week_that_is_all_service_has_no_availability_left():
    week = 7 * 86400
    row = whole(outage("service", 0, week), log=[(0, week)]).loc["all"]
    assert (row["availability"], row["interruptions_per_unit"]) == (0, 1)


@pytest.mark.parametrize("sites", [None, {}], ids=["site file", "no site file"])
def test_a_log_of_presses_alone_cannot_show_an_interruption(sites):
    log = timeline((0, "7", "press", "mark"), (9, "7", "press", "mark"))
    known = facts(log, sites or {})
    nothing = pd.DataFrame(columns=["site", "chute", "kind", "floor", "start", "end", "seconds"])
    times = dict.fromkeys(["start", "end"], "datetime64[us, UTC]")
    found = service_indices(nothing.astype(times), covered((0, 9)), known, sites or {})
    assert found["interruptions_per_unit"].isna().all()
    assert found["reason"].notna().all()


def test_from_the_log_to_the_report():
    log = timeline(
        (0, None, "service", "on"), (600, None, "service", "off"),
        (700, "7", "open", "on"), (1400, "7", "open", "off"),
    )  # fmt: skip
    analysis = analyse(log, site({"7": 6, "8": 4}))
    rows = {(r["month"], r["cause"]): r for r in indices_dict(analysis)["indices"]}
    assert rows["all", "service"]["unit_minutes"] == 100
    assert rows["all", "door"]["unit_minutes"] == pytest.approx(10 * 700 / 60)
    assert rows["all", "power"]["availability"] is None
    text = indices_text(analysis)
    assert "interrupted when out of use for more than 5 min" in text
    assert "no power trouble in the log: none, or not recorded" in text
