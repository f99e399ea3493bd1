"""What a person meets with the wrong file: one clear line, the right exit status, nothing lost.

Every case runs the command line as a person does. The exports are invented for the mechanics.
"""

import gzip
import io
import json
import os
import zipfile
from pathlib import Path

import pytest

from loganalyzer.cli import main

SITE = """
[site]
id = "quay-terrace"
name = "Quay Terrace"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
[[chute.stream]]
id = "refuse"
kind = "refuse"
[[chute.stream]]
id = "recycling"
kind = "recycling"
[[chute.floor]]
label = "7"
[[chute.floor]]
label = "8"
"""
HEADER = "date;time;door;material;event;reason;value"


def rows(count: int, day: str = "05.10.2026", floor: str = "7") -> list[str]:
    """Openings of one door, a minute apart."""
    return [
        f"{day};08:{minute:02d}:{second};{floor};;{event};;"
        for minute in range(count)
        for second, event in (("10", "DOOR OPEN"), ("20", "DOOR SHUT"))
    ]


def export(*lines: str) -> bytes:
    return ("\n".join((HEADER, *lines)) + "\n").encode()


@pytest.fixture
def shop(tmp_path, capsys):
    return Shop(tmp_path, capsys)


class Shop:
    """A folder with a site file and a store, and the command line."""

    def __init__(self, folder: Path, capsys) -> None:
        self.folder, self.capsys = folder, capsys
        self.store = folder / "store"
        self.site = folder / "site.toml"
        self.site.write_text(SITE, encoding="utf-8")

    def file(self, name: str, content: bytes) -> Path:
        path = self.folder / name
        path.write_bytes(content)
        return path

    def run(self, *arguments: object) -> tuple[int, str, str]:
        status = main([str(a) for a in arguments])
        out, err = self.capsys.readouterr()
        assert "Traceback" not in out + err
        return status, out, err

    def take(self, *paths: Path, more: tuple[str, ...] = ()) -> tuple[int, dict, str]:
        status, out, err = self.run(
            "import", *paths, "--store", self.store, "--site", self.site, "--json", *more
        )
        return status, json.loads(out) if out else {}, err

    def timeline(self) -> int:
        out = self.folder / "timeline.jsonl"
        status, _, err = self.run("export", "timeline", "--store", self.store, "--out", out)
        assert status == 0, err
        return len(out.read_text(encoding="utf-8").splitlines())


def ledger(report: dict, name: str) -> dict:
    (row,) = [row for row in report["exports"] if row["name"].endswith(name)]
    return row


def assert_one_line(text: str) -> None:
    assert len(text.strip().splitlines()) == 1, text


def test_an_empty_file_is_said_and_the_good_file_beside_it_lands(shop):
    status, report, err = shop.take(
        shop.file("empty.csv", b""), shop.file("good.csv", export(*rows(4)))
    )
    assert status == 3
    assert "empty.csv" in err
    assert ledger(report, "good.csv")["events"] == 8
    assert shop.timeline() == 8


def test_a_binary_file_is_said_in_one_line(shop):
    status, _, err = shop.take(shop.file("photo.bin", bytes(range(256)) * 400))
    assert status == 3
    assert_one_line(err)
    assert "photo.bin" in err


def test_a_line_without_end_costs_one_reject_and_no_memory(shop):
    # 60 MB here; the 500 MB line is a command of its own in tests/benchmarks.
    path = shop.file(
        "long.csv", export(*rows(4)) + b"x" * 60_000_000 + b"\n" + "\n".join(rows(2)).encode()
    )
    status, report, _ = shop.take(path)
    row = ledger(report, "long.csv")
    assert (status, row["events"], row["duplicates"], row["rejected"]) == (0, 8 + 4, 0, 1)


def test_a_file_cut_off_in_a_record_lands_up_to_the_cut(shop):
    status, report, _ = shop.take(shop.file("cut.csv", export(*rows(4))[:-20]))
    row = ledger(report, "cut.csv")
    assert status == 0
    assert (row["events"], row["rejected"]) == (7, 1)
    assert row["lines"] == row["events"] + row["duplicates"] + row["ignored"] + row["rejected"]


def test_a_gzip_cut_off_lands_up_to_the_cut_and_says_so(shop):
    whole = gzip.compress(export(*rows(50)), mtime=0)
    status, report, err = shop.take(shop.file("cut.csv.gz", whole[:-30]))
    assert "cut.csv.gz" in err or any("cut" in m for m in ledger(report, "cut.csv.gz")["messages"])
    assert status in (0, 3)
    assert shop.timeline() > 0


def test_a_zip_bomb_is_stopped_while_it_is_read(shop):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("good.csv", export(*rows(4)))
        archive.writestr("bomb.csv", b"0" * 300_000_000)
    status, report, err = shop.take(shop.file("bomb.zip", packed.getvalue()))
    assert status == 3
    assert "bomb.csv" in err
    assert ledger(report, "good.csv")["events"] == 8


def test_a_zip_that_climbs_out_of_its_folder_writes_nothing_there(shop):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("../escaped.csv", export(*rows(4)))
        archive.writestr("good.csv", export(*rows(3)))
    status, report, err = shop.take(shop.file("climb.zip", packed.getvalue()))
    assert status == 3
    assert "escaped.csv" in err
    assert ledger(report, "good.csv")["events"] == 6
    assert not list(shop.folder.parent.rglob("escaped.csv"))


def test_a_wrong_profile_rejects_nearly_all_and_says_so(shop):
    path = shop.file("good.csv", export(*rows(4)))
    status, _, err = shop.take(path, more=("--profile", "json-events"))
    assert status == 3
    assert "good.csv" in err


def test_a_site_file_for_another_site_is_noticed_by_its_floors(shop):
    shop.site.write_text(SITE.replace('"7"', '"701"').replace('"8"', '"801"'), encoding="utf-8")
    status, _, err = shop.take(shop.file("good.csv", export(*rows(4))))
    assert status == 3
    assert_one_line(err)
    assert "site" in err


def test_the_same_export_under_another_site_is_refused(shop):
    path = shop.file("good.csv", export(*rows(4)))
    assert shop.take(path)[0] == 0
    shop.site.write_text(SITE.replace("quay-terrace", "mill-court"), encoding="utf-8")
    status, _, err = shop.take(path)
    assert status == 3
    assert "quay-terrace" in err


def test_stamps_of_1970_and_2099_are_kept_and_not_believed(shop):
    path = shop.file(
        "odd.csv",
        export(*rows(4), *rows(1, "01.01.1970"), *rows(1, "01.01.2099"), *rows(2, "06.10.2026")),
    )
    status, report, _ = shop.take(path)
    assert status == 0
    row = ledger(report, "odd.csv")
    assert row["events"] == 8 + 2 + 2 + 4
    assert row["last"].startswith("2026-10-06")
    assert row["first"].startswith("2026-10-05")
    assert any("1970" in m or "2099" in m or "implausible" in m for m in row["messages"])


def test_two_formats_in_one_file_land_what_the_profile_reads(shop):
    other = ['{"ts": "2026-10-05T08:00:00Z", "event": "door_open"}'] * 3
    status, report, _ = shop.take(shop.file("two.csv", export(*rows(4), *other)))
    row = ledger(report, "two.csv")
    assert (status, row["events"], row["rejected"]) == (0, 8, 3)


def test_a_column_named_twice_is_said_in_one_line(shop):
    lines = ["date;time;door;material;event;reason;door", *rows(2)]
    status, _, err = shop.take(shop.file("twice.csv", "\n".join(lines).encode()))
    assert status == 3
    assert "twice.csv" in err
    assert "door" in err


def test_unknown_floors_and_streams_are_kept_and_reported(shop):
    odd = "05.10.2026;09:00:00;99;PLASTER;BUTTON;;"
    _, report, _ = shop.take(shop.file("odd.csv", export(*rows(4), odd)))
    row = ledger(report, "odd.csv")
    assert row["events"] == 9
    assert any("99" in message for message in row["messages"])
    assert any("PLASTER" in message for message in row["messages"])


def test_an_unknown_text_is_a_reject_counted_by_text(shop):
    odd = "05.10.2026;09:00:00;7;;NEVER HEARD OF;;"
    _, report, _ = shop.take(shop.file("odd.csv", export(*rows(4), odd, odd)))
    row = ledger(report, "odd.csv")
    assert row["rejected"] == 2
    assert any("NEVER HEARD OF" in message and "2" in message for message in row["messages"])


def test_a_store_that_is_something_else_is_left_alone(shop):
    shop.store.mkdir()
    (shop.store / "holiday.jpg").write_bytes(b"x")
    status, _, err = shop.take(shop.file("good.csv", export(*rows(4))))
    assert status == 2
    assert_one_line(err)
    assert [p.name for p in shop.store.iterdir()] == ["holiday.jpg"]


def test_a_store_from_a_newer_version_is_left_alone(shop):
    path = shop.file("good.csv", export(*rows(4)))
    shop.take(path)
    root = shop.store / "loganalyzer-store.json"
    newer = json.loads(root.read_text()) | {"format": 99}
    root.write_text(json.dumps(newer))
    status, _, err = shop.take(path)
    assert status == 2
    assert "99" in err
    assert json.loads(root.read_text()) == newer


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere"
)
def test_a_store_that_cannot_be_written_is_said_in_one_line(shop):
    shop.store.mkdir(mode=0o555)
    status, _, err = shop.take(shop.file("good.csv", export(*rows(4))))
    assert status == 2
    assert_one_line(err)


def test_a_store_in_the_place_of_a_file_is_said_in_one_line(shop):
    shop.store.write_text("not a folder")
    status, _, err = shop.take(shop.file("good.csv", export(*rows(4))))
    assert status == 2
    assert_one_line(err)


def test_a_missing_path_is_said_and_the_rest_lands(shop):
    status, report, err = shop.take(
        shop.folder / "gone.csv", shop.file("good.csv", export(*rows(4)))
    )
    assert status == 3
    assert "gone.csv" in err
    assert ledger(report, "good.csv")["events"] == 8


def test_the_same_file_twice_changes_nothing(shop):
    path = shop.file("good.csv", export(*rows(4)))
    shop.take(path)
    before = shop.timeline()
    status, report, _ = shop.take(path)
    assert status == 0
    assert ledger(report, "good.csv")["status"] == "already imported"
    assert shop.timeline() == before == 8


def test_undo_takes_one_export_out_again(shop):
    shop.take(
        shop.file("a.csv", export(*rows(4))), shop.file("b.csv", export(*rows(3, "06.10.2026")))
    )
    assert shop.timeline() == 14
    status, _, err = shop.run("import", "--undo", "b.csv", "--store", shop.store)
    assert status == 0, err
    assert shop.timeline() == 8


@pytest.mark.parametrize(
    "arguments",
    [
        ("improt", "x"),
        ("export", "cycels", "--store", "s", "--out", "x.csv"),
        ("export", "cycles", "--store", "s", "--out", "x.doc"),
        ("summary", "--store", "nowhere"),
        ("summary", "--store", "nowhere", "--from", "yesterday"),
        ("import", "--store", "s"),
        ("import", "x.csv", "--store", "s"),
        ("serve", "--store", "nowhere"),
        ("serve", "--store", "nowhere", "--host", "0.0.0.0"),
    ],
    ids=" ".join,
)
def test_a_wrong_command_line_is_one_line_and_status_2(arguments, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    try:
        status = main(list(arguments))
    except SystemExit as error:
        status = error.code
    out, err = capsys.readouterr()
    assert status == 2
    assert out == ""
    assert_one_line(err)
    assert not list(tmp_path.iterdir())
