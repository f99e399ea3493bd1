"""The replay against the log, against Erlang's formula, and against a simulator of queues."""

import numpy as np
import pandas as pd
import pytest
import simpy

from loganalyzer.attempts import Attempts, attempts
from loganalyzer.cycles import cycles
from loganalyzer.errors import UsageError
from loganalyzer.facts import facts
from loganalyzer.intervals import pair
from loganalyzer.measures.lockouts import lockouts
from loganalyzer.measures.replay import Change, Rule, changes, logged, play, replayed, what_if
from loganalyzer.occupied import occupied
from loganalyzer.presses import pressed
from loganalyzer.spans import Cover
from loganalyzer.stats import engset, erlang_b
from loganalyzer.views import analyse
from loganalyzer.views.replay_report import change_of, replay_dict, replay_text
from loganalyzer.views.wait_report import clearing_what_if, waiting_text
from loganalyzer.visits import visits
from tests.audited import log_of, site_of
from tests.build import timeline
from tests.test_measures_waiting import SITES, in_order, press, use
from tests.tools.simulator import plain_plan, simulate
from tests.tools.simulator.plan import Limits

# Formulas.


@pytest.mark.parametrize(
    ("servers", "loads", "expected"),
    [
        # Source: B(c, A) = A B(c-1) / (c + A B(c-1)), B(0) = 1, worked by hand.
        (1, [0.5, 1, 2, 5], [0.33333333, 0.5, 0.66666667, 0.83333333]),
        (2, [0.5, 1, 2], [0.07692308, 0.2, 0.4]),
        (3, [0.5, 1, 2, 5], [0.01265823, 0.0625, 0.21052632, 0.52966102]),
        (5, [1, 2, 5], [0.00306748, 0.03669725, 0.28486782]),
        (10, [5], [0.01838457]),
        # Source: the load at 1 % loss in the standard table of Erlang's formula, from memory.
        (20, [12.0306], [0.01]),
        (50, [37.9014], [0.01]),
    ],
)
def test_erlangs_formula_gives_its_table(servers, loads, expected):
    assert erlang_b(loads, servers) == pytest.approx(expected, abs=1e-6)


def test_one_door_at_a_time_loses_what_the_formula_says():
    # Source: A / (1 + A): 12 attempts an hour of 45 s, 40 of 30 s.
    assert erlang_b([12 * 45 / 3600, 40 * 30 / 3600]) == pytest.approx([0.13043478, 0.25])


def test_the_formula_of_nothing_is_nothing():
    assert erlang_b([0.0]).tolist() == [0.0]
    assert np.isnan(erlang_b([np.nan, -1.0])).all()
    assert np.isnan(np.array(engset([0, np.nan], [0.1, 0.1]))).all()
    assert [float(c[0]) for c in engset([5], [0.0])] == [0, 0, 0]


@pytest.mark.parametrize(
    ("sources", "idle", "expected"),
    [
        # Source: Engset's distribution with one server, worked by hand.
        (3, 0.2, (0.375, 0.28571429, 0.25)),
        (5, 0.1, (0.33333333, 0.28571429, 0.26666667)),
        (20, 0.02, (0.28571429, 0.27536232, 0.27142857)),
        (40, 0.01, (0.28571429, 0.28057554, 0.27857143)),
    ],
)
def test_engsets_formula_gives_time_call_and_traffic_congestion(sources, idle, expected):
    assert [float(c[0]) for c in engset([sources], [idle])] == pytest.approx(expected, abs=1e-8)


def test_endless_sources_are_erlangs():
    # Source: the limit of Engset's formula at A = 0.4.
    assert float(engset([1e9], [0.4e-9])[1][0]) == pytest.approx(0.28571429)


# The replay against the formula: nobody tries again.


def strangers(load, service, number=60_000, seed=1):
    """People who come at random, press once, and take the chute for a service of 1 on average."""
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.exponential(1 / load, number))
    length = {"exponential": rng.exponential(1.0, number), "fixed": np.ones(number)}[service]
    none = np.zeros(number)
    return Attempts(
        first=np.arange(number + 1), time=times, barred=np.zeros(number, bool),
        granted=np.ones(number, bool), hold=0.6 * length, clear=0.4 * length, open=none,
        locked=np.zeros(number, bool), more=np.zeros(number, np.int64), later=((),) * number,
        door=np.arange(number), own=np.zeros(number, bool),
    )  # fmt: skip


@pytest.mark.parametrize("service", ["exponential", "fixed"])
@pytest.mark.parametrize("load", [0.05, 0.5, 2.0])
def test_without_second_tries_the_replay_refuses_what_the_formula_says(load, service):
    """Whatever the lengths of service: the formula knows only their mean (M/G/1/1)."""
    played = play(strangers(load, service))
    expected = float(erlang_b([load])[0])
    # Refusals come in runs, so the error is that of fewer independent ones: five of them allowed.
    error = np.sqrt(expected * (1 - expected) * (1 + load) / 60_000)
    assert played.presses.sum() == 60_000
    assert (played.refused == played.gave_up).all()
    assert played.refused.mean() == pytest.approx(expected, abs=5 * error)


@pytest.mark.parametrize("service", ["exponential", "fixed"])
def test_the_replay_refuses_whom_a_simulator_of_queues_refuses(service):
    of = strangers(0.5, service, number=5_000)
    served = ~np.isnan(play(of).wait)
    assert served.tolist() == _simulated(of.time, of.hold + of.clear)


def _simulated(times, lengths):
    """The same people in simpy: one resource, and whoever finds it taken leaves."""
    world = simpy.Environment()
    chute, served = simpy.Resource(world), []

    def people():
        for time, length in zip(times, lengths, strict=True):
            yield world.timeout(time - world.now)
            served.append(chute.count == 0)
            if chute.count == 0:
                world.process(one(length))

    def one(length):
        with chute.request() as turn:
            yield turn
            yield world.timeout(length)

    world.process(people())
    world.run()
    return served


def test_a_longer_clearing_refuses_as_the_formula_says_of_the_longer_service():
    of = strangers(0.5, "fixed")
    played = play(of, change_s=0.5)
    assert played.refused.mean() == pytest.approx(0.75 / 1.75, abs=0.01)


# The replay against the log.


def chute(*events):
    log = timeline(*in_order(events))
    pairs = pair(log)
    used = cycles(log, pairs, SITES)
    tried = visits(log, used, pairs, SITES)
    known = facts(log, SITES)
    return pressed(log), tried, occupied(pairs, used, log), lockouts(log, pairs, known), known


def told(clearing_s, *events, seed=0):
    return what_if(replayed(*chute(*events), Change(clearing_s), seed)).set_index("setting")


# Floor 7 from 0 s, locked at 15 s, clear at 27 s. Floor 8 is refused at 5 s and 20 s, granted at
# 30 s, open at 37 s.
TWO = [*use(0), *press(5, "8", "busy"), *press(20, "8", "busy"), *use(30, "8")]


def test_with_the_setting_as_it_is_the_replay_gives_what_was_logged():
    table = told(12.0, *TWO)
    for column in ("mean_s", "median_s", "p90_s", "presses", "refused", "gave_up", "opened"):
        assert table[column].nunique() == 1, column
    assert table.loc["logged", ["mean_s", "presses", "refused"]].tolist() == [19.5, 4, 2]


def test_a_shorter_clearing_grants_the_second_try():
    # Clear at 15 + 4 = 19 s: the press at 20 s is granted, and the door open at 27 s.
    row = told(4.0, *TWO).loc["other"]
    assert (row["mean_s"], row["presses"], row["refused"]) == ((7 + 22) / 2, 3, 1)


def test_a_longer_clearing_makes_people_try_again():
    # Clear at 35 s: the press at 30 s is refused. The log's gaps between tries are 15 and 10 s,
    # and nobody in it gave up.
    row = told(20.0, *TWO).loc["other"]
    assert row["refused"] == 3
    assert row["gave_up"] == 0
    assert row["mean_s"] in ((7 + 32 + 10) / 2, (7 + 32 + 15) / 2)


def test_presses_refused_for_another_reason_stay_refused():
    events = [*use(0), *press(40, "8", "full"), *press(60, "8", "busy"), *use(70, "8")]
    table = told(4.0, *events)
    # The log says busy at 60 s where nothing was; the replay grants it.
    assert table.loc["logged", ["presses", "refused"]].tolist() == [3, 1]
    assert table.loc["present", ["presses", "refused"]].tolist() == [2, 0]


def test_who_presses_again_before_the_door_is_open_is_refused_in_any_case():
    events = [*use(0), *press(3, "7", "busy"), *press(4, "7", "busy")]
    assert told(6.0, *events)["refused"].tolist() == [2, 2, 2]


def test_an_opening_without_a_press_takes_the_chute_too():
    key = [(100, "8", "unlocked", "on"), (101, "8", "open", "on"), (150, "8", "open", "off"),
           (151, "8", "unlocked", "off")]  # fmt: skip
    asked, tried, taken, *_ = chute(*use(0), *key, *press(120, "7", "busy"), *use(200))
    of = attempts(asked, tried, taken["quay", "A"])
    assert of.own.sum() == 1
    assert play(of).refused.sum() == logged(of).refused.sum() == 1


def test_the_draws_are_the_same_for_the_same_seed():
    events = [e for n in range(40) for e in [*use(n * 300), *press(n * 300 + 5, "8", "busy"),
              *press(n * 300 + 20, "8", "busy"), *use(n * 300 + 30, "8")]]  # fmt: skip
    runs = [told(25.0, *events, seed=seed).loc["other", "mean_s"] for seed in (1, 1, 2)]
    assert runs[0] == runs[1] != runs[2]


@pytest.mark.parametrize(
    ("missing", "reason"),
    [
        ("clearing", "clearing not in the log"),
        ("refusal", "no refusal says that the chute was busy"),
        ("press", "no use that a press began"),
    ],
)
def test_what_the_log_does_not_hold_cannot_be_replayed(missing, reason):
    table = told(8.0, *[event for event in TWO if event[2] != missing])
    assert table["mean_s"].isna().all()
    assert table["reason"].tolist() == [reason] * 3


def test_a_clearing_under_free_fall_from_the_highest_floor_is_refused():
    # Source: free fall from 30 m takes 2.473519 s (g = 9.80665 m/s2, 3rd CGPM 1901).
    analysis = analyse(timeline(*in_order(TWO)), SITES)
    with pytest.raises(UsageError, match=r"at least 2\.47 s: free fall from floor 7 of chute A"):
        clearing_what_if(analysis, 2.4)
    with pytest.raises(UsageError):
        clearing_what_if(analysis, float("nan"))
    text = waiting_text(analysis, clearing_what_if(analysis, 4.0))
    assert "free fall is only a lower bound" in text
    assert "The replay misses what was logged by +0.00 s" in text


# Time that spans cover.


def test_covered_time_is_what_a_clock_that_ticks_through_it_counts():
    rng = np.random.default_rng(1)
    ticks = np.arange(-2, 45)
    for _ in range(100):
        starts = [rng.integers(0, 30, rng.integers(0, 6)) for _ in range(2)]
        one, other = (Cover.of(s, s + rng.integers(-1, 8, len(s))) for s in starts)
        a, b = one.holds(ticks), other.holds(ticks)
        pairs = [(one, a), (one.minus(other), a & ~b), (one.plus(other), a | b)]  # fmt: skip
        for cover, held in pairs:
            assert (cover.holds(ticks) == held).all()
            assert (np.diff(cover.until(ticks)) == held[:-1]).all()


def test_presses_come_with_what_answered_them():
    table = pressed(timeline(*in_order([*TWO, (90, "8", "refusal", "mark")])))
    assert table.loc[table["floor"].eq("8"), "code"].tolist() == ["busy", "busy", "", "not said"]
    assert isinstance(table["time"].dtype, pd.DatetimeTZDtype)


# The replay against what a chute does that has the other setting.


def played_building(**limits):
    """Eight weeks of one simulated building; the same people come whatever the settings."""
    plan = plain_plan(
        days=56, seed=5, uses_a_unit_a_week=25.0, limits=Limits(**{"clearing_s": 12, **limits})
    )
    log, sites = log_of(simulate(plan).events), site_of(plan)
    pairs = pair(log)
    used = cycles(log, pairs, sites)
    tried = visits(log, used, pairs, sites)
    known = facts(log, sites)
    return pressed(log), tried, occupied(pairs, used, log), lockouts(log, pairs, known), known


def foretold(building, **change):
    return what_if(replayed(*building, Change(**change))).set_index("setting")


@pytest.mark.parametrize("other_s", [6, 24])
def test_what_the_replay_foretells_is_what_the_chute_then_does(other_s):
    told = foretold(played_building(), clearing_s=other_s)
    true = foretold(played_building(clearing_s=other_s)).loc["logged"]
    assert abs(true["refused_share"] - told.loc["logged", "refused_share"]) > 0.03
    assert told.loc["present", "mean_s"] == pytest.approx(told.loc["logged", "mean_s"], rel=0.02)
    other = told.loc["other"]
    assert other["refused_share"] == pytest.approx(true["refused_share"], abs=0.015)
    assert other["mean_s"] == pytest.approx(true["mean_s"], rel=0.1)


@pytest.mark.parametrize("limit", [2, 3])
def test_lockouts_under_another_limit_are_those_that_the_chute_then_has(limit):
    told = foretold(played_building(), press_limit=limit)
    true = foretold(played_building(press_limit=limit)).loc["logged", "lockouts"]
    assert told.loc["present", "lockouts"] == pytest.approx(told.loc["logged", "lockouts"], rel=0.1)
    assert told.loc["other", "lockouts"] == pytest.approx(true, rel=0.2)


# Lockouts.


def one_door(*seconds, limit=4):
    """One person who presses at these times and is never granted, with the rule of the site."""
    number = len(seconds)
    flags = np.zeros(number, bool)
    of = Attempts(
        first=np.arange(number + 1), time=np.array(seconds, float), barred=flags, locked=flags,
        granted=flags, hold=np.full(number, np.nan), clear=np.full(number, np.nan),
        open=np.full(number, np.nan), more=np.zeros(number, np.int64), later=((),) * number,
        door=np.zeros(number, np.int64), own=flags,
    )  # fmt: skip
    return play(of, rule=Rule(limit, 90.0, 90.0)).lockouts.sum()


@pytest.mark.parametrize(
    ("seconds", "begun"),
    [
        # Source: common practice, no source: more than four presses within 90 s.
        ((0, 1, 2, 3), 0),
        ((0, 1, 2, 3, 4), 1),
        ((0, 22.5, 45, 67.5, 90), 1),  # exactly the window: inside
        ((0, 22.5, 45, 67.5, 90.5), 0),
        # Left alone for 90 s the count begins anew; a press before that keeps it locked.
        ((0, 1, 2, 3, 4, 94, 95, 96, 97), 1),
        ((0, 1, 2, 3, 4, 94, 95, 96, 97, 98), 2),
        ((0, 1, 2, 3, 4, 93, 94, 95, 96, 97, 98), 1),
    ],
)
def test_a_door_locks_out_by_its_rule(seconds, begun):
    assert one_door(*seconds) == begun


def test_a_change_comes_with_the_interval_of_the_days_and_its_sign():
    table = changes(replayed(*played_building(), Change(clearing_s=24.0))).set_index("measure")
    wait = table.loc["mean_s"]
    assert 0 < wait["low"] < wait["difference"] < wait["high"]
    assert wait["difference"] == pytest.approx(wait["other"] - wait["present"])
    assert table["days"].tolist() == [56] * 4


def test_few_days_give_a_change_but_no_interval():
    table = changes(replayed(*chute(*TWO), Change(clearing_s=4.0))).set_index("measure")
    assert table.loc["mean_s", "difference"] == -5.0
    assert pd.isna(table.loc["mean_s", "low"])
    assert table.loc["mean_s", "reason"] == "fewer than 7 days, no interval"
    assert table.loc["lockouts", "reason"] == "no lockout in the log"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["clearing_s=soon"], "found 'soon', expected a number of seconds above 0"),
        (["press_limit=2.5"], "a whole number of presses"),
        (["clearing_s=9", "clearing_s=8"], "clearing_s twice"),
        (["open_limit_s=60"], "a limit by which this program judges"),
        (["one_door=off"], "an interlock"),
        (["clearing_s"], "found ''"),
    ],
)
def test_settings_that_cannot_be_replayed_are_refused_in_one_line(words, said):
    with pytest.raises(UsageError, match=said) as error:
        change_of(words)
    assert "\n" not in str(error.value)


def test_the_replay_is_told_with_its_check_and_its_caution():
    analysis = analyse(timeline(*in_order(TWO)), SITES)
    with pytest.raises(UsageError, match=r"at least 2\.47 s: free fall from floor 7"):
        replay_text(analysis, Change(clearing_s=2.4))
    text = replay_text(analysis, Change(clearing_s=4.0, press_limit=6))
    assert "with clearing_s = 4, press_limit = 6" in text
    assert "Check: as it is set, the replay misses what was logged by +0.00 s of waiting" in text
    assert "free fall is only a lower bound" in text
    told = replay_dict(analysis, Change(clearing_s=4.0))
    assert told["set"] == {"clearing_s": 4.0}
    assert len(told["what_if"]) == 3
