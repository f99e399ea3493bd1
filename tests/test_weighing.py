"""Weigh tickets as people type them."""

from pathlib import Path

import pandas as pd
import pytest

from loganalyzer.errors import InputError
from loganalyzer.weighing import read_tickets

STREAMS = ("recycling", "refuse")


def read(folder: Path, text: str, encoding: str = "utf-8"):
    path = folder / "tickets.csv"
    path.write_bytes(text.encode(encoding))
    return read_tickets(path, STREAMS)


@pytest.mark.parametrize(
    ("row", "day", "kg"),
    [
        ("2026-03-01,Recycling,120.5", "2026-03-01", 120.5),
        ("01.03.2026,recycling,120 kg", "2026-03-01", 120.0),
        ('05/03/2026,recycling,"1,234.5"', "2026-03-05", 1234.5),
        ('2026-03-01,recycling,"1.234,5"', "2026-03-01", 1234.5),
    ],
)
def test_dates_and_weights_are_read_in_the_ways_people_write_them(tmp_path, row, day, kg):
    found = read(tmp_path, f"date,stream,kg\n{row}\n")
    assert found.mistakes == ()
    assert found.table.iloc[0].to_dict() == {
        "date": pd.Timestamp(day), "stream": "recycling", "kg": kg, "line": 2,
    }  # fmt: skip


def test_columns_may_stand_in_any_order_with_semicolons_and_a_byte_order_mark(tmp_path):
    found = read(tmp_path, "﻿KG;Note;Stream;Date\n120,5;müll;refuse;2026-03-02\n")
    assert found.table["kg"].tolist() == [120.5]


@pytest.mark.parametrize(
    ("row", "says"),
    [
        (
            "2026-02-30,recycling,9",
            "line 3, date: found '2026-02-30', expected a day such as 2026-03-01. "
            "Write the day so.",
        ),
        (
            "2026-03-02,recyling,9",
            "line 3, stream: found 'recyling', expected a stream: recycling, refuse. "
            "Write recycling.",
        ),
        (
            "2026-03-02,refuse,12O",
            "line 3, kg: found '12O', expected kilograms above 0 such as 412.5. Write 120.",
        ),
        (
            "2026-03-02,refuse,-4",
            "line 3, kg: found '-4', expected kilograms above 0 such as 412.5. "
            "Write the net weight, or remove the row.",
        ),
        (
            "2026-03-02,refuse",
            "line 3, kg: found '', expected kilograms above 0 such as 412.5. Write a number.",
        ),
        (
            "2026-03-01,refuse,100",
            "line 3, the row: found the same ticket as line 2, expected each ticket once. "
            "Remove it, or correct it.",
        ),
        (
            "2026-03-08,refuse,100000",
            "line 3, kg: found 100000, expected about 110 as other refuse tickets. "
            "Look at the decimal point.",
        ),
    ],
)
def test_each_typing_error_is_one_line_and_the_rest_is_used(tmp_path, row, says):
    text = f"date,stream,kg\n2026-03-01,refuse,100\n{row}\n2026-03-09,refuse,110\n"
    found = read(tmp_path, text)
    assert found.mistakes == (f"{tmp_path / 'tickets.csv'}: {says}",)
    assert found.table["kg"].dropna().tolist() == [100, 110]
    # A day and a stream that can be read are a pickup, whatever it weighed.
    assert found.table["kg"].isna().sum() == (", kg:" in says)


def test_a_file_without_the_columns_says_which_is_missing(tmp_path):
    with pytest.raises(InputError, match="found the columns day, kg, expected date, stream and kg"):
        read(tmp_path, "day,kg\n2026-03-01,4\n")


def test_no_text_and_no_file_are_one_line_each(tmp_path):
    with pytest.raises(InputError, match="a file that is no text"):
        read(tmp_path, "date,stream,kg\n\0\n")
    with pytest.raises(InputError, match="cannot be read"):
        read_tickets(tmp_path / "none.csv", STREAMS)


def test_an_empty_file_says_what_is_expected(tmp_path):
    with pytest.raises(InputError, match="found the columns none"):
        read(tmp_path, "")
