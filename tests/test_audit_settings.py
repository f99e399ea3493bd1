"""Settings that are evidently not the site file's are said, and make no violations."""

import pytest

from tests.audited import (
    END,
    FALL,
    LANDED,
    LOCK,
    LOCKOUT,
    OPEN,
    PRESS,
    REFUSAL,
    RELEASE,
    SHUT,
    UNLOCK,
    audited,
    log_of,
    of_log,
    outcome,
    site,
)
from tests.tools.simulator import Fault, Limits, Misuse, plain_plan, simulate


def locked(start, presses, floor="7", quiet=90, gap=10):
    """So many presses, the last of which brings a lockout, and its release."""
    times = [start + gap * number for number in range(presses)]
    on, off = times[-1], times[-1] + quiet
    return [
        *[(at, floor, *PRESS) for at in times], (on, floor, *LOCKOUT), (off, floor, *RELEASE),
    ]  # fmt: skip


def days(*parts):
    """Parts of a log, each made for a start, an hour apart."""
    return [
        (-4000, *END),
        *[event for number, part in enumerate(parts) for event in part(1 + 3600 * number)],
        (1 + 3600 * len(parts), *END),
    ]


def settings(found):
    columns = ["floor", "setting", "told", "found", "n"]
    table = found.mismatches[columns].astype(object).where(found.mismatches[columns].notna(), None)
    return [tuple(row) for row in table.itertuples(index=False)]


def test_settings_as_in_the_site_file_are_not_told():
    found = audited(*days(*[lambda start: locked(start, 5)] * 4))
    assert settings(found) == []
    assert outcome(found, "lockout_trips") == (4, 0, None)


def test_one_door_that_locks_out_earlier_has_another_limit():
    """Door 9 locks out at more than three presses, the site file says four."""
    sooner = [lambda start: locked(start, 4, "9")] * 4
    found = audited(*days(*sooner, *[lambda start: locked(start, 5)] * 4))
    assert settings(found) == [("9", "press_limit", 4, 3, 4)]
    assert outcome(found, "lockout_trips") == (8, 0, None)
    assert found.mismatches["evidence"].iloc[0][0] == "log:6"


def test_a_chute_that_locks_out_earlier_everywhere_has_another_limit():
    sooner = [lambda start: locked(start, 4, "9"), lambda start: locked(start, 4, "7")] * 2
    assert settings(audited(*days(*sooner))) == [(None, "press_limit", 4, 3, 4)]


def test_two_lockouts_that_come_too_early_are_violations_and_no_setting():
    found = audited(*days(*[lambda start: locked(start, 4, "9")] * 2))
    assert settings(found) == []
    assert outcome(found, "lockout_trips") == (2, 2, None)


def test_presses_beyond_the_limit_that_never_bring_a_lockout_are_violations():
    """Without a lockout that shows another limit nothing is explained away."""
    none = [lambda start: locked(start, 5)[:-2]] * 4
    found = audited(*days(*none, lambda start: locked(start, 5)))
    assert settings(found) == []
    assert outcome(found, "lockout_trips") == (5, 4, None)


def test_another_window_is_found_between_what_trips_and_what_does_not():
    trip, fail = (lambda start: locked(start, 5, gap=5)), (lambda start: locked(start, 5)[:-2])
    found = audited(*days(trip, fail, trip, fail, trip, fail, trip, fail))
    ((floor, setting, told, window, n),) = settings(found)
    assert (floor, setting, told, n) == ("7", "press_window_s", 90, 4)
    assert 20 <= window <= 40
    assert outcome(found, "lockout_trips")[1] == 0


@pytest.mark.parametrize("quiet", [60, 120])
def test_another_quiet_time_is_found(quiet):
    found = audited(*days(*[lambda start: locked(start, 5, quiet=quiet)] * 4))
    assert settings(found) == [("7", "quiet_s", 90, quiet, 4)]
    assert outcome(found, "lockout_releases") == (4, 0, None)


def test_one_early_release_among_many_is_a_violation_and_no_setting():
    found = audited(*days(*[lambda start: locked(start, 5)] * 9, lambda s: locked(s, 5, quiet=50)))
    assert settings(found) == []
    assert outcome(found, "lockout_releases") == (10, 1, None)


def test_lockouts_of_a_fixed_length_are_said_to_follow_another_rule():
    def part(start, more):
        *presses, on, off = locked(start, 5)
        return [*presses, on, *[(on[0] + at, "7", *PRESS) for at in more], off]

    laps = [[20], [35, 50], [61], [10, 44, 70]]
    found = audited(*days(*[lambda start, lap=lap: part(start, lap) for lap in laps]))
    tested, broken, reason = outcome(found, "lockout_releases")
    assert (tested, broken) == (4, 0)
    assert "a lockout lasts 90 s from its beginning" in reason


def test_presses_that_are_evidently_not_counted_are_left_out_and_that_is_said():
    def busy(start):
        return [
            event
            for at in range(start, start + 50, 10)
            for event in ((at, "7", *PRESS), (at, "7", *REFUSAL, {"code": "busy"}))
        ]

    found = audited(*days(*[busy] * 4, lambda start: locked(start, 5)))
    tested, broken, reason = outcome(found, "lockout_trips")
    assert (tested, broken) == (1, 0)
    assert reason == ("this controller evidently does not count presses refused as busy; judged so")
    assert settings(found) == []


def use(start, clear=12, stands=9, alarm=None):
    told = [] if alarm is None else [(start + alarm, "7", "fault", "mark", {"code": "E1"})]
    return [
        (start, "7", *UNLOCK), (start, "7", *OPEN), *told, (start + stands, "7", *SHUT),
        (start + stands, "7", *LOCK), (start + stands, *FALL), (start + stands + clear, *LANDED),
    ]  # fmt: skip


def test_another_clearing_time_is_found():
    assert settings(audited(*days(*[use] * 5))) == []
    longer = audited(*days(*[lambda start: use(start, clear=20)] * 5))
    assert settings(longer) == [(None, "clearing_s", 12, 20, 5)]


def test_clearings_of_many_lengths_show_no_setting():
    lengths = [5, 9, 17, 26, 31, 44]
    found = audited(*days(*[lambda start, s=s: use(start, clear=s) for s in lengths]))
    assert settings(found) == []


def test_another_open_limit_is_found_from_a_fault_that_always_comes_as_late():
    long = [lambda start: use(start, stands=71, alarm=30)] * 4
    found = audited(*days(*[use] * 5, *long))
    assert settings(found) == [("7", "open_limit_s", 45, 30, 4)]


def test_a_fault_that_long_openings_mostly_lack_shows_no_open_limit():
    long = [lambda start: use(start, stands=71, alarm=30)] * 4
    found = audited(*days(*long, *[lambda start: use(start, stands=71)] * 4))
    assert settings(found) == []


@pytest.mark.parametrize("step_us", [1, 1_000_000])
def test_all_settings_of_a_simulated_controller_are_found_again(step_us):
    """The site file says nothing, the defaults stand; the controller is set otherwise."""
    plan = plain_plan(
        days=14, seed=5, floors=7, uses_a_unit_a_week=20, tick_ms=100,
        limits=Limits(3, 40, 60, 30, 15, 20), misuse=(Misuse("4", 0.3),),
        faults=(Fault("weak_closer", "door", floor="2", ramp_days=0, strength=3),),
    )  # fmt: skip
    chute = site()["quay"].chutes[0]
    sites = {plan.site: type(site()["quay"])(plan.site, plan.name, plan.time_zone, (chute,))}
    found = of_log(log_of(simulate(plan).events, step_us), sites)
    values = {setting: value for _, setting, _, value, _ in settings(found)}
    assert values == {
        "press_limit": 3, "press_window_s": 40, "quiet_s": 60, "open_limit_s": 30,
        "clearing_s": 20,
    }  # fmt: skip
    assert (found.mismatches["n"] >= 3).all()
    assert found.violations.empty
