"""From the sample logs to the findings: what the simulator planted is what the analyzer tells.

The truth beside it was written by the simulator, which shares no code with the readers. Damaged
lines (21 to 33 a site) may cost single events, so counts of uses are compared with that margin;
what no damaged line touches is compared exactly.
"""

import os
from pathlib import Path

import pandas as pd
import pytest

from loganalyzer.answers import answer
from loganalyzer.cli import main
from loganalyzer.store import Store

HERE = Path(__file__).parent
SAMPLES = HERE.parent / "sample_logs"
TRUTH = HERE / "expected" / "samples-truth"
TIMELINES = HERE / "expected" / "timelines"
DOOR = ["site", "chute", "floor"]
LOST = 6  # events of one door at most that damaged lines cost


@pytest.fixture(scope="module")
def store(tmp_path_factory) -> Store:
    folder = tmp_path_factory.mktemp("demo") / "store"
    assert main(["demo", "--store", str(folder), "--no-serve"]) == 0
    return Store.open(folder)


@pytest.fixture(scope="module")
def analysis(store):
    return answer(store)


def truth(name: str) -> pd.DataFrame:
    text = dict.fromkeys(("site", "chute", "floor", "stream", "kind", "component"), str)
    return pd.read_csv(TRUTH / f"{name}.csv", dtype=text)


def plain(table: pd.DataFrame) -> pd.DataFrame:
    return table.astype({c: str for c in table if isinstance(table[c].dtype, pd.CategoricalDtype)})


def test_every_line_of_every_export_is_accounted_for(store):
    ledger = store.imports().set_index("source")
    expected = truth("exports").set_index("source")
    assert set(ledger.index) == set(expected.index)
    parts = ledger[["events", "duplicates", "ignored", "rejected"]].sum(axis=1)
    assert (parts == ledger["lines"]).all()
    assert (ledger["lines"] == expected["lines"].reindex(ledger.index)).all()
    assert (ledger["profile"] == expected["profile"].reindex(ledger.index)).all()


def test_every_damaged_line_is_a_reject_and_no_other_line_is(store):
    damage = truth("damage")
    names = store.imports().set_index("source")["name"]
    rejects = store.rejects()
    found = {
        (names[s].split("sample_logs/")[1], n)
        for s, n in zip(rejects["source"], rejects["line"], strict=True)
    }
    planted = set(zip(damage["name"], damage["line"], strict=True))
    assert found == planted


def test_uses_visits_and_presses_of_every_door_are_those_of_the_truth(analysis):
    expected = truth("uses").set_index(DOOR)
    floors = plain(analysis.floors).set_index(DOOR).loc[expected.index]
    visits = plain(analysis.visits)
    results = visits.groupby([*DOOR, "result"]).size().unstack(fill_value=0).loc[expected.index]
    pairs = {
        "presses": (floors["presses"], expected["press"]),
        "served": (floors["served"], expected["visits_served"]),
        "gave up": (results["gave_up"], expected["visits_gave_up"]),
        "locked out": (results["locked_out"], expected["visits_locked_out"]),
    }
    for name, (ours, true) in pairs.items():
        assert (ours.astype(int) - true).abs().max() <= LOST, name
        assert abs(int(ours.sum()) - int(true.sum())) <= 0.005 * true.sum() + LOST, name


def test_lockouts_and_episodes_of_every_door_are_those_of_the_truth(analysis):
    expected = truth("lockouts-per-floor").set_index(DOOR)
    floors = plain(analysis.floors).set_index(DOOR).loc[expected.index]
    assert (floors["lockouts"].astype(int) - expected["lockouts"]).abs().max() <= 1
    assert (floors["lockout_episodes"].astype(int) - expected["episodes"]).abs().max() <= 1


def test_the_misused_floors_are_told_and_no_others(store, capsys):
    assert main(["summary", "--store", str(store.path)]) == 0
    text = capsys.readouterr().out
    told = [
        line
        for line in text.splitlines()
        if "lockout episodes in" in line and "other floors" in line
    ]
    assert len(told) == len(truth("misuse")) == 2
    assert any("Floor 4 of chute A" in line for line in told)
    assert any("Floor 3 of chute east" in line for line in told)


def test_the_weakening_closer_and_the_slowing_diverter_are_told_and_no_others(analysis):
    table = plain(analysis.condition.drift)
    slower = table[table["slower"].fillna(False).astype(bool) & table["pair"].isna()]
    planted = {("quay-terrace", "A", "open_s"), ("quay-terrace", "B", "positioning_s")}
    assert set(zip(slower["site"], slower["chute"], slower["what"], strict=True)) == planted
    assert slower.loc[slower["what"].eq("open_s"), "floor"].tolist() == ["7"]
    assert (slower["low_s"] > 0).all()


def test_services_and_power_cuts_are_told_with_their_times(analysis):
    for kind, name in (("service", "services"), ("power_loss", "power")):
        found = plain(analysis.incidents)
        found = found[found["kind"].eq(kind)]
        planted = truth(name)
        assert len(found) == len(planted)
        for row in planted.itertuples(index=False):
            mine = found[found["site"].eq(row.site) & found["chute"].eq(row.chute)]
            start, end = (pd.Timestamp(t) for t in (row.start, row.end))
            assert (mine["start"] - start).abs().min() < pd.Timedelta("15s"), row
            # Power went off during the service at A: the log cannot tell when service ended.
            if kind == "power_loss" or row.chute != "A":
                assert (mine["end"] - end).abs().min() < pd.Timedelta("15s"), row


def test_full_containers_are_told_with_their_times(analysis):
    fills = truth("fills").dropna(subset=["full_from"])
    found = plain(analysis.incidents)
    found = found[found["kind"].eq("container_full")]
    assert len(found) == len(fills)
    for row in fills.itertuples():
        mine = found[found["chute"].eq(row.chute) & found["stream"].eq(row.stream)]
        gap = (mine["start"] - pd.Timestamp(row.full_from)).abs().min()
        assert gap < pd.Timedelta("30s"), row


def test_a_restarted_clock_that_was_set_later_is_put_right(analysis):
    (planted,) = truth("power")[truth("power")["restarts"]].itertuples()
    moved = plain(analysis.timeline)
    moved = moved[moved["clock"].eq("step")]
    assert set(moved["chute"]) == {planted.chute}
    assert moved["time"].min() > pd.Timestamp(planted.end) - pd.Timedelta("1min")
    assert moved["time"].max() <= pd.Timestamp(planted.set) + pd.Timedelta("1min")
    assert moved["device_time"].dt.year.min() == 2000


def test_the_repeated_hour_is_told_apart_by_the_order_of_lines(analysis):
    folds = plain(analysis.timeline)
    folds = folds[folds["clock"].eq("fold") & folds["chute"].eq("A")]
    change = pd.Timestamp("2026-10-25T01:00Z")  # Source: tz database, Europe/Lisbon
    assert folds["time"].between(change - pd.Timedelta("1h"), change + pd.Timedelta("1h")).all()
    inside = plain(analysis.timeline)
    inside = inside[
        inside["chute"].eq("A")
        & inside["time"].between(change - pd.Timedelta("3h"), change + pd.Timedelta("3h"))
    ]
    assert inside["time"].is_monotonic_increasing


@pytest.mark.parametrize("name", sorted(truth("exports")["name"]))
def test_the_timeline_of_each_sample_export_is_as_expected(name, store):
    """A change of behaviour is a readable diff; EXPECTED=write writes the files anew."""
    ledger = store.imports()
    (source,) = ledger.loc[ledger["name"].str.endswith(name), "source"]
    site, chute = name.split("/")[:2]
    rows = plain(store.timeline(site, chute))
    text = described(rows[rows["source"].eq(source)])
    file = TIMELINES / f"{name.replace('/', '-').replace('!', '-')}.txt"
    if os.environ.get("EXPECTED") == "write":
        file.parent.mkdir(exist_ok=True)
        file.write_text(text, encoding="utf-8")
    assert text == file.read_text(encoding="utf-8")


def described(rows: pd.DataFrame) -> str:
    """Counts of every kind of event, how far its times are trusted, and some of its rows."""
    kinds = rows.groupby(["signal", "edge"]).size()
    marks = rows.groupby("clock").size()
    doors = rows.groupby("floor").size()
    sample = pd.concat([rows.head(25), rows.iloc[25:-25:397], rows.tail(25)])
    columns = [
        "line",
        "time",
        "device_time",
        "clock",
        "floor",
        "signal",
        "edge",
        "stream",
        "code",
        "value",
    ]
    lines = [
        f"{len(rows)} events of this export stand in the timeline",
        *(f"  {signal} {edge}: {n}" for (signal, edge), n in kinds.items()),
        *(f"  clock {mark}: {n}" for mark, n in marks.items()),
        *(f"  floor {floor}: {n}" for floor, n in doors.items() if floor != "nan"),
        " | ".join(columns),
        *(" | ".join(_cell(v) for v in row) for row in sample[columns].itertuples(index=False)),
    ]
    return "\n".join(lines) + "\n"


def _cell(value: object) -> str:
    return "-" if pd.isna(value) or value == "nan" else str(value)
