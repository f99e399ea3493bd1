"""A floor with fewer units than `min_units` is in nothing that manager or coordinator is told."""

import json

import pytest

from loganalyzer.cli import main
from tests.exports import SITE, Log, site, take, write

STREAMS = '[[chute.stream]]\nid = "refuse"\nkind = "refuse"\n'
FLOORS = "".join(
    f'[[chute.floor]]\nlabel = "{label}"\nunits = {units}\n'
    for label, units in (("8", 9), ("9", 9), ("P77", 1))
)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    log = Log("2026-09-07 06:00:00")
    texts = ("BUTTON", "LATCH RELEASED", "DOOR OPEN", "DOOR SHUT", "LATCH SET")
    for number in range(600):
        door = ("8", "9", "P77")[number % 3]
        for text in texts:
            slow = text == "DOOR SHUT" and door == "P77" and number % 2
            log.event(200 if slow else 4, door, text)
        log.wait(1800)
    # The material stands in the third column; pressing for refuse is what makes a use of it.
    lines = [line.replace(";;BUTTON", ";REST;BUTTON") for line in log.lines]
    lines += ["21.09.2026;07:00:00;;REST;CONTAINER FULL;;"]
    take(folder / "store", write(folder / "log.csv", lines), of=site(SITE + STREAMS + FLOORS))
    return folder / "store"


def told(store, capsys, command: str) -> dict:
    assert main([command, "--store", str(store), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("command", ["streams", "containers", "waiting", "indices", "pickups"])
def test_the_small_floor_is_in_none_of_its_words_and_figures(store, capsys, command):
    document = told(store, capsys, command)
    assert document
    assert "P77" not in json.dumps(document)


def test_the_summary_tells_of_it_to_the_technician_alone(store, capsys):
    document = told(store, capsys, "summary")
    assert document["hidden_floors"] == 1
    assert "P77" not in json.dumps(document["floors"])
    whom = {row["for"] for row in document["incidents"] if row["floor"] == "P77"}
    whom |= {one["who"] for one in document["findings"] if "P77" in json.dumps(one)}
    assert whom == {"technician"}
