"""Layout `json`: what the fast way finds is what `json.loads` finds, line by line."""

import io
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.errors import ProfileError
from loganalyzer.profile import Profile, parse_profile
from loganalyzer.readers import json_kinds, json_lines, kinds

COLUMNS = {"stamp": "ts", "door": "door.label", "text": "event"}


def profile(columns: dict[str, str], skip_lines: int = 0) -> Profile:
    listed = ", ".join(f"{column} = '{path}'" for column, path in columns.items())
    return parse_profile(
        f"""
        name = "objects"
        layout = "json"
        skip_lines = {skip_lines}
        [json]
        columns = {{ {listed} }}
        [columns]
        time = "stamp"
        [time]
        format = "iso"
        """,
        "objects.toml",
    )


def read(text: str, columns: dict[str, str], size: int = 1 << 20, skip: int = 0) -> dict:
    """All batches of an export as plain lists, after checking that every line is accounted for."""
    rows: dict = {"records": [], "rejects": [], "ignored": 0}
    stream = io.BytesIO(text.encode())
    for batch in json_lines.read(stream, profile(columns, skip), "x.jsonl", size=size):
        assert batch.lines == batch.records.num_rows + batch.rejects.num_rows + batch.ignored
        rows["records"] += batch.records.to_pylist()
        rows["rejects"] += batch.rejects.to_pylist()
        rows["ignored"] += batch.ignored
    return rows


def one(line: str, **columns: str) -> dict:
    (row,) = read(line + "\n", {"stamp": "ts"} | columns)["records"]
    return {name: row[name] for name in columns}


def naive(text: str, columns: dict[str, str]) -> dict:
    """The same by one `json.loads` a line."""
    rows: dict = {"records": [], "rejects": [], "ignored": 0}
    for number, line in enumerate(text.split("\n")[:-1], 1):
        if not line.strip(" \t"):
            rows["ignored"] += 1
            continue
        try:
            found = json.loads(line, parse_int=str, parse_float=str, parse_constant=int)
        except ValueError:
            rows["rejects"].append({"line": number, "reason": "not JSON", "text": line})
            continue
        if isinstance(found, dict):
            values = {name: follow(found, path.split(".")) for name, path in columns.items()}
            rows["records"].append({"line": number, **values})
        else:
            reason = "not JSON: no object"
            rows["rejects"].append({"line": number, "reason": reason, "text": line})
    return rows


def follow(found: object, keys: list[str]) -> str | None:
    """A path's value, keys with the most dots last but the whole path first."""
    if not isinstance(found, dict):
        return None
    whole = ".".join(keys)
    if whole in found:
        value = found[whole]
        return {True: "true", False: "false"}[value] if isinstance(value, bool) else (
            value if isinstance(value, str) else None
        )  # fmt: skip
    steps = [(found.get(".".join(keys[:cut])), keys[cut:]) for cut in range(1, len(keys))]
    values = [follow(inner, rest) for inner, rest in steps]
    return next((value for value in values if value is not None), None)


SCALARS = st.sampled_from(
    ["7", "12", "-0", "007", "-01", "1.50", "1e5", "0", "0.5", "00", "true", "false", "null", "NaN",
     '""', '"7"', '"12"', '"DOOR 7 OPEN"', '"é9"', '"a\\"b"', '"\\u0041"', '"\\ud800"', '"x:y"',
     "[1, 02]", "[3]", "x"]
)  # fmt: skip
KEYS = st.sampled_from(
    ['"ts"', '"event"', '"door"', '"in1"', '"in2"', '"a.b"', '"label"', '"door.label"']
)
OBJECTS = st.recursive(
    SCALARS,
    lambda inner: st.lists(st.tuples(KEYS, inner), max_size=4).map(
        lambda pairs: "{" + ", ".join(f"{key}: {value}" for key, value in pairs) + "}"
    ),
    max_leaves=8,
)
DAMAGED = st.builds(lambda line, cut: line[:cut], OBJECTS, st.integers(0, 30))
TEXTS = st.lists(OBJECTS | DAMAGED, max_size=10).map(
    lambda found: "".join(f"{line}\n" for line in found)
)
WANTED = st.sampled_from(
    [COLUMNS, COLUMNS | {"x": "in1", "y": "door.in2"}, {"stamp": "ts", "x": "door.a.b"}]
)


@pytest.mark.parametrize("few", [kinds.FEW, -1], ids=["by kinds", "line by line"])
@given(text=TEXTS, columns=WANTED, size=st.integers(1, 300))
@settings(max_examples=200, deadline=None)
def test_any_line_reads_as_json_reads_it(few, text, columns, size):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kinds, "FEW", few)
        patch.setattr(kinds, "SHARE", -1)
        found = read(text, columns, size)
    expected = naive(text, columns)
    for row in expected["records"]:  # half a surrogate pair is no character
        row.update((name, "?") for name, value in row.items() if value == "\ud800")
    assert found == expected


UNIFORM = st.builds(
    '{{"ts": "{}", "door": {{"label": {}, "open": {}}}, "event": "{}", "n": {}}}'.format,
    st.text("0123:é", max_size=4), st.integers(-3, 10**20), st.sampled_from(["true", "null"]),
    st.text("abc d", max_size=5), st.sampled_from([1, 2.5, '"x"', "null"]),
)  # fmt: skip
ODD = st.sampled_from(
    ['{"ts": "1", "ts": "2"}', '{"ts": NaN}', '{"door": {}}', '{"door.label": "5"}', '{"ts": "1"',
     "{}", '{"ts": "1"} {"ts": "2"}', '{"ts": -0}', '{"ts": "\\u0041"}',
     '{"ts": {"x": 1}}', '{"ts": 1.0}'],
)  # fmt: skip


@given(st.lists(UNIFORM, min_size=1, max_size=6), st.lists(ODD, max_size=1), st.booleans())
@settings(max_examples=100, deadline=None)
def test_lines_of_one_shape_read_as_json_reads_them(lines, odd, first):
    """These go to Arrow's parser; an odd one among them must not be read otherwise by it."""
    text = "".join(f"{line}\n" for line in (odd + lines if first else lines + odd))
    columns = COLUMNS | {"open": "door.open", "n": "n"}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kinds, "FEW", -1)
        patch.setattr(kinds, "SHARE", -1)
        assert read(text, columns) == naive(text, columns)


def test_lines_of_one_shape_do_not_need_pythons_parser_each(monkeypatch):
    monkeypatch.setattr(kinds, "FEW", -1)
    monkeypatch.setattr(kinds, "SHARE", -1)
    monkeypatch.setattr(json_kinds.JsonKinds, "_alone", None)
    text = "".join(f'{{"ts": {n}, "door": {{"label": "{n}"}}, "on": true}}\n' for n in range(99))
    rows = read(text, {"stamp": "ts", "door": "door.label", "on": "on"})["records"]
    assert rows[98] == {"line": 99, "stamp": "98", "door": "98", "on": "true"}


def test_numbers_and_booleans_become_the_text_they_are_written_with():
    line = '{"a": 7, "b": 12345678901234567890123, "c": 7.50, "d": true, "e": false, "f": null}'
    assert one(line, a="a", b="b", c="c", d="d", e="e", f="f") == {
        "a": "7", "b": "12345678901234567890123", "c": "7.50", "d": "true", "e": "false", "f": None,
    }  # fmt: skip


def test_a_dotted_path_goes_into_objects_and_what_is_missing_is_null():
    assert one('{"door": {"label": 7}}', door="door.label", none="door.x", deep="door.label.x") == {
        "door": "7", "none": None, "deep": None,
    }  # fmt: skip


def test_a_key_with_a_dot_in_it_is_found_and_goes_first():
    assert one('{"door": {"label": 7}, "door.label": 8}', door="door.label") == {"door": "8"}


def test_of_equal_keys_the_last_one_counts():
    # Source: RFC 8259 section 4 (many implementations report the last pair only).
    line = '{"door": {"label": 7}, "event": "A", "event": "B", "door": {"x": 1}}'
    assert one(line, text="event", door="door.label") == {"text": "B", "door": None}


def test_an_object_or_list_is_no_value():
    assert one('{"a": {"b": 1}, "c": [1]}', a="a", c="c") == {"a": None, "c": None}


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("what is this", "not JSON"),
        ('{"ts": "2026-01-02T10:', "not JSON"),
        ('{"ts": 1} {"ts": 2}', "not JSON"),
        ('{"ts": NaN}', "not JSON"),
        ('{"ts": 007}', "not JSON"),
        ("[" * 100_000, "not JSON"),
        ("[1]", "not JSON: no object"),
        ("null", "not JSON: no object"),
        ("12", "not JSON: no object"),
    ],
    ids=["text", "cut off", "two", "nan", "zeros", "deep", "list", "null", "number"],
)
def test_a_line_that_is_no_object_is_a_reject_and_the_rest_goes_on(line, reason):
    rows = read(f'{{"ts": 117}}\n{line}\n{{"ts": 3}}\n', {"stamp": "ts"})
    assert [row["stamp"] for row in rows["records"]] == ["117", "3"]
    assert rows["rejects"] == [{"line": 2, "reason": reason, "text": line[:500]}]


def test_a_line_of_very_many_numbers_is_read_beside_others():
    long = f'{{"ts": 10, "all": [{", ".join(map(str, range(50_000)))}]}}'
    text = "".join(f'{{"ts": {n}}}\n' for n in range(2000)) + long + "\n"
    assert read(text, {"stamp": "ts"})["records"][-1] == {"line": 2001, "stamp": "10"}


def test_preamble_and_blank_lines_are_ignored():
    rows = read('made by unit 4\n\n{"ts": 1}\n', {"stamp": "ts"}, skip=1)
    assert rows == {"records": [{"line": 3, "stamp": "1"}], "rejects": [], "ignored": 2}


def test_a_profile_without_its_table_is_told():
    broken = profile(COLUMNS).model_copy(update={"json_": None})
    with pytest.raises(ProfileError, match=r"objects.toml: found no table json"):
        list(json_lines.read(io.BytesIO(b"{}\n"), broken, "x.jsonl"))
