"""Layout `lines`: what the fast way finds is what `re.search` finds, line by line."""

import io
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.errors import ProfileError
from loganalyzer.profile import Profile, parse_profile
from loganalyzer.readers import classes, kinds, lines, templates

ORDINARY = r"^(?P<stamp>\S+ \S+)\s+D(?P<door>\w+)\s+(?P<text>.*)$"
PATTERNS = [
    ORDINARY,
    r"(?P<stamp>\d\d:[0-5]\d) (?P<text>[^\d]+)(?P<value>\d+)?",
    r"(?P<door>[3-9]|1[0-2]) ?(?P<text>é*|D.?)",
    r"(?P<door>\w)(?P<text>.*?)(?P=door)",
    r"(?i)(?P<text>d\d+)(?!0)\b",
    r"^(?P<stamp>\d+) (?P<door>\S+)$",
    r"(?P<text>[ -~]*)7$",
]


def profile(pattern: str, ignore: tuple[str, ...] = (), skip_lines: int = 0) -> Profile:
    return parse_profile(
        f"""
        name = "door-text"
        layout = "lines"
        skip_lines = {skip_lines}
        [lines]
        pattern = '{pattern}'
        ignore = [{", ".join(f"'{text}'" for text in ignore)}]
        [columns]
        time = "{next(iter(re.compile(pattern).groupindex))}"
        [time]
        format = "iso"
        """,
        "door-text.toml",
    )


def read(data: bytes, rule: Profile, size: int = 1 << 20) -> dict[str, list]:
    """All batches of an export as plain lists, after checking that every line is accounted for."""
    rows: dict[str, list] = {"records": [], "rejects": [], "ignored": [0], "raw": []}
    for batch in lines.read(io.BytesIO(data), rule, "x.log", size=size):
        assert batch.lines == batch.records.num_rows + batch.rejects.num_rows + batch.ignored
        rows["records"] += batch.records.to_pylist()
        rows["rejects"] += batch.rejects.to_pylist()
        rows["ignored"][0] += batch.ignored
        rows["raw"] += batch.raw(batch.records["line"].combine_chunks()).to_pylist()
    return rows


def naive(text: str, rule: Profile) -> dict[str, list]:
    """The same by one `re.search` a line."""
    rows: dict[str, list] = {"records": [], "rejects": [], "ignored": [0], "raw": []}
    for number, line in enumerate(text.split("\n")[: text.count("\n")], 1):
        furniture = any(re.search(pattern, line) for pattern in rule.lines.ignore)
        if not line.strip() or furniture or number <= rule.skip_lines:
            rows["ignored"][0] += 1
        elif found := re.search(rule.lines.pattern, line):
            rows["records"].append({"line": number, **found.groupdict()})
            rows["raw"].append(line[:500])
        else:
            rows["rejects"].append({"line": number, "reason": "no match", "text": line[:500]})
    return rows


WORDS = st.sampled_from(
    ["2026-01-0", "10:31", "09:5", "D7", "D12", "OPEN", "é", "DOOR", " ", "  ", "0", "7", "12", "٣",
     "page 3", "====", "\t", "E1 SET", "d07", "\x1f", "\x0b"]
)  # fmt: skip
ORDINARY_LINES = st.builds(
    "2026-0{}-1{} 10:3{}:00  D{} {}".format,
    *[st.integers(1, 9)] * 3, st.integers(1, 12), st.sampled_from(["OPEN", "SHUT", "E12 SET"]),
)  # fmt: skip
TEXTS = st.lists(st.lists(WORDS, max_size=6).map("".join) | ORDINARY_LINES, max_size=12).map(
    lambda found: "".join(f"{line}\n" for line in found)
)


PLAIN = "-" * 900 + "\n"  # with this before them a few control characters are no binary content


@pytest.mark.parametrize("share", [kinds.FEW, -1], ids=["by kinds", "line by line"])
@given(text=TEXTS, pattern=st.sampled_from(PATTERNS), skip=st.integers(0, 2))
@settings(max_examples=100, deadline=None)
def test_any_line_reads_as_re_search_reads_it(share, text, pattern, skip):
    rule = profile(pattern, ("^=+$", r"^page \d+"), skip)
    text = PLAIN + text
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kinds, "FEW", share)
        patch.setattr(kinds, "SHARE", -1)
        assert read(text.encode(), rule) == naive(text, rule)


@given(text=TEXTS, size=st.integers(1, 90))
@settings(max_examples=60, deadline=None)
def test_the_size_of_blocks_does_not_matter(text, size):
    rule = profile(ORDINARY, ("^=+$",))
    text = PLAIN + text
    assert read(text.encode(), rule, size) == read(text.encode(), rule)


def test_columns_of_ordinary_lines():
    data = b"2026-01-02 10:31:00  D07 DOOR OPEN\n2026-01-02 10:31:09  D07 DOOR CLOSED\n"
    assert read(data, profile(ORDINARY))["records"] == [
        {"line": 1, "stamp": "2026-01-02 10:31:00", "door": "07", "text": "DOOR OPEN"},
        {"line": 2, "stamp": "2026-01-02 10:31:09", "door": "07", "text": "DOOR CLOSED"},
    ]


def test_preamble_blank_lines_and_page_furniture_are_ignored_not_rejected():
    data = b"unit 4\n\npage 1\n2026-01-02 10:31:00 D7 OPEN\n=====\nwhat is this\n"
    rows = read(data, profile(ORDINARY, ("^=+$", r"^page \d+"), skip_lines=1))
    assert rows["ignored"] == [4]
    assert rows["rejects"] == [{"line": 6, "reason": "no match", "text": "what is this"}]
    assert [row["line"] for row in rows["records"]] == [4]


def test_furniture_is_ignored_even_where_the_pattern_fits_it():
    rows = read(b"page 3\nDOOR\n", profile("(?P<text>.*)", (r"^page \d+",)))
    assert [row["text"] for row in rows["records"]] == ["DOOR"]


def test_a_group_that_takes_no_part_is_null():
    rows = read(b"OPEN 4\nOPEN\n", profile(r"^(?P<text>\w+)(?: (?P<value>\d))?"))
    assert [row["value"] for row in rows["records"]] == ["4", None]


def test_an_over_long_line_is_a_reject_and_the_rest_goes_on():
    data = b"x" * 1_200_000 + b"\n2026-01-02 10:31:00 D7 OPEN\n"
    rows = read(data, profile(ORDINARY))
    assert [row["reason"] for row in rows["rejects"]] == ["line too long"]
    assert [row["line"] for row in rows["records"]] == [2]


def test_an_empty_export_has_no_records():
    assert read(b"", profile(ORDINARY)) == naive("", profile(ORDINARY))


def test_a_profile_without_its_table_is_told():
    broken = profile(ORDINARY).model_copy(update={"lines": None})
    with pytest.raises(ProfileError, match=r"door-text.toml: found no table lines"):
        list(lines.read(io.BytesIO(b"x\n"), broken, "x.log"))


ATOMS = st.sampled_from(
    ["a", "D", "7", r"\d", r"\D", r"\w", r"\W", r"\s", r"\S", ".", "[0-5]", "[^0-5]", "[a-f]",
     r"[\d:]", r"[^\w-]", "é", r"\b", r"\B", "(?:ab|1)", "(?=1)", "(?!D)", "(?<=a)", "(?>a+)", "-"]
)  # fmt: skip
TIMES = st.sampled_from(["", "", "*", "+", "?", "+?", "{2}", "*+"])
RANDOM_PATTERNS = st.lists(
    st.builds(lambda atom, times: f"({atom})" + times, ATOMS, TIMES), min_size=1, max_size=5
).map("".join)


@given(RANDOM_PATTERNS, st.text("aDfx0159-: é\t", max_size=12), st.sampled_from([0, re.I, re.A]))
@settings(max_examples=250, deadline=None)
def test_characters_made_equal_do_not_move_a_match(text_pattern, line, flags):
    pattern = re.compile(text_pattern, flags)
    before = pattern.search(line)
    for table in classes.tables((pattern,)):
        after = pattern.search(line.encode().translate(table.tobytes()).decode())
        assert (before and before.regs) == (after and after.regs)


def test_what_a_pattern_sees_decides_what_is_made_equal():
    digits, every = classes.tables((re.compile(r"[0-5]\d D(\w+)"),))
    assert "".join(map(chr, digits[[*b"0123456789"]])) == "0000006666"
    assert every[ord("x")] == every[ord("y")] != every[ord("D")]
    assert every[10] == 10


@pytest.mark.parametrize("pattern", [r"(\d)\1", r"(?P<a>\w)(?P=a)", "(a)?(?(1)b|c)", "(?i:a)"])
def test_a_pattern_that_compares_texts_makes_nothing_equal(pattern):
    assert classes.tables((re.compile(pattern),)) == ()


def test_free_text_with_ever_new_words_still_falls_into_kinds(monkeypatch):
    """The second table makes letters equal: without it each line would be matched alone."""
    monkeypatch.setattr(kinds, "FEW", 3)
    monkeypatch.setattr(templates.Matcher, "_plain", None)
    words = [f"{n * 7919:04x}" for n in range(10, 90)]
    data = "".join(f"2026-01-02 10:31:00 D7 ID {word}\n" for word in words)
    rows = read(data.encode(), profile(ORDINARY))["records"]
    assert [row["text"] for row in rows] == [f"ID {word}" for word in words]
