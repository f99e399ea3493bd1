"""The evidence pack: what is in it, that it checks out, and that it is the same every time."""

import csv
import hashlib
import io
import json
import subprocess
import zipfile

import pytest

from dashboards.reports.evidence import SUMS, evidence
from dashboards.reports.told import EVENTS, MEANS
from loganalyzer.answers import answer
from loganalyzer.cli import main
from loganalyzer.errors import UsageError
from loganalyzer.store import Store
from loganalyzer.tables import INCIDENT_KINDS, SIGNAL_EDGES
from tests.exports import Log, take, write

DOOR = "<b>7</b>"


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """A door that is used a few times and once stands open for four minutes."""
    folder = tmp_path_factory.mktemp("evidence")
    log = Log("2025-03-03 08:00:00")
    for wait in (7, 7, 240, 7):
        for text in ("BUTTON", "LATCH RELEASED", "DOOR OPEN"):
            log.event(7, DOOR, text)
        log.event(wait, DOOR, "DOOR SHUT")
        log.event(1, DOOR, "LATCH SET")
        log.wait(600)
    take(folder / "store", write(folder / "week 10.csv", log.lines))
    return Store.open(folder / "store")


@pytest.fixture(scope="module")
def stuck(store):
    found = answer(store).incidents
    return str(found.loc[found["kind"].eq("stuck_door"), "incident"].iloc[0])


@pytest.fixture(scope="module")
def pack(store, stuck):
    return zipfile.ZipFile(io.BytesIO(evidence(store, stuck)))


def rows_of(pack, name):
    return list(csv.DictReader(io.StringIO(pack.read(name).decode())))


def test_the_pack_holds_the_incident_its_tables_its_lines_and_a_page(pack, stuck):
    assert set(pack.namelist()) == {
        "index.html", "incident.json", "timeline.csv", "intervals.csv", "cycles.csv", "lines.csv",
        "exports.csv", "site.toml", SUMS,
    }  # fmt: skip
    assert json.loads(pack.read("incident.json"))["incident"] == stuck
    assert {row["signal"] for row in rows_of(pack, "timeline.csv")} >= {"open", "unlocked"}
    assert [row["outcome"] for row in rows_of(pack, "cycles.csv")] == ["completed"]
    assert "240" in {row["seconds"] for row in rows_of(pack, "intervals.csv")}


def test_the_lines_are_those_of_the_export_word_for_word(pack, store, tmp_path):
    (export,) = rows_of(pack, "exports.csv")
    assert export["name"] == "week 10.csv"
    written = store.path.parent.joinpath("week 10.csv").read_bytes()
    assert export["source"] == hashlib.sha256(written).hexdigest()
    lines = written.decode().splitlines()
    for row in rows_of(pack, "lines.csv"):
        assert row["text"] == lines[int(row["line"]) - 1]
        assert (row["source"], row["file"]) == (export["source"], "week 10.csv")


def test_the_evidence_of_the_incident_is_among_the_lines(pack):
    named = json.loads(pack.read("incident.json"))["evidence"]
    there = {f"{row['source']}:{row['line']}" for row in rows_of(pack, "lines.csv")}
    assert named
    assert set(named) <= there


def test_the_page_says_how_to_verify_and_the_command_on_it_works(pack, tmp_path):
    page = pack.read("index.html").decode()
    assert f"sha256sum -c {SUMS}" in page
    assert "sha256sum &#39;week 10.csv&#39;" in page
    pack.extractall(tmp_path)
    ran = subprocess.run(["sha256sum", "-c", SUMS], cwd=tmp_path, capture_output=True, text=True)
    assert ran.returncode == 0
    assert ran.stdout.count(": OK") == len(pack.namelist()) - 1
    (tmp_path / "lines.csv").write_bytes(b"another")
    ran = subprocess.run(["sha256sum", "-c", SUMS], cwd=tmp_path, capture_output=True, text=True)
    assert ran.returncode != 0


def test_the_page_tells_somebody_who_was_not_there(pack):
    page = pack.read("index.html").decode()
    for words in (
        "An intake door stood open for longer than the site allows", "It lasted 4 min.",
        "the door opens at floor &lt;b&gt;7&lt;/b&gt;", "What the log cannot show",
        "Who was there", "records no refusals", "lock out and tag out first",
    ):  # fmt: skip
        assert words in page, words
    assert "<b>" not in page


def test_two_packs_are_the_same_to_the_byte(store, stuck, pack):
    assert evidence(store, stuck) == pack.fp.getvalue()


def test_an_unknown_incident_is_one_line_with_the_nearest_names(store, stuck, capsys):
    near = stuck[:-1] + ("0" if stuck[-1] != "0" else "1")
    with pytest.raises(UsageError, match=stuck):
        evidence(store, near)
    assert main(["evidence", "no-such-thing", "--store", str(store.path)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "export incidents" in said


def test_the_command_writes_a_zip_and_nothing_else(store, stuck, tmp_path, capsys):
    out = tmp_path / "case.zip"
    assert main(["evidence", stuck, "--store", str(store.path), "--out", str(out)]) == 0
    assert zipfile.is_zipfile(out)
    assert main(["evidence", stuck, "--store", str(store.path), "--out", "case.tar"]) == 2
    assert "a file that ends in .zip" in capsys.readouterr().err


def test_every_kind_of_incident_and_every_event_has_its_words():
    assert set(MEANS) == set(INCIDENT_KINDS)
    pairs = {(signal, edge) for signal, edges in SIGNAL_EDGES.items() for edge in edges}
    assert pairs - {("note", edge) for edge in ("on", "off", "mark")} == set(EVENTS)
