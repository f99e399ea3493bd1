"""An incident keeps its name: through the store, in any order, as logs grow."""

import tempfile
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loganalyzer.answers import components
from loganalyzer.ingest import again
from loganalyzer.store import Store, disk
from tests.exports import RECEIVED, Log, site, take, write
from tests.troubles import incidents_of

FEW = settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))


@pytest.fixture(autouse=True)
def _no_flushing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Waiting for the disk says nothing about these properties."""
    monkeypatch.setattr(disk.os, "fsync", lambda handle: None)


class House(Log):
    """A log of troubles, each some lines long, with ordinary uses between."""

    def tell(self, seconds, door, text, stream="", reason="", value=""):
        self.event(seconds, door, text, value)
        date, time, *_ = self.lines[-1].split(";")
        self.lines[-1] = ";".join([date, time, door, stream, text, reason, value])

    def use(self, door="3", open_s=8):
        self.tell(300, door, "BUTTON", "GENERAL")
        self.tell(1, door, "LATCH RELEASED")
        self.tell(2, door, "DOOR OPEN")
        self.tell(open_s, door, "DOOR SHUT")
        self.tell(1, door, "LATCH SET")

    def stuck(self):
        self.use("4", open_s=90)

    def full(self):
        self.tell(200, "", "BIN FULL", "FOOD")
        self.tell(20, "3", "BUTTON", "FOOD")
        self.tell(0, "3", "BUTTON NOT TAKEN", "FOOD", "BIN FULL")
        self.tell(900, "", "BIN HAS ROOM", "FOOD")

    def barred(self):
        for wait in (200, 2, 2, 2, 2):
            self.tell(wait, "2", "BUTTON", "GENERAL")
        self.tell(0, "2", "BUTTONS BARRED")
        self.tell(95, "2", "BUTTONS FREE")

    def chatter(self):
        self.tell(200, "5", "DOOR OPEN")
        for _ in range(3):
            self.tell(2, "5", "DOOR SHUT")
            self.tell(2, "5", "DOOR OPEN")
        self.tell(2, "5", "DOOR SHUT")

    def wiring(self):
        self.tell(200, "6", "TROUBLE BEGINS", reason="T50")
        self.tell(1, "7", "TROUBLE BEGINS", reason="T50")
        self.tell(30, "6", "TROUBLE ENDS", reason="T50")
        self.tell(1, "7", "TROUBLE ENDS", reason="T50")

    def latch(self):
        self.tell(200, "2", "TROUBLE NOTED", reason="T20")

    def sorter(self):
        self.tell(200, "", "TROUBLE BEGINS", reason="T10")
        self.tell(40, "", "TROUBLE ENDS", reason="T10")

    def service(self):
        self.tell(200, "", "MAINTENANCE KEY IN")
        self.tell(1800, "", "MAINTENANCE KEY OUT")

    def silence(self):
        self.use()
        self.wait(30 * 3600)
        self.use()

    def cut(self):
        self.wait(100)
        self.power_cut(600)
        self.wait(50)
        self.put_right()


TROUBLES = (
    "stuck", "full", "barred", "chatter", "wiring", "latch", "sorter", "service", "silence", "cut",
)  # fmt: skip


@st.composite
def houses(draw: st.DrawFn) -> list[str]:
    """The lines of a house where everything happens, in any order."""
    log = House("2025-03-03 08:00:00")
    log.use()
    for name in draw(st.permutations(TROUBLES)):
        getattr(log, name)()
        log.use()
    return log.lines


def found(store: Path) -> pd.DataFrame:
    kept = Store.open(store)
    return incidents_of(kept.timeline(), components(kept), {"quay": kept.site("quay")})


def named(store: Path) -> pd.DataFrame:
    return found(store)[["incident", "kind", "start"]].astype({"kind": str})


def imported(folder: Path, *exports: list[str]) -> Path:
    for number, lines in enumerate(exports):
        take(folder / "store", write(folder / f"{number}.csv", lines))
    return folder / "store"


@FEW
@given(data=st.data())
def test_the_same_logs_in_any_order_with_overlaps_and_again_give_the_same_ids(data: st.DataObject):
    lines = data.draw(houses())
    cuts = sorted(data.draw(st.lists(st.integers(10, len(lines) - 10), min_size=2, max_size=2)))
    over = data.draw(st.integers(1, 15))
    bounds = [0, *cuts, len(lines)]
    exports = [lines[max(0, a - over) : b] for a, b in pairwise(bounds)]
    with tempfile.TemporaryDirectory() as folder:
        whole = named(imported(Path(folder) / "whole", lines))
        shuffled = [*data.draw(st.permutations(exports)), data.draw(st.sampled_from(exports))]
        store = imported(Path(folder) / "parts", *shuffled)
        pd.testing.assert_frame_equal(named(store), whole)
        again(Store.open(store), site(), received=RECEIVED)
        pd.testing.assert_frame_equal(named(store), whole)
    assert whole["incident"].is_unique
    assert len(set(whole["kind"])) == 11  # all but the compactor's and the audit's


def test_an_ongoing_incident_keeps_its_id_when_a_later_export_ends_it(tmp_path):
    log = House("2025-03-03 08:00:00")
    log.use()
    log.tell(200, "", "BIN FULL", "FOOD")
    log.tell(10, "", "TROUBLE BEGINS", reason="T10")
    log.tell(100, "4", "DOOR OPEN")
    log.use()
    cut = len(log.lines)
    log.tell(20, "4", "DOOR SHUT")
    log.tell(20, "", "TROUBLE ENDS", reason="T10")
    log.tell(20, "", "BIN HAS ROOM", "FOOD")
    # The clock was wrong all along: all times move by up to 40 s, the written ones do not.
    log.set_clock(40, wait=600)
    first = found(imported(tmp_path, log.lines[:cut]))
    take(tmp_path / "store", write(tmp_path / "later.csv", log.lines[cut:]))
    later = found(tmp_path / "store")
    assert len(first) == 3
    assert first["ongoing"].all()
    assert not later["ongoing"].any()
    assert set(first["incident"]) == set(later["incident"])
    assert (set(first["start"]) & set(later["start"])) == set()


def test_an_incident_whose_beginning_is_not_in_the_log_is_named_after_its_end(tmp_path):
    log = House("2025-03-03 08:00:00")
    log.use()
    begin = len(log.lines)
    log.use("2")
    log.tell(200, "", "BIN HAS ROOM", "FOOD")
    log.use()
    ids = []
    for number, start in enumerate((0, begin)):
        store = imported(tmp_path / str(number), log.lines[start:])
        ids.append(found(store)["incident"].tolist())
    assert ids[0] == ids[1]
    assert len(ids[0]) == 1
