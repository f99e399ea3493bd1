"""Whatever is in a file: every line accounted for, numbered right, the same for any block size.

`told` checks the account of each batch; here exports are damaged at random.
"""

import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loganalyzer.errors import InputError
from loganalyzer.profile import Profile
from tests.rows import Told, delimited, told
from tests.test_fixed import PLACES, fixed
from tests.test_samples import scans

ROWS = [
    "08:00:10;7;OPEN", '"08:00:20";"7";"SHUT"', "", " ", "1;2", 'x;"open', 'a";b;c', '1;"a\nb";2',
    "é;ü;€", "1;2;3;4", '"a"b;c;d', ";;", '1;"say ""x""";2', "1;2;3", '";";',
]  # fmt: skip
SCANS = ["1,0,0,5", "2,1,0,5", "3,,,", "", "4,1", '5,"1","0",6', '6,"0', "7,0,1,é", "8,1,1,7,8"]
LINES = [
    "08:00:10   7 OPEN",
    "08:00:20  8A SHUT  ",
    "",
    "x",
    "08:00:30",
    "08:00:40 Ü   ÖFFNEN",
    "\t",
]
CASES = {
    "delimited": (delimited(["t", "a", "b"]), "", ROWS),
    "with header": (delimited(), "t;a;b\n", ROWS),
    "one column": (delimited(["t"]), "", ROWS),
    "fixed": (fixed(*PLACES), "", LINES),
    "samples": (scans(), "t,D7_OPEN,BTN_7,FILL\n", SCANS),
}
SIZES = st.sampled_from([1, 2, 5, 13, 64])


def damaged(cases: list[str]) -> st.SearchStrategy[bytes]:
    """Lines of all kinds in any order, ended in any way, perhaps cut off or with a byte changed."""
    lines = st.lists(st.tuples(st.sampled_from(cases), st.sampled_from(["\n", "\r\n", "\r"])))
    return st.builds(
        lambda parts, codec, cut, at, byte: spoiled(
            "".join(a + b for a, b in parts).encode(codec), cut, at, byte
        ),
        lines, st.sampled_from(["utf-8", "cp1252"]), st.integers(0, 9), st.integers(0, 400),
        st.sampled_from([None, b'"', b";", b"\xff", b"\n"]),
    )  # fmt: skip


def spoiled(data: bytes, cut: int, at: int, byte: bytes | None) -> bytes:
    data = data[: len(data) - cut] if cut < 5 else data
    return data if byte is None else data[:at] + byte + data[at + 1 :]


@pytest.mark.parametrize("case", CASES)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_every_line_is_accounted_for_whatever_the_blocks(case, data):
    profile, header, lines = CASES[case]
    export = header.encode() + data.draw(damaged(lines))
    whole = told(export, profile)
    assert told(export, profile, data.draw(SIZES)) == whole
    assert_numbered(whole, export, profile)


def assert_numbered(found: Told, export: bytes, profile: Profile) -> None:
    """Lines are counted as Python counts them, and each reject shows the line of its number."""
    # Source: Python's universal line ends as the reference.
    physical = [slow_text(line) for line in io.BytesIO(unix_ends(export)).readlines()]
    assert found.lines == len(physical)
    for number, _, text in found.rejects:
        assert text == physical[number - 1]
    stamp = profile.columns.time[0]
    for record in found.records:
        first_words = (record[stamp] or "").split("\n")[0].replace('"', "").strip()
        assert first_words in physical[record["line"] - 1].replace('"', "")


def unix_ends(data: bytes) -> bytes:
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def slow_text(line: bytes) -> str:
    line = line.removesuffix(b"\n")
    try:
        return line.decode()
    except UnicodeDecodeError:
        return line.decode("cp1252", "replace")


@pytest.mark.parametrize("case", ["delimited", "with header", "one column"])
@settings(max_examples=60, deadline=None)
@given(text=st.text(st.sampled_from('ab;;""\n\n é'), max_size=40), size=SIZES)
def test_any_jumble_of_quotes_is_accounted_for_whatever_the_blocks(case, text, size):
    profile, header, _ = CASES[case]
    export = (header + text).encode()
    assert told(export, profile, size) == told(export, profile)


@pytest.mark.parametrize("case", CASES)
def test_an_export_of_binary_content_is_an_error(case):
    with pytest.raises(InputError, match="binary content"):
        told(bytes(range(256)) * 100, CASES[case][0])
