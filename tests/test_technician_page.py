"""The technician's page: hot spots, control limits, each trouble with its strip and its lines."""

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from plotly.utils import PlotlyJSONEncoder

from dashboards.data import Data, Worked
from dashboards.pages.choice import Choice
from dashboards.pages.faults import PAGE
from dashboards.pages.frame import answers
from dashboards.pages.strip.payload import microseconds
from dashboards.pages.suspected import charted
from dashboards.pages.view import View
from loganalyzer import ingest
from loganalyzer.site import load_site, parse_site
from loganalyzer.store import Store
from loganalyzer.views import analyse
from tests.test_incidents_planted import log_of
from tests.tools.simulator import Fault, plain_chute, plain_plan, simulate
from tests.tools.simulator.sitefile import site_toml
from tests.tools.simulator.words import COMPONENTS
from tests.tools.simulator.years import write_years


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What the page says of a building with one worn contact."""
    folder: Path = tmp_path_factory.mktemp("worn")
    write_years(folder, "semicolon-text", years=0.05, seed=4)
    (site_file,) = folder.glob("*.toml")
    store, site = Store.open(folder / "store", create=True), load_site(site_file)
    ingest.import_paths([folder / site.id], store, site, received=datetime(2026, 1, 1, tzinfo=UTC))
    found = answers(Data(store), PAGE, site.id, Choice(), "light")
    return json.dumps(found, cls=PlotlyJSONEncoder, ensure_ascii=False)


def test_a_suspect_has_its_signs_with_dates_and_what_speaks_against_it(said: str):
    assert "Contact, chute A, floor 5" in said
    assert "Bounce, " in said
    assert "began between 2002-01-" in said
    assert "a leaf that is pushed open again at once looks the same" in said
    assert "Isolate and lock out first" in said


def test_each_trouble_leads_to_the_strip_around_it_and_has_its_line(said: str):
    assert "The latest 10 of" in said
    strips = [text for text in re.findall(r'"href": "([^"]*/strip\?[^"]*)"', said) if "at=" in text]
    assert len(strips) == 10
    for address in strips:
        asked = Choice.of(address.partition("?")[2])
        assert (asked.chute, asked.wide) == ("A", "120")
        assert microseconds(asked.at) is not None
    assert "Their lines" in said


def test_a_timing_stands_against_the_limits_of_its_charts(tmp_path: Path):
    plan = plain_plan(days=45, seed=3)
    worn = Fault("weak_closer", "door", floor="5", start=datetime(2026, 3, 20, tzinfo=UTC))
    plan = replace(plan, chutes=(plain_chute(floors=6, faults=(worn,)),))
    site = parse_site(site_toml(plan, {"A": "semicolon-text"}), "plan")
    analysis = analyse(log_of(simulate(plan)), {plan.site: site}, {(plan.site, "A"): COMPONENTS})
    view = View(Worked(analysis), Choice(), "Europe/Lisbon", "light")
    row = analysis.condition.suspects.iloc[0].to_dict()
    said = json.dumps(charted(view, 0, row), cls=PlotlyJSONEncoder)
    assert "out of limits from 2026-0" in said
    for line in ("moving average (EWMA)", "sum of excess", "its upper limit", "level of a day"):
        assert line in said
    assert charted(view, 0, {**row, "component": "wiring"}) == []  # wiring has no timing


def test_hot_spots_hold_every_kind_of_trouble(said: str):
    assert "fault codes, glitches, overlong openings" in said
    assert re.search(r"n = [0-9,]+ troubles", said)
