"""Who may look at which site: a file of accounts, their passwords kept as argon2id hashes.

The file is JSON, made and changed by `loganalyzer account`, and read again whenever it changed.
A password is nowhere else: not in a log, not in an error, not on a command line.
"""

import json
import os
import re
import secrets
import unicodedata
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from loganalyzer.errors import UsageError

FORMAT = 1
NAME = re.compile(r"[a-z0-9][a-z0-9._@-]{0,63}")
SHORTEST, LONGEST = 12, 128  # characters of a password. Source: OWASP ASVS 4.0.3, 2.1.1 and 2.1.2
STRONG = 3  # of 4. Source: zxcvbn, "safely unguessable: moderate protection from offline attack"
HASHER = PasswordHasher()  # argon2id. Source: RFC 9106 section 4, second recommended option


@dataclass(frozen=True)
class Account:
    """One person's way in.

    Attributes:
        password: Its argon2id hash; null: only a trusted proxy may name this account.
        sites: The ids of the sites it may see; null: all of them.
        upload: Whether it may also take exports in, at those sites.
    """

    name: str
    password: str | None = None
    sites: tuple[str, ...] | None = ()
    upload: bool = False

    def checks(self, password: str) -> bool:
        """Whether this is its password; takes the same time whatever the answer."""
        try:
            return HASHER.verify(self.password or _nobodys(), normal(password)) and bool(
                self.password
            )
        except (VerificationError, InvalidHashError):
            return False

    def described(self) -> str:
        """In one line: name and rights."""
        where = "all sites" if self.sites is None else ", ".join(self.sites) or "no site"
        ways = ["looks", *(["uploads"] if self.upload else [])]
        way_in = "" if self.password else ", no password: by proxy only"
        return f"{self.name}: {where}; {' and '.join(ways)}{way_in}"


NOBODY = Account("")  # stands in for an account that is not there: checking it takes as long


@dataclass(frozen=True)
class Accounts:
    """The accounts of a file; changes give a new one, `save` writes it."""

    file: Path
    by_name: Mapping[str, Account] = field(default_factory=dict)

    def find(self, name: str) -> Account | None:
        """An account by its name, letter case ignored."""
        return self.by_name.get(name.strip().lower())

    def with_account(self, account: Account) -> "Accounts":
        """The same with one account added or changed."""
        return replace(self, by_name={**self.by_name, account.name: account})

    def without(self, name: str) -> "Accounts":
        """The same less one account.

        Raises:
            UsageError: There is none of that name.
        """
        account = self.known(name)
        return replace(
            self, by_name={key: one for key, one in self.by_name.items() if key != account.name}
        )

    def known(self, name: str) -> Account:
        """An account that must be there.

        Raises:
            UsageError: There is none of that name.
        """
        account = self.find(name)
        if account is None:
            raise UsageError(
                str(self.file), f"no account '{name}'",
                ", ".join(sorted(self.by_name)) or "one that was added", "Name one of these",
            )  # fmt: skip
        return account

    def save(self) -> None:
        """Write the file anew: whole or not at all, readable by its owner alone.

        Raises:
            UsageError: It cannot be written.
        """
        values = {name: asdict(self.by_name[name]) for name in sorted(self.by_name)}
        for one in values.values():
            del one["name"]
        text = json.dumps({"format": FORMAT, "accounts": values}, indent=2) + "\n"
        aside = self.file.with_name(f"{self.file.name}.{secrets.token_hex(4)}.new")
        try:
            with os.fdopen(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as out:
                out.write(text)
                out.flush()
                os.fsync(out.fileno())
            aside.replace(self.file)
        except OSError as error:
            raise UsageError(
                str(self.file), error.strerror or "an error", "a file that can be written",
                "Give a path in a folder of yours",
            ) from error  # fmt: skip


def load_accounts(file: Path, *, create: bool = False) -> Accounts:
    """Read a file of accounts.

    Args:
        file: As `loganalyzer account` writes it.
        create: No file is no account, not an error.

    Raises:
        UsageError: It is not there, or holds something else.
    """
    try:
        values = json.loads(file.read_text(encoding="utf-8"))
        if values["format"] != FORMAT:
            raise ValueError(f"format {values['format']}")
        accounts = [_account(name, one) for name, one in values["accounts"].items()]
    except FileNotFoundError:
        if create:
            return Accounts(file)
        raise UsageError(
            str(file), "no file", "accounts", f"Make one: loganalyzer account add NAME --accounts"
            f" {file} --all-sites",
        ) from None  # fmt: skip
    except OSError as error:
        raise UsageError(
            str(file), error.strerror or "an error", "a file that can be read", "Check the path"
        ) from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise UsageError(
            str(file), f"something else ({type(error).__name__}: {error})",
            "accounts as loganalyzer account writes them",
            "Restore it from a copy, or make it anew",
        ) from error  # fmt: skip
    return Accounts(file, {account.name: account for account in accounts})


def checked_name(name: str) -> str:
    """A name as accounts have it.

    Raises:
        UsageError: It has characters that none has.
    """
    lower = name.strip().lower()
    if not NAME.fullmatch(lower):
        raise UsageError(
            "account", f"'{name}'", "letters, digits and . _ @ -, at most 64", "Choose another name"
        )
    return lower


def hashed(password: str, name: str) -> str:
    """The argon2id hash of a password that is good enough.

    Args:
        password: As typed; any characters.
        name: Of the account, which its password must not be made from.

    Raises:
        UsageError: It is too short, too long, or among the first that somebody would try.
    """
    if not SHORTEST <= len(normal(password)) <= LONGEST:
        raise UsageError(
            "password", f"{len(normal(password))} characters",
            f"{SHORTEST} to {LONGEST}", "A few words that do not belong together are easy to keep",
        )  # fmt: skip
    from zxcvbn import zxcvbn  # its word lists take a moment to load

    if zxcvbn(normal(password)[:72], [name])["score"] < STRONG:
        raise UsageError(
            "password", "one that is guessed soon", "one that is not among common passwords",
            "Take a few words that do not belong together",
        )  # fmt: skip
    return HASHER.hash(normal(password))


def normal(password: str) -> str:
    """The same password however a keyboard composes its characters.

    Source: NIST SP 800-63B section 5.1.1.2 (NFKC or NFKD before hashing).
    """
    return unicodedata.normalize("NFKC", password)


def read_by_others(file: Path) -> bool:
    """Whether other accounts of the machine may read a file, where that can be told."""
    return os.name == "posix" and bool(file.stat().st_mode & 0o077)


@cache
def _nobodys() -> str:
    """A hash that no password has, as dear to check as any other."""
    return HASHER.hash(secrets.token_hex(32))


def _account(name: str, values: Mapping[str, Any]) -> Account:
    sites = values["sites"]
    if sites is not None and not all(isinstance(site, str) for site in sites):
        raise ValueError(f"account '{name}', sites")
    if not isinstance(values["upload"], bool):
        raise ValueError(f"account '{name}', upload")
    password = values["password"]
    if password is not None and not str(password).startswith("$argon2id$"):
        raise ValueError(f"account '{name}', password")
    return Account(
        checked_name(name), password, None if sites is None else tuple(sites), values["upload"]
    )
