"""What the dashboard keeps: analyses and finished pages, when the store changes, who waits."""

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from dashboards import data as module
from dashboards.access.rights import Rights, acting, asking
from dashboards.data import Data, Worked
from loganalyzer.store import Store
from tests.exports import take, write
from tests.lookers import busy_day, two_sites

ALL = ("quay", None, (None, None))


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """An analysis takes until the event is set; what it says is not looked at here."""
    go_on = threading.Event()

    class Analysis:
        timeline = range(10)

    def answer(*asked: Any) -> Any:
        assert go_on.wait(20)
        return Analysis()

    monkeypatch.setattr(module, "answer", answer)
    monkeypatch.setattr(module, "PATIENCE_S", 0.02)
    go_on.set()
    return go_on


def change(store: Store, folder: Path, day: int, door: str = "7") -> None:
    lines = busy_day(door, f"2025-04-{day:02} 08:00:00")
    take(store.path, write(folder / f"{day}.csv", lines))


def until(said: Any) -> None:
    ends = time.monotonic() + 20
    while not said():
        assert time.monotonic() < ends
        time.sleep(0.005)


def test_while_the_new_is_worked_out_what_was_before_is_handed_out_and_says_so(
    tmp_path: Path, slow: threading.Event
):
    store = two_sites(tmp_path)
    data = Data(store)
    before = data.worked(*ALL)
    assert before.generation == store.generation
    slow.clear()
    change(store, tmp_path, 1)
    assert data.worked(*ALL) is before
    assert data.worked(*ALL) is before
    assert before.generation < store.generation
    slow.set()
    until(lambda: data.worked(*ALL) is not before)
    assert data.worked(*ALL).generation == store.generation
    assert len(data._kept) == 1


def test_who_asks_for_what_is_new_waits_for_it(tmp_path: Path, slow: threading.Event):
    store = two_sites(tmp_path)
    data = Data(store)
    before = data.worked(*ALL)
    slow.clear()
    change(store, tmp_path, 1)
    data.worked(*ALL)  # something newer is begun
    change(store, tmp_path, 2)
    threading.Timer(0.1, slow.set).start()
    found = data.worked(*ALL, fresh=True)
    assert found is not before
    assert found.generation == store.generation


def test_an_import_at_one_site_leaves_the_others_as_they_are(tmp_path: Path, slow: threading.Event):
    store = two_sites(tmp_path)
    data = Data(store)
    other = data.worked("hidden-house", None, (None, None))
    change(store, tmp_path, 1)
    slow.clear()
    assert data.worked("hidden-house", None, (None, None), fresh=True) is other


def test_pages_that_people_looked_at_are_finished_before_the_new_is_handed_out(
    tmp_path: Path, slow: threading.Event
):
    store = two_sites(tmp_path)
    data, drawn = Data(store), []

    def draw(worked: Worked) -> bytes:
        drawn.append(worked.generation)
        return b"%d" % worked.generation

    first = data.worked(*ALL)
    assert first.page("waiting", draw) == first.page("waiting", draw)
    assert drawn == [first.generation]
    change(store, tmp_path, 1)
    new = data.worked(*ALL, fresh=True)
    assert drawn == [first.generation, new.generation]
    assert new.page("waiting", draw) == b"%d" % new.generation
    assert len(drawn) == 2


def test_a_page_that_cannot_be_drawn_spoils_no_other(tmp_path: Path, slow: threading.Event):
    store = two_sites(tmp_path)
    data = Data(store)
    faults = iter([b"fine"])
    data.worked(*ALL).page("broken", lambda worked: next(faults))
    data.worked(*ALL).page("sound", lambda worked: b"sound")
    change(store, tmp_path, 1)
    new = data.worked(*ALL, fresh=True)
    assert set(new.pages) == {"sound"}
    with pytest.raises(StopIteration):  # who asks for it is told
        new.page("broken", lambda worked: next(faults))


def test_pages_of_an_analysis_do_not_pile_up(slow: threading.Event):
    worked = Worked(analysis=None)  # type: ignore[arg-type]
    for number in range(100):
        worked.page(number, lambda _: b"x")
    assert len(worked.pages) == module.PAGES_KEPT


def test_analyses_do_not_pile_up(
    tmp_path: Path, slow: threading.Event, monkeypatch: pytest.MonkeyPatch
):
    data = Data(two_sites(tmp_path))
    monkeypatch.setattr(module, "KEPT_ROWS", 55)  # each has 10
    for day in range(1, 20):
        data.worked("quay", None, (f"2025-03-{day:02}", None))
    assert len(data._kept) == 6  # the newest is not worked out when room is made for it


def test_what_is_done_later_for_somebody_has_their_rights():
    ann = Rights("ann", frozenset({"quay"}), upload=False)
    with acting(ann):
        assert asking() == ann
    assert asking() != ann


def test_who_asks_for_a_page_at_the_same_time_waits_for_one_drawing():
    worked, drawn, go_on = Worked(analysis=None), [], threading.Event()  # type: ignore[arg-type]

    def draw(_: Worked) -> bytes:
        drawn.append(1)
        assert go_on.wait(20)
        return b"x"

    with ThreadPoolExecutor(4) as pool:
        asked = [pool.submit(worked.page, "waiting", draw) for _ in range(4)]
        until(lambda: drawn)
        go_on.set()
        assert {one.result() for one in asked} == {b"x"}
    assert drawn == [1]
