"""Pickup rules, the simulation, the search, the forecast and the backtest."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats as scipy_stats

from loganalyzer.bins import collections
from loganalyzer.errors import SiteError
from loganalyzer.lifetimes import Weibull, weibull
from loganalyzer.pickups.backtest import calibration, foretold
from loganalyzer.pickups.demand import Demand, Demands
from loganalyzer.pickups.search import pickups
from loganalyzer.pickups.simulation import draw, estimate
from loganalyzer.site import parse_site
from tests.build import START
from tests.sorting import (
    DAY,
    HOUR,
    RECYCLING,
    REFUSE,
    alive,
    full,
    rows,
    site_text,
    sorting,
    uses,
)

YORK = "America/New_York"


def days(rule: str, start: str, end: str = "1999-01-01", zone: str = YORK) -> list[str]:
    first, last = (pd.Timestamp(day, tz=zone).tz_convert("UTC") for day in (start, end))
    times = pd.to_datetime(collections(rule, zone, first, last), unit="us", utc=True)
    return [f"{time:%Y-%m-%d %H:%M}" for time in times.tz_convert(zone)]


def of(*dates: str) -> list[str]:
    return [f"{date} 09:00" for date in dates]


@pytest.mark.parametrize(
    ("begin", "rule", "expected"),
    [
        ("19970902", "FREQ=DAILY;COUNT=10", of(*(f"1997-09-{day:02}" for day in range(2, 12)))),
        ("19970905", "FREQ=MONTHLY;COUNT=10;BYDAY=1FR", of(
            "1997-09-05", "1997-10-03", "1997-11-07", "1997-12-05", "1998-01-02", "1998-02-06",
            "1998-03-06", "1998-04-03", "1998-05-01", "1998-06-05")),
        ("19970922", "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", of(
            "1997-09-22", "1997-10-20", "1997-11-17", "1997-12-22", "1998-01-19", "1998-02-16")),
        ("19970930", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", of(
            "1997-09-30", "1997-10-01", "1997-10-31", "1997-11-01", "1997-11-30", "1997-12-01",
            "1997-12-31", "1998-01-01", "1998-01-31", "1998-02-01")),
        ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", of(
            "1997-08-05", "1997-08-10", "1997-08-19", "1997-08-24")),
        ("19970805", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU", of(
            "1997-08-05", "1997-08-17", "1997-08-19", "1997-08-31")),
    ],
)  # fmt: skip
def test_rules_of_rfc_5545_bring_the_dates_it_lists(begin, rule, expected):
    # Source: RFC 5545 section 3.8.5.3, examples at 09:00 America/New_York.
    assert days(f"DTSTART:{begin}T090000\nRRULE:{rule}", "1997-01-01") == expected


def test_a_month_without_the_30th_is_passed_over():
    # Source: RFC 5545 section 3.8.5.3, the last example: no 30 February.
    rule = "DTSTART:20070115T090000\nRRULE:FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5"
    assert days(rule, "2007-01-01", "2008-01-01") == of(
        "2007-01-15", "2007-01-30", "2007-02-15", "2007-03-15", "2007-03-30"
    )


def test_a_daily_rule_until_christmas_keeps_its_local_hour_through_the_change():
    # Source: RFC 5545 section 3.8.5.3: 113 dates, EDT up to 25 October, EST from the 26th.
    rule = "DTSTART:19970902T090000\nRRULE:FREQ=DAILY;UNTIL=19971224T000000Z"
    found = days(rule, "1997-01-01")
    assert len(found) == 113
    assert {text[-5:] for text in found} == {"09:00"}
    assert found[-1] == "1997-12-23 09:00"
    utc = collections(
        rule, YORK, *(pd.Timestamp(d, tz="UTC") for d in ("1997-10-25", "1997-10-28"))
    )
    hours = pd.to_datetime(utc, unit="us", utc=True).hour.tolist()
    assert hours == [13, 14, 14]


def test_a_rule_without_dtstart_starts_on_a_monday_in_2001_at_seven():
    assert days("FREQ=WEEKLY;BYDAY=TU", "2026-03-01", "2026-03-11") == [
        "2026-03-03 07:00", "2026-03-10 07:00",
    ]  # fmt: skip
    # Every second week counts from 1 January 2001, whichever the log.
    weeks = days("FREQ=WEEKLY;INTERVAL=2;BYDAY=MO", "2026-01-01", "2026-03-01")
    since = [(pd.Timestamp(day[:10]) - pd.Timestamp("2001-01-01")).days % 14 for day in weeks]
    assert set(since) == {0}
    assert days("FREQ=DAILY;COUNT=3", "2026-01-01", "2026-03-01") == []


def test_a_local_time_that_does_not_exist_moves_on_and_is_one_pickup():
    found = days("FREQ=DAILY;BYHOUR=2,3", "2026-03-08", "2026-03-08 23:00")
    assert found == ["2026-03-08 03:00"]


def test_an_hourly_rule_is_found_quickly_and_an_until_without_zone_is_local():
    assert len(days("FREQ=HOURLY", "2026-01-05", "2026-01-06")) == 25
    assert days("FREQ=WEEKLY;BYDAY=TU;UNTIL=20260310T070000", "2026-03-01", "2026-04-01") == [
        "2026-03-03 07:00", "2026-03-10 07:00",
    ]  # fmt: skip


def test_a_rule_with_a_mistake_is_one_line_with_what_to_write():
    text = site_text(RECYCLING + 'pickup = "FREQ=WEEKLI;BYDAY=TU"\n')
    with pytest.raises(SiteError) as caught:
        parse_site(text, "quay.toml")
    (line,) = caught.value.lines
    assert "stream \"recycling\", pickup: found 'FREQ=WEEKLI;BYDAY=TU'" in line
    assert line.endswith('Write pickup = "FREQ=WEEKLY;BYDAY=TU".')


def test_a_rule_with_exceptions_is_refused_with_its_line():
    text = site_text(RECYCLING + 'pickup = "FREQ=WEEKLY;BYDAY=WE\\nEXDATE:20261111T070000"\n')
    with pytest.raises(SiteError, match="more than one rule: no EXDATE"):
        parse_site(text, "quay.toml")


def steady(rate: float = 2.0, uses: int = 100_000) -> Demand:
    """The same demand at all hours, well known."""
    return Demand(np.full(168, rate), uses, 0.0, 1e-6)


def certain(number: float) -> Weibull:
    """A container that takes just so many uses."""
    return Weibull(200.0, number, np.diag([1e-10, 1e-10]), 10_000)


def test_the_chance_of_full_is_that_of_a_poisson_count():
    # Source: scipy.stats.poisson: the chance of at least 100 uses where 96 are expected.
    drawn = draw(certain(100 / 0.9971), steady(), worlds=100, fills=2000)
    found = estimate(drawn.chances(np.array([96.0]))[:, 0])
    true = scipy_stats.poisson(96).sf(99)
    assert found.value == pytest.approx(true, abs=0.015)
    assert found.error < 0.002


def test_the_same_seed_draws_the_same_and_the_error_falls_with_more_worlds():
    life = weibull([90, 100, 110, 105, 95, 98], [True] * 6)
    chances = [
        draw(life, steady(), worlds=n, seed=7).chances(np.array([95.0]))[:, 0]
        for n in (50, 50, 800)
    ]
    assert chances[0].tolist() == chances[1].tolist()
    assert estimate(chances[2]).error < estimate(chances[0]).error / 2


def test_uses_already_in_a_container_bring_full_nearer_and_never_pass_unseen():
    life = weibull([90, 100, 110, 105, 95, 98], [True] * 6)
    empty, used = (draw(life, steady(), used=u).chances(np.array([60.0])).mean() for u in (0, 50))
    assert used > empty
    beyond = draw(life, steady(), used=200).chances(np.array([0.0, 5.0])).mean(axis=0)
    assert beyond[0] == 0
    assert beyond[1] > 0.9


def test_demand_after_an_hour_adds_up_the_hours_of_the_week():
    rate = np.zeros(168)
    rate[[0, 167]] = 6.0
    demand = Demand(rate, 100, 0.0, 0.1)
    assert demand.after(166.0, 4).tolist() == [0, 0, 6, 12, 12]
    assert demand.after(167.5, 1).tolist() == [0, 6.0]


def busy_log(
    weeks: int = 20, a_day: int = 24, fills_at: int = 70, seed: int = 3, emptied: tuple = (0,)
):
    """A chute used by day, its container emptied on these weekdays, full after `fills_at`."""
    rng = np.random.default_rng(seed)
    log, inside, fills = [*alive(weeks * 7)], 0, fills_at
    for day in range(weeks * 7):
        start = day * DAY  # 08:00
        if day % 7 in emptied and day:
            inside, fills = 0, fills_at + rng.integers(-4, 5)
        for hour in range(12):
            for place in np.sort(rng.uniform(0, 3500, rng.poisson(a_day / 12))):
                if inside < fills:
                    at = start + hour * HOUR + place
                    log += uses(round(at), 1)
                    inside += 1
                    if inside == fills:
                        later = next(d for d in range(day + 1, day + 8) if d % 7 in emptied)
                        log += full(round(at) + 30, later * DAY - HOUR)  # 07:00
    return log


@pytest.fixture(scope="module")
def busy():
    text = site_text(RECYCLING + 'pickup = "FREQ=WEEKLY;BYDAY=MO;BYHOUR=7"\n', REFUSE)
    return sorting(busy_log(), text)


def test_demand_leaves_out_the_time_in_which_nobody_could_use_the_container(busy):
    demand = busy.demands.of(("quay", "A", "recycling"))
    assert demand.rate.sum() == pytest.approx(7 * 24, rel=0.08)


def test_the_present_rule_and_every_rule_with_no_more_pickups_are_looked_at(busy):
    table = busy.pickups[busy.pickups["container"].eq("recycling")]
    (present,) = rows(table, present=True)
    assert present["rule"] == "FREQ=WEEKLY;BYDAY=MO;BYHOUR=7"
    assert present["pickups_a_week"] == pytest.approx(1, abs=0.03)
    assert present["chance_full"] > 0.98
    # Full after some 2.9 of 7 days; 98 of 168 uses find it full.
    assert present["refused_a_week"] == pytest.approx(98, rel=0.1)
    assert 85 < present["hours_full_a_week"] < 110
    assert (len(table), table["pickups_a_week"].max()) == (14, present["pickups_a_week"])
    assert table["seed"].notna().all()
    best = rows(table, best=True)
    assert len(best) == 2
    assert best[0]["chance_low"] <= best[0]["chance_full"] <= best[0]["chance_high"]


def test_the_best_of_more_pickups_lie_apart_and_refuse_less():
    text = site_text(RECYCLING + 'pickup = "FREQ=WEEKLY;BYDAY=MO,TU;BYHOUR=7"\n', REFUSE)
    found = sorting(busy_log(emptied=(0, 1)), text).pickups
    table = found[found["container"].eq("recycling")]
    (present,) = rows(table, present=True)
    (best,) = [row for row in rows(table, best=True) if row["pickups_a_week"] > 1.5]
    names = best["rule"].split("BYDAY=")[1].split(";")[0].split(",")
    places = [("MO", "TU", "WE", "TH", "FR", "SA", "SU").index(name) for name in names]
    assert places[1] - places[0] in (3, 4)
    # 24 uses a day: one day and six days leave 74 refused of 144, three and four days 2 and 26.
    assert present["refused_a_week"] == pytest.approx(74, rel=0.12)
    assert best["refused_a_week"] == pytest.approx(28, abs=7)


def test_of_rules_that_are_all_good_enough_the_most_even_one_is_best():
    """Never full whatever the days: three pickups in three days running are no advice."""
    text = site_text(RECYCLING, REFUSE)
    found = sorting(busy_log(emptied=(0, 2, 4), a_day=24, fills_at=70), text)
    slow = replace(found.demands.of(("quay", "A", "recycling")), rate=np.full(168, 0.1))
    demands = SimpleNamespace(of=lambda key: slow)
    table = pickups(found.bins, found.lives, demands, found.facts.ends, found.sites)
    (best,) = [row for row in rows(table, best=True) if row["pickups_a_week"] == 3]
    assert best["chance_full"] < 0.001
    names = best["rule"].split("BYDAY=")[1].split(";")[0].split(",")
    places = [("MO", "TU", "WE", "TH", "FR", "SA", "SU").index(name) for name in names]
    assert sorted(np.diff([*places, places[0] + 7])) == [2, 2, 3]


def test_without_a_fill_model_or_a_rule_the_reason_stands_there(busy):
    (row,) = rows(busy.pickups, container="refuse")
    assert row["reason"] == "no fill model: see fill_model"
    free = sorting(busy_log(), site_text(RECYCLING, REFUSE))
    table = free.pickups[free.pickups["container"].eq("recycling")]
    assert not table["present"].any()
    assert table["pickups_a_week"].max() == 3


def test_the_forecast_grows_day_by_day_and_marks_days_after_the_pickup(busy):
    ahead = rows(busy.forecast, container="recycling")
    assert len(ahead) == 7
    chances = [row["chance_full"] for row in ahead]
    assert chances == sorted(chances)
    assert (chances[0], chances[-1]) == (pytest.approx(0, abs=0.01), pytest.approx(1, abs=0.01))
    assert [row["after_pickup"] for row in ahead] == [
        row["day"] + pd.Timedelta(days=1) > row["next_pickup"].tz_localize(None) for row in ahead
    ]


def test_a_container_that_is_full_now_is_said_to_be():
    text = site_text(RECYCLING + 'pickup = "FREQ=WEEKLY;BYDAY=MO;BYHOUR=7"\n', REFUSE)
    cut = [event for event in busy_log() if event[0] < 19 * 7 * DAY + 5 * DAY]
    ahead = rows(sorting(cut, text).forecast, container="recycling")
    assert {row["reason"] for row in ahead} == {"full now"}
    assert {row["chance_full"] for row in ahead} == {1.0}


def test_a_forecast_made_weeks_after_the_log_starts_from_the_latest_pickup(busy):
    """A log is read when it is exported; the lorry comes meanwhile."""
    later = busy.forecast_at(START + pd.Timedelta(weeks=23, hours=4))  # a Monday noon
    ahead = rows(later, container="recycling")
    assert {row["uses_so_far"] for row in ahead} == {None}
    assert [row["reason"] for row in ahead] == [None] * 7
    # Full after some 2.9 days of use: not on the day of the pickup, surely on Friday.
    assert ahead[0]["chance_full"] < 0.01
    assert ahead[4]["chance_full"] > 0.95
    assert ahead[0]["next_pickup"] == START + pd.Timedelta(weeks=24, hours=-1)


def test_the_backtest_foretells_what_came(busy):
    table = calibration(foretold(busy.bins, busy.containers, busy.demands, busy.sites))
    (whole, *_) = rows(table, foretold_from=0.0, foretold_to=1.0)
    assert whole["fills"] >= 8
    assert whole["foretold"] == pytest.approx(whole["came"], abs=0.1)


def test_the_backtest_knows_nothing_of_what_came_later(busy):
    """Chances foretold up to a day stay the same whatever the log holds after it."""
    whole = foretold(busy.bins, busy.containers, busy.demands, busy.sites)
    day = START + pd.Timedelta(weeks=14)
    early = busy.uses[busy.uses["opened"] < day]
    fills = busy.containers[busy.containers["ends"] <= day]
    demands = Demands(early, fills, busy.hours, busy.bins, busy.sites)
    cut = foretold(busy.bins, fills, demands, busy.sites)
    both = whole.merge(cut, on=["container", "emptied"], suffixes=("", "_cut"))
    assert len(both) >= 3
    assert both["chance"].tolist() == pytest.approx(both["chance_cut"].tolist())


def test_calibration_counts_what_came_in_classes_of_what_was_foretold():
    table = pd.DataFrame({
        "site": "s", "chute": "A", "container": "r", "stream": "r",
        "chance": [0.1, 0.1, 0.1, 0.9, 0.9], "was_full": [False, False, True, True, True],
    })  # fmt: skip
    whole, low, high = rows(calibration(table))
    # Source: the score of Brier, worked by hand: (3 x 0.01 - 0.01 + 0.81 + 2 x 0.01) / 5.
    assert whole["brier"] == pytest.approx((0.01 + 0.01 + 0.81 + 0.01 + 0.01) / 5)
    assert whole["brier_always_same"] == pytest.approx(0.6 * 0.4)
    assert (low["fills"], low["came"]) == (3, pytest.approx(1 / 3))
    assert (high["fills"], high["came"]) == (2, 1.0)
