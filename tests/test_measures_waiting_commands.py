"""`loganalyzer waiting` and `loganalyzer indices`, as a person runs them."""

import json

import pytest

from loganalyzer.cli import main

SITE = """
[site]
id = "quay-terrace"
name = "Quay Terrace"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
[[chute.stream]]
id = "refuse"
kind = "refuse"
[[chute.floor]]
label = "7"
elevation_m = 30.0
[[chute.floor]]
label = "8"
"""
LINES = [
    "date;time;door;material;event;reason;value",
    "05.10.2026;08:10:10;7;;DOOR OPEN;;",
    "05.10.2026;08:10:20;7;;DOOR SHUT;;",
    "05.10.2026;08:20:10;8;;DOOR OPEN;;",
    "05.10.2026;08:30:20;8;;DOOR SHUT;;",
]


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("waiting")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    (folder / "log.csv").write_text("\n".join(LINES) + "\n", encoding="utf-8")
    there = ["--store", str(folder / "store")]
    assert (
        main(["import", str(folder / "log.csv"), *there, "--site", str(folder / "site.toml")]) == 0
    )
    return there


def test_a_log_of_doors_says_why_it_knows_nothing_of_waiting(store, capsys):
    assert main(["waiting", *store, "--clearing", "8"]) == 0
    text = capsys.readouterr().out
    assert "First press to open door: not known, presses not in the log." in text
    assert "With another clearing time: not known" in text
    assert "free fall is only a lower bound" in text


def test_a_log_without_lockouts_and_refusals_does_not_say_that_nobody_was_locked_out(
    tmp_path, capsys
):
    """Null with a reason, never 0."""
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    lines = [LINES[0], "05.10.2026;08:10:05;7;;BUTTON;;", *LINES[1:]]
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    there = ["--store", str(tmp_path / "store")]
    site = ["--site", str(tmp_path / "site.toml")]
    assert main(["import", str(tmp_path / "log.csv"), *there, *site]) == 0
    capsys.readouterr()
    assert main(["waiting", *there]) == 0
    shown = capsys.readouterr().out
    assert "Ended without an open door: 0 of 1 visit" in shown
    assert "Locked out: not known, lockouts not in the log." in shown


def test_waiting_as_json_is_one_document(store, capsys):
    assert main(["waiting", *store, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["what_if"] is None
    assert told["queue"][0]["reason"] == "presses not in the log"


@pytest.mark.parametrize(
    ("clearing", "said"),
    [("1", "at least 2.47 s: free fall from floor 7"), ("nan", "a number of seconds above 0"),
     ("-3", "a number of seconds above 0"), ("soon", "invalid float value")],
)  # fmt: skip
def test_a_clearing_time_that_cannot_be_is_one_line_and_status_2(store, capsys, clearing, said):
    try:
        status = main(["waiting", *store, f"--clearing={clearing}"])
    except SystemExit as stop:
        status = stop.code
    assert status == 2
    message = capsys.readouterr().err
    assert said in message
    assert message.count("\n") == 1


def test_a_door_that_stood_open_for_ten_minutes_interrupts_every_floor(store, capsys):
    assert main(["indices", *store]) == 0
    text = capsys.readouterr().out
    assert "quay-terrace, chute A: 2 units" in text
    assert "no units in the site file: each door counts as one" in text
    assert main(["indices", *store, "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["indices"]
    (door,) = [r for r in rows if (r["month"], r["cause"]) == ("all", "door")]
    assert (door["unit_interruptions"], door["unit_minutes"]) == (2, pytest.approx(2 * 610 / 60))
