"""Messages that wait or were sent, in a small database, so that a restart loses and doubles none.

A message is written down before it is sent and marked after the receiver has taken it. Only a
stop between these two can send it again; then it carries the same Message-ID or Idempotency-Key,
by which receivers know it.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

from loganalyzer.alerts.messages import Message
from loganalyzer.errors import StoreError

TABLE = """
create table if not exists messages (
  key text primary key, site text not null, receiver text not null, subject text not null,
  text text not null, body text not null, quiet text not null, written text not null,
  tries integer not null default 0, next_try text not null, sent text, error text
) without rowid
"""
# Minutes to the next try: doubled from one minute to half a day. It is never given up.
FIRST_WAIT, LONGEST_WAIT = timedelta(minutes=1), timedelta(hours=12)


class Outbox:
    """The messages of a store.

    Args:
        file: The database; made if it is not there.

    Raises:
        StoreError: It cannot be used.
    """

    def __init__(self, file: Path) -> None:
        self._file = file
        with self._open() as box:
            box.execute(TABLE)

    def put(self, messages: Iterable[Message], now: datetime) -> None:
        """Write messages down; those whose key is known are passed over."""
        with self._open() as box:
            box.executemany(
                "insert into messages (key, site, receiver, subject, text, body, quiet, "
                "written, next_try) values (?, ?, ?, ?, ?, ?, ?, ?, ?) on conflict do nothing",
                [(one.key, one.site, one.to, one.subject, one.text, one.body,
                  _quiet_text(one), _text(now), _text(now)) for one in messages],
            )  # fmt: skip

    def knows(self, key: str) -> bool:
        """Whether a message of that key is written down, sent or not."""
        with self._open() as box:
            return bool(box.execute("select 1 from messages where key = ?", (key,)).fetchone())

    def waiting(self, now: datetime) -> list[Message]:
        """Messages that are to be tried now, oldest first."""
        with self._open() as box:
            rows = box.execute(
                "select key, site, receiver, subject, text, body, quiet from messages "
                "where sent is null and next_try <= ? order by written, key", (_text(now),),
            ).fetchall()  # fmt: skip
        return [
            Message(key, site, to, subject, text, body, _quiet(quiet))
            for key, site, to, subject, text, body, quiet in rows
        ]

    def count_waiting(self) -> int:
        """How many have not been sent."""
        with self._open() as box:
            (number,) = box.execute("select count(*) from messages where sent is null").fetchone()
        return int(number)

    def sent(self, message: Message, now: datetime) -> None:
        """Mark a message as taken by its receiver."""
        with self._open() as box:
            box.execute(
                "update messages set sent = ?, error = null where key = ?",
                (_text(now), message.key),
            )

    def failed(self, message: Message, why: str, now: datetime) -> None:
        """Note why a message could not be sent, and when to try again."""
        with self._open() as box:
            (tries,) = box.execute(
                "select tries from messages where key = ?", (message.key,)
            ).fetchone()
            wait = min(FIRST_WAIT * 2 ** min(tries, 20), LONGEST_WAIT)
            box.execute(
                "update messages set tries = tries + 1, next_try = ?, error = ? where key = ?",
                (_text(now + wait), why, message.key),
            )

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            box = sqlite3.connect(self._file, timeout=30)
            try:
                with box:  # one transaction: all of it, or nothing
                    yield box
            finally:
                box.close()
        except sqlite3.Error as error:
            raise StoreError(
                str(self._file), f"no use as an outbox ({error})", "a file that can be written",
                "Free some room or mend its rights; delete it only if nobody minds being told "
                "again",
            ) from error  # fmt: skip


def _text(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def _quiet_text(message: Message) -> str:
    return json.dumps([[begin.isoformat(), end.isoformat()] for begin, end in message.quiet])


def _quiet(text: str) -> tuple[tuple[time, time], ...]:
    return tuple(
        (time.fromisoformat(begin), time.fromisoformat(end)) for begin, end in json.loads(text)
    )
