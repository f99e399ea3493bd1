"""Rows of fields: RFC 4180 where quotes are whole, and one line lost for each that is not."""

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.errors import InputError
from loganalyzer.profile import parse_profile
from loganalyzer.readers import READERS
from tests.rows import delimited, told

THREE = ["t", "a", "b"]
QUOTE_LIMIT = 1000


def test_the_example_of_rfc_4180_is_four_records_and_not_five_lines():
    # Source: RFC 4180 section 2; the fields as Python's csv module reads them. A quoted line
    # break is read as a line feed, however it is written.
    data = b'a,b,c\r\n1,"x, y",3\r\n2,"line1\r\nline2",""\r\n3,"he said ""hi""",z'
    found = told(data, delimited(THREE, ","))
    assert [tuple(record.values())[1:] for record in found.records] == by_name([
        ("a", "b", "c"), ("1", "x, y", "3"),
        ("2", "line1\nline2", None), ("3", 'he said "hi"', "z"),
    ])  # fmt: skip
    assert [record["line"] for record in found.records] == [1, 2, 3, 5]
    assert (found.lines, found.ignored, found.rejects) == (5, 1, [])


def by_name(rows: list[tuple]) -> list[tuple]:
    """Fields in the order in which a batch offers the columns: event before time."""
    return [(a, b, t) for t, a, b in rows]


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.lists(st.text(st.sampled_from('ab;"\n \té'), max_size=5), min_size=3, max_size=3),
        max_size=8,
    ),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([3, 11, 1 << 20]),
)  # fmt: skip
def test_any_table_reads_as_the_csv_module_reads_it(rows, quoting, end, size):
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=";", quoting=quoting, lineterminator=end).writerows(rows)
    # Source: Python's csv module, reading what it wrote itself.
    again = list(csv.reader(io.StringIO(text.getvalue(), newline=""), delimiter=";"))
    expected = [tuple(field.strip() or None for field in row) for row in again]
    found = told(text.getvalue().encode(), delimited(THREE), size)
    assert [tuple(r[name] for name in THREE) for r in found.records] == expected
    assert found.rejects == []


@settings(max_examples=100, deadline=None)
@given(st.text(st.sampled_from('ab;;"é '), max_size=12))
def test_a_line_with_stray_quotes_reads_as_the_csv_module_reads_it(line):
    """Within a line a quote that does not begin a field is a letter like any other."""
    found = told(f"{line}\n".encode(), delimited(["t", "a"]))
    (row,) = csv.reader([line], delimiter=";") if line else [[]]
    closed = next(csv.reader([line + "\n", "X"], delimiter=";"))[-1:] == row[-1:]
    if closed and len(row) == 2 and line.strip():
        assert [found.column("t"), found.column("a")] == [[f.strip() or None] for f in row]
    else:
        assert found.records == []


def test_fields_are_trimmed_and_an_empty_one_is_null_but_the_raw_line_stays():
    (record,) = told(b" 08:00 ;\tOPEN;  \n", delimited(THREE)).records
    assert record == {"line": 1, "t": "08:00", "a": "OPEN", "b": None}


def test_only_the_columns_that_the_profile_names_are_offered():
    found = told(b"x;b;junk;t;a\n0;2;9;8;1\n", delimited())
    assert found.records == [{"line": 2, "t": "8", "a": "1", "b": "2"}]
    assert found.ignored == 1


@pytest.mark.parametrize("size", [1, 8, 1 << 20])
def test_preamble_blank_lines_and_header_are_ignored(size):
    data = b'Controller "4\n\n\n t ;"a" ;b\n\n1;2;3\n  \n4;5;6'
    found = told(data, delimited(more="skip_lines = 2"), size)
    assert found.column("line") == [6, 8]
    assert (found.lines, found.ignored, found.rejects) == (8, 6, [])


@pytest.mark.parametrize("size", [1, 8, 1 << 20])
def test_a_header_may_have_a_line_break_in_a_name(size):
    found = told(b'"more\nwords";t;a;b\n0;1;2;3\n', delimited(), size)
    assert found.records == [{"line": 3, "t": "1", "a": "2", "b": "3"}]
    assert (found.lines, found.ignored) == (3, 2)


@pytest.mark.parametrize("size", [1, 8, 1 << 20])
def test_a_row_with_another_number_of_fields_is_a_reject(size):
    found = told(b'1;2;3\n4;5\n6;7;8;9\n"a;b";2;3\n', delimited(THREE), size)
    assert found.column("line") == [1, 4]
    assert found.rejects == [
        (2, "wrong number of columns: found 2, expected 3", "4;5"),
        (3, "wrong number of columns: found 4, expected 3", "6;7;8;9"),
    ]


@pytest.mark.parametrize("size", [1, 8, 1 << 20])
@pytest.mark.parametrize("more", [b"", b'7;"8";9\n', b'10;11;12\n"13";"x\ny";15\n'])
def test_a_quote_that_never_closes_costs_its_own_line_only(size, more):
    good = told(more, delimited(THREE), size)
    found = told(b'1;2;3\n4;"5;6\n' + more, delimited(THREE), size)
    assert found.reasons() == [(2, "quote not closed")]
    assert found.column("line") == [1, *(line + 2 for line in good.column("line"))]
    assert found.column("a") == ["2", *good.column("a")]


@pytest.mark.parametrize("size", [500, 1 << 20])
def test_a_quote_is_looked_for_through_1000_lines_and_no_further(size):
    def text(breaks: int) -> bytes:
        return b'0;"' + b"1;2;3\n" * breaks + b'";3\n'

    near = told(text(QUOTE_LIMIT - 1), delimited(THREE), size)
    assert (len(near.records), near.rejects) == (1, [])
    far = told(text(QUOTE_LIMIT), delimited(THREE), size)
    # The first line, and the last, whose lone quote opens again.
    assert far.reasons() == [(1, "quote not closed"), (QUOTE_LIMIT + 1, "quote not closed")]
    assert len(far.records) == QUOTE_LIMIT - 1


def test_a_quote_is_looked_for_through_one_megabyte_and_no_further():
    data = b'0;"' + (b"x" * 99_998 + b"\n") * 11 + b'";3\n'
    assert told(data, delimited(THREE), 1 << 16).reasons()[0] == (1, "quote not closed")


@pytest.mark.parametrize("delimiter", [",", "\t", "|", " ", "¦"])
def test_any_character_may_be_the_delimiter(delimiter):
    data = delimiter.join(["1", '"2"', "é"]).encode() + b"\n" + delimiter.join("12").encode()
    found = told(data, delimited(THREE, delimiter))
    assert found.records == [{"line": 1, "t": "1", "a": "2", "b": "é"}]
    assert found.rejects[0][1:] == (
        "wrong number of columns: found 2, expected 3", delimiter.join("12")
    )  # fmt: skip


@pytest.mark.parametrize(
    ("header", "words"),
    [
        (b"t;a;bee\n", 'no column "b"'),
        (b"t;aa;b\n", 'The nearest is "aa"'),
        (b"t;a;b;a\n", 'the column "a" 2 times'),
        (b"\n\n", "no header line"),
    ],
)
def test_a_header_that_does_not_fit_the_profile_is_one_line(header, words):
    with pytest.raises(InputError) as caught:
        told(header + b"1;2;3\n", delimited(more="skip_lines = 1" if not header.strip() else ""))
    message = str(caught.value)
    assert words in message or header == b"\n\n"
    assert len(message.splitlines()) == 1


def test_a_column_named_twice_that_the_profile_does_not_use_is_no_matter():
    assert told(b"t;a;b;x;x\n1;2;3;4;5\n", delimited()).column("b") == ["3"]


def test_labels_and_texts_are_dictionaries_and_stamps_are_not():
    profile = parse_profile(
        'name = "x"\nlayout = "delimited"\n[delimited]\ndelimiter = ";"\n'
        '[columns]\ntime = ["d", "t"]\n'
        'event = "e"\nfloor = "f"\nvalue = "v"\norder = "n"\n[time]\nformat = "iso"\n',
        "x.toml",
    )
    (batch,) = READERS["delimited"](io.BytesIO(b"d;t;e;f;v;n\n1;2;3;4;5;6\n"), profile, "x")
    kinds = {field.name: str(field.type).split("<")[0] for field in batch.records.schema}
    assert kinds == {
        "line": "int64", "d": "string", "t": "string", "e": "dictionary", "f": "dictionary",
        "v": "string", "n": "string",
    }  # fmt: skip


def test_two_spellings_of_a_label_that_differ_in_blanks_are_one():
    found = told(b"1;OPEN ;x\n2; OPEN;x\n3;OPEN;x\n4;  ;x\n", delimited(THREE))
    assert found.column("a") == ["OPEN", "OPEN", "OPEN", None]
