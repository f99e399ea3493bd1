"""Sign-in that fails often has to wait: by account, known or not, and by address.

One address alone cannot shut an account out for others: it has to wait itself before that.
"""

import threading
from collections import deque
from collections.abc import Callable

WINDOW_S = 15 * 60
# Failures in the window. Source: OWASP ASVS 4.0.3, 2.2.1: at most 100 an hour on an account.
OF_BOTH, OF_ACCOUNT, OF_ADDRESS = 10, 20, 30
Key = tuple[str | None, str | None]  # account, address
KEPT = 10_000  # accounts and addresses remembered, so that a flood of names takes no memory


class Throttle:
    """Counts failures in a window that moves; the clock is handed in."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._failed: dict[Key, deque[float]] = {}

    def wait_s(self, account: str, address: str) -> float:
        """Seconds until the next attempt is looked at; 0: now."""
        now = self._clock()
        with self._lock:
            waits = [
                times[-limit] + WINDOW_S - now
                for key, limit in _keys(account, address)
                if len(times := self._recent(key, now)) >= limit
            ]
        return max(waits, default=0.0)

    def failed(self, account: str, address: str) -> None:
        """One more failure."""
        now = self._clock()
        with self._lock:
            for key, _ in _keys(account, address):
                self._recent(key, now)
                self._failed.setdefault(key, deque(maxlen=OF_ADDRESS)).append(now)
            while len(self._failed) > KEPT:
                del self._failed[next(iter(self._failed))]

    def succeeded(self, account: str, address: str) -> None:
        """Who mistyped and then signed in starts anew there; what else failed still counts."""
        with self._lock:
            self._failed.pop((account, address), None)

    def _recent(self, key: Key, now: float) -> deque[float]:
        times = self._failed.get(key, deque())
        while times and now - times[0] >= WINDOW_S:
            times.popleft()
        if not times:
            self._failed.pop(key, None)
        return times


def _keys(account: str, address: str) -> tuple[tuple[Key, int], ...]:
    return (
        ((account, address), OF_BOTH), ((account, None), OF_ACCOUNT), ((None, address), OF_ADDRESS)
    )  # fmt: skip
