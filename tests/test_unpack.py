"""Files and folders → exports: packed ones too, and none that harms."""

import gzip
import io
import os
import random
import zipfile
from pathlib import Path

import pyarrow as pa
import pytest

from loganalyzer.errors import InputError
from loganalyzer.readers.unpack import Export, Limits, exports

TEXT = b"08:00:10;7;OPEN\n08:00:20;7;SHUT\n"


def write(path: Path, content: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def archive(*members: tuple[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as zipped:
        for name, content in members:
            zipped.writestr(name, content)
    return packed.getvalue()


def zstd(content: bytes) -> bytes:
    return pa.compress(content, codec="zstd", asbytes=True)


def content(export: Export) -> bytes:
    with export.open() as stream:
        return stream.read()


def found(path: Path, limits: Limits | None = None) -> dict[str, bytes | str]:
    """By name below the folder: the content, or what was wrong."""
    parts = {}
    for each in exports(path, limits):
        if isinstance(each, InputError):
            parts[Path(each.where).name] = each.found
        else:
            parts[Path(each.name).name] = content(each)
    return parts


def noise(size: int) -> bytes:
    """Text that hardly packs."""
    return random.Random(3).randbytes(size // 2).hex().encode()


@pytest.mark.parametrize(
    "pack", [bytes, gzip.compress, zstd, lambda text: gzip.compress(zstd(text))]
)
def test_a_packed_file_is_told_by_its_first_bytes_and_opens_again_and_again(pack, tmp_path):
    (export,) = exports(write(tmp_path / "log.dat", pack(TEXT)))
    assert [content(export), content(export)] == [TEXT, TEXT]
    assert export.problems == []


def test_members_of_an_archive_are_exports_of_their_own(tmp_path):
    packed = archive(("b.csv", TEXT), ("sub/a.csv.gz", gzip.compress(TEXT)), ("sub/", b""))
    path = write(tmp_path / "week1.zip", packed)
    (b, a) = exports(path)
    assert (b.name, a.name) == (f"{path.as_posix()}!b.csv", f"{path.as_posix()}!sub/a.csv.gz")
    assert content(a) == content(b) == TEXT


def test_two_members_of_one_archive_are_read_at_the_same_time(tmp_path):
    path = write(tmp_path / "two.zip", archive(("a", b"aaaa"), ("b", b"bbbb")))
    first, second = exports(path)
    with first.open() as one, second.open() as other:
        assert (one.read(2), other.read(2), one.read(), other.read()) == (
            b"aa",
            b"bb",
            b"aa",
            b"bb",
        )


def test_a_folder_is_walked_in_order_without_settings_hidden_files_and_stores(tmp_path):
    for name in ("b.csv", "a/z.csv", ".hidden", ".git/x", "site.toml"):
        write(tmp_path / name, TEXT)
    write(tmp_path / "store" / "loganalyzer-store.json", b"{}")
    write(tmp_path / "store" / "originals" / "x.zst", zstd(TEXT))
    names = [export.name for export in exports(tmp_path)]
    assert names == [(tmp_path / "b.csv").as_posix(), (tmp_path / "a" / "z.csv").as_posix()]


def test_an_empty_folder_is_said(tmp_path):
    (error,) = exports(tmp_path)
    assert error.found == "no file in the folder"


def test_a_workbook_is_an_export_although_it_is_an_archive(tmp_path):
    book = archive(("[Content_Types].xml", b"<Types/>"), ("xl/workbook.xml", b"<workbook/>"))
    write(tmp_path / "book", book)
    write(tmp_path / "more.zip", archive(("inner.xlsx", book)))
    assert found(tmp_path) == {"book": book, "more.zip!inner.xlsx": book}


def test_a_gzip_that_is_cut_off_ends_at_the_cut_and_says_so(tmp_path):
    text = noise(500_000)
    (export,) = exports(write(tmp_path / "cut.gz", gzip.compress(text)[:-200_000]))
    got = content(export)
    assert text.startswith(got)
    assert len(got) > 100_000
    (problem,) = export.problems
    assert "cut off or damaged" in str(problem)
    assert len(str(problem).splitlines()) == 1
    assert (content(export), len(export.problems)) == (got, 1)


def test_a_gzip_with_rubbish_behind_it_is_read_and_the_rubbish_said(tmp_path):
    (export,) = exports(write(tmp_path / "tail.gz", gzip.compress(TEXT) + b"rubbish"))
    assert content(export) == TEXT
    assert len(export.problems) == 1


def test_two_gzips_in_one_file_are_one_export(tmp_path):
    (export,) = exports(write(tmp_path / "two.gz", gzip.compress(TEXT) + gzip.compress(TEXT)))
    assert (content(export), export.problems) == (TEXT * 2, [])


def test_a_zstd_that_is_cut_off_ends_near_the_cut_and_says_so(tmp_path):
    text = noise(1_000_000)
    packed = zstd(text)
    (export,) = exports(write(tmp_path / "cut.zst", packed[: len(packed) // 2]))
    got = content(export)
    assert text.startswith(got)
    assert len(got) > 200_000
    assert len(export.problems) == 1


def test_a_gzip_of_which_nothing_can_be_read_is_an_error(tmp_path):
    assert "cut off or damaged" in found(write(tmp_path / "x.gz", gzip.compress(TEXT)[:8]))["x.gz"]


def test_an_archive_that_is_cut_off_is_an_error(tmp_path):
    assert (
        "cut off or damaged"
        in found(write(tmp_path / "x.zip", archive(("a", TEXT))[:-20]))["x.zip"]
    )


def test_a_damaged_member_says_so_and_the_others_land(tmp_path):
    bad = bytearray(archive(("a.csv", noise(2000)), ("b.csv", TEXT)))
    bad[200] ^= 0xFF
    a, b = exports(write(tmp_path / "x.zip", bytes(bad)))
    content(a)
    assert len(a.problems) == 1
    assert (content(b), b.problems) == (TEXT, [])


@pytest.mark.parametrize(
    "name", ["../up.csv", "/root.csv", "a/../../up.csv", "C:up.csv", "..\\up.csv"]
)
def test_a_name_that_leads_out_of_the_archive_is_refused_and_the_others_land(name, tmp_path):
    errors, good = [], []
    for each in exports(write(tmp_path / "x.zip", archive((name, TEXT), ("good.csv", TEXT)))):
        (errors if isinstance(each, InputError) else good).append(each)
    assert [error.found for error in errors] == ["a name that leads out of the archive"]
    assert [content(export) for export in good] == [TEXT]


def test_an_encrypted_member_is_refused_and_the_others_land(tmp_path):
    packed = bytearray(archive(("locked.csv", TEXT), ("open.csv", TEXT)))
    # Bit 0 of the flags in the first local header and in the first entry of the directory.
    # Source: APPNOTE.TXT (zip) sections 4.3.7, 4.3.12, 4.4.4.
    packed[6] |= 1
    packed[packed.index(b"PK\x01\x02") + 8] |= 1
    assert found(write(tmp_path / "x.zip", bytes(packed))) == {
        "x.zip!locked.csv": "an encrypted member", "x.zip!open.csv": TEXT
    }  # fmt: skip


def test_an_archive_in_an_archive_is_refused_and_the_others_land(tmp_path):
    packed = archive(("inner.zip", archive(("a", TEXT))), ("b.csv", TEXT))
    assert found(write(tmp_path / "x.zip", packed)) == {
        "x.zip!inner.zip": "an archive within an archive", "x.zip!b.csv": TEXT
    }  # fmt: skip


@pytest.mark.parametrize("pack", [gzip.compress, zstd])
def test_a_stream_that_expands_too_far_is_stopped_while_it_is_read(pack, tmp_path):
    path = write(tmp_path / "bomb", pack(bytes(3_000_000)))
    (export,) = exports(path, Limits(ratio=20, free_bytes=100_000))
    with export.open() as stream:
        assert len(stream.read(60_000)) == 60_000
        with pytest.raises(InputError, match="unpacks to"):
            stream.read()


def test_a_member_that_expands_too_far_is_refused_and_the_others_land(tmp_path):
    path = write(tmp_path / "x.zip", archive(("bomb.csv", bytes(20_000_000)), ("good.csv", TEXT)))
    parts = found(path)
    assert "unpacks to 20,000,000 bytes" in parts["x.zip!bomb.csv"]
    assert parts["x.zip!good.csv"] == TEXT


def test_members_that_expand_too_far_together_are_refused(tmp_path):
    """Entries of the directory may share their packed bytes, so each alone can look harmless."""
    path = write(tmp_path / "x.zip", archive(*((f"{i}.csv", noise(1000)) for i in range(9))))
    outcomes = list(exports(path, Limits(total_bytes=5500, free_bytes=100)))
    assert [isinstance(each, InputError) for each in outcomes] == [False] * 5 + [True] * 4


def test_a_member_never_brings_more_than_its_directory_says(tmp_path):
    packed = bytearray(archive(("liar.csv", noise(100_000))))
    entry = packed.index(b"PK\x01\x02")
    packed[entry + 24 : entry + 28] = (500).to_bytes(4, "little")  # 4.4.9: uncompressed size
    (export,) = exports(write(tmp_path / "x.zip", bytes(packed)))
    assert content(export) == noise(100_000)[:500]
    assert "wrong check sum" in str(export.problems)


@pytest.mark.parametrize(
    "empty",
    [b"", gzip.compress(b""), archive(("a.csv", b""))],
    ids=["plain", "gzip", "zip"],  # packing writes the time, which ids must not hold
)
def test_an_empty_file_is_an_error_packed_or_not(empty, tmp_path):
    (error,) = exports(write(tmp_path / "x", empty))
    assert error.found == "an empty file"


def test_an_archive_without_members_is_an_error(tmp_path):
    assert found(write(tmp_path / "x.zip", archive())) == {"x.zip": "an archive without exports"}


def test_a_file_that_is_not_there_is_an_error(tmp_path):
    assert "cannot be read" in found(tmp_path / "missing.csv")["missing.csv"]


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_file_that_cannot_be_opened_is_said_and_the_others_land(tmp_path):
    (tmp_path / "a-loop").symlink_to("a-loop")
    write(tmp_path / "b.csv", TEXT)
    parts = found(tmp_path)
    assert "cannot be read" in parts["a-loop"]
    assert parts["b.csv"] == TEXT


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names there")
def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    assert "cannot be read" in found(tmp_path / "pipe")["pipe"]
