"""Layout `sheet`: rows of a workbook, and workbooks that are none or hold too much."""

# ruff: noqa: DTZ001 - a cell holds a wall clock without a zone
import datetime as dt
import io
import struct
import zipfile

import openpyxl
import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.errors import InputError
from loganalyzer.profile import Profile, parse_profile
from loganalyzer.readers import sheet, workbook

HEADER = ["When", "Door", "Text", "Figure"]


def profile(header_row: int = 1, name: str | None = None) -> Profile:
    return parse_profile(
        f"""
        name = "rows"
        layout = "sheet"
        [sheet]
        header_row = {header_row}
        {f'sheet = "{name}"' if name else ""}
        [columns]
        time = "When"
        floor = "Door"
        event = "Text"
        value = "Figure"
        [time]
        format = "iso"
        """,
        "rows.toml",
    )


def book(*rows: list, sheets: tuple[str, ...] = ("Log",), first_column: int = 0) -> bytes:
    """A workbook whose first sheet has these rows; formats follow from the values' types."""
    data = io.BytesIO()
    made = xlsxwriter.Workbook(data, {"in_memory": True})
    first, *_ = [made.add_worksheet(name) for name in sheets]
    formats = {
        kind: made.add_format({"num_format": text})
        for kind, text in (
            (dt.datetime, "yyyy-mm-dd hh:mm:ss.000"), (dt.date, "yyyy-mm-dd"),
            (dt.time, "hh:mm:ss"), (dt.timedelta, "[h]:mm:ss"),
        )
    }  # fmt: skip
    for number, row in enumerate(rows):
        for column, cell in enumerate(row, first_column):
            if type(cell) in formats:
                first.write_datetime(number, column, cell, formats[type(cell)])
            elif isinstance(cell, tuple):
                first.write_formula(number, column, cell[0], None, cell[1])
            elif cell is not None:
                first.write(number, column, cell)
    made.close()
    return data.getvalue()


def batches(data: bytes, rule: Profile | None = None, size: int = 20_000) -> list:
    found = list(sheet.read(io.BytesIO(data), rule or profile(), "log.xlsx", size=size))
    for batch in found:
        assert batch.lines == batch.records.num_rows + batch.rejects.num_rows + batch.ignored
    return found


def records(data: bytes, rule: Profile | None = None, size: int = 20_000) -> list[dict]:
    return [row for batch in batches(data, rule, size) for row in batch.records.to_pylist()]


def refusal(data: bytes, rule: Profile | None = None) -> str:
    with pytest.raises(InputError) as told:
        records(data, rule)
    return str(told.value)


def cell(value: object) -> str | None:
    """What one cell is read as."""
    (row,) = records(book(HEADER, [dt.date(2026, 1, 2), "7", "OPEN", value]))
    return row["Figure"]


def test_rows_carry_the_numbers_that_the_sheet_shows():
    data = book(HEADER, ["a", 7, "OPEN"], [], ["b", 12, "SHUT", 7.5])
    assert records(data) == [
        {"line": 2, "When": "a", "Door": "7", "Text": "OPEN", "Figure": None},
        {"line": 4, "When": "b", "Door": "12", "Text": "SHUT", "Figure": "7.5"},
    ]


def test_rows_above_the_header_and_empty_rows_are_ignored():
    data = book(["Controller log"], [], HEADER, ["a"], [None, "  "], ["b"])
    found = batches(data, profile(header_row=3))
    assert sum(batch.lines for batch in found) == 6
    assert sum(batch.ignored for batch in found) == 4
    assert [row["line"] for row in records(data, profile(header_row=3))] == [4, 6]


def test_a_table_that_begins_in_a_later_column_is_read():
    assert records(book(HEADER, ["a", "7"], first_column=2))[0]["Door"] == "7"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (dt.datetime(2026, 1, 2, 10, 31, 9), "2026-01-02 10:31:09"),
        (dt.datetime(2026, 1, 2, 10, 31, 9, 250_000), "2026-01-02 10:31:09.250000"),
        (dt.date(2026, 1, 2), "2026-01-02"),
        (dt.time(10, 31, 9), "10:31:09"),
        (dt.timedelta(hours=30, minutes=1, seconds=5), "30:01:05"),
        (7, "7"),
        (7.5, "7.5"),
        (1_234_567_890_123, "1234567890123"),
        (True, "true"),
        ("007", "007"),
        ("  7 ", "7"),
        (("=3+4", 7), "7"),
        (('="DO"&"OR"', "DOOR"), "DOOR"),
        (None, None),
    ],
)
def test_a_cell_is_read_as_text(value, text):
    assert cell(value) == text


@given(
    st.datetimes(dt.datetime(2001, 1, 1), dt.datetime(2080, 1, 1)).map(
        lambda moment: moment.replace(microsecond=moment.microsecond // 1000 * 1000)
    )
)
@settings(max_examples=60, deadline=None)
def test_a_stamp_keeps_its_milliseconds(moment):
    """A workbook stores a fraction of days, in which most seconds have no exact number."""
    found = cell(moment)
    assert found is not None
    assert dt.datetime.fromisoformat(found) == moment


@given(
    st.lists(st.lists(st.sampled_from([None, "a", " ", 7]), max_size=4), max_size=9),
    st.integers(1, 4),
)
@settings(max_examples=25, deadline=None)
def test_the_size_of_batches_does_not_matter(rows, size):
    data = book(HEADER, *rows)
    assert records(data, size=size) == records(data)


def test_raw_shows_a_row_as_a_readable_line():
    _, batch = batches(book(HEADER, ["a", 7], ["b", None, "SHUT"]))
    assert batch.raw(batch.records["line"].combine_chunks()).to_pylist() == ["a\t7", "b\tSHUT"]


def test_a_workbook_of_another_writer_reads_alike():
    # openpyxl keeps its strings inline or shared otherwise than xlsxwriter does.
    made = openpyxl.Workbook()
    made.active.append(HEADER)
    made.active.append([dt.datetime(2026, 1, 2, 10, 31), 7, "OPEN", 52])
    data = io.BytesIO()
    made.save(data)
    assert records(data.getvalue()) == [
        {"line": 2, "When": "2026-01-02 10:31:00", "Door": "7", "Text": "OPEN", "Figure": "52"}
    ]


def test_the_first_sheet_is_read_unless_the_profile_names_one():
    data = book(HEADER, ["a"], sheets=("Log", "Notes"))
    assert len(records(data)) == len(records(data, profile(name="Log"))) == 1


def test_a_sheet_that_is_not_there_is_told_with_those_that_are():
    message = refusal(book(HEADER, sheets=("Log", "Notes")), profile(name="Lag"))
    assert message == (
        'log.xlsx: found no sheet "Lag", expected "Log", "Notes". '
        'Write sheet = "Log" in the profile.'
    )


def test_a_date_alone_is_midnight_where_one_column_carries_the_whole_stamp():
    data = book(["When", "Door", "Text", "Figure"], [dt.date(2026, 10, 15), "7", "x", 1])
    assert records(data)[0]["When"] == "2026-10-15 00:00:00"


def test_a_column_that_is_not_there_is_told():
    assert 'no column "Door"' in refusal(book(["When", "Doors", "Text", "Figure"], ["a"]))


def test_a_header_row_below_the_last_row_is_told():
    assert "expected a header in row 9" in refusal(book(HEADER), profile(header_row=9))


def test_an_empty_sheet_is_told():
    assert "found 0 rows" in refusal(book())


def damaged(data: bytes) -> bytes:
    return data[: len(data) // 2]


@pytest.mark.parametrize(
    "data",
    [b"", b"When;Door\n", b"PK\x03\x04 and so on", damaged(book(HEADER)), b"\xd0\xcf\x11\xe0" * 99],
    ids=["empty", "text", "zip head", "cut off", "older workbook"],
)
def test_what_is_no_workbook_is_told_in_one_line(data):
    message = refusal(data)
    assert "expected an .xlsx workbook" in message
    assert "\n" not in message


def test_a_zip_of_other_things_is_no_workbook():
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        archive.writestr("a.csv", "When;Door\n")
    assert "expected an .xlsx workbook" in refusal(data.getvalue())


def packed(name: str, content: bytes) -> bytes:
    data = io.BytesIO(book(HEADER, ["a"]))
    with zipfile.ZipFile(data, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, content)
    return data.getvalue()


def test_a_workbook_that_unpacks_to_too_much_is_refused(monkeypatch):
    monkeypatch.setattr(workbook, "UNPACKED_LIMIT", 1 << 20)
    message = refusal(packed("xl/media/filler.bin", bytes(2 << 20)))
    assert "more than 1 MB once unpacked" in message


def test_a_directory_that_lies_about_sizes_is_not_believed(monkeypatch):
    monkeypatch.setattr(workbook, "UNPACKED_LIMIT", 1 << 20)
    size = 2 << 20
    lying = packed("xl/media/filler.bin", bytes(size)).replace(
        struct.pack("<L", size), struct.pack("<L", 10)
    )
    assert "more than 1 MB once unpacked" in refusal(lying)


def test_a_workbook_far_smaller_than_what_it_holds_is_refused(monkeypatch):
    monkeypatch.setattr(workbook, "RATIO_FROM", 1 << 20)
    message = refusal(packed("xl/media/filler.bin", bytes(8 << 20)))
    assert "more than 250 times its size once unpacked" in message


def test_two_far_off_cells_do_not_make_a_table_of_billions():
    data = io.BytesIO()
    made = xlsxwriter.Workbook(data, {"in_memory": True})
    page = made.add_worksheet("Log")
    page.write(0, 0, "When")
    page.write(1_048_575, 16_383, "far")
    made.close()
    assert "a sheet of 1048576 rows and 16384 columns" in refusal(data.getvalue())
