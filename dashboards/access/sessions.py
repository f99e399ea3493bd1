"""Sessions: kept here, a browser holds no more than a random token; gone when the server stops."""

import hashlib
import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace

IDLE_S, WHOLE_S = 30 * 60, 12 * 3600  # Source: OWASP ASVS 4.0.3, 3.3.2, level 2
TOKEN_BYTES = 32
EACH = 10  # sessions of an account; the one unused for longest makes room


@dataclass(frozen=True)
class Session:
    """Somebody who has signed in.

    Attributes:
        account: Its name.
        proof: What the account's password was: another password ends the session.
        form: The token that the session's forms carry.
        born: When it began, seconds of a clock that only grows; `seen`: when it was last used.
    """

    account: str
    proof: str
    form: str
    born: float
    seen: float


class Sessions:
    """All sessions; the clock is handed in."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._kept: dict[str, Session] = {}

    def begin(self, account: str, proof: str) -> str:
        """A new session; what comes back is known to nobody else and is not kept."""
        token, now = secrets.token_urlsafe(TOKEN_BYTES), self._clock()
        with self._lock:
            self._forget_old(now)
            mine = sorted((s.seen, key) for key, s in self._kept.items() if s.account == account)
            for _, key in mine[: max(0, len(mine) - EACH + 1)]:
                del self._kept[key]
            form = secrets.token_urlsafe(TOKEN_BYTES)
            self._kept[_key(token)] = Session(account, proof, form, now, now)
        return token

    def find(self, token: str | None, *, used: bool = True) -> Session | None:
        """The session of a token, if it still holds.

        Args:
            token: From the browser.
            used: Whether a person did something; else the session goes on ageing.
        """
        if not token:
            return None
        now = self._clock()
        with self._lock:
            found = self._kept.get(_key(token))
            if found is None:
                return None
            if not _holds(found, now):
                del self._kept[_key(token)]
                return None
            if used:
                found = self._kept[_key(token)] = replace(found, seen=now)
            return found

    def end(self, token: str | None) -> None:
        """No longer: the token is worth nothing from now on."""
        with self._lock:
            self._kept.pop(_key(token or ""), None)

    def end_all(self, account: str) -> None:
        """End every session of an account, on whatever machine."""
        with self._lock:
            self._kept = {k: s for k, s in self._kept.items() if s.account != account}

    def count(self, account: str) -> int:
        """How many sessions of an account hold."""
        now = self._clock()
        with self._lock:
            return sum(s.account == account and _holds(s, now) for s in self._kept.values())

    def _forget_old(self, now: float) -> None:
        self._kept = {key: one for key, one in self._kept.items() if _holds(one, now)}


def _holds(session: Session, now: float) -> bool:
    return now - session.seen < IDLE_S and now - session.born < WHOLE_S


def _key(token: str) -> str:
    """What is kept of a token: whoever reads the memory of the server cannot use it."""
    return hashlib.sha256(token.encode()).hexdigest()
