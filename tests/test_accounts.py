"""Accounts in a file: what stands in it, how passwords are kept and checked, the command."""

import io
import json
import os
import re
from pathlib import Path

import argon2
import pytest

from loganalyzer import accounts
from loganalyzer.accounts import Account, Accounts, hashed, load_accounts
from loganalyzer.cli import main
from loganalyzer.errors import UsageError

PASSWORD = "four herons over brackish mud"


@pytest.fixture(autouse=True)
def _cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hashes that cost nothing, so that tests are quick; one test looks at the real ones."""
    monkeypatch.setattr(accounts, "HASHER", argon2.PasswordHasher(1, 8, 1))
    accounts._nobodys.cache_clear()
    yield
    accounts._nobodys.cache_clear()


def run(*words: str, typed: str = PASSWORD, monkeypatch: pytest.MonkeyPatch) -> int:
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{typed}\n"))
    return main(["account", *words])


def test_the_hash_costs_what_the_standard_asks_for():
    # Source: RFC 9106 section 4, second recommended option: argon2id, 3 passes, 4 lanes, 64 MiB,
    # 128 bits of salt, 256 bits of tag.
    found = argon2.extract_parameters(argon2.PasswordHasher().hash("x"))
    assert found.type is argon2.Type.ID
    assert (found.time_cost, found.parallelism, found.memory_cost) == (3, 4, 64 * 1024)
    assert (found.salt_len, found.hash_len) == (16, 32)
    assert Path(accounts.__file__).read_text("utf-8").count("HASHER = PasswordHasher()") == 1


def test_a_password_is_checked_and_stands_nowhere(tmp_path: Path):
    file = tmp_path / "accounts.json"
    Accounts(file).with_account(Account("ann", hashed(PASSWORD, "ann"), None)).save()
    account = load_accounts(file).known("ann")
    assert account.checks(PASSWORD)
    assert not account.checks(PASSWORD + " ")
    assert not account.checks("")
    assert PASSWORD not in file.read_text("utf-8")
    assert "$argon2id$" in file.read_text("utf-8")


def test_equal_passwords_have_different_hashes():
    assert hashed(PASSWORD, "ann") != hashed(PASSWORD, "bob")


def test_a_password_may_hold_anything_and_nothing_of_it_is_cut_off():
    # Source: OWASP ASVS 4.0.3, 2.1.2 to 2.1.4 and 2.1.9.
    long = "".join(f"{word} " for word in ("düne", "雲と海", "🦀", "x7", "quartz")) * 7
    account = Account("ann", hashed(long[:128], "ann"))
    assert account.checks(long[:128])
    assert not account.checks(long[:127])
    composed, taken_apart = "dü" + PASSWORD, "du\u0308" + PASSWORD
    assert Account("ann", hashed(composed, "ann")).checks(taken_apart)


@pytest.mark.parametrize(
    "password",
    ["short", "x" * 129, "password1234", "qwertyuiop123", "aaaaaaaaaaaaaaa", "margarethe12"],
)
def test_a_password_that_is_guessed_soon_is_refused_and_not_repeated(password: str):
    with pytest.raises(UsageError) as refused:
        hashed(password, "margarethe12")
    assert password not in str(refused.value)


def test_an_account_without_password_is_opened_by_none():
    assert not Account("ann").checks("")
    assert not Account("ann").checks(PASSWORD)


def test_what_is_checked_for_nobody_costs_the_same_as_for_somebody():
    known = argon2.extract_parameters(hashed(PASSWORD, "ann"))
    assert argon2.extract_parameters(accounts._nobodys()) == known


@pytest.mark.skipif(os.name != "posix", reason="file modes")
def test_only_its_owner_reads_the_file(tmp_path: Path):
    file = tmp_path / "accounts.json"
    Accounts(file).save()
    assert file.stat().st_mode & 0o777 == 0o600
    assert not accounts.read_by_others(file)
    file.chmod(0o644)
    assert accounts.read_by_others(file)


@pytest.mark.parametrize(
    "text",
    [
        "", "[]", "{}", '{"format": 2, "accounts": {}}', '{"format": 1, "accounts": []}',
        '{"format": 1, "accounts": {"ann": {}}}',
        '{"format": 1, "accounts": {"ann": {"password": "plain", "sites": [], "upload": false}}}',
        '{"format": 1, "accounts": {"ann": {"password": null, "sites": [1], "upload": false}}}',
        '{"format": 1, "accounts": {"ann": {"password": null, "sites": null, "upload": "yes"}}}',
        '{"format": 1, "accounts": {"../x": {"password": null, "sites": null, "upload": true}}}',
    ],
)  # fmt: skip
def test_a_file_that_is_something_else_is_one_clear_line(tmp_path: Path, text: str):
    file = tmp_path / "accounts.json"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError) as refused:
        load_accounts(file)
    assert str(refused.value).count("\n") == 0


def test_the_command_adds_changes_lists_and_takes_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    file = tmp_path / "accounts.json"
    to = ("--accounts", str(file))
    assert run("add", "Ann", *to, "--sites", "quay", "elm", monkeypatch=monkeypatch) == 0
    before = load_accounts(file).known("ann")
    assert before.sites == ("quay", "elm")
    assert not before.upload
    assert run("add", "ann", *to, "--all-sites", "--upload", monkeypatch=monkeypatch) == 0
    after = load_accounts(file).known("ann")
    assert (after.sites, after.upload, after.password) == (None, True, before.password)
    assert run("password", "ann", *to, typed=f"{PASSWORD} 2", monkeypatch=monkeypatch) == 0
    assert load_accounts(file).known("ann").checks(f"{PASSWORD} 2")
    assert run("add", "bo", *to, "--sites", "x", "--no-password", monkeypatch=monkeypatch) == 0
    capsys.readouterr()
    assert run("list", *to, monkeypatch=monkeypatch) == 0
    assert capsys.readouterr().out == (
        "ann: all sites; looks and uploads\nbo: x; looks, no password: by proxy only\n"
    )
    assert run("remove", "ann", *to, monkeypatch=monkeypatch) == 0
    assert set(json.loads(file.read_text("utf-8"))["accounts"]) == {"bo"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("add", "ann"), "no site"),
        (("add", "ann", "--sites", "x", "--all-sites"), "both"),
        (("add", "--all-sites"), "no name"),
        (("add", "a/b", "--all-sites"), "letters, digits"),
        (("remove", "ann"), "no file"),
        (("list",), "no file"),
    ],
)
def test_a_wrong_command_says_what_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...], said: str,
):  # fmt: skip
    file = str(tmp_path / "accounts.json")
    assert run(*words, "--accounts", file, monkeypatch=monkeypatch) == 2
    told = capsys.readouterr().err
    assert re.search(said, told)
    assert told.count("\n") == 1


def test_a_weak_password_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    file = tmp_path / "accounts.json"
    words = ("add", "ann", "--accounts", str(file), "--all-sites")
    assert run(*words, typed="password1234", monkeypatch=monkeypatch) == 2
    assert not file.exists()
