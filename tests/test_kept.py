"""What the dashboard keeps: analyses and finished pages, when the store changes, who waits."""

import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from dashboards import data as module
from dashboards.access.rights import Rights, acting, asking
from dashboards.app import PAGES
from dashboards.data import Data, Gone, Worked
from dashboards.held import held
from dashboards.pages.choice import Choice
from dashboards.pages.frame import answers
from loganalyzer.answers import whole
from loganalyzer.site import parse_site
from loganalyzer.store import Store
from tests.exports import take, write
from tests.lookers import busy_day, two_sites

ALL = ("quay", None, (None, None))
TWIN = """
[site]
id = "twin"
name = "Twin"
time_zone = "Europe/Lisbon"
[[chute]]
id = "A"
profile = "semicolon-text"
[[chute]]
id = "B"
profile = "semicolon-text"
"""


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """An analysis takes until the event is set; what it says is not looked at here."""
    go_on = threading.Event()

    def whole(*asked: Any) -> Any:
        assert go_on.wait(20)
        return np.zeros(10)

    monkeypatch.setattr(module, "whole", whole)
    monkeypatch.setattr(module, "cut", lambda store, log, period: [log, np.zeros(1000)])
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
    monkeypatch.setattr(module, "KEPT_BYTES", 45_000)  # each has 8000, and all 80 together
    for day in range(1, 20):
        data.worked("quay", None, (f"2025-03-{day:02}", None))
    assert len(data._kept) == 5


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


def test_a_page_that_nobody_waits_for_any_more_is_not_drawn(tmp_path: Path, slow: threading.Event):
    there, drawn, go_on = threading.Event(), [], threading.Event()
    there.set()
    data = Data(two_sites(tmp_path), there=there.is_set)
    worked = data.worked(*ALL)

    def draw(_: Worked) -> bytes:
        drawn.append(1)
        assert go_on.wait(20)
        return b"x"

    with ThreadPoolExecutor(3) as pool:
        busy = [pool.submit(worked.page, number, draw) for number in range(2)]
        until(lambda: len(drawn) == 2)
        left = pool.submit(worked.page, "left", draw)
        until(lambda: "left" in worked.pages)
        there.clear()
        with pytest.raises(Gone):
            left.result(20)
        assert "left" not in worked.pages
        go_on.set()
        assert [one.result() for one in busy] == [b"x", b"x"]
    assert len(drawn) == 2
    there.set()
    assert worked.page("left", draw) == b"x"


def test_who_waits_for_a_page_of_somebody_who_left_draws_it():
    turns = iter([True, False])  # the first one is gone when it is its turn
    waiting = threading.Event()

    @contextmanager
    def turn() -> Iterator[None]:
        if next(turns):
            assert waiting.wait(20)
            raise Gone
        yield

    worked = Worked(analysis=None, turn=turn)  # type: ignore[arg-type]
    with ThreadPoolExecutor(2) as pool:
        left = pool.submit(worked.page, "waiting", lambda _: b"x")
        until(lambda: worked.pages)
        stayed = pool.submit(worked.page, "waiting", lambda _: b"x")
        waiting.set()
        with pytest.raises(Gone):
            left.result(20)
        assert stayed.result(20) == b"x"


def test_pages_that_nobody_looked_at_for_long_are_not_drawn_anew(
    tmp_path: Path, slow: threading.Event, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(module, "LOOKED_AT_S", -1.0)
    store = two_sites(tmp_path)
    data = Data(store)
    data.worked(*ALL).page("waiting", lambda worked: b"x")
    change(store, tmp_path, 1)
    assert not data.worked(*ALL, fresh=True).pages


def test_periods_are_cut_out_of_one_log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    read: list[object] = []
    monkeypatch.setattr(module, "whole", lambda *asked: read.append(asked) or whole(*asked))
    data = Data(two_sites(tmp_path))
    some = [data.worked("quay", None, (f"2025-03-0{day}", None)) for day in (1, 2)]
    assert some[0].analysis is not some[1].analysis
    assert some[0].analysis.whole is some[1].analysis.whole
    assert data.worked("quay", "A", (None, None)) is data.worked(*ALL)  # it has no other chute
    assert len(read) == 1


def test_an_import_to_one_chute_leaves_another_as_it_is(tmp_path: Path):
    of = parse_site(TWIN, "twin.toml")
    store = Store.open(tmp_path / "store", create=True)
    for chute, day in (("A", "2025-03-03"), ("B", "2025-03-02")):
        lines = busy_day("7", f"{day} 08:00:00")
        take(store.path, write(tmp_path / f"{chute}.csv", lines), of=of, chute=chute)
    data = Data(store)
    a, b, both = (data.worked("twin", chute, (None, None)) for chute in ("A", "B", None))
    lines = busy_day("7", "2025-03-04 08:00:00")
    take(store.path, write(tmp_path / "more.csv", lines), of=of, chute="A")
    assert data.worked("twin", "B", (None, None), fresh=True) is b
    assert b.generation == store.generation
    assert data.worked("twin", "A", (None, None), fresh=True) is not a
    assert data.worked("twin", None, (None, None), fresh=True) is not both


def test_news_of_one_site_is_none_of_another(tmp_path: Path):
    store = two_sites(tmp_path)
    data = Data(store)
    before = data.landed("hidden-house"), data.landed("quay")
    change(store, tmp_path, 1)
    assert data.landed("hidden-house") == before[0]
    assert data.landed("quay") == store.generation > before[1]


def test_a_page_pays_for_what_it_draws(tmp_path: Path):
    data = Data(two_sites(tmp_path))
    answers(data, PAGES["audit"], "quay", Choice(), "light")
    analysis = data.worked(*ALL).analysis
    assert "examined" in vars(analysis.whole)
    made = {"incidents", "floors", "queue", "week", "condition", "sorting"} & set(vars(analysis))
    assert not made


def test_what_is_held_is_counted_once_however_many_hold_it():
    shared, own = pd.DataFrame({"n": np.zeros(1000)}), np.zeros(10)
    size = int(shared.memory_usage(deep=True).sum())
    assert sum(held([shared, {"again": shared}, [own]], {}).values()) == size + own.nbytes
    assert sum(held([shared], {id(shared): 5}).values()) == 5
