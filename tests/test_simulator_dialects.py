"""Every dialect says what happened in the simulated building; the sample logs are as written."""

import gzip
from collections import defaultdict
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from zipfile import ZipFile
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from loganalyzer.ingest import import_paths
from loganalyzer.site import load_site
from loganalyzer.store import Store
from tests.tools.simulator import (
    Fault,
    PowerCut,
    Service,
    Truth,
    plain_plan,
    simulate,
)
from tests.tools.simulator.cli import main
from tests.tools.simulator.damage import damage
from tests.tools.simulator.dialects import DIALECTS, render
from tests.tools.simulator.readback import PLACES, Said, profile, said
from tests.tools.simulator.samples import sample_files
from tests.tools.simulator.sitefile import site_toml
from tests.tools.simulator.words import COMPONENTS

ROOT = Path(__file__).parents[1]
START = datetime(2026, 3, 2, tzinfo=UTC)
RECEIVED = datetime(2026, 11, 25, tzinfo=UTC)
WORDED = [name for name in DIALECTS if name not in ("scan-samples", "door-counter")]


def events_of(data: bytes, name: str) -> list[Said]:
    """All lines of a file as events; a line that is none fails."""
    found = said(data, name)
    assert not [line for line in found if isinstance(line, str)]
    return [line for line in found if isinstance(line, Said)]


@pytest.fixture(scope="module")
def troubled() -> Truth:
    """Ten days with every kind of event, on a clock that drifts."""
    return simulate(
        plain_plan(
            days=10, seed=6, floors=6, tick_ms=100, drift_s_a_day=2.0, clock_sets="daily",
            services=(Service(START + timedelta(days=3, hours=9), 7200),),
            cuts=(PowerCut(START + timedelta(days=5, hours=18), 1800, restarts=True),),
            faults=(
                Fault("slow_diverter", "sorter", ramp_days=0, strength=3),
                Fault("stiff_latch", "latch", floor="2", ramp_days=0, strength=3),
                Fault("wiring_glitch", "wiring", floors=("1", "2"), ramp_days=0),
                Fault("propped_door", "door", floor="1", ramp_days=0),
            ),
        )
    )  # fmt: skip


@pytest.mark.parametrize("name", WORDED)
def test_a_dialect_read_by_its_profile_says_every_event_and_nothing_else(troubled, name):
    found = events_of(render(troubled, "A", name), name)
    events = troubled.events
    assert len(found) == len(events)
    for key in ("signal", "edge", "floor", "stream"):
        expected = [None if pd.isna(value) else value for value in events[key]]
        assert [getattr(row, key) for row in found] == expected, key
    codes = profile(name)["codes"]
    component = {"busy": "busy", "full": "full", "service": "service", "lockout": "lockout",
                 "fault": "fault"} | COMPONENTS  # fmt: skip
    assert [
        codes.get(row.code, {}).get("component", row.code) for row in found
    ] == [None if pd.isna(code) else component[code] for code in events["code"]]  # fmt: skip


@pytest.mark.parametrize("name", WORDED)
def test_a_dialect_stamps_what_the_clock_shows_in_its_own_zone(troubled, name):
    zone = {"fixed-columns": "UTC", "tafel-protokoll": "Europe/Berlin"}.get(name, "Europe/Lisbon")
    found = events_of(render(troubled, "A", name), name)
    step = pd.Timedelta(microseconds=DIALECTS[name].resolution_us)
    for row, shown in zip(found, troubled.events["shown"], strict=True):
        stamp = row.stamp if row.stamp.tzinfo else row.stamp.replace(tzinfo=ZoneInfo(zone))
        assert pd.Timedelta(-1, "us") <= shown - stamp < step + pd.Timedelta(1, "us")


@pytest.mark.parametrize("name", sorted(DIALECTS))
def test_a_dialect_writes_the_same_bytes_twice_and_its_lines_grow_with_the_events(troubled, name):
    start, end = (START + timedelta(days=day) for day in (2, 3))
    one = render(troubled, "A", name, start, end)
    assert one == render(troubled, "A", name, start, end)
    assert len(one) < len(render(troubled, "A", name, start, end + timedelta(days=2)))


@pytest.mark.parametrize(
    ("name", "head"),
    [("semicolon-text", 1), ("syslog-events", 0), ("json-events", 0), ("fixed-columns", 0),
     ("tafel-protokoll", 3)],
)  # fmt: skip
def test_a_file_has_a_line_for_each_event_and_sign_of_life(troubled, name, head):
    lines = render(troubled, "A", name).count(b"\n")
    assert lines == head + len(troubled.events) + len(troubled.alive)


@pytest.mark.parametrize("name", WORDED)
def test_the_library_imports_each_dialect_as_exactly_the_true_events(name, tmp_path):
    cut = PowerCut(START + timedelta(days=1, hours=18), 600)
    truth = simulate(plain_plan(days=3, seed=6, cuts=(cut,)))
    profile_path = next(place / f"{name}.toml" for place in PLACES
                        if (place / f"{name}.toml").exists())  # fmt: skip
    (tmp_path / "q.toml").write_text(site_toml(truth.plan, {"A": str(profile_path)}))
    export = tmp_path / f"log{DIALECTS[name].ending}"
    export.write_bytes(render(truth, "A", name))
    store = Store.open(tmp_path / "store", create=True)
    report = import_paths([export], store, load_site(tmp_path / "q.toml"), received=RECEIVED)
    rows, events = store.timeline(), truth.events
    assert report.exit_status == 0
    assert sum(row.rejected for row in report.exports) == 0
    for key in ("signal", "edge", "floor", "stream"):
        found, true = (table[key].astype(object).fillna("") for table in (rows, events))
        assert found.tolist() == true.tolist(), key
    assert rows["time"].tolist() == events["time"].tolist()
    assert set(rows["clock"]) == {"exact"}


def test_a_set_across_a_change_of_the_hour_adds_what_the_clock_face_shows():
    """Restarted in winter time 2000, set in summer time: an hour more than has passed."""
    summer = datetime(2026, 7, 6, tzinfo=UTC)
    cut = PowerCut(summer + timedelta(hours=10), 600, restarts=True, set_after_s=7200)
    days = {"start": datetime(2026, 7, 6), "end": datetime(2026, 7, 7)}  # noqa: DTZ001
    plan = replace(plain_plan(cuts=(cut,)), **days)
    rows = events_of(render(simulate(plan), "A", "semicolon-text"), "semicolon-text")
    told = [row.value for row in rows if row.signal == "clock"]
    face = datetime(2026, 7, 6, 13, 10) - datetime(2000, 1, 1, 2, 0)  # noqa: DTZ001
    assert told == [face.total_seconds()]


# Source: the tz database: Lisbon leaves 01:00-02:00 out on 29 March 2026, repeats it on 25 October.
def test_the_spring_hour_is_not_written_and_the_autumn_hour_is_written_twice():
    def stamps(day: datetime) -> list[datetime]:
        busy = plain_plan(seed=3, floors=12, uses_a_unit_a_week=30, tick_ms=100)
        plan = replace(busy, start=day, end=day + timedelta(days=1))
        found = events_of(render(simulate(plan), "A", "semicolon-text"), "semicolon-text")
        return [row.stamp for row in found if row.stamp < day + timedelta(hours=3)]

    spring = stamps(datetime(2026, 3, 29))  # noqa: DTZ001
    assert spring == sorted(spring)
    assert {stamp.hour for stamp in spring} == {0, 2}
    autumn = stamps(datetime(2026, 10, 25))  # noqa: DTZ001
    back = [(a, b) for a, b in pairwise(autumn) if b < a]
    assert [(a.hour, b.hour) for a, b in back] == [(1, 1)]


def test_a_scan_holds_each_state_until_it_changes(troubled):
    """The openings that last longer than a scan are all in the samples."""
    text = render(troubled, "A", "scan-samples").decode().splitlines()
    head = text[0].split(",")
    assert {len(row.split(",")) for row in text} == {len(head)}
    column = head.index("leaf_3")
    states = [row.split(",")[column] for row in text[1:]]
    rises = sum(a == "0" and b == "1" for a, b in pairwise(states))
    opened = troubled.cycles[troubled.cycles["floor"] == "3"]["opened"].notna().sum()
    assert rises == opened


def test_a_door_counter_tells_doors_by_uptime_and_now_and_then_the_time(troubled):
    lines = render(troubled, "A", "door-counter").decode().splitlines()
    kinds = defaultdict(int)
    for line in lines:
        kinds[line.split(" ")[-1] if line.split(" ")[1] != "phone" else "phone"] += 1
    opens = troubled.events[troubled.events["signal"] == "open"]
    assert kinds["away"] == (opens["edge"] == "on").sum()
    assert kinds["begin"] == 1
    assert 30 <= kinds["phone"] <= 40
    uptime = [float(line.split(" ")[0]) for line in lines]
    assert sum(b < a for a, b in pairwise(uptime)) == 1  # at the power cut


def test_damage_is_where_it_is_told(troubled):
    data = render(troubled, "A", "semicolon-text")
    spoilt, found = damage(data, "semicolon-text", "utf-8", 2, np.random.default_rng(1))
    lines = spoilt.split(b"\n")
    assert len(found) == 6
    for number, what in found:
        line = lines[number - 1]
        assert (b"SELF TEST" in line) == (what == "unknown")
        assert line.startswith(b"\xff") == (what == "garbled")
        assert (line.count(b";") != 6) == (what == "cut")
    assert len(lines) == len(data.split(b"\n")) + 2


# The sample logs and years.


def unpacked(name: str, data: bytes) -> object:
    """What a packed file holds: packers may differ in their bytes, not in what they hold."""
    if name.endswith(".gz"):
        return gzip.decompress(data)
    if name.endswith((".zip", ".xlsx")):
        with ZipFile(BytesIO(data)) as packed:
            return {member: packed.read(member) for member in packed.namelist()}
    return data


def test_the_sample_logs_in_the_repository_are_what_the_scenario_gives():
    logs, truth = sample_files()
    assert sum(map(len, logs.values())) < 6_000_000
    for folder, files in (("sample_logs", logs), ("tests/expected/samples-truth", truth)):
        for name, data in files.items():
            there = (ROOT / folder / name).read_bytes()
            assert unpacked(name, there) == unpacked(name, data), name


@pytest.mark.parametrize("dialect", ["semicolon-text", "json-events", "door-counter"])
def test_years_are_laid_end_to_end_and_never_run_backwards(tmp_path, dialect, capsys):
    assert main(["years", "--out", str(tmp_path), "--dialect", dialect, "--lines", "200000"]) == 0
    assert "200000 lines" in capsys.readouterr().out
    (path,) = (tmp_path / "tower-1" / "A").iterdir()
    lines = path.read_text().splitlines()
    if dialect == "semicolon-text":
        assert len(lines) == 200_001
        times = [line[6:10] + line[3:5] + line[:2] + line[10:19] for line in lines[1:]]
    elif dialect == "json-events":
        times = [line.split(",")[1] for line in lines]
    else:
        times = [line[:12] for line in lines]
    assert times == sorted(times)
    assert (tmp_path / "tower-1.toml").exists()
