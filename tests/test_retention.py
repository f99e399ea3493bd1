"""Retention removes what is older than it may be kept, keeps sums, and says what it does."""

import io
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from loganalyzer.answers import month_sums
from loganalyzer.cli import main
from loganalyzer.errors import UsageError
from loganalyzer.ingest import again, undo
from loganalyzer.ingest.cutting import blanked, joined
from loganalyzer.ingest.reports import IMPORTED, KNOWN, TOO_OLD
from loganalyzer.measures.month_sums import difference, together
from loganalyzer.site import parse_site
from loganalyzer.store import Store
from loganalyzer.upkeep.retention import days_of, retain
from loganalyzer.upkeep.roots import DAMAGED
from loganalyzer.upkeep.wholeness import check
from tests.exports import RECEIVED, SITE, Log, history, site, take, write

NOW = datetime(2025, 4, 20, 12, tzinfo=UTC)
KEEP = days_of("30d")  # kept from Lisbon's midnight of 2025-03-21 on
LIMIT = pd.Timestamp("2025-03-21T00:00:00Z")
HEADINGS = ["When", "Door", "What happened", "Material", "Detail", "Figure"]
TEXTS = ("BUTTON", "LATCH RELEASED", "DOOR OPEN", "DOOR SHUT", "LATCH SET")


def weeks() -> list[list[str]]:
    """Lines of five weeks from 2025-03-01 on, each week overlapping the next by two days."""
    log = Log("2025-03-01 08:00:00")
    for number in range(35 * 4):
        log.event(6 * 3600 - 4 * 5, str(number % 3 + 1), TEXTS[0])
        for text in TEXTS[1:]:
            log.event(5, str(number % 3 + 1), text)
        if number % 20 == 16:
            log.set_clock(40)
        if number % 30 == 23:
            log.event(1, "2", "no such event")
    per_day = len(log.lines) // 35
    return [log.lines[week * 7 * per_day : (week * 7 + 9) * per_day] for week in range(5)]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    exports = [write(folder / "in" / f"w{n}.csv", lines) for n, lines in enumerate(weeks())]
    take(folder / "s", *exports)
    return folder


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Store:
    shutil.copytree(made / "s", tmp_path / "s")
    return Store.open(tmp_path / "s")


def exports(made: Path) -> list[Path]:
    return sorted((made / "in").glob("*.csv"))


def originals(store: Store) -> str:
    """All bytes of all kept originals."""
    sources = store.imports()[["source", "lines"]].itertuples(index=False)
    return "\n".join(
        line for source, lines in sources
        for line in store.lines(source, range(1, lines + 1)).values()
    )  # fmt: skip


def test_without_yes_it_only_says_what_would_go(
    store: Store, made: Path, capsys: pytest.CaptureFixture[str]
):
    before = sorted(path for path in store.path.rglob("*"))
    looked = retain(store, KEEP, NOW)
    assert [(one.name[-6:], one.whole) for one in looked.going] == [
        ("w0.csv", True), ("w1.csv", True), ("w2.csv", False),
    ]  # fmt: skip
    assert not looked.done
    assert looked.events == (store.timeline()["time"] < LIMIT).sum()
    assert sorted(path for path in store.path.rglob("*")) == before
    assert main(["retain", "--store", str(store.path), "--keep", "30d"]) == 0
    said = capsys.readouterr().out
    assert "Nothing was changed; add --yes" in said
    assert "5 exports" in said  # all are older than 30 days by now
    assert len(store.timeline())


def test_what_is_older_is_gone_from_timeline_and_originals_and_the_rest_is_as_it_was(
    store: Store,
):
    before = store.timeline()
    done = retain(store, KEEP, NOW, do=True)
    after = store.timeline()
    assert done.events == len(before) - len(after) > 0
    assert after["time"].min() >= LIMIT
    # The clock's drift is spread from the first event that is left: up to 40 s, none after the
    # next set of the clock.
    left = before[before["time"] >= LIMIT].reset_index(drop=True)
    assert abs(len(left) - len(after)) <= 2
    settled = pd.Timestamp("2025-03-27T00:00:00Z")
    columns = ["time", "floor", "signal", "edge", "source", "line"]
    tails = [frame[frame["time"] >= settled][columns].reset_index(drop=True)
             for frame in (left, after)]  # fmt: skip
    assert_frame_equal(*[tail.astype({"source": "str"}) for tail in tails])
    text = originals(store)
    assert "21.03.2025" in text
    assert "20.03.2025" not in text
    assert "01.03.2025" not in text
    kept = {path.stem for path in (store.path / "originals").rglob("*.zst")}
    assert len(kept) == 3
    assert check(store.path).whole
    assert retain(store, KEEP, NOW, do=True).going == ()


def test_sums_stay_what_they_were(store: Store):
    timeline, before = store.timeline(), month_sums(store)
    retain(store, KEEP, NOW, do=True)
    after = month_sums(store)
    assert_frame_equal(after.drop(columns="removed"), before.drop(columns="removed"))
    assert (before["removed"].fillna(0) == 0).all()
    presses = after[after["what"].eq("presses")]
    march = presses[presses["month"].dt.month.eq(3)]
    local = timeline.loc[timeline["signal"].eq("press"), "time"].dt.tz_convert("Europe/Lisbon")
    assert march["value"].sum() == local.dt.month.eq(3).sum()
    assert 0.6 < march["removed"].sum() / march["value"].sum() < 0.7  # 20 of 31 days
    lost = after[after["what"].eq("refusals")]
    assert lost["value"].isna().all()
    assert set(lost["reason"]) == {"refusals not in the log"}
    retain(store, days_of("20d"), NOW, do=True)
    assert_frame_equal(month_sums(store).drop(columns="removed"), before.drop(columns="removed"))
    assert check(store.path).whole


def test_the_sums_stay_when_all_detail_is_gone(store: Store, capsys: pytest.CaptureFixture[str]):
    before = month_sums(store)
    out = store.path.parent / "sums.csv"
    assert main(["retain", "--store", str(store.path), "--keep", "1d", "--yes"]) == 0
    assert store.timeline().empty
    assert store.imports().empty
    words = ["--store", str(store.path)]
    assert main(["export", "month_sums", *words, "--out", str(out)]) == 0
    written = pd.read_csv(out)
    assert written["value"].sum() == pytest.approx(before["value"].sum())
    assert (written["value"] == written["removed"])[written["value"].notna()].all()
    assert main(["summary", *words]) == 2
    assert "export month_sums tells" in capsys.readouterr().err
    assert check(store.path).whole


def test_a_removed_export_is_not_taken_in_again_and_says_so(store: Store, made: Path):
    retain(store, KEEP, NOW, do=True)
    before = history(store.path)
    report = take(store.path, *exports(made))
    assert [one.status for one in report.exports] == [TOO_OLD, TOO_OLD, KNOWN, KNOWN, KNOWN]
    assert report.exit_status == 0
    assert "Retention keeps only monthly sums" in report.exports[0].messages[0]
    assert_frame_equal(history(store.path), before)


def test_another_export_that_reaches_back_is_taken_without_its_older_lines(
    store: Store, made: Path
):
    retain(store, KEEP, NOW, do=True)
    before, sums = store.timeline(), month_sums(store)
    whole = write(made / "long" / "all.csv", [line for week in weeks()[::2] for line in week])
    (report,) = take(store.path, whole).exports
    assert report.status == IMPORTED
    assert any("older than 2025-03-21 left out" in line for line in report.messages)
    assert report.lines == report.events + report.duplicates + report.ignored + report.rejected
    after = store.timeline()
    assert after["time"].min() >= LIMIT
    assert len(after) == len(before)
    assert_frame_equal(month_sums(store).drop(columns="removed"), sums.drop(columns="removed"))
    assert "20.03.2025" not in originals(store)
    assert check(store.path).whole
    (older,) = take(store.path, write(made / "long" / "old.csv", weeks()[0][:50])).exports
    assert older.status == TOO_OLD


def test_undo_and_reading_again_go_on_working(store: Store, made: Path):
    retain(store, KEEP, NOW, do=True)
    before = history(store.path)
    report = again(store, site(), received=RECEIVED)
    assert report.exit_status == 0
    assert_frame_equal(history(store.path), before)
    assert check(store.path).whole
    undo(store, "w2.csv")
    assert check(store.path).whole
    take(store.path, *exports(made))
    assert_frame_equal(history(store.path), before)


def test_a_workbook_loses_its_old_rows_and_keeps_its_file_which_is_said(tmp_path: Path):
    path = workbook(tmp_path / "log.xlsx")
    profile = parse_site(SITE.replace("semicolon-text", "sheet-log"), "quay.toml")
    take(tmp_path / "s", path, of=profile)
    store = Store.open(tmp_path / "s")
    before = len(store.timeline())
    looked = retain(store, KEEP, NOW)
    assert [(one.file_stays, one.whole) for one in looked.going] == [(True, False)]
    retain(store, KEEP, NOW, do=True)
    assert store.timeline()["time"].min() >= LIMIT
    assert 0 < len(store.timeline()) < before
    assert check(store.path).whole


def workbook(path: Path) -> Path:
    """A workbook as the profile sheet-log reads it: a door that opens each day of March."""
    book = openpyxl.Workbook()
    page = book.active
    page.title = "Log"
    for row in (["Door log"], [], HEADINGS):
        page.append(row)
    for day in range(1, 32):
        moment = datetime(2025, 3, day, 9)  # noqa: DTZ001  # a wall clock has no zone
        page.append([moment, "Level 1", "Opened"])
    book.save(path)
    return path


def test_what_lies_beside_goes_too(store: Store):
    (store.path / DAMAGED).mkdir()
    (store.path / DAMAGED / "x.zst").write_bytes(b"x")
    looked = retain(store, KEEP, NOW)
    assert any(line.startswith(f"{DAMAGED}/x.zst") for line in looked.also)
    retain(store, KEEP, NOW, do=True)
    assert not list((store.path / DAMAGED).iterdir())


def test_the_summary_says_from_when_on_detail_is_kept(
    store: Store, capsys: pytest.CaptureFixture[str]
):
    retain(store, KEEP, NOW, do=True)
    assert main(["summary", "--store", str(store.path)]) == 0
    assert "Kept in detail from 2025-03-21 on" in capsys.readouterr().out
    assert main(["summary", "--store", str(store.path), "--json"]) == 0
    assert "2025-03-21" in json.loads(capsys.readouterr().out)["kept_from"]["quay"]


@pytest.mark.parametrize("text", ["", "0d", "400", "-3d", "1y", "d", "9999999d"])
def test_a_time_to_keep_is_days(text: str, store: Store, capsys: pytest.CaptureFixture[str]):
    with pytest.raises(UsageError, match="400d"):
        days_of(text)
    assert main(["retain", "--store", str(store.path), f"--keep={text}"]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


lines = st.text(st.sampled_from("abü;\x85"), max_size=5)


@given(st.lists(st.tuples(lines, st.sampled_from(["\n", "\r\n", "\r"])), min_size=1, max_size=8),
       st.data())  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_blank_lines_leave_every_other_line_its_number(
    rows: list[tuple[str, str]], data: st.DataObject
):
    gone = data.draw(st.sets(st.integers(1, len(rows)), min_size=1))
    rows = [(text or "x", end) for text, end in rows]  # a lone LF after a CR is one end
    raw = "".join(text + end for text, end in rows).encode()
    kept = b"".join(blanked(io.BytesIO(raw), joined([(n, n) for n in gone])))
    wanted = "".join(("" if n in gone else t) + end for n, (t, end) in enumerate(rows, start=1))
    assert kept == wanted.encode()


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 5)), min_size=1, max_size=12),
       st.data())  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_what_is_left_and_the_difference_tell_what_was(
    counts: list[tuple[int, int]], data: st.DataObject
):
    """Whatever goes: also all of a month, or all that was recorded of something."""
    before = sums([(floor, float(count)) for floor, count in dict(counts).items()])
    left = sums([(floor, float(data.draw(st.integers(0, count))))
                 for floor, count in dict(counts).items() if data.draw(st.booleans())])  # fmt: skip
    total = together(difference(before, left), left).drop(columns="removed")
    assert_frame_equal(total, together(before, before.iloc[:0]).drop(columns="removed"))


def sums(rows: list[tuple[int, float]]) -> pd.DataFrame:
    """Presses of a month by floor as `month_sums` would tell them."""
    told = [(str(floor), value, None) for floor, value in rows if value]
    blank: list[tuple[str | None, float, str | None]] = [(None, 0.0, None)]
    frame = pd.DataFrame(told or blank, columns=["floor", "value", "reason"])
    frame = frame.astype({"floor": "object", "reason": "object"})
    month = np.datetime64("2025-03-01", "us")
    return frame.assign(site="quay", chute="A", month=month, stream=None, what="presses")[
        ["site", "chute", "month", "floor", "stream", "what", "value", "reason"]
    ]
