"""Known hostile inputs, as files that somebody hands over, through the command line.

Each names where it is known from. What is asked of all: one clear line or a rejected line, the
good beside it lands, nothing is written outside the store, no terminal or spreadsheet is driven.
"""

import gzip
import io
import json
import re
import stat
import zipfile
from pathlib import Path

import pytest

from loganalyzer import patterns
from loganalyzer.cli import main
from loganalyzer.terminal import harmless
from tests.fuzz.targets import RELS, SHEET, WORKBOOK

SITE = """
[site]
id = "elm"
name = "Elm"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
"""
HEADER = "date;time;door;material;event;reason;value\n"
GOOD = "05.10.2026;08:00:10;7;;DOOR OPEN;;\n05.10.2026;08:00:20;7;;DOOR SHUT;;\n"
EXPORT = (HEADER + GOOD).encode()


class Desk:
    """A folder of its own with a site file, in a folder that is watched for strays."""

    def __init__(self, folder: Path, capsys) -> None:
        self.around, self.folder, self.capsys = folder, folder / "desk", capsys
        self.folder.mkdir()
        (self.folder / "site.toml").write_text(SITE, encoding="utf-8")

    def file(self, name: str, content: bytes) -> Path:
        (self.folder / name).write_bytes(content)
        return self.folder / name

    def run(self, *words: object) -> tuple[int, str, str]:
        status = main([str(word) for word in words])
        out, err = self.capsys.readouterr()
        assert "Traceback" not in out + err
        assert "mistake in the program" not in err
        return status, out, err

    def take(self, path: Path, *more: str) -> tuple[int, list[dict], str]:
        site, store = self.folder / "site.toml", self.folder / "store"
        status, out, err = self.run(
            "import", path, "--store", store, "--site", site, "--json", *more
        )
        exports = json.loads(out)["exports"] if out else []
        for row in exports:
            if row.get("lines") is not None:
                told = row["events"] + row["duplicates"] + row["ignored"] + row["rejected"]
                assert row["lines"] == told
        assert {path.name for path in self.around.iterdir()} == {"desk"}
        return status, exports, err

    def table(self, name: str, ending: str) -> str:
        out = self.folder / f"{name}.{ending}"
        status, _, err = self.run("export", name, "--store", self.folder / "store", "--out", out)
        assert status == 0, err
        return out.read_text(encoding="utf-8")


@pytest.fixture
def desk(tmp_path, capsys):
    return Desk(tmp_path, capsys)


def archive(members: dict[str, bytes], mode: int = 0o600 | stat.S_IFREG) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file:
        for name, content in members.items():
            info = zipfile.ZipInfo(name)
            info.external_attr, info.compress_type = mode << 16, zipfile.ZIP_DEFLATED
            file.writestr(info, content)
    return packed.getvalue()


# Source: "Zip Slip", public disclosure of 2018; CWE-22.
@pytest.mark.parametrize(
    "name",
    ["../out.csv", "a/../../out.csv", "/tmp/out.csv", "..\\out.csv", "C:\\out.csv", "//h/out.csv"],
)
def test_zip_slip(desk, name):
    packed = archive({name: EXPORT, "good.csv": EXPORT})
    status, exports, err = desk.take(desk.file("slip.zip", packed))
    assert status == 3
    assert "leads out of the archive" in err
    assert [row["events"] for row in exports if row["name"].endswith("good.csv")] == [2]


def test_a_link_in_an_archive_is_read_as_text_and_never_followed(desk):
    # Source: CWE-61, links in archives.
    packed = archive({"link.csv": b"/etc/passwd"}, 0o777 | stat.S_IFLNK)
    status, _, err = desk.take(desk.file("link.zip", packed))
    assert status == 3
    assert "root:" not in err


def test_zip_bombs(desk):
    # Sources: a plain one; one within another, as 42.zip; D. Fifield, "A better zip bomb", USENIX
    # WOOT 2019, whose members share their bytes: here many members that are each small enough.
    bomb = archive({"bomb.csv": bytes(300_000_000)})
    nested = archive({"inner.zip": bomb, "good.csv": EXPORT})
    for name, packed in {"plain.zip": bomb, "nested.zip": nested}.items():
        status, _, err = desk.take(desk.file(name, packed))
        assert status == 3
        assert "bomb.csv" in err or "archive within an archive" in err
    shared = archive({f"{n}.csv": bytes(9_000_000) for n in range(12)})
    status, _, err = desk.take(desk.file("shared.zip", shared))
    assert status == 3
    assert "unpacks to" in err


def test_an_archive_of_very_many_files(desk):
    # Source: common practice, no source: each file costs, however small it is.
    packed = archive({f"{number}.csv": b"" for number in range(1500)})
    status, _, err = desk.take(desk.file("many.zip", packed))
    assert (status, len(err.splitlines())) == (3, 1)
    assert "1,500 files" in err


def test_gzip_bomb(desk):
    # Source: CWE-409, highly compressed data.
    status, _, err = desk.take(desk.file("bomb.csv.gz", gzip.compress(bytes(50_000_000), 9)))
    assert status == 3
    assert re.search(r"unpacks to|binary content", err)


def test_entities_of_entities_in_a_workbook(desk):
    # Source: "Billion laughs", CWE-776; and a reference to a file, CWE-611.
    levels = "".join(f'<!ENTITY e{n} "{f"&e{n - 1};" * 10}">' for n in range(1, 10))
    for entity in (f'<!ENTITY e0 "ha">{levels}', '<!ENTITY e9 SYSTEM "file:///etc/passwd">'):
        sheet = f"<!DOCTYPE x [{entity}]>" + SHEET.replace(
            't="s"><v>0</v>', 't="inlineStr"><is><t>&e9;</t></is>'
        )
        members = {name: text.encode() for name, text in WORKBOOK.items()}
        packed = archive({**members, "xl/worksheets/sheet1.xml": sheet.encode()})
        status, _, err = desk.take(desk.file("laughs.xlsx", packed), "--profile", "sheet-log")
        assert status == 3
        assert "root:" not in err


def test_a_sheet_that_says_it_is_as_large_as_can_be(desk):
    # Source: ECMA-376, the last cell of a sheet is XFD1048576.
    cells = '<row r="1"><c r="A1"/></row><row r="1048576"><c r="XFD1048576"/></row>'
    sheet = f'<worksheet xmlns="{RELS}/spreadsheetml/2006/main"><sheetData>{cells}</sheetData>'
    members = {name: text.encode() for name, text in WORKBOOK.items()}
    packed = archive({**members, "xl/worksheets/sheet1.xml": f"{sheet}</worksheet>".encode()})
    status, _, err = desk.take(desk.file("far.xlsx", packed), "--profile", "sheet-log")
    assert status == 3
    assert "1048576 rows" in err


@pytest.mark.parametrize(
    "cell",
    ['<c r="C99999999999999999999"/>', '<c r="c9999999"/>', f'<c r{" " * 300}="A1048576"/>',
     '<row r="4294967295"><c><v>1</v></c></row>'],
)  # fmt: skip
def test_a_cell_where_no_sheet_ends_is_refused_before_room_is_made_for_it(desk, cell):
    # Found by the fuzzer: the library that reads cells makes room up to the last one at once.
    rows = f'<row r="1"><c r="A1"/></row><row r="2">{cell}</row>'
    sheet = f'<worksheet xmlns="{RELS}/spreadsheetml/2006/main"><sheetData>{rows}</sheetData>'
    members = {name: text.encode() for name, text in WORKBOOK.items()}
    packed = archive({**members, "xl/worksheets/sheet1.xml": f"{sheet}</worksheet>".encode()})
    status, _, err = desk.take(desk.file("far.xlsx", packed), "--profile", "sheet-log")
    assert status == 3
    assert "expected a workbook of at most" in err


@pytest.mark.parametrize("count", ["99999999999999", "9" * 8, "&#57;99999999", " 1"])
def test_a_table_that_promises_too_many_strings_is_refused(desk, count):
    # Found by the fuzzer: the library makes room for as many strings as the table promises.
    strings = f'<sst count="1" uniqueCount{" " * 9} = "{count}"><si><t>DOOR OPEN</t></si></sst>'
    members = {name: text.encode() for name, text in WORKBOOK.items()}
    members |= {"xl/worksheets/sheet1.xml": SHEET.encode(),
                "xl/sharedStrings.xml": strings.encode()}  # fmt: skip
    status, _, err = desk.take(desk.file("many.xlsx", archive(members)), "--profile", "sheet-log")
    assert status == 3
    assert "strings" in err


def labelled(desk: Desk, labels: list[str]) -> None:
    """Import an export in which each label is that of a door, a material and an event."""
    rows = "".join(
        f"05.10.2026;08:{n:02d}:10;{label};{label};BUTTON;;\n05.10.2026;08:{n:02d}:20;7;;{label};;\n"
        for n, label in enumerate(labels, start=1)
    )
    status, (found,), _ = desk.take(desk.file("label.csv", (HEADER + GOOD + rows).encode()))
    assert (found["events"], found["rejected"]) == (2 + len(labels), len(labels))
    assert status == 0


def test_labels_that_are_code_stay_text(desk):
    # Sources: OWASP, "CSV Injection"; OWASP, "XSS Filter Evasion Cheat Sheet"; from memory.
    labels = ["=cmd|' /C calc'!A0", "@SUM(1+9)*cmd", "+HYPERLINK(1)", "-2+3", "{{7*7}}",
              "<script>alert(1)</script>", "<img src=x onerror=alert(1)>"]  # fmt: skip
    labelled(desk, labels)
    lines = [json.loads(line) for line in desk.table("timeline", "jsonl").splitlines()]
    assert set(labels) <= {line["floor"] for line in lines}
    text = desk.table("timeline", "csv")
    assert not re.search(r'(^|,)"[=+@-]', text, re.MULTILINE)
    assert all(label in text for label in labels)


# Sources: ANSI escapes in logs, CWE-150; N. Boucher and R. Anderson, "Trojan Source" (2021).
DRIVING = ["\x1b[2J\x1b]0\x07", "a\u202eb\u2066c\u2069", "x\x9b31m", "a\x08\x08b", "\u200fz"]


def test_nothing_printed_drives_a_terminal_or_turns_words_round(desk):
    labelled(desk, DRIVING)
    store, site = desk.folder / "store", desk.folder / "site.toml"
    printed = ""
    for words in (
        ("summary", "--store", store), ("streams", "--store", store),
        ("summary", "--store", store, "--json"),
        ("inspect", desk.folder / "label.csv", "--site", site),
        ("import", "--undo", f"no{DRIVING[1]}such", "--store", store),
    ):  # fmt: skip
        _, out, err = desk.run(*words)
        printed += out + err
    assert harmless(printed) == printed
    assert not re.search(
        "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]", printed
    )
    assert "\\u202e" in printed  # shown, not dropped


def test_what_is_made_harmless_in_json_comes_back_from_it(desk):
    labelled(desk, DRIVING)
    site = desk.folder / "site.toml"
    _, out, _ = desk.run("inspect", desk.folder / "label.csv", "--site", site, "--json")
    assert "\u202e" not in out
    assert "a\u202eb" in json.dumps(json.loads(out), ensure_ascii=False)


def test_nul_bytes_cost_their_line(desk):
    # Source: CWE-158, null bytes in text.
    row = b"05.10.2026;08:00:30;7\0;;DOOR OPEN;;\n"
    status, (found,), _ = desk.take(desk.file("nul.csv", EXPORT * 20 + row))
    assert status == 0
    assert found["rejected"] == 20  # the line with the byte, and 19 headers


# Source: Unicode Standard, section 3.9, and M. Kuhn, "UTF-8 decoder capability and stress test":
# over-long forms of "/", of NUL, half of a surrogate pair, beyond U+10FFFF, a lonely tail.
@pytest.mark.parametrize(
    "bad",
    [b"\xc0\xaf", b"\xc0\x80", b"\xe0\x80\xaf", b"\xed\xa0\x80", b"\xf4\x90\x80\x80", b"\x80"],
)
def test_over_long_utf_8_is_not_taken_for_what_it_imitates(desk, bad):
    row = b"05.10.2026;08:00:30;" + bad + b";;DOOR OPEN;;\n"
    status, (found,), _ = desk.take(desk.file("long.csv", EXPORT + row))
    assert status == 0
    assert found["events"] == 3
    floors = {json.loads(line)["floor"] for line in desk.table("timeline", "jsonl").splitlines()}
    assert floors - {"7"} == {bad.decode("cp1252", "replace")}


def test_a_catastrophic_pattern_in_a_profile(desk, monkeypatch):
    # Source: OWASP, "Regular expression Denial of Service"; the pattern is the one it begins with.
    monkeypatch.setattr(patterns, "LIMIT_S", 0.05)
    monkeypatch.setattr(patterns, "PATIENCE_S", 0.2)
    desk.file(
        "slow.toml",
        b"""
name = "slow"
layout = "lines"
[lines]
pattern = '^(?P<stamp>\\S+ \\S+) (?P<text>(a|aa)+)$'
[columns]
time = ["stamp"]
event = "text"
[time]
format = "iso"
[[event]]
text = "aa"
signal = "note"
edge = "mark"
""",
    )
    evil = b"".join(b"2026-10-05 08:00:%02d %s!\n" % (n, b"a" * (60 + n)) for n in range(30))
    path = desk.file("log.txt", b"2026-10-05 08:00:00 aa\n" + evil)
    status, _, err = desk.take(path, "--profile", str(desk.folder / "slow.toml"))
    assert status in (2, 3)
    assert len(err.splitlines()) == 1
    assert "soon done" in err
