"""A store of an earlier version is read as it is, upgraded when written, and there is a way back.

`data/store-format-1.zip` was made by an earlier version of this program: in it `store/`, the
exports `in/` that it took in, and the timeline that it gave.
"""

import json
import shutil
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from loganalyzer.errors import StoreError, UsageError
from loganalyzer.ingest.reports import KNOWN
from loganalyzer.store import ROOT, Store, way_back
from loganalyzer.store.disk import digest
from loganalyzer.store.formats import FORMAT
from tests.exports import Log, history, take, write

KEPT = Path(__file__).parent / "data" / "store-format-1.zip"


@pytest.fixture
def old(tmp_path: Path) -> Path:
    with zipfile.ZipFile(KEPT) as archive:
        archive.extractall(tmp_path)
    return tmp_path / "store"


def files(store: Path) -> dict[str, str]:
    return {
        path.relative_to(store).as_posix(): digest(path)
        for path in store.rglob("*")
        if path.is_file() and path.name != "lock"
    }


def another(folder: Path) -> Path:
    log = Log("2025-03-04 08:00:00")
    for _ in range(5):
        log.event(60, "1", "BUTTON")
    return write(folder / "in" / "later.csv", log.lines)


def test_an_older_store_is_read_as_it_is_and_not_changed_by_reading(old: Path):
    before = files(old)
    told = pd.read_csv(old.parent / "timeline.csv", dtype={"floor": "str"})
    shown = Store.open(old).timeline()
    assert len(shown) == len(told) == 100
    for name in ("floor", "signal", "edge", "clock", "source"):
        assert shown[name].astype("object").fillna("").tolist() == told[name].fillna("").tolist()
    assert shown["line"].tolist() == told["line"].tolist()
    assert (shown["time"] == pd.to_datetime(told["time"], format="ISO8601")).all()
    assert files(old) == before


def test_an_import_upgrades_an_older_store_and_says_so(old: Path):
    before = history(old)
    lines: list[str] = []
    known = take(old, old.parent / "in" / "week-1.csv", tell=lines.append)
    assert [export.status for export in known.exports] == [KNOWN]
    assert json.loads((old / ROOT).read_text())["format"] == 1  # nothing to write, nothing done
    take(old, another(old.parent), tell=lines.append)
    assert [line for line in lines if "format 1 to 2" in line and "upgrade --back" in line]
    assert json.loads((old / ROOT).read_text())["format"] == FORMAT == 2
    assert_frame_equal(history(old).head(100), before)
    (manifest,) = Store.open(old).state().manifests.values()
    assert set(manifest.checksums) == {
        file for file in manifest.files() if not file.startswith("originals")
    }


def test_the_way_back_brings_every_file_of_the_older_store(old: Path):
    earlier = "manifests/quay-1-87f5677d.json"  # of the generation before: needed by nobody
    before = {name: text for name, text in files(old).items() if name not in (ROOT, earlier)}
    with Store.open(old).writing():
        pass
    take(old, another(old.parent))
    take(old, write(old.parent / "in" / "more.csv", ["05.03.2025;08:00:00;1;;BUTTON;;"]))
    with pytest.raises(UsageError, match=r"2 exports taken in since.*--yes"):
        Store.open(old).go_back()
    assert Store.open(old).go_back(anyway=True)[0] == 1
    after = files(old)
    assert {name: after.get(name) for name in before} == before
    root = json.loads((old / ROOT).read_text())
    assert (root["format"], root["sites"]) == (1, {"quay": "manifests/quay-2-2188909c.json"})
    assert not (old / way_back(1)).exists()
    assert len(history(old)) == 100
    with pytest.raises(UsageError, match="no earlier format kept"):
        Store.open(old).go_back()


def test_a_store_that_was_upgraded_gives_what_a_new_one_gives(old: Path):
    later = another(old.parent)
    exports = [old.parent / "in" / f"week-{number}.csv" for number in (1, 2, 3)]
    take(old, later)
    take(old.parent / "new", *exports, later)
    assert_frame_equal(history(old), history(old.parent / "new"))


def test_the_format_before_the_first_and_a_later_one_are_refused(old: Path):
    root = json.loads((old / ROOT).read_text())
    shutil.copy(old / ROOT, old.parent / "root")
    for wrong, said in ((99, "newer version"), (0, "JSON with its format")):
        (old / ROOT).write_text(json.dumps(root | {"format": wrong}))
        with pytest.raises(StoreError, match=said) as error:
            Store.open(old)
        assert "\n" not in str(error.value)
