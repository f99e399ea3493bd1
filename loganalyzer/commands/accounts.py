"""Who may look at the dashboard: `account`."""

import argparse
import getpass
import sys
from dataclasses import replace

from filelock import FileLock

from loganalyzer.accounts import Account, checked_name, hashed, load_accounts
from loganalyzer.errors import UsageError


def change_accounts(options: argparse.Namespace) -> int:
    """Add, change, take away or list accounts."""
    with FileLock(f"{options.accounts}.lock"):
        return {"add": _add, "remove": _remove, "password": _password, "list": _list}[
            options.action
        ](options)


def _add(options: argparse.Namespace) -> int:
    """A new account, or other rights for one that is there; its password stays."""
    if bool(options.sites) == options.all_sites:
        raise UsageError(
            "loganalyzer account add", "both" if options.sites else "no site",
            "--sites ID… or --all-sites", "Say which sites this account may see",
        )  # fmt: skip
    accounts, name = load_accounts(options.accounts, create=True), _name(options)
    known = accounts.find(name) or Account(name)
    sites = None if options.all_sites else tuple(options.sites)
    account = replace(known, sites=sites, upload=options.upload)
    if options.no_password:
        account = replace(account, password=None)
    elif known.password is None:
        account = replace(account, password=hashed(_typed(name), name))
    accounts.with_account(account).save()
    print(account.described())
    return 0


def _password(options: argparse.Namespace) -> int:
    accounts = load_accounts(options.accounts)
    account = accounts.known(_name(options))
    account = replace(account, password=hashed(_typed(account.name), account.name))
    accounts.with_account(account).save()
    print(f"{account.name}: another password from now on; its sessions end.")
    return 0


def _remove(options: argparse.Namespace) -> int:
    accounts, name = load_accounts(options.accounts), _name(options)
    accounts.without(name).save()
    print(f"{name}: taken away; its sessions end.")
    return 0


def _list(options: argparse.Namespace) -> int:
    accounts = load_accounts(options.accounts)
    for name in sorted(accounts.by_name):
        print(accounts.by_name[name].described())
    return 0


def _name(options: argparse.Namespace) -> str:
    if options.name is None:
        raise UsageError(
            f"loganalyzer account {options.action}", "no name", "the name of an account",
            f"Write it behind {options.action}",
        )  # fmt: skip
    return checked_name(options.name)


def _typed(name: str) -> str:
    """A password, typed twice at a terminal, or one line of standard input."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass(f"Password for {name}: ")
    if getpass.getpass("Once more: ") != first:
        raise UsageError("password", "two different ones", "the same twice", "Run it again")
    return first
