"""Exports taken in: every line accounted for, everything a person should hear is told."""

import gzip
import zipfile
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from loganalyzer.errors import ProfileError, SiteError, UsageError
from loganalyzer.ingest import again, reading, undo
from loganalyzer.ingest.inspection import inspect
from loganalyzer.ingest.reports import ImportReport
from loganalyzer.site import parse_site
from loganalyzer.store import Store
from tests.exports import HEADER, RECEIVED, SITE, Log, history, site, take, write

TWO_CHUTES = (
    SITE
    + """
[[chute]]
id = "B"
profile = "semicolon-text"
"""
)
LISTED = (
    SITE
    + """
[[chute.floor]]
label = "1"
[[chute.stream]]
id = "refuse"
kind = "refuse"
"""
)
HOMEMADE = """
name = "homemade"
layout = "lines"
[lines]
pattern = '^(?P<stamp>\\S+ \\S+) (?P<unit>\\S+) (?P<door>\\S+) (?P<text>.*)$'
[columns]
time = "stamp"
chute = "unit"
floor = "door"
event = "text"
[time]
format = "%Y-%m-%d %H:%M:%S"
zone = "utc"
[[event]]
text = "opened"
signal = "open"
edge = "on"
"""


def lines(count: int = 10, start: str = "2025-03-03 08:00:00", door: str = "1") -> list[str]:
    log = Log(start)
    for _ in range(count):
        log.event(60, door, "BUTTON")
    return log.lines


def only(report: ImportReport):
    (export,) = report.exports
    return export


def said(report: ImportReport) -> str:
    return "\n".join(message for export in report.exports for message in export.messages)


def homemade(folder: Path, *rows: str) -> tuple[Path, Path]:
    profile, export = folder / "homemade.toml", folder / "log.txt"
    profile.write_text(HOMEMADE)
    export.write_text("\n".join(rows) + "\n")
    return profile, export


def test_every_line_is_accounted_for(tmp_path: Path):
    rows = [*lines(), "", "rubbish", "03.03.2025;09:00:00;1;;SIGN OF LIFE;;", "x;y;1;;BUTTON;;"]
    rows.append("03.03.2025;09:00:00;1;;NEVER HEARD OF;;")
    export = only(take(tmp_path / "s", write(tmp_path / "a.csv", rows)))
    assert (export.lines, export.events, export.ignored, export.rejected) == (16, 10, 3, 3)
    assert (export.duplicates, export.status, export.exit_status) == (0, "imported", 0)
    rejects = Store.open(tmp_path / "s").rejects()
    assert rejects["line"].tolist() == [13, 15, 16]
    assert [reason.split(":")[0] for reason in rejects["reason"]] == [
        "wrong number of columns", "unreadable time", "unknown event",
    ]  # fmt: skip
    assert rejects["text"].tolist()[0] == "rubbish"


def test_lines_that_do_not_add_up_stop_the_import_before_anything_lands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(
        reading, "_count", lambda account, batch, *rest: setattr(account, "lines", 1)
    )
    with pytest.raises(RuntimeError, match="1 lines, but 0 with events"):
        take(tmp_path / "s", write(tmp_path / "a.csv", lines()))
    assert Store.open(tmp_path / "s").imports().empty


def test_the_ledger_counts_what_others_brought_as_duplicates_in_any_order(tmp_path: Path):
    log = lines(30)
    first, second = (write(tmp_path / n, part) for n, part in (("1", log[:20]), ("2", log[10:])))
    take(tmp_path / "x", first, second)
    take(tmp_path / "y", second)
    take(tmp_path / "y", first)
    ledgers = [
        Store.open(tmp_path / store).imports().set_index("source").sort_index()
        for store in ("x", "y")
    ]
    assert_frame_equal(*[ledger.drop(columns="imported_at") for ledger in ledgers])
    assert ledgers[0].sort_values("first")["events"].tolist() == [20, 10]
    assert ledgers[0].sort_values("first")["duplicates"].tolist() == [0, 10]


def test_an_export_known_already_changes_nothing(tmp_path: Path):
    export = write(tmp_path / "a.csv", lines())
    take(tmp_path / "s", export)
    before = Store.open(tmp_path / "s").generation
    packed = tmp_path / "a.csv.gz"
    packed.write_bytes(gzip.compress(export.read_bytes()))
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as archive:
        archive.write(export, "inner.csv")
    report = take(tmp_path / "s", export, packed, tmp_path / "b.zip")
    assert [one.status for one in report.exports] == ["already imported"] * 3
    assert report.exit_status == 0
    assert Store.open(tmp_path / "s").generation == before


def test_the_same_file_twice_in_one_call_lands_once(tmp_path: Path):
    export = write(tmp_path / "a.csv", lines())
    report = take(tmp_path / "s", export, export)
    assert [one.status for one in report.exports] == ["imported", "already imported"]


def test_an_export_of_another_site_is_refused(tmp_path: Path):
    export = write(tmp_path / "a.csv", lines())
    take(tmp_path / "s", export)
    other = parse_site(SITE.replace('"quay"', '"pier"'), "pier.toml")
    report = only(take(tmp_path / "s", export, of=other))
    assert report.status == "not imported"
    assert 'the site "quay" holds already' in report.messages[0]


def test_undo_by_name_hash_or_its_beginning(tmp_path: Path):
    exports = [write(tmp_path / f"{n}.csv", lines(start=f"2025-03-0{n} 08:00:00")) for n in (1, 2)]
    take(tmp_path / "s", *exports)
    store = Store.open(tmp_path / "s")
    gone = undo(store, "1.csv")
    assert (gone.status, gone.events) == ("taken out", 10)
    undo(store, store.imports()["source"][0][:8])
    assert store.timeline().empty
    assert store.imports().empty
    with pytest.raises(UsageError, match="no exports of that name"):
        undo(store, "1.csv")


def test_again_reads_the_originals_with_the_mended_profile(tmp_path: Path):
    rows = [
        f"2025-03-03 08:00:0{n} A 1 {text}" for n, text in enumerate(("opened",) * 2 + ("shut",))
    ]
    profile, export = homemade(tmp_path, *rows)
    where = parse_site(SITE.replace("semicolon-text", profile.name), str(tmp_path / "quay.toml"))
    report = only(take(tmp_path / "s", export, of=where))
    assert (report.events, report.rejected) == (2, 1)
    profile.write_text(HOMEMADE + '[[event]]\ntext = "shut"\nsignal = "open"\nedge = "off"\n')
    export.unlink()
    read = only(again(Store.open(tmp_path / "s"), where, received=RECEIVED))
    assert (read.status, read.events, read.rejected) == ("imported", 3, 0)
    assert history(tmp_path / "s")["edge"].tolist() == ["on", "on", "off"]
    profile.unlink()  # the kept text serves
    assert only(again(Store.open(tmp_path / "s"), where, received=RECEIVED)).events == 3


def test_again_follows_the_time_zone_of_the_site_file(tmp_path: Path):
    export = write(tmp_path / "a.csv", lines(start="2025-07-01 12:00:00"))
    take(tmp_path / "s", export)
    moved = parse_site(SITE.replace("Europe/Lisbon", "Europe/Berlin"), "quay.toml")
    other = write(tmp_path / "b.csv", lines(start="2025-07-02 12:00:00"))
    report = take(tmp_path / "s", other, of=moved)
    assert "Run import --again" in report.messages[0]
    again(Store.open(tmp_path / "s"), moved, received=RECEIVED)
    assert history(tmp_path / "s")["time"].dt.hour.unique().tolist() == [10]


def test_several_chutes_in_one_file_and_one_that_is_not_known(tmp_path: Path):
    profile, export = homemade(
        tmp_path, *(f"2025-03-03 08:00:0{n} {chute} 1 opened" for n, chute in enumerate("ABBX"))
    )
    where = parse_site(TWO_CHUTES.replace("semicolon-text", profile.name), str(tmp_path / "q.toml"))
    report = only(take(tmp_path / "s", export, of=where))
    assert (report.chute, report.events, report.rejected) == ("A, B", 3, 1)
    table = history(tmp_path / "s")
    assert table["chute"].tolist() == ["A", "B", "B"]
    assert table["seq"].tolist() == [0, 0, 1]


def test_a_chute_is_guessed_from_the_name_and_told(tmp_path: Path):
    where = site(TWO_CHUTES)
    export = only(take(tmp_path / "s", write(tmp_path / "chute-B" / "w1.csv", lines()), of=where))
    assert export.chute == "B"
    assert 'read as chute "B", by its name (guessed)' in export.messages[0]
    lost = only(take(tmp_path / "s", write(tmp_path / "x" / "w2.csv", lines(3)), of=where))
    assert (lost.status, lost.exit_status) == ("not imported", 2)
    assert "one of A, B" in lost.messages[0]
    named = only(take(tmp_path / "s", tmp_path / "x" / "w2.csv", of=where, chute="A"))
    assert (named.chute, named.status) == ("A", "imported")


def test_a_chute_or_profile_that_is_not_there_stops_at_once(tmp_path: Path):
    export = write(tmp_path / "a.csv", lines())
    with pytest.raises(SiteError, match="no chute 'C'"):
        take(tmp_path / "s", export, chute="C")
    with pytest.raises(ProfileError, match="no-such-profile"):
        take(tmp_path / "s", export, profile="no-such-profile")


def test_a_profile_is_guessed_among_those_at_hand_and_told(tmp_path: Path):
    _, export = homemade(tmp_path, *["2025-03-03 08:00:00 A 1 opened"] * 3)
    where = parse_site(SITE, str(tmp_path / "quay.toml"))
    report = only(take(tmp_path / "s", export, of=where))
    assert report.profile == "homemade"
    assert 'read with "homemade" (guessed)' in report.messages[0]
    (tmp_path / "copy.toml").write_text(HOMEMADE.replace('"homemade"', '"twin"'))
    export.write_text("2025-03-03 09:00:00 A 1 opened\n")
    claimed = only(take(tmp_path / "s", export, of=where))
    assert claimed.exit_status == 2
    assert '"twin" and "homemade"' in claimed.messages[0]


def test_an_export_of_other_floors_is_taken_for_another_sites(tmp_path: Path):
    report = only(take(tmp_path / "s", write(tmp_path / "a.csv", lines(door="9")), of=site(LISTED)))
    assert (report.status, report.exit_status) == ("not imported", 3)
    assert "Is quay.toml the right site file?" in report.messages[0]
    assert Store.open(tmp_path / "s").imports().empty


def test_unknown_floors_and_streams_are_kept_and_told(tmp_path: Path):
    rows = [*lines(), *lines(3, door="77"), "03.03.2025;09:00:00;1;PLUSH;BUTTON;;"]
    report = take(tmp_path / "s", write(tmp_path / "a.csv", rows), of=site(LISTED))
    assert 'floors that the site file does not list, kept: "77" 3' in said(report)
    assert 'streams that the site file does not list, kept: "PLUSH" 1' in said(report)
    assert len(history(tmp_path / "s")) == 14


def test_what_is_odd_is_told_in_one_line_each(tmp_path: Path):
    rows = [
        *lines(20),
        *(f"03.03.2025;09:00:00;1;;ODD {n};;" for n in range(7)),
        "2025-03-03;09:00:00;1;;BUTTON;;",
        "01.01.1970;00:00:00;1;;BUTTON;;",
        "01.01.2099;00:00:00;1;;BUTTON;;",
    ]
    text = said(take(tmp_path / "s", write(tmp_path / "a.csv", rows)))
    assert '"ODD 4" 1 and 2 more' in text
    assert "1 stamp not in the profile's format, read by python-dateutil" in text
    assert "2 events dated before 2001 or after 2079, kept" in text
    assert "2 events of a restarted clock that nothing sets" in text
    autumn = ["30.03.2025;01:30:00;1;;BUTTON;;", *lines(3, "2025-10-26 01:10:00")]
    text = said(take(tmp_path / "t", write(tmp_path / "b.csv", autumn)))
    assert "3 events in the repeated hour" in text
    assert "1 event in the hour that spring leaves out" in text


def test_a_wrong_profile_lands_what_is_good_and_says_so(tmp_path: Path):
    rows = [*lines(2), *["03.03.2025;09:00:00;1;;WHAT;;"] * 5]
    report = only(take(tmp_path / "s", write(tmp_path / "a.csv", rows), profile="semicolon-text"))
    assert (report.status, report.events, report.exit_status) == ("mostly rejected", 2, 3)
    assert len(history(tmp_path / "s")) == 2


def test_the_site_files_profile_is_used_though_it_understands_little(tmp_path: Path):
    """New firmware writes new texts: the good part lands, so that its profile can be mended."""
    rows = [*lines(2), *["03.03.2025;09:00:00;1;;WHAT;;"] * 5]
    report = only(take(tmp_path / "s", write(tmp_path / "a.csv", rows)))
    assert (report.status, report.events, report.exit_status) == ("mostly rejected", 2, 3)
    assert "less than half" in report.messages[0]
    assert len(history(tmp_path / "s")) == 2


def test_a_file_that_runs_newest_first_is_told_in_one_line(tmp_path: Path):
    report = take(tmp_path / "s", write(tmp_path / "a.csv", lines()[::-1]))
    assert sum("newest first" in line for line in said(report).splitlines()) == 1
    assert "newest first" not in said(take(tmp_path / "t", write(tmp_path / "b.csv", lines())))


def test_a_header_alone_lands_as_nothing_in_it_and_an_empty_file_is_refused(tmp_path: Path):
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "head.csv").write_text(HEADER + "\n")
    report = take(
        tmp_path / "s", tmp_path / "empty.csv", tmp_path / "head.csv", profile="semicolon-text"
    )
    assert [one.status for one in report.exports] == ["not imported", "nothing in it"]
    assert [one.exit_status for one in report.exports] == [3, 0]
    assert report.exit_status == 3
    assert Store.open(tmp_path / "s").imports()["chute"].tolist() == ["A"]


def test_a_damaged_packed_file_lands_as_far_as_it_goes(tmp_path: Path):
    rows = [f"03.03.2025;08:00:00;{n * 7919 % 10_007};;BUTTON;;" for n in range(60_000)]
    whole = gzip.compress("\n".join([HEADER, *rows]).encode())
    (tmp_path / "a.csv.gz").write_bytes(whole[: len(whole) // 2])
    report = only(take(tmp_path / "s", tmp_path / "a.csv.gz"))
    assert report.exit_status == 3
    assert "cut off or damaged" in report.messages[0]
    assert 1_000 < report.events < 60_000


def test_settings_used_are_kept_in_the_store(tmp_path: Path):
    take(tmp_path / "s", write(tmp_path / "a.csv", lines()))
    kept = Store.open(tmp_path / "s").site("quay")
    assert kept.text == SITE
    texts = [path.read_text() for path in (tmp_path / "s" / "texts").iterdir()]
    assert any('name = "semicolon-text"' in text for text in texts)


def test_progress_is_told_in_bytes_and_events(tmp_path: Path):
    class Told:
        def __init__(self) -> None:
            self.calls: list[tuple[object, ...]] = []

        def start(self, name: str, total_bytes: int | None) -> None:
            self.calls.append(("start", total_bytes))

        def advance(self, read_bytes: int, rows: int) -> None:
            self.calls.append((read_bytes, rows))

        def finish(self) -> None:
            self.calls.append(("finish",))

    told, export = Told(), write(tmp_path / "a.csv", lines())
    take(tmp_path / "s", export, progress=told)
    assert told.calls[0] == ("start", export.stat().st_size)
    assert told.calls[-1] == ("finish",)
    assert sum(rows for _, rows in told.calls[1:-1]) == 10
    assert sum(size for size, _ in told.calls[1:-1]) == export.stat().st_size


def test_inspection_shows_what_is_there_and_keeps_nothing(tmp_path: Path):
    export = write(tmp_path / "a.csv", [*lines(4), "03.03.2025;09:00:00;1;;ODD;;"])
    (found,) = inspect([export], received=RECEIVED)
    assert (found.profile, found.lines, found.events, found.rejected) == ("semicolon-text", 6, 4, 1)
    assert found.understood == 0.8
    assert found.unknown_events == {"ODD": 1}
    assert found.first_events[0]["signal"] == "press"
    assert found.first_events[0]["time"] == pd.Timestamp("2025-03-03T08:01:00Z")
    assert "shown as if they were UTC" in found.text()
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]
    (tmp_path / "b.txt").write_text("Dear Sir,\nthe chute smells.\n")
    (failed,) = inspect([tmp_path / "b.txt"], received=RECEIVED)
    assert failed.exit_status == 3
    assert "no profile understands" in failed.text()


def test_times_of_the_report_are_those_of_the_export(tmp_path: Path):
    report = only(take(tmp_path / "s", write(tmp_path / "a.csv", lines())))
    assert report.first == datetime.fromisoformat("2025-03-03T08:01:00Z")
    assert report.last == datetime.fromisoformat("2025-03-03T08:10:00Z")


def test_a_file_that_is_gone_or_refuses_to_be_read_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    good, bad = write(tmp_path / "good.csv", lines()), write(tmp_path / "zbad.csv", lines(3))
    real = Path.open
    opened: list[Path] = []

    def flaky(path: Path, *arguments: Any, **options: Any) -> Any:
        opened.append(path)
        if path == bad and opened.count(bad) > 2:  # twice, to see what it is
            raise OSError(5, "Input/output error")
        return real(path, *arguments, **options)

    monkeypatch.setattr(Path, "open", flaky)
    report = take(tmp_path / "s", good, bad, tmp_path / "nowhere.csv")
    assert [one.status for one in report.exports] == ["imported", "not imported", "not imported"]
    assert [one.exit_status for one in report.exports] == [0, 3, 3]
    assert all(len(one.messages[0].splitlines()) == 1 for one in report.exports[1:])
