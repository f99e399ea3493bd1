"""Derived files of a store: landed whole, found by name, gone when what they tell is gone."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from loganalyzer.errors import StoreError
from loganalyzer.store import Store
from loganalyzer.upkeep.retention import retain
from tests.exports import Log, take, write


@pytest.fixture
def store(tmp_path: Path) -> Store:
    log = Log("2025-03-03 08:00:00")
    for number in range(40):
        log.event(6 * 3600, str(number % 7), "BUTTON")
    take(tmp_path / "s", write(tmp_path / "in" / "one.csv", log.lines))
    return Store.open(tmp_path / "s")


def text(words: str):
    return lambda place: place.write_text(words, encoding="utf-8")


def land(store: Store, name: str, words: str = "sums") -> Path | None:
    return store.land_derived("quay", name, store.state().files["quay"], text(words))


def test_a_derived_file_is_found_by_its_name_and_changes_no_generation(store: Store):
    before = store.generation
    assert store.derived("quay", "ab12-daily.txt") is None
    place = land(store, "ab12-daily.txt")
    assert place is not None
    assert store.derived("quay", "ab12-daily.txt") == place
    assert place.read_text() == "sums"
    assert store.generation == before
    assert not list((store.path / "incoming").iterdir())


def test_a_derived_file_is_landed_while_somebody_writes(store: Store):
    with store.writing():
        assert land(store, "ab12.txt") is not None


def test_a_writer_that_stops_leaves_no_half_file(store: Store):
    def half(place: Path) -> None:
        place.write_text("half", encoding="utf-8")
        raise OSError(28, "No space left on device")

    with pytest.raises(StoreError, match="No space left") as error:
        store.land_derived("quay", "ab12.txt", store.state().files["quay"], half)
    assert "\n" not in str(error.value)
    assert store.derived("quay", "ab12.txt") is None
    assert not list((store.path / "incoming").iterdir())


def test_files_of_other_keys_are_taken_away_and_other_sites_are_left(store: Store):
    for name in ("old-a.txt", "old-b.txt", "new-a.txt"):
        land(store, name)
    other = store.path / "derived" / "pier" / "old-a.txt"
    other.parent.mkdir()
    other.write_text("x")
    store.keep_derived("quay", ["new"])
    assert [path.name for path in (store.path / "derived" / "quay").iterdir()] == ["new-a.txt"]
    assert other.exists()
    store.keep_derived("nowhere", [])


def test_retention_takes_away_what_was_derived_from_removed_lines(store: Store):
    land(store, "ab12.txt")
    now = datetime(2025, 3, 13, tzinfo=UTC)
    was = store.state().files["quay"]
    assert retain(store, timedelta(days=5), now, do=True).going
    assert store.derived("quay", "ab12.txt") is None
    late = store.land_derived("quay", "ab12.txt", was, text("begun before"))
    assert late is None
    assert store.derived("quay", "ab12.txt") is None


def test_changes_leave_derived_files_alone_and_a_name_leads_nowhere_else(
    store: Store, tmp_path: Path
):
    land(store, "ab12.txt")
    take(store.path, write(tmp_path / "in" / "two.csv", ["05.04.2025;08:00:00;1;;BUTTON;;"]))
    assert store.derived("quay", "ab12.txt") is not None
    for name in ("../lock", "a/b", "", ".."):
        with pytest.raises(ValueError, match="no name of a file"):
            store.derived("quay", name)
