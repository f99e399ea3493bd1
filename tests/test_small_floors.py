"""A floor with fewer units than `min_units` is in nothing that manager or coordinator is told."""

import json
from dataclasses import replace

import pytest
from plotly.io.json import to_json_plotly

from dashboards.app import PAGES
from dashboards.data import Data
from dashboards.pages import incidents, start
from dashboards.pages.choice import Choice
from dashboards.pages.frame import view_of
from dashboards.pages.overview import findings, week
from loganalyzer.cli import main
from loganalyzer.store import Store
from loganalyzer.views.behind import KINDS
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


@pytest.mark.parametrize("name", ["", "waiting", "sorting", "uses", "done"])
def test_no_page_of_manager_or_coordinator_shows_it(store, name):
    """Figures, what one reads when pointing at them, tables, and what they lead to."""
    data = Data(Store.open(store))
    view = view_of(data, "quay", Choice(), "light")
    for what in KINDS if name == "uses" else ("",):
        chosen = replace(view, choice=Choice(of_what=what or None))
        shown = to_json_plotly(PAGES[name].sections(chosen, data, "quay"))
        assert '"9"' in shown or name not in ("", "sorting")
        assert "P77" not in shown


def test_what_comes_later_to_a_page_does_not_show_it_either(store):
    data = Data(Store.open(store))
    view = view_of(data, "quay", Choice(count="visits"), "light")
    assert "P77" not in to_json_plotly(week.by_hour(view))
    technician, *others = findings.lists(view)
    assert "P77" in to_json_plotly(technician)
    assert "P77" not in to_json_plotly(others)
    _, coordinator = start.worst(data, "quay")[::2]
    assert "P77" not in to_json_plotly([start.worst(data, "quay")[0], coordinator])


def test_its_incidents_are_those_of_the_technician_alone(store):
    data = Data(Store.open(store))
    (listing, _) = incidents.sections(view_of(data, "quay", Choice(), "light"), data, "quay")
    (grid,) = [one for one in listing.children[1].children if hasattr(one, "rowData")]
    assert {row["who"] for row in grid.rowData if row["floor"] == "P77"} <= {"technician"}


@pytest.mark.parametrize("of", ["manager", "coordinator"])
def test_no_report_of_manager_or_coordinator_shows_it(store, tmp_path, of):
    out = tmp_path / "report.html"
    asked = ["report", of, "--store", str(store), "--month", "2026-09", "--out", str(out)]
    assert main(asked) == 0
    assert "P77" not in out.read_text(encoding="utf-8")
