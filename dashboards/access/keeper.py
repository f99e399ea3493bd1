"""The file of accounts while the server runs: read again whenever it changed."""

import hashlib
import logging
import threading
from dataclasses import replace
from pathlib import Path

from filelock import FileLock

from loganalyzer.accounts import Account, Accounts, hashed, load_accounts
from loganalyzer.errors import AnalyzerError

HASHING = threading.BoundedSemaphore(2)  # at a time: each takes 64 MB and a core for a moment


class Keeper:
    """Accounts as their file says now; with a file that cannot be read nobody is let in."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self._lock = threading.Lock()
        self._seen: tuple[int, ...] | None = None
        self._accounts = Accounts(file)

    def accounts(self) -> Accounts:
        """All of them."""
        with self._lock:
            seen = self._stamp()
            if seen is None or seen != self._seen:
                self._accounts = self._read()
                self._seen = seen
            return self._accounts

    def check(self, name: str, password: str) -> Account | None:
        """The account that a name and a password open; takes as long for a name that is none."""
        account = self.accounts().find(name)
        with HASHING:
            right = (account or Account("")).checks(password)
        return account if right else None

    def change(self, account: Account, password: str) -> Account:
        """Give an account another password, in the file.

        Raises:
            UsageError: It is not good enough, or the file cannot be written.
        """
        with HASHING:
            changed = replace(account, password=hashed(password, account.name))
        with FileLock(f"{self.file}.lock"):
            load_accounts(self.file).with_account(changed).save()
        return changed

    @staticmethod
    def proof(account: Account) -> str:
        """What ties a session to the password with which it began."""
        return hashlib.sha256((account.password or "").encode()).hexdigest()

    def _stamp(self) -> tuple[int, ...] | None:
        try:
            found = self.file.stat()
        except OSError:
            return None
        return found.st_ino, found.st_size, found.st_mtime_ns

    def _read(self) -> Accounts:
        try:
            return load_accounts(self.file)
        except AnalyzerError as error:
            logging.getLogger(__name__).error("nobody is let in: %s", error)
            return Accounts(self.file)
