"""Bytes → blocks of whole lines: every physical line once, whatever the encoding and the blocks."""

import io

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from loganalyzer.errors import InputError, ProfileError
from loganalyzer.readers.blocks import Block, blocks, kept_lines
from loganalyzer.readers.encoding import mended


def read(data: bytes, encoding: str | None = None, **options: int) -> list[Block]:
    return list(blocks(io.BytesIO(data), encoding, "log.txt", **options))


def lines(found: list[Block]) -> list[tuple[int, str]]:
    return [
        pair
        for block in found
        for pair in zip(block.numbers.tolist(), block.strings().to_pylist(), strict=True)
    ]


def texts(data: bytes, encoding: str | None = None, **options: int) -> list[str]:
    return [text for _, text in lines(read(data, encoding, **options))]


def rejects(found: list[Block]) -> list[tuple[int, str, str]]:
    return [tuple(row.values()) for block in found for row in block.rejects.to_pylist()]


@pytest.mark.parametrize("size", [1, 2, 3, 5, 100])
def test_cr_lf_and_crlf_all_end_a_line_and_the_last_needs_no_end(size):
    found = read(b"a\r\nb\rc\n\r\n\r\rd", size=size)
    assert lines(found) == [(1, "a"), (2, "b"), (3, "c"), (4, ""), (5, ""), (6, ""), (7, "d")]


@pytest.mark.parametrize(
    ("mark", "codec"),
    [
        ("\ufeff", "utf-8"),
        ("\ufeff", "utf-16-le"),
        ("\ufeff", "utf-16-be"),
        ("\ufeff", "utf-32-le"),
    ],
)
def test_a_byte_order_mark_tells_the_encoding_even_against_the_profile(mark, codec):
    data = (mark + "Tür 7;Öffnen\r\n€ 𝄞\n").encode(codec)
    assert texts(data, "cp1252", size=3) == ["Tür 7;Öffnen", "€ 𝄞"]


def test_the_encoding_of_the_profile_is_used_where_no_mark_tells():
    assert texts("a\nü€".encode("utf-16-le"), "utf-16-le", size=1) == ["a", "ü€"]
    assert texts("Łódź".encode("cp1250"), "cp1250") == ["Łódź"]


def test_an_unknown_encoding_is_an_error():
    with pytest.raises(ProfileError, match="martian"):
        read(b"a", "martian")


@pytest.mark.parametrize("size", [1, 4, 100])
def test_a_line_that_is_not_utf_8_is_read_as_windows_1252_by_itself(size):
    data = "Tür\n".encode() + "Tür 5 · 5 €\n".encode("cp1252") + "Größe €\n".encode()
    assert texts(data, size=size) == ["Tür", "Tür 5 · 5 €", "Größe €"]


@settings(max_examples=150, deadline=None)
@given(st.lists(st.binary(max_size=8).map(lambda line: line.replace(b"\n", b""))))
@example([code.encode("utf-8", "surrogatepass") for code in ("\ud800", "\U0010ffff", "\x80")])
@example([b"\xf4\x90\x80\x80", b"\xc0\xaf", b"\xe0\x80\xaf", b"\xf0\x80\x80\xaf", b"\xed\xa0\x80"])
def test_each_line_is_mended_as_python_would_line_by_line(parts):
    assert mended(b"".join(line + b"\n" for line in parts)) == b"".join(map(slowly_mended, parts))


def slowly_mended(line: bytes) -> bytes:
    # Source: Python's own decoders as the reference.
    try:
        line.decode()
    except UnicodeDecodeError:
        return line.decode("cp1252", "replace").encode() + b"\n"
    return line + b"\n"


@pytest.mark.parametrize("size", [1, 7, 64, 10_000])
def test_a_line_over_the_limit_is_one_reject_and_the_next_line_is_read(size):
    data = b"first\n" + b"x" * 5000 + b"\nlast\n"
    found = read(data, size=size, line_limit=100)
    assert lines(found) == [(1, "first"), (3, "last")]
    assert rejects(found) == [(2, "line too long", "x" * 500)]
    assert sum(block.lines for block in found) == 3


@pytest.mark.parametrize("size", [1, 64, 10_000])
def test_a_line_at_the_limit_is_read(size):
    assert texts(b"x" * 100, size=size, line_limit=100) == ["x" * 100]


def test_a_huge_line_is_never_held():
    """The stream says what was asked of it: one block at a time, however long the line."""

    class Endless(io.RawIOBase):
        left = 300

        def readinto(self, buffer):
            self.left -= 1
            buffer[:] = b"x" * len(buffer)
            return len(buffer) if self.left > 0 else 0

        def readable(self):
            return True

    (block,) = blocks(Endless(), None, "log.txt", size=1 << 18, line_limit=1000)
    assert (block.lines, block.data, block.rejects["reason"].to_pylist()) == (
        1, b"", ["line too long"]
    )  # fmt: skip


def test_the_head_of_a_long_line_is_not_cut_within_a_character():
    (reject,) = rejects(read("ü".encode() * 3000, line_limit=100))
    assert reject == (1, "line too long", "ü" * 500)


@pytest.mark.parametrize("size", [1, 9, 10_000])
def test_a_line_with_nul_bytes_is_a_reject_and_the_others_are_read(size):
    data = b"a line like others\n" * 99 + b"\0\0\0rest\n" + b"last"
    found = read(data, size=size)
    assert rejects(found) == [(100, "not text", "\0\0\0rest")]
    assert lines(found)[-1] == (101, "last")


@pytest.mark.parametrize("data", [bytes(range(256)) * 400, "text without mark".encode("utf-16-le")])
def test_binary_content_is_an_error_of_one_line(data):
    with pytest.raises(InputError) as caught:
        read(data)
    assert len(str(caught.value).splitlines()) == 1


def test_an_empty_stream_has_no_block():
    assert read(b"") == []


@pytest.mark.parametrize("size", [1, 3, 100])
def test_preamble_and_blank_lines_are_ignored_and_the_numbers_stay(size):
    data = b"Controller 4\n\nhead\n \t \n\nrow\n\n\nrow 2\n"
    found = list(kept_lines(blocks(io.BytesIO(data), None, "x", size=size), 2))
    assert lines(found) == [(3, "head"), (6, "row"), (9, "row 2")]
    assert (sum(b.lines for b in found), sum(b.ignored for b in found)) == (9, 6)


def test_lines_begin_and_end_where_the_offsets_say():
    (block,) = read("a;ü\n\nccc\n".encode())
    cut = [block.data[a:b].decode() for a, b in zip(block.starts, block.ends, strict=True)]
    assert cut == block.strings().to_pylist() == ["a;ü", "", "ccc"]


def test_the_raw_line_of_a_number_is_found_after_lines_were_dropped():
    block = read(b"one\n\nthree\nfour\n")[0].ignoring(np.array([True, False, True, True]))
    assert block.raw(pa.array([4, 1, 3])).to_pylist() == ["four", "one", "three"]


def test_a_raw_line_is_cut_to_500_characters():
    (block,) = read("é".encode() * 3000)
    assert block.raw(pa.array([1])).to_pylist() == ["é" * 500]


@settings(max_examples=150, deadline=None)
@given(
    st.text(st.sampled_from("ab é\t\r\n\n"), max_size=60),
    st.sampled_from(["utf-8", "cp1252", "utf-16"]),
    st.integers(1, 20), st.integers(0, 4),
)  # fmt: skip
def test_no_result_depends_on_the_size_of_the_blocks(text, codec, size, skip):
    data = text.encode(codec)

    def told(size: int) -> tuple:
        found = list(kept_lines(blocks(io.BytesIO(data), None, "x", size=size, line_limit=9), skip))
        for block in found:
            assert block.lines == len(block) + block.rejects.num_rows + block.ignored
        return (
            lines(found), sorted(rejects(found)),
            sum(block.lines for block in found), sum(block.ignored for block in found),
        )  # fmt: skip

    assert told(size) == told(1 << 20)
    # Source: Python's universal line ends, which count the same lines.
    assert told(size)[2] == len(io.StringIO(text, newline=None).readlines())
