"""Fixed places in a line: counted in characters, cut short or not."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.profile import Profile, parse_profile
from tests.rows import told


def fixed(*columns: tuple[str, int, int], more: str = "") -> Profile:
    placed = ", ".join(f'{{ name = "{n}", start = {s}, width = {w} }}' for n, s, w in columns)
    return parse_profile(
        f'name = "fixed"\nlayout = "fixed"\n{more}\n[fixed]\ncolumns = [{placed}]\n'
        f'[columns]\ntime = ["stamp"]\nfloor = "door"\nevent = "text"\n[time]\nformat = "iso"\n',
        "fixed.toml",
    )


PLACES = (("stamp", 0, 8), ("door", 9, 3), ("text", 13, 20))


def test_fields_are_cut_at_their_places_and_trimmed():
    found = told(b"08:00:10   7 DOOR OPEN\n08:00:20 12A SHUT   \n", fixed(*PLACES))
    assert found.records == [
        {"line": 1, "text": "DOOR OPEN", "door": "7", "stamp": "08:00:10"},
        {"line": 2, "text": "SHUT", "door": "12A", "stamp": "08:00:20"},
    ]


def test_characters_are_counted_and_not_bytes():
    found = told("08:00:10 Ü1  Tür öffnet\n08:00:20   7 SHUT\n".encode(), fixed(*PLACES))
    assert found.column("door") == ["Ü1", "7"]
    assert found.column("text") == ["Tür öffnet", "SHUT"]


@pytest.mark.parametrize("word", ["OPEN", "ÖFFNEN"])
def test_a_field_beyond_the_end_of_the_line_is_null(word):
    found = told(f"08:00:10   7 {word}\n08:00:20   7\n08:00:30\n".encode(), fixed(*PLACES))
    assert found.column("text") == [word, None, None]
    assert found.column("door") == ["7", "7", None]


def test_a_line_that_ends_before_the_time_is_a_reject():
    places = (("text", 0, 4), ("door", 5, 3), ("stamp", 9, 8))
    found = told(b"OPEN   7 08:00:10\nOPEN   7\n\n", fixed(*places))
    assert found.column("line") == [1]
    reason = "line too short: found 8 characters, expected at least 10"
    assert found.rejects == [(2, reason, "OPEN   7")]
    assert (found.lines, found.ignored) == (3, 1)


def test_columns_may_overlap_and_stand_in_any_order():
    found = told(b"08:00:10   7 OPEN\n", fixed(("text", 9, 8), ("door", 9, 3), ("stamp", 0, 8)))
    assert found.records == [{"line": 1, "text": "7 OPEN", "door": "7", "stamp": "08:00:10"}]


def test_preamble_is_ignored():
    found = told(
        b"Report of doors\n----\n08:00:10   7 OPEN\n", fixed(*PLACES, more="skip_lines = 2")
    )
    assert (found.column("line"), found.ignored) == ([3], 2)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.text(st.sampled_from("ab 1é€"), max_size=30), max_size=8),
    st.integers(0, 6), st.integers(1, 9), st.sampled_from([1, 40, 1 << 20]),
)  # fmt: skip
def test_fields_are_what_slices_of_the_line_are(lines, start, width, size):
    profile = fixed(("stamp", start, width), ("door", 3, 4), ("text", 20, 5))
    found = told("".join(line + "\n" for line in lines).encode(), profile, size)
    # Source: Python's slices as the reference.
    long = [line for line in lines if line.strip() and len(line) > start]
    assert found.column("stamp") == [line[start : start + width].strip() or None for line in long]
    assert found.column("door") == [line[3:7].strip() or None for line in long]
    assert found.column("text") == [line[20:25].strip() or None for line in long]
