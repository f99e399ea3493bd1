"""`loganalyzer streams`, `containers` and `pickups`, as a person runs them."""

import csv
import json
from datetime import datetime, timedelta

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
container_l = 2200
pickup = "FREQ=WEEKLY;BYDAY=MO,TH;BYHOUR=7"
[[chute.stream]]
id = "recycling"
kind = "recycling"
container_l = 1100
pickup = "FREQ=WEEKLY;BYDAY=TU;BYHOUR=7"
[[chute.floor]]
label = "7"
units = 8
[[chute.floor]]
label = "8"
units = 8
[[campaign]]
date = 2026-10-12
floors = ["7"]
note = "posters"
"""
TICKETS = (
    "date,stream,kg\n2026-09-08,recycling,80\n2026-09-15,recycling,82\n2026-09-22,recyling,9\n"
)


def lines(days: int = 70):
    """Two streams used at two doors; recycling is full some days after each Tuesday's pickup."""
    yield "date;time;door;material;event;reason;value"
    start, inside = datetime(2026, 9, 1), 0  # noqa: DTZ001  # a Tuesday, the site's wall clock

    def line(at, door, material, event):
        return f"{at:%d.%m.%Y;%H:%M:%S};{door};{material};{event};;"

    for day in range(days):
        today = start + timedelta(days=day)
        if today.weekday() == 1:
            if inside >= 40:
                yield line(today.replace(hour=7, minute=5), "", "recycling", "BIN HAS ROOM")
            inside = 0
        for number in range(16 + day % 3):
            at = today + timedelta(hours=8, minutes=40 * number)
            material = "recycling" if number % 2 else "refuse"
            if material == "recycling" and inside >= 40:
                continue
            door = 7 + number % 3 % 2
            yield line(at, door, material, "BUTTON")
            for seconds, event in ((3, "LATCH RELEASED"), (5, "DOOR OPEN"), (11, "DOOR SHUT"),
                                   (12, "LATCH SET")):  # fmt: skip
                yield line(at + timedelta(seconds=seconds), door, "", event)
            if material == "recycling":
                inside += 1
                if inside == 40:
                    yield line(at + timedelta(seconds=30), "", "recycling", "BIN FULL")


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("streams")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    (folder / "log.csv").write_text("\n".join(lines()) + "\n", encoding="utf-8")
    there = ["--store", str(folder / "store")]
    assert (
        main(["import", str(folder / "log.csv"), *there, "--site", str(folder / "site.toml")]) == 0
    )
    return there


def told(capsys, *arguments: str):
    capsys.readouterr()
    assert main([*arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_streams_tells_participation_campaigns_and_months(store, capsys):
    found = told(capsys, "streams", *store)
    assert {row["stream"] for row in found["streams"]} == {"refuse", "recycling"}
    assert any(row["measure"] == "share" and row["ratio"] for row in found["campaigns"])
    assert {row["month"] for row in found["monthly"]} == {"2026-09", "2026-10", "2026-11"}
    assert main(["streams", *store]) == 0
    text = capsys.readouterr().out
    assert "households: a log sees doors" in text
    assert "posters" in text
    assert "at least once in 4 weeks" in text
    assert "(set-out)" in text
    assert "Conversion Factors, April 2016: mixed recyclables" in text
    assert "Lost sorting, with lines" in text


def test_containers_tells_fills_and_uses_to_full(store, capsys):
    found = told(capsys, "containers", *store)
    (model,) = [row for row in found["fill_model"] if row["container"] == "recycling"]
    assert model["median"] == pytest.approx(40, abs=1)
    full = [row for row in found["containers"] if row["state"] == "full"]
    assert len(full) >= 8
    assert full[1]["drops_before"] == 40
    assert main(["containers", *store]) == 0
    text = capsys.readouterr().out
    assert "on average (Weibull, fulls seen), median 40 (" in text
    assert "as seen (Kaplan-Meier)" in text


def test_pickups_tells_rules_forecast_and_backtest(store, capsys):
    found = told(capsys, "pickups", *store)
    present = [
        row for row in found["pickups"] if row["present"] and row["container"] == "recycling"
    ]
    assert present[0]["rule"] == "FREQ=WEEKLY;BYDAY=TU;BYHOUR=7"
    assert present[0]["chance_full"] > 0.9
    assert {"forecast", "backtest", "demand", "assumes"} < set(found)
    assert main(["pickups", *store, "--on", "2026-11-11"]) == 0
    text = capsys.readouterr().out
    assert "(present" in text
    assert "Backtest: no fill to hold back" in text or "Backtest on" in text
    assert "seed" in text
    assert "Forecast of 2026-11-11 00:00" in text


def test_a_ticket_with_a_typing_error_is_one_line_and_the_rest_is_used(store, capsys, tmp_path):
    path = tmp_path / "tickets.csv"
    path.write_text(TICKETS, encoding="utf-8")
    capsys.readouterr()
    assert main(["streams", *store, "--json", "--tickets", str(path)]) == 0
    out, err = capsys.readouterr()
    (mistake,) = json.loads(out)["mistakes"]
    assert mistake == err.strip()
    assert mistake.endswith(
        "found 'recyling', expected a stream: refuse, recycling. Write recycling."
    )
    assert [row["kg"] for row in json.loads(out)["weigh_tickets"]] == [80, 82]


def test_the_fit_to_weigh_tickets_is_shown(store, capsys, tmp_path):
    path = tmp_path / "tickets.csv"
    days = [datetime(2026, 9, 8) + timedelta(days=7 * n) for n in range(8)]  # noqa: DTZ001
    body = "\n".join(f"{day:%d.%m.%Y};recycling;{80 + n % 3}" for n, day in enumerate(days))
    path.write_text(f"date;stream;kg\n{body}\n", encoding="utf-8")
    found = told(capsys, "streams", *store, "--tickets", str(path))
    (fit,) = found["ticket_fit"]
    assert fit["kg_a_ticket_use"] == pytest.approx(81 / 40, rel=0.03)
    for command in ("streams", "containers"):
        assert main([command, *store, "--tickets", str(path)]) == 0
        text = capsys.readouterr().out
        assert "recycling: 2.0 kg a use" in text
        assert "by 7 tickets" in text
        assert "not in the fit: the ticket it starts from" in text


def test_tickets_that_are_mostly_wrong_end_with_status_3(store, capsys, tmp_path):
    path = tmp_path / "tickets.csv"
    path.write_text("date,stream,kg\n2026-09-31,refuse,4\n", encoding="utf-8")
    assert main(["containers", *store, "--tickets", str(path)]) == 3
    capsys.readouterr()


def test_the_monthly_are_the_columns_that_owners_ask_for(store, capsys, tmp_path):
    out = tmp_path / "months.csv"
    assert main(["export", "monthly", *store, "--out", str(out)]) == 0
    with out.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0])[:10] == [
        "building", "month", "stream", "uses", "litres", "kg", "share", "diversion", "method",
        "uncertainty",
    ]  # fmt: skip
    assert {row["building"] for row in rows} == {"Quay Terrace"}


def test_a_pickup_rule_with_a_mistake_stops_the_import_with_its_line(capsys, tmp_path):
    site = tmp_path / "site.toml"
    site.write_text(SITE.replace("BYDAY=TU", "BYDAY=TUE"), encoding="utf-8")
    log = tmp_path / "log.csv"
    log.write_text("\n".join(lines(1)) + "\n", encoding="utf-8")
    there = ["--store", str(tmp_path / "store"), "--site", str(site)]
    assert main(["import", str(log), *there]) == 2
    assert 'stream "recycling", pickup: found' in capsys.readouterr().err
