"""Sessions end by themselves; failed sign-ins have to wait. The clock is the test's."""

from dashboards.access.sessions import EACH, IDLE_S, WHOLE_S, Sessions
from dashboards.access.throttle import KEPT, OF_ACCOUNT, OF_ADDRESS, OF_BOTH, WINDOW_S, Throttle


class Clock:
    now = 1000.0

    def __call__(self) -> float:
        return self.now


def test_a_session_ends_when_it_is_not_used():
    # Source: OWASP ASVS 4.0.3, 3.3.2, level 2: 30 minutes without use, 12 hours in all.
    assert (IDLE_S, WHOLE_S) == (30 * 60, 12 * 3600)
    clock = Clock()
    sessions = Sessions(clock)
    token = sessions.begin("ann", "p")
    clock.now += IDLE_S - 1
    assert sessions.find(token)
    clock.now += IDLE_S - 1
    assert sessions.find(token)
    clock.now += IDLE_S
    assert sessions.find(token) is None


def test_a_session_that_is_used_ends_after_its_whole_time():
    clock = Clock()
    sessions = Sessions(clock)
    token, steps = sessions.begin("ann", "p"), 0
    while sessions.find(token):
        clock.now += IDLE_S / 2
        steps += 1
    assert steps * IDLE_S / 2 == WHOLE_S


def test_what_a_page_asks_by_itself_keeps_no_session_alive():
    clock = Clock()
    sessions = Sessions(clock)
    token = sessions.begin("ann", "p")
    for _ in range(IDLE_S // 20 - 1):
        clock.now += 20
        assert sessions.find(token, used=False)
    clock.now += 20
    assert sessions.find(token, used=False) is None


def test_tokens_are_long_random_and_not_kept():
    # Source: OWASP ASVS 4.0.3, 3.2.2: at least 64 bits of entropy; here 256.
    sessions = Sessions(Clock())
    tokens = {sessions.begin("ann", "p") for _ in range(50)}
    assert len(tokens) == 50
    assert all(len(token) >= 43 for token in tokens)
    assert not any(token in str(vars(sessions)) for token in tokens)


def test_an_ended_session_is_worth_nothing():
    sessions = Sessions(Clock())
    here, there, other = (sessions.begin(name, "p") for name in ("ann", "ann", "bo"))
    sessions.end(here)
    assert sessions.find(here) is None
    assert sessions.find(there)
    sessions.end_all("ann")
    assert sessions.find(there) is None
    assert sessions.find(other)
    assert sessions.find("made up") is None
    assert sessions.find(None) is None


def test_an_account_has_no_more_than_so_many_sessions():
    clock = Clock()
    sessions = Sessions(clock)
    tokens = []
    for _ in range(EACH + 2):
        clock.now += 1
        tokens.append(sessions.begin("ann", "p"))
    assert [bool(sessions.find(token)) for token in tokens] == [False] * 2 + [True] * EACH


def fail(throttle: Throttle, clock: Clock, account: str, address: str, hours: float) -> int:
    """How many attempts are looked at in some hours, one a second."""
    looked_at = 0
    for _ in range(int(hours * 3600)):
        clock.now += 1
        if throttle.wait_s(account, address) == 0:
            throttle.failed(account, address)
            looked_at += 1
    return looked_at


def test_one_address_gets_few_attempts_at_an_account_and_others_still_get_in():
    clock = Clock()
    throttle = Throttle(clock)
    assert fail(throttle, clock, "ann", "10.0.0.1", 1) == 4 * OF_BOTH
    assert throttle.wait_s("ann", "10.0.0.1") > 0
    assert throttle.wait_s("ann", "10.0.0.2") == 0


def test_many_addresses_get_fewer_than_a_hundred_attempts_an_hour_at_an_account():
    # Source: OWASP ASVS 4.0.3, 2.2.1.
    clock = Clock()
    throttle, looked_at = Throttle(clock), 0
    for second in range(3600):
        clock.now += 1
        address = f"10.0.{second % 50}.1"
        if throttle.wait_s("ann", address) == 0:
            throttle.failed("ann", address)
            looked_at += 1
    assert looked_at == 4 * OF_ACCOUNT <= 100


def test_one_address_gets_few_attempts_at_many_accounts():
    clock = Clock()
    throttle, looked_at = Throttle(clock), 0
    for second in range(WINDOW_S - 1):
        clock.now += 1
        if throttle.wait_s(f"account{second}", "10.0.0.1") == 0:
            throttle.failed(f"account{second}", "10.0.0.1")
            looked_at += 1
    assert looked_at == OF_ADDRESS


def test_after_the_window_it_is_looked_at_again():
    clock = Clock()
    throttle = Throttle(clock)
    for _ in range(OF_BOTH):
        throttle.failed("ann", "10.0.0.1")
    wait = throttle.wait_s("ann", "10.0.0.1")
    assert wait == WINDOW_S
    clock.now += wait
    assert throttle.wait_s("ann", "10.0.0.1") == 0


def test_who_mistypes_and_then_signs_in_starts_anew_and_an_attacker_does_not():
    throttle = Throttle(Clock())
    for _ in range(OF_BOTH - 1):
        throttle.failed("ann", "10.0.0.1")
    for _ in range(OF_BOTH):
        throttle.failed("ann", "10.9.9.9")
    throttle.succeeded("ann", "10.0.0.2")
    assert throttle.wait_s("ann", "10.9.9.9") > 0


def test_a_flood_of_names_takes_no_memory():
    throttle = Throttle(Clock())
    for number in range(KEPT + 100):
        throttle.failed(f"account{number}", f"10.0.{number // 250}.{number % 250}")
    assert len(throttle._failed) == KEPT
