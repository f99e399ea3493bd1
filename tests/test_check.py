"""A check tells a whole store from one that is not; a repair rebuilds what can be rebuilt."""

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from pandas.testing import assert_frame_equal

from loganalyzer.cli import main
from loganalyzer.errors import InputError, StoreError
from loganalyzer.ingest import undo
from loganalyzer.ingest.reports import KNOWN
from loganalyzer.store import ROOT, Store
from loganalyzer.upkeep.repair import repair
from loganalyzer.upkeep.roots import DAMAGED
from loganalyzer.upkeep.wholeness import check
from tests.exports import SITE, Log, history, site, take, write


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with exports in `in/` and the store `s/` that holds them."""
    folder = tmp_path_factory.mktemp("made")
    log = Log("2025-03-03 08:00:00")
    for number in range(60):
        log.event(60, str(number % 5 + 1), "BUTTON")
        if number == 30:
            log.set_clock(40)
        if number == 45:
            log.power_cut(600)
            log.put_right()
    lines = log.lines
    parts = [lines[:35], [*lines[25:40], "no line of a log"], lines[50:]]
    exports = [write(folder / "in" / f"{n}.csv", part) for n, part in enumerate(parts)]
    (folder / "in" / "quay.toml").write_text(SITE)
    of = replace(site(), file=str(folder / "in" / "quay.toml"))
    take(folder / "s", *exports[:2], of=of)
    take(folder / "s", *exports, of=of)
    return folder


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made / "s", tmp_path / "s")
    return tmp_path / "s"


def gone(path: Path) -> None:
    path.unlink()


def flipped(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(data)


def one(store: Path, kind: str) -> Path:
    """A file of the store that its newest manifest names."""
    state = Store.open(store).state()
    (manifest,) = state.manifests.values()
    export = manifest.exports[0]
    merged = next(stretch for stretch in manifest.stretches if len(stretch.made_of) > 1)
    return store / {
        "reading": export.readings[0].file, "solo": export.readings[0].solo,
        "merged": merged.file, "rejects": next(e.rejects for e in manifest.exports if e.rejects),
        "profile": export.profile_text, "site": manifest.site_text, "root": ROOT,
    }[kind]  # fmt: skip


def test_a_store_that_nobody_touched_is_whole(store: Path, capsys: pytest.CaptureFixture[str]):
    found = check(store)
    assert (found.whole, found.exports, found.reread) == (True, 3, 3)
    imports = Store.open(store).imports()
    assert found.lines == imports["lines"].sum()
    assert found.events == imports["events"].sum()
    assert main(["check", "--store", str(store)]) == 0
    assert f"{store}: whole: 3 exports" in capsys.readouterr().out


@pytest.mark.parametrize("harm", [gone, flipped])
@pytest.mark.parametrize(
    "kind", ["reading", "solo", "merged", "rejects", "profile", "site", "root"]
)
def test_what_is_gone_or_changed_is_found_and_made_anew(
    store: Path, kind: str, harm: Callable[[Path], None]
):
    before, rejects = history(store), Store.open(store).rejects()
    harmed = one(store, kind)
    harm(harmed)
    found = check(store, reread=False)
    assert found.problems
    assert harmed.name in "".join(map(str, found.problems))
    assert "\n" not in str(found.problems[0])
    repaired = repair(store)
    assert repaired.done
    assert not repaired.lost
    assert repaired.checked.whole
    assert_frame_equal(history(store), before)
    assert_frame_equal(Store.open(store).rejects(), rejects)
    assert repair(store).done == ()


@pytest.mark.parametrize("harm", [gone, flipped])
def test_a_lost_original_is_named_and_comes_back_with_its_export(
    store: Path, made: Path, harm: Callable[[Path], None], capsys: pytest.CaptureFixture[str]
):
    before = history(store)
    harm(next((store / "originals").rglob("*.zst")))
    assert main(["check", "--store", str(store), "--json"]) == 3
    said = json.loads(capsys.readouterr().out)
    assert said["whole"] is False
    assert [problem["about"] for problem in said["problems"]] == ["original"]
    assert "Import" in said["problems"][0]["sentence"]
    repaired = repair(store)
    assert not repaired.checked.whole
    assert (store / DAMAGED).is_dir() is (harm is flipped)
    report = take(store, *sorted((made / "in").glob("*.csv")))
    assert {export.status for export in report.exports} == {KNOWN}
    assert sum("is there again" in m for e in report.exports for m in e.messages) == 1
    assert check(store).whole
    assert_frame_equal(history(store), before)


def test_an_export_of_which_nothing_is_left_is_taken_out_and_can_be_imported_again(
    store: Path, made: Path
):
    before = history(store)
    (manifest,) = Store.open(store).state().manifests.values()
    export = manifest.exports[0]
    for file in {export.original, export.readings[0].file, export.readings[0].solo}:
        flipped(store / file)
    repaired = repair(store)
    assert any(export.name in line and "taken out" in line for line in repaired.lost)
    assert repaired.checked.whole
    assert len(Store.open(store).imports()) == 2
    take(store, *sorted((made / "in").glob("*.csv")))
    assert_frame_equal(history(store), before)


def test_a_damaged_manifest_leads_back_to_the_one_before_and_loses_no_original(
    store: Path, made: Path
):
    before = history(store)
    flipped(store / Store.open(store).root()["sites"]["quay"])
    with pytest.raises(StoreError, match="check --repair"):
        history(store)
    repaired = repair(store)
    assert repaired.checked.whole
    assert "1 originals that no manifest names now" in repaired.lost[0]
    assert len(Store.open(store).imports()) == 2
    take(store, store / DAMAGED)
    assert_frame_equal(history(store), before)
    assert check(store).whole


def test_rows_that_do_not_follow_from_their_original_are_found_by_reading_it_again(store: Path):
    """Changed with a fitting checksum: only the original can tell."""
    before = history(store)
    opened = Store.open(store)
    with opened.incoming() as aside, opened.writing() as change:
        (manifest,) = change.manifests.values()
        merged = next(stretch for stretch in manifest.stretches if len(stretch.made_of) > 1)
        table = pq.ParquetFile(store / merged.file).read()
        values = [None if n else 1.0 for n in range(table.num_rows)]
        at = table.schema.get_field_index("value")
        pq.write_table(table.set_column(at, "value", [values]), aside / "forged.parquet")
        change.land(aside / "forged.parquet", "events/quay/A/forged.parquet")
        forged = replace(merged, file="events/quay/A/forged.parquet")
        stretches = tuple(forged if s is merged else s for s in manifest.stretches)
        change.manifests["quay"] = replace(manifest, stretches=stretches)
    assert check(store, reread=False).whole
    (problem,) = check(store).problems
    assert "another event at line 2" in str(problem)
    assert repair(store).checked.whole
    assert_frame_equal(history(store), before)


def test_a_repair_keeps_the_tables_of_an_export_that_this_version_cannot_read_again(
    store: Path, monkeypatch: pytest.MonkeyPatch
):
    before = history(store)

    def refused(*arguments: object) -> None:
        raise InputError("x.csv", "something", "something else", "Do this")

    for place in ("repair", "rereading"):
        monkeypatch.setattr(f"loganalyzer.upkeep.{place}.reread", refused)
    assert {problem.about for problem in check(store).problems} == {"export"}
    repaired = repair(store)
    assert not repaired.checked.whole
    assert all("left as it is" in line for line in repaired.lost)
    assert_frame_equal(history(store), before)


def test_counts_that_do_not_add_up_are_found(store: Path):
    opened = Store.open(store)
    with opened.writing() as change:
        (manifest,) = change.manifests.values()
        wrong = replace(manifest.exports[0], lines=manifest.exports[0].lines + 1)
        change.manifests["quay"] = manifest.with_exports(wrong)
    found = check(store, reread=False)
    assert [problem.about for problem in found.problems] == ["export"]
    assert f"expected {wrong.lines} in all" in str(found.problems[0])
    assert repair(store).checked.whole
    assert check(store).whole


def test_a_store_stays_whole_through_undo_and_files_left_over_are_only_noted(store: Path):
    undo(Store.open(store), "1.csv")
    (store / "events" / "left-over.parquet").write_bytes(b"x")
    found = check(store)
    assert found.whole
    assert any("earlier changes" in note for note in found.notes)


def test_what_is_no_store_or_newer_is_refused_in_one_line(
    tmp_path: Path, store: Path, capsys: pytest.CaptureFixture[str]
):
    assert main(["check", "--store", str(tmp_path / "none")]) == 2
    root = json.loads((store / ROOT).read_text())
    (store / ROOT).write_text(json.dumps(root | {"format": 99}))
    assert main(["check", "--repair", "--store", str(store)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert len(told.err.splitlines()) == 2
    assert json.loads((store / ROOT).read_text())["format"] == 99
