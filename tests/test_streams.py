"""Participation, campaigns and lost sorting."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats as scipy_stats
from statsmodels.stats.proportion import proportion_confint

from loganalyzer.measures.participation import part_taken, set_out
from loganalyzer.shares import shrunken_shares
from loganalyzer.tables import conform
from loganalyzer.views.sorting import TABLES_HERE
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
    use,
    uses,
)

# Ten households and four collections, constructed; set-out and participation worked by hand from
# the definitions of Resources, Conservation and Recycling 1997.
HOUSEHOLDS = np.array([
    [1, 1, 1, 1], [1, 0, 1, 0], [0, 0, 0, 0], [0, 1, 0, 0], [1, 1, 0, 1],
    [0, 0, 0, 0], [0, 0, 0, 1], [1, 1, 1, 1], [0, 0, 1, 0], [0, 0, 0, 0],
])  # fmt: skip


def test_set_out_and_participation_follow_the_municipal_definitions():
    assert set_out(HOUSEHOLDS).tolist() == [0.4, 0.4, 0.4, 0.4]
    assert part_taken(HOUSEHOLDS, 4) == 0.70
    assert part_taken(HOUSEHOLDS[:, :3], 3) == 0.60


def test_shrunken_shares_are_those_of_a_finer_sum_over_all_beta_distributions():
    # Source: scipy.stats.betabinom.logpmf and scipy.stats.beta, summed over a fine grid.
    hits, trials = np.array([3, 12, 7, 30, 1, 22]), np.array([20, 40, 35, 60, 18, 50])
    common, kept = np.meshgrid(np.linspace(-4, 3, 141), (np.arange(100) + 0.5) / 100)
    share = 1 / (1 + np.exp(-common.ravel()))
    strength = np.exp(np.log(trials).mean()) * (1 / kept.ravel() - 1)
    a, b = share * strength, (1 - share) * strength
    likely = sum(
        scipy_stats.betabinom.logpmf(x, n, a, b) for x, n in zip(hits, trials, strict=True)
    )
    weight = np.exp(likely - likely.max())
    weight /= weight.sum()
    ours = shrunken_shares(hits, trials)
    for group, (x, n) in enumerate(zip(hits, trials, strict=True)):
        true = scipy_stats.beta(x + a, n - x + b)
        assert ours.mean[group] == pytest.approx(weight @ true.mean(), abs=0.002)
        assert weight @ true.cdf(ours.low[group]) == pytest.approx(0.025, abs=0.002)
        assert weight @ true.cdf(ours.high[group]) == pytest.approx(0.975, abs=0.002)


def test_intervals_of_shrunken_shares_hold_the_truth():
    """Also where floors hardly differ: their intervals are never narrower than the common share's.

    A prior that is fitted and then taken for certain would give intervals of 0.2 % there.
    """
    rng, held = np.random.default_rng(4), []
    for _ in range(60):
        trials, common = rng.integers(10, 400, 12), rng.uniform(0.1, 0.6)
        spread = rng.choice([10.0, 80.0, 1e9])
        true = rng.beta(common * spread, (1 - common) * spread, 12)
        found = shrunken_shares(rng.binomial(trials, true), trials)
        held += list((found.low <= true) & (true <= found.high))
    assert 0.92 <= np.mean(held) <= 0.99
    alike = shrunken_shares([40] * 10, [100] * 10)
    low, high = proportion_confint(400, 1000, method="wilson")
    assert (alike.high - alike.low > 0.99 * (high - low)).all()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=3, max_size=8))
def test_a_shrunken_share_lies_within_its_interval_and_near_those_of_the_floors(counts):
    hits = np.array([min(pair) for pair in counts])
    trials = np.array([max(pair) for pair in counts])
    found = shrunken_shares(hits, trials)
    if np.isnan(found.mean).any():
        return
    own = np.divide(hits, trials, out=np.full(len(hits), np.nan), where=trials > 0)
    lowest, highest = np.nanmin(own), np.nanmax(own)
    assert ((found.low <= found.mean) & (found.mean <= found.high)).all()
    assert ((lowest - 0.05 <= found.mean) & (found.mean <= highest + 0.05)).all()


CHUTE_B = (
    '[[chute]]\nid = "B"\nprofile = "json-events"\n'
    '[[chute.stream]]\nid = "recycling"\nkind = "recycling"\n'
    '[[chute.floor]]\nlabel = "7"\nunits = 8\n'
)


def test_a_use_is_a_cycle_whose_door_opened():
    log = [*alive(3), *uses(HOUR, 4), *uses(5 * HOUR, 6, stream="refuse")]
    # Unlocked and never opened.
    log += [
        (9 * HOUR, "7", "press", "mark", {"stream": "recycling"}),
        (9 * HOUR + 2, "7", "unlocked", "on"), (9 * HOUR + 30, "7", "unlocked", "off"),
    ]  # fmt: skip
    row = rows(sorting(log).streams, period="all", floor="7", stream="recycling")[0]
    assert row["uses"] == 4
    assert row["share"] == pytest.approx(0.4)
    # Source: statsmodels proportion_confint, method wilson.
    assert (row["low"], row["high"]) == pytest.approx(proportion_confint(4, 10, method="wilson"))
    assert row["uses_per_unit_week"] == pytest.approx(4 / 8 / (row["covered_days"] / 7))


def test_months_and_weeks_add_up_to_the_whole_and_floors_to_the_building():
    log = [*alive(45)]
    for n in range(45):
        log += [*uses(n * DAY + HOUR, 1 + n % 3, "7"), *uses(n * DAY + 3 * HOUR, 2, "1", "refuse")]
    table = sorting(log).streams
    level = [table["floor"].isna(), table["chute"].isna()]  # doors, chutes, buildings
    totals = table.groupby(["period", *level])["uses"].sum()
    assert (totals.nunique(), len(totals)) == (1, 9)
    units = table.loc[table["chute"].isna(), "units"]
    assert set(units) == {24}
    assert set(table["period"]) == {"all", "month", "week"}


def test_a_building_of_two_chutes_adds_them_up_and_tells_nothing_where_one_has_no_log():
    other = [(*event[:4], {**(event[4] if len(event) > 4 else {}), "chute": "B"})
             for n in range(9) for event in uses(n * DAY + HOUR, 3)]  # fmt: skip
    log = [*alive(20), *other]
    for n in range(20):
        log += uses(n * DAY + 5 * HOUR, 2, "7", "refuse")
    text = site_text(RECYCLING, REFUSE, more=CHUTE_B)
    weeks = sorting(log, text).streams
    weeks = weeks[weeks["chute"].isna() & weeks["period"].eq("week")]
    first, _, third = rows(weeks, stream="recycling")
    assert (first["uses"], first["share"]) == (21, pytest.approx(21 / 35))
    assert (third["uses"], third["reason"]) == (
        None, "a chute of the building has no log in this period",
    )  # fmt: skip


def test_weeks_in_which_a_floor_used_a_stream_count_out_of_the_weeks_covered():
    log = [*alive(35)]
    for week in (0, 1, 3):
        log += uses(week * 7 * DAY + 30 * HOUR, 2, "7")
        log += uses(week * 7 * DAY + 40 * HOUR, 2, "8", "refuse")
    found = sorting(log)
    row = rows(found.participation, floor="7", stream="recycling")[0]
    assert (row["weeks_active"], row["weeks_covered"]) == (3, 5)
    building = rows(found.set_out, stream="recycling")[0]
    # One of three floors in three of five weeks; in the last four weeks one of three floors.
    assert building["set_out"] == pytest.approx(3 / 15)
    assert building["participation"] == pytest.approx(1 / 3)
    assert building["window_weeks"] == 4
    assert "a log sees doors" in building["note"]


def test_a_log_without_door_contacts_has_no_uses_and_says_why():
    log = [*alive(3), (HOUR, "7", "press", "mark", {"stream": "recycling"}),
           (HOUR + 2, "7", "unlocked", "on"), (HOUR + 9, "7", "unlocked", "off")]  # fmt: skip
    row = rows(sorting(log).streams, period="all", floor="7", stream="recycling")[0]
    assert (row["uses"], row["share"], row["reason"]) == (
        None, None, "door contacts not in the log",
    )  # fmt: skip


def test_a_floor_of_few_uses_is_drawn_towards_the_others():
    log = [*alive(10), *uses(HOUR, 2, "7")]
    for n in range(5):
        log += [*uses(n * DAY + 5 * HOUR, 20, "1"), *uses(n * DAY + 7 * HOUR, 20, "1", "refuse")]
        log += [*uses(n * DAY + 9 * HOUR, 16, "8"), *uses(n * DAY + 11 * HOUR, 24, "8", "refuse")]
    row = rows(sorting(log).participation, floor="7", stream="recycling")[0]
    assert row["share"] == 1.0
    assert row["against"] < row["shrunken"] < 0.8


def campaign_log(after: float, season: float = 0.0, weeks: int = 24, seed: int = 2):
    """Floors 1, 7 and 8; from week 12 on floor 7 sorts more by `after`, all floors by `season`."""
    rng = np.random.default_rng(seed)
    log = [*alive(weeks * 7)]
    for week in range(weeks):
        late = week >= weeks // 2
        for floor, start in (("1", 2), ("7", 20), ("8", 38)):
            share = 0.3 + season * late + after * (late and floor == "7")
            number = rng.binomial(60, share)
            log += uses(week * 7 * DAY + start * HOUR, number, floor)
            log += uses(week * 7 * DAY + (start + 5) * HOUR, 60 - number, floor, "refuse")
    return log


def with_campaign(*floors: str) -> str:
    named = ", ".join(f'"{floor}"' for floor in floors)
    more = f'[[campaign]]\ndate = 2025-05-26\nfloors = [{named}]\nnote = "posters"\n'
    bodies = ('id = "recycling"\nkind = "recycling"\n', 'id = "refuse"\nkind = "refuse"\n')
    return site_text(*bodies, more=more)


def effect(log, *floors: str):
    found = sorting(log, with_campaign(*floors)).campaigns
    return rows(found, stream="recycling", measure="share")[0]


def test_a_campaign_that_worked_shows_its_odds_ratio():
    row = effect(campaign_log(0.2), "7")
    true = (0.5 / 0.5) / (0.3 / 0.7)
    assert row["low"] < true < row["high"]
    assert row["low"] > 1.5
    assert row["p"] < 0.001
    assert row["expected"] == pytest.approx(0.3, abs=0.05)
    assert (row["weeks_before"], row["weeks_after"]) == (12, 12)


def test_a_season_that_moves_all_floors_is_no_effect():
    row = effect(campaign_log(0.0, season=0.2), "7")
    assert row["low"] < 1 < row["high"]
    assert row["after"] - row["before"] > 0.15  # a plain before and after would be taken in


def test_the_seat_belt_series_shows_why_before_and_after_alone_mislead():
    # Source: R datasets, Seatbelts, 192 months, the law from February 1983: sums 290300 of 169
    # and 30399 of 23 months, ratio of means 0.769434; the series had a season and a drift. Our
    # measure compares with others in the same months, so the same series as both says 1.
    ratio = (30399 / 23) / (290300 / 169)
    assert ratio == pytest.approx(0.769434, abs=1e-6)
    log = campaign_log(0.0, season=0.15)
    assert abs(np.log(effect(log, "7")["ratio"])) < abs(np.log(ratio))


def test_a_campaign_for_all_floors_has_before_and_after_but_no_effect():
    row = effect(campaign_log(0.2), "1", "7", "8")
    assert row["ratio"] is None
    assert row["before"] < row["after"]
    assert row["reason"] == "all floors had the campaign: a season cannot be told from its effect"


def test_a_campaign_at_the_edge_of_the_log_has_too_few_weeks():
    row = effect(campaign_log(0.2, weeks=14)[:60_000], "7")
    assert row["reason"] == "fewer than 4 covered weeks before or after"


def test_a_week_in_which_a_floor_used_nothing_has_no_share():
    """Half a use either way would make it one of 50 %, and an effect of a holiday."""
    log = campaign_log(0.0)
    away = [
        event for event in log
        if not (event[1] == "7" and 13 * 7 * DAY <= event[0] < 18 * 7 * DAY)
    ]  # fmt: skip
    whole, without = effect(log, "7"), effect(away, "7")
    assert without["ratio"] == pytest.approx(whole["ratio"], rel=0.25)
    assert without["low"] < 1 < without["high"]


def test_a_floor_with_a_campaign_of_its_own_is_not_compared_with():
    """Floor 8 has another one at the same time, which worked: it would hide that of floor 7."""
    log = campaign_log(0.2)
    third = site_text(
        'id = "recycling"\nkind = "recycling"\n', 'id = "refuse"\nkind = "refuse"\n',
        more='[[campaign]]\ndate = 2025-05-26\nfloors = ["7"]\n'
             '[[campaign]]\ndate = 2025-05-26\nfloors = ["8"]\n',
    )  # fmt: skip
    alone = rows(sorting(log, third).campaigns, stream="recycling", measure="share")[0]
    ones = [event for event in log if event[1] != "8"]
    only = rows(sorting(ones, third).campaigns, stream="recycling", measure="share")[0]
    assert alone["ratio"] == pytest.approx(only["ratio"])
    every = third + '[[campaign]]\ndate = 2025-05-26\nfloors = ["1"]\n'
    found = rows(sorting(log, every).campaigns, stream="recycling", measure="share")
    assert {row["reason"] for row in found} == {
        "every other floor had a campaign of its own: none is left to compare with"
    }


def test_a_second_campaign_at_a_floor_starts_from_the_first_one():
    text = with_campaign("7") + '[[campaign]]\ndate = 2025-07-07\nfloors = ["7"]\n'
    found = sorting(campaign_log(0.2), text).campaigns
    first, second = rows(found, stream="recycling", measure="share")
    assert (first["weeks_before"], first["weeks_after"]) == (12, 6)
    assert (second["weeks_before"], second["weeks_after"]) == (6, 6)
    assert second["low"] < 1 < second["high"]


def lost(log, **wanted):
    return rows(sorting(log).lost_sorting, **wanted)


def refused(when: float, code: str = "full", stream: str = "recycling"):
    named = {"stream": stream}
    return [(when, "7", "press", "mark", named),
            (when, "7", "refusal", "mark", {**named, "code": code})]  # fmt: skip


def test_a_use_turned_to_refuse_because_the_container_was_full_is_lost():
    log = [*alive(2), *full(HOUR, 9 * HOUR), *refused(2 * HOUR), *refused(2 * HOUR + 20)]
    log += use(2 * HOUR + 60, "7", "refuse")
    (row,) = lost(log, kind="full_then_refuse")
    assert (row["floor"], row["stream"], row["seconds"]) == ("7", "recycling", 64)
    lines = json.loads(row["evidence"])
    assert len(lines) == 2
    assert all(line.startswith("log:") for line in lines)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda: use(2 * HOUR + 200, "7", "refuse"), "later than two minutes"),
        (lambda: use(2 * HOUR + 60, "8", "refuse"), "at another door"),
        (lambda: use(2 * HOUR + 60, "7", "recycling"), "recycled after all"),
    ],
)
def test_other_uses_after_a_full_container_are_not_lost(change, why):
    log = [*alive(2), *full(HOUR, 9 * HOUR), *refused(2 * HOUR), *change()]
    assert lost(log, kind="full_then_refuse") == [], why


def test_a_refusal_because_another_container_was_full_is_no_lost_sorting_of_this_one():
    log = [*alive(2), *full(HOUR, 9 * HOUR, stream="refuse"), *refused(2 * HOUR)]
    log += use(2 * HOUR + 60, "7", "refuse")
    assert lost(log, kind="full_then_refuse") == []


def test_a_visit_for_a_sorted_stream_that_gave_up_is_lost_and_one_for_refuse_is_not():
    log = [
        *alive(2),
        *refused(2 * HOUR, "busy"),
        *refused(5 * HOUR, "busy", "refuse"),
        *uses(9 * HOUR, 2),
    ]
    (row,) = lost(log, kind="gave_up")
    assert row["stream"] == "recycling"


def test_a_visit_that_came_back_and_sorted_is_not_lost_and_no_use_is_lost_twice():
    log = [*alive(2), *refused(2 * HOUR, "busy"), *use(2 * HOUR + 110, "7", "recycling")]
    assert lost(log, kind="gave_up") == []
    # Refused as full, 100 s later refuse: two visits, one lost use.
    log = [*alive(2), *full(HOUR, 9 * HOUR), *refused(2 * HOUR)]
    log += use(2 * HOUR + 100, "7", "refuse")
    assert [row["kind"] for row in lost(log)] == ["full_then_refuse"]


def test_a_quick_switch_to_refuse_hints_at_a_mixed_bag():
    log = [*alive(2), (HOUR, "7", "press", "mark", {"stream": "recycling"}),
           *use(HOUR + 12, "7", "refuse")]  # fmt: skip
    (row,) = lost(log, kind="quick_switch")
    assert len(json.loads(row["evidence"])) >= 2
    slow = [*alive(2), (HOUR, "7", "press", "mark", {"stream": "recycling"}),
            *use(HOUR + 50, "7", "refuse")]  # fmt: skip
    assert lost(slow, kind="quick_switch") == []


def test_somebody_who_sorts_two_bags_one_after_the_other_is_no_quick_switch():
    log = [*alive(2), *use(HOUR, "7", "recycling"), *use(HOUR + 25, "7", "refuse")]
    assert lost(log, kind="quick_switch") == []


def test_a_stream_that_a_floor_never_uses_is_told_with_whether_its_button_works():
    log = [*alive(8)]
    for n in range(6):
        log += [*uses(n * DAY + HOUR, 8, "1"), *uses(n * DAY + 3 * HOUR, 8, "1", "refuse")]
        log += uses(n * DAY + 6 * HOUR, 8, "7", "refuse")
    (row,) = lost(log, kind="never_used")
    assert (row["floor"], row["stream"]) == ("7", "recycling")
    assert row["detail"].endswith("in 48 uses: a broken button, or nobody knows")
    assert len(json.loads(row["evidence"])) == 2  # the first use of the door and the last
    log += refused(7 * DAY + HOUR, "busy")
    (row,) = lost(log, kind="never_used")
    assert "the button works" in row["detail"]


def test_a_floor_of_few_uses_is_not_said_to_never_use_a_stream():
    log = [*alive(3), *uses(HOUR, 20, "1"), *uses(4 * HOUR, 20, "1", "refuse"),
           *uses(9 * HOUR, 3, "7", "refuse")]  # fmt: skip
    assert lost(log, kind="never_used") == []


DOORS = [(0, "7", "open", "on"), (9, "7", "open", "off")]


@pytest.mark.parametrize(
    ("log", "text"),
    [
        (DOORS, None),
        (DOORS, site_text()),
        ([(0, None, "note", "mark")], None),
        ([(0, "7", "press", "mark", {"stream": "zz"})], None),
        ([*use(5, "7", None), *use(50, "8", None), *alive(20)], site_text()),
        ([*uses(0, 30, "7", "zz"), *alive(70)], None),
        ([(0, "7", "open", "on", {"clock": "unanchored"})], None),
    ],
    ids=[
        "doors",
        "no streams",
        "notes",
        "unknown stream",
        "no stream named",
        "no kind",
        "no clock",
    ],
)
def test_a_log_that_shows_little_still_gives_every_table(log, text):
    found = sorting(log, text)
    for name in TABLES_HERE:
        assert conform(getattr(found, name), name).num_rows >= 0, name
