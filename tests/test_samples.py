"""Scans → edges: what each input's changes bring, and a slow obvious way that agrees."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.errors import InputError
from loganalyzer.profile import Profile, parse_profile
from tests.rows import Told, told

DOORS = """[[samples]]
pattern = '^D(?P<floor>\\w+)_OPEN$'
signal = "open"
on = ["1", "TRUE"]
"""
BUTTON = """[[samples]]
column = "BTN_7"
signal = "press"
edge = "mark"
floor = "7"
stream = "recycling"
on = ["1"]
"""
LEVEL = """[[samples]]
column = "FILL"
signal = "level"
number = true
"""


def scans(entries: str = DOORS + BUTTON + LEVEL, columns: str = 'time = ["t"]') -> Profile:
    return parse_profile(
        'name = "scans"\nlayout = "samples"\n[delimited]\ndelimiter = ","\n'
        f'{entries}[columns]\n{columns}\n[time]\nformat = "iso"\n',
        "scans.toml",
    )


def edges(found: Told) -> list[tuple]:
    """(line, signal, edge, floor, value) of each event."""
    wanted = ("line", "signal", "edge", "floor", "value")
    return [tuple(record[name] for name in wanted) for record in found.records]


def test_the_first_row_sets_the_state_and_brings_no_event():
    found = told(b"t,D7_OPEN,BTN_7,FILL\n1,1,1,40\n", scans())
    assert (found.records, found.lines, found.ignored) == ([], 2, 2)


def test_a_condition_has_two_edges_and_a_mark_only_the_rising_one():
    found = told(b"t,D7_OPEN,BTN_7\n1,0,0\n2,1,1\n3,1,1\n4,0,0\n5,TRUE,1\n", scans())
    assert edges(found) == [
        (3, "open", "on", "7", None), (3, "press", "mark", "7", None),
        (5, "open", "off", "7", None),
        (6, "open", "on", "7", None), (6, "press", "mark", "7", None),
    ]  # fmt: skip
    assert (found.lines, found.ignored) == (6, 3)


def test_any_value_that_is_not_listed_is_off():
    found = told(b"t,D7_OPEN\n1,1\n2,true\n3,TRUE\n4,?\n", scans())
    assert [(line, edge) for line, _, edge, _, _ in edges(found)] == [
        (3, "off"), (4, "on"), (5, "off")
    ]  # fmt: skip


def test_a_number_is_a_mark_whenever_it_changes_and_not_when_it_is_written_otherwise():
    found = told(b"t,FILL\n1,40\n2,40.0\n3,41\n4,\n5,41\n6,err\n7,err\n8,40\n", scans())
    assert edges(found) == [
        (4, "level", "mark", None, "41"), (7, "level", "mark", None, "err"),
        (9, "level", "mark", None, "40"),
    ]  # fmt: skip


def test_an_empty_cell_is_no_change_and_the_first_value_sets_the_state():
    found = told(b"t,D7_OPEN,D8_OPEN\n1,,0\n2,1,\n3,,1\n4,0,\n5, ,\n", scans())
    assert edges(found) == [(4, "open", "on", "8", None), (5, "open", "off", "7", None)]
    assert found.ignored == 4


def test_the_first_entry_that_matches_a_column_wins():
    special = DOORS.replace("open", "fault").replace("^D(?P<floor>\\w+)", "^D7")
    found = told(b"t,D7_OPEN,D8_OPEN\n1,0,0\n2,1,1\n", scans(special + DOORS))
    assert [(signal, floor) for _, signal, _, floor, _ in edges(found)] == [
        ("fault", None), ("open", "8")
    ]  # fmt: skip


def test_labels_come_from_the_entry_its_pattern_or_the_columns_of_the_profile():
    profile = scans(columns='time = ["t", "u"]\nchute = "unit"\norder = "n"\ncode = "c"')
    found = told(b"t,u,unit,n,c,D7_OPEN,BTN_7\n1,2,A,9,x,0,0\n3,4,A,10,y,1,1\n", profile)
    assert found.records == [
        {
            "line": 3, "t": "3", "u": "4", "n": "10", "signal": signal, "edge": edge,
            "floor": "7", "stream": stream, "code": "y", "chute": "A", "value": None,
        }
        for signal, edge, stream in [("open", "on", None), ("press", "mark", "recycling")]
    ]  # fmt: skip


def test_every_chute_has_states_of_its_own():
    profile = scans(columns='time = ["t"]\nchute = "unit"')
    found = told(b"t,unit,D7_OPEN\n1,A,0\n2,B,1\n3,A,0\n4,B,1\n5,A,1\n6,B,0\n", profile)
    assert [(r["line"], r["chute"], r["edge"]) for r in found.records] == [
        (6, "A", "on"), (7, "B", "off")
    ]  # fmt: skip


def test_a_damaged_row_changes_no_state():
    found = told(b"t,D7_OPEN,FILL\n1,0,5\n2,1\n3,0,5\n4,1,5\n", scans())
    assert edges(found) == [(5, "open", "on", "7", None)]
    assert found.reasons() == [(3, "wrong number of columns: found 2, expected 3")]
    assert (found.lines, found.ignored) == (5, 3)


def test_an_export_without_any_known_input_is_said_in_one_line():
    with pytest.raises(InputError, match="Add an entry for one of X1, X2"):
        told(b"t,X1,X2\n1,0,0\n", scans())


def test_columns_named_by_the_profile_work_without_a_header():
    profile = scans().model_copy(
        update={
            "delimited": scans().delimited.model_copy(
                update={"header": False, "columns": ("t", "D7_OPEN")}
            )
        }
    )
    assert edges(told(b"1,0\n2,1\n", profile)) == [(2, "open", "on", "7", None)]


CELLS = st.sampled_from(["0", "1", "", " 1", "2"])


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from("AB"), CELLS, CELLS, CELLS, CELLS), max_size=12),
    st.sampled_from([1, 16, 40, 1 << 20]),
)
def test_edges_agree_with_a_slow_obvious_way_whatever_the_blocks(rows, size):
    header = ["unit", "D7_OPEN", "BTN_7", "FILL", "D8_OPEN"]
    text = "".join(",".join([str(t), *row]) + "\n" for t, row in enumerate(rows))
    profile = scans(columns='time = ["t"]\nchute = "unit"')
    found = told((",".join(["t", *header]) + "\n" + text).encode(), profile, size)
    assert edges(found) == list(slow_edges(header, rows))


def slow_edges(header, rows):
    """Cell by cell."""
    state = {}
    for line, (unit, *cells) in enumerate(rows, 2):
        for name, cell in zip(header[1:], cells, strict=True):
            value = cell.strip()
            if not value:
                continue
            before, now = state.get((unit, name)), value if name == "FILL" else value == "1"
            state[unit, name] = now
            if before is None or before == now:
                continue
            if name == "FILL":
                yield line, "level", "mark", None, value
            elif name == "BTN_7":
                if now:
                    yield line, "press", "mark", "7", None
            else:
                yield line, "open", "on" if now else "off", name[1], None
